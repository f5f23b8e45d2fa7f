"""The review sheet: one earphone on one page, as a web page and as a picture, from the same values."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ohmshift import __version__
from ohmshift.show.drawings import ohms
from ohmshift.show.earphone_charts import draw_sheet_charts
from ohmshift.show.earphone_facts import file_names, gather_facts
from ohmshift.show.earphone_wording import SAFETY, cautions, fact_rows
from ohmshift.show.sheet_picture import draw_sheet_picture
from ohmshift.show.stills import draw_still
from ohmshift.show.templating import html_environment

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from ohmshift.show.charts import Chart
    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ReviewSheet:
    """What stands on one earphone's sheet.

    Parameters
    ----------
    name : str
        The earphone.
    study : str
        Title of the study.
    headline : str
        The verdict in a sentence, or why there is none.
    rows : tuple of (str, str)
        What was found: the name of each fact, and the fact.
    cautions : tuple of str
        What to beware of.
    charts : tuple of Chart
        Response, change, impedance, as far as they are known.
    origin : tuple of str
        Rig, source, licence and version, and the date where one is given.
    """

    name: str
    study: str
    headline: str
    rows: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    charts: tuple[Chart, ...]
    origin: tuple[str, ...]


def write_review_sheets(
    study: Study,
    comparison: StudyComparison,
    out: Path,
    *,
    earphones: Sequence[str] | None = None,
    facts: Sequence[EarphoneFacts] | None = None,
    date: str = "",
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> list[Path]:
    """Write a review sheet for each earphone, as a page and as a picture.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    out : Path
        Folder to write into; made where it is not there.
    earphones : sequence of str, optional
        Earphones that get a sheet; by default all.
    facts : sequence of EarphoneFacts, optional
        Facts gathered already, as `gather_all_facts` gives them; gathered here where not given.
    date : str
        Date to state on the sheets; none by default, so that the same study gives the same bytes.
    progress : callable
        Wraps the earphones while they are worked on, as a progress bar does.

    Returns
    -------
    list of Path
        An HTML page and a PNG picture for each earphone.

    Raises
    ------
    StudyError
        No such earphone.
    """
    gathered = {one.name: one for one in facts or ()}
    stems = file_names(study.names)
    written = []
    out.mkdir(parents=True, exist_ok=True)
    for name in progress(list(study.names if earphones is None else earphones)):
        sheet = compose_sheet(study, gathered.get(name) or gather_facts(study, comparison, name), date=date)
        page, picture = out / f"{stems[name]}.html", out / f"{stems[name]}.png"
        page.write_text(sheet_html(sheet), encoding="utf-8", newline="\n")
        picture.write_bytes(draw_sheet_picture(sheet))
        written += [page, picture]
    return written


def compose_sheet(study: Study, facts: EarphoneFacts, *, date: str = "") -> ReviewSheet:
    """Put together what stands on an earphone's sheet.

    Parameters
    ----------
    study : Study
        The study.
    facts : EarphoneFacts
        The earphone.
    date : str
        Date to state; none where empty.

    Returns
    -------
    ReviewSheet
        Words and charts.
    """
    settings = study.settings
    headline = (
        "Not compared: it was not measured both without and with an added resistance."
        if facts.main is None
        else f"With {ohms(facts.main.added_ohm)} added. {facts.main.verdict.sentence}"
    )
    rig = f"Ear simulator: {settings.ear_simulator or 'not stated'}. Amplifier and cable: {facts.source_ohm:.3g} ohm."
    licence = f"Licence of the data: {settings.licence}. " if settings.licence else ""
    return ReviewSheet(
        name=facts.name,
        study=settings.title,
        headline=headline,
        rows=tuple(row for row in fact_rows(facts) if row[0] != "Verdict"),
        cautions=(*cautions(facts), SAFETY),
        charts=draw_sheet_charts(facts),
        origin=(
            f"{rig} Margin: {facts.margin_db:g} dB.",
            "What an ear simulator measures above 10 kHz is not what an ear gets, and fit on an ear differs.",
            f"{licence}Made with Ohmshift {__version__}{f', {date}' if date else ''}.",
        ),
    )


def sheet_html(sheet: ReviewSheet) -> str:
    """Put a sheet into one self-contained page.

    Parameters
    ----------
    sheet : ReviewSheet
        The sheet.

    Returns
    -------
    str
        HTML; everything that users wrote is escaped, and nothing is fetched.
    """
    pictures = [
        {"data": base64.b64encode(draw_still(chart, format="svg")).decode("ascii"), "alt": chart.alt_text}
        for chart in sheet.charts
    ]
    return html_environment().get_template("sheet.html.j2").render(sheet=sheet, pictures=pictures, version=__version__)
