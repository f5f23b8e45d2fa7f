"""What the cross-check compares: a measured change in bands, and the divider's prediction of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.grids import resample
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.curves.values import Impedance

_STEP = 1e-4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MeasuredBands:
    """A measured change in bands, and how well it is known.

    Parameters
    ----------
    bands : Bands
        Bands.
    change_db : ndarray, shape (b,)
        Change [dB], with minus without the resistance, less its mean over the level band; nan where not measured.
    variance_db2 : ndarray, shape (b,)
        Variance of that change [dB^2]; nan or infinite where nothing is known of it.
    degrees : ndarray, shape (b,), or float
        Degrees of freedom of the variances; infinite where they are exact, 0 where nothing is known.
    correlation : ndarray, shape (b, b) or (b + 1, b + 1), or None
        Correlation of the errors between bands, or between them and the level, which is last; None where they are
        independent. A level of which only its variance is known counts as independent of the tone.
    level_drop_db : float
        Mean change over the level band [dB]; nan where the level is lost.
    level_variance_db2 : float
        Its variance [dB^2].
    level_degrees : float
        Degrees of freedom of that variance.
    level_low_hz, level_high_hz : float
        The level band [Hz].
    label : str
        The earphone.

    Raises
    ------
    CurveError
        Arrays of other shapes, or a variance below 0.
    """

    bands: Bands
    change_db: FloatArray
    variance_db2: FloatArray
    degrees: FloatArray | float = np.inf
    correlation: FloatArray | None = None
    level_drop_db: float = float("nan")
    level_variance_db2: float = float("nan")
    level_degrees: float = np.inf
    level_low_hz: float = 200.0
    level_high_hz: float = 2000.0
    label: str = ""

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        b = len(self.bands)
        degrees = np.broadcast_to(self.degrees, (b,)) if np.ndim(self.degrees) == 0 else self.degrees
        correlation = np.eye(b + 1)
        if self.correlation is not None:
            whole = np.shape(self.correlation) == (b + 1, b + 1)
            correlation = self.correlation if whole else _with_level(self.correlation, b)
        for name, value, shape in (
            ("change_db", self.change_db, (b,)),
            ("variance_db2", self.variance_db2, (b,)),
            ("degrees", degrees, (b,)),
            ("correlation", correlation, (b + 1, b + 1)),
        ):
            array = read_only(value)
            if array.shape != shape:
                raise CurveError(
                    f"{self.label or 'MeasuredBands'}, {name}",
                    f"there must be one value a band, shape {shape}",
                    f"the shape is {array.shape}",
                    "give the arrays of these bands",
                )
            object.__setattr__(self, name, array)
        if np.any(self.variance_db2 < 0) or self.level_variance_db2 < 0:
            raise CurveError(
                f"{self.label or 'MeasuredBands'}, variance_db2",
                "a variance is 0 or more",
                "one is below 0",
                "give the square of a standard deviation",
            )

    @property
    def known(self) -> npt.NDArray[np.bool_]:
        """Which bands were measured with an uncertainty that is known, shape (b,)."""
        return np.asarray(np.isfinite(self.change_db) & np.isfinite(self.variance_db2) & (self.degrees > 0))

    @property
    def level_known(self) -> bool:
        """Whether the change of level was measured with an uncertainty that is known."""
        known = np.isfinite(self.level_drop_db) and np.isfinite(self.level_variance_db2) and self.level_degrees > 0
        return bool(known)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DividerModel:
    """The divider as a function of the added resistance, in bands with the level last.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency of the impedance [Hz].
    impedance_ohm : ndarray of complex, shape (n,)
        Impedance [ohm].
    source_ohm : complex
        Impedance of amplifier and cable [ohm].
    source_sd_ohm : float
        Its standard uncertainty [ohm].
    impedance_gain : float
        Relative standard uncertainty of the scale of the impedance.
    low_hz, high_hz : ndarray, shape (b + 1,)
        Edges of the bands, those of the level band last [Hz].
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    source_ohm: complex
    source_sd_ohm: float
    impedance_gain: float
    low_hz: FloatArray
    high_hz: FloatArray

    def average(self, level_db: FloatArray) -> FloatArray:
        """Give the band means of curves, the level removed from them, and the level last.

        Parameters
        ----------
        level_db : ndarray, shape (..., n)
            Curves at the frequencies of the impedance [dB].

        Returns
        -------
        ndarray, shape (..., b + 1)
            Band means less the level, and the level [dB]; nan where the impedance does not cover the band.
        """
        means = mean_levels(self.frequency_hz, level_db, low_hz=self.low_hz, high_hz=self.high_hz)
        means[..., :-1] -= means[..., -1:]
        return means

    def predict(self, added_ohm: npt.ArrayLike) -> FloatArray:
        """Predict the change for added resistances.

        Parameters
        ----------
        added_ohm : array_like, any shape S
            Added resistance [ohm].

        Returns
        -------
        ndarray, shape S + (b + 1,)
            Change in bands less the level, and the level [dB].
        """
        return self.average(divider_change_db(self.impedance_ohm, added_ohm=added_ohm, source_ohm=self.source_ohm))

    def slope(self, added_ohm: float) -> FloatArray:
        """Give how the change depends on the resistance.

        Parameters
        ----------
        added_ohm : float
            Added resistance [ohm].

        Returns
        -------
        ndarray, shape (b + 1,)
            Derivative of the prediction [dB/ohm].
        """
        step = _STEP * max(added_ohm, 0.01)
        low, high = self.predict([max(added_ohm - step, 0.0), added_ohm + step])
        return np.asarray((high - low) / (added_ohm + step - max(added_ohm - step, 0.0)))

    def nuisances(self, added_ohm: float) -> FloatArray:
        """Give what one standard uncertainty of the impedance's scale and of the source does.

        Parameters
        ----------
        added_ohm : float
            Added resistance [ohm].

        Returns
        -------
        ndarray, shape (2, b + 1)
            Effect on the prediction [dB].
        """
        Z, R_0 = self.impedance_ohm, self.source_ohm
        scaled = [divider_change_db(Z * (1 + side * _STEP), added_ohm=added_ohm, source_ohm=R_0) for side in (-1, 1)]
        moved = [divider_change_db(Z, added_ohm=added_ohm, source_ohm=R_0 + side * _STEP) for side in (-1, 1)]
        slopes = self.average(np.array([scaled[1] - scaled[0], moved[1] - moved[0]])) / (2 * _STEP)
        return np.asarray(slopes * np.array([[self.impedance_gain], [self.source_sd_ohm]]))


def build_model(
    impedance: Impedance,
    measured: MeasuredBands,
    *,
    source_ohm: complex,
    source_sd_ohm: float,
    impedance_gain: float,
) -> DividerModel:
    """Set up the divider for a measured change.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    measured : MeasuredBands
        The change, for its bands.
    source_ohm : complex
        Impedance of amplifier and cable [ohm].
    source_sd_ohm : float
        Its standard uncertainty [ohm].
    impedance_gain : float
        Relative standard uncertainty of the scale of the impedance.

    Returns
    -------
    DividerModel
        On the common grid of 48 points an octave.

    Raises
    ------
    CurveError
        The impedance does not cover the level band.
    """
    curve = resample(impedance)
    model = DividerModel(
        frequency_hz=curve.frequency_hz,
        impedance_ohm=curve.impedance_ohm,
        source_ohm=source_ohm,
        source_sd_ohm=source_sd_ohm,
        impedance_gain=impedance_gain,
        low_hz=np.append(measured.bands.low_hz, measured.level_low_hz),
        high_hz=np.append(measured.bands.high_hz, measured.level_high_hz),
    )
    if np.isnan(model.average(np.zeros(curve.frequency_hz.size))[-1]):
        f = impedance.frequency_hz
        raise CurveError(
            impedance.label or "impedance",
            f"it must cover the level band, {measured.level_low_hz:g} to {measured.level_high_hz:g} Hz",
            f"it goes from {f[0]:g} to {f[-1]:g} Hz",
            "measure it over a wider band, or choose a narrower level band",
        )
    return model


def _with_level(correlation: FloatArray, count: int) -> FloatArray:
    """Add the level, independent of the bands; other shapes are left as they are, to be refused."""
    if np.shape(correlation) != (count, count):
        return correlation
    whole = np.eye(count + 1)
    whole[:count, :count] = correlation
    return whole
