"""Two channels recorded at once: their transfer function, coherence, and its random error."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np
from scipy import fft
from scipy.ndimage import maximum_filter1d

from ohmshift.curves.grids import POINTS_PER_OCTAVE
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError, EvidenceError
from ohmshift.units import octaves_from_frequency

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt

Estimator: TypeAlias = Literal["H1", "H2", "Hv"]

SEGMENT_S = 0.7
"""Length of a segment where nothing else is said, about [s]: a resolution of 2 Hz."""

OVERLAP = 0.75
"""Overlap of the segments: Hann windows then weigh every sample alike, which a sweep needs."""

LEAST_COHERENCE = 0.9
"""Coherence from which on a transfer function counts as readable, by common practice."""

_BLOCK = 2
_FIRST_BIN = 3
_BINS_A_DEGREE = 1.5
_EXCITED = ((16, 10**-1.5), (2, 10**-0.55))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CrossSpectra:
    """Power spectra of two channels, and their cross-spectrum.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], rising.
    power_x, power_y : ndarray, shape (n,)
        Mean squared magnitude of either channel's windowed segments.
    cross : ndarray of complex, shape (n,)
        Mean of conj(X) Y.
    averages : ndarray, shape (n,)
        Independent averages behind each value.
    segments : int
        Segments that were averaged.
    segment : int
        Samples a segment has.
    lengths : float
        Length of the recording, in segments.
    """

    frequency_hz: FloatArray
    power_x: FloatArray
    power_y: FloatArray
    cross: ComplexArray
    averages: FloatArray
    segments: int
    segment: int
    lengths: float

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "power_x", "power_y", "averages"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "cross", read_only(self.cross, np.complex128))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TransferFunction:
    """Transfer function from the first channel to the second.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], rising.
    ratio : ndarray of complex, shape (n,)
        Second channel over first.
    coherence : ndarray, shape (n,)
        Share of the second channel's power that the first explains, 0 to 1.
    random_error : ndarray, shape (n,)
        Relative standard deviation of the magnitude, and standard deviation of the phase [radian].
    estimator : {"H1", "H2", "Hv"}
        How it was estimated.
    """

    frequency_hz: FloatArray
    ratio: ComplexArray
    coherence: FloatArray
    random_error: FloatArray
    estimator: Estimator

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "coherence", "random_error"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "ratio", read_only(self.ratio, np.complex128))


def accumulate_spectra(
    blocks: Iterable[npt.ArrayLike],
    *,
    sampling_rate_hz: float,
    segment: int | None = None,
    overlap: float = OVERLAP,
) -> CrossSpectra:
    """Average the spectra of two channels over overlapping segments.

    Parameters
    ----------
    blocks : iterable of array_like, each of shape (2, k)
        The two channels, piece by piece in order, each piece of any length: a whole recording is one piece.
    sampling_rate_hz : float
        Sampling rate [Hz].
    segment : int, optional
        Samples a segment has; the power of two nearest to 0.7 s where not given.
    overlap : float
        Part of a segment that the next one shares, 0 to 0.9.

    Returns
    -------
    CrossSpectra
        From the third bin to half the sampling rate; a constant offset of either channel does not reach it.

    Raises
    ------
    CurveError
        A segment or overlap out of range, or blocks that are not two channels.
    EvidenceError
        A recording shorter than a segment, or a silent first channel.

    Notes
    -----
    Each segment is transformed once for all three spectra, with a periodic Hann window. Before the first sample and
    after the last one silence is assumed, so that every sample counts the same; a recording that begins or ends in the
    middle of a signal loses nothing but the transient there. The averages count as independent ones after Welch [1]_:
    overlapping segments share what they overlap. Memory does not grow with the recording's length.

    References
    ----------
    .. [1] P. D. Welch, "The Use of Fast Fourier Transform for the Estimation of Power Spectra", IEEE Trans. Audio
       Electroacoust. 15(2), 1967, 70-73, doi:10.1109/TAU.1967.1161901.
    """
    n = 2 ** round(np.log2(SEGMENT_S * sampling_rate_hz)) if segment is None else segment
    _check_segments(n, overlap)
    step = max(round(n * (1 - overlap)), 1)
    w = _hann(n)
    sums = np.zeros((2, n // 2 + 1))
    cross: ComplexArray = np.zeros(n // 2 + 1, dtype=np.complex128)
    count, length = 0, 0
    room = np.empty((2, _BLOCK, n))
    for views, fresh in _windows(blocks, n, step):
        length += fresh
        count += views.shape[1]
        for first in range(0, views.shape[1], _BLOCK):
            some = views[:, first : first + _BLOCK]
            faded = np.multiply(some, w, out=room[:, : some.shape[1]])
            for X, Y in zip(*fft.rfft(faded, axis=2), strict=True):  # one segment at a time stays in the cache
                sums[0] += X.real**2 + X.imag**2
                sums[1] += Y.real**2 + Y.imag**2
                cross += X.conj() * Y
    if length < n:
        raise EvidenceError(
            "recording",
            f"it is as long as a segment, {n / sampling_rate_hz:.2f} s, or longer",
            f"it lasts {length / sampling_rate_hz:.2f} s",
            "record for longer, or take shorter segments",
        )
    if not sums[0, _FIRST_BIN:].any():
        raise EvidenceError("first channel", "it holds a signal", "it is silent", "check which channel is recorded")
    kept = slice(_FIRST_BIN, None)
    averages = max(1.0, (length / step) / _shared(w, step))
    return CrossSpectra(
        frequency_hz=fft.rfftfreq(n, 1 / sampling_rate_hz)[kept],
        power_x=sums[0, kept] / count,
        power_y=sums[1, kept] / count,
        cross=cross[kept] / count,
        averages=np.full(n // 2 + 1 - _FIRST_BIN, averages),
        segments=count,
        segment=n,
        lengths=length / n,
    )


def gather_bins(spectra: CrossSpectra, *, points_per_octave: int = POINTS_PER_OCTAVE) -> CrossSpectra:
    """Add up bins to a logarithmic grid.

    Parameters
    ----------
    spectra : CrossSpectra
        On evenly spaced bins.
    points_per_octave : int
        Bands an octave.

    Returns
    -------
    CrossSpectra
        One value a band that the first channel excites, at the mean frequency of its power there. So a band of a
        multitone stands at its tone, and bins without a tone weigh nothing.

    Notes
    -----
    Where bins lie further apart than bands, each stays by itself. A Hann window makes 1.5 bins one independent value,
    and there are never more of them than bandwidth times duration. A band counts as excited where its largest bin is no
    more than 15 dB below the largest of the 16 bands to either side, and 5.5 dB below that of two: below that it
    may be the leakage of a tone that starts or ends within the recording, or the skirt of a tone beside it.
    """
    f = spectra.frequency_hz
    band = np.rint(octaves_from_frequency(f) * points_per_octave)
    first = np.flatnonzero(np.concatenate([[True], band[1:] != band[:-1]]))
    bins = np.diff(np.concatenate([first, [f.size]]))
    power = np.add.reduceat(spectra.power_x, first)
    weight = np.where(power > 0, power, 1)
    middle = np.where(power > 0, np.add.reduceat(f * spectra.power_x, first) / weight, f[first])
    averages = spectra.averages[first] * np.maximum(bins / _BINS_A_DEGREE, 1)
    most = (bins + 1) * spectra.lengths  # bandwidth times duration
    peak = np.maximum.reduceat(spectra.power_x, first)
    excited = np.all([peak >= share * maximum_filter1d(peak, 2 * k + 1) for k, share in _EXCITED], axis=0)
    return CrossSpectra(
        frequency_hz=middle[excited],
        power_x=power[excited],
        power_y=np.add.reduceat(spectra.power_y, first)[excited],
        cross=np.add.reduceat(spectra.cross, first)[excited],
        averages=np.minimum(averages, most)[excited],
        segments=spectra.segments,
        segment=spectra.segment,
        lengths=spectra.lengths,
    )


def estimate_transfer(spectra: CrossSpectra, *, estimator: Estimator = "H1") -> TransferFunction:
    """Estimate the transfer function of two channels.

    Parameters
    ----------
    spectra : CrossSpectra
        Of both channels.
    estimator : {"H1", "H2", "Hv"}
        H1 = Gxy / Gxx is right where only the second channel is noisy and low where the first one is; H2 = Gyy / Gyx is
        right where only the first one is; Hv is their geometric mean.

    Returns
    -------
    TransferFunction
        With coherence and random error.

    Raises
    ------
    CurveError
        An unknown estimator.

    Notes
    -----
    Random error of magnitude (relative) and of phase [radian]: sqrt(1 - g²) / (|g| sqrt(2 n)), with the coherence g²
    and n independent averages [1]_. With fewer than two averages coherence is 1 by construction, and the error is nan.
    With a sweep, which excites each frequency only for a moment, the same formula holds: all n segments bring their
    noise.

    References
    ----------
    .. [1] J. S. Bendat, A. G. Piersol, Random Data: Analysis and Measurement Procedures, 4th ed., Wiley 2010, ch. 9.

    Examples
    --------
    >>> spectra = CrossSpectra(frequency_hz=[100, 200], power_x=[1, 1], power_y=[5, 4], cross=[2, 2j],
    ...                        averages=[100, 100], segments=100, segment=1024, lengths=100.0)
    >>> found = estimate_transfer(spectra)
    >>> found.coherence.tolist(), found.ratio.tolist()
    ([0.8, 1.0], [(2+0j), 2j])
    """
    if estimator not in get_args(Estimator):
        raise CurveError("estimator", "it is H1, H2 or Hv", f"it is {estimator!r}", "choose one")
    G_xx, G_yy, G_xy = spectra.power_x, spectra.power_y, spectra.cross
    with np.errstate(divide="ignore", invalid="ignore"):
        H_1, H_2 = G_xy / G_xx, G_yy / np.conj(G_xy)
        coherence = np.minimum(np.abs(G_xy) ** 2 / (G_xx * G_yy), 1.0)
        error = np.sqrt((1 - coherence) / (coherence * 2 * spectra.averages))
        ratio = {"H1": H_1, "H2": H_2, "Hv": H_1 / np.sqrt(coherence)}[estimator]
    silent = ~(np.isfinite(ratio) & np.isfinite(coherence))
    error[spectra.averages < 2] = np.nan  # noqa: PLR2004 - one average has coherence 1
    return TransferFunction(
        frequency_hz=spectra.frequency_hz,
        ratio=np.where(silent, 0, ratio),
        coherence=np.where(silent, 0, coherence),
        random_error=np.where(silent, np.nan, error),
        estimator=estimator,
    )


def _windows(blocks: Iterable[npt.ArrayLike], n: int, step: int) -> Iterator[tuple[FloatArray, int]]:
    """Give segments (2, k, n) as views, with how many new samples they came from; silence at both ends."""
    rest = np.zeros((2, n - step))
    for given in blocks:
        block = np.asarray(given, dtype=np.float64)
        if block.ndim != 2 or len(block) != 2:  # noqa: PLR2004 - two channels in two dimensions
            rule, found = "blocks have shape (2, k), the two channels", f"one has {block.shape}"
            raise CurveError("accumulate_spectra", rule, found, "give both channels")
        fresh, old = block.shape[1], rest.shape[1]
        starts = -(-old // step)  # segments that begin in what is left over
        needed = (starts - 1) * step + n - old
        if fresh < max(needed, n):
            block = np.concatenate([rest, block], axis=1)
        elif starts:
            yield _views(np.concatenate([rest, block[:, :needed]], axis=1), n, step), 0
            block = block[:, starts * step - old :]
        views = _views(block, n, step)
        yield views, fresh
        rest = block[:, views.shape[1] * step :].copy()
    yield _views(np.concatenate([rest, np.zeros((2, n - step + (-rest.shape[1]) % step))], axis=1), n, step), 0


def _views(samples: FloatArray, n: int, step: int) -> FloatArray:
    """Give the whole segments of samples, shape (2, k, n), without copying."""
    if samples.shape[1] < n:
        return np.empty((2, 0, n))
    return np.lib.stride_tricks.sliding_window_view(samples, n, axis=1)[:, ::step]


@lru_cache(maxsize=8)
def _hann(n: int) -> FloatArray:
    w = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)
    w.setflags(write=False)
    return w


def _shared(w: FloatArray, step: int) -> float:
    """Give by how much overlapping makes segments count less than independent ones."""
    total = np.dot(w, w)
    correlations = [np.dot(w[k:], w[:-k]) / total for k in range(step, w.size, step)]
    return float(1 + 2 * np.sum(np.square(correlations)))


def _check_segments(n: int, overlap: float) -> None:
    if n < 16 or n % 2:  # noqa: PLR2004 - shorter segments hold no spectrum
        raise CurveError("segment", "a segment has an even number of samples, 16 or more", f"{n}", "give 32768")
    if not 0 <= overlap <= 0.9:  # noqa: PLR2004
        raise CurveError("overlap", "segments overlap by 0 to 0.9 of their length", f"{overlap:g}", "give 0.75")
