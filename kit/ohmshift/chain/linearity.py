"""Is it the divider? Three or more added resistances tell without any impedance."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import null_space
from scipy.special import ndtri

from ohmshift.chain.crosscheck_fit import ROUNDING_DB, Errors, chi_square_tail, invert_covariance
from ohmshift.chain.crosscheck_wording import Word, say_frequency
from ohmshift.curves.smoothing import band_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from ohmshift.chain.crosscheck_model import MeasuredBands
    from ohmshift.curves.grids import Bands

LEAST_RESISTANCES = 3
"""Two points always lie on a straight line."""

_NEPER = np.log(10) / 10


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LinearityCheck:
    """Whether changes at several resistances can come from one impedance.

    Parameters
    ----------
    label : str
        The earphone.
    word : {"explained by the divider", "not explained", "cannot tell"}
        The verdict.
    sentence : str
        The verdict with its numbers.
    p_value : float
        How often chance bends the lines as much.
    added_ohm : ndarray, shape (k,)
        Added resistances [ohm].
    bands : Bands
        Bands.
    judged : ndarray of bool, shape (b,)
        Bands that the test uses.
    residual_db : ndarray, shape (k, b)
        How far each change lies off its band's straight line [dB]; nan where not judged.
    unseen_db : float
        Deviation of a single band that would just be noticed, median over bands [dB], at the resistance where it shows
        best: where one resistance is far larger than the others, the line passes through it whatever was measured.
    unseen_ohm : float
        That resistance [ohm].
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    word: Word
    sentence: str
    p_value: float
    added_ohm: FloatArray
    bands: Bands
    judged: npt.NDArray[np.bool_]
    residual_db: FloatArray
    unseen_db: float
    unseen_ohm: float
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("added_ohm", "judged", "residual_db"):
            array = getattr(self, name)
            object.__setattr__(self, name, read_only(array, array.dtype.type))


def check_linearity(
    frequency_hz: npt.ArrayLike,
    change_db: npt.ArrayLike,
    measured: Sequence[MeasuredBands],
    *,
    added_ohm: npt.ArrayLike,
    tolerance: float = 0.01,
    shared: float = 0.5,
    low_hz: float = 20.0,
    high_hz: float = 6000.0,
    margin_db: float = 1.0,
    alpha: float = 0.05,
) -> LinearityCheck:
    """Test whether changes at three or more resistances can come from one impedance.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz].
    change_db : array_like, shape (k, n)
        Changes with the level in them [dB], each against the same responses without resistance.
    measured : sequence of MeasuredBands, length k
        How well each is known, in bands.
    added_ohm : array_like, shape (k,)
        Added resistances [ohm].
    tolerance : float
        Relative standard uncertainty of each resistance, independent of the others'.
    shared : float
        Part of a change's variance that comes from the responses without resistance, which all changes share.
    low_hz, high_hz : float
        Bands within these are tested [Hz].
    margin_db : float
        Where a deviation of this size in one band would go unnoticed, the word is "cannot tell" [dB].
    alpha : float
        The divider is found wanting this often where it explains everything.

    Returns
    -------
    LinearityCheck
        Verdict, p value and deviations.

    Raises
    ------
    CurveError
        Fewer than three different resistances, counts that do not match, an option out of range, or a level that is
        lost.

    Notes
    -----
    With Y = 1 / (Z + R_0) a change of D dB obeys 10^(-D/10) = 1 + 2 R Re Y + R^2 |Y|^2, so (10^(-D/10) - 1) / R is a
    straight line over R at every frequency, whatever the impedance, the source and the frequency are. Contrasts that a
    straight line cancels are taken at each frequency, averaged over the bands, and tested by chi-square with the full
    covariance. Phase is not needed; the level is.
    """
    f, D, R = (np.asarray(values, dtype=np.float64) for values in (frequency_hz, change_db, added_ohm))
    _check_inputs(f, D, R, measured)
    _check_options(tolerance, shared, alpha)
    bands = measured[0].bands
    q = (10 ** (-D / 10) - 1) / R[:, None]
    contrast = null_space(np.array([np.ones_like(R), R]))
    bent = band_levels(f, contrast.T @ q, bands)
    line = np.polynomial.polynomial.polyfit(R, q, 1)
    effect = -_NEPER * band_levels(f, 10 ** (-D / 10), bands) / R[:, None]
    moved = tolerance * (band_levels(f, q, bands) + band_levels(f, line[1], bands) * R[:, None])
    known = np.all([one.known for one in measured], axis=0) & np.all(np.isfinite(bent), axis=0)
    judged = known & (bands.mid_hz >= low_hz) & (bands.high_hz <= high_hz)
    if not judged.any():
        raise CurveError(
            f"{measured[0].label or 'check_linearity'}, measured",
            "one band at least needs a change and a known noise",
            "none has both",
            "repeat some measurements",
        )
    errors = _weigh(measured, judged, contrast, effect[:, judged], moved[:, judged], shared=shared)
    p_value = chi_square_tail(errors.misfit(errors.score(bent[:, judged].ravel())), errors.degrees.size)
    critical = -float(ndtri((1 - (1 - alpha) ** (1 / errors.degrees.size)) / 2))
    sd = np.sqrt(np.diag(errors.covariance_db2)).reshape(contrast.shape[1], -1)
    size = np.abs(contrast[:, :, None] * effect[:, None, judged])  # resistance, contrast, band
    noticed = critical * np.median(np.min(sd / np.maximum(size, 1e-12), axis=1), axis=-1)
    best = int(np.argmin(noticed))
    off = band_levels(f, q - np.polynomial.polynomial.polyval(R, line).T, bands) / effect
    return _say(
        measured[0],
        p_value=p_value,
        added_ohm=R,
        judged=judged,
        residual_db=np.where(judged, off, np.nan),
        unseen_db=float(noticed[best]),
        unseen_ohm=float(R[best]),
        margin_db=margin_db,
        alpha=alpha,
    )


def _weigh(
    measured: Sequence[MeasuredBands],
    judged: npt.NDArray[np.bool_],
    contrast: FloatArray,
    effect: FloatArray,
    moved: FloatArray,
    *,
    shared: float,
) -> Errors:
    """Propagate the errors of the changes and of the resistances into the contrasts, contrast by contrast."""
    used = np.append(judged, True)
    total = np.hstack([np.eye(int(judged.sum())), np.ones((int(judged.sum()), 1))])
    sd = np.array([np.sqrt(np.append(one.variance_db2, one.level_variance_db2))[used] for one in measured])
    correlation = np.asarray(measured[0].correlation)[np.ix_(used, used)]
    count, b = contrast.shape[1], int(judged.sum())
    covariance = np.zeros((count * b, count * b))
    for k in range(len(measured)):
        for m in range(len(measured)):
            between = (1.0 if k == m else shared) * correlation * np.outer(sd[k], sd[m])
            block = total @ between @ total.T + (ROUNDING_DB**2 * np.eye(b) if k == m else 0.0)
            block = effect[k][:, None] * block * effect[m]
            covariance += np.kron(np.outer(contrast[k], contrast[m]), block)
        shift = np.outer(contrast[k], moved[k]).ravel()
        covariance += np.outer(shift, shift)
    degrees = np.min([one.degrees[judged] for one in measured], axis=0)  # type: ignore[index]
    degrees = np.minimum(degrees, min(one.level_degrees for one in measured))
    return Errors(
        used=used,
        covariance_db2=covariance,
        inverse=invert_covariance(covariance, measured[0].label),
        degrees=np.tile(degrees, count),
        repeatability_db2=np.diag(covariance),
    )


def _say(
    first: MeasuredBands,
    *,
    p_value: float,
    added_ohm: FloatArray,
    judged: npt.NDArray[np.bool_],
    residual_db: FloatArray,
    unseen_db: float,
    unseen_ohm: float,
    margin_db: float,
    alpha: float,
) -> LinearityCheck:
    worst = int(np.nanargmax(np.abs(residual_db).max(axis=0)))
    largest = float(np.abs(residual_db[:, worst]).max())
    word: Word
    if p_value < alpha:
        word = "not explained"
        sentence = f"Not explained by one impedance in series with {added_ohm.size} resistances: a change is off by "
        sentence += f"{largest:.2g} dB near {say_frequency(float(first.bands.mid_hz[worst]))}."
    elif unseen_db > margin_db:
        word = "cannot tell"
        sentence = f"Cannot tell: a deviation of {margin_db:g} dB in one band would go unnoticed at every resistance."
    else:
        word = "explained by the divider"
        sentence = f"Explained by one impedance in series with {added_ohm.size} resistances: a deviation of about "
        sentence += f"{unseen_db:.2g} dB in one band with {unseen_ohm:g} ohm would have been noticed."
    return LinearityCheck(
        label=first.label,
        word=word,
        sentence=sentence,
        p_value=p_value,
        added_ohm=added_ohm,
        bands=first.bands,
        judged=judged,
        residual_db=residual_db,
        unseen_db=unseen_db,
        unseen_ohm=unseen_ohm,
        caveats=("any passive load passes: the test says nothing on which impedance it is",),
    )


def _check_inputs(f: FloatArray, D: FloatArray, R: FloatArray, measured: Sequence[MeasuredBands]) -> None:
    where = (measured[0].label if measured else "") or "check_linearity"
    if np.unique(R).size < LEAST_RESISTANCES or np.unique(R).size < R.size or not np.all(np.isfinite(R) & (R > 0)):
        raise CurveError(
            f"{where}, added_ohm",
            f"{LEAST_RESISTANCES} different resistances above 0 ohm are needed",
            f"they are {', '.join(f'{ohm:g}' for ohm in R.ravel())}",
            "measure with more resistances, or give the earphone's impedance to cross_check",
        )
    if D.shape != (R.size, f.size) or len(measured) != R.size:
        raise CurveError(
            f"{where}, change_db",
            "each resistance needs one curve and one noise",
            f"there are {R.size} resistances, curves of shape {D.shape} and {len(measured)} noises",
            "give one of each",
        )
    if not all(one.level_known for one in measured):
        raise CurveError(
            f"{where}, level_drop_db",
            "the test needs the change of level",
            "it is lost or its noise is not known",
            "measure with the drive voltage kept",
        )


def _check_options(tolerance: float, shared: float, alpha: float) -> None:
    if not (0 <= tolerance < np.inf and 0 <= shared <= 1 and 0 < alpha < 1):
        raise CurveError(
            "check_linearity",
            "tolerance is 0 or more, shared and alpha lie between 0 and 1",
            f"they are {tolerance:g}, {shared:g} and {alpha:g}",
            "mend the one that is off",
        )
