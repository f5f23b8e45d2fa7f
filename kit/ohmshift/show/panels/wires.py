"""Ask what copper of a length and gauge would read, and what an amplifier's output impedance is by its voltages."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import numpy as np
import pandas as pd

from ohmshift.chain.conductors import awg_area_mm2, awg_from_area, copper_area_mm2, copper_resistance_ohm
from ohmshift.chain.metering import measure_resistance
from ohmshift.chain.output_impedance import CAUTIONS, LoadedVoltage, VoltmeterSpec, measure_output_impedance
from ohmshift.errors import CurveError, OhmshiftError, StudyError
from ohmshift.show.meter_drawings import FAMILY_AWG, LONGEST_M, draw_output, draw_wires, wire_top_ohm
from ohmshift.show.panels.base import CONTROL_BOX, LABEL_STYLE, Draft, Panel, View, choice, slider
from ohmshift.show.panels.cautions import caution_box
from ohmshift.show.panels.chain_resistance import NOTHING
from ohmshift.study.findings import Quantity
from ohmshift.study.meter import list_items, meter_hashes, read_item

if TYPE_CHECKING:
    from ohmshift.chain.metering import Resistance
    from ohmshift.study.folder import Study

OPEN = "open"
EXAMPLE = "open 0.2000\nopen 0.2000\n33 0.1964\n33 0.1965\n120 0.1990\n120 0.1990"
"""Voltages of an invented amplifier, to start with: 0.6 ohm."""

_EXAMPLE_SAID = "Example voltages, not yours: "


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WireSettings:
    """What the copper panel asks.

    Parameters
    ----------
    item : str
        The item whose conductors are compared, "item, sample".
    length_m : float
        Length of one conductor [m].
    gauge : float
        American wire gauge.
    temperature_c : float
        Temperature [°C].
    """

    item: str
    length_m: float = 1.2
    gauge: float = 28.0
    temperature_c: float = 23.0


class WirePanel(Panel[WireSettings]):
    """Hold measured conductors against copper of a length and gauge.

    Parameters
    ----------
    study : Study
        The study.
    item : str, optional
        Item to start with, "item, sample"; by default the first, or "nothing".
    """

    def __init__(self, study: Study, *, item: str | None = None) -> None:
        self.study = study
        items = [*list_items(study), NOTHING]
        controls = {
            "item": choice("Item", list(items), help_text="Whose conductors are compared."),
            "length_m": slider("Length", "m", 0.1, LONGEST_M, 0.05, help_text="Of one conductor.", digits=2),
            "gauge": slider("Gauge of the copper", "AWG", 20.0, 36.0, 1.0, help_text="Higher is thinner.", digits=0),
            "temperature_c": slider("Temperature", "°C", 0.0, 40.0, 1.0, help_text="Of the copper.", digits=0),
        }
        super().__init__(self._view, WireSettings(item=item or items[0]), controls)

    @lru_cache(maxsize=64)  # noqa: B019 - a panel lives as long as its notebook
    def _measured(self, item: str) -> dict[str, Resistance]:
        if item == NOTHING:
            return {}
        return {name: measure_resistance(part) for name, part in read_item(self.study, item).items()}

    def _view(self, settings: WireSettings) -> View:
        found = self._measured(settings.item)
        area = float(awg_area_mm2(settings.gauge))
        ohm = float(copper_resistance_ohm(settings.length_m, area_mm2=area, temperature_c=settings.temperature_c))
        first = next(iter(found.values()), None)
        beside = "" if first is None else f"{first.label} reads {first.budget}: {self._means(first, ohm, settings)}. "
        top_ohm = wire_top_ohm(settings.gauge)
        above = "It lies above the chart. " if any(part.resistance_ohm > top_ohm for part in found.values()) else ""
        said = (
            f"{settings.length_m:g} m of gauge {settings.gauge:g} copper ({area:.3f} mm²) at "
            f"{settings.temperature_c:g} °C: {ohm:.3f} ohm, {2 * ohm:.3f} ohm there and back. {beside}{above}"
            "Strands wound around a thread are a few per cent longer than the cable."
        )
        charts = (
            draw_wires(
                found,
                gauge=settings.gauge,
                length_m=settings.length_m,
                temperature_c=settings.temperature_c,
                alt_text=said,
            ),
        )
        quantities = [Quantity(name="copper of that length and gauge", value=ohm, unit="ohm")]
        if first is not None:
            low, high = first.interval_ohm
            value = first.resistance_ohm
            quantities.append(Quantity(name=first.label, value=value, unit="ohm", low=low, high=high))
        draft = Draft(
            statement=said,
            quantities=tuple(quantities),
            data=meter_hashes(self.study),
            caveats=() if first is None else first.caveats,
        )
        return View(charts=charts, sentence=said, table=self._table(found, ohm, settings), draft=draft)

    def _means(self, measured: Resistance, ohm: float, settings: WireSettings) -> str:
        low, high = measured.interval_ohm
        if low <= ohm <= high:
            return "as such copper would"
        if measured.resistance_ohm <= 0:
            return "less than its uncertainty can show"
        area = copper_area_mm2(
            measured.resistance_ohm, length_m=settings.length_m, temperature_c=settings.temperature_c
        )
        gauge = float(awg_from_area(area))
        size = f"gauge {gauge:.0f}" if min(FAMILY_AWG) - 10 <= gauge <= 50 else f"{area:.2g} mm²"  # noqa: PLR2004
        what = "less, as if thicker or shorter" if high < ohm else "more, as if thinner or longer, or with a resistor"
        return f"{what}: at this length like {size}"

    def _table(self, found: dict[str, Resistance], ohm: float, settings: WireSettings) -> pd.DataFrame:
        return pd.DataFrame(
            [
                {
                    "conductor": name,
                    "measured (ohm)": str(part.budget).removesuffix(" ohm"),
                    "copper (ohm)": f"{ohm:.3f}",
                    "it reads": self._means(part, ohm, settings),
                }
                for name, part in found.items()
            ],
            columns=["conductor", "measured (ohm)", "copper (ohm)", "it reads"],
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OutputSettings:
    """What the output-impedance panel asks.

    Parameters
    ----------
    readings : str
        One reading a line: "open" or the load in ohm, then the voltage in V.
    percent, digits : float
        The voltmeter's accuracy: per cent of the reading, and steps of its display.
    resolution_mv : float
        Step of its display [mV].
    load_tolerance : float
        Tolerance of the load resistors [%].
    lowest_load_ohm : float
        The lowest load that the amplifier is made for [ohm].
    """

    readings: str = EXAMPLE
    percent: float = 1.0
    digits: float = 3.0
    resolution_mv: float = 0.1
    load_tolerance: float = 1.0
    lowest_load_ohm: float = 16.0


class OutputPanel(Panel[OutputSettings]):
    """Find an amplifier's output impedance from its voltages without and with loads.

    Parameters
    ----------
    study : Study
        The study; its own figure is drawn beside.
    readings : str, optional
        Readings to start with; by default those of an invented amplifier.
    """

    children: Any

    def __init__(self, study: Study, *, readings: str = EXAMPLE) -> None:
        self.study = study
        steps = [("1 mV", 1.0), ("0.1 mV", 0.1), ("0.01 mV", 0.01)]
        box = widgets.Textarea(
            description="Load (ohm) and voltage (V)",
            tooltip="One reading a line: open, or the load in ohm; then the voltage in V.",
            rows=7,
            style=LABEL_STYLE,
            layout=CONTROL_BOX,
        )
        controls = {
            "readings": box,
            "percent": slider("Voltmeter, of reading", "%", 0.0, 5.0, 0.1, help_text="From its data sheet."),
            "digits": slider("Voltmeter, digits", "steps", 0.0, 30.0, 1.0, help_text="From its data sheet.", digits=0),
            "resolution_mv": choice("Step of its display", steps, help_text="The last digit shown."),
            "load_tolerance": slider("Load resistors within", "%", 0.0, 10.0, 0.5, help_text="Their tolerance."),
            "lowest_load_ohm": slider(
                "Lowest load allowed", "ohm", 4.0, 150.0, 1.0, help_text="From the amplifier's manual.", digits=0
            ),
        }
        super().__init__(self._view, OutputSettings(readings=readings), controls)
        self.children = (caution_box(*CAUTIONS), *self.children)

    def _view(self, settings: OutputSettings) -> View:
        stated = self.study.settings.source_ohm
        spec = VoltmeterSpec(
            percent=settings.percent, digits=settings.digits, resolution_v=settings.resolution_mv / 1000
        )
        try:
            unloaded, loads = parse_voltages(settings.readings)
            found = measure_output_impedance(
                unloaded,
                loads,
                spec=spec,
                load_tolerance_percent=settings.load_tolerance,
                lowest_load_ohm=settings.lowest_load_ohm,
            )
        except OhmshiftError as error:
            said = f"No output impedance yet. {error}."
            return View(charts=(draw_output(None, stated_ohm=stated, alt_text=said),), sentence=said, table=_empty())
        inside = found.budget.interval[0] <= stated <= found.budget.interval[1]
        beside = "agrees with" if inside else "differs from"
        whose = _EXAMPLE_SAID if settings.readings == EXAMPLE else ""
        drops = " and ".join(f"{drop:.1f} %" for drop in found.drop_percent)
        said = (
            f"{whose}{found.sentence} It {beside} the {stated:g} ohm of study.toml. The loads pulled the voltage down "
            f"by {drops}."
        )
        low, high = found.budget.interval
        quantity = Quantity(name="output impedance", value=found.budget.estimate, unit="ohm", low=low, high=high)
        return View(
            charts=(draw_output(found, stated_ohm=stated, alt_text=said),),
            sentence=said,
            table=found.budget.table(),
            draft=Draft(statement=said, quantities=(quantity,), data={}, caveats=found.caveats),
        )


def parse_voltages(text: str) -> tuple[np.ndarray[tuple[int], np.dtype[np.float64]], list[LoadedVoltage]]:
    r"""Read loads and voltages from lines of text.

    Parameters
    ----------
    text : str
        One reading a line: "open" or a load in ohm, then a voltage in V; blank lines count for nothing.

    Returns
    -------
    unloaded_v : ndarray, shape (n,)
        Voltages without a load [V].
    loads : list of LoadedVoltage
        One a load, in the order of the text.

    Raises
    ------
    StudyError
        A line that is none, or no voltage without a load.

    Examples
    --------
    >>> unloaded, loads = parse_voltages("open 0.2\n33 0.196")
    >>> float(unloaded[0]), loads[0].load_ohm
    (0.2, 33.0)
    """
    voltages: dict[float, list[float]] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        load, volt = _read_line(number, line)
        voltages.setdefault(load, []).append(volt)
    unloaded = voltages.pop(math.inf, [])
    if not unloaded:
        rule, mend = "the voltage without a load is needed", "add a line such as: open 0.2000"
        raise StudyError("readings", rule, "no line begins with open", mend)
    loads = [LoadedVoltage(load_ohm=load, voltage_v=np.array(volts)) for load, volts in voltages.items()]
    return np.array(unloaded), loads


def _read_line(number: int, line: str) -> tuple[float, float]:
    try:
        load_text, volt_text = line.split()
        load = math.inf if load_text.lower() == OPEN else float(load_text)
        volt = float(volt_text)
    except ValueError as error:
        rule, mend = "a line holds open or a load in ohm, then a voltage in V", "write it as: 33 0.1964"
        raise StudyError(f"readings, line {number}", rule, f"it is {line.strip()!r}", mend) from error
    if not (math.isfinite(volt) and volt > 0 and load > 0) or (math.isinf(load) and load_text.lower() != OPEN):
        rule, mend = "loads and voltages are above 0", "leave that line out; never short an output"
        raise CurveError(f"readings, line {number}", rule, f"it is {line.strip()!r}", mend)
    return load, volt


def _empty() -> pd.DataFrame:
    columns = ["quantity", "estimate", "u", "type", "df", "sensitivity", "contribution (ohm)"]
    return pd.DataFrame(columns=columns)
