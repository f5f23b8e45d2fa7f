"""From an impulse response to a frequency response: the gate, what it costs in the bass, and what the noise hides."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log, pi
from typing import TYPE_CHECKING

import numpy as np
from scipy import fft

from ohmshift.chain.elements import check_number
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.curves.values import FloatArray, Provenance, Response, Step, read_only
from ohmshift.errors import CurveError, EvidenceError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.deconvolution import ImpulseResponse, Noise
    from ohmshift.curves.values import ComplexArray, LevelReference

GATE_MS = 300.0
"""Length of the gate after the arrival where nothing else is said [ms]."""

LEAST_SNR_DB = 20.0
"""Signal-to-noise ratio from which on a level counts as readable [dB], by common practice: the noise then moves it by
0.6 dB (standard deviation)."""

MOST_SPREAD_DB = 2.0
"""Difference that all but 20 ms about the arrival may make above 500 Hz, root mean square, without a caveat [dB]. An
earphone on an ear simulator shows some 0.1 dB; another sweep than stated, or clipping, several."""

REFERENCE_PA = 20e-6
"""Reference sound pressure [Pa]."""

_PERIODS = 2.0
_ABOVE_START = 2**0.5
_AHEAD = 0.7
_FLAT = 0.5
_FINER = 4
_EDGE = 2 ** (1 / 24)
_COMPACT_S, _COMPACT_FROM_HZ = 0.02, 500.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SweptResponse:
    """A frequency response out of a sweep, with its noise and what of it may be read.

    Parameters
    ----------
    response : Response
        On the common grid, over the sweep's band; its phase is that at the arrival, the delay taken off.
    noise_db : ndarray, shape (n,)
        Level of the noise that the gate lets through [dB], same reference; nan where it is not known.
    readable : ndarray of bool, shape (n,)
        Where the response stands far enough above the noise, and above `lowest_hz`.
    lowest_hz : float
        Lowest frequency that gate and sweep allow to be read [Hz].
    gate_ms : float
        Length of the gate after the arrival [ms].
    before_ms : float
        Its length before the arrival [ms].
    least_snr_db : float
        Signal-to-noise ratio that was asked for [dB].
    caveats : tuple of str
        What to keep in mind.
    """

    response: Response
    noise_db: FloatArray
    readable: npt.NDArray[np.bool_]
    lowest_hz: float
    gate_ms: float
    before_ms: float
    least_snr_db: float
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        object.__setattr__(self, "noise_db", read_only(self.noise_db))
        object.__setattr__(self, "readable", read_only(self.readable, np.bool_))

    @property
    def snr_db(self) -> FloatArray:
        """Signal-to-noise ratio at each frequency [dB], shape (n,); nan where the noise is not known."""
        return self.response.level_db - self.noise_db

    @property
    def uncertainty_db(self) -> FloatArray:
        """Standard uncertainty of the level by noise alone [dB], shape (n,); nan where the noise is not known.

        It is that of a single point of the spectrum; where a step of the grid averages several of them, it is less.
        """
        return np.asarray(20 / log(10) * 10 ** (-self.snr_db / 20) / 2**0.5)

    def readable_part(self) -> Response:
        """Give the response from its lowest readable frequency to its highest.

        Returns
        -------
        Response
            Shorter curve; what is not readable between the two ends is still in it.

        Raises
        ------
        EvidenceError
            Fewer than two frequencies are readable.
        """
        places = np.flatnonzero(self.readable)
        if places.size < 2:  # noqa: PLR2004 - two points make the shortest curve
            raise EvidenceError(
                self.response.label or "response",
                "a part of a response can be read",
                f"nothing stands {self.least_snr_db:g} dB above the noise",
                "play louder, average, keep the room quiet, or ask for less",
            )
        kept = slice(int(places[0]), int(places[-1]) + 1)
        phase = self.response.phase_deg
        return replace(
            self.response,
            frequency_hz=self.response.frequency_hz[kept],
            level_db=self.response.level_db[kept],
            phase_deg=None if phase is None else phase[kept],
            history=(
                *self.response.history,
                Step(name="readable_part", options=(("least_snr_db", self.least_snr_db),)),
            ),
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Piece:
    """Spectrum of a piece of an impulse response.

    Parameters
    ----------
    frequency_hz : ndarray, shape (k,)
        Frequency [Hz], evenly spaced from 0.
    spectrum : ndarray of complex, shape (k,)
        Transfer function, the piece's middle being time 0.
    noise_power : ndarray, shape (k,)
        Expected squared magnitude that noise adds; nan where it is not known.
    """

    frequency_hz: FloatArray
    spectrum: ComplexArray
    noise_power: FloatArray


def gate_response(
    impulse: ImpulseResponse,
    *,
    gate_ms: float = GATE_MS,
    noise: Noise | None = None,
    least_snr_db: float = LEAST_SNR_DB,
    correction: Response | None = None,
    full_scale_pa: float | None = None,
    level_reference: LevelReference | None = None,
    label: str = "",
    provenance: Provenance | None = None,
) -> SweptResponse:
    """Gate an impulse response and give its frequency response.

    Parameters
    ----------
    impulse : ImpulseResponse
        From `deconvolve`.
    gate_ms : float
        Length of the gate after the arrival [ms]. The later half fades out.
    noise : Noise, optional
        From `estimate_noise`; without it every frequency from `lowest_hz` on counts as readable.
    least_snr_db : float
        Signal-to-noise ratio from which on a level counts as readable [dB].
    correction : Response, optional
        The microphone's own response [dB]; it is taken off, and the result ends where it ends.
    full_scale_pa : float, optional
        Sound pressure that the recorded value 1 stands for [Pa]. With it levels are in dB re 20 µPa; without it, in
        dB re a sine at the recording's full scale. Either way they are those of the sweep as it was played.
    level_reference : {"absolute", "relative"}, optional
        "absolute" where drive and gain were kept for all recordings of the study; where not given, absolute with a
        calibration and else relative.
    label : str
        What to call the curve.
    provenance : Provenance, optional
        Where it came from.

    Returns
    -------
    SweptResponse
        On the common grid of 48 points an octave.

    Raises
    ------
    CurveError
        A gate that is too short or too long for the sweep, a full scale that is not above 0 Pa, or a correction with no
        common band.

    Notes
    -----
    Before the arrival the gate fades in over as long as it lasts after it, but never over more than 0.7 of the way to
    the second harmonic: the sweep holds nothing below its start, and this gap rings on both sides of the arrival.
    `lowest_hz` is where two periods fit into the gate, and half an octave above the sweep's start. Measured on exact
    filters with resonances: within 0.3 dB there, and within 0.05 dB an octave higher.
    """
    f_s, sweep = impulse.sampling_rate_hz, impulse.plan.sweep
    _check_options(gate_ms, sweep.length_s, full_scale_pa)
    ahead_s = min(gate_ms / 1e3, _AHEAD * sweep.lead_s(2))
    piece = cut_piece(impulse, impulse.arrival, round(ahead_s * f_s), round(gate_ms / 1e3 * f_s), noise=noise)
    grid = _band_grid(sweep.start_hz, sweep.stop_hz, correction)
    scale = 1.0 if full_scale_pa is None else full_scale_pa / 2**0.5 / REFERENCE_PA
    offset = 20 * np.log10(sweep.amplitude * scale)
    options = (("gate_ms", gate_ms), ("before_ms", round(1e3 * ahead_s, 3)), ("loopback", impulse.plan.loopback))
    more = (("correction", None if correction is None else correction.label), ("full_scale_pa", full_scale_pa))
    reference: LevelReference = level_reference or ("relative" if full_scale_pa is None else "absolute")
    native = Response(
        frequency_hz=piece.frequency_hz[1:],
        level_db=20 * np.log10(np.abs(piece.spectrum[1:])) + offset,
        phase_deg=np.degrees(np.angle(piece.spectrum[1:])),
        level_reference=reference,
        label=label,
        provenance=provenance or Provenance(),
        history=(Step(name="gate_response", options=options + more),),
    )
    response = resample(native, grid)
    taken_off = np.zeros(grid.size) if correction is None else resample(correction, grid).level_db
    phase = response.phase_deg if response.phase_deg is not None else np.zeros(grid.size)
    response = replace(response, level_db=response.level_db - taken_off, phase_deg=(phase + 180) % 360 - 180)
    noise_db = 10 * np.log10(np.interp(grid, piece.frequency_hz, piece.noise_power)) + offset - taken_off
    lowest_hz = max(_PERIODS * 1e3 / gate_ms, _ABOVE_START * sweep.start_hz)
    loud_enough = np.isnan(noise_db) | (response.level_db - noise_db >= least_snr_db)
    return SweptResponse(
        response=response,
        noise_db=noise_db,
        readable=loud_enough & (grid >= lowest_hz),
        lowest_hz=lowest_hz,
        gate_ms=gate_ms,
        before_ms=1e3 * ahead_s,
        least_snr_db=least_snr_db,
        caveats=_caveats(impulse, piece, noise),
    )


def cut_piece(impulse: ImpulseResponse, at: int, before: int, after: int, *, noise: Noise | None) -> Piece:
    """Cut a faded piece out of an impulse response and transform it.

    Parameters
    ----------
    impulse : ImpulseResponse
        From `deconvolve`.
    at : int
        Sample that becomes time 0.
    before, after : int
        Samples before it, over which the piece fades in, and after it, the later half of which fades out.
    noise : Noise or None
        Noise of the recording.

    Returns
    -------
    Piece
        Four times finer than the piece's own resolution, and than the sweep's first frequency.
    """
    window = np.ones(before + after)
    n = max(round(after * _FLAT), 1)
    window[:before] = 0.5 - 0.5 * np.cos(pi * (np.arange(before) + 0.5) / max(before, 1))
    window[-n:] = 0.5 + 0.5 * np.cos(pi * (np.arange(n) + 0.5) / n)
    piece = impulse.around(at, before, after) * window
    least = _FINER * max(piece.size, impulse.sampling_rate_hz / impulse.plan.sweep.start_hz)
    size = fft.next_fast_len(round(least), real=True)
    turned = np.zeros(size)
    turned[:after], turned[size - before :] = piece[before:], piece[:before]
    f = fft.rfftfreq(size, 1 / impulse.sampling_rate_hz)
    power = np.full(f.size, np.nan)
    if noise is not None:
        inverse = impulse.plan.inverse
        nearest = np.rint(f * impulse.plan.size / impulse.sampling_rate_hz).astype(int)
        gain = np.abs(inverse[np.minimum(nearest, inverse.size - 1)]) ** 2
        power = np.sum(window**2) * gain * np.interp(f, noise.frequency_hz, noise.density)
    return Piece(frequency_hz=f, spectrum=fft.rfft(turned), noise_power=power)


def full_scale_from_tone(samples: npt.ArrayLike, *, level_db: float = 94.0) -> float:
    """Give the sound pressure that the recorded value 1 stands for, from the recording of a calibrator.

    Parameters
    ----------
    samples : array_like, shape (n,)
        Recording of the calibrator's tone alone, 1 being full scale.
    level_db : float
        Its level [dB re 20 µPa].

    Returns
    -------
    float
        Pressure [Pa] at the recorded value 1.

    Raises
    ------
    EvidenceError
        A recording of nothing.

    Examples
    --------
    >>> tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)
    >>> round(full_scale_from_tone(tone, level_db=94), 2)  # 1.002 Pa is 0.0707 of full scale
    14.18
    """
    y = np.asarray(samples, dtype=np.float64)
    rms = float(np.std(y)) if y.size else 0.0
    if rms == 0:
        raise EvidenceError("calibrator", "its recording holds a tone", "it is silent", "record the calibrator")
    return REFERENCE_PA * 10 ** (level_db / 20) / rms


def _band_grid(start_hz: float, stop_hz: float, correction: Response | None) -> FloatArray:
    low, high = start_hz * _EDGE, stop_hz / _EDGE
    if correction is not None:
        low, high = max(low, float(correction.frequency_hz[0])), min(high, float(correction.frequency_hz[-1]))
        if low * 2 > high:
            raise CurveError(
                correction.label or "correction",
                "a correction covers the sweep's band",
                f"they share {low:g} to {high:g} Hz",
                "give the microphone's whole correction",
            )
    return octave_grid(low_hz=low, high_hz=high)


def _check_options(gate_ms: float, length_s: float, full_scale_pa: float | None) -> None:
    if full_scale_pa is not None:
        check_number("gate_response, full_scale_pa", full_scale_pa)
    longest = 1e3 * length_s / 2
    if not 1 <= gate_ms <= longest:
        raise CurveError(
            "gate_ms",
            f"a gate lasts 1 to {longest:.0f} ms, half of the sweep",
            f"it lasts {gate_ms:g} ms",
            "give another, or play a longer sweep",
        )


def _caveats(impulse: ImpulseResponse, piece: Piece, noise: Noise | None) -> tuple[str, ...]:
    found = []
    spread_db = _spread_db(impulse, piece, noise)
    if spread_db > MOST_SPREAD_DB:
        found.append(
            f"Much of the impulse response lies away from its arrival ({spread_db:.0f} dB): was another sweep played "
            "than is stated (ends, duration, form, sampling rate), or is the recording clipped or full of echoes?"
        )
    if noise is None:
        found.append("No silence before or after the sweep tells the noise: what it hides is not known.")
    if not impulse.plan.loopback:
        found.append("No loopback: the response of player and recorder is in the curve.")
    return tuple(found)


def _spread_db(impulse: ImpulseResponse, piece: Piece, noise: Noise | None) -> float:
    """Give what all but 20 ms about the arrival changes, where both stand above the noise."""
    n = round(_COMPACT_S * impulse.sampling_rate_hz)
    short = cut_piece(impulse, impulse.arrival, n, n, noise=noise)
    f = octave_grid(low_hz=_COMPACT_FROM_HZ, high_hz=max(impulse.plan.sweep.stop_hz / 1.2, 2 * _COMPACT_FROM_HZ))
    level, clear = [], np.ones(f.size, dtype=np.bool_)
    for part in (piece, short):
        magnitude = np.interp(f, part.frequency_hz, np.abs(part.spectrum))
        floor = np.sqrt(np.interp(f, part.frequency_hz, part.noise_power))
        level.append(20 * np.log10(np.maximum(magnitude, 1e-12)))
        clear &= np.isnan(floor) | (magnitude >= 10 * floor)
    return float(np.std((level[0] - level[1])[clear])) if clear.any() else 0.0
