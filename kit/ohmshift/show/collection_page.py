"""The collection as one page that works without a server: every earphone in a table, each behind any resistance."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from ohmshift import __version__
from ohmshift.chain.divider import HIGHEST_OHM
from ohmshift.show.collection_data import pack_collection, script_json
from ohmshift.show.collection_rows import ORDER, ORIGINS, collect_rows
from ohmshift.show.earphone_facts import gather_all_facts
from ohmshift.show.earphone_wording import SAFETY
from ohmshift.show.methods import say_problems
from ohmshift.show.templating import html_environment

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

COLLECTION_PAGE = "collection.html"

_LEAST_SLIDER_OHM = 300.0


def write_collection_page(
    study: Study,
    comparison: StudyComparison,
    out: Path,
    *,
    facts: Sequence[EarphoneFacts] | None = None,
    sheets: str = "",
    date: str = "",
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> list[Path]:
    """Write the study's collection as one self-contained page.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    out : Path
        Folder to write into; made where it is not there.
    facts : sequence of EarphoneFacts, optional
        Facts of all earphones, as `gather_all_facts` gives them; gathered here where not given.
    sheets : str
        Folder of the review sheets, seen from the page, such as "sheets"; the page then links to each earphone's.
    date : str
        Date to state on the page; none by default, so that the same study gives the same bytes.
    progress : callable
        Wraps the earphones while they are worked on, as a progress bar does.

    Returns
    -------
    list of Path
        The page.
    """
    gathered = gather_all_facts(study, comparison, progress=progress) if facts is None else tuple(facts)
    page = _render(study, comparison, gathered, sheets=sheets, date=date)
    out.mkdir(parents=True, exist_ok=True)
    (out / COLLECTION_PAGE).write_text(page, encoding="utf-8", newline="\n")
    return [out / COLLECTION_PAGE]


def _render(
    study: Study, comparison: StudyComparison, facts: Sequence[EarphoneFacts], *, sheets: str, date: str
) -> str:
    rows, scales = collect_rows(facts)
    added = {row.added_ohm for row in rows if row.added_ohm is not None}
    script, style = _own("collection_page.js"), _own("collection_page.css")
    template = html_environment().get_template("collection.html.j2")
    return template.render(
        study=study,
        rows=rows,
        scales=scales,
        common=added.pop() if len(added) == 1 else None,
        margin_db=comparison.margin_db,
        percent=f"{100 * comparison.options.alpha:g}",
        slider_ohm=max(_LEAST_SLIDER_OHM, 2 * comparison.common_ohm),
        most_ohm=max(HIGHEST_OHM, 2 * comparison.common_ohm, study.settings.source_ohm),
        classes=sorted({row.driver_class for row in rows}),
        words=[word for word in ORDER if any(row.word == word for row in rows)],
        origins=[name for name in ORIGINS if any(row.origin == name for row in rows)],
        problems=say_problems((*study.problems, *comparison.problems)),
        decades=[ohm for ohm in (1, 10, 100, 1000) if scales.impedance_ohm[0] < ohm < scales.impedance_ohm[1]],
        safety=SAFETY,
        date=date,
        version=__version__,
        data=Markup(script_json({**pack_collection(study, comparison, facts), "sheets": sheets})),  # noqa: S704 - escaped for a script
        script=Markup(script),  # noqa: S704 - our own file
        style=Markup(style),  # noqa: S704 - our own file
        script_hash=_hash(script),
        style_hash=_hash(style),
    )


def _own(name: str) -> str:
    return files("ohmshift.show").joinpath(name).read_text(encoding="utf-8")


def _hash(text: str) -> str:
    """Give what the page's policy allows: this very text, and nothing that somebody slips in."""
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode('ascii')}"
