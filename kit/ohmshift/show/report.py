"""The whole report of a study without a screen: article, numbers, figures, and every notebook as a page."""

from __future__ import annotations

import re
import shutil
from functools import partial
from typing import TYPE_CHECKING, Any

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

from ohmshift.errors import StudyError
from ohmshift.show.article import write_article
from ohmshift.show.drawings import draw_change
from ohmshift.show.pages import html_from_notebook
from ohmshift.show.stills import draw_still
from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.places import NOTEBOOKS, shipped_folder

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from ohmshift.study.batch import StudyComparison

_TIMEOUT_S = 600
_STILL_PX = 1600


def write_report(folder: Path, out: Path, *, progress: Callable[[Iterable[Any]], Iterable[Any]] = iter) -> list[Path]:
    """Write everything that a study has to say into a folder.

    Parameters
    ----------
    folder : Path
        The study.
    out : Path
        Folder to write into.
    progress : callable
        Wraps the parts while they are made, as a progress bar does.

    Returns
    -------
    list of Path
        What was written: the article, its numbers, a figure and its description for each earphone, a page for each
        notebook.

    Raises
    ------
    StudyError
        A study that cannot be used, or a notebook that does not run.
    FileMissingError
        No study.
    """
    study = open_study(folder)
    comparison = compare_study(study)
    notebooks = _notebooks(folder)
    parts: list[Callable[[], list[Path]]] = [
        lambda: list(write_article(study, comparison, out)),
        lambda: _write_figures(comparison, out / "figures"),
        *(partial(_write_notebook, path, folder, out / "notebooks") for path in notebooks),
    ]
    return [path for part in progress(parts) for path in part()]


def _write_figures(comparison: StudyComparison, out: Path) -> list[Path]:
    """Draw each earphone's change at the common resistance, with the figure's description beside it."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True)
    written = []
    added_ohm = comparison.common_ohm
    for name in dict.fromkeys(name for name, ohm in comparison.changes if ohm == added_ohm):
        verdict = comparison.verdict(name, added_ohm)
        chart = draw_change(comparison.change(name, added_ohm), verdict)
        stem = out / f"{_file_name(name)}_{added_ohm:g}ohm"
        for kind, content in (
            ("png", draw_still(chart, width_px=_STILL_PX)),
            ("svg", draw_still(chart, format="svg")),
            ("txt", f"{chart.title}. {verdict.sentence}\n".encode()),
        ):
            path = stem.with_suffix(f".{kind}")
            path.write_bytes(content)
            written.append(path)
    return written


def _file_name(name: str) -> str:
    """Make a file name of an earphone's name: letters, digits, dashes."""
    return re.sub(r"[^\w-]+", "-", name.lower()).strip("-") or "earphone"


def _notebooks(folder: Path) -> list[Path]:
    """Give the guided notebooks, the study's own copy of each where it has one."""
    own = folder / NOTEBOOKS
    shipped = {path.name: path for path in shipped_folder("notebooks").glob("*.ipynb")}
    return [path for _, path in sorted({**shipped, **{path.name: path for path in own.glob("*.ipynb")}}.items())]


def _write_notebook(path: Path, folder: Path, out: Path) -> list[Path]:
    """Run a notebook on the study from a fresh kernel and save it as a page; the notebook itself is not touched."""
    notebook = nbformat.read(path, as_version=4)  # type: ignore[no-untyped-call]
    client = NotebookClient(
        notebook, timeout=_TIMEOUT_S, store_widget_state=False, resources={"metadata": {"path": str(folder)}}
    )
    try:
        client.execute()
    except CellExecutionError as error:
        raise StudyError(
            path.name,
            "a notebook must run from a fresh kernel",
            f"{error.ename}: {error.evalue}",
            "open it with ohmshift lab and mend it, or delete the study's copy to get a fresh one",
        ) from error
    out.mkdir(parents=True, exist_ok=True)
    target = out / f"{path.stem}.html"
    target.write_text(html_from_notebook(notebook), encoding="utf-8")
    return [target]
