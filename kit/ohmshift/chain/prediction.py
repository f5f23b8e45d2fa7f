"""What any source does to an earphone's response, from a measured or a recovered impedance, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, Impedance, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

AnyImpedance: TypeAlias = Impedance | RecoveredImpedance

TAILS = (2.5, 97.5)
"""Ends of a 95 % band [%]."""

LEVEL_HZ = (200.0, 2000.0)
"""Band whose mean change counts as the level drop [Hz]."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PredictedChange:
    """What a source does to an earphone's response, as the divider predicts it, with 95 % bands.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (n,)
        Change of level [dB], behind the source minus behind the start.
    low_db, high_db : ndarray, shape (n,)
        Its band [dB], each frequency by itself; the change itself where the impedance was measured, since its error is
        not known.
    tonal_change_db : ndarray, shape (n,)
        The change [dB] less its mean over the level band: what is left at equal loudness, roughly.
    tonal_low_db, tonal_high_db : ndarray, shape (n,)
        Its band [dB].
    level_drop_db : float
        That mean [dB]; negative means quieter.
    level_drop_low_db, level_drop_high_db : float
        Its band [dB].
    readable : ndarray of bool, shape (n,)
        Where the impedance may be read.
    source_ohm : complex
        Source impedance before the resistance is added [ohm]; the first, where it depends on frequency.
    added_ohm : float
        Resistance added [ohm].
    start_ohm : complex
        Source impedance that the change is counted from [ohm]; the first, where it depends on frequency.
    caveats : tuple of str
        What to keep in mind.
    label : str
        The earphone.
    """

    frequency_hz: FloatArray
    change_db: FloatArray
    low_db: FloatArray
    high_db: FloatArray
    tonal_change_db: FloatArray
    tonal_low_db: FloatArray
    tonal_high_db: FloatArray
    level_drop_db: float
    level_drop_low_db: float
    level_drop_high_db: float
    readable: npt.NDArray[np.bool_]
    source_ohm: complex
    added_ohm: float
    start_ohm: complex
    caveats: tuple[str, ...] = ()
    label: str = ""

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "change_db", "low_db", "high_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        for name in ("tonal_change_db", "tonal_low_db", "tonal_high_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "readable", read_only(self.readable, np.bool_))


def predict_change(
    impedance: AnyImpedance,
    *,
    added_ohm: float = 0.0,
    source_ohm: complex | npt.NDArray[np.complex128] = 0.0,
    start_ohm: complex | npt.NDArray[np.complex128] | None = None,
    level_low_hz: float = LEVEL_HZ[0],
    level_high_hz: float = LEVEL_HZ[1],
    tolerance_db: float | None = None,
) -> PredictedChange:
    """Predict the change of response that a source makes.

    Parameters
    ----------
    impedance : Impedance or RecoveredImpedance
        The earphone's.
    added_ohm : float
        Resistance added to the source [ohm].
    source_ohm : complex, or ndarray of complex, shape (n,)
        Impedance of amplifier and cable [ohm].
    start_ohm : complex, or ndarray of complex, shape (n,), optional
        Source impedance that the change is counted from [ohm]; by default `source_ohm`, so that the change is that of
        adding the resistance.
    level_low_hz, level_high_hz : float
        Band whose mean change counts as the level drop [Hz].
    tolerance_db : float, optional
        A caveat is added where the band is wider than this, either way [dB].

    Returns
    -------
    PredictedChange
        Change, level drop and tonal change, each with its band.

    Raises
    ------
    CurveError
        A resistance out of range, a source that is not passive or shorts the earphone out, or an impedance that does
        not cover the level band.

    Notes
    -----
    An earphone Z behind a source S gets the share Z / (Z + S), so the change from S_0 to S is
    20 log10 |(Z + S_0) / (Z + S)|. The band holds the change for every impedance that the data allow. Where |Z| is
    large beside both sources the change is small and its band narrow, however wide that of |Z|.

    Examples
    --------
    >>> flat = Impedance(frequency_hz=[20, 1000, 20000], impedance_ohm=[16, 16, 16])
    >>> change = predict_change(flat, added_ohm=16)
    >>> round(change.level_drop_db, 2), bool(np.allclose(change.tonal_change_db, 0))
    (-6.02, True)
    """
    f = impedance.frequency_hz
    S = np.asarray(source_ohm, dtype=np.complex128)
    start = S if start_ohm is None else np.asarray(start_ohm, dtype=np.complex128)
    _check_sources(impedance, added_ohm, S, start)
    change_db = source_change_db(impedance.impedance_ohm, source_ohm=S + added_ohm, start_ohm=start)
    drop_db = level_drop(impedance, change_db, level_low_hz, level_high_hz)
    band, tonal, drop = np.stack([change_db] * 2), np.stack([change_db - drop_db] * 2), np.stack([drop_db] * 2)
    if isinstance(impedance, RecoveredImpedance):
        single = impedance.draws_ohm.dtype
        drawn = source_change_db(
            impedance.draws_ohm, source_ohm=(S + added_ohm).astype(single), start_ohm=start.astype(single)
        )
        drops = level_drop(impedance, drawn, level_low_hz, level_high_hz)
        band, drop = np.percentile(drawn, TAILS, axis=0), np.percentile(drops, TAILS)
        tonal = np.percentile(drawn - drops[:, None], TAILS, axis=0)
    readable = readable_frequencies(impedance)
    return PredictedChange(
        frequency_hz=f,
        change_db=change_db,
        low_db=band[0],
        high_db=band[1],
        tonal_change_db=change_db - drop_db,
        tonal_low_db=tonal[0],
        tonal_high_db=tonal[1],
        level_drop_db=float(drop_db),
        level_drop_low_db=float(drop[0]),
        level_drop_high_db=float(drop[1]),
        readable=readable,
        source_ohm=complex(S.ravel()[0]),
        added_ohm=float(added_ohm),
        start_ohm=complex(start.ravel()[0]),
        caveats=_caveats(impedance, (band[1] - band[0]) / 2, readable, tolerance_db),
        label=impedance.label,
    )


def source_change_db(
    impedance_ohm: npt.ArrayLike, *, source_ohm: npt.ArrayLike, start_ohm: npt.ArrayLike = 0.0
) -> FloatArray:
    """Give the change of level from one source impedance to another.

    Parameters
    ----------
    impedance_ohm : array_like of complex, shape (..., n)
        Earphone impedance [ohm].
    source_ohm, start_ohm : array_like of complex, broadcast against (..., n)
        Source impedance [ohm], and the one that the change is counted from.

    Returns
    -------
    ndarray, shape (..., n)
        Change of the earphone's voltage [dB], in single precision where all impedances are.

    Examples
    --------
    >>> source_change_db([16.0], source_ohm=16 + 0j, start_ohm=0).round(2)
    array([-6.02])
    """
    Z, S, S_0 = np.asarray(impedance_ohm), np.asarray(source_ohm), np.asarray(start_ohm)
    start, end = Z + S_0, Z + S
    power = (start.real**2 + start.imag**2) / (end.real**2 + end.imag**2)
    return np.asarray(10 * np.log10(power))


def _check_sources(
    impedance: AnyImpedance, added_ohm: float, source: npt.NDArray[np.complex128], start: npt.NDArray[np.complex128]
) -> None:
    shapes = {source.shape, start.shape} <= {(), impedance.frequency_hz.shape}
    finite = bool(np.all(np.isfinite(source)) and np.all(np.isfinite(start)) and np.isfinite(added_ohm))
    if not (shapes and finite and added_ohm >= 0 and min(source.real.min(), start.real.min()) >= 0):
        raise CurveError(
            impedance.label or "predict_change",
            "sources must be finite and passive, one number or one value a frequency, and the resistance 0 ohm or more",
            f"the resistance is {added_ohm:g} ohm, the source {complex(source.ravel()[0]):g} ohm",
            "mend the one that is off",
        )
    if any(np.any(impedance.impedance_ohm + ohm == 0) for ohm in (source + added_ohm, start)):
        raise CurveError(
            impedance.label or "predict_change",
            "earphone and source together must have an impedance that is not 0",
            "it is 0 at one frequency",
            "drop that frequency",
        )


def readable_frequencies(impedance: AnyImpedance) -> npt.NDArray[np.bool_]:
    """Give where an impedance may be read.

    Parameters
    ----------
    impedance : Impedance or RecoveredImpedance
        The earphone's.

    Returns
    -------
    ndarray of bool, shape (n,)
        All true where it was measured.
    """
    if isinstance(impedance, RecoveredImpedance):
        return impedance.readable
    return np.ones(impedance.frequency_hz.size, dtype=bool)


def level_drop(impedance: AnyImpedance, change_db: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Give the mean of changes over the level band.

    Parameters
    ----------
    impedance : Impedance or RecoveredImpedance
        The earphone's, for its frequencies.
    change_db : ndarray, shape (..., n)
        Changes [dB].
    low_hz, high_hz : float
        Level band [Hz].

    Returns
    -------
    ndarray, shape (...)
        Mean change, equal weight per octave [dB].

    Raises
    ------
    CurveError
        An impedance that does not cover the level band.
    """
    level_db = mean_levels(impedance.frequency_hz, change_db, low_hz=[low_hz], high_hz=[high_hz])[..., 0]
    if np.any(np.isnan(level_db)):
        f = impedance.frequency_hz
        raise CurveError(
            impedance.label or "impedance",
            f"it must cover the level band, {low_hz:g} to {high_hz:g} Hz",
            f"it goes from {f[0]:g} to {f[-1]:g} Hz",
            "choose a narrower level band",
        )
    return level_db


def _caveats(
    impedance: AnyImpedance, half_db: FloatArray, readable: npt.NDArray[np.bool_], tolerance_db: float | None
) -> tuple[str, ...]:
    said = list(impedance.caveats) if isinstance(impedance, RecoveredImpedance) else []
    wide = np.where(readable, half_db, 0.0)
    if tolerance_db is not None and wide.max() > tolerance_db:
        at = impedance.frequency_hz[int(np.argmax(wide))]
        said.append(
            f"The prediction is uncertain by up to {wide.max():.1f} dB (at {at:.0f} Hz), more than the "
            f"{tolerance_db:g} dB that matter."
        )
    return tuple(said)
