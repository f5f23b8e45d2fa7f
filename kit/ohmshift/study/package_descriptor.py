"""What a data package says of itself: its descriptor, its dictionary, its citation and its readme."""

from __future__ import annotations

import hashlib
import json
import re
import textwrap
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import pandas as pd

from ohmshift.study.package_tables import Field, TidyTable
from ohmshift.study.places import name_in_commands

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.study.folder import Study

DESCRIPTOR = "datapackage.json"

PROFILE = "https://datapackage.org/profiles/2.0/datapackage.json"
"""The profile that the descriptor keeps."""

LICENCES = {
    "CC0-1.0": ("Creative Commons CC0 1.0", "https://creativecommons.org/publicdomain/zero/1.0/"),
    "CC-BY-4.0": ("Creative Commons Attribution 4.0", "https://creativecommons.org/licenses/by/4.0/"),
    "CC-BY-SA-4.0": ("Creative Commons Attribution-ShareAlike 4.0", "https://creativecommons.org/licenses/by-sa/4.0/"),
    "ODC-BY-1.0": ("Open Data Commons Attribution 1.0", "https://opendatacommons.org/licenses/by/1-0/"),
    "ODbL-1.0": ("Open Data Commons Open Database License 1.0", "https://opendatacommons.org/licenses/odbl/1-0/"),
}
"""Open licences that mean the same by this name to the Open Definition and to SPDX."""

_UNITS = {"ohm": "ohm", "db": "dB", "hz": "Hz", "deg": "degree"}
_LIBRARIES = ("ohmshift", "numpy", "scipy", "pandas")
_TABLES_NOTE = (
    "Tables, as CSV (UTF-8, comma, decimal point, missing cells empty); dictionary.csv tells what each column holds "
    "and in which unit, datapackage.json the same for programs (Data Package 2.0):"
)
_TEXT_NOTE = (
    "A text that begins like a formula has an apostrophe in front of it in these tables, so that no spreadsheet runs "
    "it. Files under study/ are as they were measured, byte for byte. datapackage.json holds the hash of each table, "
    "files.csv that of every other file."
)
_OTHERS_NOTE = (
    "Not here is what others published, the study's folder published/: it is theirs to license. The numbers of a "
    "finding that rests on it stand as they were recorded; to check them again, get those files from where they were "
    "published, and put them into published/ of the study that the first line below makes."
)
_OPEN_NOTE = (
    "With Ohmshift {version} installed, in the folder that holds this one: the first line checks every file and makes "
    "the study's folder, the second opens it in its notebooks, the third builds article and figures again."
)
_COMMANDS = (
    "  ohmshift unpack package {study}\n  ohmshift lab {study}\n  ohmshift report {study} --out report{date}\n\n"
    "  (package is this folder's name; where yours has another, write that.)"
)
_KEYWORDS = ("earphone", "frequency response", "impedance", "output impedance", "ear simulator")


def describe_package(
    study: Study, resources: Sequence[Mapping[str, Any]], files: Mapping[str, tuple[int, str]], *, date: str
) -> dict[str, Any]:
    """Describe a package.

    Parameters
    ----------
    study : Study
        The study.
    resources : sequence of mapping
        Descriptions of its tables.
    files : mapping of str to (int, str)
        Size [byte] and SHA-256 of the study's own files, by their paths.
    date : str
        Date to state; empty for none.

    Returns
    -------
    dict
        A descriptor by Data Package 2.0.
    """
    settings = study.settings
    lines = "".join(f"{sha256}  {name}\n" for name, (_, sha256) in sorted(files.items()))
    described: dict[str, Any] = {
        "$schema": PROFILE,
        "name": re.sub(r"[^a-z0-9]+", "-", settings.title.lower()).strip("-")[:80] or "study",
        "id": f"urn:sha256:{hashlib.sha256(lines.encode()).hexdigest()}",
        "title": settings.title,
        "description": settings.question or "Earphones measured with and without an added resistance.",
        "keywords": list(_KEYWORDS),
    }
    if date:
        described["created"] = f"{date}T00:00:00Z"
    if authors := _authors(study):
        described["contributors"] = [{"title": name, "roles": ["author"]} for name in authors]
    if licence := _licence(settings.licence):
        described["licenses"] = [licence]
    described["resources"] = list(resources)
    described["madeWith"] = {name: version(name) for name in _LIBRARIES}
    return described


def describe_table(table: TidyTable, path: str, content: bytes) -> dict[str, Any]:
    """Describe a table.

    Parameters
    ----------
    table : TidyTable
        The table.
    path : str
        Its file.
    content : bytes
        The file's content.

    Returns
    -------
    dict
        A resource by Data Package 2.0, with a Table Schema.

    Notes
    -----
    `fieldsMatch` is left out: the text of Table Schema 2.0 calls it a string, its published profile an array.
    """
    schema: dict[str, Any] = {"fields": [_describe_field(field) for field in table.fields], "missingValues": [""]}
    if table.key:
        schema["primaryKey"] = list(table.key)
    if table.refers:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": [its]}}
            for column, other, its in table.refers
        ]
    return {
        "name": table.name,
        "path": path,
        "type": "table",
        "description": table.description,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": schema,
    }


def files_table(files: Mapping[str, tuple[int, str]]) -> TidyTable:
    """List the files of a package that are no tables of its own.

    Parameters
    ----------
    files : mapping of str to (int, str)
        Size [byte] and SHA-256, by path in the package.

    Returns
    -------
    TidyTable
        One row a file.
    """
    rows = [(name, size, sha256) for name, (size, sha256) in files.items()]
    fields = (
        Field(name="path", type="string", description="Path in this package.", required=True),
        Field(name="bytes", type="integer", description="Size [byte].", required=True),
        Field(name="sha256", type="string", description="SHA-256 of its content.", required=True),
    )
    return TidyTable(
        name="files",
        description="One row a file that is no table of datapackage.json: the study as it was measured, and what goes "
        "with the tables.",
        rows=pd.DataFrame(rows, columns=[field.name for field in fields]),
        fields=fields,
        key=("path",),
    )


def dictionary_table(tables: Sequence[TidyTable]) -> TidyTable:
    """Put what all columns hold into one table.

    Parameters
    ----------
    tables : sequence of TidyTable
        The tables.

    Returns
    -------
    TidyTable
        One row a column: table, column, type, unit, meaning.
    """
    rows = [
        (table.name, field.name, field.type, _unit(field), field.description)
        for table in tables
        for field in table.fields
    ]
    fields = (
        Field(name="table", type="string", description="The table.", required=True),
        Field(name="column", type="string", description="The column.", required=True),
        Field(name="type", type="string", description="What its cells are.", required=True),
        Field(name="unit", type="string", description="Unit of its numbers; empty where there is none."),
        Field(name="description", type="string", description="What it holds.", required=True),
    )
    return TidyTable(
        name="dictionary",
        description="One row a column of the other tables.",
        rows=pd.DataFrame(rows, columns=[field.name for field in fields]),
        fields=fields,
        key=("table", "column"),
    )


def citation_text(study: Study, *, date: str) -> str:
    """Write how to cite the data.

    Parameters
    ----------
    study : Study
        The study.
    date : str
        Date to state; empty for none.

    Returns
    -------
    str
        CITATION.cff, version 1.2.0; texts are quoted as JSON, which YAML reads.
    """
    authors = _authors(study) or (f"The authors of {study.settings.title}",)
    lines = [
        "cff-version: 1.2.0",
        'message: "If you use these data, please cite them as below."',
        "type: dataset",
        f"title: {_quote(study.settings.title)}",
        "authors:",
        *(f"  - name: {_quote(name)}" for name in authors),
        *([f"date-released: {_quote(date)}"] if date else []),
        *([f"license: {study.settings.licence}"] if study.settings.licence in LICENCES else []),
        "keywords:",
        *(f"  - {_quote(word)}" for word in _KEYWORDS),
    ]
    return "\n".join(lines)


def readme_text(study: Study, tables: Sequence[TidyTable], *, date: str) -> str:
    """Write what a package holds and how to use it, as plain text.

    Parameters
    ----------
    study : Study
        The study.
    tables : sequence of TidyTable
        Its tables.
    date : str
        Date to state; empty for none.

    Returns
    -------
    str
        README.txt.
    """
    settings = study.settings
    licence = settings.licence or "not stated; ask before you use the data"
    if settings.licence in LICENCES:
        licence = f"{settings.licence}, {LICENCES[settings.licence][1]}"
    listed = [f"  {table.name}.csv: {table.description} {len(table.rows)} rows." for table in tables]
    paragraphs = (
        settings.title,
        settings.question,
        f"Licence: {licence}.",
        f"Authors: {'; '.join(_authors(study)) or 'not stated'}.{f' Published {date}.' if date else ''}",
        _TABLES_NOTE,
        "\n".join(listed),
        _TEXT_NOTE,
        _OTHERS_NOTE,
        _OPEN_NOTE.format(version=version("ohmshift")),
        _COMMANDS.format(study=name_in_commands(study.folder), date=f" --date {date}" if date else ""),
    )
    return "\n\n".join(
        text if text.startswith("  ") else textwrap.fill(text, 100) for text in paragraphs if text.strip()
    )


def _describe_field(field: Field) -> dict[str, Any]:
    described: dict[str, Any] = {"name": field.name, "type": field.type, "description": field.description}
    if field.required:
        described["constraints"] = {"required": True}
    return described


def _unit(field: Field) -> str:
    return _UNITS.get(field.name.rpartition("_")[2], "") if field.type == "number" else ""


def _authors(study: Study) -> tuple[str, ...]:
    return tuple(name.strip() for name in study.settings.authors.split(";") if name.strip())


def _licence(name: str) -> dict[str, str] | None:
    """Describe a licence by its name; a text that is no name of one cannot be described."""
    if name in LICENCES:
        title, path = LICENCES[name]
        return {"name": name, "title": title, "path": path}
    return {"name": name} if re.fullmatch(r"[-a-zA-Z0-9._]+", name) else None


def _quote(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
