"""The voltage divider between amplifier and earphone, exact and complex.

An earphone of impedance Z behind a source impedance R_0 gets the share Z / (Z + R_0) of the amplifier's voltage. With R
added in series its voltage changes by H = (Z + R_0) / (Z + R_0 + R), whatever is inside the earphone. Arithmetic on
magnitudes alone errs by more than 1 dB for reactive loads and is not offered.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, Impedance, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

HIGHEST_OHM = 1000.0
"""Upper end of the search for a source impedance [ohm]."""

_PER_NEPER_OF_POWER = -10 / np.log(10)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PredictedChange:
    """What a source does to an earphone's response, as the divider predicts it.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (n,)
        Change of level [dB], with minus without.
    tonal_change_db : ndarray, shape (n,)
        The change [dB] less its mean over the level band: what is left at equal loudness, roughly.
    level_drop_db : float
        That mean [dB]; negative means quieter with the resistance.
    source_ohm : complex
        Source impedance before [ohm]; the first, where it depends on frequency.
    added_ohm : float
        Resistance added [ohm].
    label : str
        The earphone.
    """

    frequency_hz: FloatArray
    change_db: FloatArray
    tonal_change_db: FloatArray
    level_drop_db: float
    source_ohm: complex
    added_ohm: float
    label: str = ""

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "change_db", "tonal_change_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceLimit:
    """The largest source impedance that keeps a change small.

    Parameters
    ----------
    source_ohm : float
        Largest source resistance [ohm]; infinite where even 1000 ohm stays within the tolerance.
    tolerance_db : float
        Largest change allowed [dB], either way, level apart.
    start_ohm : float
        Source resistance that the change is counted from [ohm].
    low_hz, high_hz : float
        Band in which the change is counted [Hz].
    worst_hz : float
        Frequency at which the tolerance is reached first [Hz].
    """

    source_ohm: float
    tolerance_db: float
    start_ohm: float
    low_hz: float
    high_hz: float
    worst_hz: float


def divider_change_db(
    impedance_ohm: npt.ArrayLike, *, added_ohm: npt.ArrayLike, source_ohm: npt.ArrayLike = 0.0
) -> FloatArray:
    """Give the change of level that a resistance in series makes.

    Parameters
    ----------
    impedance_ohm : array_like of complex, shape (..., n)
        Earphone impedance [ohm].
    added_ohm : array_like, any shape S
        Resistances added [ohm], not negative.
    source_ohm : array_like of complex
        Impedance of amplifier and cable [ohm]; one number, or anything that broadcasts against `impedance_ohm`.

    Returns
    -------
    ndarray, shape S + (..., n)
        Change of the earphone's voltage, with minus without [dB].

    Raises
    ------
    CurveError
        A negative resistance, a value that is not finite, or an impedance that shorts the source.

    Notes
    -----
    With Y = 1 / (Z + R_0) the change is -10 log10(1 + 2 R Re Y + R^2 |Y|^2): two real arrays serve any number of
    resistances.

    Examples
    --------
    >>> divider_change_db([16, 32], added_ohm=[16, 32]).round(2)
    array([[-6.02, -3.52],
           [-9.54, -6.02]])
    """
    R = np.asarray(added_ohm, dtype=np.float64)
    if not np.all(np.isfinite(R)) or np.any(R < 0):
        raise CurveError(
            "added_ohm",
            "an added resistance is a number of ohms, 0 or more",
            f"the smallest is {np.min(R):g}",
            "mend it",
        )
    Z = np.asarray(impedance_ohm, dtype=np.complex128) + np.asarray(source_ohm, dtype=np.complex128)
    if not np.all(np.isfinite(Z)) or np.any(Z == 0):
        raise CurveError(
            "impedance_ohm",
            "earphone and source together must have a finite impedance that is not 0",
            "one value is 0 or not finite",
            "drop that frequency",
        )
    Y = 1 / Z
    R = R.reshape(R.shape + (1,) * Y.ndim)
    power = R * (Y.real**2 + Y.imag**2)
    power += 2 * Y.real
    power *= R
    return np.asarray(_PER_NEPER_OF_POWER * np.log1p(power))


def predict_change(
    impedance: Impedance,
    *,
    added_ohm: float,
    source_ohm: complex | npt.NDArray[np.complex128] = 0.0,
    level_low_hz: float = 200.0,
    level_high_hz: float = 2000.0,
) -> PredictedChange:
    """Predict the change of response that a resistance in series makes.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    added_ohm : float
        Resistance added [ohm].
    source_ohm : complex, or ndarray of complex, shape (n,)
        Impedance of amplifier and cable [ohm].
    level_low_hz, level_high_hz : float
        Band whose mean change counts as the level drop [Hz].

    Returns
    -------
    PredictedChange
        Change, level drop and tonal change.

    Raises
    ------
    CurveError
        A resistance out of range, or an impedance that does not cover the level band.

    Examples
    --------
    >>> flat = Impedance(frequency_hz=[20, 1000, 20000], impedance_ohm=[16, 16, 16])
    >>> change = predict_change(flat, added_ohm=16)
    >>> round(change.level_drop_db, 2), bool(np.allclose(change.tonal_change_db, 0))
    (-6.02, True)
    """
    change_db = divider_change_db(impedance.impedance_ohm, added_ohm=added_ohm, source_ohm=source_ohm)
    level_db = float(_level(impedance, change_db, level_low_hz, level_high_hz))
    return PredictedChange(
        frequency_hz=impedance.frequency_hz,
        change_db=change_db,
        tonal_change_db=change_db - level_db,
        level_drop_db=level_db,
        source_ohm=complex(np.ravel(source_ohm)[0]),
        added_ohm=float(added_ohm),
        label=impedance.label,
    )


def highest_source_ohm(
    impedance: Impedance,
    *,
    tolerance_db: float,
    start_ohm: float = 0.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
) -> SourceLimit:
    """Find the largest source resistance up to which the response changes by no more than a tolerance.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    tolerance_db : float
        Largest tonal change allowed [dB], either way: the change less its mean over 200 Hz to 2 kHz.
    start_ohm : float
        Source resistance that the change is counted from [ohm].
    low_hz, high_hz : float
        Band in which the change is counted [Hz].

    Returns
    -------
    SourceLimit
        The first resistance at which the tolerance is reached; every smaller one keeps it.

    Raises
    ------
    CurveError
        A tolerance that is not positive, a negative start, or a band that the impedance does not cover.

    Notes
    -----
    The change need not grow with the resistance at every frequency, so the range is searched upwards in small steps
    before the crossing is refined.

    Examples
    --------
    >>> hump = Impedance(frequency_hz=[20, 200, 2000, 20000], impedance_ohm=[32, 16, 16, 16])
    >>> round(highest_source_ohm(hump, tolerance_db=1.0).source_ohm, 2)
    4.45
    """
    f = impedance.frequency_hz
    inside = (f >= low_hz) & (f <= high_hz)
    if not (tolerance_db > 0 and start_ohm >= 0 and np.any(inside)):
        raise CurveError(
            "highest_source_ohm",
            "the tolerance must be above 0 dB, the start 0 ohm or more, and the band must hold data",
            f"they are {tolerance_db:g} dB, {start_ohm:g} ohm, {low_hz:g} to {high_hz:g} Hz",
            "mend the one that is off",
        )

    def excess(ohm: npt.ArrayLike) -> FloatArray:
        change_db = divider_change_db(impedance.impedance_ohm, added_ohm=ohm, source_ohm=start_ohm)
        tonal = change_db - _level(impedance, change_db, 200.0, 2000.0)[..., np.newaxis]
        return np.asarray(np.abs(tonal[..., inside]) - tolerance_db)

    added = np.concatenate([[0.0], np.geomspace(1e-3, HIGHEST_OHM, 600)])
    beyond = np.flatnonzero(excess(added).max(axis=-1) > 0)
    if beyond.size:
        i = int(beyond[0])
        limit = float(brentq(lambda ohm: float(excess(ohm).max()), added[i - 1], added[i], xtol=1e-9))
        total, at = start_ohm + limit, limit
    else:
        total, at = float("inf"), HIGHEST_OHM
    worst_hz = float(f[inside][np.argmax(excess(at))])
    return SourceLimit(
        source_ohm=total,
        tolerance_db=tolerance_db,
        start_ohm=start_ohm,
        low_hz=low_hz,
        high_hz=high_hz,
        worst_hz=worst_hz,
    )


def _level(impedance: Impedance, change_db: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    level_db = mean_levels(impedance.frequency_hz, change_db, low_hz=[low_hz], high_hz=[high_hz])[..., 0]
    if np.any(np.isnan(level_db)):
        f = impedance.frequency_hz
        raise CurveError(
            impedance.label or "impedance",
            f"it must cover the level band, {low_hz:g} to {high_hz:g} Hz",
            f"it goes from {f[0]:g} to {f[-1]:g} Hz",
            "choose a narrower level band",
        )
    return level_db
