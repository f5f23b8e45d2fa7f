"""Is it the divider? A measured change of response against a measured impedance."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from ohmshift.chain.crosscheck_model import MeasuredBands, build_model
from ohmshift.chain.crosscheck_outcome import (
    LEAST_BANDS,
    Outcome,
    Question,
    find_places,
    name_residual,
    put_to_test,
)
from ohmshift.chain.crosscheck_wording import Word, say_outcome
from ohmshift.curves.values import FloatArray, Option, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.curves.values import Impedance, Response

LEAST_POWER = 0.8
"""A change that is not there at all must be noticed this often, or nothing is said."""

HIGHEST_ALPHA = 0.5

_ARRAYS = ("judged", "measured_db", "predicted_db", "residual_db", "residual_sigma_db")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CrossCheck:
    """Whether the divider explains a change, and by which resistance.

    Parameters
    ----------
    label : str
        The earphone.
    word : {"explained by the divider", "not explained", "cannot tell"}
        The verdict. "Explained" may be by another resistance than the one stated: see `agrees`.
    sentence : str
        The verdict with its numbers.
    agrees : bool
        Whether nothing speaks against the stated resistance.
    resistance_ohm : float
        Resistance that explains the change best [ohm]; nan where the change hardly depends on it.
    resistance_interval_ohm : tuple of two floats, or None
        Its interval at 1 - alpha [ohm]; None where no resistance is given.
    nominal_ohm, nominal_sd_ohm : float
        Stated resistance and its standard uncertainty [ohm].
    p_value : float
        How often chance leaves as much at the stated resistance: in the resistance, or in what is left after the fit.
    p_resistance : float
        How often chance moves the fitted resistance as far from the stated one; nan where none is given.
    p_after_fit : float
        How often chance leaves as much after the fit.
    power : float
        How often the test would notice that the whole predicted change were missing.
    bands : Bands
        Bands.
    judged : ndarray of bool, shape (b,)
        Bands that the test uses.
    measured_db, predicted_db : ndarray, shape (b,)
        Change measured, and predicted at the stated resistance [dB], less the level.
    residual_db : ndarray, shape (b,)
        What is left after fitting the resistance [dB]: measured less predicted.
    residual_sigma_db : ndarray, shape (b,)
        Standard uncertainty of that [dB], from repeats, the impedance's scale and the source.
    level_residual_db : float
        The same for the change of level [dB]; nan where the level is lost.
    unseen_db : float
        Deviation of a single band that would just be noticed, median over the judged bands [dB].
    looks_like : tuple of (str, str) pairs
        What the residual looks like, the likeliest first: name, and a sentence that says how far to trust it.
    where_hz : tuple of (float, float) pairs
        Frequency ranges where the residual stands out [Hz].
    caveats : tuple of str
        What to keep in mind.
    options : tuple of (str, value) pairs
        The options used.
    """

    label: str
    word: Word
    sentence: str
    agrees: bool
    resistance_ohm: float
    resistance_interval_ohm: tuple[float, float] | None
    nominal_ohm: float
    nominal_sd_ohm: float
    p_value: float
    p_resistance: float
    p_after_fit: float
    power: float
    bands: Bands
    judged: npt.NDArray[np.bool_]
    measured_db: FloatArray
    predicted_db: FloatArray
    residual_db: FloatArray
    residual_sigma_db: FloatArray
    level_residual_db: float
    unseen_db: float
    looks_like: tuple[tuple[str, str], ...]
    where_hz: tuple[tuple[float, float], ...]
    caveats: tuple[str, ...]
    options: tuple[tuple[str, Option], ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in _ARRAYS:
            array = getattr(self, name)
            object.__setattr__(self, name, read_only(array, array.dtype.type))


def cross_check(
    impedance: Impedance,
    measured: MeasuredBands,
    *,
    nominal_ohm: float,
    nominal_sd_ohm: float = 0.0,
    source_ohm: complex = 0.0,
    source_sd_ohm: float = 0.0,
    impedance_gain: float = 0.01,
    response: Response | None = None,
    low_hz: float = 20.0,
    high_hz: float = 6000.0,
    alpha: float = 0.05,
) -> CrossCheck:
    """Tell whether the divider explains a measured change.

    Parameters
    ----------
    impedance : Impedance
        The earphone's, measured without the resistance.
    measured : MeasuredBands
        Change of response in bands, and how well it is known.
    nominal_ohm, nominal_sd_ohm : float
        Added resistance, by the meter or as stated, and its standard uncertainty [ohm].
    source_ohm : complex
        Impedance of amplifier and cable [ohm].
    source_sd_ohm : float
        Its standard uncertainty [ohm].
    impedance_gain : float
        Relative standard uncertainty of the scale of the impedance, common to all frequencies.
    response : Response, optional
        Response without the resistance; a misaligned resonance and compression are looked for with it.
    low_hz, high_hz : float
        Bands within these are tested [Hz]. Above 6 kHz a change holds the ear-canal resonance as well.
    alpha : float
        The divider is found wanting this often where it explains everything.

    Returns
    -------
    CrossCheck
        Verdict, resistance, residual, and what the residual looks like.

    Raises
    ------
    CurveError
        An option out of range, an impedance that does not cover the level band, or a correlation that is none.

    Notes
    -----
    Two independent tests share `alpha`: the fitted against the stated resistance (Student's t), and what is left after
    the fit (chi-square with the full covariance, entries with few degrees of freedom brought to normal scores). The
    scale of the impedance and the source enter the covariance as fully correlated errors [1]_. Treating bands or points
    as independent finds the divider wanting many times too often.

    Where the change hardly depends on the resistance, as on a flat load once the level is lost, no resistance is given
    and the test is at the stated one. Where even no change at all would be noticed less than four times in five, the
    word is "cannot tell".

    References
    ----------
    .. [1] JCGM 100:2008, 5.2.2.
    """
    _check_options(
        nominal_ohm=nominal_ohm,
        nominal_sd_ohm=nominal_sd_ohm,
        source_sd_ohm=source_sd_ohm,
        impedance_gain=impedance_gain,
        low_hz=low_hz,
        high_hz=high_hz,
        alpha=alpha,
    )
    model = build_model(
        impedance, measured, source_ohm=source_ohm, source_sd_ohm=source_sd_ohm, impedance_gain=impedance_gain
    )
    predicted = model.predict(nominal_ohm)
    covered = measured.known & np.isfinite(predicted[:-1])
    inside = (measured.bands.mid_hz >= low_hz) & (measured.bands.high_hz <= high_hz)
    question = Question(
        measured=measured,
        model=model,
        nominal_ohm=nominal_ohm,
        nominal_sd_ohm=nominal_sd_ohm,
        alpha=alpha,
        change_db=np.append(measured.change_db, measured.level_drop_db),
        predicted_db=predicted,
        covered=covered,
        used=np.append(covered & inside, measured.level_known),
        response_db=None if response is None else _level_on(response, model.frequency_hz),
        options=(
            ("nominal_sd_ohm", nominal_sd_ohm),
            ("source_ohm", str(source_ohm)),
            ("source_sd_ohm", source_sd_ohm),
            ("impedance_gain", impedance_gain),
            ("low_hz", low_hz),
            ("high_hz", high_hz),
            ("alpha", alpha),
        ),
    )
    if question.used[:-1].sum() < LEAST_BANDS:
        return _say_nothing(question)
    return _judge(question, put_to_test(question))


def _judge(question: Question, outcome: Outcome) -> CrossCheck:
    """Put the verdict together, with where the residual stands out and what it looks like."""
    fit, measured, judged = outcome.fit, question.measured, question.used[:-1]
    p_value, fits = _combine(outcome, question.alpha)
    agrees = p_value >= question.alpha
    critical = -float(ndtri((1 - (1 - question.alpha) ** (1 / outcome.residual_db.size)) / 2))
    where = () if fits else find_places(question, outcome, critical)
    residual = question.change_db - question.model.predict(outcome.added_ohm)
    sigma = np.full(residual.size, np.nan)
    sigma[question.used] = outcome.sigma_db
    looks_like = name_residual(question, outcome, fits=fits, agrees=agrees, where_hz=where)
    check = CrossCheck(
        label=measured.label,
        word=_choose_word(fits=fits, agrees=agrees, absent=outcome.absent, power=outcome.power),
        sentence="",
        agrees=agrees,
        resistance_ohm=float("nan") if fit is None else fit.added_ohm,
        resistance_interval_ohm=None if fit is None else (fit.low_ohm, fit.high_ohm),
        nominal_ohm=question.nominal_ohm,
        nominal_sd_ohm=question.nominal_sd_ohm,
        p_value=p_value,
        p_resistance=outcome.p_resistance,
        p_after_fit=outcome.p_after_fit,
        power=outcome.power,
        bands=measured.bands,
        judged=judged,
        measured_db=measured.change_db,
        predicted_db=question.predicted_db[:-1],
        residual_db=residual[:-1],
        residual_sigma_db=sigma[:-1],
        level_residual_db=float(residual[-1]),
        unseen_db=critical * float(np.median(sigma[:-1][judged])),
        looks_like=looks_like,
        where_hz=where,
        caveats=(*outcome.caveats, *_warn(question, fits=fits, looks_like=looks_like)),
        options=question.options,
    )
    return replace(check, sentence=_say(check, absent=outcome.absent and fits))


def _combine(outcome: Outcome, alpha: float) -> tuple[float, bool]:
    """Combine the p values of the two independent tests, and tell whether some resistance fits."""
    if outcome.fit is None:
        return outcome.p_after_fit, outcome.p_after_fit >= alpha
    p_value = 1 - (1 - min(outcome.p_resistance, outcome.p_after_fit)) ** 2
    return p_value, bool(outcome.p_after_fit >= 1 - np.sqrt(1 - alpha))


def _say(check: CrossCheck, *, absent: bool) -> str:
    return say_outcome(
        check.word,
        agrees=check.agrees,
        absent=absent,
        nominal_ohm=check.nominal_ohm,
        resistance_ohm=check.resistance_ohm,
        interval_ohm=check.resistance_interval_ohm,
        residual_db=float(np.sqrt(np.mean(check.residual_db[check.judged] ** 2))),
        unseen_db=check.unseen_db,
        where_hz=check.where_hz,
    )


def _choose_word(*, fits: bool, agrees: bool, absent: bool, power: float) -> Word:
    if not fits or (not agrees and absent):
        return "not explained"
    return "cannot tell" if agrees and power < LEAST_POWER else "explained by the divider"


def _level_on(response: Response, frequency_hz: FloatArray) -> FloatArray:
    # Held constant outside the response's band: bands there were not measured and are not used.
    return np.asarray(np.interp(np.log(frequency_hz), np.log(response.frequency_hz), response.level_db))


def _warn(question: Question, *, fits: bool, looks_like: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    found = []
    if not question.used[-1]:
        found.append("the level is lost: only the tone was tested")
    total = question.change_db[:-1] + question.change_db[-1]
    sigma = np.sqrt(question.measured.variance_db2 + question.measured.level_variance_db2)
    if question.used[-1] and np.any(total[question.used[:-1]] > 2 * sigma[question.used[:-1]]):
        found.append(
            "the earphone plays louder with the resistance somewhere, which no divider with a passive load does"
        )
    if not fits:
        found.append("the fitted resistance means little while a residual is left")
        if not looks_like:
            found.append("the residual looks like none of the faults known here")
    return tuple(found)


def _say_nothing(question: Question) -> CrossCheck:
    nan = np.full(len(question.measured.bands), np.nan)
    count = int(question.used[:-1].sum())
    return CrossCheck(
        label=question.measured.label,
        word="cannot tell",
        sentence=f"Cannot tell: {count} bands have both curves and a known noise, and {LEAST_BANDS} are needed.",
        agrees=True,
        resistance_ohm=float("nan"),
        resistance_interval_ohm=None,
        nominal_ohm=question.nominal_ohm,
        nominal_sd_ohm=question.nominal_sd_ohm,
        p_value=float("nan"),
        p_resistance=float("nan"),
        p_after_fit=float("nan"),
        power=0.0,
        bands=question.measured.bands,
        judged=question.used[:-1],
        measured_db=question.measured.change_db,
        predicted_db=question.predicted_db[:-1],
        residual_db=(question.change_db - question.predicted_db)[:-1],
        residual_sigma_db=nan,
        level_residual_db=float(question.change_db[-1] - question.predicted_db[-1]),
        unseen_db=float("inf"),
        looks_like=(),
        where_hz=(),
        caveats=("nothing tells a deviation from measurement noise: repeat some measurements",),
        options=question.options,
    )


def _check_options(
    *,
    nominal_ohm: float,
    nominal_sd_ohm: float,
    source_sd_ohm: float,
    impedance_gain: float,
    low_hz: float,
    high_hz: float,
    alpha: float,
) -> None:
    for name, value, holds, rule in (
        ("nominal_ohm", nominal_ohm, 0 < nominal_ohm < np.inf, "the added resistance must be above 0 ohm"),
        ("nominal_sd_ohm", nominal_sd_ohm, nominal_sd_ohm >= 0, "a standard uncertainty is 0 or more"),
        ("source_sd_ohm", source_sd_ohm, source_sd_ohm >= 0, "a standard uncertainty is 0 or more"),
        ("impedance_gain", impedance_gain, impedance_gain >= 0, "a relative standard uncertainty is 0 or more"),
        ("high_hz", high_hz, 0 < low_hz < high_hz, f"it must lie above low_hz, {low_hz:g} Hz"),
        ("alpha", alpha, 0 < alpha <= HIGHEST_ALPHA, f"an error rate is above 0 and at most {HIGHEST_ALPHA}"),
    ):
        if not holds:
            raise CurveError(f"cross_check, {name}", rule, f"it is {value:g}", "mend it")
