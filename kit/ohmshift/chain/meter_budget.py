"""Uncertainty budgets by JCGM 100: what a result rests on, part by part, and its expanded uncertainty.

The arithmetic is GTC's (GUM Tree Calculator): uncertain numbers that carry their parts, degrees of freedom and
correlations. This module turns one of them into a frozen value that can be shown as a table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import pandas as pd
from GTC import dof, value
from GTC import reporting as rp
from GTC import uncertainty as standard_uncertainty

from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from collections.abc import Sequence

Uncertain: TypeAlias = Any
"""An uncertain real number of GTC, which ships no types."""

COVERAGE_PERCENT = 95.45
"""Coverage of the expanded uncertainty [%]: the one at which k is 2 for many degrees of freedom (JCGM 100, G.6)."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Influence:
    """One input of a result.

    Parameters
    ----------
    number : uncertain number of GTC
        Its estimate, standard uncertainty and degrees of freedom.
    quantity : str
        What it is, in words.
    unit : str
        Its unit.
    evaluation : {"A", "B"}
        From repeated readings (A), or from anything else (B).
    group : str
        What it belongs to, for a chart: "digits", "lead zero".
    """

    number: Uncertain
    quantity: str
    unit: str
    evaluation: Literal["A", "B"]
    group: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One row of an uncertainty budget.

    Parameters
    ----------
    quantity : str
        What it is, in words.
    estimate : float
        Its estimate, in `unit`.
    standard_uncertainty : float
        Its standard uncertainty, in `unit`.
    unit : str
        Its unit.
    evaluation : {"A", "B"}
        From repeated readings (A), or from anything else (B).
    degrees_of_freedom : float
        Degrees of freedom; infinite where the uncertainty is taken as known.
    sensitivity : float
        How much the result moves with it, in the result's unit per `unit`.
    contribution : float
        Magnitude of sensitivity times standard uncertainty, in the result's unit.
    group : str
        What it belongs to, for a chart.
    """

    quantity: str
    estimate: float
    standard_uncertainty: float
    unit: str
    evaluation: Literal["A", "B"]
    degrees_of_freedom: float
    sensitivity: float
    contribution: float
    group: str = ""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Budget:
    """A result with its uncertainty, and what it rests on.

    Parameters
    ----------
    estimate : float
        The result, in `unit`.
    standard_uncertainty : float
        Its combined standard uncertainty, in `unit`.
    degrees_of_freedom : float
        Effective degrees of freedom, by Welch and Satterthwaite.
    coverage_factor : float
        Factor k, of Student's t at these degrees of freedom, cut to a whole number.
    unit : str
        Unit of the result.
    lines : tuple of BudgetLine
        Its parts, the largest contribution first.
    coverage_percent : float
        Coverage of the expanded uncertainty [%].

    References
    ----------
    .. [1] JCGM 100:2008, 5.1.2 (combined), 6.2 (expanded), G.4 (effective degrees of freedom).
    """

    estimate: float
    standard_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    unit: str
    lines: tuple[BudgetLine, ...]
    coverage_percent: float = COVERAGE_PERCENT

    @property
    def expanded_uncertainty(self) -> float:
        """U = k u, in the result's unit."""
        return self.coverage_factor * self.standard_uncertainty

    @property
    def interval(self) -> tuple[float, float]:
        """Ends of the coverage interval, in the result's unit."""
        return (self.estimate - self.expanded_uncertainty, self.estimate + self.expanded_uncertainty)

    def __str__(self) -> str:
        """Write result and expanded uncertainty, two digits of the latter."""
        places = decimals_of(self.expanded_uncertainty)
        return f"{self.estimate:.{places}f} ± {self.expanded_uncertainty:.{places}f} {self.unit}"

    def groups(self) -> dict[str, float]:
        """Give the contributions by group.

        Returns
        -------
        dict of str to float
            Root of the sum of squares of each group's contributions, in the result's unit, the largest first.
        """
        squares: dict[str, float] = {}
        for line in self.lines:
            squares[line.group] = squares.get(line.group, 0.0) + line.contribution**2
        return {name: math.sqrt(square) for name, square in sorted(squares.items(), key=lambda item: -item[1])}

    def table(self) -> pd.DataFrame:
        """Give the budget as a table.

        Returns
        -------
        DataFrame
            One row a part: quantity, estimate, u, type, df, sensitivity, contribution; then one for the result.
        """
        rows = [
            {
                "quantity": line.quantity,
                "estimate": _with_unit(line.estimate, line.unit),
                "u": _with_unit(line.standard_uncertainty, line.unit),
                "type": line.evaluation,
                "df": say_degrees(line.degrees_of_freedom),
                "sensitivity": f"{line.sensitivity + 0.0:.4g}",
                f"contribution ({self.unit})": f"{line.contribution:.3g}",
            }
            for line in self.lines
        ]
        rows.append(
            {
                "quantity": f"result, k = {self.coverage_factor:.2f}, U = {self.expanded_uncertainty:.2g} {self.unit}",
                "estimate": _with_unit(self.estimate, self.unit),
                "u": _with_unit(self.standard_uncertainty, self.unit),
                "type": "",
                "df": say_degrees(self.degrees_of_freedom),
                "sensitivity": "",
                f"contribution ({self.unit})": f"{self.standard_uncertainty:.3g}",
            }
        )
        return pd.DataFrame(rows)


def state_budget(
    result: Uncertain, influences: Sequence[Influence], *, unit: str, coverage_percent: float = COVERAGE_PERCENT
) -> Budget:
    """State the uncertainty budget of a result.

    Parameters
    ----------
    result : uncertain number of GTC
        The result.
    influences : sequence of Influence
        Its inputs; one that the result does not depend on gets no line.
    unit : str
        Unit of the result.
    coverage_percent : float
        Coverage of the expanded uncertainty [%].

    Returns
    -------
    Budget
        Result, uncertainty, degrees of freedom, k, and one line an input.

    Notes
    -----
    Effective degrees of freedom are cut to the next lower whole number before k is read from Student's t (JCGM 100,
    G.4.1), but not below 1. Contributions of correlated inputs do not add up in squares; the result does know of the
    correlation.

    Examples
    --------
    >>> from ohmshift.chain.meter_inputs import known
    >>> total, cable = known(15.21, 0.03, 4), known(0.21, 0.04)
    >>> parts = [Influence(number=total, quantity="total", unit="ohm", evaluation="A"),
    ...          Influence(number=cable, quantity="cable", unit="ohm", evaluation="B")]
    >>> print(state_budget(total - cable, parts, unit="ohm"))
    15.00 ± 0.10 ohm
    """
    lines = [
        BudgetLine(
            quantity=part.quantity,
            estimate=float(value(part.number)),
            standard_uncertainty=float(standard_uncertainty(part.number)),
            unit=part.unit,
            evaluation=part.evaluation,
            degrees_of_freedom=float(dof(part.number)),
            sensitivity=float(rp.sensitivity(result, part.number)),
            contribution=abs(float(rp.u_component(result, part.number))),
            group=part.group,
        )
        for part in influences
        if standard_uncertainty(part.number) > 0
    ]
    nu = float(dof(result)) if standard_uncertainty(result) > 0 else math.inf
    return Budget(
        estimate=float(value(result)),
        standard_uncertainty=float(standard_uncertainty(result)),
        degrees_of_freedom=nu,
        coverage_factor=coverage_factor(nu, coverage_percent=coverage_percent),
        unit=unit,
        lines=tuple(
            sorted((line for line in lines if line.contribution > 0), key=lambda line: line.contribution, reverse=True)
        ),
        coverage_percent=coverage_percent,
    )


def coverage_factor(degrees_of_freedom: float, *, coverage_percent: float = COVERAGE_PERCENT) -> float:
    """Give the coverage factor k.

    Parameters
    ----------
    degrees_of_freedom : float
        Effective degrees of freedom; cut to a whole number, but not below 1.
    coverage_percent : float
        Coverage wanted [%].

    Returns
    -------
    float
        Quantile of Student's t.

    Raises
    ------
    CurveError
        Degrees of freedom that are not known, as for some correlated inputs.

    References
    ----------
    .. [1] JCGM 100:2008, table G.2.

    Examples
    --------
    >>> round(coverage_factor(float("inf")), 2), round(coverage_factor(4.9), 2)
    (2.0, 2.87)
    """
    if math.isnan(degrees_of_freedom):
        raise CurveError(
            "degrees of freedom",
            "they must be known for a coverage factor",
            "inputs are correlated in a way that leaves them open",
            "repeat all readings the same number of times",
        )
    whole = degrees_of_freedom if math.isinf(degrees_of_freedom) else max(1.0, math.floor(degrees_of_freedom + 1e-9))
    return float(rp.k_factor(whole, coverage_percent))


def decimals_of(uncertainty: float, *, digits: int = 2) -> int:
    """Give how many decimals a number with this uncertainty is written with.

    Parameters
    ----------
    uncertainty : float
        Uncertainty; 0 for none.
    digits : int
        Significant digits of the uncertainty.

    Returns
    -------
    int
        Decimals, 0 to 6.

    Examples
    --------
    >>> decimals_of(0.425), decimals_of(0.0031), decimals_of(12.0)
    (2, 4, 0)
    """
    if not uncertainty > 0:
        return 3
    return min(6, max(0, digits - 1 - math.floor(math.log10(float(f"{uncertainty:.{digits - 1}e}")))))


def say_degrees(degrees_of_freedom: float) -> str:
    """Write degrees of freedom.

    Parameters
    ----------
    degrees_of_freedom : float
        Degrees of freedom.

    Returns
    -------
    str
        A whole number, or the sign for infinity; above a million counts as infinite.
    """
    return "∞" if degrees_of_freedom > 1e6 else f"{math.floor(degrees_of_freedom + 1e-9)}"  # noqa: PLR2004 - no table goes on


def _with_unit(number: float, unit: str) -> str:
    return f"{number + 0.0:.5g} {unit}".strip()
