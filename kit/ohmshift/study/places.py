"""Where things are: the shipped notebooks and demo study, working copies of them, and the study one works in."""

from __future__ import annotations

import atexit
import hashlib
import json
import re
import shutil
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

from ohmshift.errors import FileMissingError, StudyError

NOTEBOOKS = "findings/notebooks"
"""Where a study keeps its copies of the guided notebooks."""

_PUT = ".put.json"

_NOT_COPIED = ("__pycache__", "notebooks", ".*")
"""What use leaves in a study, beside its data and findings."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NotebooksPut:
    """What became of the guided notebooks in a study.

    Parameters
    ----------
    folder : Path
        Where they are.
    put : tuple of str
        Copied now.
    kept : tuple of str
        There already.
    outdated : tuple of str
        Of those kept: made from an older guided notebook than the kit now has. To get the newer one, rename yours.
    """

    folder: Path
    put: tuple[str, ...]
    kept: tuple[str, ...]
    outdated: tuple[str, ...]


def shipped_folder(name: Literal["notebooks", "data_demo"]) -> Path:
    """Find a folder that comes with the kit.

    Parameters
    ----------
    name : {"notebooks", "data_demo"}
        Which.

    Returns
    -------
    Path
        The folder inside the installed package, or at the top of the checkout.

    Raises
    ------
    FileMissingError
        It is in neither place.
    """
    package = Path(__file__).resolve().parents[1]
    for place in (package / "_shipped" / name, package.parents[1] / name):
        if place.is_dir():
            return place
    raise FileMissingError(name, "the kit comes with this folder", "it is missing", "install the kit again")


def lies_inside(folder: Path, path: Path) -> bool:
    """Say whether a path stays in a folder when links are followed.

    Parameters
    ----------
    folder : Path
        The folder.
    path : Path
        The path, there or not.

    Returns
    -------
    bool
        False also where a link leads back to itself.
    """
    try:
        end = path.resolve()
        return end.is_relative_to(folder.resolve()) and not end.is_symlink()  # one that is left leads to itself
    except (OSError, RuntimeError):  # a loop of links: RuntimeError before Python 3.13
        return False


def require_study(folder: Path | str) -> Path:
    """Make sure that a folder is a study.

    Parameters
    ----------
    folder : Path or str
        The folder.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    FileMissingError
        There is no such folder, or it holds no study.toml.
    """
    where, mend = str(folder), f"check its name, or start a study with: ohmshift new {folder}"
    if not Path(folder).is_dir():
        raise FileMissingError(where, "a study is a folder", "there is no such folder", mend)
    if not (Path(folder) / "study.toml").exists():
        raise FileMissingError(where, "a study folder holds study.toml", "this one does not", mend)
    return Path(folder)


def name_in_commands(folder: Path) -> str:
    """Give what to call a study in a command that somebody copies.

    Parameters
    ----------
    folder : Path
        The study.

    Returns
    -------
    str
        The folder's name, or STUDY where a shell would not take it as it stands.

    Examples
    --------
    >>> name_in_commands(Path("data/tool_library")), name_in_commands(Path("data/my study; 2"))
    ('tool_library', 'STUDY')
    """
    name = folder.resolve().name
    return name if re.fullmatch(r"\w[\w.-]*", name) else "STUDY"


def study_folder(start: Path | str | None = None) -> Path:
    """Find the study one works in, or lend a copy of the demo.

    Parameters
    ----------
    start : Path or str, optional
        Where to begin; the current folder where not given.

    Returns
    -------
    Path
        `start` or the nearest folder above it that holds study.toml. Where there is none above the current folder, a
        temporary copy of the demo study, one for the whole process, deleted when it ends.

    Raises
    ------
    FileMissingError
        No study at `start` or above it, or a kit without its demo study.
    """
    here = Path.cwd() if start is None else Path(start).resolve()
    for folder in (here, *here.parents):
        if (folder / "study.toml").is_file():
            return folder
    if start is not None:
        mend = f"check its name, or start a study with: ohmshift new {start}"
        raise FileMissingError(str(start), "a study folder holds study.toml", "there is none here or above", mend)
    return _lent_demo()


def demo_copy(target: Path | str) -> Path:
    """Copy the demo study to work in.

    Parameters
    ----------
    target : Path or str
        The folder to make.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    StudyError
        There is something at `target`, or not every file could be copied.
    FileMissingError
        A kit without its demo study.
    """
    copy = Path(target)
    if copy.exists():
        mend = "choose another folder, or work in this one"
        raise StudyError(str(target), "a copy never goes over anything", "something is there", mend)
    unfinished = copy.with_name(f".{copy.name}.part")
    shutil.rmtree(unfinished, ignore_errors=True)
    try:
        shutil.copytree(shipped_folder("data_demo"), unfinished, ignore=shutil.ignore_patterns(*_NOT_COPIED))
        unfinished.rename(copy)
    except shutil.Error as error:  # one entry a file
        rule, mend = "the demo study is copied whole", "free some disk space, or go to a folder you can write to"
        raise StudyError(str(target), rule, f"the system says: {error.args[0][0][2]}", mend) from error
    finally:
        shutil.rmtree(unfinished, ignore_errors=True)
    return copy


def put_notebooks(study: Path | str) -> NotebooksPut:
    """Put the guided notebooks into a study, where they are absent; what is there is never touched.

    They are saved with the demo's results, which stay in a copy of the demo only: in any other study they would pass
    for its own.

    Parameters
    ----------
    study : Path or str
        The study.

    Returns
    -------
    NotebooksPut
        What was copied, what was there, and what of that is outdated.

    Raises
    ------
    FileMissingError
        There is no such folder, or a kit without its notebooks.
    """
    folder = require_study(study) / NOTEBOOKS
    folder.mkdir(parents=True, exist_ok=True)
    known, is_demo = _hashes_put(folder), _is_demo(Path(study))
    put, kept, outdated = [], [], []
    for source in sorted(shipped_folder("notebooks").glob("*.ipynb")):
        shipped = source.read_bytes()
        content = shipped if is_demo else _without_results(shipped)
        digest = hashlib.sha256(shipped).hexdigest()
        target = folder / source.name
        if target.exists():
            kept.append(source.name)
            if known.get(source.name) != digest and target.read_bytes() != content:
                outdated.append(source.name)
        else:
            target.write_bytes(content)
            known[source.name] = digest
            put.append(source.name)
    if put:
        (folder / _PUT).write_text(json.dumps(known, indent=1, sort_keys=True) + "\n", encoding="utf-8", newline="\n")
    return NotebooksPut(folder=folder, put=tuple(put), kept=tuple(kept), outdated=tuple(outdated))


def _is_demo(study: Path) -> bool:
    return (study / "study.toml").read_bytes() == (shipped_folder("data_demo") / "study.toml").read_bytes()


def _without_results(content: bytes) -> bytes:
    notebook = json.loads(content)
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            cell.update(outputs=[], execution_count=None)
    return (json.dumps(notebook, indent=1, ensure_ascii=False) + "\n").encode()


def _hashes_put(folder: Path) -> dict[str, str]:
    """Read which shipped notebook each copy was made from; without the list, none is known."""
    try:
        known = json.loads((folder / _PUT).read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return {str(name): str(digest) for name, digest in known.items()} if isinstance(known, dict) else {}


@cache
def _lent_demo() -> Path:
    home = Path(tempfile.mkdtemp(prefix="ohmshift-"))
    atexit.register(shutil.rmtree, home, ignore_errors=True)
    return demo_copy(home / "demo_study")
