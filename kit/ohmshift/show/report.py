"""The whole report of a study without a screen: write-up, stills, films, sheets, data package, notebooks."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from ohmshift.errors import StudyError
from ohmshift.show.article import compose_article
from ohmshift.show.collection_page import write_collection_page
from ohmshift.show.drawings import draw_change
from ohmshift.show.earphone_facts import file_names, gather_all_facts
from ohmshift.show.fonts import say_boxes
from ohmshift.show.frames import write_frames
from ohmshift.show.motion import draw_pair, sweep_resistance, write_motion
from ohmshift.show.pages import html_from_notebook
from ohmshift.show.publishing import picture_stem, write_article
from ohmshift.show.review_sheet import write_review_sheets
from ohmshift.show.running import running_notebooks
from ohmshift.show.staging import staged
from ohmshift.show.stills import draw_still
from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.package import write_package
from ohmshift.study.places import NOTEBOOKS, shipped_folder
from ohmshift.study.proposals import FOLDERS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from concurrent.futures import Future
    from pathlib import Path

    from nbformat import NotebookNode

    from ohmshift.show.article import Article
    from ohmshift.show.motion import Sweep
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

_STILL_PX = 1600
_KERNELS = 2
_GUIDE = """\
What is in this report. Open article.html first; it works without a network.

article.html     findings with figures, numbers, caveats, methods, limits, and how to build all of this again
article.md       the same as Markdown, with pictures/
outline.md       the findings as a script for a talk or a film, with captions for the screen
numbers.csv      every number of the findings
collection.html  all earphones on one page for readers, which sorts, filters and predicts
sheets/          a review sheet for each earphone, as a page and as a picture
stills/          figures of the findings for a video: 1080 and 2160 px high, light, dark and transparent, PNG and SVG
motion/          a film of each earphone in the findings while the resistance rises; before and after as stills
figures/         the change of every earphone, as PNG and SVG
package/         the data package: open tables, and the study as it was measured
notebooks/       every notebook as a page

A text file beside a picture or a film says in words what it shows. Letters that the font of the pictures lacks are
drawn with a font of the computer that made them; □ stands for a letter or an emoji that no font there has, and the
text beside says which.
"""


def write_report(
    folder: Path,
    out: Path,
    *,
    date: str = "",
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> list[Path]:
    """Write everything that a study has to say into a folder.

    Parameters
    ----------
    folder : Path
        The study.
    out : Path
        Folder to write into: empty, or an older report, which stays as it is until the new one is whole.
    date : str
        Date to state, as YYYY-MM-DD; none by default.
    progress : callable
        Wraps the parts while they are made, as a progress bar does.

    Returns
    -------
    list of Path
        What was written: the article as a page and as Markdown with its pictures, the outline of a talk, numbers;
        stills of the findings for a video; films of the earphones that the findings name; a figure and its description
        for each earphone; review sheets and the page of the collection; the data package; a page for each notebook.

    Raises
    ------
    StudyError
        A study that cannot be used, a notebook that does not run, or a folder that holds something else or lies among
        the study's data.
    FileMissingError
        No study.
    """
    _check_apart(folder, out)
    study = open_study(folder)
    paths = _notebooks(folder)
    with staged(out) as part, running_notebooks(paths, folder, at_once=_KERNELS) as notebooks:
        pages = {f"notebooks/{path.stem}.html": run for path, run in zip(paths, notebooks, strict=True)}
        written = _write_parts(study, part, pages, date=date, progress=progress)
    return [out / path.relative_to(part) for path in written]


def _check_apart(folder: Path, out: Path) -> None:
    """Refuse to write among the study's data, where the next report would take this one for data."""
    inside = [name for name in FOLDERS if (folder / name).resolve() in (out.resolve(), *out.resolve().parents)]
    if inside:
        rule, mend = "a report lies apart from the study's data", "choose a folder beside the study"
        raise StudyError(str(out), rule, f"it is in the study's {inside[0]}/", mend)


def _write_parts(
    study: Study,
    part: Path,
    pages: Mapping[str, Future[NotebookNode]],
    *,
    date: str,
    progress: Callable[[Iterable[Any]], Iterable[Any]],
) -> list[Path]:
    """Write all parts into a folder, while the notebooks run beside it."""
    comparison = compare_study(study)
    article = compose_article(study, comparison, date=date)
    sweeps = _sweeps(study, comparison, article)
    facts = gather_all_facts(study, comparison)
    stems = file_names(study.names)
    parts: list[Callable[[], list[Path]]] = [
        lambda: _write_guide(part),
        lambda: write_article(study, comparison, part, date=date),
        *(partial(_write_stills, article, number, part / "stills") for number in range(len(article.findings))),
        *(partial(_write_film, sweep, part / "motion", stems[sweep.label]) for sweep in sweeps),
        lambda: _write_figures(comparison, stems, part / "figures"),
        lambda: write_collection_page(study, comparison, part, facts=facts, sheets="sheets", date=date),
        lambda: write_review_sheets(study, comparison, part / "sheets", facts=facts, date=date),
        lambda: write_package(study, comparison, part / "package", date=date),
        *(partial(_write_page, run, part / name) for name, run in pages.items()),
    ]
    written: list[Path] = []
    for make in progress(parts):
        for run in pages.values():
            if run.done():
                run.result()  # a notebook that failed ends it at once
        written += make()
    return written


def _write_guide(out: Path) -> list[Path]:
    """Say what is in the folder."""
    path = out / "README.txt"
    path.write_text(_GUIDE, encoding="utf-8", newline="\n")
    return [path]


def _sweeps(study: Study, comparison: StudyComparison, article: Article) -> list[Sweep]:
    """Prepare films of the earphones that the findings name, or of the one that changed most where they name none."""
    named = [item.finding.earphone for item in article.findings if item.finding.earphone in study.names]
    names = dict.fromkeys(named or comparison.by_size()[:1])
    return [sweep for name in names if (sweep := sweep_resistance(study, comparison, name)) is not None]


def _write_stills(article: Article, number: int, out: Path) -> list[Path]:
    """Draw the figure of a finding for a video."""
    item = article.findings[number]
    return [] if item.chart is None else write_frames(item.chart, out, f"finding_{picture_stem(item)}")


def _write_film(sweep: Sweep, out: Path, stem: str) -> list[Path]:
    """Film an earphone while the resistance rises, and draw it before and after."""
    out.mkdir(parents=True, exist_ok=True)
    before, after = draw_pair(sweep)
    return [
        *write_motion(sweep, out / f"{stem}_rising.mp4"),
        *write_frames(before, out, f"{stem}_before"),
        *write_frames(after, out, f"{stem}_after"),
    ]


def _write_figures(comparison: StudyComparison, stems: dict[str, str], out: Path) -> list[Path]:
    """Draw each earphone's change at the common resistance, with the figure's description beside it."""
    out.mkdir(parents=True)
    written = []
    added_ohm = comparison.common_ohm
    for name in dict.fromkeys(name for name, ohm in comparison.changes if ohm == added_ohm):
        chart = draw_change(comparison.change(name, added_ohm), comparison.verdict(name, added_ohm))
        stem = f"{stems[name]}_{added_ohm:g}ohm"
        for kind, content in (
            ("png", draw_still(chart, width_px=_STILL_PX)),
            ("svg", draw_still(chart, format="svg")),
            ("txt", f"{chart.alt_text} {say_boxes(chart.title)}".strip().encode() + b"\n"),
        ):
            path = out / f"{stem}.{kind}"
            path.write_bytes(content)
            written.append(path)
    return written


def _notebooks(folder: Path) -> list[Path]:
    """Give the guided notebooks, the study's own copy of each where it has one."""
    own = folder / NOTEBOOKS
    shipped = {path.name: path for path in shipped_folder("notebooks").glob("*.ipynb")}
    return [path for _, path in sorted({**shipped, **{path.name: path for path in own.glob("*.ipynb")}}.items())]


def _write_page(notebook: Future[NotebookNode], target: Path) -> list[Path]:
    """Wait for a notebook, and save it as a page."""
    page = html_from_notebook(notebook.result())
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(page, encoding="utf-8", newline="\n")
    return [target]
