"""Beside the explanation: the circuit behind an impedance, and what several resistances say without any impedance."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.circuits import Series
from ohmshift.chain.elements import LossyInductor, Resistor, Resonator
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.show.charts import Chart, Level, Line
from ohmshift.show.drawings import change_range, ohms
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from ohmshift.chain.driver_fitting import DriverFit
    from ohmshift.chain.linearity import LinearityCheck
    from ohmshift.study.impedances import KnownImpedance

_HIGHEST_HZ = 20_000.0

GOOD_FIT = 0.05
"""Relative misfit up to which a circuit is said to describe an impedance."""

_RESONANCE = (("peak_ohm", "peak", "ohm"), ("resonance_hz", "frequency", "Hz"), ("quality", "Q", ""))


def draw_circuit(impedances: Chart, fit: DriverFit | None, *, source: str) -> Chart:
    """Add the fitted circuit's impedance to a chart of impedances.

    Parameters
    ----------
    impedances : Chart
        Impedances as measured and as recovered.
    fit : DriverFit or None
        The circuit; None where no impedance is known.
    source : str
        The impedance that it was fitted to: "as measured", say.

    Returns
    -------
    Chart
        With one more line.
    """
    f, Z = np.array([20.0, 20_000.0]), np.full(2, np.nan)
    said = "No impedance is known, so no circuit was fitted."
    if fit is not None:
        f = fit.best.frequency_hz
        Z = np.abs(fit.best.circuit.impedance_ohm(f))
        said = say_circuit(fit)
    return replace(
        impedances,
        title=f"{impedances.title.partition(':')[0]}: impedance, and a circuit fitted to it {source}",
        alt_text=f"{impedances.alt_text} {said}",
        lines=(*impedances.lines, Line(x=f, y=Z, label="circuit", colour=1, width=1.6)),
    )


def say_circuit(fit: DriverFit) -> str:
    """Say what a fitted circuit is, and how well it describes the impedance.

    Parameters
    ----------
    fit : DriverFit
        The circuit.

    Returns
    -------
    str
        One or two sentences.
    """
    parts = fit.best.circuit.parts if isinstance(fit.best.circuit, Series) else (fit.best.circuit,)
    words = []
    for part in parts:
        if isinstance(part, Resistor):
            words.append(f"a resistance of {ohms(part.resistance_ohm)}")
        elif isinstance(part, LossyInductor):
            words.append("a lossy inductance")
    peaks = [part.resonance_hz for part in parts if isinstance(part, Resonator)]
    at = [f"{peak:.0f} Hz" for peak in peaks if peak <= _HIGHEST_HZ]
    if len(at) < len(peaks):
        at.append("beyond 20 kHz")
    if at:
        words.append(f"{'a resonance' if len(peaks) == 1 else f'{len(peaks)} resonances'} at {', '.join(at)}")
    chain = " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
    off = f"{100 * fit.best.worst_misfit:.2g} % at most, at {fit.best.worst_hz:.0f} Hz"
    if fit.best.worst_misfit <= GOOD_FIT:
        return f"As one driver's circuit: {chain} in series, off by {off}."
    return f"No single driver's circuit describes it, the best is off by {off}: there are filters, or several drivers."


def circuit_table(fit: DriverFit | None) -> pd.DataFrame:
    """Put a fitted circuit's numbers, and the circuits it was chosen from, into a table.

    Parameters
    ----------
    fit : DriverFit or None
        The circuit.

    Returns
    -------
    DataFrame
        One row a number with its standard uncertainty, then one a candidate with its information criterion.
    """
    columns = ["what", "value", "standard uncertainty", "unit"]
    if fit is None:
        return pd.DataFrame(columns=columns)
    names = _name_numbers(fit)
    rows = [
        (names[p.name][0], f"{p.value:.4g}", f"{p.standard_uncertainty:.2g}", names[p.name][1])
        for p in fit.best.parameters
        if p.name in names
    ]
    last = len(fit.criterion) - 1
    for i, criterion in enumerate(fit.criterion):
        count = f"{i} resonance{'' if i == 1 else 's'}" if i < last else "as chosen, without the inductance"
        rows.append((f"information criterion, {count}", f"{criterion:.0f}", "", ""))
    return pd.DataFrame(rows, columns=columns)


def _name_numbers(fit: DriverFit) -> dict[str, tuple[str, str]]:
    """Give what each number of the circuit is, and its unit, by its name in the fit."""
    circuit = fit.best.circuit
    parts = circuit.parts if isinstance(circuit, Series) else (circuit,)
    names: dict[str, tuple[str, str]] = {}
    resonance = 0
    for i, part in enumerate(parts):
        where = f"parts[{i}]." if isinstance(circuit, Series) else ""
        if isinstance(part, Resonator):
            resonance += 1
            for number, what, unit in _RESONANCE:
                names[where + number] = f"resonance {resonance}, {what}", unit
        elif isinstance(part, LossyInductor):
            names[f"{where}coefficient"] = "lossy inductance, coefficient K of K (j w)^n", "ohm s^n"
            names[f"{where}exponent"] = "lossy inductance, exponent n", ""
        else:
            names[f"{where}resistance_ohm"] = "resistance", "ohm"
    return names


def draw_lines(label: str, check: LinearityCheck | None, sentence: str) -> Chart:
    """Chart how far the changes at several resistances lie off what one impedance can make of them.

    Parameters
    ----------
    label : str
        The earphone.
    check : LinearityCheck or None
        The test; None where there are fewer than three resistances.
    sentence : str
        The chart in words.

    Returns
    -------
    Chart
        One line a resistance, over the tested bands.
    """
    x, rows = np.array([20.0, 20_000.0]), [(np.full(2, np.nan), "no test")]
    if check is not None:
        x = check.bands.mid_hz
        rows = [(row, ohms(R)) for row, R in zip(check.residual_db, check.added_ohm, strict=True)]
    return Chart(
        title=f"{label}: deviation from one impedance behind several resistances",
        alt_text=sentence,
        y_label="Deviation",
        y_unit="dB",
        y_range=change_range(*(row for row, _ in rows)),
        lines=tuple(Line(x=x, y=row, label=name, colour=i) for i, (row, name) in enumerate(rows)),
        levels=(Level(y=0.0),),
    )


def say_lines(recovered: KnownImpedance, check: LinearityCheck | None) -> str:
    """Say whether several resistances agree with one load, without and with the phase.

    Parameters
    ----------
    recovered : KnownImpedance
        The impedance recovered from all of them together.
    check : LinearityCheck or None
        The test without phase; None where there are fewer than three resistances.

    Returns
    -------
    str
        Sentences.
    """
    found = recovered.impedance
    count = len(found.added_ohm) if isinstance(found, RecoveredImpedance) else 0
    said = []
    if check is not None:
        chance = f"{check.p_value:.2f}" if check.p_value >= 0.01 else "below 0.01"  # noqa: PLR2004 - two digits
        said.append(f"Without any impedance (chance {chance}): {check.sentence}")
    else:
        said.append("Fewer than three resistances with their level kept: nothing to test without an impedance.")
    if isinstance(found, RecoveredImpedance) and found.agreement is not None:
        agreement = found.agreement
        if agreement.p_value >= 0.05:  # noqa: PLR2004 - the usual level
            said.append(f"The impedance recovered from all {count} agrees with each (chance {agreement.p_value:.2f}).")
        else:
            said.append(
                f"The impedance recovered from all {count} does not agree with each (chance {agreement.p_value:.2g}): "
                f"{ohms(agreement.worst_ohm)} is {agreement.worst_db:+.1f} dB off at {agreement.worst_hz:.0f} Hz."
            )
    return " ".join(said)


def lines_table(check: LinearityCheck | None) -> pd.DataFrame:
    """Put the deviations from one impedance into a table.

    Parameters
    ----------
    check : LinearityCheck or None
        The test.

    Returns
    -------
    DataFrame
        One row a tested band, one column a resistance.
    """
    if check is None:
        return pd.DataFrame(columns=["Frequency (Hz)"])
    table = pd.DataFrame({"Frequency (Hz)": [nominal_frequency(f) for f in check.bands.mid_hz]})
    for row, R in zip(check.residual_db, check.added_ohm, strict=True):
        table[f"{ohms(R)} (dB)"] = row.round(2) + 0.0
    return table[check.judged].reset_index(drop=True)
