"""Several parties' figures for one earphone, put together with the party as a random effect."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy import optimize, stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import metric_weights, sum_variance

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.evidence.estimates import ChangeEstimate

Measure: TypeAlias = Literal["bass", "treble", "tilt"]

MEASURES: dict[Measure, tuple[str, str]] = {
    "bass": ("change of the bass, up to 160 Hz", "dB"),
    "treble": ("change of the treble, from 5 kHz", "dB"),
    "tilt": ("tilt of the change", "dB per octave"),
}
"""What can be put together: what it is, and its unit."""

FEW_PARTIES = 4
"""With fewer parties their spread is hardly known, and the result says so."""

_FAR = 1e6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PooledParties:
    """One figure out of several parties' figures.

    Parameters
    ----------
    parties : tuple of str, length k
        The parties.
    estimates, standard_errors : ndarray, shape (k,)
        Their figures.
    mean : float
        The figure of all of them.
    low, high : float
        Its 95 % interval, by Hartung and Knapp.
    between_variance : float
        Variance between parties beyond their standard errors, by Paule and Mandel.
    weights : ndarray, shape (k,)
        Share of each party in the mean.
    q : float
        Cochran's Q.
    inconsistency : float
        Share of the spread that is beyond the standard errors, I^2, from 0 to 1.
    caveats : tuple of str
        What to keep in mind.
    """

    parties: tuple[str, ...]
    estimates: FloatArray
    standard_errors: FloatArray
    mean: float
    low: float
    high: float
    between_variance: float
    weights: FloatArray
    q: float
    inconsistency: float
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("estimates", "standard_errors", "weights"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def pool_parties(
    estimates: npt.ArrayLike, standard_errors: npt.ArrayLike, *, parties: tuple[str, ...] = ()
) -> PooledParties:
    """Put several parties' figures together, the party as a random effect.

    Parameters
    ----------
    estimates : array_like, shape (k,)
        One figure a party, in one unit.
    standard_errors : array_like, shape (k,)
        Their standard errors.
    parties : tuple of str, length k, optional
        Names of the parties.

    Returns
    -------
    PooledParties
        Mean, interval, spread between parties.

    Raises
    ------
    EvidenceError
        Fewer than two parties, counts that differ, or an error that is not above 0.

    Notes
    -----
    The variance between parties is the one at which the weighted sum of squares is what chance makes of it [1]_. The
    interval of the mean takes its variance from the spread of the parties and Student's t with k - 1 degrees [2]_, and
    is never narrower than the parties' own errors allow. With two parties it is very wide: that is what two parties
    can say.

    References
    ----------
    .. [1] R. C. Paule, J. Mandel, "Consensus values and weighting factors", J. Research of the National Bureau of
       Standards 87 (1982) 377-385.
    .. [2] J. Hartung, G. Knapp, "On tests of the overall treatment effect in meta-analysis with normally distributed
       responses", Statistics in Medicine 20 (2001) 1771-1782.

    Examples
    --------
    >>> pooled = pool_parties([1.0, 1.2, 0.9], [0.1, 0.1, 0.1])
    >>> round(pooled.mean, 3), round(pooled.between_variance, 4)
    (1.033, 0.0133)
    """
    y, s = np.asarray(estimates, dtype=np.float64), np.asarray(standard_errors, dtype=np.float64)
    k = y.size
    names = parties or tuple(f"party {i + 1}" for i in range(k))
    if k < 2 or y.shape != s.shape or len(names) != k or not (np.all(np.isfinite([y, s])) and np.all(s > 0)):  # noqa: PLR2004
        rule = "pooling needs two parties or more, each with a figure and a standard error above 0"
        found = f"there are {k} figures, {s.size} errors and {len(names)} names"
        raise EvidenceError("pool_parties", rule, found, "leave out the parties without repeats")
    tau2 = _between(y, s)
    w = 1 / (s**2 + tau2)
    mean = float(w @ y / w.sum())
    inflation = max(float(w @ (y - mean) ** 2) / (k - 1), 1.0)
    error = float(np.sqrt(inflation / w.sum()))  # Eq. 5 of [2], not below the parties' own errors
    t = float(stats.t.isf(0.025, k - 1))
    fixed = 1 / s**2
    q = float(fixed @ (y - fixed @ y / fixed.sum()) ** 2)
    few = f"{k} parties only: how far parties differ is hardly known" if k < FEW_PARTIES else ""
    return PooledParties(
        parties=names,
        estimates=y,
        standard_errors=s,
        mean=mean,
        low=mean - t * error,
        high=mean + t * error,
        between_variance=tau2,
        weights=w / w.sum(),
        q=q,
        inconsistency=max(0.0, 1 - (k - 1) / q) if q > 0 else 0.0,
        caveats=(few,) if few else (),
    )


def summarise_estimate(estimate: ChangeEstimate, measure: Measure) -> tuple[float, float]:
    """Give one figure of a change, and its standard error.

    Parameters
    ----------
    estimate : ChangeEstimate
        A party's change.
    measure : {"bass", "treble", "tilt"}
        Which figure.

    Returns
    -------
    tuple of float
        Figure and standard error [dB, or dB per octave]; nan where the bands of it are not all known.

    Raises
    ------
    EvidenceError
        An unknown measure.

    Notes
    -----
    A tilt over fewer bands is another figure: over the bands from 50 Hz to 10 kHz, changes by dividers had one that
    differed by a third from that over all bands. So each figure needs all of its bands.

    Variation correlates between bands as the repeats show, where they are enough to show it. Otherwise, and for other
    parts of the error, bands count as wholly correlated, which is the safe side for a mean.
    """
    if measure not in MEASURES:
        raise EvidenceError("measure", f"it is one of {', '.join(MEASURES)}", f"it is {measure!r}", "choose one")
    weight = metric_weights(estimate.bands, np.ones(len(estimate.bands), dtype=bool))[measure]
    used = weight != 0
    if not used.any() or not np.all(estimate.known[used] > 0):
        return float("nan"), float("nan")
    sd = weight * np.sqrt(np.where(used, estimate.variance_db2, 0.0))
    variance = [sum_variance(sd[i], estimate.repeats if i == 0 else None) for i in range(len(estimate.parts))]
    return float(weight[used] @ estimate.change_db[used]), float(np.sqrt(sum(variance)))


def _between(y: FloatArray, s: FloatArray) -> float:
    """Solve the equation of Paule and Mandel for the variance between parties."""

    def excess(tau2: float) -> float:
        w = 1 / (s**2 + tau2)
        return float(w @ (y - w @ y / w.sum()) ** 2) - (y.size - 1)

    if excess(0.0) <= 0:
        return 0.0
    return float(optimize.brentq(excess, 0.0, _FAR * float(y.var() + (s**2).max()), xtol=1e-14, rtol=1e-12))
