"""An amplifier's output impedance from its voltage without a load and with one or several, and its uncertainty.

Never by a short: an output that is shorted may fail, and an amplifier that limits its current reads as something else.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Literal

import numpy as np
from GTC import get_covariance, uncertainty, value

from ohmshift.chain.elements import check_number
from ohmshift.chain.meter_budget import Budget, Influence, Uncertain, decimals_of, state_budget
from ohmshift.chain.meter_inputs import known, rectangular, repeated_mean
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Sequence

CAUTIONS = (
    "Never short an amplifier's output, not even for a moment: load it with resistors.",
    "Keep the level low, about a tenth of full output, so that neither its current limit nor its supply is reached.",
    "Use no load below the lowest that the amplifier is made for, and take the earphone off first.",
    "Outputs made to drive both poles (bridged) must not touch ground through a grounded meter: use a floating one.",
    "Leave what is inside a mains-powered amplifier to qualified people; local rules come first.",
)
"""What to keep to while measuring."""

_LEAST_DROP = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class VoltmeterSpec:
    """What a voltmeter's data sheet says of one range.

    Parameters
    ----------
    percent : float
        Accuracy, the part in per cent of the reading; it cancels in the ratio of two voltages on one range.
    digits : float
        Accuracy, the part in steps of the display.
    resolution_v : float
        Step of the display [V].

    Raises
    ------
    CurveError
        A negative number, or a resolution that is not above 0.
    """

    percent: float
    digits: float
    resolution_v: float

    def __post_init__(self) -> None:
        """Check the values."""
        check_number("VoltmeterSpec, percent", self.percent, may_be_zero=True)
        check_number("VoltmeterSpec, digits", self.digits, may_be_zero=True)
        check_number("VoltmeterSpec, resolution_v", self.resolution_v)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LoadedVoltage:
    """The voltage across one load.

    Parameters
    ----------
    load_ohm : float
        The load [ohm].
    voltage_v : ndarray, shape (n,)
        Voltage read across it [V].

    Raises
    ------
    CurveError
        A load that is not above 0 ohm, or a voltage that is not above 0 V.
    """

    load_ohm: float
    voltage_v: FloatArray

    def __post_init__(self) -> None:
        """Check once, and lock the array."""
        if not (np.isfinite(self.load_ohm) and self.load_ohm > 0):
            rule, mend = "a load is above 0 ohm", "use a resistor: never short an output"
            raise CurveError("LoadedVoltage, load_ohm", rule, f"it is {self.load_ohm:g} ohm", mend)
        object.__setattr__(self, "voltage_v", _voltages(f"voltage across {self.load_ohm:g} ohm", self.voltage_v))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class OutputImpedance:
    """An amplifier's output impedance.

    Parameters
    ----------
    budget : Budget
        The output impedance from all loads together, and what it rests on [ohm].
    load_ohm : ndarray, shape (m,)
        The loads [ohm].
    by_load : tuple of Budget
        The output impedance by each load alone [ohm].
    drop_percent : ndarray, shape (m,)
        How far each load pulled the voltage down [%].
    consistent : bool
        Whether the loads agree with each other.
    sentence : str
        The result in words.
    caveats : tuple of str
        What to keep in mind.
    """

    budget: Budget
    load_ohm: FloatArray
    by_load: tuple[Budget, ...]
    drop_percent: FloatArray
    consistent: bool
    sentence: str
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("load_ohm", "drop_percent"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def measure_output_impedance(
    unloaded_v: FloatArray,
    loads: Sequence[LoadedVoltage],
    *,
    spec: VoltmeterSpec,
    load_tolerance_percent: float = 1.0,
    lowest_load_ohm: float = 16.0,
) -> OutputImpedance:
    """Give an amplifier's output impedance from unloaded and loaded voltages.

    Parameters
    ----------
    unloaded_v : ndarray, shape (n,)
        Voltage without a load [V].
    loads : sequence of LoadedVoltage
        Voltages across one or several loads, everything else untouched.
    spec : VoltmeterSpec
        The voltmeter, on one range for all of them.
    load_tolerance_percent : float
        Tolerance of each load resistor, either way [%].
    lowest_load_ohm : float
        The lowest load that the amplifier is made for [ohm].

    Returns
    -------
    OutputImpedance
        By each load, and from all of them.

    Raises
    ------
    CurveError
        No load; one below the lowest allowed; a loaded voltage that the voltmeter cannot tell from none; or one that
        rises under load.

    Notes
    -----
    R_o = R_L (E / V - 1), at the frequency of the tone and as far as the output is a resistance; one that has a
    capacitor in series shows more at low frequencies. The part of the voltmeter's accuracy in per cent of the reading
    cancels in E / V; its digits do not, and count the more the smaller the drop is. Loads are averaged with the
    weights, none below 0, that make the uncertainty smallest. They must agree within the expanded uncertainty of
    their difference; an amplifier that limits reads higher with the smaller load.

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 and 5.2.2.

    Examples
    --------
    >>> spec = VoltmeterSpec(percent=1.0, digits=3, resolution_v=0.0001)
    >>> found = measure_output_impedance([0.4], [LoadedVoltage(load_ohm=32, voltage_v=[0.32])], spec=spec)
    >>> print(found.budget)
    8.00 ± 0.11 ohm
    """
    check_number("measure_output_impedance, load_tolerance_percent", load_tolerance_percent, may_be_zero=True)
    if not loads:
        raise CurveError("loads", "an output impedance needs a loaded voltage", "there is none", "measure with a load")
    low = min(load.load_ohm for load in loads)
    if low < lowest_load_ohm:
        rule = f"a load is not below the {lowest_load_ohm:g} ohm that the amplifier is made for"
        raise CurveError("loads", rule, f"one is {low:g} ohm", "leave it out, and load less")
    bench = _Voltages(spec)
    E = bench.read("unloaded", _voltages("unloaded voltage", unloaded_v))
    found: list[Uncertain] = []
    for load in loads:
        R_L = bench.load(load.load_ohm, load_tolerance_percent)
        V = bench.read(f"{load.load_ohm:g} ohm", load.voltage_v)
        _check_seen(f"voltage across {load.load_ohm:g} ohm", V)
        found.append(R_L * (E / V - 1))
    w = _weights(np.array([[get_covariance(one, other) for other in found] for one in found]))
    mean = sum((float(weight) * number for weight, number in zip(w, found, strict=True)), known(0.0, 0.0))
    whole = state_budget(mean, bench.influences, unit="ohm")
    if whole.estimate + whole.expanded_uncertainty < 0:
        rule, mend = "a voltage does not rise under load", "check which reading is which"
        raise CurveError("measure_output_impedance", rule, f"it gives {whole.estimate:.2g} ohm", mend)
    drop = np.array([100 * (1 - float(np.mean(load.voltage_v)) / value(E)) for load in loads])
    consistent = _agree(found, bench.influences)
    return OutputImpedance(
        budget=whole,
        load_ohm=np.array([load.load_ohm for load in loads]),
        by_load=tuple(state_budget(number, bench.influences, unit="ohm") for number in found),
        drop_percent=drop,
        consistent=consistent,
        sentence=_say(whole, len(loads), consistent=consistent),
        caveats=_caveats(drop, len(loads), consistent=consistent),
    )


class _Voltages:
    """The uncertain numbers behind the voltages of one meter and the loads."""

    def __init__(self, spec: VoltmeterSpec) -> None:
        self.spec = spec
        self.influences: list[Influence] = []
        gain = known(0.0, rectangular(spec.percent / 100))
        self._gain = self._keep(gain, f"{spec.percent:g} % of reading", "", "B", "% of reading")

    def read(self, name: str, readings_v: FloatArray) -> Uncertain:
        mean, u, df = repeated_mean(readings_v, resolution=self.spec.resolution_v)
        kind: Literal["A", "B"] = "A" if np.isfinite(df) else "B"
        shown = self._keep(known(mean, u, df), f"voltage, {name}, mean of {readings_v.size}", "V", kind, "spread")
        limit = rectangular(self.spec.digits * self.spec.resolution_v)
        off = self._keep(known(0.0, limit), f"voltage, {name}, {self.spec.digits:g} digits", "V", "B", "digits")
        return (shown + off) * (1 + self._gain)

    def load(self, load_ohm: float, tolerance_percent: float) -> Uncertain:
        number = known(load_ohm, rectangular(load_ohm * tolerance_percent / 100))
        return self._keep(number, f"load, {load_ohm:g} ohm ± {tolerance_percent:g} %", "ohm", "B", "load resistors")

    def _keep(self, number: Uncertain, quantity: str, unit: str, kind: Literal["A", "B"], group: str) -> Uncertain:
        self.influences.append(Influence(number=number, quantity=quantity, unit=unit, evaluation=kind, group=group))
        return number


def _voltages(where: str, voltage_v: FloatArray) -> FloatArray:
    array = read_only(voltage_v).reshape(-1)
    if array.size == 0 or not (np.all(np.isfinite(array)) and array.min() > 0):
        found = "there is none" if array.size == 0 else f"one is {array.min():g} V"
        raise CurveError(where, "a voltage is above 0 V", found, "give what the meter showed")
    return np.asarray(array)


def _check_seen(where: str, V: Uncertain) -> None:
    """Refuse a voltage that is no larger than twice its standard uncertainty."""
    if value(V) <= 2 * uncertainty(V):
        found = f"it is {value(V):.2g} V with a standard uncertainty of {uncertainty(V):.2g} V"
        rule, mend = "a voltage must stand out of what the voltmeter can tell", "choose a finer range, or a larger load"
        raise CurveError(where, rule, found, mend)


def _weights(covariance: FloatArray) -> FloatArray:
    """Give weights of 0 or more, 1 in all, that make the variance of a weighted mean smallest."""
    kept = np.arange(len(covariance))
    while True:
        part = covariance[np.ix_(kept, kept)]
        w = np.linalg.lstsq(part, np.ones(kept.size), rcond=None)[0]
        if kept.size == 1 or w.min() >= 0:
            break
        kept = np.delete(kept, int(np.argmin(w)))
    weights = np.zeros(len(covariance))
    weights[kept] = w / w.sum()
    return weights


def _agree(found: Sequence[Uncertain], influences: Sequence[Influence]) -> bool:
    """Tell whether every pair of loads agrees within the expanded uncertainty of their difference."""
    for one, other in combinations(found, 2):
        difference = state_budget(one - other, influences, unit="ohm")
        if abs(difference.estimate) > difference.expanded_uncertainty:
            return False
    return True


def _say(whole: Budget, count: int, *, consistent: bool) -> str:
    several = f", from {count} loads that agree" if count > 1 and consistent else ""
    if not consistent:
        several = f", but its {count} loads do not agree"
    low = whole.interval[0]
    if low <= 0:
        places = decimals_of(whole.expanded_uncertainty)
        return f"The output impedance is at most {whole.interval[1]:.{places}f} ohm{several}."
    return f"The output impedance is {whole}{several}."


def _caveats(drop: FloatArray, count: int, *, consistent: bool) -> tuple[str, ...]:
    said = []
    if count == 1:
        said.append("One load cannot show whether the amplifier limited: measure with a second one.")
    if not consistent:
        said.append(
            "The loads disagree: the amplifier limited, the level moved, or the output is not a resistance. Lower the "
            "level, and measure again."
        )
    if float(drop.max()) < 100 * _LEAST_DROP:
        said.append(
            f"The load pulled the voltage down by {drop.max():.2g} % only: the meter's digits rule. A meter with more "
            "digits tells more; a smaller load only where the amplifier allows it."
        )
    said.append("It holds at the frequency of the tone: an output through a capacitor has more at low frequencies.")
    return tuple(said)
