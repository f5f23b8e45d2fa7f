"""The collection as one page that works without a server: every earphone in a table, each behind any resistance."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from ohmshift import __version__
from ohmshift.show.earphone_facts import gather_all_facts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

COLLECTION_PAGE = "collection.html"


def write_collection_page(
    study: Study,
    comparison: StudyComparison,
    out: Path,
    *,
    facts: Sequence[EarphoneFacts] | None = None,
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
    date : str
        Date to state on the page; none by default, so that the same study gives the same bytes.
    progress : callable
        Wraps the earphones while they are worked on, as a progress bar does.

    Returns
    -------
    list of Path
        The page.
    """
    rows = gather_all_facts(study, comparison, progress=progress) if facts is None else tuple(facts)
    environment = Environment(
        loader=PackageLoader("ohmshift", "show/templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    page = environment.get_template("collection.html.j2").render(study=study, rows=rows, date=date, version=__version__)
    out.mkdir(parents=True, exist_ok=True)
    (out / COLLECTION_PAGE).write_text(page, encoding="utf-8")
    return [out / COLLECTION_PAGE]
