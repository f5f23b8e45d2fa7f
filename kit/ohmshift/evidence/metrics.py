"""The few numbers that sum up a change: size, bass, treble, tilt and level drop, each with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
from scipy import special, stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.evidence.priors import LEAST_VARIANCE_DB2, shrinkage
from ohmshift.evidence.uncertainty import settle_uncertainty
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor, Repeatability
    from ohmshift.evidence.verdicts import Verdict

Metric: TypeAlias = Literal["size", "bass", "treble", "tilt", "level drop"]

METRICS: tuple[Metric, ...] = get_args(Metric)
"""Every metric, in the order of tables."""

UNITS: Mapping[Metric, str] = {"size": "dB", "bass": "dB", "treble": "dB", "tilt": "dB/octave", "level drop": "dB"}
"""Unit of each metric."""

BASS_HIGH_HZ = 160.0
"""Highest mid-band frequency of the bass."""

TREBLE_LOW_HZ = 5000.0
"""Lowest mid-band frequency of the treble."""

DRAWS = 4000
"""Random draws of the measurement error behind the interval of a size."""

_NOMINAL = 1.01
"""Nominal frequencies stray this little from the exact ones."""

_TAIL = 0.025
_MOST_SHRINKAGE = 0.5


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Estimate:
    """One number with its uncertainty.

    Parameters
    ----------
    value : float
        Value; nan where it could not be measured.
    uncertainty : float
        Standard uncertainty; nan where nothing tells it.
    degrees : float
        Degrees of freedom of the uncertainty.
    draws : ndarray, shape (N,)
        Sorted true values that fit the measurement equally well, for a value whose error is not a t variable; empty
        otherwise.
    """

    value: float
    uncertainty: float = float("nan")
    degrees: float = float("inf")
    draws: FloatArray = field(default_factory=lambda: np.empty(0))
    _interval: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        """Lock the draws, and take the interval that is asked for most."""
        object.__setattr__(self, "draws", read_only(self.draws))
        object.__setattr__(self, "_interval", self.bounds(_TAIL))

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval; minus infinity where nothing tells it."""
        return self._interval[0]

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval; infinity where nothing tells it."""
        return self._interval[1]

    def bounds(self, alpha: float) -> tuple[float, float]:
        """Give a lower and an upper bound, each wrong with probability `alpha`.

        Parameters
        ----------
        alpha : float
            Probability that the true value lies below the lower bound, and that it lies above the upper one.

        Returns
        -------
        tuple of two floats
            Bounds, in the value's unit; infinite where nothing tells them.

        Examples
        --------
        >>> low, high = Estimate(value=1.0, uncertainty=0.2, degrees=4).bounds(0.025)
        >>> round(low, 3), round(high, 3)
        (0.445, 1.555)
        """
        if not np.isfinite(self.uncertainty):
            return (-np.inf, np.inf)
        if self.draws.size:
            low, high = np.quantile(self.draws, [alpha, 1 - alpha])
            return (min(float(low), self.value), max(float(high), self.value))
        half = float(special.stdtrit(self.degrees, 1 - alpha)) * self.uncertainty
        return (self.value - half, self.value + half)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Metrics:
    """The metrics of one change.

    Parameters
    ----------
    estimates : mapping of str to Estimate
        One for each metric: size, bass, treble and level drop [dB], tilt [dB per octave].
    noise_size_db : float
        Size that measurement variation alone would show [dB]; nan where nothing tells it.
    """

    estimates: Mapping[Metric, Estimate]
    noise_size_db: float


def measure_metrics(
    change: Change, floor: NoiseFloor, verdict: Verdict, *, draws: int = DRAWS, seed: int = 0
) -> Metrics:
    """Take the metrics of a change, with what the study's repeats say of their uncertainty.

    Parameters
    ----------
    change : Change
        Change of one earphone.
    floor : NoiseFloor
        Measurement variation of the study.
    verdict : Verdict
        Verdict on the change, for the interval of its level drop.
    draws : int
        Random draws behind the interval of the size.
    seed : int
        Seed of those draws.

    Returns
    -------
    Metrics
        Estimates in the order of `METRICS`.

    Notes
    -----
    Bass, treble and tilt are weighted sums of bands: their variance is that of the sum, with the bands' correlation
    as the study's repeats show it. A floor with few repeats does not tell that correlation, and the bands then count as
    wholly correlated, which is the safe side for a mean.

    Size is the length of the change over the bands, and variation adds to it. Its lower bounds invert the model "true
    change, as long as r and of the shape measured, plus a draw of variation": for each draw, the r that would have
    given the size measured, 0 where variation alone explains it. Its upper bounds take off only what lies along the
    change, not what variation adds on the whole: a floor that some leaking seats have widened would take off too much
    from the others.
    """
    judged = np.isfinite(change.band_change_db)
    uncertainty = settle_uncertainty(change, floor)
    known = judged & (uncertainty.degrees > 0)
    part = floor.reseated if change.reseated else floor.unreseated
    values = metric_values(change.band_change_db, change.bands)
    values["size"] = change.size_db
    estimates: dict[Metric, Estimate] = {name: Estimate(value=values[name]) for name in ("size", "bass", "treble")}
    estimates["tilt"] = Estimate(value=values["tilt"])
    noise = float("nan")
    if np.array_equal(known, judged):
        variance = np.maximum(uncertainty.variance_db2, LEAST_VARIANCE_DB2) * change.variance_factor
        correlation = _band_correlation(part)
        estimates |= _sum_estimates(values, metric_weights(change.bands, judged), variance, uncertainty.degrees, part)
        sd = np.sqrt(variance[judged])
        degrees = float(_weighted_degrees(variance[judged], uncertainty.degrees[judged]))
        inside = np.eye(int(judged.sum())) if correlation is None else correlation[np.ix_(judged, judged)]
        error = _draw_errors(sd, inside, degrees, draws=draws, seed=seed)
        estimates["size"], noise = _size_estimate(change.band_change_db[judged], error, degrees)
    estimates["level drop"] = _level_estimate(change, verdict, part)
    return Metrics(estimates={name: estimates[name] for name in METRICS}, noise_size_db=noise)


def metric_values(band_change_db: FloatArray, bands: Bands) -> dict[Metric, float]:
    """Give size, bass, treble and tilt of a change in bands, whether measured or predicted.

    Parameters
    ----------
    band_change_db : ndarray, shape (b,)
        Change, level removed [dB]; nan where not covered.
    bands : Bands
        The bands.

    Returns
    -------
    dict of str to float
        Size, bass and treble [dB] and tilt [dB per octave]; nan where no band tells.
    """
    covered = np.isfinite(band_change_db)
    found: dict[Metric, float] = {"size": float(np.std(band_change_db[covered])) if covered.any() else float("nan")}
    for name, weight in metric_weights(bands, covered).items():
        found[name] = float(weight[covered] @ band_change_db[covered]) if weight.any() else float("nan")
    return found


def metric_weights(bands: Bands, covered: npt.NDArray[np.bool_]) -> dict[Metric, FloatArray]:
    """Give the weights with which bands make up bass, treble and tilt.

    Parameters
    ----------
    bands : Bands
        Bands.
    covered : ndarray of bool, shape (b,)
        Bands that the data cover.

    Returns
    -------
    dict of str to ndarray, shape (b,)
        Weights; all 0 where no band tells.
    """
    zones = {
        "bass": covered & (bands.mid_hz <= BASS_HIGH_HZ * _NOMINAL),
        "treble": covered & (bands.mid_hz >= TREBLE_LOW_HZ / _NOMINAL),
    }
    found: dict[Metric, FloatArray] = {
        "bass": zones["bass"] / max(int(zones["bass"].sum()), 1),
        "treble": zones["treble"] / max(int(zones["treble"].sum()), 1),
    }
    octaves = np.where(covered, octaves_from_frequency(bands.mid_hz), 0.0)
    spread = np.where(covered, octaves - octaves.sum() / max(int(covered.sum()), 1), 0.0)
    square = float(spread @ spread)
    found["tilt"] = spread / square if square > 0 else np.zeros(len(bands))
    return found


def sum_variance(sd_db: FloatArray, part: Repeatability | None) -> float:
    """Give the variance of a weighted sum of bands.

    Parameters
    ----------
    sd_db : ndarray, shape (b,)
        Standard uncertainty of each band [dB] times its weight.
    part : Repeatability or None
        Repeats that tell how the bands correlate; None where there are none.

    Returns
    -------
    float
        Variance. A floor shrinks its correlations, which is the safe side for the largest of all bands and not for
        their sum: that is undone here. Where the repeats are too few to tell, bands count as wholly correlated.
    """
    correlation = _band_correlation(part)
    return float(np.abs(sd_db).sum() ** 2 if correlation is None else sd_db @ correlation @ sd_db)


def _sum_estimates(
    values: Mapping[Metric, float],
    weights: Mapping[Metric, FloatArray],
    variance: FloatArray,
    degrees: FloatArray,
    part: Repeatability | None,
) -> dict[Metric, Estimate]:
    """Give the metrics that are weighted sums of bands."""
    found: dict[Metric, Estimate] = {}
    for name, weight in weights.items():
        used = weight != 0
        if not used.any():
            found[name] = Estimate(value=float("nan"))
            continue
        sd = weight * np.sqrt(np.where(used, variance, 0.0))
        found[name] = Estimate(
            value=values[name],
            uncertainty=float(np.sqrt(sum_variance(sd, part))),
            degrees=float(_weighted_degrees(sd[used] ** 2, degrees[used])),
        )
    return found


def _weighted_degrees(variance: FloatArray, degrees: FloatArray) -> float:
    """Give the degrees of freedom of a sum of bands whose variances move together: the harmonic mean by variance."""
    return float(variance.sum() / (variance / degrees).sum())


def _band_correlation(part: Repeatability | None) -> FloatArray | None:
    """Give the correlation between bands as the repeats show it, shrinkage undone; None where they are too few."""
    if part is None:
        return None
    shrunk = shrinkage(part.degrees.sum(axis=0).max())
    if shrunk > _MOST_SHRINKAGE:
        return None
    plain = np.clip(part.correlation / (1 - shrunk), -1.0, 1.0)
    np.fill_diagonal(plain, 1.0)
    return np.asarray(plain)


def _draw_errors(sd: FloatArray, correlation: FloatArray, degrees: float, *, draws: int, seed: int) -> FloatArray:
    """Draw measurement errors (b, N): multivariate t with the bands' correlation."""
    rng = np.random.default_rng(seed)
    value, vector = np.linalg.eigh(correlation)
    root = sd[:, None] * vector * np.sqrt(np.maximum(value, 0.0))
    scale = np.sqrt(degrees / rng.chisquare(degrees, draws))
    return np.asarray(root @ rng.standard_normal((sd.size, draws)) * scale)


def _size_estimate(change_db: FloatArray, error_db: FloatArray, degrees: float) -> tuple[Estimate, float]:
    """Give the size of a change, and the size that its errors alone would have."""
    b = change_db.size
    centred = change_db - change_db.mean()
    error = error_db - error_db.mean(axis=0)
    length = float(np.linalg.norm(centred))
    along = centred @ error / length if length > 0 else np.zeros(error.shape[1])
    square = (error**2).sum(axis=0)
    noise = float(np.sqrt(np.median(square) / b))
    # |r u + e| = length, solved for r; 0 where the error alone is longer.
    r = np.where(square < length**2, -along + np.sqrt(np.maximum(along**2 + length**2 - square, 0.0)), 0.0)
    low, high = (np.sort(np.maximum(one, 0.0)) / np.sqrt(b) for one in (r, np.maximum(r, length - along)))
    half = len(low) // 2
    draws = np.concatenate([low[:half], high[half:]])
    u = float(along.std() / np.sqrt(b))
    return Estimate(value=float(length / np.sqrt(b)), uncertainty=u, degrees=degrees, draws=draws), noise


def _level_estimate(change: Change, verdict: Verdict, part: Repeatability | None) -> Estimate:
    """Give the level drop; its interval is the verdict's."""
    interval = verdict.level_drop_interval_db
    if interval is None:
        return Estimate(value=change.level_drop_db)
    own = change.level_drop_interval_db is not None
    degrees = float(change.own_degrees.max()) if own or part is None else float(part.level_degrees)
    half = (interval[1] - interval[0]) / 2
    return Estimate(value=change.level_drop_db, uncertainty=half / float(stats.t.isf(0.025, degrees)), degrees=degrees)
