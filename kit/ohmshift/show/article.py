"""The write-up: one page that works offline, and its numbers in a table."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from ohmshift import __version__
from ohmshift.errors import StudyError
from ohmshift.show.drawings import draw_change
from ohmshift.show.stills import draw_still
from ohmshift.study.findings import Finding, FindingsLog, quantities_table, read_findings

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import pandas as pd

    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

PAGE = "article.html"
NUMBERS = "numbers.csv"

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_STILL_PX = 1100


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Illustrated:
    """A finding as the page shows it.

    Parameters
    ----------
    finding : Finding
        The finding.
    picture : str
        PNG in base64; empty where there is nothing to draw.
    alt_text : str
        The picture in a sentence.
    caption : str
        What the picture shows.
    changed_files : tuple of str
        Data files whose content is not what it was when the finding was recorded.
    """

    finding: Finding
    picture: str = ""
    alt_text: str = ""
    caption: str = ""
    changed_files: tuple[str, ...] = ()


def write_article(
    study: Study, comparison: StudyComparison, out: Path, *, finding_ids: Sequence[str] | None = None
) -> tuple[Path, Path]:
    """Write findings as one self-contained page, and their numbers as a table.

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

    Returns
    -------
    page, numbers : Path
        The HTML page and the CSV file.

    Raises
    ------
    StudyError
        A finding asked for that the log does not hold, or that was retracted.
    """
    log = read_findings(study.folder)
    findings = log.standing if finding_ids is None else tuple(_pick(log, name) for name in finding_ids)
    page = (
        _environment()
        .get_template("article.html.j2")
        .render(
            study=study,
            findings=[_illustrate(study, comparison, finding) for finding in findings],
            earphones=_earphones(comparison),
            problems=[str(problem) for problem in (*study.problems, *log.problems, *comparison.problems)],
            version=__version__,
        )
    )
    out.mkdir(parents=True, exist_ok=True)
    (out / PAGE).write_text(page, encoding="utf-8")
    table = quantities_table(FindingsLog(findings=findings, problems=()))
    safe_for_spreadsheets(table).to_csv(out / NUMBERS, index=False, encoding="utf-8")
    return out / PAGE, out / NUMBERS


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
    return _environment().get_template("findings.html.j2").render(rows=findings)


def safe_for_spreadsheets(table: pd.DataFrame) -> pd.DataFrame:
    """Keep a spreadsheet from running text as a formula.

    Parameters
    ----------
    table : DataFrame
        Any table.

    Returns
    -------
    DataFrame
        Text that starts like a formula gets an apostrophe in front; numbers stay.

    Examples
    --------
    >>> import pandas as pd
    >>> safe_for_spreadsheets(pd.DataFrame({"a": ["=1+1", "fine"]}))["a"].tolist()
    ["'=1+1", 'fine']
    """
    return table.map(lambda cell: f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA_STARTS) else cell)


def _pick(log: FindingsLog, name: str) -> Finding:
    for finding in log.standing:
        if finding.id == name:
            return finding
    raise StudyError(
        f"finding {name}",
        "only findings that stand can be shown",
        "the log holds none of that id",
        "see findings_table for those there are",
    )


def _illustrate(study: Study, comparison: StudyComparison, finding: Finding) -> Illustrated:
    now = study.data_hashes()
    changed = tuple(name for name, sha256 in finding.data.items() if now.get(name) != sha256)
    added_ohm = finding.settings.get("measured_ohm", finding.settings.get("added_ohm"))
    if (finding.earphone, added_ohm) not in comparison.changes:
        return Illustrated(finding=finding, changed_files=changed)
    margin = finding.settings.get("margin_db")
    margin_db = float(margin) if isinstance(margin, int | float) else None
    change = comparison.change(finding.earphone, float(added_ohm))  # type: ignore[arg-type]
    verdict = comparison.verdict(finding.earphone, change.added_ohm, margin_db=margin_db)
    chart = draw_change(change, verdict)
    return Illustrated(
        finding=finding,
        picture=base64.b64encode(draw_still(chart, width_px=_STILL_PX)).decode("ascii"),
        alt_text=f"{chart.title}. {verdict.sentence}",
        caption=f"{chart.title}. Shaded: 95 % interval over all judged bands at once. {verdict.sentence}",
        changed_files=changed,
    )


def _earphones(comparison: StudyComparison) -> Markup:
    """Judge every earphone in a table; pandas escapes the cells, so that it is markup already."""
    table = comparison.table(comparison.common_ohm).to_html(index=False, border=0, na_rep="–", escape=True)
    heading = f"<p>With {comparison.common_ohm:g} ohm added, at a margin of {comparison.margin_db:g} dB.</p>"
    return Markup(heading + table)  # noqa: S704


def _number(value: float) -> str:
    return escape(f"{value:.3g}")


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("ohmshift", "show/templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["number"] = _number
    return environment
