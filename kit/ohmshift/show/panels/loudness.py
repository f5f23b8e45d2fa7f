"""Ask how much quieter a resistance makes it, how long one may listen, and warn before it is taken out."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.chain.exposure import FIELD_CAVEAT, GUIDES, say_hours
from ohmshift.chain.listening import LEVEL_STEP
from ohmshift.chain.prediction import predict_change
from ohmshift.errors import StudyError
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.listening_drawings import Jump, draw_exposure, draw_jump, predict_jump
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.cautions import caution_box, caution_html
from ohmshift.show.panels.nothing import nothing_to_show
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import MOST_OHM, ohm_slider, usual_ohm
from ohmshift.study.batch import compare_study
from ohmshift.study.findings import Quantity
from ohmshift.study.listening import know_earphones

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.chain.exposure import Guide
    from ohmshift.chain.listening import Sensitivity
    from ohmshift.chain.prediction import PredictedChange
    from ohmshift.curves.values import FloatArray
    from ohmshift.study.folder import Study
    from ohmshift.study.listening import KnownEarphone

NO_IMPEDANCE = (
    "How much louder it gets without the resistor is not known, since no impedance is: measure one; or measure "
    "responses with and without a known resistance at the same drive voltage (level_reference absolute), or state "
    "rated_ohm in earphones.csv. Until then turn the volume all the way down before you take a resistor out."
)
"""What to say where nothing can be predicted."""

NO_SENSITIVITY = (
    "No earphone has both an impedance and a sensitivity: state sensitivity_db, sensitivity_reference and rated_ohm in "
    "earphones.csv."
)
"""What to say where no level can be given."""

FLAT_CAVEAT = (
    "The level is that of the stated sensitivity, as if the earphone's response were flat; makers measure it at "
    "different frequencies and on different couplers."
)
"""What keeps a sensitivity from being the level in an ear."""

GUIDE_NAMES: dict[str, Guide] = {guide.name: guide for guide in GUIDES}
"""Guidances by name."""

_DAYS_A_WEEK = 7
_DAY_H = 24


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LoudnessSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    added_ohm : float
        The resistance that is in the chain, and may be taken out [ohm].
    output_ohm : float
        Amplifier output impedance [ohm]; the study's cable comes on top.
    level_dba : float
        Level at the ear with the resistance in [dB(A)].
    hours_a_day : float
        How long one listens a day [h].
    guide : str
        Name of the guidance.
    """

    earphone: str
    added_ohm: float
    output_ohm: float
    level_dba: float = 80.0
    hours_a_day: float = 2.0
    guide: str = GUIDES[0].name


def earphones_here(study: Study) -> dict[str, KnownEarphone]:
    """Gather what is known of every earphone for listening, showing how far it is.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    dict of str to KnownEarphone
        In the order of the study.
    """
    comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
    return know_earphones(study, comparison, progress=Progress("Recovering the impedances that nobody measured."))


def choose_usable(earphones: Mapping[str, KnownEarphone], *, sensitivity: bool) -> list[str]:
    """Give the earphones that a question can be put to.

    Parameters
    ----------
    earphones : mapping of str to KnownEarphone
        All of them.
    sensitivity : bool
        Whether the question needs a sensitivity.

    Returns
    -------
    list of str
        Names; empty where none has an impedance, and a sensitivity where that is needed.
    """
    return [
        name
        for name, earphone in earphones.items()
        if earphone.known.impedance is not None and (earphone.sensitivity is not None or not sensitivity)
    ]


def stated_sensitivity(earphone: KnownEarphone) -> Sensitivity:
    """Give an earphone's sensitivity, or say that it is not stated.

    Parameters
    ----------
    earphone : KnownEarphone
        The earphone.

    Returns
    -------
    Sensitivity
        As earphones.csv states it.

    Raises
    ------
    StudyError
        It is not stated: it is not guessed.
    """
    if earphone.sensitivity is None:
        rule, mend = "a level needs a sensitivity", "state it in earphones.csv"
        raise StudyError(earphone.label, rule, earphone.sensitivity_origin, mend)
    return earphone.sensitivity


def list_known(earphones: Mapping[str, KnownEarphone]) -> pd.DataFrame:
    """List what is known of each earphone, and what is missing.

    Parameters
    ----------
    earphones : mapping of str to KnownEarphone
        All of them.

    Returns
    -------
    DataFrame
        One row an earphone: where its impedance and its sensitivity come from, or why there is none. Nothing is
        guessed: without an impedance there is no prediction, without a sensitivity no level.
    """
    rows = [
        {
            "earphone": name,
            "impedance": earphone.known.origin,
            "sensitivity": earphone.sensitivity_origin,
            "can be asked for": _asked_for(earphone),
        }
        for name, earphone in earphones.items()
    ]
    return pd.DataFrame(rows, columns=["earphone", "impedance", "sensitivity", "can be asked for"])


def _asked_for(earphone: KnownEarphone) -> str:
    if earphone.known.impedance is None:
        return "nothing"
    return "loudness only" if earphone.sensitivity is None else "loudness, drive, hiss"


class LoudnessPanel(Panel[LoudnessSettings]):
    """Warn before a resistance is taken out, and say how long one may listen with it and without.

    Parameters
    ----------
    study : Study
        The study.
    earphones : mapping of str to KnownEarphone
        What is known of its earphones.
    earphone : str, optional
        Earphone to start with; by default the one that jumps most.
    """

    children: Any

    def __init__(self, study: Study, earphones: Mapping[str, KnownEarphone], *, earphone: str | None = None) -> None:
        self.study, self.earphones = study, earphones
        names = choose_usable(earphones, sensitivity=False)
        self.warning = caution_box(NO_IMPEDANCE, loud=True)
        if not names:
            nothing = LoudnessSettings(earphone="", added_ohm=0.0, output_ohm=0.0)
            super().__init__(lambda _: nothing_to_show("How much louder", NO_IMPEDANCE), nothing, {})
            self.children = (self.warning, *self.children)
            return
        ohm, source_ohm = usual_ohm(study), study.settings.source_ohm
        first = earphone or max(names, key=lambda name: self._jump(name, ohm, source_ohm).rise_db)
        settings = LoudnessSettings(earphone=first, added_ohm=ohm, output_ohm=source_ohm)
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to listen with."),
            "added_ohm": ohm_slider("Resistance in the chain", 1.0, ohm, help_text="What may come out."),
            "output_ohm": ohm_slider("Amplifier output impedance", 0.2, source_ohm, help_text="The amplifier."),
            "level_dba": slider("Level with it", "dB(A)", 50.0, 110.0, 1.0, help_text="At the ear.", digits=0),
            "hours_a_day": slider("Listening a day", "h", 0.1, 16.0, 0.1, help_text="On every day of the week."),
            "guide": choice("Guidance", list(GUIDE_NAMES), help_text="Published guidance on sound exposure."),
        }
        super().__init__(self._view, settings, controls)
        self._warn()
        self.children = (self.warning, *self.children)

    def jumps(self) -> pd.DataFrame:
        """Say of every earphone how much louder it gets when the resistance is taken out.

        Returns
        -------
        DataFrame
            One row an earphone: loudness, its spread over what is played, the worst at one frequency, and where the
            impedance comes from.
        """
        settings = self.settings
        rows = []
        for name, earphone in self.earphones.items():
            if earphone.known.impedance is None:
                rows.append({"earphone": name, "impedance": earphone.known.origin})
                continue
            jump = self._jump(name, settings.added_ohm, settings.output_ohm)
            rows.append(
                {
                    "earphone": name,
                    "louder by (dB)": f"{jump.rise_db:.1f}",
                    "by what is played (dB)": f"{-jump.loudness.high_db:.1f} to {-jump.loudness.low_db:.1f}",
                    "at most (dB)": f"{jump.worst_db:.1f}",
                    "at": name_frequency(jump.worst_hz),
                    "impedance": earphone.known.origin,
                }
            )
        return pd.DataFrame(rows).fillna("")

    @lru_cache(maxsize=512)  # noqa: B019 - a panel lives as long as its notebook
    def _jump(self, name: str, added_ohm: float, output_ohm: float) -> Jump:
        earphone = self.earphones[name]
        impedance = earphone.known.impedance
        if impedance is None:
            raise StudyError(name, "a prediction needs an impedance", earphone.known.origin, "choose another earphone")
        return predict_jump(
            impedance,
            added_ohm=added_ohm,
            source_ohm=output_ohm + self.study.settings.cable_ohm,
            response_db=earphone.response_db,
            label=name,
        )

    @lru_cache(maxsize=64)  # noqa: B019
    def _widest(self, name: str) -> FloatArray:
        """Give the largest change that the sliders can make."""
        impedance = self.earphones[name].known.impedance
        if impedance is None:
            return np.zeros(1)
        ohm = max(MOST_OHM, usual_ohm(self.study))
        most: PredictedChange = predict_change(impedance, added_ohm=ohm, source_ohm=self.study.settings.cable_ohm)
        return np.minimum(most.change_db, 0.0)

    def _view(self, settings: LoudnessSettings) -> View:
        jump = self._jump(settings.earphone, settings.added_ohm, settings.output_ohm)
        guide = GUIDE_NAMES[settings.guide]
        hours = _hours(settings, guide)
        sentence = f"{jump.warning} {_say_exposure(jump, settings, guide)}"
        earphone = self.earphones[settings.earphone]
        loudness = jump.loudness
        return View(
            charts=(
                draw_jump(jump, widest_db=self._widest(settings.earphone)),
                draw_exposure(jump, level_dba=settings.level_dba, guide=guide, hours=hours),
            ),
            sentence=sentence,
            table=_table(jump, settings),
            draft=Draft(
                statement=sentence,
                quantities=(
                    Quantity(
                        name="louder without the resistance",
                        value=jump.rise_db,
                        unit="dB",
                        low=-loudness.high_db,
                        high=-loudness.low_db,
                    ),
                    Quantity(name="at most, at one frequency", value=jump.worst_db, unit="dB"),
                    Quantity(name="time allowed with it", value=guide.allowed_hours(settings.level_dba), unit="h"),
                ),
                data=self.study.data_hashes(settings.earphone),
                earphone=settings.earphone,
                caveats=(
                    *earphone.known.caveats,
                    FIELD_CAVEAT,
                    f"{guide.name}: {guide.source}.",
                    f"The {LEVEL_STEP}.",
                    "K-weighting and the programme spectrum are conventions, made for loudspeakers.",
                ),
            ),
        )

    def _set(self, settings: LoudnessSettings) -> None:
        super()._set(settings)
        self._warn()

    def _warn(self) -> None:
        """Put the warning on top of the panel."""
        jump = self._jump(self.settings.earphone, self.settings.added_ohm, self.settings.output_ohm)
        self.warning.value = caution_html([jump.warning], loud=True)


def _say_exposure(jump: Jump, settings: LoudnessSettings, guide: Guide) -> str:
    hours = _hours(settings, guide)
    level, after = settings.level_dba, settings.level_dba + jump.rise_dba
    said = f"At {level:.0f} dB(A), {guide.name} allows {_say_allowed(guide, level)}"
    used = f"Your {settings.hours_a_day:g} h a day use up {100 * guide.share(level, hours):.0f} % of that"
    if jump.added_ohm > 0:
        said += (
            f"; with the resistor out and the volume left alone, {jump.rise_dba:.1f} dB more by A-weighting, "
            f"{after:.0f} dB(A), {_say_allowed(guide, after)}"
        )
        used += f", and {100 * guide.share(after, hours):.0f} % with the resistor out"
    return f"{said}. {used}. General information: local rules and hearing professionals come first."


def _table(jump: Jump, settings: LoudnessSettings) -> pd.DataFrame:
    levels = {
        "with the resistor": settings.level_dba,
        "taken out, programme": settings.level_dba + jump.rise_dba,
        "taken out, worst tone": settings.level_dba + jump.worst_db,
    }
    rows = []
    for name, level in levels.items():
        row: dict[str, object] = {"": name, "level (dB(A))": f"{level:.1f}"}
        for guide in GUIDES:
            row[f"{guide.name}: allowed"] = _say_allowed(guide, level)
            row[f"{guide.name}: used"] = f"{100 * guide.share(level, _hours(settings, guide)):.0f} %"
        rows.append(row)
    return pd.DataFrame(rows)


def _say_allowed(guide: Guide, level_dba: float) -> str:
    """Write the time that a guidance allows, no longer than the day or week that it is of."""
    hours = guide.allowed_hours(level_dba)
    whole = _DAY_H * (_DAYS_A_WEEK if guide.period == "week" else 1)
    return f"the whole {guide.period}" if hours >= whole else f"{say_hours(hours)} a {guide.period}"


def _hours(settings: LoudnessSettings, guide: Guide) -> float:
    """Give how long one listens in each period of a guidance [h]."""
    return settings.hours_a_day * (_DAYS_A_WEEK if guide.period == "week" else 1)
