"""How much quieter or louder a change of response makes programme: one number, with its spread over spectra."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.chain.weightings import PROGRAMME_DB, PROGRAMME_HZ, a_weighting_db, k_weighting_db
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray

Spectrum: TypeAlias = Literal["programme", "pink"]
Weighting: TypeAlias = Literal["K", "A", "none"]

SPECTRA: tuple[Spectrum, ...] = ("programme", "pink")
"""Spectra of what is played: programme as IEC 60268-1 simulates it, and pink noise, alike in every third octave."""

WEIGHTINGS: tuple[Weighting, ...] = ("K", "A", "none")
"""Weightings of level: K (ITU-R BS.1770), A (IEC 61672-1), none."""

AUDIBLE_HZ = (20.0, 20_000.0)
"""Band that loudness is summed over [Hz]."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LoudnessChange:
    """How much louder programme becomes.

    Parameters
    ----------
    change_db : float
        Change of the K-weighted level of simulated programme [dB]; negative is quieter.
    a_weighted_db : float
        Change of the A-weighted level of simulated programme, played through the earphone's response where that is
        known [dB]: what a sound exposure goes by. It may lie more than 1 dB from `change_db`.
    low_db, high_db : float
        Lowest and highest change over both spectra, all weightings, and with the earphone's response and without [dB].
    least_db, least_hz : float
        The most negative change at any frequency [dB], and where [Hz].
    largest_db, largest_hz : float
        The most positive change at any frequency [dB], and where [Hz].
    by_spectrum : tuple of (str, str, float)
        Spectrum, weighting, and change [dB] without the earphone's response.
    label : str
        The earphone.
    """

    change_db: float
    a_weighted_db: float
    low_db: float
    high_db: float
    least_db: float
    least_hz: float
    largest_db: float
    largest_hz: float
    by_spectrum: tuple[tuple[Spectrum, Weighting, float], ...]
    label: str = ""


def spectrum_db(frequency_hz: npt.ArrayLike, spectrum: Spectrum) -> FloatArray:
    """Give the level of a spectrum in third octaves.

    Parameters
    ----------
    frequency_hz : array_like, any shape
        Frequency [Hz], positive.
    spectrum : {"programme", "pink"}
        Which one.

    Returns
    -------
    ndarray, same shape
        Level of the third octave around each frequency, re the middle ones [dB]; between the mid-bands on straight
        lines in log frequency, beyond 20 Hz and 20 kHz as there.

    Raises
    ------
    CurveError
        An unknown spectrum.

    References
    ----------
    .. [1] IEC 60268-1:1985, table II.

    Examples
    --------
    >>> spectrum_db([20, 1000, 20_000], "programme").round(1)
    array([-13.5,  -0.1, -21.6])
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    if spectrum == "pink":
        return np.zeros(f.shape)
    if spectrum == "programme":
        return np.asarray(np.interp(np.log(f), np.log(PROGRAMME_HZ), PROGRAMME_DB))
    raise CurveError("spectrum", f"it is one of {', '.join(SPECTRA)}", f"it is {spectrum!r}", "choose one")


def weight_db(frequency_hz: npt.ArrayLike, weighting: Weighting) -> FloatArray:
    """Give a weighting by name.

    Parameters
    ----------
    frequency_hz : array_like, any shape
        Frequency [Hz], positive.
    weighting : {"K", "A", "none"}
        Which one.

    Returns
    -------
    ndarray, same shape
        Weighting [dB].

    Raises
    ------
    CurveError
        An unknown weighting.
    """
    if weighting == "none":
        return np.zeros(np.shape(frequency_hz))
    if weighting not in WEIGHTINGS:
        raise CurveError("weighting", f"it is one of {', '.join(WEIGHTINGS)}", f"it is {weighting!r}", "choose one")
    return k_weighting_db(frequency_hz) if weighting == "K" else a_weighting_db(frequency_hz)


def octave_weights(frequency_hz: npt.ArrayLike) -> FloatArray:
    """Give each frequency its share of the log-frequency axis from 20 Hz to 20 kHz.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.

    Returns
    -------
    ndarray, shape (n,)
        Shares of the trapezoidal rule, 1 in all; 0 outside the band.

    Raises
    ------
    CurveError
        Frequencies that do not rise, or fewer than two in the band.
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    if f.ndim != 1 or not np.all(np.diff(f) > 0):
        raise CurveError("frequency_hz", "frequency must rise", "it does not", "sort the frequencies")
    inside = (f >= AUDIBLE_HZ[0] * 0.999) & (f <= AUDIBLE_HZ[1] * 1.001)
    if inside.sum() < 2:  # noqa: PLR2004 - one frequency has no width
        rule, mend = "loudness needs a curve in the audible band", "give one from 20 Hz to 20 kHz"
        raise CurveError("frequency_hz", rule, f"{inside.sum()} of its frequencies lie there", mend)
    x = np.log(f[inside])
    share = np.zeros(f.size)
    share[inside] = np.convolve(np.diff(x), [0.5, 0.5])
    return np.asarray(share / share.sum())


def weighted_change_db(
    frequency_hz: npt.ArrayLike,
    change_db: npt.ArrayLike,
    *,
    spectrum: Spectrum = "programme",
    weighting: Weighting = "K",
    response_db: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Give the change of a weighted level that a change of response makes.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    change_db : array_like, shape (..., n)
        Change of response [dB].
    spectrum : {"programme", "pink"}
        What is played.
    weighting : {"K", "A", "none"}
        How level is weighted.
    response_db : array_like, shape (n,) or a number
        The earphone's response before the change [dB]; 0 for a flat one.

    Returns
    -------
    ndarray, shape (...)
        Change of level [dB].

    Raises
    ------
    CurveError
        An unknown spectrum or weighting, levels that are not finite or not one a frequency, or no curve in the audible
        band.

    Notes
    -----
    10 log10 of sum w 10^(c/10) over sum w, where w is the power that each part of the log-frequency axis has after
    response and weighting.

    Examples
    --------
    >>> float(weighted_change_db([20, 1000, 20_000], [-6, -6, -6]).round(9))
    -6.0
    """
    f, change = np.asarray(frequency_hz, dtype=np.float64), np.asarray(change_db, dtype=np.float64)
    response = np.asarray(response_db, dtype=np.float64)
    for name, values, shapes in (("change_db", change, {f.shape}), ("response_db", response, {(), f.shape})):
        if values.shape[-1:] not in shapes or not np.all(np.isfinite(values)):
            rule, found = "there is one finite level a frequency", f"its shape is {values.shape}, or one is not finite"
            raise CurveError(name, rule, found, f"give {f.size}")
    level = spectrum_db(f, spectrum) + weight_db(np.minimum(f, AUDIBLE_HZ[1]), weighting) + response
    w = octave_weights(f) * 10 ** ((level - level.max()) / 10)
    return np.asarray(10 * np.log10(10 ** (change / 10) @ w / w.sum()))


def loudness_change(
    frequency_hz: npt.ArrayLike, change_db: npt.ArrayLike, *, response_db: npt.ArrayLike | None = None, label: str = ""
) -> LoudnessChange:
    """Say how much louder a change of response makes programme.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], positive and rising.
    change_db : array_like, shape (n,)
        Change of response [dB].
    response_db : array_like, shape (n,), optional
        The earphone's response before the change [dB], any reference.
    label : str
        The earphone.

    Returns
    -------
    LoudnessChange
        One number, its spread over spectra, and the worst over frequency.

    Raises
    ------
    CurveError
        No curve in the audible band.

    Examples
    --------
    >>> found = loudness_change([20, 200, 2000, 20_000], [-2, -4, -6, -8])
    >>> round(found.change_db, 1), found.least_db
    (-5.2, -8.0)
    """
    f, change = np.asarray(frequency_hz, dtype=np.float64), np.asarray(change_db, dtype=np.float64)
    flat = _by_spectrum(f, change, np.zeros(f.shape))
    heard_as = flat if response_db is None else _by_spectrum(f, change, np.asarray(response_db, dtype=np.float64))
    every = [value for _, _, value in (*flat, *heard_as)]
    heard = octave_weights(f) > 0
    least, largest = int(np.argmin(np.where(heard, change, np.inf))), int(np.argmax(np.where(heard, change, -np.inf)))
    return LoudnessChange(
        change_db=flat[WEIGHTINGS.index("K")][2],
        a_weighted_db=heard_as[WEIGHTINGS.index("A")][2],
        low_db=min(every),
        high_db=max(every),
        least_db=float(change[least]),
        least_hz=float(f[least]),
        largest_db=float(change[largest]),
        largest_hz=float(f[largest]),
        by_spectrum=flat,
        label=label,
    )


def _by_spectrum(
    f: FloatArray, change: FloatArray, response: FloatArray
) -> tuple[tuple[Spectrum, Weighting, float], ...]:
    """Give the change of level for every spectrum, the programme first, and weighting."""
    return tuple(
        (name, by, float(weighted_change_db(f, change, spectrum=name, weighting=by, response_db=response)))
        for name in SPECTRA
        for by in WEIGHTINGS
    )
