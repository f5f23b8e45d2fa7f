"""The write-up as a value: findings with figures and caveats, methods, limits, glossary, and how to build it again."""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from importlib.metadata import version
from typing import TYPE_CHECKING

import numpy as np

from ohmshift import __version__
from ohmshift.errors import StudyError
from ohmshift.show.earphone_wording import SAFETY
from ohmshift.show.fonts import say_boxes
from ohmshift.show.glossary import terms_used
from ohmshift.show.illustrations import draw_finding
from ohmshift.show.methods import join_words, say_level_jump, say_limits, say_methods, say_problems, say_setting
from ohmshift.study.findings import Finding, read_findings
from ohmshift.study.places import lies_inside, name_in_commands
from ohmshift.study.plain import count_decimals, write_value
from ohmshift.study.published import FOLDER

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from ohmshift.show.charts import Chart
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.findings import FindingsLog, Quantity
    from ohmshift.study.folder import Study

_LIBRARIES = ("ohmshift", "numpy", "scipy", "pandas", "matplotlib")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Illustrated:
    """A finding as the write-up shows it.

    Parameters
    ----------
    number : int
        Its place, from 1.
    finding : Finding
        The finding.
    heading : str
        What it is about.
    chart : Chart or None
        Its figure; None where there is nothing to draw.
    caption : str
        What the figure shows.
    settings : tuple of (str, str)
        Its settings in words.
    changed_files : tuple of str
        Data files whose content is not what it was when the finding was recorded.
    missing_files : tuple of str
        Files that others published, which this copy of the study does not hold.
    """

    number: int
    finding: Finding
    heading: str
    chart: Chart | None
    caption: str
    settings: tuple[tuple[str, str], ...]
    changed_files: tuple[str, ...]
    missing_files: tuple[str, ...]

    @property
    def on_others(self) -> bool:
        """Whether the finding rests on what others published."""
        return any(name.startswith(f"{FOLDER}/") for name in self.finding.data)

    @property
    def numbers(self) -> tuple[tuple[str, str, str, str], ...]:
        """Each number of the finding: name, value, 95 % interval and unit."""
        return tuple(_say_quantity(quantity) for quantity in self.finding.quantities)

    @property
    def figure_table(self) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
        """The numbers behind the figure: names of the columns, and rows."""
        return ((), ()) if self.chart is None else _written(self.chart.table())


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Article:
    """The whole write-up.

    Parameters
    ----------
    title, question, authors, licence, rig : str
        What the study is, and whose.
    folder : str
        What to call its folder in a command.
    date : str
        Date stated; empty for none.
    version : str
        Version of the kit.
    findings : tuple of Illustrated
        Findings in the order chosen.
    methods, limits, cautions : tuple of str
        Paragraphs and sentences.
    columns : tuple of str
        Names of the columns of the table of earphones.
    rows : tuple of tuple of str
        Its rows.
    added_ohm, margin_db : float
        Resistance [ohm] and margin [dB] of that table.
    problems : tuple of (str, tuple of str)
        What was left out, and what was used but is doubtful, each with a name.
    withdrawn : int
        How many findings were retracted.
    glossary : tuple of (str, str)
        Terms used and their meanings.
    hashes : tuple of (str, str)
        SHA-256 of each data file, by its path in the study.
    versions : tuple of (str, str)
        Python and the libraries that built this.
    """

    title: str
    question: str
    authors: str
    licence: str
    rig: str
    folder: str
    date: str
    version: str
    findings: tuple[Illustrated, ...]
    methods: tuple[str, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    added_ohm: float
    margin_db: float
    problems: tuple[tuple[str, tuple[str, ...]], ...]
    withdrawn: int
    glossary: tuple[tuple[str, str], ...]
    hashes: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]

    @property
    def command(self) -> str:
        """The command that builds this again, beside the study's folder."""
        return f"ohmshift report {self.folder} --out report" + (f" --date {self.date}" if self.date else "")

    @property
    def availability(self) -> str:
        """What the study's data package holds, and what it does not."""
        terms = f", licence {self.licence}" if self.licence else "; the study states no licence: ask before you use it"
        rest = [f"{item.number}" for item in self.findings if item.on_others]
        theirs = f", though finding{'s' * (len(rest) > 1)} {join_words(rest)} rest{'s' * (len(rest) == 1)} on it"
        gone = f"{self.withdrawn} finding{'s were' if self.withdrawn > 1 else ' was'} withdrawn after being recorded"
        return (
            "The study's data package (folder package/ of its report) holds the study as it was measured, and its "
            f"curves, changes and findings as open tables{terms}. What others published is theirs to license and not "
            f"in it{theirs if rest else ''}."
            f"{f' {gone}; findings.csv in the package says why.' if self.withdrawn else ''}"
        )

    @property
    def digest(self) -> str:
        """One SHA-256 over the hashes of all data files, to compare at a glance."""
        lines = "".join(f"{sha256}  {name}\n" for name, sha256 in self.hashes)
        return hashlib.sha256(lines.encode()).hexdigest()


def compose_article(
    study: Study, comparison: StudyComparison, *, finding_ids: Sequence[str] | None = None, date: str = ""
) -> Article:
    """Put a write-up together.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    finding_ids : sequence of str, optional
        Findings to show, in that order; by default all that stand, as recorded.
    date : str
        Date to state; none by default.

    Returns
    -------
    Article
        The same study, findings, date and versions give the same one.

    Raises
    ------
    StudyError
        A finding asked for that the log does not hold, or that was retracted.
    """
    log = read_findings(study.folder)
    chosen = log.standing if finding_ids is None else tuple(_pick(log, name) for name in finding_ids)
    findings = tuple(_illustrate(study, comparison, item, number) for number, item in enumerate(chosen, start=1))
    methods, limits = say_methods(study, comparison, chosen), say_limits(comparison)
    columns, rows = _written(comparison.table(comparison.common_ohm))
    written = [text for item in chosen for text in (item.statement, item.caveat, *map(str, item.quantities))]
    words = " ".join([*written, *methods, *limits, *columns])
    settings = study.settings
    return Article(
        title=settings.title,
        question=settings.question,
        authors=settings.authors,
        licence=settings.licence,
        rig=settings.ear_simulator,
        folder=name_in_commands(study.folder),
        date=date,
        version=__version__,
        findings=findings,
        methods=methods,
        limits=limits,
        cautions=(say_level_jump(comparison), SAFETY),
        columns=columns,
        rows=rows,
        added_ohm=comparison.common_ohm,
        margin_db=comparison.margin_db,
        problems=say_problems((*study.problems, *log.problems, *comparison.problems)),
        withdrawn=len(log.findings) - len(log.standing),
        glossary=terms_used(words),
        hashes=tuple(sorted(study.data_hashes().items())),
        versions=(("python", platform.python_version()), *((name, version(name)) for name in _LIBRARIES)),
    )


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


def _illustrate(study: Study, comparison: StudyComparison, finding: Finding, number: int) -> Illustrated:
    chart = draw_finding(study, comparison, finding)
    caption = "" if chart is None else f"{chart.title}. {chart.description} {chart.note} {say_boxes(chart.title)}"
    changed, missing = _compare_files(study, finding)
    return Illustrated(
        number=number,
        finding=finding,
        heading=finding.earphone or "Across earphones",
        chart=chart,
        caption=caption.strip(),
        settings=tuple(say_setting(name, value) for name, value in finding.settings.items() if name != "earphone"),
        changed_files=changed,
        missing_files=missing,
    )


def _compare_files(study: Study, finding: Finding) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the files that are not what the finding rested on, and those of others that are not here."""
    now = study.data_hashes()
    changed, missing = [], []
    for name, sha256 in finding.data.items():
        path = study.folder / name
        there = name in now or (lies_inside(study.folder, path) and path.is_file())
        if not there and name.startswith(f"{FOLDER}/"):
            missing.append(name)
        elif not there or (now.get(name) or hashlib.sha256(path.read_bytes()).hexdigest()) != sha256:
            changed.append(name)
    return tuple(changed), tuple(missing)


def _written(table: pd.DataFrame) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    columns = [
        [_number(value, count_decimals(column)) for value in column]
        if column.dtype.kind == "f"
        else [str(cell) for cell in column]
        for _, column in table.items()
    ]
    return tuple(str(name) for name in table.columns), tuple(zip(*columns, strict=True))


def _number(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".replace("-", "−") if np.isfinite(value) else "–"


def _say_quantity(quantity: Quantity) -> tuple[str, str, str, str]:
    value, interval = (text.replace("-", "−") for text in write_value(quantity.value, quantity.low, quantity.high))
    return quantity.name, value, interval or "–", "" if quantity.unit == "1" else quantity.unit
