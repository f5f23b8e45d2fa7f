"""The three charts of an earphone's review sheet: response, change, impedance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.prediction import readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.show.axes import fit_range
from ohmshift.show.charts import Band, Chart, Line, Span
from ohmshift.show.drawings import draw_change, flatness, ohm_range, ohms
from ohmshift.show.earphone_wording import say_impedance, say_level

if TYPE_CHECKING:
    from ohmshift.show.earphone_facts import EarphoneFacts

_FLAT_DB_PER_DECADE = 25
_LONGEST_NAME = 40


def draw_sheet_charts(facts: EarphoneFacts) -> tuple[Chart, ...]:
    """Chart what is known of an earphone, top to bottom.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    tuple of Chart
        With and without the resistance, the change, the impedance; what is not known is left out.
    """
    charts = []
    if facts.frequency_hz.size:
        charts.append(draw_responses(facts))
    if facts.main is not None:
        charts.append(draw_change(facts.main.change, facts.main.verdict))
    if facts.known.impedance is not None:
        charts.append(draw_known_impedance(facts))
    return tuple(charts)


def draw_responses(facts: EarphoneFacts) -> Chart:
    """Chart the response without and with the resistance.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone; it has a response without.

    Returns
    -------
    Chart
        Levels against frequency, counted from the mean level without.
    """
    name, main = _short(facts.name), facts.main
    lines = [Line(x=facts.frequency_hz, y=facts.without_db, label="without", colour=4, dash="solid", width=2.0)]
    title, alt_text = (
        f"{name}: response",
        f"Response of {facts.name} without an added resistance, counted from its mean level.",
    )
    if main is not None:
        lines.append(
            Line(x=main.change.frequency_hz, y=main.with_db, label=f"with {ohms(main.added_ohm)}", colour=1, width=2.0)
        )
        levels = "" if main.level_known else ", levels made equal"
        title = f"{name}: response without and with {ohms(main.added_ohm)} added{levels}"
        level = f"the level changes by {say_level(main)}" if main.level_known else "at one level, as levels were lost"
        alt_text = (
            f"Response of {facts.name} without and with {ohms(main.added_ohm)} added, counted from the mean level "
            f"without; {level}."
        )
    reach = fit_range(np.concatenate([line.y for line in lines]))
    return Chart(
        title=title,
        alt_text=alt_text,
        y_label="Level",
        y_unit="dB",
        y_range=reach,
        db_per_decade=_FLAT_DB_PER_DECADE if reach[1] - reach[0] <= _FLAT_DB_PER_DECADE else 50,
        lines=tuple(lines),
    )


def draw_known_impedance(facts: EarphoneFacts) -> Chart:
    """Chart the magnitude of the impedance, with its band where it was recovered.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone; its impedance is known.

    Returns
    -------
    Chart
        Magnitude against frequency, both logarithmic.
    """
    impedance, f = facts.known.impedance, facts.known.frequency_hz
    Z = np.abs(facts.known.ohms)
    reach, bands = ohm_range(Z), []
    spans: tuple[Span, ...] = ()
    label = "measured"
    if isinstance(impedance, RecoveredImpedance):
        label, readable = "recovered", readable_frequencies(impedance)
        reach = ohm_range(Z[readable] if readable.any() else Z)
        low, high = (np.clip(edge, *reach) for edge in (impedance.low_ohm, impedance.high_ohm))
        bands.append(Band(x=f, low=low, high=high, label="95 % interval", colour=3))
        Z = np.where((reach[0] <= Z) & (reach[1] >= Z), Z, np.nan)
        if not readable.all():
            spans = (Span(low=float(f[~readable].min()), high=float(f[-1]), reason="not lined up with certainty"),)
    return Chart(
        title=f"{_short(facts.name)}: impedance, {label}",
        alt_text=f"Impedance of {facts.name}: {say_impedance(facts)}.",
        y_label="Impedance",
        y_unit="ohm",
        scale="ohm",
        y_range=reach,
        db_per_decade=flatness(reach),
        lines=(Line(x=f, y=Z, label=label, colour=3 if bands else 2, dash="solid", width=2.2),),
        bands=tuple(bands),
        spans=spans,
    )


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1].rstrip() + "…"
