"""A measured change against the divider in numbers: errors, and the resistance that fits best."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtrc, chdtri, chndtr, ndtri, stdtr, stdtrit

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.crosscheck_model import DividerModel, MeasuredBands
    from ohmshift.curves.values import FloatArray

HIGHEST_OHM = 10_000.0
"""Upper end of the search for the resistance [ohm]."""

ROUNDING_DB = 0.002
"""Standard deviation [dB] that rounding and straight lines between points leave in a band, whatever repeats say."""

_LEAST_P = 1e-300
_GRID = 96


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Errors:
    """Errors of the entries of a measured change that are used, at one resistance.

    Parameters
    ----------
    used : ndarray of bool, shape (b + 1,)
        Entries used, the level last.
    covariance_db2 : ndarray, shape (k, k)
        Covariance of the used ones [dB^2].
    inverse : ndarray, shape (k, k)
        Its inverse [1/dB^2].
    degrees : ndarray, shape (k,)
        Degrees of freedom of the diagonal.
    repeatability_db2 : ndarray, shape (k,)
        Part of the diagonal that comes from repeats [dB^2].
    """

    used: npt.NDArray[np.bool_]
    covariance_db2: FloatArray
    inverse: FloatArray
    degrees: FloatArray
    repeatability_db2: FloatArray

    def score(self, residual_db: FloatArray) -> FloatArray:
        """Bring residuals with few degrees of freedom to normal ones, entry by entry.

        Parameters
        ----------
        residual_db : ndarray, shape (k,)
            Residuals [dB].

        Returns
        -------
        ndarray, shape (k,)
            Residuals that a normal distribution with this covariance would hold as likely [dB].
        """
        sd = np.sqrt(np.diag(self.covariance_db2))
        tail = np.maximum(stdtr(self.degrees, -np.abs(residual_db) / sd), _LEAST_P)
        return np.asarray(np.sign(residual_db) * -ndtri(tail) * sd)

    def misfit(self, residual_db: FloatArray) -> float:
        """Give the squared length of residuals in units of their errors.

        Parameters
        ----------
        residual_db : ndarray, shape (k,)
            Residuals [dB].

        Returns
        -------
        float
            Sum of squares, as a chi-square.
        """
        return float(residual_db @ self.inverse @ residual_db)

    def project(self, slope: FloatArray) -> FloatArray:
        """Give the weights of what is left once an effect has been fitted.

        Parameters
        ----------
        slope : ndarray, shape (k,)
            The effect [dB per unit].

        Returns
        -------
        ndarray, shape (k, k)
            Weights that ignore the effect [1/dB^2].
        """
        pull = self.inverse @ slope
        return np.asarray(self.inverse - np.outer(pull, pull) / float(slope @ pull))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResistanceFit:
    """The resistance that explains a change best.

    Parameters
    ----------
    added_ohm : float
        Resistance [ohm].
    low_ohm, high_ohm : float
        Ends of its interval [ohm]; infinite where nothing bounds it.
    misfit : float
        Squared length of the residual left.
    misfit_nominal : float
        The same at the stated resistance.
    degrees : float
        Degrees of freedom of its standard error.
    """

    added_ohm: float
    low_ohm: float
    high_ohm: float
    misfit: float
    misfit_nominal: float
    degrees: float


def weigh_errors(
    measured: MeasuredBands, model: DividerModel, used: npt.NDArray[np.bool_], *, added_ohm: float
) -> Errors:
    """Put together the errors of the used bands: repeats, scale of the impedance, source.

    Parameters
    ----------
    measured : MeasuredBands
        The change.
    model : DividerModel
        The divider.
    used : ndarray of bool, shape (b + 1,)
        Entries to use, the level last.
    added_ohm : float
        Resistance at which the divider's own uncertainty is taken [ohm].

    Returns
    -------
    Errors
        Covariance and its inverse.

    Notes
    -----
    Degrees of freedom grow by the square of total over
    repeated variance (Welch-Satterthwaite), since the divider's own uncertainty counts as known.
    """
    variance = np.append(measured.variance_db2, measured.level_variance_db2)[used] + ROUNDING_DB**2
    degrees = np.append(measured.degrees, measured.level_degrees)[used]
    sd = np.sqrt(variance)
    own = model.nuisances(added_ohm)[:, used]
    covariance = np.asarray(measured.correlation)[np.ix_(used, used)] * np.outer(sd, sd) + own.T @ own
    return Errors(
        used=used,
        covariance_db2=covariance,
        inverse=invert_covariance(covariance, measured.label),
        degrees=degrees * (np.diag(covariance) / variance) ** 2,
        repeatability_db2=variance,
    )


def invert_covariance(covariance_db2: FloatArray, label: str) -> FloatArray:
    """Invert a covariance.

    Parameters
    ----------
    covariance_db2 : ndarray, shape (k, k)
        Covariance [dB^2].
    label : str
        The earphone, for the message.

    Returns
    -------
    ndarray, shape (k, k)
        Inverse [1/dB^2].

    Raises
    ------
    CurveError
        It is not positive definite.
    """
    try:
        factor = cho_factor(covariance_db2, lower=True)
    except np.linalg.LinAlgError:
        raise CurveError(
            f"{label or 'MeasuredBands'}, correlation",
            "a correlation must be positive definite",
            "it is not",
            "shrink it towards independence",
        ) from None
    inverse = cho_solve(factor, np.eye(len(covariance_db2)))
    return np.asarray((inverse + inverse.T) / 2)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResistanceCurve:
    """The prediction over the resistance, tabulated once and joined by a cubic spline.

    Parameters
    ----------
    scale_ohm : float
        Resistance up to which the table is linear, and logarithmic above [ohm].
    added_ohm : ndarray, shape (g,)
        Resistances of the table, from 0 [ohm].
    spline : CubicSpline
        Prediction over log(1 + added_ohm / scale_ohm).
    """

    scale_ohm: float
    added_ohm: FloatArray
    spline: CubicSpline

    def predict(self, added_ohm: npt.ArrayLike) -> FloatArray:
        """Predict the change for added resistances.

        Parameters
        ----------
        added_ohm : array_like, any shape S
            Added resistance [ohm], within the table.

        Returns
        -------
        ndarray, shape S + (b + 1,)
            Change in bands less the level, and the level [dB].
        """
        return np.asarray(self.spline(np.log1p(np.asarray(added_ohm) / self.scale_ohm)))


def tabulate_resistances(model: DividerModel, *, nominal_ohm: float) -> ResistanceCurve:
    """Tabulate the prediction over the resistance.

    Parameters
    ----------
    model : DividerModel
        The divider.
    nominal_ohm : float
        Stated resistance [ohm], where the table is finest.

    Returns
    -------
    ResistanceCurve
        Predictions from 0 to 10 kohm or 30 times the stated resistance.
    """
    scale = nominal_ohm / 3
    x = np.linspace(0.0, np.log1p(max(HIGHEST_OHM, 30 * nominal_ohm) / scale), _GRID)
    added = scale * np.expm1(x)
    table = model.predict(added)
    return ResistanceCurve(scale_ohm=scale, added_ohm=added, spline=CubicSpline(x, np.nan_to_num(table)))


def fit_resistance(
    change_db: FloatArray, curve: ResistanceCurve, errors: Errors, *, nominal_ohm: float, alpha: float
) -> ResistanceFit:
    """Fit the resistance, with its profile interval.

    Parameters
    ----------
    change_db : ndarray, shape (k,)
        Measured change, used entries [dB].
    curve : ResistanceCurve
        The divider over the resistance.
    errors : Errors
        Their errors.
    nominal_ohm : float
        Stated resistance [ohm].
    alpha : float
        The interval misses the resistance this often.

    Returns
    -------
    ResistanceFit
        Best value, interval, misfits.

    Notes
    -----
    A grid finds the valley, which is then refined; the interval holds all resistances around it whose misfit is no more
    than the square of Student's t above the least one. Its degrees of freedom are the harmonic mean of the entries', as
    if their variances shared one error, each weighted by its part in the variance of the resistance.
    """

    def misfit(ohm: npt.ArrayLike) -> FloatArray:
        residual = change_db - curve.predict(ohm)[..., errors.used]
        return np.asarray(((residual @ errors.inverse) * residual).sum(axis=-1))

    grid, on_grid = curve.added_ohm, misfit(curve.added_ohm)
    i = int(np.argmin(on_grid))
    low, high = grid[max(i - 1, 0)], grid[min(i + 1, grid.size - 1)]
    found = minimize_scalar(
        lambda ohm: float(misfit(ohm)), bounds=(low, high), method="bounded", options={"xatol": 1e-8 * high}
    )
    best, least = (float(found.x), float(found.fun)) if found.fun < on_grid[i] else (float(grid[i]), float(on_grid[i]))
    step = 1e-3 * max(best, 1e-3 * nominal_ohm)
    slope = ((curve.predict(best + step) - curve.predict(best)) / step)[errors.used]
    weight = (errors.inverse @ slope) ** 2 * errors.repeatability_db2
    degrees = float(weight.sum() / max(float((weight / errors.degrees).sum()), _LEAST_P))
    excess = float(stdtrit(degrees, 1 - alpha / 2)) ** 2

    def beyond(ohm: float) -> float:
        return float(misfit(ohm)) - least - excess

    far = on_grid > least + excess
    above, below = grid[far & (grid > best)], grid[far & (grid < best)]
    return ResistanceFit(
        added_ohm=best,
        low_ohm=float(brentq(beyond, below[-1], best)) if below.size else 0.0,
        high_ohm=float(brentq(beyond, best, above[0])) if above.size else float("inf"),
        misfit=least,
        misfit_nominal=float(misfit(nominal_ohm)),
        degrees=degrees,
    )


def tell_resistances_apart(fit: ResistanceFit, *, nominal_ohm: float, nominal_sd_ohm: float) -> float:
    """Test the fitted against the stated resistance.

    Parameters
    ----------
    fit : ResistanceFit
        The fit.
    nominal_ohm, nominal_sd_ohm : float
        Stated resistance and its standard uncertainty [ohm].

    Returns
    -------
    float
        Two-sided p value.
    """
    distance = abs(nominal_ohm - fit.added_ohm)
    excess = fit.misfit_nominal - fit.misfit
    if distance == 0 or excess <= 0:
        return 1.0
    variance = distance**2 / excess + nominal_sd_ohm**2
    return float(2 * stdtr(fit.degrees, -distance / np.sqrt(variance)))


def chi_square_tail(misfit: float, count: int) -> float:
    """Give how often chance makes a misfit as large.

    Parameters
    ----------
    misfit : float
        Sum of squares.
    count : int
        Its degrees of freedom.

    Returns
    -------
    float
        P value; 1 without degrees of freedom.
    """
    return float(chdtrc(count, misfit)) if count > 0 else 1.0


def power_to_see(effect_db: FloatArray, errors: Errors, *, alpha: float) -> float:
    """Give how often the test would see an effect.

    Parameters
    ----------
    effect_db : ndarray, shape (k,)
        Effect on the used entries [dB].
    errors : Errors
        Their errors.
    alpha : float
        Error rate of the test.

    Returns
    -------
    float
        Probability.
    """
    count = effect_db.size
    return float(1 - chndtr(chdtri(count, alpha), count, errors.misfit(effect_db)))
