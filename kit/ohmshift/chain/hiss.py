"""Hiss: the amplifier's noise behind the divider, and what the resistances themselves make.

A resistance divides the amplifier's noise as it divides the music. Whether that helps at equal loudness is decided by
where the noise arises: what comes after the volume control stays as it is when the volume goes up, and falls by the
divider; what comes before it is turned up with the music, and nothing is gained.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.circuits import combine_parallel
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.elements import check_number
from ohmshift.chain.loudness import AUDIBLE_HZ, Weighting, weight_db
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError
from ohmshift.units import level_from_ratio

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.listening import Sensitivity

BOLTZMANN_J_PER_K = 1.380649e-23
"""Boltzmann constant, exact since 2019 [J/K]."""

_KELVIN = 273.15


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Hiss:
    """Noise at the ear.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    amplifier_density_v, thermal_density_v : ndarray, shape (n,)
        Noise at the earphone's terminals by the amplifier, and by the resistances [V/√Hz].
    amplifier_v, thermal_v : float
        The same from 20 Hz to 20 kHz, weighted [V r.m.s.].
    level_db : float
        Level of both at the ear [dB re 20 µPa].
    amplifier_db, thermal_db : float
        Level of each [dB re 20 µPa]; minus infinity for none.
    weighting : str
        Weighting of the levels.
    """

    frequency_hz: FloatArray
    amplifier_density_v: FloatArray
    thermal_density_v: FloatArray
    amplifier_v: float
    thermal_v: float
    level_db: float
    amplifier_db: float
    thermal_db: float
    weighting: Weighting

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "amplifier_density_v", "thermal_density_v"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def third_octaves_db(self, mid_hz: npt.ArrayLike, sensitivity: Sensitivity) -> FloatArray:
        """Give the level of the noise in third octaves.

        Parameters
        ----------
        mid_hz : array_like, shape (b,)
            Exact mid-bands [Hz].
        sensitivity : Sensitivity
            The earphone's.

        Returns
        -------
        ndarray, shape (b,)
            Level at the ear [dB re 20 µPa], as if the response were flat; minus infinity for no noise, nan where the
            curve does not reach.
        """
        mid = np.asarray(mid_hz, dtype=np.float64)
        f, density = self.frequency_hz, self.amplifier_density_v**2 + self.thermal_density_v**2
        at = np.interp(np.log(mid), np.log(f), density)
        width = mid * (10**0.05 - 10**-0.05)
        reach = (mid >= f[0] * 0.99) & (mid <= f[-1] * 1.01)
        return np.where(reach, sensitivity.per_volt_db + level_from_ratio(np.sqrt(at * width)), np.nan)


def thermal_density_v(resistance_ohm: npt.ArrayLike, *, temperature_c: float = 23.0) -> FloatArray:
    """Give the thermal noise of a resistance.

    Parameters
    ----------
    resistance_ohm : array_like, any shape
        Resistance, or the real part of an impedance [ohm], 0 or more.
    temperature_c : float
        Temperature [°C].

    Returns
    -------
    ndarray, same shape
        Noise voltage [V/√Hz].

    Raises
    ------
    CurveError
        A negative resistance, or a temperature not above absolute zero.

    References
    ----------
    .. [1] Nyquist 1928, Phys. Rev. 32, 110: sqrt(4 k T R).

    Examples
    --------
    >>> round(float(thermal_density_v(1000, temperature_c=20) * 1e9), 3)
    4.024
    """
    R = np.asarray(resistance_ohm, dtype=np.float64)
    check_number("thermal_density_v, temperature in kelvin", temperature_c + _KELVIN)
    check_number("thermal_density_v, resistance_ohm", float(R.min()), may_be_zero=True)
    return np.sqrt(4 * BOLTZMANN_J_PER_K * (temperature_c + _KELVIN) * R)


def predict_hiss(
    frequency_hz: npt.ArrayLike,
    impedance_ohm: npt.ArrayLike,
    *,
    sensitivity: Sensitivity,
    noise_v: float,
    output_ohm: float = 0.0,
    added_ohm: float = 0.0,
    weighting: Weighting = "none",
    temperature_c: float = 23.0,
) -> Hiss:
    """Predict the noise at the ear behind an amplifier and a resistance.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    impedance_ohm : array_like of complex, shape (n,)
        The earphone's impedance [ohm].
    sensitivity : Sensitivity
        The earphone's.
    noise_v : float
        Noise of the amplifier without a load, 20 Hz to 20 kHz, white, unweighted [V r.m.s.]; 0 or more.
    output_ohm : float
        Output impedance and cable [ohm].
    added_ohm : float
        Resistance added [ohm].
    weighting : {"none", "A", "K"}
        Weighting of the levels.
    temperature_c : float
        Temperature of the resistances [°C].

    Returns
    -------
    Hiss
        Noise densities and levels.

    Raises
    ------
    CurveError
        A negative resistance or noise, a temperature not above absolute zero, or a curve that leaves the audible band
        empty.

    Notes
    -----
    The thermal noise is that of Re{Z || (R_0 + R)}: earphone and source as if both were at the same temperature. An
    output impedance made low by feedback has less; the difference is far below any amplifier's noise. The level is as
    if the earphone's response were flat at its sensitivity.

    Examples
    --------
    >>> from ohmshift.chain.listening import Sensitivity
    >>> sensitive = Sensitivity(level_db=110, reference="dB/mW", rated_ohm=16)
    >>> bare = predict_hiss([20, 20_000], [16, 16], sensitivity=sensitive, noise_v=5e-6)
    >>> round(bare.amplifier_db, 3)
    21.938
    """
    f, Z = np.asarray(frequency_hz, dtype=np.float64), np.asarray(impedance_ohm, dtype=np.complex128)
    for name, value in (("noise_v", noise_v), ("output_ohm", output_ohm), ("added_ohm", added_ohm)):
        check_number(f"predict_hiss, {name}", value, may_be_zero=True)
    source = output_ohm + added_ohm
    share_db = divider_change_db(Z, added_ohm=source)
    density = noise_v / np.sqrt(AUDIBLE_HZ[1] - AUDIBLE_HZ[0]) * 10 ** (share_db / 20)
    loop = np.asarray(combine_parallel(source, Z)).real if source > 0 else np.zeros(f.size)
    thermal = thermal_density_v(np.maximum(loop, 0.0), temperature_c=temperature_c)
    weight = 10 ** (weight_db(np.minimum(f, AUDIBLE_HZ[1]), weighting) / 20)
    amplifier_v, thermal_v = (_total(f, part * weight) for part in (density, thermal))
    both = float(np.hypot(amplifier_v, thermal_v))
    return Hiss(
        frequency_hz=f,
        amplifier_density_v=density,
        thermal_density_v=thermal,
        amplifier_v=amplifier_v,
        thermal_v=thermal_v,
        level_db=_level(sensitivity, both),
        amplifier_db=_level(sensitivity, amplifier_v),
        thermal_db=_level(sensitivity, thermal_v),
        weighting=weighting,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class HissBenefit:
    """What a resistance does to hiss at equal loudness.

    Parameters
    ----------
    loudness_db : float
        Change of the loudness of programme by the resistance [dB], to be made up by the volume control.
    after_db : float
        Change of the noise level at equal loudness, where the noise arises after the volume control [dB]; also the
        change with the volume control left alone.
    before_db : float
        The same where it arises before the volume control [dB]: about 0.

    Notes
    -----
    Where there is no noise to begin with, all changes are nan.
    """

    loudness_db: float
    after_db: float
    before_db: float


def compare_hiss(without: Hiss, with_added: Hiss, *, loudness_db: float) -> HissBenefit:
    """Say what a resistance takes away from hiss at equal loudness.

    Parameters
    ----------
    without, with_added : Hiss
        Noise without and with the resistance, from the same amplifier.
    loudness_db : float
        Change of the loudness of programme by the resistance [dB].

    Returns
    -------
    HissBenefit
        At equal loudness, for noise after and before the volume control.

    Notes
    -----
    Noise after the volume control is the same at every setting, so its level at equal loudness is that at the same
    setting. Noise before it is turned up by -loudness_db with the music; thermal noise of the resistances is not.
    """
    if not np.isfinite(without.level_db):
        return HissBenefit(loudness_db=loudness_db, after_db=float("nan"), before_db=float("nan"))
    turned_up = with_added.amplifier_db - loudness_db
    before = 10 * np.log10(10 ** (turned_up / 10) + 10 ** (with_added.thermal_db / 10)) - without.level_db
    change = with_added.level_db - without.level_db
    return HissBenefit(loudness_db=loudness_db, after_db=float(change), before_db=float(before))


def _total(f: FloatArray, density: FloatArray) -> float:
    """Integrate a noise density over the audible band, on straight lines between points."""
    low, high = max(AUDIBLE_HZ[0], f[0]), min(AUDIBLE_HZ[1], f[-1])
    if not low < high:
        rule, mend = "hiss needs a curve in the audible band", "give one from 20 Hz to 20 kHz"
        raise CurveError("frequency_hz", rule, f"it goes from {f[0]:g} to {f[-1]:g} Hz", mend)
    inside = (f > low) & (f < high)
    at = np.concatenate([[low], f[inside], [high]])
    return float(np.sqrt(np.trapezoid(np.interp(at, f, density**2), at)))


def _level(sensitivity: Sensitivity, voltage_v: float) -> float:
    return sensitivity.ear_level_db(voltage_v) if voltage_v > 0 else -np.inf
