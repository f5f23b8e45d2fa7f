"""Circuits out of elements: series, parallel and ladder.

Networks that are none of these are solved in `ohmshift.chain.nodal`.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from ohmshift.chain.elements import Circuit, laplace_variable
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    import numpy.typing as npt

    from ohmshift.curves.values import ComplexArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Series(Circuit):
    """Circuits one after another; `series` makes one.

    Parameters
    ----------
    parts : tuple of Circuit
        At least one.
    """

    parts: tuple[Circuit, ...]

    def __post_init__(self) -> None:
        """Check that there is something in it."""
        _check_parts("Series", self.parts)

    def _at(self, s: ComplexArray) -> ComplexArray:
        Z = self.parts[0]._at(s)
        for part in self.parts[1:]:
            Z = Z + part._at(s)
        return Z


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Parallel(Circuit):
    """Circuits side by side; `parallel` makes one.

    Parameters
    ----------
    parts : tuple of Circuit
        At least one.
    """

    parts: tuple[Circuit, ...]

    def __post_init__(self) -> None:
        """Check that there is something in it."""
        _check_parts("Parallel", self.parts)

    def _at(self, s: ComplexArray) -> ComplexArray:
        Z = self.parts[0]._at(s)
        for part in self.parts[1:]:
            Z = _side_by_side(Z, part._at(s))
        return Z


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ladder(Circuit):
    """Sections of a series arm and a shunt arm each, and a load at the far end.

    Parameters
    ----------
    sections : tuple of (Circuit or None, Circuit or None)
        Series arm and shunt arm of each section, from the input to the load; None is a wire as a series arm, and
        nothing as a shunt arm.
    load : Circuit
        What closes the ladder.

    Examples
    --------
    >>> from ohmshift.chain.elements import Capacitor, Inductor, Resistor
    >>> coil, cap, ohm = Inductor(inductance_h=1e-3), Capacitor(capacitance_f=1e-6), Resistor(resistance_ohm=32)
    >>> low_pass = Ladder(sections=((coil, cap),), load=ohm)
    >>> round(abs(low_pass.voltage_ratio(5000).item()), 4)
    1.0185
    """

    sections: tuple[tuple[Circuit | None, Circuit | None], ...]
    load: Circuit

    def _at(self, s: ComplexArray) -> ComplexArray:
        Z = self.load._at(s)
        for arm, shunt in reversed(self.sections):
            if shunt is not None:
                Z = _side_by_side(Z, shunt._at(s))
            if arm is not None:
                Z = Z + arm._at(s)
        return Z

    def voltage_ratio(self, frequency_hz: npt.ArrayLike) -> ComplexArray:
        """Give the voltage at the load over the voltage at the input.

        Parameters
        ----------
        frequency_hz : array_like, any shape
            Frequency [Hz], positive.

        Returns
        -------
        ndarray of complex, same shape
            Transfer function.

        Raises
        ------
        CurveError
            A frequency that is not positive and finite.
        """
        s = laplace_variable(frequency_hz)
        Z, ratio = self.load._at(s), np.ones_like(s)
        for arm, shunt in reversed(self.sections):
            if shunt is not None:
                Z = _side_by_side(Z, shunt._at(s))
            if arm is not None:
                whole = Z + arm._at(s)
                ratio *= Z / whole
                Z = whole
        return ratio


def series(*parts: Circuit) -> Series:
    """Put circuits one after another.

    Parameters
    ----------
    *parts : Circuit
        At least one.

    Returns
    -------
    Series
        Their impedances add.
    """
    return Series(parts=parts)


def parallel(*parts: Circuit) -> Parallel:
    """Put circuits side by side.

    Parameters
    ----------
    *parts : Circuit
        At least one.

    Returns
    -------
    Parallel
        Their admittances add.

    Examples
    --------
    >>> from ohmshift.chain.elements import Resistor
    >>> parallel(Resistor(resistance_ohm=32), Resistor(resistance_ohm=32)).impedance_ohm(1000).item()
    (16+0j)
    """
    return Parallel(parts=parts)


def combine_parallel(first_ohm: npt.ArrayLike, second_ohm: npt.ArrayLike) -> ComplexArray:
    """Give the impedance of two impedances side by side.

    Parameters
    ----------
    first_ohm, second_ohm : array_like of complex
        Impedances [ohm] that broadcast against each other; infinite is nothing, two zeros give zero.

    Returns
    -------
    ndarray of complex
        Z_1 Z_2 / (Z_1 + Z_2) [ohm].
    """
    first, second = np.asarray(first_ohm, dtype=np.complex128), np.asarray(second_ohm, dtype=np.complex128)
    with np.errstate(divide="ignore", invalid="ignore"):
        joined = np.asarray(first * second / (first + second))
    if np.isfinite(joined).all():
        return joined
    joined = np.where((first == 0) | (second == 0), 0, joined)
    return np.asarray(np.where(np.isinf(first), second, np.where(np.isinf(second), first, joined)))


def circuit_numbers(circuit: Circuit) -> tuple[tuple[str, float], ...]:
    """List the numbers of a circuit, each with its place.

    Parameters
    ----------
    circuit : Circuit
        Any circuit.

    Returns
    -------
    tuple of (str, float)
        Place, such as "parts[1].peak_ohm", and value in the unit of the name.

    Examples
    --------
    >>> from ohmshift.chain.elements import Inductor, Resistor
    >>> circuit_numbers(series(Resistor(resistance_ohm=16), Inductor(inductance_h=1e-4)))
    (('parts[0].resistance_ohm', 16.0), ('parts[1].inductance_h', 0.0001))
    """
    return tuple(_walk(circuit, ""))


def replace_numbers(circuit: Circuit, numbers: Iterable[float]) -> Circuit:
    """Give the same circuit with other numbers.

    Parameters
    ----------
    circuit : Circuit
        Any circuit.
    numbers : iterable of float
        One for each of `circuit_numbers`, in that order.

    Returns
    -------
    Circuit
        Of the same kind.

    Raises
    ------
    CurveError
        Too few numbers or too many, or one that its element refuses.
    """
    values = tuple(numbers)
    wanted = len(circuit_numbers(circuit))
    if len(values) != wanted:
        raise CurveError("replace_numbers", f"the circuit has {wanted}", f"{len(values)} were given", "give as many")
    return cast("Circuit", _rebuild(circuit, iter(values)))


def _side_by_side(first: ComplexArray, second: ComplexArray) -> ComplexArray:
    """Do as `combine_parallel` for the finite impedances of elements, in a fraction of the time."""
    total = first + second
    if not total.all():  # a short, or an ideal resonance met exactly
        return combine_parallel(first, second)
    return np.asarray(first * second / total)


def _walk(value: Any, path: str) -> Iterator[tuple[str, float]]:
    if isinstance(value, Circuit):
        for field in fields(cast("Any", value)):
            yield from _walk(getattr(value, field.name), f"{path}.{field.name}" if path else field.name)
    elif isinstance(value, tuple):
        for i, item in enumerate(value):
            yield from _walk(item, f"{path}[{i}]")
    elif value is not None:
        yield path, float(value)


def _rebuild(value: Any, numbers: Iterator[float]) -> Any:
    if isinstance(value, Circuit):
        new = {field.name: _rebuild(getattr(value, field.name), numbers) for field in fields(cast("Any", value))}
        return replace(cast("Any", value), **new)
    if isinstance(value, tuple):
        return tuple(_rebuild(item, numbers) for item in value)
    return None if value is None else next(numbers)


def _check_parts(where: str, parts: tuple[Circuit, ...]) -> None:
    if not parts or not all(isinstance(part, Circuit) for part in parts):
        raise CurveError(where, "it is made of one circuit or more", f"it was given {parts!r}", "give circuits")
