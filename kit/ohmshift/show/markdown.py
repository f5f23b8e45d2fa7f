"""Text as Markdown: what users wrote stays words, whatever marks it holds."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined

if TYPE_CHECKING:
    from collections.abc import Sequence

_MARKS = re.compile(r"([\\`*_{}\[\]#!|~$^])")
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;"}
_LINKS = re.compile(r"(?i)(?<=\bwww)\.|(?<=\bhttp):|(?<=\bhttps):|(?<=\bftp):|(?<=\bmailto):|@")
_START = re.compile(r"^(\d{0,9})([-+=:.)])(?=\s|$|\2)")


class Ready(str):
    """Markdown that needs no escaping."""

    __slots__ = ()


def escape_markdown(text: object) -> Ready:
    r"""Make a text of a user's show as it was written.

    Parameters
    ----------
    text : object
        The text, or anything that can be written; what is `Ready` passes as it is.

    Returns
    -------
    Ready
        On one line; no mark, link, tag or entity in it is one any more.

    References
    ----------
    .. [1] CommonMark 0.31.2, 2.4 "Backslash escapes", 2.5 "Entity and numeric character references".

    Examples
    --------
    >>> print(escape_markdown("*Ladle* <b> | 5"))
    \*Ladle\* &lt;b&gt; \| 5
    """
    if isinstance(text, Ready):
        return text
    line = " ".join("".join(c if c.isprintable() or c.isspace() else "\ufffd" for c in str(text)).split())
    line = _MARKS.sub(r"\\\1", "".join(_ENTITIES.get(c, c) for c in line))
    line = _LINKS.sub(lambda match: f"\\{match[0]}", line)
    return Ready(_START.sub(r"\1\\\2", line))


def markdown_table(columns: Sequence[object], rows: Sequence[Sequence[object]]) -> Ready:
    """Write a table, every cell escaped.

    Parameters
    ----------
    columns : sequence
        Names of the columns.
    rows : sequence of sequences
        Cells, as many in each row.

    Returns
    -------
    Ready
        The table in the pipe form that most readers of Markdown know.
    """
    lines = [columns, *rows]
    cells = ["| " + " | ".join(escape_markdown(cell) for cell in line) + " |" for line in lines]
    return Ready("\n".join([cells[0], "|" + "---|" * len(columns), *cells[1:]]))


def markdown_environment() -> Environment:
    """Give the templates for Markdown, in which every value is escaped unless it is `Ready`.

    Returns
    -------
    Environment
        With the filter `ready` for text of the kit's own.
    """
    environment = Environment(  # noqa: S701 - it is no HTML: escape_markdown is put on every value instead
        loader=PackageLoader("ohmshift", "show/templates"),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=escape_markdown,
    )
    environment.filters["ready"] = Ready
    environment.globals["table"] = markdown_table
    return environment
