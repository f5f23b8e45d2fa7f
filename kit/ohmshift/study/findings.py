"""What was found: an append-only log in the study, each finding with its caveat, numbers, settings and data hashes.

A finding is retracted, never deleted.
"""

from __future__ import annotations

import platform
import uuid
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import cache
from importlib.metadata import version
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pandas as pd

from ohmshift.errors import FileMissingError, FindingError
from ohmshift.study.logfile import append_entry, locked, mentions, read_entries
from ohmshift.study.plain import check_encodable, check_finite, check_setting, check_text, write_value
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.study.plain import Setting

LOG = "findings/findings.jsonl"
"""The log, relative to its study."""

LONGEST_STATEMENT = 1000
"""Characters a statement may have: one that needs more is several findings."""

LONGEST_CAVEAT = 4000
"""Characters a caveat or a reason may have."""

_LIBRARIES = ("ohmshift", "numpy", "scipy", "pandas")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


@cache
def _versions() -> dict[str, str]:
    return {"python": platform.python_version(), **{name: version(name) for name in _LIBRARIES}}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Quantity:
    """One number of a finding.

    Parameters
    ----------
    name : str
        What it is: "bass change".
    value : float
        Value, in `unit`.
    unit : str
        Unit, "1" for a pure number.
    low, high : float, optional
        Ends of its interval, in `unit`; both or neither.

    Raises
    ------
    FindingError
        An empty name or unit, a number that is not finite, or half an interval.

    Examples
    --------
    >>> str(Quantity(name="bass change", value=1.234, unit="dB", low=0.9, high=1.6))
    'bass change 1.23 dB (0.90 to 1.60)'
    """

    name: str
    value: float
    unit: str
    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        """Check once."""
        where = f"quantity {self.name!r}"
        for part in ("name", "unit"):
            object.__setattr__(
                self, part, check_text(f"{where}, {part}", getattr(self, part), longest=LONGEST_STATEMENT)
            )
        for part in ("value", "low", "high"):
            number = getattr(self, part)
            if part == "value" or number is not None:
                object.__setattr__(self, part, check_finite(f"{where}, {part}", number))
        if (self.low is None) != (self.high is None):
            raise FindingError(
                where, "an interval has two ends", "one is missing", "give both low and high, or neither"
            )
        if self.low is not None and self.high is not None and self.low > self.high:
            raise FindingError(where, "low <= high", f"they are {self.low:g} and {self.high:g}", "swap them")

    def __str__(self) -> str:
        """Write name, value, unit and interval."""
        value, interval = write_value(self.value, self.low, self.high)
        unit = "" if self.unit == "1" else f" {self.unit}"
        return f"{self.name} {value}{unit}{interval and f' ({interval})'}"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Finding:
    """One statement with what it rests on.

    Parameters
    ----------
    statement : str
        What was found, in one or two sentences.
    caveat : str
        What it does not show.
    quantities : tuple of Quantity
        Its numbers.
    settings : mapping of str to plain values
        Every option that was chosen: text, numbers, truth values, None, or tuples of these.
    data : mapping of str to str
        SHA-256 of each file used, by its path relative to the study.
    notebook : str
        The notebook that asked.
    earphone : str
        The earphone it is about; empty for all.
    id : str
        Identifier; made where not given.
    recorded_at : str
        Time, UTC, ISO 8601; now where not given.
    versions : mapping of str to str
        Versions of the kit, Python and the libraries; the running ones where not given.
    retracted : bool
        Whether it was withdrawn since; set on reading.
    reason : str
        Why it was withdrawn, or why it was reinstated; set on reading.

    Raises
    ------
    FindingError
        A statement or caveat that is empty or too long, or a value that cannot be written down.
    """

    statement: str
    caveat: str
    quantities: tuple[Quantity, ...] = ()
    settings: Mapping[str, Setting] = field(default_factory=dict)
    data: Mapping[str, str] = field(default_factory=dict)
    notebook: str = ""
    earphone: str = ""
    id: str = field(default_factory=lambda: uuid.uuid4().hex[:12])
    recorded_at: str = field(default_factory=_now)
    versions: Mapping[str, str] = field(default_factory=_versions)
    retracted: bool = False
    reason: str = ""

    def __post_init__(self) -> None:
        """Check once, and lock the mappings."""
        lock = object.__setattr__
        lock(self, "statement", check_text("statement", self.statement, longest=LONGEST_STATEMENT))
        lock(self, "caveat", check_text("caveat", self.caveat, longest=LONGEST_CAVEAT))
        lock(self, "id", check_text("id", self.id, longest=64))
        lock(self, "quantities", tuple(self.quantities))
        settings = {
            check_text("settings", key, longest=200): check_setting(key, value) for key, value in self.settings.items()
        }
        lock(self, "settings", MappingProxyType(settings))
        for name in ("data", "versions"):
            pairs = {
                check_text(name, key, longest=4096): check_text(name, value, longest=200)
                for key, value in getattr(self, name).items()
            }
            lock(self, name, MappingProxyType(pairs))
        for name in ("notebook", "earphone", "recorded_at", "reason"):
            check_encodable(name, getattr(self, name))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FindingsLog:
    """What a log holds.

    Parameters
    ----------
    findings : tuple of Finding
        Every finding in the order recorded, those retracted included.
    problems : tuple of Problem
        Lines that could not be read.
    """

    findings: tuple[Finding, ...]
    problems: tuple[Problem, ...]

    @property
    def standing(self) -> tuple[Finding, ...]:
        """The findings that were not retracted."""
        return tuple(finding for finding in self.findings if not finding.retracted)


def append_finding(folder: Path | str, finding: Finding) -> Finding:
    """Record a finding in a study, on the disk before this returns.

    Parameters
    ----------
    folder : Path or str
        The study.
    finding : Finding
        What to record.

    Returns
    -------
    Finding
        The finding as recorded.

    Raises
    ------
    FindingError
        It is recorded already, the log is held by another writer, or it cannot be written.
    FileMissingError
        There is no such folder.
    """
    path = _log_path(folder)
    with locked(path):
        if mentions(path, finding.id) and any(finding.id == known.id for known in read_findings(folder).findings):
            raise FindingError(
                f"finding {finding.id}", "a finding is recorded once", "it is in the log", "make a new Finding"
            )
        append_entry(path, {"kind": "finding", **_plain(finding)})
    return replace(finding, retracted=False, reason="")


def retract_finding(folder: Path | str, finding_id: str, reason: str) -> None:
    """Withdraw a finding; it stays in the log with the reason.

    Parameters
    ----------
    folder : Path or str
        The study.
    finding_id : str
        Identifier of the finding.
    reason : str
        Why.

    Raises
    ------
    FindingError
        No such finding, one withdrawn already, or an empty reason.
    FileMissingError
        There is no such folder.
    """
    _mark(folder, finding_id, reason, kind="retraction")


def reinstate_finding(folder: Path | str, finding_id: str, reason: str) -> None:
    """Let a withdrawn finding stand again.

    Parameters
    ----------
    folder : Path or str
        The study.
    finding_id : str
        Identifier of the finding.
    reason : str
        Why.

    Raises
    ------
    FindingError
        No such finding, one that was not withdrawn, or an empty reason.
    FileMissingError
        There is no such folder.
    """
    _mark(folder, finding_id, reason, kind="reinstatement")


def read_findings(folder: Path | str) -> FindingsLog:
    """Read a study's findings.

    Parameters
    ----------
    folder : Path or str
        The study.

    Returns
    -------
    FindingsLog
        Findings in the order recorded, and the lines that could not be read.

    Raises
    ------
    FindingError
        The log cannot be read at all: a folder in its place, or no permission.
    """
    entries, spoilt = read_entries(Path(folder) / LOG, name=LOG)
    problems = list(spoilt)
    findings: dict[str, Finding] = {}
    for line, entry in entries:
        try:
            _apply(entry, findings)
        except (FindingError, KeyError, TypeError, ValueError, AttributeError) as error:
            problems.append(_unknown_entry(line, f"{type(error).__name__}: {error}"))
    return FindingsLog(findings=tuple(findings.values()), problems=tuple(problems))


def findings_table(log: FindingsLog) -> pd.DataFrame:
    """Put findings into a table, one row a finding.

    Parameters
    ----------
    log : FindingsLog
        The findings.

    Returns
    -------
    DataFrame
        Columns id, recorded_at, earphone, statement, caveat, quantities (text), notebook, retracted, reason.
    """
    names = ["id", "recorded_at", "earphone", "statement", "caveat", "quantities", "notebook", "retracted", "reason"]
    rows = [
        {**{name: getattr(finding, name) for name in names}, "quantities": "; ".join(map(str, finding.quantities))}
        for finding in log.findings
    ]
    return pd.DataFrame(rows, columns=names)


def quantities_table(log: FindingsLog) -> pd.DataFrame:
    """Put the numbers of findings into a table, one row a number.

    Parameters
    ----------
    log : FindingsLog
        The findings.

    Returns
    -------
    DataFrame
        Columns id, earphone, quantity, value, low, high, unit, retracted; low and high are nan without an interval.
    """
    names = ["id", "earphone", "quantity", "value", "low", "high", "unit", "retracted"]
    rows = [
        [finding.id, finding.earphone, q.name, q.value, q.low, q.high, q.unit, finding.retracted]
        for finding in log.findings
        for q in finding.quantities
    ]
    return pd.DataFrame(rows, columns=names).astype({"value": float, "low": float, "high": float})


def _log_path(folder: Path | str) -> Path:
    study = Path(folder)
    if not study.is_dir():
        raise FileMissingError(str(folder), "findings go into a study folder", "there is none", "check its name")
    return study / LOG


def _mark(folder: Path | str, finding_id: str, reason: str, *, kind: str) -> None:
    reason = check_text("reason", reason, longest=LONGEST_CAVEAT)
    path = _log_path(folder)
    with locked(path):
        known = {finding.id: finding for finding in read_findings(folder).findings}
        if finding_id not in known:
            ids = ", ".join(known) or "none"
            raise FindingError(f"finding {finding_id}", "it must be in the log", f"the log holds {ids}", "check the id")
        if known[finding_id].retracted == (kind == "retraction"):
            found = "it is retracted already" if kind == "retraction" else "it stands"
            raise FindingError(f"finding {finding_id}", f"a {kind} must change something", found, "nothing needs doing")
        append_entry(path, {"kind": kind, "id": finding_id, "reason": reason, "recorded_at": _now()})


def _apply(entry: Mapping[str, Any], findings: dict[str, Finding]) -> None:
    """Take one entry of the log into the findings known so far."""
    values = dict(entry)
    kind = values.pop("kind")
    if kind == "finding":
        values["quantities"] = tuple(Quantity(**quantity) for quantity in values["quantities"])
        finding = Finding(**values)
        findings.setdefault(finding.id, finding)
    elif kind in {"retraction", "reinstatement"}:
        known = findings[values["id"]]
        findings[known.id] = replace(known, retracted=kind == "retraction", reason=values["reason"])
    else:
        raise FindingError("kind", "it must be finding, retraction or reinstatement", f"it is {kind!r}", "update")


def _unknown_entry(line: int, found: str) -> Problem:
    rule = "an entry must be a finding, or withdraw or reinstate one"
    mend = "read the log with the version of the kit that wrote it"
    return Problem(file=LOG, row=line, column="", value=found, rule=rule, mend=mend, effect="left out")


def _plain(finding: Finding) -> dict[str, Any]:
    """Give a finding as plain JSON values."""
    quantities = [{name: getattr(q, name) for name in Quantity.__slots__} for q in finding.quantities]
    mappings = {name: dict(getattr(finding, name)) for name in ("settings", "data", "versions")}
    texts = ("statement", "caveat", "notebook", "earphone", "id", "recorded_at")
    return {**{name: getattr(finding, name) for name in texts}, **mappings, "quantities": quantities}
