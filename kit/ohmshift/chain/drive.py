"""What a level at the ear takes: voltage, current, power, whether an amplifier has it, and what a battery pays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.elements import check_number
from ohmshift.chain.loudness import Spectrum, octave_weights, spectrum_db, weighted_change_db

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.listening import Sensitivity

Verdict: TypeAlias = Literal["can", "only just", "cannot"]

HEADROOM_DB = 12.0
"""Peaks of programme above its r.m.s. level [dB]. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """What an amplifier can deliver.

    Parameters
    ----------
    highest_v : float
        Highest voltage without a load, as a sine [V r.m.s.].
    highest_a : float
        Highest current, peak [A].
    supply_v : float
        Its supply, from rail to rail [V]; infinite where it sets no limit of its own.
    lowest_load_ohm : float
        The lowest load that it is made for [ohm].

    Raises
    ------
    CurveError
        A value that is not above 0.
    """

    highest_v: float
    highest_a: float
    supply_v: float = math.inf
    lowest_load_ohm: float = 0.0

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("Amplifier, highest_v", self.highest_v)
        check_number("Amplifier, highest_a", self.highest_a)
        check_number("Amplifier, lowest_load_ohm", self.lowest_load_ohm, may_be_zero=True)
        if not math.isinf(self.supply_v):
            check_number("Amplifier, supply_v", self.supply_v)

    @property
    def highest_peak_v(self) -> float:
        """Highest voltage, peak [V]: by its own limit, and no more than half of its supply."""
        return min(math.sqrt(2) * self.highest_v, self.supply_v / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What a level at the ear takes.

    Parameters
    ----------
    level_db : float
        Level of programme at the ear [dB re 20 µPa].
    earphone_v : float
        Voltage at the earphone [V r.m.s.].
    source_v : float
        Voltage of the source without a load [V r.m.s.].
    peak_v : float
        The same at the peaks [V].
    current_a : float
        Current [A r.m.s.].
    peak_a : float
        The same at the peaks, as programme has them [A].
    highest_a : float
        Current if a peak fell where the impedance is lowest [A].
    earphone_w, series_w, added_w : float
        Power in the earphone, in output impedance and cable, and in the resistance added [W].
    load_ohm : float
        Lowest magnitude of the load that the amplifier sees [ohm].
    loudness_db : float
        Loudness of programme behind the whole source, re a source of 0 ohm [dB].
    headroom_db : float
        Peaks above the r.m.s. level [dB].
    """

    level_db: float
    earphone_v: float
    source_v: float
    peak_v: float
    current_a: float
    peak_a: float
    highest_a: float
    earphone_w: float
    series_w: float
    added_w: float
    load_ohm: float
    loudness_db: float
    headroom_db: float


def find_drive(
    frequency_hz: npt.ArrayLike,
    impedance_ohm: npt.ArrayLike,
    *,
    sensitivity: Sensitivity,
    level_db: float,
    output_ohm: float = 0.0,
    added_ohm: float = 0.0,
    headroom_db: float = HEADROOM_DB,
    spectrum: Spectrum = "programme",
) -> Drive:
    """Find what a level of programme at the ear takes.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    impedance_ohm : array_like of complex, shape (n,)
        The earphone's impedance [ohm].
    sensitivity : Sensitivity
        The earphone's.
    level_db : float
        Level wanted at the ear [dB re 20 µPa].
    output_ohm : float
        Output impedance and cable [ohm].
    added_ohm : float
        Resistance added [ohm].
    headroom_db : float
        Peaks above the r.m.s. level [dB], 0 or more.
    spectrum : {"programme", "pink"}
        What is played.

    Returns
    -------
    Drive
        Voltages, currents and powers at that loudness.

    Raises
    ------
    CurveError
        A resistance, level or headroom that cannot be, or no curve in the audible band.

    Notes
    -----
    The level is that of the sensitivity: as if the earphone's response were flat. Equal loudness means equal K-weighted
    level of the spectrum at the earphone's terminals. Powers are means over the spectrum.

    Examples
    --------
    >>> from ohmshift.chain.listening import Sensitivity
    >>> earphone = Sensitivity(level_db=100, reference="dB/mW", rated_ohm=32)
    >>> drive = find_drive([20, 20_000], [32, 32], sensitivity=earphone, level_db=100, added_ohm=32, headroom_db=0)
    >>> round(1000 * drive.earphone_v, 1), round(1000 * drive.source_v, 1), round(1000 * drive.added_w, 3)
    (178.9, 357.8, 1.0)
    """
    f, Z = np.asarray(frequency_hz, dtype=np.float64), np.asarray(impedance_ohm, dtype=np.complex128)
    for name, value in (("headroom_db", headroom_db), ("output_ohm", output_ohm), ("added_ohm", added_ohm)):
        check_number(f"find_drive, {name}", value, may_be_zero=True)
    check_number("find_drive, level_db + 200", level_db + 200.0)
    source = output_ohm + added_ohm
    loudness = float(weighted_change_db(f, divider_change_db(Z, added_ohm=source), spectrum=spectrum))
    V = sensitivity.voltage_v(level_db)
    E = V * 10 ** (-loudness / 20)
    power = octave_weights(f) * 10 ** (spectrum_db(f, spectrum) / 10)
    power = power / power.sum()
    load = np.abs(Z + source)
    I2 = power * (E / load) ** 2
    I = float(np.sqrt(I2.sum()))  # noqa: E741 - the current's symbol
    crest = 10 ** (headroom_db / 20)
    lowest = float(np.abs(Z + added_ohm)[octave_weights(f) > 0].min())
    return Drive(
        level_db=level_db,
        earphone_v=V,
        source_v=E,
        peak_v=E * crest,
        current_a=I,
        peak_a=I * crest,
        highest_a=E * crest / float(load[octave_weights(f) > 0].min()),
        earphone_w=float(I2 @ Z.real),
        series_w=output_ohm * I**2,
        added_w=added_ohm * I**2,
        load_ohm=lowest,
        loudness_db=loudness,
        headroom_db=headroom_db,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveVerdict:
    """Whether an amplifier can drive an earphone to a level.

    Parameters
    ----------
    word : {"can", "only just", "cannot"}
        "only just" where it can for programme, but a peak at the lowest impedance would clip.
    reasons : tuple of str
        What is short, in numbers; or a caution.
    room_db : float
        How much louder it could go before voltage or programme's current runs out [dB]; negative where it cannot.
    """

    word: Verdict
    reasons: tuple[str, ...]
    room_db: float


def judge_drive(drive: Drive, amplifier: Amplifier) -> DriveVerdict:
    """Say whether an amplifier can deliver what a level takes.

    Parameters
    ----------
    drive : Drive
        What it takes.
    amplifier : Amplifier
        What there is.

    Returns
    -------
    DriveVerdict
        Word, reasons, and the room that is left.
    """
    peak = amplifier.highest_peak_v
    room = 20 * math.log10(min(peak / drive.peak_v, amplifier.highest_a / drive.peak_a))
    reasons = []
    if drive.peak_v > peak:
        by = "half of its supply" if amplifier.supply_v / 2 <= math.sqrt(2) * amplifier.highest_v else "its limit"
        reasons.append(f"peaks of {drive.peak_v:.2f} V exceed {peak:.2f} V, {by}")
    if drive.peak_a > amplifier.highest_a:
        reasons.append(f"peaks of {1e3 * drive.peak_a:.0f} mA exceed {1e3 * amplifier.highest_a:.0f} mA")
    word: Verdict = "cannot" if reasons else "can"
    if not reasons and drive.highest_a > amplifier.highest_a:
        word = "only just"
        reasons.append(
            f"a peak where the impedance is lowest would take {1e3 * drive.highest_a:.0f} mA, more than "
            f"{1e3 * amplifier.highest_a:.0f} mA"
        )
    if drive.load_ohm < amplifier.lowest_load_ohm:
        reasons.append(
            f"caution: the load falls to {drive.load_ohm:.1f} ohm, below the {amplifier.lowest_load_ohm:g} ohm that "
            "the amplifier is made for"
        )
    return DriveVerdict(word=word, reasons=tuple(reasons), room_db=room)


@dataclass(frozen=True, slots=True, kw_only=True)
class Runtime:
    """How long a battery lasts, between two kinds of amplifier.

    Parameters
    ----------
    plain_h : float
        With an output stage between fixed rails (class B): what the current takes from them [h].
    thrifty_h : float
        With one that takes no more than it delivers [h].
    plain_w, thrifty_w : float
        Power taken from the battery [W].
    """

    plain_h: float
    thrifty_h: float
    plain_w: float
    thrifty_w: float


def estimate_runtime(drive: Drive, *, battery_wh: float, idle_w: float, supply_v: float) -> Runtime:
    """Estimate how long a battery lasts.

    Parameters
    ----------
    drive : Drive
        What one side takes; both sides count as alike.
    battery_wh : float
        Energy of the battery [Wh].
    idle_w : float
        What the player takes with nothing to drive [W].
    supply_v : float
        Supply of the output stage, from rail to rail [V].

    Returns
    -------
    Runtime
        An estimate: real amplifiers lie between the two.

    Raises
    ------
    CurveError
        A value that is not above 0.

    Notes
    -----
    Between fixed rails the supply gives half of its voltage times the mean of the rectified current, which for
    programme taken as Gaussian is sqrt(2/pi) of its r.m.s. value. At equal loudness the earphone's current is the same
    with a resistance as without, so such a stage takes no more from its battery: the resistor turns into heat what the
    output transistors would have. Only a stage that follows the signal pays for the resistor.
    """
    check_number("estimate_runtime, battery_wh", battery_wh)
    check_number("estimate_runtime, idle_w", idle_w)
    check_number("estimate_runtime, supply_v", supply_v)
    plain = idle_w + 2 * (supply_v / 2) * math.sqrt(2 / math.pi) * drive.current_a
    thrifty = idle_w + 2 * (drive.earphone_w + drive.series_w + drive.added_w)
    return Runtime(plain_h=battery_wh / plain, thrifty_h=battery_wh / thrifty, plain_w=plain, thrifty_w=thrifty)
