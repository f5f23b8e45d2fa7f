"""Writing a folder of results so that the one before stays usable until the new one is whole."""

from __future__ import annotations

import hashlib
import json
import shutil
from contextlib import contextmanager, suppress
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

from filelock import FileLock, Timeout

from ohmshift.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MARK = ".ohmshift-report"
"""File that says which files of a folder the kit wrote, each with the hashes it may have."""

_PART = ".ohmshift-report.part"
_LOCK = ".ohmshift-report.lock"


@contextmanager
def staged(out: Path) -> Iterator[Path]:
    """Give a folder to write into, whose content takes the place of the older one when all is written.

    Parameters
    ----------
    out : Path
        Where the results go in the end; made where absent.

    Yields
    ------
    Path
        An empty folder inside `out`. What lies in it when the block ends is moved to `out`, each file at once; files of
        the older results that the new ones lack are deleted. Where the block fails, or is killed, `out` stays as it
        was.

    Raises
    ------
    StudyError
        `out` holds something else than older results, one of those was changed since, a new file would go over a file
        that the kit did not write, results are just being written there, or nothing can be written there.

    Notes
    -----
    Only files that the mark lists, and whose content is what was written, are ever replaced or deleted.
    """
    lock = FileLock(out / _LOCK, timeout=0)
    try:
        if not out.exists():
            out.mkdir(parents=True)
        _claim(out)
        lock.acquire()
    except Timeout as error:
        rule, found = "one report at a time is written into a folder", "another is being written"
        raise StudyError(str(out), rule, found, "wait for it, or choose another folder") from error
    except OSError as error:
        rule, found = "results go into a folder that can be written to", f"it cannot: {error.strerror}"
        raise StudyError(str(out), rule, found, "choose another folder") from error
    part = out / _PART
    try:
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir()
        yield part
        _swap(out, part)
    finally:
        shutil.rmtree(part, ignore_errors=True)
        lock.release()
        with suppress(OSError):  # on Windows another may just be asking for it
            (out / _LOCK).unlink()


def _claim(out: Path) -> None:
    """Mark a folder as one for results, unless it holds anything else or older results were changed."""
    if (out / MARK).is_file():
        for name, hashes in _read_mark(out).items():
            path = out / name
            if path.is_file() and _sha256(path) not in hashes:
                mend = "move it to another place, and the rest can be written anew"
                raise StudyError(str(path), "what was written is not changed by hand", "it was", mend)
        return
    if not out.is_dir() or any(out.iterdir()):
        rule = "results go into an empty folder or over older results"
        raise StudyError(str(out), rule, "something else is there", "choose another folder")
    _write_mark(out, {})


def _swap(out: Path, part: Path) -> None:
    old = _read_mark(out)
    new = {path.relative_to(part).as_posix(): _sha256(path) for path in sorted(part.rglob("*")) if path.is_file()}
    for name in new:
        target = out / name
        led_away = any(parent.is_symlink() or parent.is_file() for parent in target.parents if out in parent.parents)
        if led_away or target.is_symlink() or (target.exists() and name not in old):
            rule = "a result never goes over a file that the kit did not write"
            raise StudyError(str(target), rule, "one is there", "move it, or choose another folder")
    for name in {**old, **new}:
        if (out / name).exists():
            _require_movable(out / name)
    both = {name: [*old.get(name, []), *([new[name]] if name in new else [])] for name in {**old, **new}}
    _write_mark(out, both)  # whoever kills the next lines leaves files that are all known
    for name in new:
        (out / name).parent.mkdir(parents=True, exist_ok=True)
        (part / name).replace(out / name)
    for name in old.keys() - new.keys():
        _remove(out, name, old[name])
    _write_mark(out, {name: [digest] for name, digest in new.items()})


def _require_movable(path: Path) -> None:
    """Refuse a file that another program holds, as a spreadsheet does on Windows, before anything is moved."""
    try:
        path.rename(path)
    except OSError as error:
        rule, mend = "no other program holds a result while a new one takes its place", "close it there, then try again"
        raise StudyError(str(path), rule, f"the system says: {error.strerror}", mend) from error


def _remove(out: Path, name: str, hashes: list[str]) -> None:
    """Delete a file that was written once and is unchanged, and the folders that this empties."""
    path = out / name
    if not path.is_file() or _sha256(path) not in hashes:
        return
    path.unlink()
    for folder in path.parents:
        if folder == out or any(folder.iterdir()):
            return
        folder.rmdir()


def _read_mark(out: Path) -> dict[str, list[str]]:
    try:
        files = json.loads((out / MARK).read_text(encoding="utf-8"))["files"]
        known = {str(name): [str(digest) for digest in hashes] for name, hashes in files.items()}
        if any(PurePosixPath(name).is_absolute() or ".." in PurePosixPath(name).parts for name in known):
            raise ValueError(MARK)  # noqa: TRY301 - told below, with all other ways to be spoilt
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        rule = "the list of what was written there must be whole"
        raise StudyError(str(out / MARK), rule, "it is not", "choose another folder, or delete this one") from error
    return known


def _write_mark(out: Path, files: dict[str, list[str]]) -> None:
    said = "Written by ohmshift, which may write over these files and no others."
    text = json.dumps({"note": said, "files": files}, indent=1, sort_keys=True, ensure_ascii=False)
    fresh = out / f"{MARK}.new"
    fresh.write_text(text + "\n", encoding="utf-8", newline="\n")
    fresh.replace(out / MARK)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
