"""How high a source impedance may be, and what one measured change says about every other source without any phase."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from ohmshift.chain.divider import HIGHEST_OHM, divider_change_db
from ohmshift.chain.prediction import LEVEL_HZ, TAILS, AnyImpedance, level_drop, readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

_SEARCH_STEPS = 600
_INTERVAL_STEPS = 13
_INTERVAL_REACH = 10.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceLimit:
    """The largest source impedance that keeps a change small.

    Parameters
    ----------
    source_ohm : float
        Largest source resistance [ohm]; infinite where even 1000 ohm more stays within the tolerance.
    low_ohm, high_ohm : float
        Its 95 % interval [ohm]; the limit itself where the impedance was measured.
    tolerance_db : float
        Largest change allowed [dB], either way, level apart.
    start_ohm : float
        Source resistance that the change is counted from [ohm].
    low_hz, high_hz : float
        Band in which the change is counted [Hz].
    worst_hz : float
        Frequency at which the tolerance is reached first [Hz].
    caveats : tuple of str
        What to keep in mind.
    """

    source_ohm: float
    low_ohm: float
    high_ohm: float
    tolerance_db: float
    start_ohm: float
    low_hz: float
    high_hz: float
    worst_hz: float
    caveats: tuple[str, ...] = ()


def highest_source_ohm(
    impedance: AnyImpedance,
    *,
    tolerance_db: float,
    start_ohm: float = 0.0,
    low_hz: float = 20.0,
    high_hz: float = 20_000.0,
) -> SourceLimit:
    """Find the largest source resistance up to which the response changes by no more than a tolerance.

    Parameters
    ----------
    impedance : Impedance or RecoveredImpedance
        The earphone's.
    tolerance_db : float
        Largest tonal change allowed [dB], either way: the change less its mean over 200 Hz to 2 kHz.
    start_ohm : float
        Source resistance that the change is counted from [ohm].
    low_hz, high_hz : float
        Band in which the change is counted [Hz]; what is not readable is left out.

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
    before the crossing is refined. The interval comes from the same search, in coarser steps within a factor of ten,
    for each impedance that the data allow. Noise adds to the largest of many frequencies more often than it takes
    away, so draws lean towards smaller resistances; the interval's ends are moved for that [1]_, while the limit itself
    keeps its lean, to the safe side. On the simulated earphones of `tests/benchmarks/bench_recovery.py` the interval
    holds the truth in 88 % of cases instead of 95 %; least where a load's tonal change hardly exceeds the noise.

    References
    ----------
    .. [1] B. Efron, "Better bootstrap confidence intervals", Journal of the American Statistical Association 82 (1987),
       171-185: the bias-corrected percentile method.

    Examples
    --------
    >>> from ohmshift.curves.values import Impedance
    >>> hump = Impedance(frequency_hz=[20, 200, 2000, 20000], impedance_ohm=[32, 16, 16, 16])
    >>> round(highest_source_ohm(hump, tolerance_db=1.0).source_ohm, 2)
    4.45
    """
    f = impedance.frequency_hz
    inside = (f >= low_hz) & (f <= high_hz) & readable_frequencies(impedance)
    if not (tolerance_db > 0 and start_ohm >= 0 and np.any(inside)):
        raise CurveError(
            "highest_source_ohm",
            "the tolerance must be above 0 dB, the start 0 ohm or more, and the band must hold data",
            f"they are {tolerance_db:g} dB, {start_ohm:g} ohm, {low_hz:g} to {high_hz:g} Hz",
            "mend the one that is off",
        )

    def tonal(ohm: npt.ArrayLike) -> FloatArray:
        change_db = divider_change_db(impedance.impedance_ohm, added_ohm=ohm, source_ohm=start_ohm)
        return np.asarray(np.abs(change_db - level_drop(impedance, change_db, *LEVEL_HZ)[..., None])[..., inside])

    added = np.concatenate([[0.0], np.geomspace(1e-3, HIGHEST_OHM, _SEARCH_STEPS)])
    beyond = np.flatnonzero(tonal(added).max(axis=-1) > tolerance_db)
    limit = np.inf
    if beyond.size:
        i = int(beyond[0])
        limit = float(brentq(lambda ohm: float(tonal(ohm).max()) - tolerance_db, added[i - 1], added[i], xtol=1e-9))
    low, high = _limit_interval(impedance, limit, inside, tolerance_db, start_ohm)
    return SourceLimit(
        source_ohm=start_ohm + limit,
        low_ohm=start_ohm + low,
        high_ohm=start_ohm + high,
        tolerance_db=tolerance_db,
        start_ohm=start_ohm,
        low_hz=low_hz,
        high_hz=high_hz,
        worst_hz=float(f[inside][np.argmax(tonal(min(limit, HIGHEST_OHM)))]),
        caveats=impedance.caveats if isinstance(impedance, RecoveredImpedance) else (),
    )


def bound_change(
    change_db: npt.ArrayLike,
    *,
    added_ohm: float,
    target_ohm: float,
    source_ohm: float = 0.0,
    start_ohm: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Bound the change behind another source for any passive load, from one change of known level and no phase.

    Parameters
    ----------
    change_db : array_like, shape (...)
        Change measured with the resistance [dB].
    added_ohm : float
        Resistance added in that measurement [ohm].
    target_ohm : float
        Source resistance to predict [ohm], amplifier, cable and added resistance together.
    source_ohm : float
        Resistance of amplifier and cable in that measurement [ohm].
    start_ohm : float, optional
        Source resistance that the predicted change is counted from [ohm]; by default `source_ohm`.

    Returns
    -------
    low_db, high_db : ndarray, shape (...)
        No passive load that makes the measured change goes beyond these [dB]; nan where none makes it.

    Raises
    ------
    CurveError
        A resistance out of range.

    Notes
    -----
    Let Y = 1 / (Z + R_0) and q = 10^(-D/10) = |1 + R Y|^2. The measured change leaves Y on a circle about -1/R. A
    passive Z keeps Re(1/Y) >= R_0, which cuts an arc out of it, from Y real, y = (sqrt(q) - 1) / R, to
    Re Y = R_0 |Y|^2, where |Y|^2 = (q - 1) / (R (2 R_0 + R)). The change from S_0 to S is 10 log10 of
    |1 + (S_0 - R_0) Y|^2 / |1 + (S - R_0) Y|^2; both are linear in the cosine of the angle on the circle, so their
    ratio is monotone and its extremes lie at the ends.

    Examples
    --------
    >>> low, high = bound_change(-6.0206, added_ohm=16.0, target_ohm=32.0)
    >>> round(float(low), 2), round(float(high), 2)
    (-11.14, -9.54)
    """
    start = source_ohm if start_ohm is None else start_ohm
    if not (added_ohm > 0 and min(source_ohm, target_ohm, start) >= 0):
        raise CurveError(
            "bound_change",
            "the resistance added must be above 0 ohm, sources 0 ohm or more",
            f"they are {added_ohm:g}, {source_ohm:g}, {target_ohm:g} and {start:g} ohm",
            "mend the one that is off",
        )
    R, R_0, q = added_ohm, source_ohm, 10 ** (-np.asarray(change_db, dtype=np.float64) / 10)
    y, b = (np.sqrt(q) - 1) / R, (q - 1) / (R * (2 * R_0 + R))
    ends = [
        10
        * np.log10(
            (1 + 2 * (start - R_0) * a + (start - R_0) ** 2 * square)
            / (1 + 2 * (target_ohm - R_0) * a + (target_ohm - R_0) ** 2 * square)
        )
        for a, square in ((y, y**2), (R_0 * b, b))
    ]
    possible = (q >= 1) & (y * R_0 <= 1)
    return np.where(possible, np.minimum(*ends), np.nan), np.where(possible, np.maximum(*ends), np.nan)


def _limit_interval(
    impedance: AnyImpedance, limit: float, inside: npt.NDArray[np.bool_], tolerance_db: float, start_ohm: float
) -> tuple[float, float]:
    if not isinstance(impedance, RecoveredImpedance):
        return limit, limit
    middle = min(limit, HIGHEST_OHM)
    added = np.geomspace(middle / _INTERVAL_REACH, min(middle * _INTERVAL_REACH, HIGHEST_OHM), _INTERVAL_STEPS)
    change_db = divider_change_db(impedance.draws_ohm, added_ohm=added, source_ohm=start_ohm)
    level_db = level_drop(impedance, change_db, *LEVEL_HZ)[..., None]
    largest = np.abs(change_db[..., inside] - level_db).max(axis=-1).T  # one row a draw
    over = largest > tolerance_db
    i = np.where(over.any(axis=1), over.argmax(axis=1), -1)
    rows, before = np.arange(i.size), np.maximum(i - 1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        low, high = np.log(largest[rows, before]), np.log(largest[rows, i])
        share = np.where(i > 0, (np.log(tolerance_db) - low) / (high - low), 0.0)
    found = added[before] * (added[np.maximum(i, 0)] / added[before]) ** share
    found = np.where(i < 0, np.inf, found)
    lean = ndtri(np.clip(np.mean(found < limit) + np.mean(found == limit) / 2, 0.02, 0.98))
    tails = ndtr(2 * lean + ndtri(np.array(TAILS) / 100))  # The bias-corrected percentiles of [1]
    ends = np.quantile(found, tails, method="nearest")
    return float(ends[0]), float(ends[1])
