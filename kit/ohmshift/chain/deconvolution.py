"""From the recording of a sweep to an impulse response, with the noise that the silences around the sweep show."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError, EvidenceError

if TYPE_CHECKING:
    import numpy.typing as npt

FOUND_CREST = 12.0
"""Peak over root mean square of an impulse response from which on the sweep counts as found. Noise alone gives about 5;
the right sweep some hundreds, or 15 where it is 10 dB above white noise. Another sweep may give up to 40: for that a
response carries a caveat."""

SHORTEST_SILENCE_S = 0.05
"""A shorter silence says nothing about the noise."""

_BEFORE_S, _DECAY_S = 0.01, 0.2
_INSIDE, _OUTSIDE = 1e-9, 1e-2
_RAMP_OCTAVES = 1 / 12
_AROUND_OCTAVES = 1 / 6
_LONGEST_SEGMENT = 16_384
_PIECES = 4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DeconvolutionPlan:
    """What turns a recording of known length into an impulse response: one spectrum, made once for many recordings.

    Parameters
    ----------
    sweep : Sweep
        What was played.
    samples : int
        Samples a recording has.
    size : int
        Length of the transform.
    inverse : ndarray of complex, shape (size // 2 + 1,)
        Regularised inverse of the sweep's spectrum, or of the loopback's.
    start : int
        Sample at which the sweep starts in the loopback; 0 without one.
    loopback : bool
        Whether a loopback was used.
    """

    sweep: Sweep
    samples: int
    size: int
    inverse: ComplexArray
    start: int = 0
    loopback: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Noise:
    """Noise of a recording, from its silences.

    Parameters
    ----------
    frequency_hz : ndarray, shape (k,)
        Frequency [Hz], from 0 to half the sampling rate.
    density : ndarray, shape (k,)
        Two-sided power density a sample: white noise has its variance at every frequency.
    seconds : float
        How much silence it rests on [s].
    """

    frequency_hz: FloatArray
    density: FloatArray
    seconds: float

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "density"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ImpulseResponse:
    """An impulse response on a circle: what lies before the arrival are the responses of the harmonics.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Recorded value per played value, read-only.
    arrival : int
        Sample of its peak, where the linear response arrives.
    plan : DeconvolutionPlan
        How it was made.
    """

    samples: FloatArray
    arrival: int
    plan: DeconvolutionPlan

    @property
    def sampling_rate_hz(self) -> int:
        """Sampling rate [Hz]."""
        return self.plan.sweep.sampling_rate_hz

    @property
    def delay(self) -> int:
        """Samples from the sweep's start, in the recording or in the loopback, to the arrival; negative if earlier."""
        n = self.samples.size
        return self.arrival - n if self.plan.loopback and self.arrival > n // 2 else self.arrival

    def around(self, at: int, before: int, after: int) -> FloatArray:
        """Cut a piece out of the circle.

        Parameters
        ----------
        at : int
            Sample it is centred on.
        before, after : int
            Samples before `at`, and from it on.

        Returns
        -------
        ndarray, shape (before + after,)
            The piece.
        """
        return np.asarray(np.take(self.samples, np.arange(at - before, at + after), mode="wrap"))


def plan_deconvolution(sweep: Sweep, samples: int, *, loopback: npt.ArrayLike | None = None) -> DeconvolutionPlan:
    """Prepare the deconvolution of recordings of one sweep.

    Parameters
    ----------
    sweep : Sweep
        What was played.
    samples : int
        Samples a recording has.
    loopback : array_like, shape (k,), optional
        The sweep as recorded by wire, at the same time or by itself. It takes the place of the sweep, so that what
        recorder and player do to the response cancels. Its gain at the middle of the band does not count.

    Returns
    -------
    DeconvolutionPlan
        For `deconvolve`; kept for the next call where there is no loopback.

    Raises
    ------
    CurveError
        A recording that is shorter than the sweep.
    EvidenceError
        A loopback that does not hold the sweep.

    Notes
    -----
    The spectrum of the sweep as it was made, fades included, is divided out, instead of an ideal one: for a linear
    system the response inside the band is then exact. Beyond the band the inverse is kept from growing, so that noise
    there does not drown the rest.

    References
    ----------
    .. [1] A. Farina, "Simultaneous Measurement of Impulse Response and Distortion with a Swept-Sine Technique", 108th
       Convention of the Audio Engineering Society, 2000.
    .. [2] S. Müller, P. Massarani, "Transfer-Function Measurement with Sweeps", J. Audio Eng. Soc. 49(6), 2001,
       443-471.
    """
    if loopback is None:
        return _plan_sweep(sweep, samples)
    recorded = np.asarray(loopback, dtype=np.float64)
    size = fft.next_fast_len(max(samples, recorded.size), real=True)
    direct = _plan_sweep(sweep, size)
    R = fft.rfft(recorded - recorded.mean(), size)
    ratio = R * direct.inverse
    start, crest = _peak(fft.irfft(ratio, size))
    _demand_sweep("loopback", crest)
    f = _frequencies(sweep, size)
    middle = np.sqrt(sweep.start_hz * sweep.stop_hz)
    around = np.abs(np.log2(np.maximum(f, 1e-9) / middle)) <= _AROUND_OCTAVES
    gain = float(np.sqrt(np.mean(np.abs(ratio[around]) ** 2)))
    inverse = gain * _invert(R, sweep, size, gain=gain)
    inverse.setflags(write=False)
    return DeconvolutionPlan(sweep=sweep, samples=samples, size=size, inverse=inverse, start=start, loopback=True)


def deconvolve(plan: DeconvolutionPlan, samples: npt.ArrayLike) -> ImpulseResponse:
    """Turn the recording of a sweep into an impulse response.

    Parameters
    ----------
    plan : DeconvolutionPlan
        Of the sweep that was played.
    samples : array_like, shape (n,)
        The recording, 1 being full scale.

    Returns
    -------
    ImpulseResponse
        Linear response at its arrival; the response of harmonic m stands L ln(m) before it.

    Raises
    ------
    CurveError
        A recording of another length than was planned.
    EvidenceError
        The sweep is not found in it.
    """
    y = np.asarray(samples, dtype=np.float64)
    if y.shape != (plan.samples,):
        raise CurveError(
            "deconvolve", f"the plan is for {plan.samples} samples", f"there are {y.shape}", "plan for this length"
        )
    Y = fft.rfft(y, plan.size)
    Y *= plan.inverse
    h = fft.irfft(Y, plan.size, overwrite_x=True)
    arrival, crest = _peak(h)
    _demand_sweep("recording", crest)
    h.setflags(write=False)
    return ImpulseResponse(samples=h, arrival=arrival, plan=plan)


def estimate_noise(response: ImpulseResponse, samples: npt.ArrayLike) -> Noise | None:
    """Estimate a recording's noise from the silence before its sweep, and after it.

    Parameters
    ----------
    response : ImpulseResponse
        What the recording was turned into; it tells where the sweep is.
    samples : array_like, shape (n,)
        The recording.

    Returns
    -------
    Noise or None
        None where both silences are too short, or hold nothing but zeros: then the noise is not known.

    Notes
    -----
    The silence after the sweep counts only where there is none before, and from 0.2 s after its end on, since the
    response is still dying away.
    """
    y, f_s = np.asarray(samples, dtype=np.float64), response.sampling_rate_hz
    start = response.plan.start + response.delay
    shortest = round(SHORTEST_SILENCE_S * f_s)
    before = y[: max(start - round(_BEFORE_S * f_s), 0)]
    after = y[start + response.plan.sweep.samples + round(_DECAY_S * f_s) :]
    silence = before if before.size >= shortest else after
    if silence.size < shortest or np.ptp(silence) == 0:
        return None
    n = min(silence.size // _PIECES, _LONGEST_SEGMENT)
    step, w = max(n // 2, 1), np.hanning(n + 2)[1:-1]
    pieces = np.lib.stride_tricks.sliding_window_view(silence - silence.mean(), n)[::step]
    density = np.mean(np.abs(fft.rfft(pieces * w, axis=1)) ** 2, axis=0) / np.sum(w**2)
    return Noise(frequency_hz=fft.rfftfreq(n, 1 / f_s), density=density, seconds=silence.size / f_s)


@lru_cache(maxsize=4)
def _plan_sweep(sweep: Sweep, samples: int) -> DeconvolutionPlan:
    if samples < sweep.samples:
        f_s = sweep.sampling_rate_hz
        raise CurveError(
            "recording",
            f"it holds the whole sweep, {sweep.samples / f_s:.2f} s",
            f"it lasts {samples / f_s:.2f} s",
            "record from before the sweep to after it, and state its duration",
        )
    size = fft.next_fast_len(samples, real=True)
    inverse = _invert(fft.rfft(make_sweep(sweep, silence=False), size), sweep, size)
    inverse.setflags(write=False)
    return DeconvolutionPlan(sweep=sweep, samples=samples, size=size, inverse=inverse)


def _invert(X: ComplexArray, sweep: Sweep, size: int, *, gain: float = 1.0) -> ComplexArray:
    """Invert a spectrum inside the sweep's band, and fade it out beyond."""
    f = np.maximum(_frequencies(sweep, size), sweep.start_hz / 1e3)
    below = np.clip(np.log2(sweep.start_hz / f) / _RAMP_OCTAVES, 0, 1)
    share = np.where(f > sweep.stop_hz, _OUTSIDE, _INSIDE ** (1 - below) * _OUTSIDE**below)
    L, f_s = sweep.rate_s, sweep.sampling_rate_hz
    power = (gain * sweep.amplitude * f_s) ** 2 * L / (4 * f)  # squared spectrum of an endless sweep, [1] of Sweep
    return np.asarray(np.conj(X) / (np.abs(X) ** 2 + share * power))


def _frequencies(sweep: Sweep, size: int) -> FloatArray:
    return np.asarray(fft.rfftfreq(size, 1 / sweep.sampling_rate_hz))


def _peak(h: FloatArray) -> tuple[int, float]:
    """Give the place of the largest magnitude, and its ratio to the root mean square."""
    high, low = int(np.argmax(h)), int(np.argmin(h))
    peak = high if h[high] >= -h[low] else low
    rms = float(np.sqrt(np.dot(h, h) / h.size))
    return peak, float(abs(h[peak])) / rms if rms > 0 else 0.0


def _demand_sweep(where: str, crest: float) -> None:
    if crest < FOUND_CREST:
        raise EvidenceError(
            where,
            "it holds the sweep that is stated",
            f"no impulse stands out of it (crest {crest:.1f}, at least {FOUND_CREST:g} is wanted)",
            "check the sweep's ends, duration and form, the sampling rate, the channel, and the level of the recording",
        )
