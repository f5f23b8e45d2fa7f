"""The noise floor of a study: how well its repeats repeat, pooled over earphones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage, stats
from scipy.special import polygamma

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.evidence.priors import LEAST_VARIANCE_DB2, fit_prior, log_bias, shrinkage
from ohmshift.evidence.repeats import (
    Deviations,
    EarphoneRepeats,
    PooledVariance,
    collect_repeats,
    default_bands,
    pool_variance,
)
from ohmshift.evidence.sides import correlate_sides

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.curves.values import ResponseSet

MOST_DEGREES = 60.0
"""Most degrees of freedom a prior may have, however alike the earphones look."""

_ARRAYS = (
    "variance_db2",
    "degrees",
    "prior_variance_db2",
    "prior_degrees",
    "correlation",
    "draws",
    "level_correlation",
)
_NEIGHBOURS = 5
_GUARD_ALPHA = 0.10


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Repeatability:
    """Repeatability of one kind of comparison, pooled over a study's earphones.

    Parameters
    ----------
    reseated : bool
        Whether it holds for seatings, or for conditions measured without reseating.
    labels : tuple of str, length m
        Earphones it rests on.
    bands : Bands
        Bands.
    variance_db2 : ndarray, shape (m, b)
        Variance of one measurement of each earphone [dB^2]; nan where there are no repeats.
    degrees : ndarray, shape (m, b)
        Their degrees of freedom.
    prior_variance_db2, prior_degrees : ndarray, shape (b,)
        Variance [dB^2] that an earphone is expected to have, and the degrees of freedom that this is worth; 0 degrees
        where fewer than two earphones were repeated.
    spread : float
        Variance of the logarithm of an earphone's own factor on all its variances.
    correlation : ndarray, shape (b, b)
        Correlation between bands.
    draws : ndarray, shape (b, N)
        Absolute values of normal draws with that correlation.
    level_db2 : float
        Variance of the level of one measurement, pooled [dB^2].
    level_degrees : int
        Its degrees of freedom.
    level_correlation : ndarray, shape (b,)
        Correlation of the level's deviations with those of each band.
    sides, level_sides : float
        Correlation of left and right at one seat, in the bands and of the level; 0 where it is not beyond chance.
    """

    reseated: bool
    labels: tuple[str, ...]
    bands: Bands
    variance_db2: FloatArray
    degrees: FloatArray
    prior_variance_db2: FloatArray
    prior_degrees: FloatArray
    spread: float
    correlation: FloatArray
    draws: FloatArray
    level_db2: float
    level_degrees: int
    level_correlation: FloatArray
    sides: float = 0.0
    level_sides: float = 0.0

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in _ARRAYS:
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def with_level(self) -> FloatArray:
        """Give the correlation between bands with the level as one more, last.

        Returns
        -------
        ndarray, shape (b + 1, b + 1)
            Positive definite.
        """
        row = self.level_correlation[np.newaxis]
        return np.block([[self.correlation, row.T], [row, np.ones((1, 1))]])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NoiseFloor:
    """Measurement variation of a study.

    Parameters
    ----------
    bands : Bands
        Bands.
    reseated : Repeatability or None
        Variation from seating to seating; None where nothing was repeated.
    unreseated : Repeatability or None
        Variation between conditions measured without reseating; None where no two such seats of one channel exist.
    level_low_hz, level_high_hz : float
        Band that defines the level [Hz].
    seed : int
        Seed of the draws.
    """

    bands: Bands
    reseated: Repeatability | None
    unreseated: Repeatability | None
    level_low_hz: float
    level_high_hz: float
    seed: int


def estimate_noise_floor(
    sets: Iterable[ResponseSet],
    *,
    bands: Bands | None = None,
    level_low_hz: float = 200.0,
    level_high_hz: float = 2000.0,
    widening: float = 1.0,
    draws: int = 20_000,
    seed: int = 0,
) -> NoiseFloor:
    """Estimate how well a study's measurements repeat.

    Parameters
    ----------
    sets : iterable of ResponseSet
        Every condition of every earphone, resonances aligned, levels as measured; those that do not cover the band of
        the level, which `measure_change` refuses, are passed over.
    bands : Bands, optional
        Bands; by default third octaves from 25 Hz to 16 kHz.
    level_low_hz, level_high_hz : float
        The level is the mean of the curve over this band [Hz], equal weight per octave.
    widening : float
        How many half standard errors to widen the spread between earphones by.
    draws : int
        Number of random draws for the largest of all bands.
    seed : int
        Seed of those draws.

    Returns
    -------
    NoiseFloor
        Repeatability with and without reseating, as far as the study tells.

    Notes
    -----
    Repeats are seats of one condition of one channel; their residuals are pooled over the channels and conditions of
    an earphone. A seat that several conditions share was not reseated and counts once. Without reseating, the
    residuals are what is left when each seat and each condition keeps its mean.

    The correlation between bands is that of the residuals' normal scores, so that one leaking seat does not make it,
    and is shrunk towards none by 10 parts in the residuals' degrees of freedom, at least a tenth: with few residuals
    the bands count as independent, which is the safe side [1]_.

    References
    ----------
    .. [1] Z. Šidák, "Rectangular confidence regions for the means of multivariate normal distributions", Journal of the
       American Statistical Association 62 (1967) 626-633.
    """
    bands = default_bands() if bands is None else bands
    by_label: dict[str, list[ResponseSet]] = {}
    for curves in sets:
        by_label.setdefault(curves.label, []).append(curves)
    earphones = [
        collect_repeats(group, bands=bands, level_low_hz=level_low_hz, level_high_hz=level_high_hz)
        for group in by_label.values()
    ]
    return pool_repeats(
        earphones,
        bands=bands,
        level_low_hz=level_low_hz,
        level_high_hz=level_high_hz,
        widening=widening,
        draws=draws,
        seed=seed,
    )


def pool_repeats(
    earphones: Sequence[EarphoneRepeats],
    *,
    bands: Bands,
    level_low_hz: float,
    level_high_hz: float,
    widening: float = 1.0,
    draws: int = 20_000,
    seed: int = 0,
) -> NoiseFloor:
    """Pool what each earphone tells into the noise floor of a study; `estimate_noise_floor` does both steps.

    Parameters
    ----------
    earphones : sequence of EarphoneRepeats
        Each earphone once, collected with the same bands and level.
    bands : Bands
        Bands.
    level_low_hz, level_high_hz : float
        Band that defines the level [Hz].
    widening : float
        How many half standard errors to widen the spread between earphones by.
    draws : int
        Number of random draws for the largest of all bands.
    seed : int
        Seed of those draws.

    Returns
    -------
    NoiseFloor
        As `estimate_noise_floor` gives it.
    """
    reseated, unreseated = (
        _pool_earphones(groups, bands=bands, reseated=is_reseated, widening=widening, draws=draws, seed=seed)
        for is_reseated, groups in (
            (True, {one.label: list(one.reseated) for one in earphones}),
            (False, {one.label: list(one.unreseated) for one in earphones}),
        )
    )
    return NoiseFloor(
        bands=bands,
        reseated=reseated,
        unreseated=unreseated,
        level_low_hz=level_low_hz,
        level_high_hz=level_high_hz,
        seed=seed,
    )


def guard_factor(
    floor: Repeatability, variance_db2: FloatArray, degrees: FloatArray, *, judged: npt.NDArray[np.bool_]
) -> float:
    """Tell how much noisier than its floor an earphone is.

    Parameters
    ----------
    floor : Repeatability
        Floor that the earphone borrows from.
    variance_db2, degrees : ndarray, shape (b,)
        Variance of one measurement that the earphone itself shows [dB^2], and its degrees of freedom.
    judged : ndarray of bool, shape (b,)
        Bands to look at.

    Returns
    -------
    float
        Factor above 1 on the floor's variances; 1 where the earphone stays inside the spread that earphones have.

    Notes
    -----
    The weighted mean over bands of the log of own over expected variance is compared with its one-sided 90 % limit,
    which holds the spread between earphones and the error of that mean over correlated bands. The factor is then taken
    one standard error above the mean. In simulated studies with twice the noise this kept false alarms near 5 % from
    two seats on. A band weighs by how closely its variance can be foretold, so that a leaking seat's bass does not
    decide.
    """
    used = judged & (degrees > 0) & (floor.prior_degrees > 0)
    if not used.any():
        return 1.0
    own = np.log(np.maximum(variance_db2[used], LEAST_VARIANCE_DB2)) - log_bias(degrees[used])
    expected = np.log(floor.prior_variance_db2[used]) - log_bias(floor.prior_degrees[used])
    weight = _weigh_bands(floor.prior_degrees[used], floor.degrees[:, used])
    excess = float(weight @ (own - expected))
    error = _error_of_mean(weight, floor.correlation[np.ix_(used, used)], float(np.median(degrees[used])))
    limit = float(stats.norm.isf(_GUARD_ALPHA)) * np.sqrt(error + floor.spread)
    return float(np.exp(excess + np.sqrt(error))) if excess > limit else 1.0


def _weigh_bands(prior_degrees: FloatArray, degrees: FloatArray) -> FloatArray:
    """Weigh bands by how closely the log of a variance in them can be foretold; weights add up to 1."""
    typical = float(np.median(degrees[degrees > 0]))
    weight = 1 / (polygamma(1, prior_degrees / 2) + polygamma(1, typical / 2))
    return np.asarray(weight / weight.sum())


def _error_of_mean(weight: FloatArray, correlation: FloatArray, degrees: float) -> float:
    """Give the sampling variance of a weighted mean of log variances: they correlate by the square of the bands'."""
    return float(weight @ correlation**2 @ weight) * float(polygamma(1, degrees / 2))


def _pool_earphones(
    groups: dict[str, list[Deviations]], *, bands: Bands, reseated: bool, widening: float, draws: int, seed: int
) -> Repeatability | None:
    all_pooled = {label: pool_variance(found, count=len(bands)) for label, found in groups.items()}
    labels = tuple(label for label, one in all_pooled.items() if np.any(one.band_degrees > 0))
    if not labels:
        return None
    pooled = [all_pooled[label] for label in labels]
    everything = [group for label in labels for group in groups[label]]
    total = pool_variance(everything, count=len(bands))
    residuals = [np.column_stack([group.band_db, group.level_db]) for group in everything]
    whole = _correlate(residuals, degrees=total.degrees)
    correlation, level_correlation = whole[:-1, :-1], whole[:-1, -1]
    prior_variance, prior_degrees = _fit_bands(pooled, total, widening=widening)
    sides, level_sides = correlate_sides([groups[label] for label in labels], correlation)
    rng = np.random.default_rng(seed)
    root = np.linalg.cholesky(correlation)
    return Repeatability(
        reseated=reseated,
        labels=labels,
        bands=bands,
        variance_db2=np.array([one.band_db2 for one in pooled]),
        degrees=np.array([one.band_degrees for one in pooled]),
        prior_variance_db2=prior_variance,
        prior_degrees=prior_degrees,
        spread=_spread_between(pooled, correlation, prior_degrees),
        correlation=correlation,
        draws=np.abs(root @ rng.standard_normal((len(bands), draws))),
        level_db2=total.level_db2,
        level_degrees=total.degrees,
        level_correlation=level_correlation,
        sides=sides,
        level_sides=level_sides,
    )


def _fit_bands(
    pooled: list[PooledVariance], total: PooledVariance, *, widening: float
) -> tuple[FloatArray, FloatArray]:
    """Fit the prior of each band; its degrees of freedom are smoothed over neighbouring bands and limited."""
    variance = np.array([one.band_db2 for one in pooled])
    degrees = np.array([one.band_degrees for one in pooled])
    prior_variance, prior_degrees = total.band_db2.copy(), np.zeros(variance.shape[1])
    repeated = degrees > 0
    for pattern in np.unique(repeated, axis=1).T:
        if pattern.sum() > 1:
            same = np.all(pattern == repeated.T, axis=1)
            here = np.ix_(pattern, same)
            prior_variance[same], prior_degrees[same] = fit_prior(variance[here], degrees[here], widening=widening)
    fitted = prior_degrees > 0
    if fitted.any():
        raw = np.minimum(prior_degrees[fitted], MOST_DEGREES)
        smooth = ndimage.median_filter(raw, size=_NEIGHBOURS, mode="nearest")
        median = np.log(prior_variance[fitted]) - log_bias(prior_degrees[fitted])
        prior_variance[fitted] = np.exp(median + log_bias(smooth))
        prior_degrees[fitted] = smooth
    return prior_variance, prior_degrees


def _spread_between(pooled: list[PooledVariance], correlation: FloatArray, prior_degrees: FloatArray) -> float:
    """Give the variance between earphones of the log of their common factor, their own sampling error taken off."""
    variance = np.array([one.band_db2 for one in pooled])
    used = np.isfinite(variance).all(axis=0) & (prior_degrees > 0)
    if len(pooled) == 1 or not used.any():
        return 0.0
    degrees = np.array([one.band_degrees for one in pooled])[:, used]
    weight = _weigh_bands(prior_degrees[used], degrees)
    logs = np.log(np.maximum(variance[:, used], LEAST_VARIANCE_DB2)) - log_bias(degrees)
    sampling = _error_of_mean(weight, correlation[np.ix_(used, used)], float(degrees.mean()))
    return max(float((logs @ weight).var(ddof=1)) - sampling, 0.0)


def _correlate(residuals: list[FloatArray], *, degrees: int) -> FloatArray:
    """Correlate the normal scores of residuals, shrunk towards independence; bands not covered count as independent."""
    rows = np.concatenate(residuals)
    ranks = stats.rankdata(rows, axis=0, nan_policy="omit")
    counts = np.isfinite(rows).sum(axis=0)
    scores = stats.norm.ppf((ranks - 0.5) / np.maximum(counts, 1))
    scores = np.where(np.isfinite(rows), scores, 0.0)
    size = np.sqrt((scores**2).sum(axis=0))
    scores = scores / np.where(size > 0, size, 1.0)
    correlation = (1 - shrinkage(degrees)) * (scores.T @ scores)
    np.fill_diagonal(correlation, 1.0)
    return np.asarray(correlation)
