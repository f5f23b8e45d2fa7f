"""Ask what any other amplifier, cable or resistor will do, and how high a source impedance may be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.divider_plan import plan_divider
from ohmshift.chain.limits import SourceLimit, highest_source_ohm
from ohmshift.chain.prediction import PredictedChange, predict_change
from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.errors import StudyError
from ohmshift.show.charts import Band, Chart, Level, Line
from ohmshift.show.drawings import change_range, ohms
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.nothing import UNKNOWN, nothing_to_show
from ohmshift.show.panels.opening import Progress
from ohmshift.study.batch import compare_study
from ohmshift.study.bounds import SourceBounds, bound_source
from ohmshift.study.findings import Quantity
from ohmshift.study.impedances import KnownImpedance, know_impedance
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import ComplexArray, FloatArray
    from ohmshift.study.folder import Study

SLIDER = "as the slider says"
SOURCES: dict[str, tuple[float, float, float]] = {
    SLIDER: (np.nan, np.inf, 0.0),
    "dedicated headphone output, 0.1 ohm": (0.1, np.inf, 0.0),
    "phone or small adapter, 1 ohm": (1.0, np.inf, 0.0),
    "small player, 5 ohm": (5.0, np.inf, 0.0),
    "recording interface, 33 ohm": (33.0, np.inf, 0.0),
    "output through a capacitor, 10 ohm and 220 µF": (10.0, 220e-6, 0.0),
    "switching amplifier behind its filter coil, 0.2 ohm and 22 µH": (0.2, np.inf, 22e-6),
    "120 ohm, as IEC 61938 had it up to 2013": (120.0, np.inf, 0.0),
    "loudspeaker amplifier's socket behind resistors, 330 ohm": (330.0, np.inf, 0.0),
}
"""Sources by common practice, no product: resistance [ohm], output capacitor [F], infinite for none, and coil [H]."""

FROM_ZERO, FROM_STUDY = "a source of 0 ohm", "this study's amplifier and cable"
HIDDEN, SHOWN = "hidden", "shown"

FAMILY_OHM = (1.0, 5.0, 15.0, 33.0, 75.0, 120.0)
"""Total source resistances drawn beside the chosen one [ohm]."""

_LARGEST_OHM = 1000.0
_SEARCH_OHM = np.geomspace(0.1, _LARGEST_OHM, 240)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    source : str
        One of the common sources, or "as the slider says".
    output_ohm : float
        Amplifier output impedance [ohm], where the slider says.
    added_ohm : float
        Resistance added in the cable [ohm].
    tolerance_db : float
        Largest tonal change that would not matter [dB].
    start : {"a source of 0 ohm", "this study's amplifier and cable"}
        Source that changes are counted from.
    hard_limits : {"hidden", "shown"}
        Whether limits for any passive load are drawn.
    """

    earphone: str
    source: str
    output_ohm: float
    added_ohm: float
    tolerance_db: float
    start: str = FROM_ZERO
    hard_limits: str = HIDDEN

    def source_ohm(self, frequency_hz: FloatArray) -> ComplexArray:
        """Give the whole source impedance: amplifier, its output capacitor or coil, and the resistance added.

        Parameters
        ----------
        frequency_hz : ndarray, shape (n,)
            Frequency [Hz].

        Returns
        -------
        ndarray of complex, shape (n,)
            Source impedance [ohm].
        """
        R_0, C, L = SOURCES[self.source]
        resistance = (self.output_ohm if self.source == SLIDER else R_0) + self.added_ohm
        w = 2 * np.pi * frequency_hz
        return np.asarray(resistance + 1j * (w * L - (0.0 if np.isinf(C) else 1 / (w * C))), dtype=np.complex128)


class AnySourcePanel(Panel[SourceSettings]):
    """Predict an earphone behind any source, from its measured or recovered impedance.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the one that changed most.
    """

    def __init__(self, study: Study, *, earphone: str | None = None) -> None:
        self.study = study
        self.comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
        names = list(dict.fromkeys(name for name, _ in self.comparison.changes))
        progress = Progress("Recovering the impedances that nobody measured.")
        self.known: dict[str, KnownImpedance] = {
            name: know_impedance(study, self.comparison, name) for name in progress(names)
        }
        names = [name for name in names if self.known[name].impedance is not None]
        ranked = [name for name in self.comparison.by_size() if name in names]
        first = earphone or next(iter(ranked), "")
        settings = SourceSettings(earphone=first, source=SLIDER, output_ohm=10.0, added_ohm=0.0, tolerance_db=1.0)
        if not first:
            super().__init__(lambda _: nothing_to_show("Any source", UNKNOWN), settings, {})
            return
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to predict."),
            "source": choice("Source", list(SOURCES), help_text="Common sources, by common practice."),
            "output_ohm": slider(
                "Amplifier output impedance", "ohm", 0.0, 150.0, 0.5, help_text="Where the slider says."
            ),
            "added_ohm": slider(
                "Added resistance", "ohm", 0.0, _LARGEST_OHM, 1.0, help_text="In the cable, on top of the amplifier."
            ),
            "tolerance_db": slider(
                "Tolerance", "dB", 0.2, 3.0, 0.1, help_text="The largest tonal change that would not matter to you."
            ),
            "start": choice("Counted from", [FROM_ZERO, FROM_STUDY], help_text="The source that changes start from."),
            "hard_limits": choice(
                "Limits for any passive load",
                [HIDDEN, SHOWN],
                help_text="What the level measured with a resistance alone allows, without any impedance or phase.",
            ),
        }
        super().__init__(self._view, settings, controls)

    def limits(self) -> pd.DataFrame:
        """Give the highest source impedance of every earphone at the panel's tolerance.

        Returns
        -------
        DataFrame
            One row an earphone: where its impedance comes from, the limit and its interval.
        """
        tolerance_db = self.settings.tolerance_db
        rows = []
        for name, known in self.known.items():
            if known.impedance is None:
                rows.append({"earphone": name, "impedance": known.origin})
                continue
            limit = self._limit(name, tolerance_db, self._start_ohm(name, self.settings))
            rows.append(
                {
                    "earphone": name,
                    "impedance": known.origin,
                    f"highest source for {tolerance_db:g} dB (ohm)": _say(limit.source_ohm),
                    "95 % interval (ohm)": _say_interval(limit),
                    "reached first at (Hz)": nominal_frequency(limit.worst_hz) if np.isfinite(limit.source_ohm) else "",
                }
            )
        return pd.DataFrame(rows).fillna("")

    def _start_ohm(self, name: str, settings: SourceSettings) -> float:
        return 0.0 if settings.start == FROM_ZERO else self.comparison.aligned[name, 0.0].source_ohm

    @lru_cache(maxsize=64)  # noqa: B019 - a panel lives as long as its notebook
    def _behind(self, name: str, start_ohm: float) -> tuple[FloatArray, FloatArray]:
        """Give the tonal changes of the family and of the largest resistance, and the largest change of the search."""
        f = self.known[name].frequency_hz
        plan = plan_divider(self.known[name].ohms)
        start_db = np.asarray(plan.change_db([start_ohm]), dtype=np.float64)
        searched = np.abs(_tonal(f, plan.change_db(_SEARCH_OHM) - start_db))
        inside = (f >= 20) & (f <= 20_000)  # noqa: PLR2004 - the audible band
        family = _tonal(f, plan.change_db([*FAMILY_OHM, _LARGEST_OHM]) - start_db)
        return family, np.asarray(searched[:, inside].max(axis=1))

    @lru_cache(maxsize=512)  # noqa: B019
    def _limit(self, name: str, tolerance_db: float, start_ohm: float) -> SourceLimit:
        impedance = self.known[name].impedance
        if impedance is None:
            raise StudyError(name, "a limit needs an impedance", self.known[name].origin, "choose another earphone")
        return highest_source_ohm(impedance, tolerance_db=tolerance_db, start_ohm=start_ohm)

    def _bounds(self, settings: SourceSettings) -> SourceBounds | None:
        """Give the limits for any passive load, where they are asked for and the source is a resistance."""
        source = settings.source_ohm(np.array([1000.0]))[0]
        if settings.hard_limits == HIDDEN or source.imag != 0:
            return None
        return bound_source(
            self.study,
            self.comparison,
            settings.earphone,
            target_ohm=float(source.real),
            start_ohm=self._start_ohm(settings.earphone, settings),
        )

    def _set(self, settings: SourceSettings) -> None:
        super()._set(settings)
        self.controls["output_ohm"].disabled = settings.source != SLIDER

    def _view(self, settings: SourceSettings) -> View:
        known = self.known[settings.earphone]
        impedance = known.impedance
        if impedance is None:
            raise StudyError(
                settings.earphone, "a prediction needs an impedance", known.origin, "choose another earphone"
            )
        start_ohm = self._start_ohm(settings.earphone, settings)
        source_ohm = settings.source_ohm(impedance.frequency_hz)
        prediction = predict_change(impedance, source_ohm=source_ohm, start_ohm=start_ohm)
        limit = self._limit(settings.earphone, settings.tolerance_db, start_ohm)
        bounds = self._bounds(settings)
        largest = float(np.abs(prediction.tonal_change_db).max())
        verb = "keeps within" if largest <= settings.tolerance_db else "exceeds"
        sentence = (
            f"{settings.earphone} behind {_name_source(settings)}: level {prediction.level_drop_db:+.1f} dB against a "
            f"source of {ohms(start_ohm)}, tonal change up to {largest:.1f} dB, which {verb} {settings.tolerance_db:g} "
            f"dB. Highest source impedance for {settings.tolerance_db:g} dB: {_say(limit.source_ohm)} ohm"
            f"{_say_interval(limit, before=' (95 %: ', after=')')}. Impedance: {known.origin}."
            f"{_say_bounds(settings, bounds)}"
        )
        return View(
            charts=(
                self._draw_family(known, prediction, bounds, settings, sentence=sentence),
                self._draw_search(known, settings),
            ),
            sentence=sentence,
            table=_table(prediction),
            draft=Draft(
                statement=sentence,
                quantities=_quantities(prediction, limit),
                data=self.study.data_hashes(settings.earphone),
                earphone=settings.earphone,
                caveats=known.caveats,
            ),
        )

    def _draw_family(
        self,
        known: KnownImpedance,
        prediction: PredictedChange,
        bounds: SourceBounds | None,
        settings: SourceSettings,
        *,
        sentence: str,
    ) -> Chart:
        f = prediction.frequency_hz
        *family, widest = self._behind(known.label, self._start_ohm(known.label, settings))[0]
        lines = [
            Line(x=f, y=y, label=ohms(ohm), colour=2, width=1.0, opacity=0.7, dash="solid")
            for ohm, y in zip(FAMILY_OHM, family, strict=True)
        ]
        lines.append(Line(x=f, y=prediction.tonal_change_db, label="chosen source", colour=1, width=2.8, dash="solid"))
        return Chart(
            title=f"{settings.earphone}: tonal change behind sources of different impedance, level apart",
            alt_text=sentence,
            y_label="Change",
            y_unit="dB",
            y_range=(reach := change_range(*family, widest)),
            lines=tuple(lines),
            bands=(
                Band(x=f, low=prediction.tonal_low_db, high=prediction.tonal_high_db, label="95 % interval", colour=1),
                *_limit_band(bounds, reach),
            ),
            levels=(Level(y=settings.tolerance_db), Level(y=-settings.tolerance_db), Level(y=0.0)),
        )

    def _draw_search(self, known: KnownImpedance, settings: SourceSettings) -> Chart:
        largest = self._behind(known.label, self._start_ohm(known.label, settings))[1]
        return Chart(
            title=f"{settings.earphone}: largest tonal change against the source's resistance",
            alt_text=f"The largest tonal change grows to {largest[-1]:.1f} dB at {ohms(_SEARCH_OHM[-1])}.",
            y_label="Largest change",
            y_unit="dB",
            scale="linear",
            x_label="Source resistance",
            x_unit="ohm",
            x_range=(0.1, _LARGEST_OHM),
            y_range=(0.0, max(2.0, float(np.ceil(largest.max())))),
            lines=(Line(x=_SEARCH_OHM, y=largest, label="largest change", colour=1),),
            levels=(Level(y=settings.tolerance_db, label="tolerance"),),
        )


def _name_source(settings: SourceSettings) -> str:
    if settings.source == SLIDER:
        return ohms(settings.output_ohm + settings.added_ohm)
    added = f" with {ohms(settings.added_ohm)} added" if settings.added_ohm else ""
    return f'"{settings.source}"{added}'


def _quantities(prediction: PredictedChange, limit: SourceLimit) -> tuple[Quantity, ...]:
    largest = float(np.abs(prediction.tonal_change_db).max())
    found = [
        Quantity(name="largest tonal change", value=largest, unit="dB"),
        Quantity(name="level drop", value=prediction.level_drop_db, unit="dB"),
    ]
    if np.isfinite(limit.source_ohm):
        known = np.isfinite(limit.high_ohm) and limit.low_ohm < limit.high_ohm
        low, high = (limit.low_ohm, limit.high_ohm) if known else (None, None)
        name = "highest source impedance"
        found.append(Quantity(name=name, value=limit.source_ohm, unit="ohm", low=low, high=high))
    return tuple(found)


def _limit_band(bounds: SourceBounds | None, reach: tuple[float, float]) -> tuple[Band, ...]:
    if bounds is None:
        return ()
    low, high = (np.clip(edge, *reach) for edge in (bounds.tonal_low_db, bounds.tonal_high_db))
    return (Band(x=bounds.frequency_hz, low=low, high=high, label="any passive load", colour=2, opacity=0.15),)


def _say_bounds(settings: SourceSettings, bounds: SourceBounds | None) -> str:
    if settings.hard_limits == HIDDEN:
        return ""
    if bounds is None:
        return " Limits for any passive load need a resistive source and a measured change whose level was kept."
    f = bounds.frequency_hz
    inside = (f >= 20) & (f <= 20_000)  # noqa: PLR2004 - the audible band
    low, high = bounds.tonal_low_db[inside].min(), bounds.tonal_high_db[inside].max()
    return (
        f" Without any impedance, from the level measured with {ohms(bounds.added_ohm)} alone, no passive load could "
        f"make the tonal change fall below {low:+.1f} or rise above {high:+.1f} dB."
    )


def _tonal(f: FloatArray, change_db: npt.ArrayLike) -> FloatArray:
    change_db = np.asarray(change_db, dtype=np.float64)
    return np.asarray(change_db - mean_levels(f, change_db, low_hz=[200.0], high_hz=[2000.0]))


def _table(prediction: PredictedChange) -> pd.DataFrame:
    bands = fractional_octave_bands(3)
    columns = {
        "change (dB)": prediction.tonal_change_db,
        "low (dB)": prediction.tonal_low_db,
        "high (dB)": prediction.tonal_high_db,
    }
    table = {
        name: band_levels(prediction.frequency_hz, values, bands).round(1) + 0.0 for name, values in columns.items()
    }
    frequency = [nominal_frequency(value) for value in bands.mid_hz]
    return pd.DataFrame({"Frequency (Hz)": frequency, **table}).dropna().reset_index(drop=True)


def _say(ohm: float) -> str:
    return f"{ohm:.1f}" if np.isfinite(ohm) else f"above {_LARGEST_OHM:g}"


def _say_interval(limit: SourceLimit, *, before: str = "", after: str = "") -> str:
    """Write the interval of a limit; nothing where the impedance was measured, since its error is not known."""
    if limit.low_ohm == limit.high_ohm:
        return ""
    return f"{before}{_say(limit.low_ohm)} to {_say(limit.high_ohm)}{after}"
