"""Passive elements with two terminals: resistor, inductor, capacitor, lossy inductor, resonator.

A circuit is an immutable value that knows its complex impedance; `ohmshift.chain.circuits` joins them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.values import ComplexArray, FloatArray, Impedance, Provenance
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt


class Circuit:
    """Anything with two terminals that has an impedance; elements and what they are joined to."""

    __slots__ = ()

    def impedance_ohm(self, frequency_hz: npt.ArrayLike) -> ComplexArray:
        """Give the complex impedance.

        Parameters
        ----------
        frequency_hz : array_like, any shape
            Frequency [Hz], positive.

        Returns
        -------
        ndarray of complex, same shape
            Impedance [ohm].

        Raises
        ------
        CurveError
            A frequency that is not positive and finite.
        """
        s = laplace_variable(frequency_hz)
        return np.asarray(self._at(s) + np.zeros_like(s))

    def sample(self, frequency_hz: npt.ArrayLike, *, label: str = "") -> Impedance:
        """Give the impedance as a curve.

        Parameters
        ----------
        frequency_hz : array_like, shape (n,)
            Frequency [Hz], positive and rising.
        label : str
            What to call the curve.

        Returns
        -------
        Impedance
            The curve.
        """
        return Impedance(
            frequency_hz=np.asarray(frequency_hz, dtype=np.float64),
            impedance_ohm=self.impedance_ohm(frequency_hz),
            label=label,
            provenance=Provenance(source="circuit"),
        )

    def _at(self, s: ComplexArray) -> ComplexArray:
        """Give the impedance at s = j w; a real constant may stand for all frequencies."""
        raise NotImplementedError


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Resistor(Circuit):
    """A resistance, R.

    Parameters
    ----------
    resistance_ohm : float
        Resistance [ohm], 0 or more.
    """

    resistance_ohm: float

    def __post_init__(self) -> None:
        """Check the value."""
        check_number("Resistor, resistance_ohm", self.resistance_ohm, may_be_zero=True)

    def _at(self, s: ComplexArray) -> ComplexArray:  # noqa: ARG002 - the same at all frequencies
        return np.asarray(self.resistance_ohm, dtype=np.complex128)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Inductor(Circuit):
    """An ideal inductance, j w L.

    Parameters
    ----------
    inductance_h : float
        Inductance [H], 0 or more.
    """

    inductance_h: float

    def __post_init__(self) -> None:
        """Check the value."""
        check_number("Inductor, inductance_h", self.inductance_h, may_be_zero=True)

    def _at(self, s: ComplexArray) -> ComplexArray:
        return s * self.inductance_h


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Capacitor(Circuit):
    """An ideal capacitance, 1 / (j w C).

    Parameters
    ----------
    capacitance_f : float
        Capacitance [F], above 0.
    """

    capacitance_f: float

    def __post_init__(self) -> None:
        """Check the value."""
        check_number("Capacitor, capacitance_f", self.capacitance_f)

    def _at(self, s: ComplexArray) -> ComplexArray:
        return np.asarray(1 / (s * self.capacitance_f))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LossyInductor(Circuit):
    """A coil with eddy currents in its iron: the semi-inductance K (j w)^n.

    Parameters
    ----------
    coefficient : float
        Factor K [ohm s^n], 0 or more; at n = 1 it is an inductance in henry.
    exponent : float
        Exponent n, from 0 (a resistance) through 0.5 (thick iron) to 1 (no loss).

    Notes
    -----
    The phase is 90 n degrees and the slope 20 n dB per decade, at all frequencies. Passive and minimum phase for n from
    0 to 1, unlike models that give resistance and reactance exponents of their own.

    References
    ----------
    .. [1] W. M. Leach, "Loudspeaker voice-coil inductance losses", J. Audio Eng. Soc. 50 (2002) 442-450.
    .. [2] J. Vanderkooy, "A model of loudspeaker driver impedance incorporating eddy currents in the pole structure",
       J. Audio Eng. Soc. 37 (1989) 119-128: n = 0.5.

    Examples
    --------
    >>> LossyInductor(coefficient=0.01, exponent=0.7).impedance_ohm(1000).round(6).item()
    (2.069058+4.060755j)
    """

    coefficient: float
    exponent: float

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("LossyInductor, coefficient", self.coefficient, may_be_zero=True)
        if not 0 <= self.exponent <= 1:
            raise CurveError(
                "LossyInductor, exponent",
                "it lies between 0, a resistance, and 1, a coil without loss",
                f"it is {self.exponent:g}",
                "mend it",
            )

    def _at(self, s: ComplexArray) -> ComplexArray:
        n = self.exponent
        turn = complex(np.cos(np.pi * n / 2), np.sin(np.pi * n / 2))
        return np.asarray(self.coefficient * turn * s.imag**n)  # K (j w)^n, in [1]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Resonator(Circuit):
    """A resistance, an inductance and a capacitance in parallel, given by the peak they make.

    Parameters
    ----------
    peak_ohm : float
        Impedance at resonance, which is the resistance R [ohm], above 0.
    resonance_hz : float
        Resonance frequency f_0 [Hz], above 0.
    quality : float
        Q, above 0: f_0 over the width at 3 dB below the peak.

    Examples
    --------
    >>> peak = Resonator(peak_ohm=64, resonance_hz=100, quality=2.5)
    >>> round(peak.inductance_h * 1e3, 4), round(peak.capacitance_f * 1e6, 4)
    (40.7437, 62.1699)
    """

    peak_ohm: float
    resonance_hz: float
    quality: float

    def __post_init__(self) -> None:
        """Check the values."""
        for name in ("peak_ohm", "resonance_hz", "quality"):
            check_number(f"Resonator, {name}", getattr(self, name))

    @property
    def inductance_h(self) -> float:
        """Inductance R / (w_0 Q) [H]."""
        return self.peak_ohm / (2 * np.pi * self.resonance_hz * self.quality)

    @property
    def capacitance_f(self) -> float:
        """Capacitance Q / (w_0 R) [F]."""
        return self.quality / (2 * np.pi * self.resonance_hz * self.peak_ohm)

    def _at(self, s: ComplexArray) -> ComplexArray:
        detune = s.imag / (2 * np.pi * self.resonance_hz)
        below = np.ones_like(s)  # R / (1 + j Q (f/f_0 - f_0/f))
        below.imag = self.quality * (detune - 1 / detune)
        return np.asarray(self.peak_ohm / below)


def resonator_from_elements(*, resistance_ohm: float, inductance_h: float, capacitance_f: float) -> Resonator:
    """Give the resonator that three elements in parallel make.

    Parameters
    ----------
    resistance_ohm : float
        Resistance [ohm], above 0.
    inductance_h : float
        Inductance [H], above 0.
    capacitance_f : float
        Capacitance [F], above 0.

    Returns
    -------
    Resonator
        The same circuit, by peak, frequency and quality.

    Raises
    ------
    CurveError
        A value that is not above 0.

    Examples
    --------
    >>> published = resonator_from_elements(resistance_ohm=21.62, inductance_h=6.88e-3, capacitance_f=302.84e-6)
    >>> round(published.resonance_hz, 1), round(published.quality, 3)
    (110.3, 4.536)
    """
    check_number("resonator_from_elements, inductance_h", inductance_h)
    check_number("resonator_from_elements, capacitance_f", capacitance_f)
    return Resonator(
        peak_ohm=resistance_ohm,
        resonance_hz=float(1 / (2 * np.pi * np.sqrt(inductance_h * capacitance_f))),
        quality=float(resistance_ohm * np.sqrt(capacitance_f / inductance_h)),
    )


def laplace_variable(frequency_hz: npt.ArrayLike) -> ComplexArray:
    """Give s = j w.

    Parameters
    ----------
    frequency_hz : array_like, any shape
        Frequency [Hz], positive.

    Returns
    -------
    ndarray of complex, same shape
        Laplace variable on the imaginary axis [rad/s].

    Raises
    ------
    CurveError
        A frequency that is not positive and finite.
    """
    f: FloatArray = np.asarray(frequency_hz, dtype=np.float64)
    if f.size and not (f.min() > 0 and f.max() < np.inf):
        raise CurveError("frequency_hz", "frequency must be above 0 Hz and finite", "one is not", "leave it out")
    return np.asarray(2j * np.pi * f)


def check_number(where: str, value: float, *, may_be_zero: bool = False) -> None:
    """Refuse an element value that cannot be.

    Parameters
    ----------
    where : str
        Name of the element and field.
    value : float
        Value given.
    may_be_zero : bool
        Whether 0 is allowed.

    Raises
    ------
    CurveError
        The value is negative, not finite, or 0 where that is not allowed.
    """
    if not (np.isfinite(value) and (value > 0 or (may_be_zero and value == 0))):
        rule = "it must be 0 or more" if may_be_zero else "it must be above 0"
        raise CurveError(where, rule, f"it is {value:g}", "mend it")
