"""What a curve is: immutable values with units, provenance and history."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

FloatArray: TypeAlias = "npt.NDArray[np.float64]"
ComplexArray: TypeAlias = "npt.NDArray[np.complex128]"
LevelReference: TypeAlias = Literal["absolute", "relative"]
Option: TypeAlias = str | float | int | bool | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Step:
    """One step a curve went through.

    Parameters
    ----------
    name : str
        Name of the function that made the step.
    options : tuple of (str, value) pairs
        The options it was given, defaults included, with their units in the names.

    Examples
    --------
    >>> str(Step(name="smooth_fractional_octave", options=(("fraction", 3),)))
    'smooth_fractional_octave(fraction=3)'
    """

    name: str
    options: tuple[tuple[str, Option], ...] = ()

    def __str__(self) -> str:
        """Write the step as a call."""
        return f"{self.name}({', '.join(f'{key}={value!r}' for key, value in self.options)})"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Provenance:
    """Where a curve came from.

    Parameters
    ----------
    source : str
        File, relative to its study where there is one; or a word for how the values were made.
    sha256 : str
        Hash of the file's bytes in hexadecimal; empty where there is no file.
    decisions : tuple of (str, str) pairs
        What the reader decided about the file: delimiter, decimal sign, columns, units.
    """

    source: str = "computed"
    sha256: str = ""
    decisions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """One frequency response: level over frequency, with phase where it is known.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    level_db : ndarray, shape (n,)
        Level [dB] re 20 µPa, or re an unknown constant where `level_reference` is "relative".
    phase_deg : ndarray, shape (n,), or None
        Phase [degree].
    level_reference : {"absolute", "relative"}
        "absolute": the same drive voltage was kept, so levels of one study compare.
    label : str
        What to call the curve.
    provenance : Provenance
        Where it came from.
    history : tuple of Step
        What was done to it since.

    Raises
    ------
    CurveError
        An array of another shape, a value that is not finite, or a frequency that does not rise.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    phase_deg: FloatArray | None = None
    level_reference: LevelReference = "absolute"
    label: str = ""
    provenance: Provenance = Provenance()
    history: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        n = _lock_frequency(self, self.label)
        _lock(self, "level_db", np.float64, (n,), self.label)
        if self.phase_deg is not None:
            _lock(self, "phase_deg", np.float64, (n,), self.label)
        _check_level_reference(self.level_reference, self.label)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Impedance:
    """One impedance: complex ohms over frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    impedance_ohm : ndarray of complex, shape (n,)
        Impedance [ohm].
    label : str
        What to call the curve.
    provenance : Provenance
        Where it came from.
    history : tuple of Step
        What was done to it since.

    Raises
    ------
    CurveError
        An array of another shape, a value that is not finite, or a frequency that does not rise.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    label: str = ""
    provenance: Provenance = Provenance()
    history: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        n = _lock_frequency(self, self.label)
        _lock(self, "impedance_ohm", np.complex128, (n,), self.label)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResponseSet:
    """Repeated responses of one earphone in one condition, on one frequency grid.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], positive and rising.
    level_db : ndarray, shape (m, n)
        Level [dB], one row a measurement.
    channel : tuple of str, length m
        Channel of each row, "left" or "right".
    seat : tuple of str, length m
        Seating of each row. The same name in two conditions means that the earphone was not
        touched in between.
    added_ohm : float
        Resistance added in series [ohm]; 0 is "without".
    source_ohm : float
        Resistance of amplifier and cable [ohm].
    level_reference : {"absolute", "relative"}
        "absolute": the same drive voltage was kept, so levels of one study compare.
    label : str
        The earphone.
    provenance : tuple of Provenance, length m
        Where each row came from.
    history : tuple of Step
        What was done to all rows since.

    Raises
    ------
    CurveError
        No rows, a count that does not match, a value that is not finite, or a frequency that
        does not rise.
    """

    frequency_hz: FloatArray
    level_db: FloatArray
    channel: tuple[str, ...]
    seat: tuple[str, ...]
    added_ohm: float = 0.0
    source_ohm: float = 0.0
    level_reference: LevelReference = "absolute"
    label: str = ""
    provenance: tuple[Provenance, ...] = ()
    history: tuple[Step, ...] = ()

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        n = _lock_frequency(self, self.label)
        m = len(self.channel)
        if m == 0:
            raise CurveError(
                self.label or "ResponseSet",
                "a set needs at least one response",
                "it has none",
                "check the earphone, channel and resistance asked for",
            )
        _lock(self, "level_db", np.float64, (m, n), self.label)
        for name in ("seat", "provenance"):
            if len(getattr(self, name)) != m and not (name == "provenance" and not self.provenance):
                raise CurveError(
                    f"{self.label or 'ResponseSet'}, {name}",
                    f"one {name} a row is needed, {m} in all",
                    f"there are {len(getattr(self, name))}",
                    f"give {m}",
                )
        _check_level_reference(self.level_reference, self.label)

    def rows(self, channel: str) -> tuple[int, ...]:
        """Give the numbers of the rows of one channel.

        Parameters
        ----------
        channel : str
            Channel, "left" or "right".

        Returns
        -------
        tuple of int
            Row numbers; empty where the channel was not measured.
        """
        return tuple(i for i, name in enumerate(self.channel) if name == channel)


def read_only(values: npt.ArrayLike, dtype: type = np.float64) -> npt.NDArray[Any]:
    """Copy values into an array that cannot be written to.

    Parameters
    ----------
    values : array_like
        Values, any shape.
    dtype : type
        Number type wanted.

    Returns
    -------
    ndarray
        Locked copy.
    """
    array: npt.NDArray[Any] = np.array(values, dtype=dtype, order="C")
    array.setflags(write=False)
    return array


def _lock(curve: object, name: str, dtype: type, shape: tuple[int, ...], label: str) -> None:
    where = f"{label or type(curve).__name__}, {name}"
    given = getattr(curve, name)
    kind = np.asarray(given).dtype
    if kind.kind not in ("biufc" if dtype is np.complex128 else "biuf"):
        rule = "values must be numbers" if dtype is np.complex128 else "values must be real numbers"
        raise CurveError(where, rule, f"they are {kind}", "give numbers; complex ones belong into an Impedance")
    array = read_only(given, dtype)
    if array.shape != shape:
        raise CurveError(
            where, f"values must have shape {shape}", f"they have {array.shape}", "give one value a frequency"
        )
    finite = np.isfinite(array)
    if not finite.all():
        bad = int(np.argmin(finite))
        raise CurveError(
            where,
            "every value must be a finite number",
            f"value {bad + 1} is {array.ravel()[bad]}",
            "drop that row at its source",
        )
    object.__setattr__(curve, name, array)


def _lock_frequency(curve: Response | Impedance | ResponseSet, label: str) -> int:
    where = f"{label or type(curve).__name__}, frequency_hz"
    n = np.size(curve.frequency_hz)
    _lock(curve, "frequency_hz", np.float64, (n,), label)
    f = curve.frequency_hz
    if n < 2:  # noqa: PLR2004 - two points make the shortest curve
        raise CurveError(where, "a curve needs at least two points", f"it has {n}", "measure at more frequencies")
    if f[0] <= 0:
        raise CurveError(where, "frequency must be above 0 Hz", f"the first is {f[0]:g} Hz", "drop that row")
    rises = f[1:] > f[:-1]
    if not rises.all():
        i = int(np.argmin(rises))
        raise CurveError(
            where,
            "frequency must rise at every row",
            f"it goes from {f[i]:g} Hz to {f[i + 1]:g} Hz at row {i + 2}",
            "sort the rows or drop duplicates",
        )
    return n


def _check_level_reference(value: str, label: str) -> None:
    if value not in {"absolute", "relative"}:
        raise CurveError(
            f"{label or 'curve'}, level_reference",
            'it must be "absolute" or "relative"',
            f"it is {value!r}",
            "say whether the drive voltage was kept",
        )
