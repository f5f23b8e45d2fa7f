"""Ask what a level takes from an amplifier and its battery, with a resistance and without."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.drive import HEADROOM_DB, Amplifier, Drive, Runtime, estimate_runtime, find_drive, judge_drive
from ohmshift.chain.exposure import WHO_ADULTS, say_hours
from ohmshift.chain.listening import PLAYER_LIMIT, PLAYER_LIMIT_LOAD_OHM
from ohmshift.chain.loudness import weighted_change_db
from ohmshift.show.drawings import ohms
from ohmshift.show.listening_drawings import draw_drive
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.loudness import FLAT_CAVEAT, NO_SENSITIVITY, choose_usable, stated_sensitivity
from ohmshift.show.panels.nothing import nothing_to_show
from ohmshift.show.panels.pieces import ohm_slider, plain_number, usual_ohm
from ohmshift.study.findings import Quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.chain.drive import DriveVerdict
    from ohmshift.study.folder import Study
    from ohmshift.study.listening import KnownEarphone

LOUD_DB = 85.0
"""Level beyond which the panel says how long one may listen [dB]."""

_DRIVE_CAVEATS = (
    "The headroom is a choice; common practice takes about 12 dB.",
    "Run times are estimates: real amplifiers lie between the two that are given.",
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DriveSettings:
    """What the drive panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    level_db : float
        Level wanted at the ear [dB].
    headroom_db : float
        Peaks above it [dB].
    added_ohm : float
        Resistance added [ohm].
    output_ohm : float
        Amplifier output impedance [ohm]; the study's cable comes on top.
    highest_v : float
        The amplifier's highest voltage [V r.m.s.].
    highest_ma : float
        Its highest current, peak [mA].
    supply_v : float
        Its supply, from rail to rail [V].
    battery_wh : float
        Energy of its battery [Wh].
    idle_mw : float
        What the player takes with nothing to drive [mW].
    """

    earphone: str
    level_db: float = 85.0
    headroom_db: float = HEADROOM_DB
    added_ohm: float = 15.0
    output_ohm: float = 0.6
    highest_v: float = 1.0
    highest_ma: float = 50.0
    supply_v: float = 3.6
    battery_wh: float = 4.0
    idle_mw: float = 150.0


class DrivePanel(Panel[DriveSettings]):
    """Say what voltage, current and power a level takes, whether an amplifier has it, and what a battery pays.

    Parameters
    ----------
    study : Study
        The study.
    earphones : mapping of str to KnownEarphone
        What is known of its earphones.
    earphone : str, optional
        Earphone to start with; by default the first with impedance and sensitivity.
    """

    def __init__(self, study: Study, earphones: Mapping[str, KnownEarphone], *, earphone: str | None = None) -> None:
        self.study, self.earphones = study, earphones
        names = choose_usable(earphones, sensitivity=True)
        if not names:
            nothing = DriveSettings(earphone="")
            super().__init__(lambda _: nothing_to_show("Drive", NO_SENSITIVITY), nothing, {})
            return
        added_ohm, output_ohm = usual_ohm(study), study.settings.source_ohm
        settings = DriveSettings(earphone=earphone or names[0], added_ohm=added_ohm, output_ohm=output_ohm)
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to drive."),
            "level_db": slider("Level at the ear", "dB", 50.0, 120.0, 1.0, help_text="Programme.", digits=0),
            "headroom_db": slider("Headroom for peaks", "dB", 0.0, 24.0, 1.0, help_text="Above it.", digits=0),
            "added_ohm": ohm_slider("Added resistance", 1.0, added_ohm, help_text="In series."),
            "output_ohm": ohm_slider("Amplifier output impedance", 0.2, output_ohm, help_text="The amplifier."),
            "highest_v": slider("Amplifier, highest voltage", "V", 0.1, 10.0, 0.1, help_text="As a sine, r.m.s."),
            "highest_ma": slider("Amplifier, highest current", "mA", 5.0, 500.0, 5.0, help_text="Peak.", digits=0),
            "supply_v": slider("Amplifier, supply", "V", 1.0, 30.0, 0.1, help_text="From rail to rail."),
            "battery_wh": slider("Battery", "Wh", 0.2, 20.0, 0.1, help_text="Its energy."),
            "idle_mw": slider("Player without a load", "mW", 5.0, 1000.0, 5.0, help_text="What it takes.", digits=0),
        }
        super().__init__(self._view, settings, controls)

    def drives(self) -> pd.DataFrame:
        """Say of every earphone what the level takes with the resistance and without.

        Returns
        -------
        DataFrame
            One row an earphone: source voltage and current at the peaks, power in the resistor, and whether the
            amplifier can.
        """
        rows = []
        for name in choose_usable(self.earphones, sensitivity=True):
            without, with_added = self._pair(name, self.settings)
            rows.append(
                {
                    "earphone": name,
                    "peaks without (V)": f"{without.peak_v:.3f}",
                    "with (V)": f"{with_added.peak_v:.3f}",
                    "peaks without (mA)": f"{1000 * without.peak_a:.1f}",
                    "with (mA)": f"{1000 * with_added.peak_a:.1f}",
                    "power in the resistor (mW)": plain_number(1000 * with_added.added_w, 3),
                    "amplifier without": judge_drive(without, _amplifier(self.settings)).word,
                    "with": judge_drive(with_added, _amplifier(self.settings)).word,
                }
            )
        return pd.DataFrame(rows)

    def _pair(self, name: str, settings: DriveSettings) -> tuple[Drive, Drive]:
        earphone = self.earphones[name]
        f, Z = earphone.frequency_hz, earphone.known.ohms
        without, with_added = (
            find_drive(
                f,
                Z,
                sensitivity=stated_sensitivity(earphone),
                level_db=settings.level_db,
                output_ohm=settings.output_ohm + self.study.settings.cable_ohm,
                added_ohm=added,
                headroom_db=settings.headroom_db,
            )
            for added in (0.0, settings.added_ohm)
        )
        return without, with_added

    def _view(self, settings: DriveSettings) -> View:
        earphone = self.earphones[settings.earphone]
        without, with_added = self._pair(settings.earphone, settings)
        verdicts = [judge_drive(drive, _amplifier(settings)) for drive in (without, with_added)]
        runtimes = [
            estimate_runtime(
                drive, battery_wh=settings.battery_wh, idle_w=settings.idle_mw / 1000, supply_v=settings.supply_v
            )
            for drive in (without, with_added)
        ]
        sentence = _say_drive(settings, (without, with_added), verdicts, runtimes)
        whole = settings.output_ohm + self.study.settings.cable_ohm
        drives = {"without": (without, whole), "with": (with_added, whole + settings.added_ohm)}
        chart = draw_drive(
            earphone.frequency_hz,
            earphone.known.ohms,
            drives,
            amplifier=_amplifier(settings),
            label=settings.earphone,
            alt_text=sentence,
        )
        return View(
            charts=(chart,),
            sentence=sentence,
            table=self._table(settings, (without, with_added), verdicts, runtimes),
            draft=Draft(
                statement=sentence,
                quantities=(
                    Quantity(name="source voltage at the peaks", value=with_added.peak_v, unit="V"),
                    Quantity(name="current at the peaks", value=1000 * with_added.peak_a, unit="mA"),
                    Quantity(name="power in the resistor", value=1000 * with_added.added_w, unit="mW"),
                ),
                data=self.study.data_hashes(settings.earphone),
                earphone=settings.earphone,
                caveats=(*earphone.known.caveats, FLAT_CAVEAT, *_DRIVE_CAVEATS),
            ),
        )

    def _table(
        self,
        settings: DriveSettings,
        drives: tuple[Drive, Drive],
        verdicts: list[DriveVerdict],
        runtimes: list[Runtime],
    ) -> pd.DataFrame:
        earphone = self.earphones[settings.earphone]
        limited = [self._limited_db(earphone, settings, added) for added in (0.0, settings.added_ohm)]
        rows: dict[str, list[str]] = {
            "voltage at the earphone (mV r.m.s.)": [plain_number(1000 * drive.earphone_v, 3) for drive in drives],
            "source voltage (mV r.m.s.)": [plain_number(1000 * drive.source_v, 3) for drive in drives],
            "source voltage at the peaks (V)": [plain_number(drive.peak_v, 3) for drive in drives],
            "current (mA r.m.s.)": [plain_number(1000 * drive.current_a, 3) for drive in drives],
            "current at the peaks (mA)": [plain_number(1000 * drive.peak_a, 3) for drive in drives],
            "current of a peak at the lowest impedance (mA)": [plain_number(1000 * one.highest_a, 3) for one in drives],
            "lowest load on the amplifier (ohm)": [f"{drive.load_ohm:.1f}" for drive in drives],
            "power in the earphone (mW)": [plain_number(1000 * drive.earphone_w, 3) for drive in drives],
            "power in the added resistor (mW)": [plain_number(1000 * drive.added_w, 3) for drive in drives],
            "amplifier": [str(verdict.word) for verdict in verdicts],
            "room left (dB)": [f"{verdict.room_db:.1f}" for verdict in verdicts],
            "run time, fixed rails (h)": [f"{runtime.plain_h:.1f}" for runtime in runtimes],
            "run time, no losses (h)": [f"{runtime.thrifty_h:.1f}" for runtime in runtimes],
            "level at a player's limit, 150 mV into 32 ohm (dB)": [f"{level:.0f}" for level in limited],
        }
        names = ["without", f"with {ohms(settings.added_ohm)}"]
        return pd.DataFrame([{"": what, **dict(zip(names, pair, strict=True))} for what, pair in rows.items()])

    def _limited_db(self, earphone: KnownEarphone, settings: DriveSettings, added_ohm: float) -> float:
        """Give the level of programme where a player reaches its limit into 32 ohm [dB]."""
        source = settings.output_ohm + self.study.settings.cable_ohm
        open_v = PLAYER_LIMIT.value * (1 + settings.output_ohm / PLAYER_LIMIT_LOAD_OHM)
        change = divider_change_db(earphone.known.ohms, added_ohm=source + added_ohm)
        loudness = float(weighted_change_db(earphone.frequency_hz, change))
        return stated_sensitivity(earphone).ear_level_db(open_v) + loudness


def _amplifier(settings: DriveSettings) -> Amplifier:
    return Amplifier(highest_v=settings.highest_v, highest_a=settings.highest_ma / 1000, supply_v=settings.supply_v)


def _say_drive(
    settings: DriveSettings, drives: tuple[Drive, Drive], verdicts: list[DriveVerdict], runtimes: list[Runtime]
) -> str:
    peaks = [f"{plain_number(one.peak_v, 2)} V and {plain_number(1000 * one.peak_a, 2)} mA" for one in drives]
    said = (
        f"{settings.earphone} at {settings.level_db:.0f} dB with {settings.headroom_db:.0f} dB of headroom: the source "
        f"must reach {peaks[0]} at the peaks; with {ohms(settings.added_ohm)} added, {peaks[1]}. "
    )
    words = [f"{verdict.word}{f' ({verdict.reasons[0]})' if verdict.reasons else ''}" for verdict in verdicts]
    said += f"Without the resistor the amplifier {words[0]}; with it, it {words[1]}. "
    plain, thrifty = (f"{one:.1f} h" for one in (runtimes[1].plain_h, runtimes[1].thrifty_h))
    if settings.level_db > LOUD_DB:
        hours = say_hours(WHO_ADULTS.allowed_hours(settings.level_db))
        said += f"Caution: at about that level {WHO_ADULTS.name} allows {hours} a week. "
    return (
        f"{said}The resistor turns {_say_power(drives[1].added_w)} into heat a side; run time is about {plain} "
        f"between fixed rails ({runtimes[0].plain_h:.1f} h without) and {thrifty} with an amplifier that has no losses "
        f"({runtimes[0].thrifty_h:.1f} h without)."
    )


def _say_power(watt: float) -> str:
    return f"{plain_number(1e6 * watt, 2)} µW" if watt < 1e-3 else f"{plain_number(1e3 * watt, 2)} mW"  # noqa: PLR2004
