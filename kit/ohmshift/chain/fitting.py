"""Fit circuits to an impedance, each number with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, get_args

import lmfit
import numpy as np

from ohmshift.chain.circuits import circuit_numbers, replace_numbers
from ohmshift.curves.values import ComplexArray, FloatArray, Impedance, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.chain.elements import Circuit

Weighting = Literal["relative", "uniform"]

WORST_MISFIT = 0.05
"""Relative misfit from which a fit carries a caveat."""

_SPAN = 1e6
_OPEN = 1e-10
_SETTLED = 1e-10
_MOST_CALLS = 200
_LIMITS = {"exponent": (0.0, 1.0), "quality": (0.05, 200.0)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FittedParameter:
    """One number of a fitted circuit.

    Parameters
    ----------
    name : str
        Its place in the circuit, such as "parts[1].peak_ohm".
    value : float
        Best value, in the unit of the name.
    standard_uncertainty : float
        Standard uncertainty, same unit; far larger than the value where the data leave it open, nan where the fit
        did not settle.
    held : bool
        Whether it was kept as given.
    """

    name: str
    value: float
    standard_uncertainty: float
    held: bool = False


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CircuitFit:
    """A circuit fitted to an impedance.

    Parameters
    ----------
    circuit : Circuit
        The start circuit with the best values in it.
    parameters : tuple of FittedParameter
        Its numbers.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    misfit : ndarray of complex, shape (n,)
        Z of the circuit over Z of the data, less 1.
    worst_misfit, worst_hz : float
        Largest magnitude of it, and where [Hz].
    sum_of_squares : float
        What was made small: of the misfit, or of its ohms where the weighting is uniform [ohm^2].
    effective_n : float
        Number of independent real residuals among the 2 n.
    weighting : {"relative", "uniform"}
        Whether each frequency counts by relative error or by ohms.
    label : str
        The earphone.
    caveats : tuple of str
        What to doubt.
    """

    circuit: Circuit
    parameters: tuple[FittedParameter, ...]
    frequency_hz: FloatArray
    misfit: ComplexArray
    worst_misfit: float
    worst_hz: float
    sum_of_squares: float
    effective_n: float
    weighting: Weighting
    label: str = ""
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        object.__setattr__(self, "frequency_hz", read_only(self.frequency_hz))
        object.__setattr__(self, "misfit", read_only(self.misfit, np.complex128))


def fit_circuit(
    impedance: Impedance, start: Circuit, *, weighting: Weighting = "relative", hold: Sequence[str] = ()
) -> CircuitFit:
    """Fit the numbers of a circuit to an impedance.

    Parameters
    ----------
    impedance : Impedance
        Measured or recovered.
    start : Circuit
        Circuit with starting values in it; a value of 0 stays 0.
    weighting : {"relative", "uniform"}
        "relative": an error of 1 % counts alike at every frequency. "uniform": an error of 1 ohm does.
    hold : sequence of str
        Names of the parameters to keep as given, such as "parts[0].resistance_ohm".

    Returns
    -------
    CircuitFit
        Best circuit, each number with its uncertainty.

    Raises
    ------
    CurveError
        An unknown name or weighting, more free numbers than data, or an impedance of 0 ohm under relative weighting.

    Notes
    -----
    Least squares on real and imaginary part; numbers that must be positive are fitted by their logarithm. Neighbouring
    residuals of a finely sampled, smoothed or recovered curve are alike, so that the data count for less than their
    number: the uncertainties are widened by (1 + r) / (1 - r) in variance, where r is the residuals' correlation from
    one frequency to the next, as for a first-order autoregressive noise.

    Examples
    --------
    >>> from ohmshift.chain.circuits import parallel, series
    >>> from ohmshift.chain.elements import Capacitor, Resistor
    >>> def build(first, second, farad):
    ...     lossy = parallel(Resistor(resistance_ohm=second), Capacitor(capacitance_f=farad))
    ...     return series(Resistor(resistance_ohm=first), lossy)
    >>> data = build(29.0, 47.0, 10e-6).sample(np.geomspace(20, 20000, 60))
    >>> [float(f"{p.value:.4g}") for p in fit_circuit(data, build(10.0, 10.0, 1e-6)).parameters]
    [29.0, 47.0, 1e-05]
    """
    names, values = zip(*circuit_numbers(start), strict=True)
    _check_fit(impedance, names, values, weighting, hold)
    free = [i for i, (name, value) in enumerate(zip(names, values, strict=True)) if name not in hold and value > 0]
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    scale = np.abs(Z) if weighting == "relative" else np.ones(f.size)
    guess = lmfit.Parameters()
    for i in free:
        low, high, logarithmic = _limits(names[i], values[i], f)
        first = min(max(values[i], low), high)
        ends = np.log([first, low, high]) if logarithmic else np.array([first, low, high])
        guess.add(f"p{i}", value=float(ends[0]), min=float(ends[1]), max=float(ends[2]))

    def build(parameters: Any) -> Circuit:
        numbers = list(values)
        for i in free:
            number = float(parameters[f"p{i}"].value)
            numbers[i] = number if _is_linear(names[i]) else float(np.exp(number))
        return replace_numbers(start, numbers)

    def residual(parameters: Any) -> FloatArray:
        difference = (build(parameters).impedance_ohm(f) - Z) / scale
        return np.concatenate([difference.real, difference.imag])

    fitter = lmfit.Minimizer(residual, guess, calc_covar=False)
    tight = {"ftol": _SETTLED, "xtol": _SETTLED, "gtol": _SETTLED}
    result = fitter.minimize(method="least_squares", x_scale="jac", max_nfev=_MOST_CALLS * (len(free) + 1), **tight)
    return _conclude(impedance, build(result.params), result, free=free, weighting=weighting)


def _conclude(
    impedance: Impedance, circuit: Circuit, result: Any, *, free: list[int], weighting: Weighting
) -> CircuitFit:
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    fitted = circuit.impedance_ohm(f)
    difference = fitted - Z if weighting == "uniform" else (fitted - Z) / np.abs(Z)
    effective_n = _effective_n(difference)
    spreads = dict(zip(free, _spreads(result) * np.sqrt(2 * f.size / effective_n), strict=True))
    parameters = []
    for i, (name, value) in enumerate(circuit_numbers(circuit)):
        spread = spreads.get(i, 0.0) * (1.0 if _is_linear(name) else value)
        parameters.append(
            FittedParameter(name=name, value=value, standard_uncertainty=float(spread), held=i not in free)
        )
    misfit = (fitted - Z) / Z
    worst = int(np.argmax(np.abs(misfit)))
    caveats = [_doubt(parameter, f) for parameter in parameters]
    if abs(misfit[worst]) > WORST_MISFIT:
        caveats.append(f"the circuit is {100 * abs(misfit[worst]):.1f} % off at {f[worst]:.4g} Hz")
    if effective_n <= len(free):
        caveats.append("what the circuit leaves is too alike over frequency for the uncertainties to be trusted")
    if not result.success:
        caveats.append("the fit stopped before it settled")
    return CircuitFit(
        circuit=circuit,
        parameters=tuple(parameters),
        frequency_hz=f,
        misfit=misfit,
        worst_misfit=float(abs(misfit[worst])),
        worst_hz=float(f[worst]),
        sum_of_squares=float(np.sum(np.abs(difference) ** 2)),
        effective_n=effective_n,
        weighting=weighting,
        label=impedance.label,
        caveats=tuple(caveat for caveat in caveats if caveat),
    )


def _spreads(result: Any) -> FloatArray:
    """Give the standard uncertainties of the free numbers, as if all residuals were independent.

    By singular values, so that numbers which the data cannot tell apart come out as open instead of as nonsense.
    """
    if not hasattr(result, "jac"):  # it ran out of calls
        return np.full(len(result.var_names), np.nan)
    slopes: FloatArray = np.asarray(result.jac, dtype=np.float64)
    norm = np.linalg.norm(slopes, axis=0)
    norm[norm == 0] = 1.0
    _, s, V = np.linalg.svd(slopes / norm, full_matrices=False)
    s = np.maximum(s, _OPEN)
    variance = np.sum((V.T / s) ** 2, axis=-1) / norm**2
    return np.asarray(np.sqrt(variance * np.sum(np.square(result.residual)) / max(slopes.shape[0] - s.size, 1)))


def _is_linear(name: str) -> bool:
    return name.rpartition(".")[2] == "exponent"


def _limits(name: str, start: float, f: FloatArray) -> tuple[float, float, bool]:
    """Give the lowest and the highest value, and whether it is fitted by its logarithm."""
    field = name.rpartition(".")[2]
    if field == "resonance_hz":
        return float(f[0] / 4), float(f[-1] * 4), True
    low, high = _LIMITS.get(field, (start / _SPAN, start * _SPAN))
    return low, high, not _is_linear(name)


def _check_fit(
    impedance: Impedance, names: Sequence[str], values: Sequence[float], weighting: str, hold: Sequence[str]
) -> None:
    where = impedance.label or "fit_circuit"
    if weighting not in get_args(Weighting):
        raise CurveError(where, 'the weighting is "relative" or "uniform"', f"it is {weighting!r}", "choose one")
    unknown = [name for name in hold if name not in names]
    if unknown:
        raise CurveError(
            f"{where}, hold", f"the circuit's numbers are {', '.join(names)}", f"{unknown[0]!r} is none", "name one"
        )
    free = sum(name not in hold and value > 0 for name, value in zip(names, values, strict=True))
    if not 0 < free < 2 * impedance.frequency_hz.size:
        raise CurveError(
            where,
            "a fit needs a free number, and more data than free numbers, two a frequency",
            f"there are {free} free numbers and {impedance.frequency_hz.size} frequencies",
            "take a simpler circuit, or more frequencies",
        )
    if weighting == "relative" and np.any(impedance.impedance_ohm == 0):
        raise CurveError(where, "relative weighting needs an impedance that is not 0", "one value is 0", "drop it")


def _effective_n(difference: ComplexArray) -> float:
    """Count independent residuals, from their correlation between neighbours; Notes of `fit_circuit`."""
    n = difference.size
    power = float(np.sum(np.abs(difference) ** 2))
    r = float(np.sum(difference[1:] * difference[:-1].conj()).real) / power if power > 0 else 0.0
    if r < 2 / np.sqrt(2 * n):  # within two standard errors of no correlation
        return 2.0 * n
    return max(2.0 * n * (1 - r) / (1 + r), 2.0)


def _doubt(parameter: FittedParameter, f: FloatArray) -> str:
    value, spread = parameter.value, parameter.standard_uncertainty
    if not spread <= value / 2:
        return f"{parameter.name} is left open by the data: {value:.3g}, standard uncertainty {spread:.2g}"
    if parameter.name.endswith("resonance_hz") and not f[0] <= value <= f[-1]:
        return f"{parameter.name} lies outside the data: {value:.4g} Hz"
    return ""
