"""A study folder: opened whole, with everything that is wrong listed and the rest usable."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.curves.grids import gather_responses, octave_grid, resample
from ohmshift.curves.values import Impedance, Provenance, Response, Step
from ohmshift.errors import StudyError
from ohmshift.study.listing import earphone_problem, list_study
from ohmshift.study.loading import load_rows
from ohmshift.study.rows import EarphoneRow, MeasurementRow, MeterRow, StudySettings

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    from ohmshift.curves.values import ResponseSet
    from ohmshift.study.listing import ListedStudy
    from ohmshift.study.loading import Loaded, Progress
    from ohmshift.study.problems import Problem
    from ohmshift.study.rows import Row

UNSTATED = "not stated"
"""Driver class of an earphone that earphones.csv does not list."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Study:
    """An open study.

    Parameters
    ----------
    folder : Path
        Where it is.
    settings : StudySettings
        What study.toml says.
    earphones : DataFrame
        One row an earphone, columns as in earphones.csv; one that only the measurements name has the driver class
        "not stated".
    measurements : DataFrame
        One row a usable file, columns as in measurements.csv; `source_ohm` is amplifier and cable together, `row` the
        line in the manifest, `flags` what was flagged.
    meter : DataFrame
        One row a reading, columns as in meter.csv.
    problems : tuple of Problem
        What was left out, and what is used but flagged.
    curves : mapping of str to Response or Impedance
        The curve of each usable file.
    """

    folder: Path
    settings: StudySettings
    earphones: pd.DataFrame
    measurements: pd.DataFrame
    meter: pd.DataFrame
    problems: tuple[Problem, ...]
    curves: Mapping[str, Response | Impedance]

    def __repr__(self) -> str:
        """Say in a sentence what the study holds."""
        left_out = sum(problem.effect == "left out" for problem in self.problems)
        earphones = f"{len(self.names)} earphone{'' if len(self.names) == 1 else 's'}"
        return (
            f"<{self.settings.title}: {earphones}, {len(self.curves)} usable curves; "
            f"{left_out} left out, {len(self.problems) - left_out} flagged>"
        )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all earphones, in the order of earphones.csv."""
        return tuple(self.earphones["earphone"])

    def resistances(self, earphone: str) -> tuple[float, ...]:
        """Give the added resistances at which an earphone has responses.

        Parameters
        ----------
        earphone : str
            The earphone.

        Returns
        -------
        tuple of float
            Added resistance [ohm], rising.

        Raises
        ------
        StudyError
            No such earphone.
        """
        return tuple(sorted({float(ohm) for ohm in self._rows(earphone, "response")["added_ohm"]}))

    def responses(
        self, earphone: str, *, channel: str | None = None, added_ohm: float = 0.0, exclude: Collection[str] = ()
    ) -> ResponseSet:
        """Give the responses of an earphone in one condition.

        Parameters
        ----------
        earphone : str
            The earphone.
        channel : {"left", "right"}, optional
            One side; both where not given.
        added_ohm : float
            Added resistance [ohm].
        exclude : collection of str
            Files to leave out, as measurements.csv names them; recorded in the history.

        Returns
        -------
        ResponseSet
            On the common grid.

        Raises
        ------
        StudyError
            No such earphone, condition or file.
        """
        unknown = [file for file in exclude if file not in self.curves]
        if unknown:
            raise StudyError("exclude", "it names files of the study", f"{unknown[0]!r} is none", "check the name")
        rows = self._rows(earphone, "response", channel)
        rows = rows[(rows["added_ohm"] == added_ohm) & ~rows["file"].isin(list(exclude))]
        if rows.empty:
            there = ", ".join(f"{ohm:g}" for ohm in self.resistances(earphone)) or "none"
            found = f"no response {'on either side' if channel is None else channel} at {added_ohm:g} ohm is usable"
            raise StudyError(earphone, "a condition has responses", found, f"resistances measured: {there}")
        curves = [curve for file in rows["file"] if isinstance(curve := self.curves[file], Response)]
        gathered = gather_responses(
            curves,
            channel=list(rows["channel"]),
            seat=list(rows["seat"]),
            added_ohm=float(rows["added_ohm"].iloc[0]),
            source_ohm=float(rows["source_ohm"].iloc[0]),
            label=earphone,
        )
        options = (("channel", channel), ("added_ohm", added_ohm), ("exclude", ", ".join(exclude) or None))
        return replace(gathered, history=(Step(name="responses", options=options), *gathered.history))

    def has_impedance(self, earphone: str, *, channel: str | None = None) -> bool:
        """Say whether an earphone's impedance was measured.

        Parameters
        ----------
        earphone : str
            The earphone.
        channel : {"left", "right"}, optional
            One side; either where not given.

        Returns
        -------
        bool
            True where there is a usable file.

        Raises
        ------
        StudyError
            No such earphone.
        """
        return not self._rows(earphone, "impedance", channel).empty

    def impedance(self, earphone: str, *, channel: str | None = None) -> Impedance:
        """Give the impedance of an earphone.

        Parameters
        ----------
        earphone : str
            The earphone.
        channel : {"left", "right"}, optional
            One side; the mean of the files of both where not given.

        Returns
        -------
        Impedance
            On the common grid, as far as every file reaches; the complex mean where there are several files.

        Raises
        ------
        StudyError
            No such earphone, or nobody measured it.
        """
        files = list(self._rows(earphone, "impedance", channel)["file"])
        if not files:
            raise StudyError(
                earphone,
                "an impedance needs a file",
                f"there is none{'' if channel is None else ' for its ' + channel + ' side'}",
                "measure it, or recover it from responses with and without an added resistance",
            )
        curves = [curve for file in files if isinstance(curve := self.curves[file], Impedance)]
        low = max(curve.frequency_hz[0] for curve in curves)
        high = min(curve.frequency_hz[-1] for curve in curves)
        if low >= high:
            mend = "ask for one channel"
            raise StudyError(earphone, "impedances must share a band", f"{low:g} Hz is above {high:g} Hz", mend)
        grid = octave_grid(low_hz=float(low), high_hz=float(high))
        Z = np.mean([resample(curve, grid).impedance_ohm for curve in curves], axis=0)
        several = Provenance(source="; ".join(files))
        options = (("channel", channel), ("files", len(files)), ("points", grid.size))
        return Impedance(
            frequency_hz=grid,
            impedance_ohm=Z,
            label=earphone,
            provenance=curves[0].provenance if len(curves) == 1 else several,
            history=(*(curves[0].history if len(curves) == 1 else ()), Step(name="impedance", options=options)),
        )

    def data_hashes(self, earphone: str | None = None) -> dict[str, str]:
        """Give the hash of each file used, as a finding records it.

        Parameters
        ----------
        earphone : str, optional
            Files of one earphone; of the whole study where not given.

        Returns
        -------
        dict of str to str
            SHA-256 of the file's bytes, in hexadecimal, by its path relative to the study.

        Raises
        ------
        StudyError
            No such earphone.
        """
        rows = self.measurements if earphone is None else self._rows(earphone)
        return {file: self.curves[file].provenance.sha256 for file in rows["file"]}

    def summary(self) -> pd.DataFrame:
        """Give what the study holds, one row an earphone.

        Returns
        -------
        DataFrame
            Columns earphone, driver_class, driver_count, rated_ohm, channels, resistances_ohm, seats (fewest to most in
            a channel and condition), impedance, flagged and left_out (number of problems).
        """
        rows = [self._summarise(row) for row in self.earphones.to_dict("records")]
        count = self.earphones["driver_count"]
        known = count.astype(object).where(count.notna(), np.nan)  # a whole number, or nothing at all
        return pd.DataFrame(rows).assign(driver_count=known) if rows else pd.DataFrame()

    def _summarise(self, earphone: Mapping[Any, Any]) -> dict[str, object]:
        name = earphone["earphone"]
        rows = self._rows(name, "response")
        seats = sorted({int(count) for count in rows.groupby(["channel", "added_ohm"])["seat"].nunique()}) or [0]
        about = [problem.effect for problem in self.problems if problem.earphone == name]
        return {
            **{column: earphone[column] for column in ("earphone", "driver_class", "driver_count", "rated_ohm")},
            "channels": ", ".join(sorted(set(rows["channel"]))),
            "resistances_ohm": ", ".join(f"{ohm:g}" for ohm in self.resistances(name)),
            "seats": f"{seats[0]}" if len(seats) == 1 else f"{seats[0]} to {seats[-1]}",
            "impedance": self.has_impedance(name),
            "flagged": about.count("flagged"),
            "left_out": about.count("left out"),
        }

    def _rows(self, earphone: str, quantity: str | None = None, channel: str | None = None) -> pd.DataFrame:
        if earphone not in self.names:
            close = difflib.get_close_matches(earphone, self.names, n=1)
            mend = f"did you mean {close[0]!r}?" if close else f"choose from {', '.join(self.names) or 'none at all'}"
            raise StudyError(repr(earphone), "it must be an earphone of the study", "there is none of this name", mend)
        if channel not in {None, "left", "right"}:
            raise StudyError("channel", "it is left or right", f"it is {channel!r}", "leave it out for both")
        rows = self.measurements[self.measurements["earphone"] == earphone]
        rows = rows if quantity is None else rows[rows["quantity"] == quantity]
        return rows if channel is None else rows[rows["channel"] == channel]


def open_study(folder: Path | str, *, executor: Executor | None = None, progress: Progress | None = None) -> Study:
    """Open a study folder, checking every row and reading every curve.

    Parameters
    ----------
    folder : Path or str
        The folder that holds study.toml.
    executor : Executor, optional
        Spreads the files over processes; it pays for thousands of files.
    progress : callable, optional
        Wraps the iteration over files to show how far it is, as `tqdm.tqdm` does.

    Returns
    -------
    Study
        With everything that could be read; `problems` lists the rest.

    Raises
    ------
    FileMissingError
        There is no such folder, or it holds no study.toml.
    StudyError
        study.toml cannot be read.
    """
    listed = list_study(folder)
    rows = listed.measurements
    loaded, found = load_rows(listed.folder, rows, settings=listed.settings, executor=executor, progress=progress)
    return assemble_study(listed, loaded, found)


def assemble_study(listed: ListedStudy, loaded: Sequence[Loaded], found: Iterable[Problem]) -> Study:
    """Put manifests and curves together.

    Parameters
    ----------
    listed : ListedStudy
        The manifests.
    loaded : sequence of Loaded
        The curves that could be read.
    found : iterable of Problem
        What was left out or flagged while reading them.

    Returns
    -------
    Study
        The study.
    """
    problems = (*listed.problems, *_unlisted(loaded, listed), *found)
    named = [item.row.earphone for item in loaded if item.row.earphone not in listed.earphones]
    others = [EarphoneRow(earphone=name, driver_class=UNSTATED) for name in dict.fromkeys(named)]
    return Study(
        folder=listed.folder,
        settings=listed.settings,
        earphones=_table([*listed.earphones.values(), *others], EarphoneRow),
        measurements=_measurements_table(loaded, problems),
        meter=_table(listed.meter, MeterRow),
        problems=problems,
        curves={item.row.file: item.curve for item in loaded},
    )


def _unlisted(loaded: Iterable[Loaded], listed: ListedStudy) -> list[Problem]:
    """Flag each earphone that only the measurements name, once; those whose row is left out are told of there."""
    known = {*listed.earphones, *(problem.earphone for problem in listed.problems if problem.file == "earphones.csv")}
    first = {item.row.earphone: item.line for item in reversed(list(loaded)) if item.row.earphone not in known}
    problems = []
    for name, line in first.items():
        close = difflib.get_close_matches(name, listed.earphones, n=1)
        mend = f"add it there{f', or write {close[0]!r} here' if close else ''}"
        rule = "an earphone is listed in earphones.csv"
        problems.append(earphone_problem("measurements.csv", line, name, rule, mend, left_out=False))
    return problems


def _table(rows: Iterable[Row], model: type[Row]) -> pd.DataFrame:
    """Put rows into a table whose number columns are numbers even where there are no rows."""
    listed = list(rows)
    columns: dict[str, Any] = {name: [getattr(row, name) for row in listed] for name in model.model_fields}
    for name, values in columns.items():
        if name.endswith(("_ohm", "_db")):
            columns[name] = np.array(values, dtype=np.float64)
        elif name == "driver_count":
            columns[name] = pd.array(values, dtype="Int64")
    return pd.DataFrame(columns)


def _measurements_table(loaded: Iterable[Loaded], problems: Iterable[Problem]) -> pd.DataFrame:
    items = list(loaded)
    flags: dict[str, list[str]] = {}
    for problem in problems:
        if problem.effect == "flagged":
            flags.setdefault(problem.file, []).append(problem.column)
    table = _table([item.row for item in items], MeasurementRow)
    return table.assign(
        source_ohm=[item.source_ohm for item in items],
        row=[item.line for item in items],
        flags=[", ".join(flags.get(item.row.file, [])) for item in items],
    )
