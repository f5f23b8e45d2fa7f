"""Put a change to the test, find where a residual stands out, and name what it looks like."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from ohmshift.chain.crosscheck_fit import (
    Errors,
    ResistanceFit,
    chi_square_tail,
    fit_resistance,
    power_to_see,
    tabulate_resistances,
    tell_resistances_apart,
    weigh_errors,
)
from ohmshift.chain.crosscheck_shapes import (
    NEAR,
    Likeness,
    choose_likely,
    compare_shapes,
    gather_shapes,
    shape_misalignment,
)
from ohmshift.chain.crosscheck_wording import say_likeness, say_no_resistance, say_other_resistance

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.crosscheck_model import DividerModel, MeasuredBands
    from ohmshift.curves.values import FloatArray, Option

LARGEST_SPREAD = 0.25
"""A resistance with a relative standard error above this is not given."""

LEAST_BANDS = 6
"""Fewest bands that a verdict rests on."""

CANAL_HZ = 3500.0
"""From here on a misaligned ear-canal resonance is looked for [Hz]."""

NEXT_TO_NONE = 0.05
"""A change that a smaller part of the stated resistance explains looks as if none had been added."""

_FAR = 0.03
_NOTHING_LEFT = 1e-3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Question:
    """What is asked of a change; arrays hold the bands with the level last, b + 1 entries.

    Parameters
    ----------
    measured : MeasuredBands
        The change, and how well it is known.
    model : DividerModel
        The divider.
    nominal_ohm, nominal_sd_ohm : float
        Stated resistance and its standard uncertainty [ohm].
    alpha : float
        Error rate allowed.
    change_db, predicted_db : ndarray, shape (b + 1,)
        Change measured, and predicted at the stated resistance [dB].
    covered : ndarray of bool, shape (b,)
        Bands that both curves cover and whose noise is known.
    used : ndarray of bool, shape (b + 1,)
        Entries that are tested.
    response_db : ndarray, shape (n,), or None
        Response without the resistance at the frequencies of the model [dB].
    options : tuple of (str, value) pairs
        The options used.
    """

    measured: MeasuredBands
    model: DividerModel
    nominal_ohm: float
    nominal_sd_ohm: float
    alpha: float
    change_db: FloatArray
    predicted_db: FloatArray
    covered: npt.NDArray[np.bool_]
    used: npt.NDArray[np.bool_]
    response_db: FloatArray | None
    options: tuple[tuple[str, Option], ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Outcome:
    """Outcome of the tests at the stated and at the fitted resistance; k entries are tested.

    Parameters
    ----------
    fit : ResistanceFit or None
        The fit; None where the change hardly depends on the resistance.
    nominal_ohm, added_ohm : float
        Resistance stated, and the one the residual is taken at [ohm].
    errors : Errors
        Errors of the entries.
    slope : ndarray, shape (b + 1,)
        Effect of the resistance [dB/ohm].
    sigma_db : ndarray, shape (k,)
        Standard uncertainty of the residual [dB].
    residual_db : ndarray, shape (k,)
        Residual [dB].
    p_resistance, p_after_fit : float
        P values of the resistance (nan without a fit) and of the residual.
    deflation : float
        Misfit in normal scores over misfit as it stands.
    power : float
        How often the test would notice that the whole predicted change were missing.
    caveats : tuple of str
        What to keep in mind.
    """

    fit: ResistanceFit | None
    nominal_ohm: float
    added_ohm: float
    errors: Errors
    slope: FloatArray
    sigma_db: FloatArray
    residual_db: FloatArray
    p_resistance: float
    p_after_fit: float
    deflation: float
    power: float
    caveats: tuple[str, ...]

    @property
    def slope_if_fitted(self) -> FloatArray | None:
        """Effect of the resistance where it was fitted [dB/ohm], shape (b + 1,)."""
        return None if self.fit is None else self.slope

    @property
    def absent(self) -> bool:
        """Whether no resistance at all would fit as well, or next to none fits best."""
        return self.fit is not None and (self.fit.low_ohm == 0 or self.fit.added_ohm < NEXT_TO_NONE * self.nominal_ohm)


def put_to_test(question: Question) -> Outcome:
    """Fit the resistance where it can be told, and test what is left.

    Parameters
    ----------
    question : Question
        What is asked.

    Returns
    -------
    Outcome
        Fit, residual and p values.
    """
    model, used, nominal = question.model, question.used, question.nominal_ohm
    change = question.change_db[used]
    errors = weigh_errors(question.measured, model, used, added_ohm=nominal)
    slope = model.slope(nominal)
    information = errors.misfit(slope[used])
    spread = 1 / (nominal * np.sqrt(information)) if information > 0 else np.inf
    # A resistance that is not there is seen by either test.
    critical = -float(ndtri((1 - np.sqrt(1 - question.alpha)) / 2))
    power = max(
        power_to_see(question.predicted_db[used], errors, alpha=question.alpha), float(ndtr(1 / spread - critical))
    )
    fit, at, p_resistance, caveats = None, nominal, float("nan"), (*_warn_of_spread(spread, question),)
    if spread <= LARGEST_SPREAD:
        curve = tabulate_resistances(model, nominal_ohm=nominal)
        fit = fit_resistance(change, curve, errors, nominal_ohm=nominal, alpha=question.alpha)
        if abs(np.log(max(fit.added_ohm, 1e-9) / nominal)) > _FAR:
            errors = weigh_errors(question.measured, model, used, added_ohm=fit.added_ohm)
            fit = fit_resistance(change, curve, errors, nominal_ohm=nominal, alpha=question.alpha)
        p_resistance = tell_resistances_apart(fit, nominal_ohm=nominal, nominal_sd_ohm=question.nominal_sd_ohm)
        at, slope = fit.added_ohm, model.slope(fit.added_ohm)
    residual = change - model.predict(at)[used]
    scored = errors.score(residual)
    kept = errors.project(slope[used]) if fit else errors.inverse
    count = change.size - (fit is not None)
    left = max(float(scored @ kept @ scored), 0.0)  # rounding alone can take it below 0
    return Outcome(
        fit=fit,
        nominal_ohm=nominal,
        added_ohm=at,
        errors=errors,
        slope=slope,
        sigma_db=np.sqrt(np.maximum(np.diag(errors.covariance_db2 @ kept @ errors.covariance_db2), 0.0)),
        residual_db=residual,
        p_resistance=p_resistance,
        p_after_fit=chi_square_tail(left, count),
        deflation=left / max(float(residual @ kept @ residual), 1e-12),
        power=power,
        caveats=caveats,
    )


def find_places(question: Question, outcome: Outcome, critical: float) -> tuple[tuple[float, float], ...]:
    """Find the ranges of bands that stand out, or the band that stands out most where none does for certain.

    Parameters
    ----------
    question : Question
        What is asked.
    outcome : Outcome
        Outcome of the tests.
    critical : float
        Residual in standard uncertainties from which on a band stands out.

    Returns
    -------
    tuple of (float, float) pairs
        Edges [Hz]; none where only the level stands out.
    """
    bands, used = question.measured.bands, question.used
    sigma, scored = outcome.sigma_db, np.zeros(used.size)
    # An entry that the fit follows wholly, as a level does that alone tells the resistance, has nothing left to show.
    told = sigma > _NOTHING_LEFT * np.sqrt(np.diag(outcome.errors.covariance_db2))
    scored[used] = np.where(told, np.abs(outcome.errors.score(outcome.residual_db)) / np.where(told, sigma, 1.0), 0.0)
    most = float(scored[:-1].max())
    if most < critical and scored[-1] > most:
        return ()
    out = scored[:-1] >= min(critical, most)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], out, [False]])))
    return tuple((float(bands.low_hz[a]), float(bands.high_hz[z - 1])) for a, z in edges.reshape(-1, 2))


def name_residual(
    question: Question, outcome: Outcome, *, fits: bool, agrees: bool, where_hz: tuple[tuple[float, float], ...]
) -> tuple[tuple[str, str], ...]:
    """Name what the residual looks like, the likeliest first.

    Parameters
    ----------
    question : Question
        What is asked.
    outcome : Outcome
        Outcome of the tests.
    fits : bool
        Whether some resistance explains the change.
    agrees : bool
        Whether nothing speaks against the stated resistance.
    where_hz : tuple of (float, float) pairs
        Where the residual stands out [Hz].

    Returns
    -------
    tuple of (str, str) pairs
        Name and sentence of each fault that would look so.
    """
    moved = [(one.name, say_likeness(one)) for one in _find_misalignment(question, outcome)]
    if agrees:
        return tuple(moved)
    centres = tuple(float(f) for f in question.measured.bands.mid_hz[question.used[:-1]])
    families = gather_shapes(question.model, question.predicted_db, bump_hz=centres, response_db=question.response_db)
    errors = outcome.errors
    if outcome.absent and fits:
        return (("no resistance added", say_no_resistance()), *moved)
    if fits and outcome.fit is not None:
        residual = (question.change_db - question.predicted_db)[question.used]
        likely = choose_likely(compare_shapes(families, residual, errors, slope=None, deflation=outcome.deflation))
        gain = (outcome.fit.misfit_nominal - outcome.fit.misfit) * outcome.deflation
        beside = [(one.name, say_likeness(one)) for one in likely if one.score > gain - NEAR]
        return (
            ("another resistance", say_other_resistance(outcome.fit.added_ohm, question.nominal_ohm)),
            *beside,
            *moved,
        )
    likely = choose_likely(
        compare_shapes(
            families, outcome.residual_db, errors, slope=outcome.slope_if_fitted, deflation=outcome.deflation
        )
    )
    named = [(one.name, say_likeness(one)) for one in likely]
    treble = bool(where_hz) and all(low >= CANAL_HZ for low, _ in where_hz)
    return (*moved, *named) if treble else (*named, *moved)


def _find_misalignment(question: Question, outcome: Outcome) -> list[Likeness]:
    """Look for a moved ear-canal resonance in all measured bands of the treble, tested or not."""
    bands = question.measured.bands
    used = np.append(question.covered & (bands.mid_hz >= CANAL_HZ), False)
    if question.response_db is None or used.sum() < LEAST_BANDS - 1:
        return []
    errors = weigh_errors(question.measured, question.model, used, added_ohm=outcome.added_ohm)
    residual = (question.change_db - question.model.predict(outcome.added_ohm))[used]
    scored = errors.score(residual)
    deflation = errors.misfit(scored) / max(errors.misfit(residual), 1e-12)
    family = shape_misalignment(question.model, question.response_db)
    return choose_likely(compare_shapes([family], residual, errors, slope=None, deflation=deflation))


def _warn_of_spread(spread: float, question: Question) -> tuple[str, ...]:
    if spread <= LARGEST_SPREAD:
        return ()
    reason = "the level is lost and the load is too flat" if not question.used[-1] else "the noise is too large"
    return (f"no resistance is given: {reason}, and any from a wide range would do",)
