"""The write-up as files: a page that works offline, Markdown with pictures, the outline of a talk, a table."""

from __future__ import annotations

import base64
import re
from typing import TYPE_CHECKING

from ohmshift.show.article import compose_article
from ohmshift.show.markdown import markdown_environment
from ohmshift.show.outline import compose_outline
from ohmshift.show.stills import draw_still
from ohmshift.show.templating import html_environment
from ohmshift.study.findings import FindingsLog, quantities_table
from ohmshift.study.spreadsheets import csv_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from ohmshift.show.article import Article, Illustrated
    from ohmshift.show.charts import Chart
    from ohmshift.show.looks import Theme
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.findings import Finding
    from ohmshift.study.folder import Study

PAGE, MARKDOWN, OUTLINE, NUMBERS, PICTURES = "article.html", "article.md", "outline.md", "numbers.csv", "pictures"
"""Names of what is written."""

_WIDE_PX, _NARROW_PX = 1260, 780
_NARROW_TEXT = 1.9


def write_article(
    study: Study,
    comparison: StudyComparison,
    out: Path,
    *,
    finding_ids: Sequence[str] | None = None,
    date: str = "",
) -> list[Path]:
    """Write findings as a page, as Markdown with pictures, as the outline of a talk, and their numbers as a table.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes, for the figures and the table of earphones.
    out : Path
        Folder to write into; made where it is not there.
    finding_ids : sequence of str, optional
        Findings to show, in that order; by default all that stand, as recorded.
    date : str
        Date to state; none by default.

    Returns
    -------
    list of Path
        The page, the Markdown and its pictures, the outline, and the numbers.

    Raises
    ------
    StudyError
        A finding asked for that the log does not hold, or that was retracted.
    """
    article = compose_article(study, comparison, finding_ids=finding_ids, date=date)
    table = quantities_table(FindingsLog(findings=tuple(item.finding for item in article.findings), problems=()))
    drawn = {item.number: _draw(item.chart) for item in article.findings if item.chart is not None}
    pictures = {
        f"{PICTURES}/{picture_stem(item)}.png": drawn[item.number]["wide_light"]
        for item in article.findings
        if item.number in drawn
    }
    contents = {
        PAGE: article_html(article, drawn).encode(),
        MARKDOWN: article_markdown(article).encode(),
        OUTLINE: outline_markdown(article).encode(),
        NUMBERS: csv_text(table).encode(),
        **pictures,
    }
    for name, content in contents.items():
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (out / name).write_bytes(content)
    return [out / name for name in contents]


def article_html(article: Article, drawn: Mapping[int, Mapping[str, bytes]]) -> str:
    """Write the write-up as one page without anything from outside it.

    Parameters
    ----------
    article : Article
        The write-up.
    drawn : mapping of int to mapping of str to bytes
        Pictures of each finding by its number: PNG for wide and narrow screens, light and dark.

    Returns
    -------
    str
        HTML; everything that a user wrote is escaped, and the page lets no script run.
    """
    pictures = {
        number: {name: base64.b64encode(content).decode("ascii") for name, content in those.items()}
        for number, those in drawn.items()
    }
    return html_environment().get_template("article.html.j2").render(article=article, pictures=pictures) + "\n"


def article_markdown(article: Article) -> str:
    """Write the write-up as Markdown, with pictures in a folder beside it.

    Parameters
    ----------
    article : Article
        The write-up.

    Returns
    -------
    str
        Markdown; everything that a user wrote is escaped.
    """
    names = {item.number: f"{PICTURES}/{picture_stem(item)}.png" for item in article.findings}
    return markdown_environment().get_template("article.md.j2").render(article=article, names=names)


def outline_markdown(article: Article) -> str:
    """Write the outline of a talk or a film.

    Parameters
    ----------
    article : Article
        The write-up.

    Returns
    -------
    str
        Markdown; everything that a user wrote is escaped.
    """
    outline = compose_outline(article)
    return markdown_environment().get_template("outline.md.j2").render(article=article, outline=outline)


def findings_html(findings: Sequence[Finding]) -> str:
    """Put findings into an HTML table.

    Parameters
    ----------
    findings : sequence of Finding
        Findings, retracted ones included.

    Returns
    -------
    str
        A table, everything in it escaped.
    """
    return html_environment().get_template("findings.html.j2").render(rows=findings)


def picture_stem(item: Illustrated) -> str:
    """Give a finding's pictures their name.

    Parameters
    ----------
    item : Illustrated
        The finding.

    Returns
    -------
    str
        Number and heading, in letters, digits, dashes and underscores.
    """
    words = re.sub(r"[^\w-]+", "-", item.heading.lower()).strip("-_")[:40] or "finding"
    return f"{item.number:02d}_{words}"


def _draw(chart: Chart) -> dict[str, bytes]:
    """Draw a chart for wide and narrow screens, light and dark."""
    themes: tuple[Theme, ...] = ("light", "dark")
    drawn = {f"wide_{theme}": draw_still(chart, width_px=_WIDE_PX, theme=theme) for theme in themes}
    for theme in themes:
        drawn[f"narrow_{theme}"] = draw_still(chart, width_px=_NARROW_PX, theme=theme, text_size=_NARROW_TEXT)
    return drawn
