"""Ask whether the divider explains the change, and what other resistances would do."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.chain.crosscheck_wording import say_span
from ohmshift.chain.driver_fitting import DriverFit, fit_driver
from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.prediction import predict_change
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.curves.smoothing import band_levels
from ohmshift.curves.values import Impedance
from ohmshift.evidence.metrics import measure_metrics
from ohmshift.show.drawings import change_range, ohms
from ohmshift.show.explaining import (
    Explanation,
    draw_explanation,
    draw_impedances,
    explanation_quantities,
    explanation_table,
    say_prediction,
)
from ohmshift.show.explaining_further import (
    circuit_table,
    draw_circuit,
    draw_lines,
    lines_table,
    say_circuit,
    say_lines,
)
from ohmshift.show.panels.base import Draft, Panel, View, choice
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import MOST_OHM, hashes, ohm_slider
from ohmshift.study.batch import compare_study
from ohmshift.study.crosschecks import check_divider, check_resistances
from ohmshift.study.impedances import KnownImpedance, measured_impedance, recover_from_changes
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from ohmshift.chain.crosscheck import CrossCheck
    from ohmshift.chain.linearity import LinearityCheck
    from ohmshift.evidence.metrics import Estimate
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.show.charts import Chart
    from ohmshift.study.folder import Study

MEASURED, RECOVERED = "as measured", "as recovered from the responses"

IMPEDANCES, CIRCUIT, RESISTANCES = "impedance", "circuit behind the impedance", "several resistances, no impedance"
"""What the second figure shows."""

_CIRCUIT_POINTS = 12
_KNOWN_TO = {MEASURED: 0.005, RECOVERED: 0.02}

_SLIDER_STEP_OHM = 0.05
_EXPLAINED = "explained by the divider"
_FITS = {True: "yes", False: "no"}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ExplainSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    measured_ohm : float
        Added resistance of the measured change [ohm].
    impedance : {"as measured", "as recovered from the responses"}
        Impedance that the prediction uses; the other one where the first is not known.
    added_ohm : float
        Added resistance of the prediction [ohm].
    output_ohm : float
        Amplifier output impedance of the prediction [ohm]; the study's cable comes on top.
    below : {"impedance", "circuit behind the impedance", "several resistances, no impedance"}
        What the second figure and the table show.
    """

    earphone: str
    measured_ohm: float
    impedance: str
    added_ohm: float
    output_ohm: float
    below: str = IMPEDANCES


class ExplainPanel(Panel[ExplainSettings]):
    """Hold the divider's prediction against the measured change, and recover the impedance from it.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the one that changed most of those with a measured impedance.
    """

    children: Any

    def __init__(self, study: Study, *, earphone: str | None = None) -> None:
        self.study = study
        self.comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
        names = list(dict.fromkeys(name for name, _ in self.comparison.changes))
        ranked = self.comparison.by_size()
        first = earphone or next((name for name in ranked if study.has_impedance(name)), ranked[0])
        common = self.comparison.common_ohm
        resistances = sorted({ohm for _, ohm in self.comparison.changes})
        settings = ExplainSettings(
            earphone=first,
            measured_ohm=common,
            impedance=MEASURED,
            added_ohm=common,
            output_ohm=study.settings.source_ohm,
        )
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to explain."),
            "measured_ohm": choice(
                "Measured with",
                [(ohms(value), value) for value in resistances],
                help_text="The resistance of the measured change.",
            ),
            "impedance": choice("Impedance", [MEASURED, RECOVERED], help_text="What the prediction uses."),
            "below": choice(
                "Second figure",
                [IMPEDANCES, CIRCUIT, RESISTANCES],
                help_text="The impedance, a driver's circuit fitted to it, or whether one fits all resistances.",
            ),
            "added_ohm": ohm_slider(
                "Added resistance", 1.0, *resistances, help_text="The resistance that the prediction adds."
            ),
            "output_ohm": ohm_slider(
                "Amplifier output impedance", 0.2, settings.output_ohm, help_text="Before anything is added."
            ),
        }
        self.fitting = Progress("Fitting a driver's circuit.", within=True)
        super().__init__(self._view, settings, controls)
        above, *below = self.children
        self.children = (above, self.fitting, *below)

    def limits(self, *, tolerance_db: float = 1.0) -> pd.DataFrame:
        """Give the highest source impedance of every earphone with a measured impedance.

        Parameters
        ----------
        tolerance_db : float
            Largest tonal change allowed [dB].

        Returns
        -------
        DataFrame
            One row an earphone: lowest impedance, and the highest source impedance.
        """
        rows = []
        for name in self.study.names:
            impedance = self._measured(name).impedance
            if impedance is None:
                continue
            limit = highest_source_ohm(impedance, tolerance_db=tolerance_db)
            rows.append(
                {
                    "earphone": name,
                    "lowest impedance (ohm)": round(float(np.abs(impedance.impedance_ohm).min()), 1),
                    f"highest source for {tolerance_db:g} dB (ohm)": say_limit(limit.source_ohm),
                    "reached first at (Hz)": nominal_frequency(limit.worst_hz),
                }
            )
        return pd.DataFrame(rows)

    def cross_checks(self) -> pd.DataFrame:
        """Say of every earphone with a measured impedance whether the divider explains its change.

        Returns
        -------
        DataFrame
            One row an earphone, at the panel's resistance: word, resistance by the acoustics, likeness of what is left.
        """
        rows = []
        for name in self.study.names:
            check = self._check(name, self.settings.measured_ohm)
            if check is None:
                continue
            interval = check.resistance_interval_ohm
            rows.append(
                {
                    "earphone": name,
                    "verdict": check.word,
                    "stated resistance fits": _FITS[check.agrees] if check.word == _EXPLAINED else "",
                    "resistance by the acoustics (ohm)": "" if interval is None else f"{check.resistance_ohm:.1f}",
                    "95 % interval (ohm)": "" if interval is None else say_span(interval),
                    "what is left looks like": "; ".join(name for name, _ in check.looks_like),
                }
            )
        return pd.DataFrame(rows)

    @lru_cache(maxsize=256)  # noqa: B019 - a panel lives as long as its notebook
    def _measured(self, name: str) -> KnownImpedance:
        return measured_impedance(self.study, name)

    @lru_cache(maxsize=256)  # noqa: B019
    def _recovered(self, name: str) -> KnownImpedance:
        return recover_from_changes(self.study, self.comparison, name)

    @lru_cache(maxsize=256)  # noqa: B019
    def _check(self, name: str, measured_ohm: float) -> CrossCheck | None:
        measured = self._measured(name).impedance
        if not isinstance(measured, Impedance) or (name, measured_ohm) not in self.comparison.changes:
            return None
        return check_divider(self.comparison, measured, measured_ohm)

    def _view(self, settings: ExplainSettings) -> View:
        name, measured_ohm, instead = settings.earphone, settings.measured_ohm, ""
        if (name, measured_ohm) not in self.comparison.changes:
            instead = f" {name} was not measured with {ohms(measured_ohm)}."
            measured_ohm = self.comparison.resistances(name)[0]
        pair = self._explain(name, measured_ohm, settings)
        chart, further, table = self._below(pair, settings)
        sentence = say_prediction(
            pair,
            added_ohm=settings.added_ohm,
            output_ohm=settings.output_ohm,
            matches=self._matches(settings, measured_ohm),
        )
        sentence = f"{sentence}{instead} {further}".rstrip()
        caveats = (*pair.verdict.caveats, *pair.used.caveats, *(() if pair.check is None else pair.check.caveats))
        return View(
            charts=(draw_explanation(pair, sentence, self._reach(name)), chart),
            sentence=sentence,
            table=table,
            draft=Draft(
                statement=sentence,
                quantities=explanation_quantities(pair, self._size(name, measured_ohm)),
                data=self._hashes(name, measured_ohm),
                earphone=name,
                caveats=tuple(dict.fromkeys(caveats)),
            ),
        )

    @lru_cache(maxsize=64)  # noqa: B019
    def _size(self, name: str, measured_ohm: float) -> Estimate:
        change, verdict = self.comparison.change(name, measured_ohm), self._verdict(name, measured_ohm)
        return measure_metrics(change, self.comparison.floor, verdict).estimates["size"]

    def _below(self, pair: Explanation, settings: ExplainSettings) -> tuple[Chart, str, pd.DataFrame]:
        """Give the second chart, what it adds to the sentence, and the table."""
        name = settings.earphone
        if settings.below == RESISTANCES:
            lines = self._lines(name)
            said = say_lines(pair.recovered, lines)
            table = explanation_table(pair) if lines is None else lines_table(lines)
            return draw_lines(name, lines, said), said, table
        impedances = self._impedances(name)
        if settings.below == CIRCUIT:
            source = RECOVERED if pair.used is pair.recovered else MEASURED
            fit = self._circuit(name, source)
            chart = draw_circuit(impedances, fit, source=source)
            return chart, "" if fit is None else say_circuit(fit), circuit_table(fit)
        return impedances, "", explanation_table(pair)

    @lru_cache(maxsize=64)  # noqa: B019
    def _impedances(self, name: str) -> Chart:
        return draw_impedances(self._measured(name), self._recovered(name))

    @lru_cache(maxsize=64)  # noqa: B019
    def _verdict(self, name: str, measured_ohm: float) -> Verdict:
        return self.comparison.verdict(name, measured_ohm)

    @lru_cache(maxsize=64)  # noqa: B019
    def _hashes(self, name: str, measured_ohm: float) -> dict[str, str]:
        rows = self.study.measurements
        rows = rows[(rows["earphone"] == name) & (rows["quantity"] == "impedance")]
        known = {str(file): self.study.curves[str(file)].provenance.sha256 for file in rows["file"]}
        return {**hashes(self.comparison.aligned[name, ohm] for ohm in (0.0, measured_ohm)), **known}

    @lru_cache(maxsize=64)  # noqa: B019
    def _circuit(self, name: str, source: str) -> DriverFit | None:
        """Fit a driver's circuit, on 12 points an octave: more would not say more, and take longer."""
        known = (self._recovered if source == RECOVERED else self._measured)(name).impedance
        if known is None:
            return None
        curve = known if isinstance(known, Impedance) else known.as_impedance()
        f = curve.frequency_hz
        grid = octave_grid(_CIRCUIT_POINTS, low_hz=float(f[0]), high_hz=float(f[-1]))
        known_to = _KNOWN_TO[source]
        return fit_driver(resample(curve, grid), most_resonances=4, smallest_error=known_to, progress=self.fitting)

    @lru_cache(maxsize=64)  # noqa: B019
    def _lines(self, name: str) -> LinearityCheck | None:
        return check_resistances(self.study, self.comparison, name)

    def _explain(self, name: str, measured_ohm: float, settings: ExplainSettings) -> Explanation:
        change = self.comparison.change(name, measured_ohm)
        measured, recovered = self._measured(name), self._recovered(name)
        wanted, other = (measured, recovered) if settings.impedance == MEASURED else (recovered, measured)
        used = other if wanted.impedance is None else wanted
        predicted, bands = None, np.full(len(change.bands), np.nan)
        if used.impedance is not None:
            source_ohm = settings.output_ohm + self.study.settings.cable_ohm
            predicted = predict_change(used.impedance, added_ohm=settings.added_ohm, source_ohm=source_ohm)
            bands = band_levels(predicted.frequency_hz, predicted.tonal_change_db, change.bands)
        return Explanation(
            change=change,
            verdict=self._verdict(name, measured_ohm),
            measured=measured,
            recovered=recovered,
            used=used,
            predicted=predicted,
            predicted_band_db=bands,
            check=self._check(name, measured_ohm),
        )

    @lru_cache(maxsize=256)  # noqa: B019
    def _reach(self, name: str) -> tuple[float, float]:
        """Give a vertical range that holds every measured change, and the sliders' largest predicted one."""
        measured = self.comparison.resistances(name)
        changes = [self.comparison.change(name, ohm).band_change_db for ohm in measured]
        most_ohm, cable_ohm = max(MOST_OHM, *measured), self.study.settings.cable_ohm
        for known in (self._measured(name), self._recovered(name)):
            if known.impedance is not None:
                largest = predict_change(known.impedance, added_ohm=most_ohm, source_ohm=cable_ohm)
                changes.append(largest.tonal_change_db)
        return change_range(*changes)

    def _matches(self, settings: ExplainSettings, measured_ohm: float) -> bool:
        measured_source = self.comparison.aligned[settings.earphone, measured_ohm].source_ohm
        asked = settings.output_ohm + self.study.settings.cable_ohm
        return settings.added_ohm == measured_ohm and abs(asked - measured_source) < _SLIDER_STEP_OHM


def say_limit(source_ohm: float) -> str:
    """Write a highest source impedance.

    Parameters
    ----------
    source_ohm : float
        Resistance [ohm], infinite where no limit was found.

    Returns
    -------
    str
        Number, or "no limit up to 1000".
    """
    return f"{source_ohm:.1f}" if np.isfinite(source_ohm) else "no limit up to 1000"
