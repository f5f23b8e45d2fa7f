"""Resistance from the readings of a hand meter, with its uncertainty budget by JCGM 100.

A reading r of a meter is r (1 + g) + d: g, the part of its specification in per cent of the reading, is one unknown
number for a meter and range; d, its digits, is taken as another unknown number each time, which is the safe bound.
The leads' own resistance is read the same way and taken off; all lead zeros of a meter and range lie at one spot of its
scale and share one d. Sums and differences of readings then know by themselves
what cancels: the leads in "plug with cable less cable", and most of g between two plugs on one meter.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.chain.elements import check_number
from ohmshift.chain.meter_budget import Budget, Influence, Uncertain, state_budget
from ohmshift.chain.meter_inputs import known, rectangular, repeated_mean
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Sequence

Range: TypeAlias = tuple[str, float | None]

OHM = "ohm"

SPREAD, ZERO, DIGITS, GAIN = "spread of readings", "lead zero", "digits", "% of reading"
"""Groups of a budget."""

_OVER_RANGE = 2.0
"""No display goes to twice its range."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterSpec:
    """What a meter's data sheet says of one range.

    Parameters
    ----------
    percent : float
        Accuracy, the part in per cent of the reading.
    digits : float
        Accuracy, the part in steps of the display.
    resolution_ohm : float
        Step of the display [ohm].
    meter : str
        Which meter.
    range_ohm : float, optional
        Which range [ohm].
    source : str
        Where these numbers come from, as a phrase.

    Raises
    ------
    CurveError
        A negative number, or a resolution that is not above 0.

    Examples
    --------
    >>> str(MeterSpec(percent=0.8, digits=3, resolution_ohm=0.1))
    '± (0.8 % of reading + 3 digits of 0.1 ohm)'
    """

    percent: float
    digits: float
    resolution_ohm: float
    meter: str = ""
    range_ohm: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("MeterSpec, percent", self.percent, may_be_zero=True)
        check_number("MeterSpec, digits", self.digits, may_be_zero=True)
        check_number("MeterSpec, resolution_ohm", self.resolution_ohm)

    def __str__(self) -> str:
        """Write it as a data sheet does."""
        return f"± ({self.percent:g} % of reading + {self.digits:g} digits of {self.resolution_ohm:g} ohm)"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Readings:
    """Readings of one conductor, and of the leads shorted.

    Parameters
    ----------
    label : str
        What was measured: "15-ohm plug A, left".
    reading_ohm : ndarray, shape (n,)
        What the meter showed [ohm].
    spec : MeterSpec
        The meter and range.
    lead_ohm : ndarray, shape (m,)
        What it showed with its leads shorted [ohm]; empty where nobody looked.
    zero : str
        Name of the lead zero. Readings with the same name share one, with the same numbers: it cancels in their
        difference. Empty for a zero of its own.

    Raises
    ------
    CurveError
        No reading, or one that is negative or not finite.
    """

    label: str
    reading_ohm: FloatArray
    spec: MeterSpec
    lead_ohm: FloatArray = field(default_factory=lambda: np.empty(0))
    zero: str = ""

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        for name in ("reading_ohm", "lead_ohm"):
            array = read_only(getattr(self, name)).reshape(-1)
            if array.size and not (np.all(np.isfinite(array)) and array.min() >= 0):
                where, mend = f"{self.label}, {name}", "leave that reading out"
                raise CurveError(where, "a reading is a number of ohms, 0 or more", f"one is {array.min():g}", mend)
            object.__setattr__(self, name, array)
        if self.reading_ohm.size == 0:
            raise CurveError(self.label, "a resistance needs a reading", "there is none", "measure it")


Term: TypeAlias = tuple[float, Readings]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Resistance:
    """A measured resistance.

    Parameters
    ----------
    label : str
        What it is.
    budget : Budget
        Estimate, uncertainty and what they rest on [ohm].
    terms : tuple of (float, Readings) pairs
        What was added and taken off: sign and readings.
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    budget: Budget
    terms: tuple[Term, ...]
    caveats: tuple[str, ...] = ()

    @property
    def resistance_ohm(self) -> float:
        """Its estimate [ohm]."""
        return self.budget.estimate

    @property
    def standard_uncertainty_ohm(self) -> float:
        """Its standard uncertainty u [ohm]."""
        return self.budget.standard_uncertainty

    @property
    def expanded_uncertainty_ohm(self) -> float:
        """Its expanded uncertainty U = k u [ohm]."""
        return self.budget.expanded_uncertainty

    @property
    def interval_ohm(self) -> tuple[float, float]:
        """Ends of its coverage interval [ohm]."""
        return self.budget.interval


def measure_resistance(
    readings: Readings, *, less: Readings | None = None, plus: Readings | None = None, label: str = ""
) -> Resistance:
    """Give the resistance behind readings.

    Parameters
    ----------
    readings : Readings
        Of the item, or of item and cable together.
    less : Readings, optional
        What to take off: the cable that the item was measured through.
    plus : Readings, optional
        What to add: the return conductor, for the loop that the current takes.
    label : str
        What to call it; by default as the readings.

    Returns
    -------
    Resistance
        Mean reading less mean lead zero, less and plus the others, with its budget.

    Notes
    -----
    Type A: s / sqrt(n), or resolution / sqrt(12) where s is below that. Type B: limits a / sqrt(3). JCGM 100, 4.3.7,
    example 2, puts both parts of a specification into one rectangle, which is wider by up to 1.41; here the part in per
    cent must stand alone, because it is common to what one meter reads in one range.

    References
    ----------
    .. [1] JCGM 100:2008, 4.2.3 (type A), 4.3.7 (rectangular limits), 5.1.2 and 5.2.2 (parts common to two readings).

    Examples
    --------
    >>> meter = MeterSpec(percent=0.8, digits=3, resolution_ohm=0.1)
    >>> def at(*ohms, name):
    ...     return Readings(label=name, reading_ohm=ohms, lead_ohm=[0.3], spec=meter, zero="today")
    >>> plug = measure_resistance(at(75.3, 75.4, 75.3, 75.3, 75.4, name="plug and cable"),
    ...                           less=at(0.5, 0.5, 0.6, 0.5, 0.5, name="cable"))
    >>> print(plug.budget)
    74.82 ± 0.85 ohm
    """
    terms = [(1.0, readings), *[(-1.0, item) for item in (less,) if item], *[(1.0, item) for item in (plus,) if item]]
    return combine_readings(terms, label=label or readings.label)


def combine_readings(terms: Sequence[Term], *, label: str) -> Resistance:
    """Give a sum of resistances, each with its sign.

    Parameters
    ----------
    terms : sequence of (float, Readings) pairs
        Sign, or factor, and readings; readings that occur twice are one quantity.
    label : str
        What the sum is.

    Returns
    -------
    Resistance
        The sum with its budget.

    Raises
    ------
    CurveError
        Readings that share a lead zero but not its numbers.
    """
    bench = _Bench()
    total = known(0.0, 0.0)
    for factor, readings in terms:
        total = total + factor * bench.corrected(readings)
    return Resistance(
        label=label,
        budget=state_budget(total, list(bench.influences.values()), unit=OHM),
        terms=tuple(terms),
        caveats=_caveats([readings for _, readings in terms]),
    )


class _Bench:
    """The uncertain numbers behind readings, each made once."""

    def __init__(self) -> None:
        self.influences: dict[object, Influence] = {}
        self._zeros: dict[object, FloatArray] = {}

    def corrected(self, readings: Readings) -> Uncertain:
        """Give a mean reading less its lead zero, with all that may be wrong with it."""
        spec = readings.spec
        said = f"{spec.meter}, {spec.range_ohm:g}-ohm range" if spec.range_ohm else spec.meter or "the meter"
        one = known(0.0, rectangular(spec.percent / 100))
        stated = f"{said}: {spec.percent:g} % of reading"
        made = Influence(number=one, quantity=stated, unit="", evaluation="B", group=GAIN)
        gain = self._once(("gain", spec), made)
        shown = self._indication(
            ("item", id(readings)), readings.reading_ohm, spec, f"{readings.label}, readings", SPREAD
        )
        shown = shown + self._digits(("digits", id(readings)), spec, readings.label)
        if readings.lead_ohm.size:
            name = readings.zero or f"{readings.label} {id(readings)}"
            first = self._zeros.setdefault(name, readings.lead_ohm)
            if not np.array_equal(first, readings.lead_ohm):
                rule, mend = "readings that share a lead zero have the same numbers for it", "name the zeros apart"
                raise CurveError(readings.label, rule, f"{name!r} has two sets of them", mend)
            of = readings.zero or readings.label
            zero = self._indication(("zero", name), readings.lead_ohm, spec, f"lead zero, {of}", ZERO)
            shown = shown - zero - self._digits(("digits of zero", spec), spec, "lead zero")
        return shown * (1 + gain)

    def _indication(self, key: object, shown_ohm: FloatArray, spec: MeterSpec, name: str, group: str) -> Uncertain:
        mean, u, df = repeated_mean(shown_ohm, resolution=spec.resolution_ohm)
        repeated = np.isfinite(df)
        n = shown_ohm.size
        said = f"{name}, mean of {n}" if repeated else f"{name}, {n} read, spread below the display's step"
        kind: Literal["A", "B"] = "A" if repeated else "B"
        made = Influence(number=known(mean, u, df), quantity=said, unit=OHM, evaluation=kind, group=group)
        return self._once(key, made)

    def _digits(self, key: object, spec: MeterSpec, name: str) -> Uncertain:
        u = rectangular(spec.digits * spec.resolution_ohm)
        said = f"{name}: {spec.digits:g} digits"
        made = Influence(number=known(0.0, u), quantity=said, unit=OHM, evaluation="B", group=DIGITS)
        return self._once(key, made)

    def _once(self, key: object, made: Influence) -> Uncertain:
        return self.influences.setdefault(key, made).number


def _caveats(readings: Sequence[Readings]) -> tuple[str, ...]:
    said = [
        f"{item.label}: the resistance of the meter's leads was not taken off."
        for item in readings
        if item.lead_ohm.size == 0
    ]
    for item in readings:
        most, range_ohm = item.reading_ohm.max(), item.spec.range_ohm
        if range_ohm and most > _OVER_RANGE * range_ohm:
            said.append(
                f"{item.label}: {most:g} ohm is no reading of a {range_ohm:g}-ohm range; see which range it was."
            )
    said += [f"{item.label}: one reading only." for item in readings if item.reading_ohm.size == 1]
    if len({item.spec for item in readings}) > 1:
        said.append("The readings come from different meters or ranges: nothing in their specification cancels.")
    said += [f"Meter specification: {item.spec.source}." for item in readings if "assumed" in item.spec.source]
    return tuple(dict.fromkeys(said))
