"""From meter.csv and the meters' data sheets in study.toml to readings that can be evaluated."""

from __future__ import annotations

import hashlib
import json
import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.metering import MeterSpec, Readings
from ohmshift.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.study.folder import Study

ASSUMED = MeterSpec(
    percent=0.8, digits=3, resolution_ohm=0.1, source="assumed, as common hand meters state it; look it up"
)
"""What is taken where study.toml says nothing of a meter: common practice, no source."""

_FINEST_DECIMALS = 6


def list_items(study: Study) -> tuple[str, ...]:
    """Give what was put to the meter.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of str
        "item, sample" in the order of meter.csv.
    """
    return tuple(dict.fromkeys(_names(study)))


def read_item(study: Study, item: str, *, spec: Callable[[MeterSpec], MeterSpec] | None = None) -> dict[str, Readings]:
    """Give the readings of one item by conductor.

    Parameters
    ----------
    study : Study
        The study.
    item : str
        One of `list_items`.
    spec : callable, optional
        Gives the specification to use in place of what study.toml says; by default that itself.

    Returns
    -------
    dict of str to Readings
        By conductor, in the order of meter.csv; one that was read on a second meter or range has that in its name.

    Raises
    ------
    StudyError
        No such item.

    Notes
    -----
    The lead readings of an item count as one lead zero a meter and range, shared by its conductors.
    """
    rows = study.meter[_names(study) == item]
    if rows.empty:
        there = "; ".join(list_items(study)) or "none at all"
        raise StudyError(
            repr(item), "it must be an item of meter.csv", "there is none of this name", f"there are {there}"
        )
    found: dict[str, Readings] = {}
    for _, part in rows.groupby(["conductor", "meter", "range_ohm"], sort=False, dropna=False):
        conductor, meter = str(part["conductor"].iloc[0]), str(part["meter"].iloc[0])
        range_ohm = float(part["range_ohm"].iloc[0])
        stated = specify(study, meter, range_ohm)
        on = "" if math.isnan(range_ohm) else f"{range_ohm:g}-ohm range"
        alike = rows[(rows["meter"] == meter) & ((rows["range_ohm"] == range_ohm) | math.isnan(range_ohm))]
        lead_ohm = alike["lead_ohm"].dropna().to_numpy(dtype=np.float64)
        name = conductor if conductor not in found else f"{conductor}, {meter} {on}".strip()
        found[name] = Readings(
            label=f"{item}, {name}",
            reading_ohm=part["reading_ohm"].to_numpy(dtype=np.float64),
            lead_ohm=lead_ohm,
            spec=stated if spec is None else spec(stated),
            zero=", ".join(text for text in (item, meter, on) if text) if lead_ohm.size else "",
        )
    return found


def specify(study: Study, meter: str, range_ohm: float) -> MeterSpec:
    """Give what is known of a meter's range.

    Parameters
    ----------
    study : Study
        The study.
    meter : str
        The meter.
    range_ohm : float
        Its range [ohm]; nan where meter.csv says nothing.

    Returns
    -------
    MeterSpec
        As study.toml states it for that range, or for the meter as a whole; otherwise the common one, with the step
        of the display taken from the finest reading.
    """
    wanted = None if math.isnan(range_ohm) else range_ohm
    stated = {row.range_ohm: row for row in study.settings.meters if row.meter == meter}
    row = stated.get(wanted) or stated.get(None)
    if row is not None:
        return MeterSpec(
            percent=row.percent,
            digits=row.digits,
            resolution_ohm=row.resolution_ohm,
            meter=meter,
            range_ohm=wanted,
            source="as study.toml states it",
        )
    rows = study.meter[(study.meter["meter"] == meter)]
    rows = rows if wanted is None else rows[rows["range_ohm"] == wanted]
    return MeterSpec(
        percent=ASSUMED.percent,
        digits=ASSUMED.digits,
        resolution_ohm=_finest_step(rows["reading_ohm"].to_numpy(dtype=np.float64)),
        meter=meter,
        range_ohm=wanted,
        source=ASSUMED.source,
    )


def write_spec(spec: MeterSpec) -> str:
    """Write a specification as study.toml takes it.

    Parameters
    ----------
    spec : MeterSpec
        The specification.

    Returns
    -------
    str
        One `[[meters]]` table, to be pasted at the end of study.toml.
    """
    numbers = {name: getattr(spec, name) for name in ("range_ohm", "percent", "digits", "resolution_ohm")}
    lines = ["[[meters]]", f"meter = {json.dumps(spec.meter, ensure_ascii=False)}"]  # quoted as TOML quotes
    lines += [f"{name} = {value:.15g}" for name, value in numbers.items() if value is not None]
    return "\n".join(lines)


def find_series(study: Study) -> tuple[str, str, str] | None:
    """Find an item that is two others in series, by its name.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    tuple of str or None
        Series, first and second item: a sample "A and B" of an item whose name contains that of A and B; None where
        there is none.
    """
    table = study.meter[["item", "sample"]].drop_duplicates()
    for item, sample in table.itertuples(index=False):
        first, word, second = str(sample).partition(" and ")
        for other in dict.fromkeys(table["item"]):
            samples = set(table.loc[table["item"] == other, "sample"])
            if word and other != item and str(other) in str(item) and {first, second} <= samples:
                return f"{item}, {sample}", f"{other}, {first}", f"{other}, {second}"
    return None


def meter_hashes(study: Study) -> dict[str, str]:
    """Give the hashes of the files that a resistance rests on.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    dict of str to str
        SHA-256 of meter.csv and study.toml, in hexadecimal, as they lie there now.
    """
    files = [study.folder / name for name in ("meter.csv", "study.toml")]
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in files if file.is_file()}


def _names(study: Study) -> pd.Series[str]:
    if study.meter.empty:
        return pd.Series([], dtype=str)
    return study.meter["item"].astype(str) + ", " + study.meter["sample"].astype(str)


def _finest_step(reading_ohm: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Give the place of the last digit that any reading shows [ohm]."""
    for decimals in range(_FINEST_DECIMALS):
        if np.allclose(reading_ohm, np.round(reading_ohm, decimals), rtol=0, atol=1e-9):
            return float(10.0**-decimals)
    return float(10.0**-_FINEST_DECIMALS)
