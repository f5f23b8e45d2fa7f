"""Charts of meter readings: resistances by conductor, differences, budgets, copper, and output impedances."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.conductors import awg_area_mm2, copper_resistance_ohm
from ohmshift.chain.metering import DIGITS, GAIN, SPREAD, ZERO
from ohmshift.show.charts import Band, Chart, Level, Line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.chain.meter_budget import Budget
    from ohmshift.chain.meter_verdicts import Agreement
    from ohmshift.chain.metering import Resistance
    from ohmshift.chain.output_impedance import OutputImpedance

GROUPS = (DIGITS, ZERO, GAIN, SPREAD)
"""Groups of a meter's budget, in the order of the chart."""

LONGEST_M = 3.0
"""Longest conductor drawn [m]."""

FAMILY_AWG = (24, 26, 28, 30, 32)
"""Gauges drawn beside the chosen one."""

_APART = 0.12
_THIN_AWG = 32


def draw_resistances(
    items: Mapping[str, Mapping[str, Resistance]], conductors: Sequence[str], *, ordinary_ohm: float, alt_text: str
) -> Chart:
    """Chart the resistance of each conductor with its expanded uncertainty.

    Parameters
    ----------
    items : mapping of str to mapping of str to Resistance
        By item and conductor; two items at most.
    conductors : sequence of str
        Conductors, left to right.
    ordinary_ohm : float
        Up to here a loop counts as ordinary [ohm].
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One mark an item and conductor, with a bar from R - U to R + U.
    """
    lines, bands = [], []
    highest = ordinary_ohm
    for place, (name, found) in enumerate(items.items()):
        x = np.asarray(np.arange(len(conductors)) + _APART * (2 * place - (len(items) - 1)), dtype=np.float64)
        parts = [found.get(conductor) for conductor in conductors]
        R = np.array([np.nan if part is None else part.resistance_ohm for part in parts])
        ends = np.array([(np.nan, np.nan) if part is None else part.interval_ohm for part in parts])
        lines.append(Line(x=x, y=R, label=_short(name), colour=place, points=True))
        bands.append(Band(x=x, low=ends[:, 0], high=ends[:, 1], colour=place, opacity=0.9, bars=True))
        highest = max(highest, float(np.nanmax(R)))
    top = _round_up(1.15 * highest)
    return _over_names(
        conductors,
        title="Resistance of each conductor",
        alt_text=alt_text,
        y_label="Resistance",
        y_unit="ohm",
        x_label="Conductor",
        y_range=(-0.1 * top, top),
        lines=tuple(lines),
        bands=tuple(bands),
        levels=(Level(y=0.0), Level(y=ordinary_ohm, label="ordinary up to")),
    )


def draw_differences(
    agreements: Mapping[str, Agreement], conductors: Sequence[str], *, reach_ohm: float, alt_text: str
) -> Chart:
    """Chart the differences of two items by conductor, with the margin.

    Parameters
    ----------
    agreements : mapping of str to Agreement
        By conductor.
    conductors : sequence of str
        Conductors, left to right.
    reach_ohm : float
        Upper end of the vertical axis [ohm].
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One mark a conductor, whichever is larger, with a bar of its expanded uncertainty, and the margin.
    """
    parts = [agreements.get(conductor) for conductor in conductors]
    d = np.array([np.nan if part is None else abs(part.difference.resistance_ohm) for part in parts])
    U = np.array([np.nan if part is None else part.difference.expanded_uncertainty_ohm for part in parts])
    x = np.arange(len(conductors), dtype=np.float64)
    margin = next((part.margin_ohm for part in parts if part is not None), 0.0)
    low, high = np.clip(d - U, 0, reach_ohm), np.clip(d + U, 0, reach_ohm)
    return _over_names(
        conductors,
        title="How far the two are apart, by conductor",
        alt_text=alt_text,
        y_label="Difference",
        y_unit="ohm",
        x_label="Conductor",
        y_range=(0.0, reach_ohm),
        lines=(Line(x=x, y=np.where(d <= reach_ohm, d, np.nan), label="difference", colour=2, points=True),),
        bands=(Band(x=x, low=low, high=high, colour=2, opacity=0.9, bars=True),),
        levels=(Level(y=margin, label="margin"),),
    )


def draw_budget(budget: Budget, *, title: str) -> Chart:
    """Chart what an uncertainty is made of.

    Parameters
    ----------
    budget : Budget
        The budget of a meter's reading.
    title : str
        What it is the budget of.

    Returns
    -------
    Chart
        One bar a group of contributions: its part of the sum of squares.
    """
    found = budget.groups()
    whole = sum(u**2 for u in found.values()) or 1.0
    share = np.array([100 * found.get(name, 0.0) ** 2 / whole for name in GROUPS])
    x = np.arange(len(GROUPS), dtype=np.float64)
    largest = next(iter(found), "nothing")
    return _over_names(
        GROUPS,
        title=title,
        alt_text=f"The largest part of its uncertainty is: {largest}, {found.get(largest, 0.0):.2g} ohm.",
        y_label="Share of the variance",
        y_unit="%",
        x_label="Part",
        y_range=(0.0, 100.0),
        lines=(Line(x=x, y=share, label="share", colour=0, points=True),),
        bands=(Band(x=x, low=np.zeros(x.size), high=share, colour=0, opacity=0.9, bars=True),),
    )


def draw_wires(
    measured: Mapping[str, Resistance], *, gauge: float, length_m: float, temperature_c: float, alt_text: str
) -> Chart:
    """Chart the resistance of copper over its length, and measured conductors at theirs.

    Parameters
    ----------
    measured : mapping of str to Resistance
        Conductors.
    gauge : float
        The chosen American wire gauge.
    length_m : float
        Length of the measured conductors [m].
    temperature_c : float
        Temperature [°C].
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One line a gauge, one mark a conductor.
    """
    x = np.array([0.0, LONGEST_M])

    def line(number: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        ohm = copper_resistance_ohm(x, area_mm2=awg_area_mm2(number), temperature_c=temperature_c)
        return np.asarray(ohm, dtype=np.float64)

    lines = [
        Line(x=x, y=line(number), label=f"gauge {number}", colour=2, width=1.0, dash="solid") for number in FAMILY_AWG
    ]
    lines.append(Line(x=x, y=line(gauge), label="chosen gauge", colour=1, width=2.8, dash="solid"))
    beside = np.arange(len(measured), dtype=np.float64) - (len(measured) - 1) / 2
    at = np.asarray(length_m + 0.03 * beside, dtype=np.float64)
    R = np.array([part.resistance_ohm for part in measured.values()])
    ends = np.array([part.interval_ohm for part in measured.values()]).reshape(-1, 2)
    top = wire_top_ohm(gauge)
    shown = np.where((R >= 0) & (top >= R), R, np.nan)
    lines.append(Line(x=at, y=shown, label="measured", colour=0, points=True))
    low, high = (np.where(np.isfinite(shown), np.clip(end, 0, top), np.nan) for end in ends.T)
    return Chart(
        title=f"One conductor of copper at {temperature_c:g} °C",
        alt_text=alt_text,
        y_label="Resistance",
        y_unit="ohm",
        scale="linear",
        x_label="Length of the conductor",
        x_unit="m",
        x_scale="linear",
        x_range=(0.0, LONGEST_M),
        y_range=(0.0, top),
        lines=tuple(lines),
        bands=(Band(x=at, low=low, high=high, colour=0, opacity=0.9, bars=True),),
    )


def wire_top_ohm(gauge: float) -> float:
    """Give the upper end of the chart of copper, the same for all gauges but the thinnest.

    Parameters
    ----------
    gauge : float
        The chosen American wire gauge.

    Returns
    -------
    float
        Resistance [ohm].

    Examples
    --------
    >>> wire_top_ohm(28), wire_top_ohm(36)
    (1.5, 5.0)
    """
    return 1.5 if gauge <= _THIN_AWG else 5.0


def draw_output(found: OutputImpedance | None, *, stated_ohm: float, alt_text: str) -> Chart:
    """Chart an output impedance by each load, and from all of them.

    Parameters
    ----------
    found : OutputImpedance or None
        The output impedance; None where the readings do not give one.
    stated_ohm : float
        What study.toml says [ohm].
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One mark a load with a bar of its expanded uncertainty.
    """
    budgets = [] if found is None else [*found.by_load, found.budget]
    names = [] if found is None else [*[f"{ohm:g} ohm" for ohm in found.load_ohm], "all loads"]
    x = np.arange(len(budgets), dtype=np.float64)
    R = np.array([budget.estimate for budget in budgets])
    ends = np.array([budget.interval for budget in budgets]).reshape(-1, 2)
    top = _round_up(max(1.6 * float(np.max(np.abs(R), initial=0.0)), 1.6 * stated_ohm, 1.0))
    ends = np.clip(ends, 0, top)
    return _over_names(
        names,
        title="Output impedance by each load",
        alt_text=alt_text,
        y_label="Output impedance",
        y_unit="ohm",
        x_label="Load",
        y_range=(0.0, top),
        lines=(Line(x=x, y=np.where((R >= 0) & (top >= R), R, np.nan), label="by the loads", colour=0, points=True),),
        bands=(Band(x=x, low=ends[:, 0], high=ends[:, 1], colour=0, opacity=0.9, bars=True),),
        levels=(Level(y=stated_ohm, label="study.toml"),),
    )


def _over_names(
    names: Sequence[str],
    *,
    title: str,
    alt_text: str,
    x_label: str,
    y_label: str,
    y_unit: str,
    y_range: tuple[float, float],
    lines: tuple[Line, ...],
    bands: tuple[Band, ...],
    levels: tuple[Level, ...] = (),
) -> Chart:
    """Chart marks with a name each, left to right at 0, 1, 2 and so on."""
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label=y_label,
        y_unit=y_unit,
        scale="linear",
        x_label=x_label,
        x_unit="",
        x_scale="linear",
        x_range=(-0.5, max(len(names), 1) - 0.5),
        x_ticks=tuple((float(i), name) for i, name in enumerate(names)),
        y_range=y_range,
        lines=lines,
        bands=bands,
        levels=levels,
    )


def _round_up(value: float) -> float:
    """Give the next of 1, 2, 5, 10 and so on at or above a value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(step * power for step in (1, 1.5, 2, 3, 5, 7, 10) if step * power >= value * (1 - 1e-9)))


def _short(name: str, longest: int = 18) -> str:
    return name if len(name) <= longest else f"{name[: longest - 1]}…"
