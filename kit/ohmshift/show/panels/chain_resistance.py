"""Ask what the resistance of a cable, a plug or an amplifier is, and whether two samples agree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.chain.crosstalk import predict_crosstalk
from ohmshift.chain.meter_verdicts import (
    MARGIN_OHM,
    ORDINARY_OHM,
    Agreement,
    ResistanceVerdict,
    check_series,
    compare_resistances,
    judge_resistance,
    locate_resistance,
)
from ohmshift.chain.metering import MeterSpec, Resistance, combine_readings
from ohmshift.show.meter_drawings import draw_budget, draw_differences, draw_resistances
from ohmshift.show.panels.attenuate import on_grid
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.cautions import caution_box
from ohmshift.show.panels.nothing import nothing_to_show
from ohmshift.study.findings import Quantity
from ohmshift.study.meter import find_series, list_items, meter_hashes, read_item, write_spec

if TYPE_CHECKING:
    import ipywidgets as widgets

    from ohmshift.chain.metering import Readings
    from ohmshift.study.folder import Study

NOTHING = "nothing"
LEADS = "the leads alone"
SLIDERS, STATED = "as the sliders say", "as study.toml states it"
_SIDES = {"cannot tell": "cannot be told apart, nor shown to agree"}

NO_READINGS = (
    "meter.csv has no usable row: write one row a reading, with item, sample, conductor, reading_ohm, lead_ohm, meter "
    "and range_ohm, and open the study again."
)
"""What to do where nobody has measured a resistance."""

CAUTION = (
    "Unplug the earphone before putting a meter to its cable: the meter's current moves the diaphragm, and the "
    "driver's own resistance would be read with the cable's. Never measure resistance on anything that is powered."
)
"""What to keep to with a meter in resistance mode."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MeterSettings:
    """What the panel asks.

    Parameters
    ----------
    item : str
        What was measured, "item, sample".
    other : str
        What to compare it with, or "nothing".
    through : str
        What it was measured through and is taken off, or "the leads alone".
    conductor : str
        The conductor whose budget is shown.
    specification : str
        Whether the sliders or study.toml say how good the meter is.
    percent, digits : float
        The meter's accuracy: per cent of the reading, and steps of the display.
    ordinary_ohm : float
        Up to here a cable, there and back, counts as ordinary [ohm].
    margin_ohm : float
        A difference that would not matter [ohm].
    """

    item: str
    other: str
    through: str
    conductor: str
    specification: str
    percent: float
    digits: float
    ordinary_ohm: float = ORDINARY_OHM
    margin_ohm: float = MARGIN_OHM


class MeterPanel(Panel[MeterSettings]):
    """Turn readings of a meter into resistances, and say what they mean.

    Parameters
    ----------
    study : Study
        The study.
    item : str, optional
        Item to start with, "item, sample"; by default the first that has another sample.

    Notes
    -----
    Where meter.csv has no readings the panel says what to write into it.
    """

    children: Any

    def __init__(self, study: Study, *, item: str | None = None) -> None:
        self.study = study
        self.items = list_items(study)
        self.series = find_series(study)
        if not self.items:
            nothing = MeterSettings(
                item="", other=NOTHING, through=LEADS, conductor="", specification=SLIDERS, percent=0.8, digits=3.0
            )
            super().__init__(lambda _: nothing_to_show("Resistance of each conductor", NO_READINGS), nothing, {})
            return
        pairs = [(one, two) for one in self.items for two in self.items if one != two and _item(one) == _item(two)]
        first, other = pairs[0] if pairs and item is None else (item or self.items[0], NOTHING)
        stated = next(iter(read_item(study, first).values())).spec
        conductors = list(dict.fromkeys(study.meter["conductor"].astype(str)))
        settings = MeterSettings(
            item=first,
            other=other,
            through=LEADS,
            conductor=conductors[0],
            specification=SLIDERS,
            percent=stated.percent,
            digits=stated.digits,
        )
        super().__init__(self._view, settings, _controls(list(self.items), conductors))
        self.children = (caution_box(CAUTION), *self.children)

    def conductors(self) -> pd.DataFrame:
        """Give the resistance of every conductor of every item.

        Returns
        -------
        DataFrame
            One row a conductor: resistance, expanded uncertainty, degrees of freedom, k, and the verdict on it alone.
        """
        rows = []
        for item in self.items:
            for conductor, resistance in self._resistances(item, self.settings).items():
                verdict = judge_resistance(resistance, ordinary_ohm=self.settings.ordinary_ohm)
                budget = resistance.budget
                rows.append(
                    {
                        "item": item,
                        "conductor": conductor,
                        "resistance (ohm)": f"{budget.estimate:.2f}",
                        "± U (ohm)": f"{budget.expanded_uncertainty:.2f}",
                        "k": f"{budget.coverage_factor:.2f}",
                        "readings": sum(readings.reading_ohm.size for _, readings in resistance.terms),
                        "verdict": verdict.word,
                    }
                )
        return pd.DataFrame(rows)

    def agreements(self) -> pd.DataFrame:
        """Compare left with right of every item, and the two samples of every item that has two.

        Returns
        -------
        DataFrame
            One row a comparison: difference, expanded uncertainty, E_n and the word.
        """
        found = []
        for item in self.items:
            sides = self._resistances(item, self.settings)
            if {"left", "right"} <= set(sides):
                found.append((f"{item}: left and right", self._compare(sides["left"], sides["right"])))
        for one in self.items:
            for two in self.items[self.items.index(one) + 1 :]:
                if _item(one) == _item(two):
                    found += [(f"{one} and {two}: {name}", agreement) for name, agreement in self._pairs(one, two)]
        rows = [
            {
                "compared": what,
                "difference (ohm)": f"{agreement.difference.resistance_ohm:+.3f}",
                "± U (ohm)": f"{agreement.difference.expanded_uncertainty_ohm:.3f}",
                "E_n": f"{agreement.en:+.2f}",
                "verdict": agreement.word,
            }
            for what, agreement in found
        ]
        return pd.DataFrame(rows)

    def crosstalk(self) -> pd.DataFrame:
        """Say what the return conductor's resistance means for each earphone with a measured impedance.

        Returns
        -------
        DataFrame
            One row an earphone: the largest crosstalk by the return as measured, and by its upper limit. Without rows
            where nobody measured the return.
        """
        found = self._resistances(self.settings.item, self.settings) if self.items else {}
        rows = []
        for name in self.study.names if "return" in found else ():
            if not self.study.has_impedance(name):
                continue
            impedance = on_grid(self.study.impedance(name))
            own = self.study.settings.source_ohm + max(found[next(iter(found))].resistance_ohm, 0.0)
            levels = []
            for ohm in (found["return"].resistance_ohm, found["return"].interval_ohm[1]):
                shared = predict_crosstalk(impedance, return_ohm=max(ohm, 0.0), series_ohm=own)
                levels.append((float(shared.crosstalk_db.max()), shared.frequency_hz[shared.crosstalk_db.argmax()]))
            said = ["none" if np.isinf(level) else f"{level:.0f}" for level, _ in levels]
            at = f"{levels[1][1]:.0f}"
            rows.append({"earphone": name, "crosstalk (dB)": said[0], "at most (dB)": said[1], "at (Hz)": at})
        return pd.DataFrame(rows, columns=["earphone", "crosstalk (dB)", "at most (dB)", "at (Hz)"])

    def specification(self) -> pd.DataFrame:
        """Write the meter's specification as it stands, for study.toml.

        Returns
        -------
        DataFrame
            The lines of one `[[meters]]` table, to be pasted at the end of study.toml.
        """
        if not self.items:
            return pd.DataFrame(columns=["for study.toml"])
        readings = next(iter(self._readings(self.settings.item, self.settings).values()))
        return pd.DataFrame({"for study.toml": write_spec(readings.spec).splitlines()})

    @lru_cache(maxsize=64)  # noqa: B019 - a panel lives as long as its notebook
    def _stated(self, item: str) -> dict[str, Readings]:
        return read_item(self.study, item)

    @lru_cache(maxsize=64)  # noqa: B019
    def _read(self, item: str, percent: float, digits: float) -> dict[str, Readings]:
        def asked(spec: MeterSpec) -> MeterSpec:
            same = (spec.percent, spec.digits) == (percent, digits)
            return spec if same else replace(spec, percent=percent, digits=digits, source=SLIDERS)

        return {name: replace(part, spec=asked(part.spec)) for name, part in self._stated(item).items()}

    def _readings(self, item: str, settings: MeterSettings) -> dict[str, Readings]:
        by_sliders = settings.specification == SLIDERS
        return self._read(item, settings.percent, settings.digits) if by_sliders else self._stated(item)

    def _resistances(self, item: str, settings: MeterSettings) -> dict[str, Resistance]:
        accuracy = (settings.percent, settings.digits) if settings.specification == SLIDERS else None
        return self._measured(item, settings.through, accuracy)

    @lru_cache(maxsize=128)  # noqa: B019
    def _measured(self, item: str, through: str, accuracy: tuple[float, float] | None) -> dict[str, Resistance]:
        readings = self._stated(item) if accuracy is None else self._read(item, *accuracy)
        off: dict[str, Readings] = {}
        if through not in {LEADS, item}:
            off = self._stated(through) if accuracy is None else self._read(through, *accuracy)
        found = {}
        for name, part in readings.items():
            terms = [(1.0, part)] + ([(-1.0, off[name])] if name in off else [])
            found[name] = combine_readings(terms, label=part.label)
        return found

    def _pairs(self, one: str, two: str) -> list[tuple[str, Agreement]]:
        return list(self._compare_items(one, two, self.settings).items())

    def _compare_items(self, one: str, two: str, settings: MeterSettings) -> dict[str, Agreement]:
        first, second = self._resistances(one, settings), self._resistances(two, settings)
        return {
            name: compare_resistances(first[name], second[name], margin_ohm=settings.margin_ohm)
            for name in first
            if name in second
        }

    def _compare(self, one: Resistance, two: Resistance) -> Agreement:
        return compare_resistances(one, two, margin_ohm=self.settings.margin_ohm)

    def _set(self, settings: MeterSettings) -> None:
        super()._set(settings)
        for name in ("percent", "digits"):
            self.controls[name].disabled = settings.specification == STATED

    def _view(self, settings: MeterSettings) -> View:
        if itself := settings.through == settings.item:
            settings = replace(settings, through=LEADS)
        found = self._resistances(settings.item, settings)
        conductor = settings.conductor if settings.conductor in found else next(iter(found))
        verdict = _judge_loop(found, conductor, settings)
        alone = settings.other in {NOTHING, settings.item, settings.through}
        agreements = {} if alone else self._compare_items(settings.item, settings.other, settings)
        sentence = self._say(found, verdict, agreements.get(conductor), settings)
        if itself:
            sentence += " It cannot be measured through itself: nothing is taken off."
        items = {settings.item: found}
        if not alone:
            items[settings.other] = self._resistances(settings.other, settings)
        order = list(dict.fromkeys(name for item in items.values() for name in item))
        charts = [draw_resistances(items, order, ordinary_ohm=settings.ordinary_ohm, alt_text=sentence)]
        if agreements:
            said = agreements[conductor].sentence if conductor in agreements else "Not measured for both."
            reach = self._reach(settings.item, settings.other, settings.through)
            charts.append(draw_differences(agreements, order, reach_ohm=reach, alt_text=said))
        title = f"What the uncertainty of {settings.item}, {conductor}, is made of"
        charts.append(draw_budget(found[conductor].budget, title=title))
        return View(
            charts=tuple(charts),
            sentence=sentence,
            table=found[conductor].budget.table(),
            draft=Draft(
                statement=sentence,
                quantities=_quantities(verdict, agreements.get(conductor)),
                data=meter_hashes(self.study),
                caveats=(
                    *verdict.resistance.caveats,
                    "Contacts and temperature move a reading: read again another day.",
                ),
            ),
        )

    @lru_cache(maxsize=64)  # noqa: B019
    def _reach(self, item: str, other: str, through: str) -> float:
        """Give a vertical range for differences that stands still while sliders move."""
        base = replace(self.settings, item=item, other=other, through=through)
        bounds = [agreement.bound_ohm for agreement in self._compare_items(item, other, base).values()]
        return float(np.ceil(1.5 * max([*bounds, 0.5])))

    def _say(
        self,
        found: dict[str, Resistance],
        verdict: ResistanceVerdict,
        agreement: Agreement | None,
        settings: MeterSettings,
    ) -> str:
        said = [verdict.sentence, locate_resistance(found, ordinary_ohm=settings.ordinary_ohm).sentence]
        if {"left", "right"} <= set(found):
            sides = compare_resistances(found["left"], found["right"], margin_ohm=settings.margin_ohm)
            said.append(f"Left and right {_SIDES.get(sides.word, sides.word)} (E_n = {sides.en:.2f}).")
        if agreement is not None:
            said.append(agreement.sentence)
        if self.series is not None and settings.item in self.series and settings.through not in self.series:
            both, first, second = (self._resistances(name, settings) for name in self.series)
            shared = [name for name in both if name in first and name in second]
            if shared:
                name = settings.conductor if settings.conductor in shared else shared[0]
                said.append(check_series(both[name], first[name], second[name]).sentence)
        spec = next(iter(found.values())).terms[0][1].spec
        said.append(f"Meter {spec}, {spec.source or settings.specification}.")
        return " ".join(said)


def _controls(items: list[str], conductors: list[str]) -> dict[str, widgets.Widget]:
    return {
        "item": choice("Item", items, help_text="What was measured."),
        "other": choice("Compare with", [NOTHING, *items], help_text="Another sample, or another item."),
        "through": choice("Measured through", [LEADS, *items], help_text="What is in the readings and not it."),
        "conductor": choice("Conductor", conductors, help_text="The conductor whose uncertainty is shown in parts."),
        "specification": choice("Meter specification", [SLIDERS, STATED], help_text="Where accuracy comes from."),
        "percent": slider("Meter, of reading", "%", 0.0, 5.0, 0.05, help_text="From its data sheet.", digits=2),
        "digits": slider("Meter, digits", "steps", 0.0, 20.0, 1.0, help_text="From its data sheet.", digits=0),
        "ordinary_ohm": slider("Ordinary up to", "ohm", 0.1, 5.0, 0.1, help_text="For a cable, there and back."),
        "margin_ohm": slider(
            "Difference allowed", "ohm", 0.05, 3.0, 0.05, help_text="One that would not matter.", digits=2
        ),
    }


def _judge_loop(found: dict[str, Resistance], conductor: str, settings: MeterSettings) -> ResistanceVerdict:
    """Judge the way there and back where the return was read, else the conductor alone."""
    part = found[conductor]
    if conductor != "return" and "return" in found:
        terms = [*part.terms, *found["return"].terms]
        part = combine_readings(terms, label=f"{settings.item}, {conductor} and return,")
    return judge_resistance(part, ordinary_ohm=settings.ordinary_ohm)


def _quantities(verdict: ResistanceVerdict, agreement: Agreement | None) -> tuple[Quantity, ...]:
    low, high = verdict.resistance.interval_ohm
    value = verdict.resistance.resistance_ohm
    found = [Quantity(name="resistance", value=value, unit="ohm", low=low, high=high)]
    if agreement is not None:
        low, high = agreement.difference.interval_ohm
        value = agreement.difference.resistance_ohm
        found.append(Quantity(name="difference", value=value, unit="ohm", low=low, high=high))
        if np.isfinite(agreement.en):
            found.append(Quantity(name="E_n", value=agreement.en, unit="1"))
    return tuple(found)


def _item(name: str) -> str:
    return name.rpartition(", ")[0]
