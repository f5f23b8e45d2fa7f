"""Impedance from two voltages, before and after a sense resistor: corrections, error, and the best resistor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.two_channel import LEAST_COHERENCE
from ohmshift.curves.values import ComplexArray, FloatArray, Impedance, Provenance, Step, read_only
from ohmshift.errors import CurveError, EvidenceError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.two_channel import TransferFunction

VOLTAGE_ERROR = 0.001
"""Error of one channel against the other [share of full scale] for which an error of the impedance is shown: about what
two channels of an ordinary audio interface agree to, by common practice."""

_COVERAGE = 1.96
_REACH = 0.02


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Corrections:
    """Recordings of known loads in the place of the earphone, with the same wiring and settings.

    Parameters
    ----------
    known : TransferFunction, optional
        With a resistor of known resistance.
    known_ohm : float, optional
        Its resistance [ohm]; given with `known`, and only then.
    open : TransferFunction, optional
        With nothing connected.
    short : TransferFunction, optional
        With the two wires joined behind the sense resistor.

    Raises
    ------
    CurveError
        A known resistor without its resistance, or the reverse.

    Notes
    -----
    With all three the circuit may be any linear one, and not even the sense resistor need be known. With the known
    resistor alone, or the open alone, the gain of one channel against the other is corrected; with the short, what the
    wires add.
    """

    known: TransferFunction | None = None
    known_ohm: float | None = None
    open: TransferFunction | None = None
    short: TransferFunction | None = None

    def __post_init__(self) -> None:
        """Check once."""
        if (self.known is None) != (self.known_ohm is None) or (self.known_ohm is not None and self.known_ohm <= 0):
            raise CurveError(
                "known_ohm",
                "a known resistor has a recording and a resistance above 0 ohm",
                f"known_ohm is {self.known_ohm} and its recording is {'not ' if self.known is None else ''}there",
                "give both",
            )

    @property
    def names(self) -> str:
        """What there is, in words; "none" where there is nothing."""
        there = {"known resistor": self.known, "open": self.open, "short": self.short}
        return ", ".join(name for name, value in there.items() if value is not None) or "none"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SensedImpedance:
    """An impedance by a sense resistor, with its errors and what of it may be read.

    Parameters
    ----------
    impedance : Impedance
        Where the source excites, coherent or not.
    coherence : ndarray, shape (n,)
        Coherence of the two channels.
    random_error : ndarray, shape (n,)
        Relative standard deviation of |Z| by noise; nan where it is not known. Noise of the corrections is not in it.
    voltage_error : ndarray, shape (n,)
        Relative error of Z for an error of 0.001 of full scale in one channel.
    readable : ndarray of bool, shape (n,)
        Where the coherence is high enough.
    sense_ohm : float
        Sense resistor [ohm].
    corrected_by : str
        Corrections that were used.
    """

    impedance: Impedance
    coherence: FloatArray
    random_error: FloatArray
    voltage_error: FloatArray
    readable: npt.NDArray[np.bool_]
    sense_ohm: float
    corrected_by: str

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("coherence", "random_error", "voltage_error"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "readable", read_only(self.readable, np.bool_))

    @property
    def half_width_ohm(self) -> FloatArray:
        """Half-width of the 95 % interval of |Z| by noise [ohm], shape (n,)."""
        return np.asarray(_COVERAGE * self.random_error * np.abs(self.impedance.impedance_ohm))

    def readable_part(self) -> Impedance:
        """Give the impedance at the readable frequencies alone.

        Returns
        -------
        Impedance
            Fewer points.

        Raises
        ------
        EvidenceError
            Fewer than two frequencies are readable.
        """
        kept = self.readable
        if kept.sum() < 2:  # noqa: PLR2004 - two points make the shortest curve
            rule = f"a coherence of {LEAST_COHERENCE:g} is reached"
            mend = "play louder, record for longer, and check both channels"
            raise EvidenceError(self.impedance.label or "impedance", rule, "it is not, or at one frequency only", mend)
        Z = self.impedance
        return Impedance(
            frequency_hz=Z.frequency_hz[kept],
            impedance_ohm=Z.impedance_ohm[kept],
            label=Z.label,
            provenance=Z.provenance,
            history=(*Z.history, Step(name="readable_part", options=(("points", int(kept.sum())),))),
        )


def sense_impedance(
    transfer: TransferFunction,
    *,
    sense_ohm: float,
    corrections: Corrections | None = None,
    least_coherence: float = LEAST_COHERENCE,
    label: str = "",
    provenance: Provenance | None = None,
) -> SensedImpedance:
    """Give an impedance from the voltages before and after a sense resistor.

    Parameters
    ----------
    transfer : TransferFunction
        Voltage at the earphone over voltage before the sense resistor, that is, at the amplifier.
    sense_ohm : float
        Sense resistor [ohm].
    corrections : Corrections, optional
        Recordings of known loads; what they do not reach is left out of the result.
    least_coherence : float
        Coherence from which on the impedance counts as readable.
    label : str
        What to call it.
    provenance : Provenance, optional
        Where it came from.

    Returns
    -------
    SensedImpedance
        At the frequencies at which the first channel holds a signal.

    Raises
    ------
    CurveError
        A resistance that is not above 0.
    EvidenceError
        The channels do not differ, or hold nothing in common.

    Notes
    -----
    Z = R_s H / (1 - H). A relative error dH / H becomes (1 + Z/R_s) times as large in Z, and an error e of full scale
    becomes e (1 + r)² / r with r = |Z| / R_s: least where the sense resistor is as large as the impedance.
    """
    R_s, fixed = sense_ohm, corrections or Corrections()
    if not (np.isfinite(R_s) and R_s > 0):
        raise CurveError("sense_ohm", "a sense resistor is above 0 ohm", f"it is {R_s:g}", "measure it")
    with np.errstate(divide="ignore", invalid="ignore"):
        Z = _solve(transfer, R_s, fixed)
    there = np.isfinite(Z) & (transfer.coherence > 0) & (Z != 0)
    if there.sum() < 2:  # noqa: PLR2004 - two points make the shortest curve
        raise EvidenceError(
            label or "impedance",
            "the voltage at the earphone differs from the one before the sense resistor",
            "nowhere do they differ and have something in common, corrections included",
            "check the wiring, which channel is which, and that all was recorded with the same signal",
        )
    Z, factor = Z[there], np.abs(1 + Z[there] / R_s)
    options = (("sense_ohm", R_s), ("estimator", transfer.estimator), ("corrected_by", fixed.names))
    return SensedImpedance(
        impedance=Impedance(
            frequency_hz=transfer.frequency_hz[there],
            impedance_ohm=Z,
            label=label,
            provenance=provenance or Provenance(),
            history=(Step(name="sense_impedance", options=options),),
        ),
        coherence=transfer.coherence[there],
        random_error=factor * transfer.random_error[there],
        voltage_error=VOLTAGE_ERROR * error_factor(np.abs(Z), sense_ohm=R_s),
        readable=transfer.coherence[there] >= least_coherence,
        sense_ohm=R_s,
        corrected_by=fixed.names,
    )


def error_factor(impedance_ohm: npt.ArrayLike, *, sense_ohm: npt.ArrayLike) -> FloatArray:
    """Give how much an error of full scale in one channel grows in the impedance.

    Parameters
    ----------
    impedance_ohm : array_like
        Magnitude of the impedance [ohm], above 0.
    sense_ohm : array_like
        Sense resistor [ohm], above 0; both broadcast.

    Returns
    -------
    ndarray
        (1 + r)² / r with r = |Z| / R_s: relative error of Z over error of full scale.

    Examples
    --------
    >>> error_factor(30, sense_ohm=[10, 30, 1000]).round(3).tolist()
    [5.333, 4.0, 35.363]
    """
    r = np.asarray(impedance_ohm, dtype=np.float64) / np.asarray(sense_ohm, dtype=np.float64)
    return np.asarray((1 + r) ** 2 / r)


def best_sense_ohm(impedance_ohm: npt.ArrayLike) -> float:
    """Give the sense resistor whose worst error over an impedance is least.

    Parameters
    ----------
    impedance_ohm : array_like, shape (n,)
        Impedance [ohm], real or complex, not 0.

    Returns
    -------
    float
        Geometric mean of the smallest and the largest magnitude [ohm]: both ends then err alike.

    Examples
    --------
    >>> round(best_sense_ohm([9.0, 100.0, 36.0]), 6)
    30.0
    """
    Z = np.abs(np.asarray(impedance_ohm))
    return float(np.sqrt(Z.min() * Z.max()))


def _solve(transfer: TransferFunction, R_s: float, fixed: Corrections) -> ComplexArray:
    """Solve for the impedance with what corrections there are."""
    M, f = transfer.ratio, transfer.frequency_hz
    known, opened, short = (None if part is None else _at(part, f) for part in (fixed.known, fixed.open, fixed.short))
    if known is not None and opened is not None and short is not None and fixed.known_ohm is not None:
        # The reading is (a Z + b) / (c Z + d) in any linear circuit: three known loads settle it.
        return np.asarray(fixed.known_ohm * (opened - known) * (M - short) / ((known - short) * (opened - M)))
    gain: ComplexArray | float = 1.0
    wires: ComplexArray | float = 0.0
    if known is not None and fixed.known_ohm is not None:
        # With W in the wires known / short = (R_k + W)(R_s + W) / (W (R_s + R_k + W)), a quadratic for W.
        if short is not None:
            S, q = R_s + fixed.known_ohm, 4 * R_s * fixed.known_ohm * short / (known - short)
            wires = q / (2 * (S + np.sqrt(S**2 + q)))
        gain = known * (R_s + fixed.known_ohm + wires) / (fixed.known_ohm + wires)
    elif opened is not None:
        gain = opened
    H = M / gain
    if short is not None and known is None:
        H_short = short / gain
        wires = R_s * H_short / (1 - H_short)
    return np.asarray(R_s * H / (1 - H) - wires)


def _at(part: TransferFunction, frequency_hz: FloatArray) -> ComplexArray:
    """Give a correction at other frequencies, between its own; nan beyond them."""
    f = part.frequency_hz
    inside = (frequency_hz >= f[0] * (1 - _REACH)) & (frequency_hz <= f[-1] * (1 + _REACH))
    real, imaginary = (np.interp(frequency_hz, f, values) for values in (part.ratio.real, part.ratio.imag))
    return np.where(inside, real + 1j * imaginary, np.nan)
