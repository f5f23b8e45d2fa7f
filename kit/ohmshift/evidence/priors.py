"""What to expect of an earphone's variance before its own repeats are seen: an empirical-Bayes prior."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize
from scipy.special import digamma, polygamma

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

LEAST_VARIANCE_DB2 = 1e-8
"""Variances below this count as this: files hold rounded numbers."""

_ALL_ALIKE = 1e-6
_FEW_DEGREES = 10.0
_LEAST_SHRINKAGE = 0.1


def fit_prior(variance_db2: FloatArray, degrees: FloatArray, *, widening: float = 1.0) -> tuple[FloatArray, FloatArray]:
    """Fit the distribution that the earphones' variances come from.

    Parameters
    ----------
    variance_db2 : ndarray, shape (m, b)
        Variance of each earphone in each band [dB^2].
    degrees : ndarray, shape (m, b)
        Their degrees of freedom.
    widening : float
        How many half standard errors to widen the spread between earphones by; with 0 neither that nor the error of
        the mean is added, which is the textbook estimate.

    Returns
    -------
    tuple of two ndarray, shape (b,)
        Variance expected [dB^2], and the degrees of freedom it is worth: infinite where the earphones are alike.

    Notes
    -----
    The textbook estimate takes the prior as known. With a handful of earphones it is not: in simulated studies that
    gave 10 to 19 % false alarms for 5 % wanted. So the spread of the log variances is enlarged by the error of their
    mean, and by half a standard error of their spread; for that the spread counts as at least what chance makes.

    References
    ----------
    .. [1] G. K. Smyth, "Linear models and empirical Bayes methods for assessing differential expression in microarray
       experiments", Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3, section 6.2.

    Examples
    --------
    >>> variance, degrees = fit_prior(np.array([[0.5], [1.0], [3.0]]), np.full((3, 1), 4.0))
    >>> bool(0.5 < variance[0] < 3.0)
    True
    """
    m = len(variance_db2)
    e = np.log(np.maximum(variance_db2, LEAST_VARIANCE_DB2)) - log_bias(degrees)  # Section 6.2 of [1]
    mean = e.mean(axis=0)
    total = ((e - mean) ** 2).sum(axis=0) / (m - 1)
    chance = polygamma(1, degrees / 2).mean(axis=0)
    between = total - chance
    if widening > 0:
        error = np.maximum(total, chance)
        between = np.maximum(between, 0) + error / m + widening / 2 * error * np.sqrt(2 / (m - 1))
    known = between > _ALL_ALIKE
    prior_degrees = np.full(mean.shape, np.inf)
    prior_degrees[known] = 2 * invert_trigamma(between[known])
    return np.exp(mean + log_bias(prior_degrees)), prior_degrees


def invert_trigamma(value: FloatArray) -> FloatArray:
    """Solve trigamma(x) = value.

    Parameters
    ----------
    value : ndarray, any shape
        Positive values.

    Returns
    -------
    ndarray
        Solutions, same shape.

    Notes
    -----
    Newton's method on 1 / trigamma, which is nearly a straight line, from 1/2 + 1/value.

    References
    ----------
    .. [1] G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3, appendix.

    Examples
    --------
    >>> bool(np.allclose(invert_trigamma(np.array([np.pi**2 / 6])), 1.0))
    True
    """
    y = np.asarray(value, dtype=np.float64)
    if y.size == 0:
        return y

    def excess(x: FloatArray) -> FloatArray:
        return np.asarray(1 / polygamma(1, x) - 1 / y)

    def slope(x: FloatArray) -> FloatArray:
        return np.asarray(-polygamma(2, x) / polygamma(1, x) ** 2)

    return np.asarray(optimize.newton(excess, 0.5 + 1 / y, fprime=slope, maxiter=100), dtype=np.float64)


def log_bias(degrees: FloatArray) -> FloatArray:
    """Give the mean of the log of a variance estimate whose true variance is 1.

    Parameters
    ----------
    degrees : ndarray, any shape
        Degrees of freedom, infinity allowed.

    Returns
    -------
    ndarray
        The mean, digamma(d/2) - log(d/2), same shape.

    Examples
    --------
    >>> float(log_bias(np.array(np.inf)))
    0.0
    """
    half = np.asarray(degrees, dtype=np.float64) / 2
    finite = np.where(np.isfinite(half), half, 1.0)
    return np.where(np.isfinite(half), digamma(finite) - np.log(finite), 0.0)


def shrinkage(degrees: float) -> float:
    """Give how far correlations between bands are shrunk towards none.

    Parameters
    ----------
    degrees : float
        Degrees of freedom of the residuals that they rest on.

    Returns
    -------
    float
        Share taken off, from 0.1 to 1.

    Examples
    --------
    >>> [shrinkage(degrees) for degrees in (4, 40, 400)]
    [1.0, 0.25, 0.1]
    """
    return float(np.clip(_FEW_DEGREES / max(degrees, 1.0), _LEAST_SHRINKAGE, 1.0))
