"""Ask how many earphones and seats would tell, from the study's own spread and noise floor."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.evidence.metrics import UNITS
from ohmshift.evidence.planning import (
    MOST_EARPHONES,
    earphones_for_difference,
    earphones_for_half_width,
    measure_spread,
    plan_seats,
    power_of_classes,
    share_shown,
    units_for_share,
)
from ohmshift.show.charts import Chart, Level, Line
from ohmshift.show.collection_drawings import METRIC_NAMES
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.study.declarations import DECLARABLE
from ohmshift.study.findings import Quantity
from ohmshift.study.questions import group_earphones

if TYPE_CHECKING:
    from ohmshift.evidence.collection import Collection
    from ohmshift.evidence.metrics import Metric
    from ohmshift.evidence.planning import SeatPlan, Spread
    from ohmshift.show.panels.driver_types import DriverTypesPanel
    from ohmshift.study.questions import Grouping

_COUNTS = np.unique(np.geomspace(2, 100, 60).astype(int))
_MOST_SEATS = 12
_ALPHA = 0.05
_REGIONS = ("below 100 Hz", "100 Hz to 5 kHz", "above 5 kHz")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PlanSettings:
    """What the panel asks.

    Parameters
    ----------
    metric : str
        What is compared.
    difference : float
        Difference of two classes that matters, in the metric's unit.
    power : float
        Probability of telling it [%].
    seats : int
        Seats a channel and condition.
    half_width_db : float
        Half-width wanted for one earphone's change [dB].
    reseated : bool
        Whether earphones are reseated between the conditions.
    """

    metric: Metric
    difference: float
    power: float
    seats: float
    half_width_db: float
    reseated: bool


class PlanPanel(Panel[PlanSettings]):
    """Plan a collection with sliders.

    Parameters
    ----------
    types : DriverTypesPanel
        The panel whose collection and grouping the plan starts from.
    """

    def __init__(self, types: DriverTypesPanel) -> None:
        self.types = types
        self.collection, self.grouping = types.collection, types.settings.grouping
        self.declared = types.declaration.metrics or DECLARABLE
        settings = PlanSettings(
            metric=types.settings.metric, difference=1.0, power=80.0, seats=3.0, half_width_db=0.5, reseated=True
        )
        controls = {
            "metric": choice(
                "Metric", [(METRIC_NAMES[name], name) for name in DECLARABLE], help_text="What two classes differ in."
            ),
            "difference": slider(
                "Difference that matters",
                "dB",
                0.1,
                4.0,
                0.1,
                help_text="Between two classes' means; dB/octave for tilt.",
            ),
            "power": slider(
                "Chance of telling it", "%", 50.0, 99.0, 1.0, help_text="Power of the comparison.", digits=0
            ),
            "seats": slider(
                "Seats", "a channel and condition", 1.0, float(_MOST_SEATS), 1.0, help_text="Seatings.", digits=0
            ),
            "half_width_db": slider(
                "Half-width wanted", "dB", 0.1, 2.0, 0.1, help_text="Of the 95 % interval of one earphone's change."
            ),
            "reseated": choice(
                "Resistance added",
                [("after reseating", True), ("without reseating", False)],
                help_text="Whether the earphone is taken out between the conditions.",
            ),
        }
        super().__init__(self._view, settings, controls)
        types.at_rest.append(self._follow)

    def samples(self) -> pd.DataFrame:
        """Give what a few units that all agree allow to be said of all units.

        Returns
        -------
        DataFrame
            Units, and the share of all units that they show, one-sided at 95 %.
        """
        counts = [1, 2, 3, 5, 10, *(units_for_share(share) for share in (0.8, 0.9, 0.95))]
        return pd.DataFrame(
            {
                "units measured, all agreeing": counts,
                "share of all units shown (%)": [round(100 * share_shown(n, n)) for n in counts],
            }
        )

    @lru_cache(maxsize=8)  # noqa: B019 - a panel lives as long as its notebook
    def _spread(self, collection: Collection, grouping: Grouping, metric: Metric) -> Spread | None:
        return measure_spread(collection, metric, group_earphones(collection, grouping))

    @lru_cache(maxsize=2)  # noqa: B019
    def _seats(self, reseated: bool) -> SeatPlan | None:
        return plan_seats(self.types.comparison.floor, reseated=reseated, most=_MOST_SEATS)

    def _follow(self) -> None:
        now = (self.types.collection, self.types.settings.grouping)
        if now != (self.collection, self.grouping):
            self.collection, self.grouping = now
            self.redraw()

    def _view(self, settings: PlanSettings) -> View:
        spread = self._spread(self.collection, self.grouping, settings.metric)
        plan = self._seats(settings.reseated)
        tested = len(self.declared) if settings.metric in self.declared else 1
        alpha = _ALPHA / tested  # What Holm's correction asks of the smallest p value
        unit = UNITS[settings.metric]
        sd = float("nan") if spread is None else spread.total(settings.seats)
        needed, alone = (
            None
            if spread is None
            else earphones_for_difference(settings.difference / sd, power=settings.power / 100, alpha=one)
            for one in (alpha, _ALPHA)
        )
        within = None if spread is None else earphones_for_half_width(settings.difference / 2, sd)
        counts = (needed, alone, within)
        sentence = " ".join((_say_classes(settings, spread, counts, tested), _say_seats(settings, plan)))
        found = [Quantity(name="difference that matters", value=settings.difference, unit=unit)]
        if needed is not None:
            found.append(Quantity(name="earphones each class needs", value=float(needed), unit="1"))
        return View(
            charts=(_draw_power(settings, sd, sentence, alpha), _draw_seats(settings, plan)),
            sentence=sentence,
            table=_table(settings, spread, alpha),
            draft=Draft(
                statement=sentence,
                quantities=tuple(found),
                data=self.types.study.data_hashes(),
                caveats=("the plan takes this study's spread and noise floor as they are; they are estimates",),
            ),
        )


def _say_classes(
    settings: PlanSettings, spread: Spread | None, counts: tuple[int | None, int | None, int | None], tested: int
) -> str:
    unit = UNITS[settings.metric]
    if spread is None:
        return "No class has two earphones, so how much earphones of one class differ is not known."
    needed, alone, apart = (f"more than {MOST_EARPHONES}" if count is None else f"{count}" for count in counts)
    together = f" with {tested} metrics tested together, {alone} with this one alone" if tested > 1 else ""
    added = spread.measurement * np.sqrt(spread.seats / settings.seats)
    return (
        f"To tell two classes {settings.difference:g} {unit} apart in {settings.metric} with {settings.power:.0f} % "
        f"chance takes {needed} earphones a class{together}; to know their difference within "
        f"{settings.difference / 2:.2g} {unit}, {apart}. Earphones of one class differ by {spread.between:.2f} {unit} "
        f"(standard deviation, {spread.degrees} degrees of freedom); measuring adds {added:.2f} {unit} with "
        f"{settings.seats:.0f} seats."
    )


def _say_seats(settings: PlanSettings, plan: SeatPlan | None) -> str:
    way = "reseated" if settings.reseated else "without reseating"
    if plan is None:
        return f"The study has no two earphones with repeats {way}, so seats cannot be planned."
    told = [
        f"{region} {'more than ' + str(_MOST_SEATS) if seats is None else seats}"
        for region, seats in zip(_REGIONS, plan.needed(settings.half_width_db), strict=True)
    ]
    return f"Seats for a half-width of {settings.half_width_db:g} dB, {way}: {', '.join(told)}."


def _draw_power(settings: PlanSettings, sd: float, sentence: str, alpha: float) -> Chart:
    ratio = settings.difference / sd
    told = np.full(_COUNTS.size, np.nan)
    if np.isfinite(ratio):
        told = 100 * np.array([power_of_classes(int(n), ratio, alpha=alpha) for n in _COUNTS])
    return Chart(
        title="Chance of telling two classes apart",
        alt_text=sentence,
        y_label="Chance",
        y_unit="%",
        scale="linear",
        x_label="Earphones in each class",
        x_unit="",
        x_scale="linear",
        x_range=(0.0, 100.0),
        y_range=(0.0, 105.0),
        lines=(Line(x=_COUNTS.astype(np.float64), y=told, label="chance", colour=0, width=2.6),),
        levels=(Level(y=settings.power, label="wanted"), Level(y=100 * alpha, label="by chance")),
    )


def _draw_seats(settings: PlanSettings, plan: SeatPlan | None) -> Chart:
    seats = np.arange(1, _MOST_SEATS + 1, dtype=np.float64)
    rows = np.full((3, seats.size), np.nan) if plan is None else plan.half_width_db
    return Chart(
        title="Half-width of the 95 % interval of one earphone's change",
        alt_text=_say_seats(settings, plan),
        y_label="Half-width",
        y_unit="dB",
        scale="linear",
        x_label="Seats a channel and condition, left and right measured",
        x_unit="",
        x_scale="linear",
        x_range=(0.5, _MOST_SEATS + 0.5),
        y_range=(0.0, 3.0),
        lines=tuple(
            Line(x=seats, y=row, label=name, colour=colour)
            for colour, (name, row) in enumerate(zip(_REGIONS, rows, strict=True))
        ),
        levels=(Level(y=settings.half_width_db, label="wanted"),),
    )


def _table(settings: PlanSettings, spread: Spread | None, alpha: float) -> pd.DataFrame:
    """Give earphones a class for several differences and seats."""
    unit = UNITS[settings.metric]
    seats = sorted({1.0, 2.0, 3.0, 5.0, settings.seats})
    differences = sorted({0.25, 0.5, 1.0, 2.0, settings.difference})
    rows = []
    for difference in differences if spread is not None else []:
        row: dict[str, object] = {f"difference ({unit})": difference}
        for n in seats:
            ratio = difference / spread.total(n)  # type: ignore[union-attr]
            found = earphones_for_difference(ratio, power=settings.power / 100, alpha=alpha)
            row[f"earphones a class, {n:.0f} seats"] = f"> {MOST_EARPHONES}" if found is None else found
        rows.append(row)
    return pd.DataFrame(rows)
