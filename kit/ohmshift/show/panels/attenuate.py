"""Ask for quieter without another sound, and what a shared return wire does to left and right."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.attenuators import PadPower, predict_pad_power
from ohmshift.chain.crosstalk import predict_crosstalk
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.pad_design import PadTable, design_pad, tabulate_pads
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError, StudyError
from ohmshift.show.charts import Chart, Level, Line
from ohmshift.show.drawings import change_range, ohms
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.nothing import UNKNOWN, nothing_to_show
from ohmshift.show.panels.pieces import plain_number
from ohmshift.study.findings import Quantity
from ohmshift.study.impedances import measured_impedance

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.chain.attenuators import PadEffect
    from ohmshift.curves.values import FloatArray
    from ohmshift.study.folder import Study
    from ohmshift.study.impedances import KnownImpedance

USUAL_RATING_W = 0.25
"""What a small resistor of a plug may turn into heat [W]. Common practice, no source."""

_NOTHING_DB = -120.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PadSettings:
    """What the attenuator panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    quieter_db : float
        Attenuation wanted [dB].
    source_below_ohm : float
        The earphone shall see less than this [ohm].
    load_above_ohm : float
        The amplifier shall see more than this [ohm].
    output_ohm : float
        Amplifier output impedance [ohm].
    drive_v : float
        Highest voltage of the amplifier, for the heat in the resistors [V r.m.s.].
    """

    earphone: str
    quieter_db: float = 15.0
    source_below_ohm: float = 5.0
    load_above_ohm: float = 16.0
    output_ohm: float = 0.5
    drive_v: float = 1.0


class PadPanel(Panel[PadSettings]):
    """Design an attenuator of one series and one shunt resistor from E24 values.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the first whose impedance is known.
    known : mapping of str to KnownImpedance, optional
        What is known of each earphone's impedance, recovered ones too; by default the measured ones.
    """

    def __init__(
        self, study: Study, *, earphone: str | None = None, known: Mapping[str, KnownImpedance] | None = None
    ) -> None:
        self.study = study
        self.known = _keep_known(study, known)
        names = list(self.known)
        if not names:
            super().__init__(lambda _: nothing_to_show("Attenuator", UNKNOWN), PadSettings(earphone=""), {})
            return
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to attenuate."),
            "quieter_db": slider("Quieter by", "dB", 1.0, 40.0, 0.5, help_text="Attenuation wanted."),
            "source_below_ohm": slider(
                "Earphone sees less than", "ohm", 0.5, 60.0, 0.5, help_text="Highest source impedance allowed."
            ),
            "load_above_ohm": slider(
                "Amplifier sees more than", "ohm", 0.0, 120.0, 1.0, help_text="Lowest load the amplifier is made for."
            ),
            "output_ohm": slider(
                "Amplifier output impedance", "ohm", 0.0, 50.0, 0.5, help_text="Before the attenuator."
            ),
            "drive_v": slider("Amplifier's highest voltage", "V", 0.1, 10.0, 0.1, help_text="As a sine, without load."),
        }
        super().__init__(self._view, PadSettings(earphone=earphone or names[0]), controls)

    @lru_cache(maxsize=32)  # noqa: B019 - a panel lives as long as its notebook
    def _pads(self, name: str, output_ohm: float) -> PadTable:
        return tabulate_pads(_curve(self.known[name]), amplifier_ohm=output_ohm)

    def _view(self, settings: PadSettings) -> View:
        table = self._pads(settings.earphone, settings.output_ohm)
        try:
            designs = design_pad(
                table,
                quieter_db=settings.quieter_db,
                source_below_ohm=settings.source_below_ohm,
                load_above_ohm=settings.load_above_ohm,
            )
        except CurveError as conflict:
            sentence = f"{settings.earphone}: no attenuator of E24 values does that: {conflict.found}; {conflict.mend}."
            charts = (self._chart(table, None, settings, sentence),)
            return View(charts=charts, sentence=sentence, table=_designs([], []))
        heats = [self._heat(effect, settings) for effect in designs]
        best = designs[0]
        plain = _plain_resistor(table, best.level_drop_db, settings.output_ohm)
        sentence = (
            f"{settings.earphone}: {_say_pad(best)} makes it {-best.level_drop_db:.1f} dB quieter with a tonal change "
            f"up to {np.abs(best.tonal_change_db).max():.2f} dB; a plain resistor as quiet would change it up to "
            f"{np.abs(plain).max():.2f} dB. Taking the attenuator out makes it {-best.level_drop_db:.1f} dB louder: "
            f"turn the volume down first.{_say_heat(heats[0])}{_say_origin(self.known[settings.earphone])}"
        )
        return View(
            charts=(self._chart(table, best, settings, sentence),),
            sentence=sentence,
            table=_designs(designs, heats),
            draft=Draft(
                statement=sentence,
                quantities=(
                    Quantity(name="level drop", value=best.level_drop_db, unit="dB"),
                    Quantity(name="tonal change", value=float(np.abs(best.tonal_change_db).max()), unit="dB"),
                ),
                data=self.study.data_hashes(settings.earphone),
                earphone=settings.earphone,
                caveats=self.known[settings.earphone].caveats,
            ),
        )

    def _heat(self, effect: PadEffect, settings: PadSettings) -> PadPower:
        return predict_pad_power(
            _curve(self.known[settings.earphone]),
            effect.pad,
            drive_v=settings.drive_v,
            source_ohm=settings.output_ohm,
            rating_w=USUAL_RATING_W,
        )

    def _chart(self, table: PadTable, best: PadEffect | None, settings: PadSettings, sentence: str) -> Chart:
        f = table.impedance.frequency_hz
        pad = np.full(f.size, np.nan) if best is None else best.tonal_change_db
        wanted = -settings.quieter_db if best is None else best.level_drop_db
        plain = _plain_resistor(table, wanted, settings.output_ohm)
        widest = _plain_resistor(table, -40.0, settings.output_ohm)
        return Chart(
            title=f"{settings.earphone}: tonal change by an attenuator, and by a plain resistor as quiet",
            alt_text=sentence,
            y_label="Change, level apart",
            y_unit="dB",
            y_range=change_range(widest),
            lines=(
                Line(x=f, y=plain, label="plain resistor", colour=1),
                Line(x=f, y=pad, label="attenuator", colour=0, width=2.8),
            ),
            levels=(Level(y=0.0),),
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CrosstalkSettings:
    """What the crosstalk panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    return_ohm : float
        Resistance that left and right share [ohm].
    series_ohm : float
        Resistance of each side of its own [ohm].
    """

    earphone: str
    return_ohm: float = 1.0
    series_ohm: float = 0.2


class CrosstalkPanel(Panel[CrosstalkSettings]):
    """See how much of one side reaches the other through a shared return wire.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the first whose impedance is known.
    known : mapping of str to KnownImpedance, optional
        What is known of each earphone's impedance, recovered ones too; by default the measured ones.
    """

    def __init__(
        self, study: Study, *, earphone: str | None = None, known: Mapping[str, KnownImpedance] | None = None
    ) -> None:
        self.study = study
        self.known = _keep_known(study, known)
        names = list(self.known)
        if not names:
            super().__init__(lambda _: nothing_to_show("Crosstalk", UNKNOWN), CrosstalkSettings(earphone=""), {})
            return
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone on the cable."),
            "return_ohm": slider(
                "Shared return wire", "ohm", 0.0, 30.0, 0.1, help_text="Resistance that left and right share."
            ),
            "series_ohm": slider("Each side's own", "ohm", 0.0, 30.0, 0.1, help_text="Amplifier and wire of one side."),
        }
        super().__init__(self._view, CrosstalkSettings(earphone=earphone or names[0]), controls)

    def _view(self, settings: CrosstalkSettings) -> View:
        known = self.known[settings.earphone]
        impedance = _curve(known)
        found = predict_crosstalk(impedance, return_ohm=settings.return_ohm, series_ohm=settings.series_ohm)
        f = found.frequency_hz
        crosstalk = np.maximum(found.crosstalk_db, _NOTHING_DB)
        quantities: tuple[Quantity, ...] = ()
        if settings.return_ohm > 0:
            quantities = (Quantity(name="largest crosstalk", value=float(crosstalk.max()), unit="dB"),)
            worst = int(np.argmax(crosstalk))
            level = float(mean_levels(f, found.mono_change_db, low_hz=[200.0], high_hz=[2000.0])[0])
            sentence = (
                f"{settings.earphone}, {ohms(settings.return_ohm)} shared: the idle side plays the driven one along "
                f"at {crosstalk[worst]:.1f} dB or less, most at {f[worst]:.0f} Hz, in opposite "
                f"polarity. What both sides share becomes {-level:.1f} dB quieter, what they do not share "
                f"stays.{_say_origin(known)}"
            )
        else:
            sentence = f"{settings.earphone}: with nothing shared, nothing of one side reaches the other."
        charts = (
            Chart(
                title=f"{settings.earphone}: crosstalk through {ohms(settings.return_ohm)} of shared return wire",
                alt_text=sentence,
                y_label="Idle side re driven side",
                y_unit="dB",
                y_range=(-60.0, 0.0),
                lines=(Line(x=f, y=np.where(crosstalk > _NOTHING_DB, crosstalk, np.nan), label="crosstalk", colour=3),),
            ),
        )
        draft = Draft(
            statement=sentence,
            quantities=quantities,
            data=self.study.data_hashes(settings.earphone),
            earphone=settings.earphone,
            caveats=known.caveats,
        )
        return View(charts=charts, sentence=sentence, table=charts[0].table(), draft=draft)


def _keep_known(study: Study, known: Mapping[str, KnownImpedance] | None) -> dict[str, KnownImpedance]:
    """Keep the earphones whose impedance is known."""
    found = {name: measured_impedance(study, name) for name in study.names} if known is None else known
    return {name: one for name, one in found.items() if one.impedance is not None}


def _curve(known: KnownImpedance) -> Impedance:
    if known.impedance is None:
        raise StudyError(known.label, "it needs an impedance", known.origin, "choose another earphone")
    return on_grid(known.impedance if isinstance(known.impedance, Impedance) else known.impedance.as_impedance())


def _say_origin(known: KnownImpedance) -> str:
    return "" if isinstance(known.impedance, Impedance) else f" Impedance: {known.origin}."


def on_grid(impedance: Impedance) -> Impedance:
    """Bring an impedance onto the common grid from 20 Hz to 20 kHz, as far as it reaches.

    Parameters
    ----------
    impedance : Impedance
        Any.

    Returns
    -------
    Impedance
        At most 480 points.
    """
    low_hz, high_hz = max(20.0, float(impedance.frequency_hz[0])), min(20_000.0, float(impedance.frequency_hz[-1]))
    return resample(impedance, octave_grid(low_hz=low_hz, high_hz=high_hz))


def _plain_resistor(table: PadTable, level_drop_db: float, output_ohm: float) -> FloatArray:
    """Give the tonal change of the plain series resistor with the same level drop."""
    f, Z = table.impedance.frequency_hz, table.impedance.impedance_ohm
    candidates = np.geomspace(0.01, 100_000.0, 400)
    change = divider_change_db(Z, added_ohm=candidates, source_ohm=output_ohm)
    level = mean_levels(f, change, low_hz=[200.0], high_hz=[2000.0])[:, 0]
    R = np.exp(np.interp(-level_drop_db, -level, np.log(candidates)))
    change = divider_change_db(Z, added_ohm=float(R), source_ohm=output_ohm)
    return np.asarray(change - mean_levels(f, change, low_hz=[200.0], high_hz=[2000.0]))


def _say_pad(effect: PadEffect) -> str:
    shunt = "" if np.isinf(effect.pad.shunt_ohm) else f" and {ohms(effect.pad.shunt_ohm)} across the earphone"
    return f"{ohms(effect.pad.series_ohm)} in series{shunt}"


def _say_heat(heat: PadPower) -> str:
    """Caution where a resistor would get too hot."""
    if not heat.caveats:
        return ""
    return f" Caution, with a sine of {heat.drive_v:g} V {' and '.join(heat.caveats)}: take larger ones."


def _designs(designs: Sequence[PadEffect], heats: Sequence[PadPower]) -> pd.DataFrame:
    rows = [
        {
            "series (ohm)": f"{effect.pad.series_ohm:g}",
            "across (ohm)": "none" if np.isinf(effect.pad.shunt_ohm) else f"{effect.pad.shunt_ohm:g}",
            "level (dB)": round(effect.level_drop_db, 1),
            "tonal change up to (dB)": round(float(np.abs(effect.tonal_change_db).max()), 2),
            "earphone sees (ohm)": round(float(np.abs(effect.source_ohm).max()), 1),
            "amplifier sees at least (ohm)": round(effect.lowest_load_ohm, 1),
            "heat in series, across (mW)": ", ".join(plain_number(1000 * watt, 3) for watt in heat.largest_w[:2]),
        }
        for effect, heat in zip(designs, heats, strict=True)
    ]
    columns = ["series (ohm)", "across (ohm)", "level (dB)", "tonal change up to (dB)", "earphone sees (ohm)"]
    return pd.DataFrame(rows, columns=[*columns, "amplifier sees at least (ohm)", "heat in series, across (mW)"])
