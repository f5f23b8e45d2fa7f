"""Whether changes behind several resistances belong to one load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaseFreeCheck:
    """Load impedance from several resistances without any use of phase.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    magnitude_ohm : ndarray, shape (n,)
        Magnitude of load and source impedance in series, |Z + R_0| [ohm]; nan where no load makes these changes.
    conductance_s : ndarray, shape (n,)
        Real part of 1 / (Z + R_0) [siemens].
    possible : ndarray of bool, shape (n,)
        Whether a passive load makes these changes.
    added_ohm : tuple of float, length m
        Resistances used [ohm].
    """

    frequency_hz: FloatArray
    magnitude_ohm: FloatArray
    conductance_s: FloatArray
    possible: npt.NDArray[np.bool_]
    added_ohm: tuple[float, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "magnitude_ohm", "conductance_s"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "possible", read_only(self.possible, np.bool_))


def check_without_phase(
    frequency_hz: npt.ArrayLike, change_db: npt.ArrayLike, *, added_ohm: npt.ArrayLike
) -> PhaseFreeCheck:
    """Find the load from changes of known level behind two or more resistances, each frequency by itself.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz].
    change_db : array_like, shape (m, n)
        Change of level [dB], one row a resistance.
    added_ohm : array_like, shape (m,)
        Resistances added [ohm], no two alike.

    Returns
    -------
    PhaseFreeCheck
        Magnitude and conductance, and whether a passive load can make them.

    Raises
    ------
    CurveError
        Fewer than two different resistances, or shapes that do not match.

    Notes
    -----
    With Y = 1 / (Z + R_0) the change D behind R obeys (10^(-D/10) - 1) / R = 2 Re Y + R |Y|^2: a straight line over R,
    fitted by least squares. It assumes neither minimum phase nor anything outside the band, but a small error of level
    becomes a large one of the slope where R is small beside |Z|: a check on `recover_impedance`, not a way to predict.

    Examples
    --------
    >>> check = check_without_phase([1000.0], [[-3.9794], [-6.9897]], added_ohm=[16, 32])
    >>> round(float(check.magnitude_ohm[0]), 2), bool(check.possible[0])
    (22.63, True)
    """
    R, D = np.asarray(added_ohm, dtype=np.float64), np.asarray(change_db, dtype=np.float64)
    f = np.asarray(frequency_hz, dtype=np.float64)
    if R.ndim != 1 or np.unique(R).size < 2 or np.any(R <= 0) or D.shape != (R.size, f.size):  # noqa: PLR2004 - a line
        raise CurveError(
            "check_without_phase",
            "two different resistances or more are needed, above 0 ohm, with one row of changes each",
            f"there are {np.unique(R).size} resistances and changes of shape {D.shape}",
            "measure with another resistance",
        )
    q = (10 ** (-D / 10) - 1) / R[:, None]
    d = R - R.mean()
    square = d @ q / (d @ d)
    conductance = (q.mean(axis=0) - square * R.mean()) / 2
    possible = (square > 0) & (conductance >= 0) & (conductance**2 <= square * (1 + 1e-9))
    magnitude = np.where(square > 0, 1 / np.sqrt(np.where(square > 0, square, 1.0)), np.nan)
    return PhaseFreeCheck(
        frequency_hz=f,
        magnitude_ohm=magnitude,
        conductance_s=conductance,
        possible=possible,
        added_ohm=tuple(float(ohm) for ohm in R),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Agreement:
    """Whether several resistances agree with one load.

    Parameters
    ----------
    p_value : float
        Chance of a larger disagreement if one load made all changes.
    worst_hz : float
        Third-octave band of the largest disagreement, its mid-band frequency [Hz].
    worst_ohm : float
        Resistance it was found with [ohm].
    worst_db : float
        The disagreement there [dB], measured less expected.
    """

    p_value: float
    worst_hz: float
    worst_ohm: float
    worst_db: float


def judge_agreement(
    residual_db: FloatArray, drawn_db: FloatArray, *, mid_hz: FloatArray, added_ohm: tuple[float, ...]
) -> Agreement:
    """Hold what one load leaves unexplained against what noise would leave.

    Parameters
    ----------
    residual_db : ndarray, shape (m, b)
        Measured less expected change [dB] in bands, one row a resistance.
    drawn_db : ndarray, shape (N, m, b)
        The same from data with noise added [dB].
    mid_hz : ndarray, shape (b,)
        Mid-band frequencies [Hz].
    added_ohm : tuple of float, length m
        Resistances added [ohm].

    Returns
    -------
    Agreement
        Chance, and the largest disagreement.

    Notes
    -----
    The statistic is the largest residual in units of the draws' standard deviation; the chance is the share of draws
    whose deviation from the data's own residual is at least as large, counted with the data among them.
    """
    away = drawn_db - residual_db
    sd = np.maximum(away.std(axis=0), 1e-9)
    largest = np.max(np.abs(away) / sd, axis=(1, 2))
    standard = np.abs(residual_db) / sd
    row, band = np.unravel_index(int(np.argmax(standard)), standard.shape)
    return Agreement(
        p_value=float((1 + np.count_nonzero(largest >= standard.max())) / (1 + largest.size)),
        worst_hz=float(mid_hz[band]),
        worst_ohm=added_ohm[row],
        worst_db=float(residual_db[row, band]),
    )
