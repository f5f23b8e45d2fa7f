"""What was decided before looking: the metrics a study declared, when, and whether that can be told."""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, cast

from ohmshift.errors import FileMissingError, StudyError
from ohmshift.study.findings import read_findings
from ohmshift.study.problems import as_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ohmshift.evidence.metrics import Metric
    from ohmshift.study.findings import Finding

DECLARATION = "metrics.toml"
"""The file, relative to its study."""

DECLARABLE: tuple[Metric, ...] = ("size", "bass", "treble", "tilt")
"""Metrics that may be declared."""

LARGEST_DECLARATION = 100_000
"""Bytes the file may have."""

Order: TypeAlias = Literal["before", "same day", "after", "no finding"]

_KEYS = ("declared_on", "metrics", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """Metrics that a study declared, and what tells when.

    Parameters
    ----------
    metrics : tuple of str
        Metrics declared, in the file's order; empty where the study declares none.
    declared_on : date or None
        Day that the file states.
    note : str
        What the file adds.
    sha256 : str
        Hash of the file's bytes; empty without a file.
    order : {"before", "same day", "after", "no finding"}
        The day stated against that of the first finding recorded.
    first_finding : str
        When that was, ISO 8601; empty without one.
    written_later : bool
        Whether the file itself was last written after the first finding, which a copy of the study also does.
    kept_since : str
        When the first finding was recorded that holds the same hash of the file; empty where none does.
    changed : bool
        Whether some finding holds another hash of it: the file was changed since.
    """

    metrics: tuple[Metric, ...] = ()
    declared_on: date | None = None
    note: str = ""
    sha256: str = ""
    order: Order = "no finding"
    first_finding: str = ""
    written_later: bool = False
    kept_since: str = ""
    changed: bool = False

    @property
    def sentence(self) -> str:
        """What can be told, in a sentence or two."""
        if self.declared_on is None:
            return (
                f"No metrics were declared: what is found here was looked for among {len(DECLARABLE)} metrics. "
                f"Declare them in {DECLARATION} before looking at other data."
            )
        said = f"Declared on {self.declared_on.isoformat()}: {', '.join(self.metrics)}"
        day = self.first_finding[:10]
        match self.order:
            case "no finding":
                said += "; no finding is recorded yet."
            case "before":
                said += f", before the first finding recorded ({day})."
            case "same day":
                said += f", on the day of the first finding recorded ({day}): which came first cannot be told."
            case "after":
                said += f", after the first finding recorded ({day}): it may have been chosen by what was seen."
        if self.changed:
            said += " The file was changed since a finding that rests on it."
        elif self.written_later and self.order == "before" and not self.kept_since:
            said += (
                " The file itself was last written after that finding, as it also is by copying a study: the day is "
                "the study's word."
            )
        return said


def read_declaration(folder: Path) -> Declaration:
    """Read what a study declared.

    Parameters
    ----------
    folder : Path
        The study.

    Returns
    -------
    Declaration
        What its metrics.toml says, or an empty one without the file.

    Raises
    ------
    StudyError
        A file that cannot be read, or that says something else than a day and metrics.
    FileMissingError
        There is no such study.

    Notes
    -----
    The file holds `declared_on`, a day as 2026-11-20; `metrics`, some of "size", "bass", "treble" and "tilt"; and, if
    wanted, a `note`. Findings of the collection record its hash: from the first of these on, a change shows.
    """
    if not folder.is_dir():
        raise FileMissingError(str(folder), "a declaration lies in a study folder", "there is none", "check its name")
    path = folder / DECLARATION
    if not path.exists():
        return Declaration()
    data = _read(path)
    stated = _parse(data)
    sha256 = hashlib.sha256(data).hexdigest()
    findings = read_findings(folder).findings
    times = sorted(_time(finding) for finding in findings)
    kept = sorted(_time(finding) for finding in findings if finding.data.get(DECLARATION) == sha256)
    written = datetime.fromtimestamp(path.stat().st_mtime, tz=UTC)
    return Declaration(
        metrics=tuple(stated["metrics"]),
        declared_on=stated["declared_on"],
        note=stated["note"],
        sha256=sha256,
        order=_order(stated["declared_on"], times),
        first_finding=times[0].isoformat() if times else "",
        written_later=bool(times) and written > times[0],
        kept_since=kept[0].isoformat() if kept else "",
        changed=any(finding.data.get(DECLARATION, sha256) != sha256 for finding in findings),
    )


def _read(path: Path) -> bytes:
    try:
        if path.is_file() and path.stat().st_size <= LARGEST_DECLARATION:
            return path.read_bytes()
    except OSError as error:
        raise StudyError(DECLARATION, "it must be readable", f"{error.strerror}", "check its permissions") from error
    rule = f"it is a plain text file of at most {LARGEST_DECLARATION} bytes"
    raise StudyError(DECLARATION, rule, "it is a folder, or larger", "write a day and some metrics into it")


def _parse(data: bytes) -> dict[str, Any]:
    """Give the day, the metrics and the note of a file, checked."""
    example = 'write declared_on = 2026-11-20 and metrics = ["size", "bass"]'
    try:
        written = tomllib.loads(data.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:  # not UTF-8, not TOML, a number of thousands of digits, deep lists
        raise StudyError(DECLARATION, "it must be valid TOML in UTF-8", f"it is not ({error})", example) from error
    unknown = sorted(set(written) - set(_KEYS))
    if unknown:
        raise StudyError(
            DECLARATION, f"its keys are {', '.join(_KEYS)}", f"it has {unknown[0]!r}", "remove or rename it"
        )
    day = written.get("declared_on")
    if isinstance(day, datetime):
        day = day.date()
    if not isinstance(day, date):
        raise StudyError(
            f"{DECLARATION}, declared_on", "it is a day without quotes", f"it is {as_text(day)!r}", example
        )
    return {
        "declared_on": day,
        "metrics": _check_metrics(written.get("metrics"), example),
        "note": as_text(written.get("note", "")),
    }


def _check_metrics(metrics: object, example: str) -> Sequence[Metric]:
    listed = metrics if isinstance(metrics, list) else []
    if not listed or any(name not in DECLARABLE for name in listed) or len(set(listed)) < len(listed):
        rule = f"it lists some of {', '.join(DECLARABLE)}, each once"
        raise StudyError(f"{DECLARATION}, metrics", rule, f"it is {as_text(metrics)!r}", example)
    return cast("list[Metric]", listed)


def _time(finding: Finding) -> datetime:
    """Give when a finding was recorded; one whose time cannot be read counts as the earliest."""
    try:
        time = datetime.fromisoformat(finding.recorded_at)
    except ValueError:
        return datetime.min.replace(tzinfo=UTC)
    return time if time.tzinfo else time.replace(tzinfo=UTC)


def _order(day: date, times: Sequence[datetime]) -> Order:
    if not times:
        return "no finding"
    first = times[0].date()
    return "before" if day < first else "after" if day > first else "same day"
