"""Ask whether the response changed, or whether it is measurement variation."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.curves.grids import pick_channel
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.metrics import measure_metrics
from ohmshift.evidence.planning import seats_to_tell
from ohmshift.evidence.verdicts import Verdict, judge_change
from ohmshift.evidence.wording import ceil_bound, describe_change
from ohmshift.show.charts import Chart, Line
from ohmshift.show.drawings import band_table, draw_change, ohms, say_level_drop
from ohmshift.show.explaining import size_quantity
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import SMOOTHING, hashes
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.findings import Quantity
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.study.folder import Study

BOTH = "both"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChangeSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    added_ohm : float
        Added resistance [ohm].
    margin_db : float
        Smallest change that matters [dB].
    channel : {"both", "left", "right"}
        Channel judged.
    smoothing : int
        Bands an octave of the thin line's smoothing; 0 is none.
    """

    earphone: str
    added_ohm: float
    margin_db: float
    channel: str = BOTH
    smoothing: int = 12


class ChangePanel(Panel[ChangeSettings]):
    """Judge a change with sliders.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the one that changed most.
    added_ohm : float, optional
        Added resistance to start with [ohm]; by default the one most earphones were measured with.
    """

    def __init__(self, study: Study, *, earphone: str | None = None, added_ohm: float | None = None) -> None:
        self.study = study
        self.comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
        names = list(dict.fromkeys(name for name, _ in self.comparison.changes))
        common = self.comparison.common_ohm
        resistances = sorted({ohm for _, ohm in self.comparison.changes})
        settings = ChangeSettings(
            earphone=earphone or self.comparison.by_size()[0],
            added_ohm=common if added_ohm is None else added_ohm,
            margin_db=self.comparison.margin_db,
        )
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to judge."),
            "added_ohm": choice(
                "Added resistance",
                [(ohms(value), value) for value in resistances],
                help_text="The resistance it was measured with, against without.",
            ),
            "margin_db": slider(
                "Margin", "dB", 0.2, 4.0, 0.1, help_text="The smallest change that matters to your question."
            ),
            "channel": choice("Channel", [BOTH, "left", "right"], help_text="Left and right together, or one alone."),
            "smoothing": choice(
                "Smoothing", SMOOTHING, help_text="Smoothing of the thin line; bands are not affected."
            ),
        }
        super().__init__(self._view, settings, controls)

    def overview(self) -> pd.DataFrame:
        """Judge every earphone at the panel's resistance and margin.

        Returns
        -------
        DataFrame
            One row an earphone.
        """
        return self.comparison.table(self.settings.added_ohm, margin_db=self.settings.margin_db)

    def _view(self, settings: ChangeSettings) -> View:
        if (settings.earphone, settings.added_ohm) not in self.comparison.changes:
            return _nothing_measured(settings, self.comparison.resistances(settings.earphone))
        change = pick_change(self.comparison, settings.earphone, settings.added_ohm, settings.channel)
        alpha = self.comparison.options.alpha
        verdict = judge_change(change, self.comparison.floor, margin_db=settings.margin_db, alpha=alpha)
        words = describe_change(change, verdict)
        drop = say_level_drop(change, verdict)
        said = dict.fromkeys(
            (verdict.sentence, words.sentence, _say_seats(change, verdict), drop)
        )  # without a change, words only repeat the verdict
        sentence = f"{settings.earphone}, {ohms(settings.added_ohm)} added: {' '.join(filter(None, said))}"
        data = hashes(self.comparison.aligned[settings.earphone, ohm] for ohm in (0.0, settings.added_ohm))
        draft = Draft(
            statement=f"{settings.earphone} with {ohms(settings.added_ohm)} added: {verdict.sentence} {drop}",
            quantities=quantities(change, verdict, self.comparison.floor),
            data=data,
            earphone=settings.earphone,
            caveats=verdict.caveats,
        )
        return View(
            charts=(draw_change(change, verdict, smoothing=settings.smoothing, alt_text=sentence),),
            sentence=sentence,
            table=band_table(verdict),
            draft=draft,
        )


@lru_cache(maxsize=256)
def pick_change(comparison: StudyComparison, earphone: str, added_ohm: float, channel: str) -> Change:
    """Give the change of both channels or of one.

    Parameters
    ----------
    comparison : StudyComparison
        The study's changes.
    earphone : str
        The earphone.
    added_ohm : float
        Added resistance [ohm].
    channel : {"both", "left", "right"}
        Channel.

    Returns
    -------
    Change
        With minus without.

    Raises
    ------
    StudyError
        The earphone was not compared at that resistance.
    CurveError
        The channel was not measured.
    """
    if channel == BOTH:
        return comparison.change(earphone, added_ohm)
    options = comparison.options
    return measure_change(
        pick_channel(comparison.aligned[earphone, 0.0], channel),
        pick_channel(comparison.aligned[earphone, added_ohm], channel),
        level_low_hz=options.level_low_hz,
        level_high_hz=options.level_high_hz,
    )


def quantities(change: Change, verdict: Verdict, floor: NoiseFloor) -> tuple[Quantity, ...]:
    """Give the numbers of a finding on a change.

    Parameters
    ----------
    change : Change
        The change.
    verdict : Verdict
        Verdict on it.
    floor : NoiseFloor
        Measurement variation of the study.

    Returns
    -------
    tuple of Quantity
        Largest change, bound, size and level drop, as far as they are known.
    """
    known = np.flatnonzero(verdict.judged & np.isfinite(verdict.half_width_db))
    found = []
    if known.size:
        i = known[np.argmax(np.abs(verdict.change_db[known]))]
        value, half = float(verdict.change_db[i]), float(verdict.half_width_db[i])
        name = f"largest change, at {nominal_frequency(change.bands.mid_hz[i])} Hz"
        found.append(Quantity(name=name, value=value, unit="dB", low=value - half, high=value + half))
    if np.isfinite(verdict.bound_db):
        bound_db = float(ceil_bound(verdict.bound_db))
        found.append(Quantity(name="bound of the change in any band", value=bound_db, unit="dB"))
    found.append(size_quantity(measure_metrics(change, floor, verdict).estimates["size"]))
    if np.isfinite(change.level_drop_db):
        low, high = verdict.level_drop_interval_db or (None, None)
        found.append(Quantity(name="level drop", value=change.level_drop_db, unit="dB", low=low, high=high))
    return tuple(found)


def _say_seats(change: Change, verdict: Verdict) -> str:
    """Say what would tell, where the data cannot."""
    if verdict.word != "cannot tell":
        return ""
    seats = seats_to_tell(verdict, min(change.seats))
    if seats is not None:
        return f"About {seats} seats a channel and condition would tell, if the change stays where it is."
    better = "; adding the resistor without reseating tells more" if change.reseated else ""
    return f"No practicable number of seats would tell{better}."


def _nothing_measured(settings: ChangeSettings, there: tuple[float, ...]) -> View:
    names = ", ".join(ohms(value) for value in there)
    sentence = f"{settings.earphone} was not measured with {ohms(settings.added_ohm)}. It was measured with {names}."
    empty = np.array([20.0, 20_000.0])
    chart = Chart(
        title=f"{settings.earphone}: not measured with {ohms(settings.added_ohm)}",
        alt_text=sentence,
        y_label="Change",
        y_unit="dB",
        y_range=(-5.0, 5.0),
        lines=(Line(x=empty, y=np.full(2, np.nan)),),
    )
    return View(charts=(chart,), sentence=sentence, table=pd.DataFrame({"measured with": [names]}))
