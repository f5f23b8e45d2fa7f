"""Exponential sine sweeps: how they are made, where their harmonics fall, and what to mind before one is played."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, inf, log, pi
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray

SweepForm: TypeAlias = Literal["synchronised", "plain"]

LOUD_DBFS = -20.0
"""Level from which the caution says that a sweep is loud [dB re full scale]."""

FADE_IN_S = 0.05
FADE_OUT_S = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """An exponential sine sweep between two silences.

    Parameters
    ----------
    start_hz, stop_hz : float
        First and last frequency [Hz].
    duration_s : float
        Duration asked for, silences apart [s]; a synchronised sweep has the nearest one that fits, `length_s`.
    sampling_rate_hz : int
        Sampling rate [Hz].
    level_dbfs : float
        Level [dB re a sine at full scale], 0 or less.
    form : {"synchronised", "plain"}
        "synchronised": the rate is rounded so that every harmonic is the same sweep, earlier [1]_; "plain": the
        duration is kept as it is [2]_.
    fade_in_s, fade_out_s : float
        Raised-cosine fades inside the sweep [s].
    lead_in_s, lead_out_s : float
        Silence before, from which the noise is estimated, and after, in which the response dies away [s].

    Raises
    ------
    CurveError
        Frequencies that do not rise or that the sampling rate cannot hold, a level above full scale, a sweep too short.

    References
    ----------
    .. [1] A. Novak, P. Lotton, L. Simon, "Synchronized Swept-Sine: Theory, Application, and Implementation", J. Audio
       Eng. Soc. 63(10), 2015, 786-798, doi:10.17743/jaes.2015.0071.
    .. [2] A. Farina, "Simultaneous Measurement of Impulse Response and Distortion with a Swept-Sine Technique", 108th
       Convention of the Audio Engineering Society, 2000.

    Examples
    --------
    >>> sweep = Sweep(start_hz=20, stop_hz=20_000, duration_s=10)
    >>> round(sweep.rate_s, 10), round(sweep.length_s, 10)
    (1.45, 10.0162451545)
    """

    start_hz: float = 10.0
    stop_hz: float = 22_000.0
    duration_s: float = 10.0
    sampling_rate_hz: int = 48_000
    level_dbfs: float = -30.0
    form: SweepForm = "synchronised"
    fade_in_s: float = FADE_IN_S
    fade_out_s: float = FADE_OUT_S
    lead_in_s: float = 1.0
    lead_out_s: float = 1.0

    def __post_init__(self) -> None:
        """Check once."""
        f_1, f_2, f_s = self.start_hz, self.stop_hz, self.sampling_rate_hz
        _demand(0 < f_1 < f_2, "0 < start_hz < stop_hz", f"they are {f_1:g} and {f_2:g} Hz", "widen the sweep")
        _demand(
            f_2 < f_s / 2,
            "a sweep ends below half the sampling rate",
            f"it ends at {f_2:g} Hz and the rate is {f_s:g} Hz",
            "end it lower, or take a higher rate",
        )
        _demand(-inf < self.level_dbfs <= 0, "a level is 0 dBFS or less", f"it is {self.level_dbfs:g}", "mend it")
        _demand(
            self.form in {"synchronised", "plain"}, "a form is synchronised or plain", f"{self.form!r}", "choose one"
        )
        for seconds in (self.lead_in_s, self.lead_out_s, self.fade_in_s, self.fade_out_s):
            _demand(0 <= seconds < inf, "silences and fades last 0 s or more", f"one lasts {seconds:g} s", "mend it")
        least_s = max(log(f_2 / f_1) / f_1, self.fade_in_s + self.fade_out_s)
        _demand(
            least_s <= self.duration_s < inf,
            f"this sweep lasts at least {least_s:.2g} s",
            f"it lasts {self.duration_s:g} s",
            "give another duration, or start it higher",
        )

    @property
    def rate_s(self) -> float:
        """Time in which the frequency grows by a factor of e, L in [1] [s]."""
        L = self.duration_s / log(self.stop_hz / self.start_hz)
        return L if self.form == "plain" else round(self.start_hz * L) / self.start_hz  # [1]: f_1 L is a whole number

    @property
    def length_s(self) -> float:
        """Duration of the sweep itself [s]."""
        return self.rate_s * log(self.stop_hz / self.start_hz)

    @property
    def samples(self) -> int:
        """Samples of the sweep itself."""
        return ceil(self.length_s * self.sampling_rate_hz)

    @property
    def amplitude(self) -> float:
        """Peak value, 1 being full scale."""
        return float(10 ** (self.level_dbfs / 20))

    def lead_s(self, order: int) -> float:
        """Give how much earlier than the linear response the response of a harmonic stands.

        Parameters
        ----------
        order : int
            Order of the harmonic; 1 is the fundamental.

        Returns
        -------
        float
            L ln(order) [s].

        Examples
        --------
        >>> round(Sweep(start_hz=20, stop_hz=20_000, duration_s=10, form="plain").lead_s(2), 7)
        1.0034333
        """
        return self.rate_s * log(order)


def make_sweep(sweep: Sweep, *, silence: bool = True) -> FloatArray:
    """Make the samples of a sweep.

    Parameters
    ----------
    sweep : Sweep
        What it is.
    silence : bool
        With the silences before and after it.

    Returns
    -------
    ndarray, shape (n,)
        Samples, 1 being full scale.

    Notes
    -----
    With a rate at which f_1 L is a whole number, the formulas with and without the term -1 are the same.
    """
    f_s, f_1, L = sweep.sampling_rate_hz, sweep.start_hz, sweep.rate_s
    t = np.arange(sweep.samples) / f_s
    x = sweep.amplitude * np.sin(2 * pi * f_1 * L * np.expm1(t / L))
    for seconds, end in ((sweep.fade_in_s, slice(None)), (sweep.fade_out_s, slice(None, None, -1))):
        n = min(round(seconds * f_s), x.size)
        x[end][:n] *= 0.5 - 0.5 * np.cos(pi * np.arange(n) / max(n, 1))
    if not silence:
        return x
    before, after = (np.zeros(round(seconds * f_s)) for seconds in (sweep.lead_in_s, sweep.lead_out_s))
    return np.concatenate([before, x, after])


def say_caution(sweep: Sweep) -> str:
    """Say what to mind before a sweep is played.

    Parameters
    ----------
    sweep : Sweep
        What would be played.

    Returns
    -------
    str
        Level and hearing caution, to be shown before the file is written or played. The kit itself plays nothing.
    """
    loud = sweep.level_dbfs > LOUD_DBFS
    return (
        f"This sweep runs from {sweep.start_hz:g} Hz to {sweep.stop_hz:g} Hz in {sweep.length_s:.1f} s at "
        f"{sweep.level_dbfs:g} dB re full scale{', which is loud' if loud else ''}. The kit never plays it. Before you "
        "do: take the earphones out of your ears and put them on the ear simulator, turn the amplifier down, play it "
        "once, and raise the level only as far as the noise asks for. A sweep that seems soft at one frequency can be "
        "loud enough at another to hurt hearing or an earphone. This is general information: local rules and hearing "
        "professionals come first."
    )


def _demand(true: bool, rule: str, found: str, mend: str) -> None:
    if not true:
        raise CurveError("Sweep", rule, found, mend)
