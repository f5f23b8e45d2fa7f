"""An append-only log of JSON Lines that outlives a crash: each line carries its own checksum.

A line is ``{"sha256": ..., "entry": {...}}``, the hash taken over the entry's canonical JSON (keys sorted, no blanks,
UTF-8). A writer that is killed in the middle of a line leaves a torn last line: readers report it and go on, and the
next writer starts on a fresh line.
"""

from __future__ import annotations

import hashlib
import json
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeAlias

from filelock import FileLock, Timeout

from ohmshift.errors import FindingError
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

Entry: TypeAlias = dict[str, Any]

LOCK_SECONDS = 20.0
"""How long a writer waits for the others."""

_POLL_SECONDS = 0.01


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold a log for one writer.

    Parameters
    ----------
    path : Path
        The log; the lock file lies beside it, and the system frees it when its holder dies. Their folder is made where
        absent.

    Yields
    ------
    None
        While the lock is held.

    Raises
    ------
    FindingError
        Another writer kept it for 20 seconds, or its folder cannot be written to.
    """
    lock = FileLock(path.with_name(f".{path.name}.lock"), timeout=LOCK_SECONDS)
    try:
        path.parent.mkdir(exist_ok=True)
        lock.acquire(poll_interval=_POLL_SECONDS)
    except Timeout as error:
        raise FindingError(
            path.name,
            "one writer at a time holds the log",
            f"another has held it for {LOCK_SECONDS:g} seconds",
            "stop the other notebook that is recording, then record again",
        ) from error
    except OSError as error:
        raise _unwritable(path, error) from error
    try:
        yield
    finally:
        lock.release()


def append_entry(path: Path, entry: Entry) -> None:
    """Append one entry and have it on the disk before returning; call it while the log is locked.

    Parameters
    ----------
    path : Path
        The log; made where absent.
    entry : dict
        Plain JSON values.

    Raises
    ------
    FindingError
        The line could not be written whole, as on a full disk or into a folder that may not be written to.
    """
    line = _encode(entry)
    try:
        written = _write_line(path, line)
    except OSError as error:
        raise _unwritable(path, error) from error
    if written < len(line):
        raise FindingError(
            path.name,
            "an entry must be written whole",
            f"only {written} of {len(line)} bytes were",
            "free some disk space, then record again",
        )


def mentions(path: Path, text: str) -> bool:
    """Say, without reading its entries, whether a log may hold a text as a value.

    Parameters
    ----------
    path : Path
        The log.
    text : str
        The text.

    Returns
    -------
    bool
        False is certain.

    Raises
    ------
    FindingError
        The log cannot be read.
    """
    return json.dumps(text, ensure_ascii=False).encode() in _read(path, path.name)


def read_entries(path: Path, *, name: str) -> tuple[tuple[tuple[int, Entry], ...], tuple[Problem, ...]]:
    """Read every whole entry of a log, and list the lines that are not.

    Parameters
    ----------
    path : Path
        The log; one that is not there has no entries.
    name : str
        What to call it in a problem.

    Returns
    -------
    entries : tuple of (int, dict)
        Line number, from 1, and entry.
    problems : tuple of Problem
        Lines that were torn or changed.

    Raises
    ------
    FindingError
        The log cannot be read at all.
    """
    lines = _read(path, name).split(b"\n")
    entries: list[tuple[int, Entry]] = []
    problems: list[Problem] = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        entry = _decode(line)
        if entry is None:
            problems.append(_spoilt(name, number, line))
        else:
            entries.append((number, entry))
    return tuple(entries), tuple(problems)


def _read(path: Path, name: str) -> bytes:
    """Give a log's bytes; none where there is no log."""
    try:
        if path.is_file():
            return path.read_bytes()
        found = "it is a folder or a device" if path.exists() else ""
    except OSError as error:
        found = f"the system says: {error.strerror}"
    if found:
        raise FindingError(name, "a log is a file that can be read", found, "check what it is, and its permissions")
    return b""


def _write_line(path: Path, line: bytes) -> int:
    """Write a line, after the end of a torn one where there is one; give how many bytes of it were written."""
    flags = os.O_RDWR | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags, 0o644)
    try:
        size = os.fstat(descriptor).st_size
        if size:
            os.lseek(descriptor, size - 1, os.SEEK_SET)
            if os.read(descriptor, 1) != b"\n":
                os.write(descriptor, b"\n")
        written = os.write(descriptor, line)
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    if size == 0:
        _sync_folder(path.parent)
    return written


def _unwritable(path: Path, error: OSError) -> FindingError:
    mend = "check the folder's permissions and the space on its disk, then record again"
    return FindingError(path.name, "it must be possible to write the log", f"the system says: {error.strerror}", mend)


def _canonical(entry: Entry) -> str:
    return json.dumps(entry, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def _encode(entry: Entry) -> bytes:
    text = _canonical(entry)
    digest = hashlib.sha256(text.encode()).hexdigest()
    return f'{{"sha256":"{digest}","entry":{text}}}\n'.encode()


def _decode(line: bytes) -> Entry | None:
    """Give a line's entry, or None where the line is not whole or its checksum does not hold."""
    try:
        record = json.loads(line.decode())
        entry = record["entry"]
        held = hashlib.sha256(_canonical(entry).encode()).hexdigest() == record["sha256"]
    except (ValueError, KeyError, TypeError, RecursionError):  # ValueError: not UTF-8, or not JSON
        return None
    return entry if held and isinstance(entry, dict) else None


def _spoilt(name: str, number: int, line: bytes) -> Problem:
    torn = "the writer was stopped in mid-line; every other entry stands and nothing needs doing"
    changed = "every other entry stands; restore this line from a backup"
    return Problem(
        file=name,
        row=number,
        column="",
        value=line[:60].decode(errors="replace"),
        rule="an entry must be whole and agree with its checksum",
        mend=changed if line.rstrip().endswith(b"}") else torn,
        effect="left out",
    )


def _sync_folder(folder: Path) -> None:
    """Have a new file's name on the disk too, where the system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
