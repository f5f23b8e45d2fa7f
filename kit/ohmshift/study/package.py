"""The data package of a study: open tables beside the study as it was measured, each file with its hash."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.errors import FileMissingError, FileRefusedError, StudyError
from ohmshift.study.findings import LOG, read_findings
from ohmshift.study.manifest import read_table
from ohmshift.study.package_descriptor import (
    DESCRIPTOR,
    citation_text,
    describe_package,
    describe_table,
    dictionary_table,
    files_table,
    readme_text,
)
from ohmshift.study.package_tables import tidy_tables
from ohmshift.study.proposals import FOLDERS
from ohmshift.study.rows import MeasurementRow
from ohmshift.study.spreadsheets import csv_text

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.package_tables import TidyTable

STUDY = "study"
"""Folder of a package that holds the study as it was measured."""

LARGE_ROWS = 20_000
"""From so many rows on, a table is written as Parquet too."""

_FILES = "files"
_TABLES = (".csv", ".toml")
_NOT_OURS = ("findings", "published")
_PAPERS = ("readme", "license", "licence", "citation")


def write_package(study: Study, comparison: StudyComparison, out: Path, *, date: str = "") -> list[Path]:
    """Write a study as a data package that others can read, check and open again.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    out : Path
        Folder to write into, empty or absent.
    date : str
        Date to state, as YYYY-MM-DD; none by default.

    Returns
    -------
    list of Path
        Descriptor, the tables as CSV, large ones as Parquet too, README.txt,
        CITATION.cff, and the study's own files under study/.

    Raises
    ------
    StudyError
        `out` holds something.

    Notes
    -----
    Of the study, these are taken along: the tables and settings at its top, what measurements.csv names, its folders
    for curves and recordings, the log of findings, and what says how to use it (README, LICENSE, CITATION). Nothing
    that is hidden or linked from elsewhere is, nor is published/: what others made is theirs to license.

    References
    ----------
    .. [1] Data Package, version 2.0, https://datapackage.org/standard/data-package/
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise StudyError(str(out), "a package goes into an empty folder", "something is there", "choose another one")
    out.mkdir(parents=True, exist_ok=True)
    log = read_findings(study.folder)
    copied = {name: _copy(study.folder / name, out / STUDY / name) for name in study_files(study)}
    tables = [*tidy_tables(study, comparison, log)]
    beside = [
        _write_text(out / "README.txt", readme_text(study, tables, date=date)),
        _write_text(out / "CITATION.cff", citation_text(study, date=date)),
        *(_write_compact(table, out) for table in tables if len(table.rows) >= LARGE_ROWS),
    ]
    held = {path.name: _measure(path.read_bytes()) for path in beside}
    tables.append(files_table(held | {f"{STUDY}/{name}": of for name, of in copied.items()}))
    tables.append(dictionary_table(tables))
    written = [_write_table(table, out) for table in tables]
    resources = [describe_table(t, path.name, path.read_bytes()) for t, path in zip(tables, written, strict=True)]
    described = describe_package(study, resources, copied, date=date)
    text = json.dumps(described, indent=2, ensure_ascii=False, allow_nan=False)
    descriptor = _write_text(out / DESCRIPTOR, text)
    return [descriptor, *beside, *written, *(out / STUDY / name for name in copied)]


def study_files(study: Study) -> tuple[str, ...]:
    """List the files of a study that its package takes along.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of str
        Paths relative to the study, with forward slashes, sorted.
    """
    root = study.folder
    named = [row.file for _, row in read_table(root, "measurements.csv", MeasurementRow).rows]
    top = [path.name for path in root.iterdir() if path.suffix.lower() in _TABLES or path.stem.lower() in _PAPERS]
    below = [
        path.relative_to(root).as_posix()
        for name in FOLDERS
        if name not in _NOT_OURS
        for path in (root / name).rglob("*")
    ]
    inside = root.resolve()
    return tuple(
        sorted(
            name
            for name in {LOG, *named, *below, *top}
            if (root / name).is_file()
            and (root / name).resolve() == inside / name
            and not any(part.startswith(".") for part in PurePosixPath(name).parts)
        )
    )


def read_package(folder: Path, into: Path) -> Path:
    """Make a study of a data package, after checking that every file is what was published.

    Parameters
    ----------
    folder : Path
        The package.
    into : Path
        Folder to make; the package itself is left as it is.

    Returns
    -------
    Path
        The study: the same bytes as it was published from, so the same curves, manifests, readings and findings.

    Raises
    ------
    FileMissingError
        No package, or a file that it lists is not there.
    FileRefusedError
        A descriptor that is not of this kit, or a file that is not what was published.
    StudyError
        There is something at `into`.
    """
    if into.exists():
        raise StudyError(str(into), "a study never goes over anything", "something is there", "choose another folder")
    hashes = _listed_files(folder)
    for name, sha256 in hashes.items():
        _check(folder / name, name, sha256)
    unfinished = into.with_name(f".{into.name}.part")
    shutil.rmtree(unfinished, ignore_errors=True)
    for name in FOLDERS:
        (unfinished / name).mkdir(parents=True)
    for name in hashes:
        if name.startswith(f"{STUDY}/"):
            _copy(folder / name, unfinished / name.removeprefix(f"{STUDY}/"))
    unfinished.rename(into)
    return into


def _listed_files(folder: Path) -> dict[str, str]:
    """Give every file of a package with its SHA-256: its tables, and by one of these all others."""
    path = folder / DESCRIPTOR
    if not path.is_file():
        raise FileMissingError(str(path), "a data package has this file", "it is missing", "check the folder's name")
    try:
        resources = json.loads(path.read_text(encoding="utf-8"))["resources"]
        hashes = {str(r["path"]): str(r["hash"]).removeprefix("sha256:") for r in resources}
        files = f"{_FILES}.csv"
        _check(folder / files, files, hashes[files])
        table = pd.read_csv(folder / files, dtype=str, keep_default_na=False)
        hashes |= dict(zip(table["path"], table["sha256"], strict=True))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        if isinstance(error, FileRefusedError):
            raise
        rule, mend = "it lists every file with its hash", "get the package again from where it was published"
        raise FileRefusedError(str(path), rule, f"it cannot be read ({error})", mend) from error
    for name in hashes:
        if PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts or "\\" in name:
            raise FileRefusedError(str(path), "a file lies inside the package", f"one is {name!r}", "do not trust it")
    return hashes


def _check(path: Path, name: str, sha256: str) -> None:
    if not path.is_file():
        raise FileMissingError(name, "a package holds every file it lists", "this one is missing", "get it again")
    if _sha256(path.read_bytes()) != sha256:
        mend = "get the package again from where it was published"
        raise FileRefusedError(name, "it must be what was published", "its content is another", mend)


def _write_table(table: TidyTable, out: Path) -> Path:
    path = out / f"{table.name}.csv"
    path.write_bytes(csv_text(table.rows.assign(**_spell_infinity(table))).encode())
    return path


def _write_compact(table: TidyTable, out: Path) -> Path:
    path = out / f"{table.name}.parquet"
    table.rows.to_parquet(path, engine="pyarrow", index=False, compression="zstd")
    return path


def _write_text(path: Path, text: str) -> Path:
    path.write_text(text.rstrip("\n") + "\n", encoding="utf-8", newline="\n")
    return path


def _spell_infinity(table: TidyTable) -> dict[str, pd.Series[Any]]:
    """Write an infinite bound as Table Schema does."""
    numbers = {field.name: table.rows[field.name].astype(float) for field in table.fields if field.type == "number"}
    return {
        name: column.astype(object).where(~np.isposinf(column), "INF")
        for name, column in numbers.items()
        if np.isposinf(column).any()
    }


def _copy(source: Path, target: Path) -> tuple[int, str]:
    """Copy a file, and give its size and hash."""
    content = source.read_bytes()
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content)
    return _measure(content)


def _measure(content: bytes) -> tuple[int, str]:
    """Give size and hash."""
    return len(content), _sha256(content)


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
