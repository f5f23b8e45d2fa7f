"""The facts of one earphone in sentences: the same ones on its sheet, its picture and in the collection."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.divider import HIGHEST_OHM
from ohmshift.chain.prediction import readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.drawings import ohms
from ohmshift.show.earphone_facts import say_class

if TYPE_CHECKING:
    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.show.earphone_facts import Condition, EarphoneFacts

SAFETY = (
    "Measure cables with the earphone unplugged, and never short an amplifier's output. Sound exposure guidance is "
    "general information; local rules and hearing professionals come first."
)

_SMALL_DB = 0.05
_REFERENCE_HZ = 1000.0


def fact_rows(facts: EarphoneFacts) -> tuple[tuple[str, str], ...]:
    """Put an earphone's facts into rows.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    tuple of (str, str)
        What, and the sentence on it.
    """
    rows = [("Drivers", say_class(facts))]
    if facts.main is not None:
        rows += [
            ("Verdict", facts.main.verdict.sentence),
            ("In words", ", ".join(facts.main.words)),
            ("Size of the tonal change", f"{facts.main.change.size_db:.2f} dB (standard deviation over third octaves)"),
            ("Level", say_level(facts.main)),
            ("Measured", say_measurement(facts.main)),
        ]
    if facts.notes:
        rows.append(("Notes", facts.notes))
    return (
        *rows,
        ("Impedance", say_impedance(facts)),
        (f"Highest source impedance for {facts.margin_db:g} dB", say_limit(facts)),
    )


def cautions(facts: EarphoneFacts) -> tuple[str, ...]:
    """Say what to beware of: for the listener first, then for the reader.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    tuple of str
        Sentences, none twice.
    """
    said = [say_jump(facts)] if facts.main is not None else []
    if facts.main is not None:
        unread = _unreadable(facts.main.verdict)
        said += [unread] if unread else []
        said += [_sentence(text) for text in facts.main.verdict.caveats]
    said += [_sentence(text) for text in facts.known.caveats]
    if facts.limit is not None:
        said += [_sentence(text) for text in facts.limit.caveats]
    return tuple(dict.fromkeys(said))


def say_word(verdict: Verdict) -> str:
    """Give a verdict's word with the margin that it refers to.

    Parameters
    ----------
    verdict : Verdict
        The verdict.

    Returns
    -------
    str
        Such as "no change larger than 1 dB".
    """
    return f"{verdict.word} {verdict.margin_db:g} dB" if verdict.word.endswith("than") else verdict.word


def say_level(condition: Condition) -> str:
    """Say how the level changed.

    Parameters
    ----------
    condition : Condition
        The resistance.

    Returns
    -------
    str
        Level drop with its interval, or why there is none.
    """
    if not condition.level_known:
        return "not known: levels were normalised"
    interval = condition.verdict.level_drop_interval_db
    between = "" if interval is None else f" (95 %: {interval[0]:+.1f} to {interval[1]:+.1f} dB)"
    return f"{_signed(condition.change.level_drop_db)} dB{between}, mean over 200 Hz to 2 kHz"


def say_measurement(condition: Condition) -> str:
    """Say what a change rests on.

    Parameters
    ----------
    condition : Condition
        The resistance.

    Returns
    -------
    str
        Resistance, seats and channels.
    """
    change = condition.change
    how = "reseated in between" if change.reseated else "not touched in between"
    seats = f"{change.seats[1]} against {change.seats[0]} seats a channel"
    return f"with {ohms(condition.added_ohm)} against without; {seats}, {how}; {' and '.join(change.channels)}"


def say_impedance(facts: EarphoneFacts) -> str:
    """Say what an earphone's impedance is, and how that is known.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    str
        At 1 kHz and its least and greatest value, with a band where it was recovered.
    """
    impedance = facts.known.impedance
    if impedance is None:
        return f"not known: {facts.known.origin}"
    f, Z, readable = impedance.frequency_hz, np.abs(impedance.impedance_ohm), readable_frequencies(impedance)
    if not readable.any():
        return f"{facts.known.origin}, but nowhere readable"
    at = int(np.argmin(np.abs(np.log(f / _REFERENCE_HZ))))
    shown = np.flatnonzero(readable)
    low, high = shown[np.argmin(Z[shown])], shown[np.argmax(Z[shown])]
    middle = f"{Z[at]:.3g} ohm at {name_frequency(float(f[at]))}"
    if isinstance(impedance, RecoveredImpedance):
        middle += f" (95 %: {impedance.low_ohm[at]:.3g} to {impedance.high_ohm[at]:.3g})"
    reach = (
        f"from {Z[low]:.3g} ohm at {name_frequency(float(f[low]))} to "
        f"{Z[high]:.3g} ohm at {name_frequency(float(f[high]))}"
    )
    return f"{middle}; {reach}; {facts.known.origin}"


def say_limit(facts: EarphoneFacts) -> str:
    """Say how high the source impedance may be.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone.

    Returns
    -------
    str
        Limit with its interval, and where it is reached.
    """
    limit = facts.limit
    if limit is None:
        return "not known, because no impedance is"
    if np.isinf(limit.source_ohm):
        reach = f"even {HIGHEST_OHM:g} ohm keeps within it"
        return reach if np.isinf(limit.low_ohm) else f"{reach} (95 %: from {limit.low_ohm:.2g} ohm)"
    between = ""
    if limit.low_ohm < limit.source_ohm or limit.high_ohm > limit.source_ohm:
        high = f"above {HIGHEST_OHM:g}" if np.isinf(limit.high_ohm) else f"{limit.high_ohm:.2g}"
        between = f" (95 %: {limit.low_ohm:.2g} to {high})"
    return (
        f"{limit.source_ohm:.2g} ohm{between}, amplifier, cable and anything added together; "
        f"reached first at {name_frequency(limit.worst_hz)}"
    )


def say_jump(facts: EarphoneFacts) -> str:
    """Warn of what happens when the resistance is taken out.

    Parameters
    ----------
    facts : EarphoneFacts
        The earphone, compared at one resistance at least.

    Returns
    -------
    str
        How much the level rises, and what to do first.
    """
    taken = f"Taking the {ohms(facts.conditions[0].added_ohm)} out raises the level at the ear"
    if not np.isfinite(facts.jump_db):
        return f"{taken}; by how much is not known here. Turn the volume down first."
    if facts.jump_db < _SMALL_DB:
        return "Taking the resistance out hardly changes the mean level here; turn the volume down first all the same."
    how = "" if facts.jump_origin == "measured" else ", predicted from its impedance"
    return f"{taken} by {facts.jump_db:.1f} dB on average{how}{_most(facts.conditions[0])}. Turn the volume down first."


def _most(condition: Condition) -> str:
    """Name the band whose level rises most."""
    verdict = condition.verdict
    band_db = np.where(verdict.readable, verdict.change_db + condition.change.level_drop_db, np.nan)
    if not np.isfinite(band_db).any():
        return ""
    at = int(np.nanargmin(band_db))
    return f", most {-band_db[at]:.1f} dB at {name_frequency(float(verdict.bands.mid_hz[at]))}"


def _unreadable(verdict: Verdict) -> str:
    bad = np.flatnonzero(verdict.judged & ~verdict.readable)
    if bad.size == 0:
        return ""
    if bad.size == verdict.judged.sum():
        return f"No band is readable at a margin of {verdict.margin_db:g} dB: variation is larger than that."
    names = [name_frequency(float(verdict.bands.mid_hz[i])) for i in bad]
    runs = np.split(np.arange(bad.size), np.flatnonzero(np.diff(bad) > 1) + 1)
    where = ", ".join(names[run[0]] if run.size == 1 else f"{names[run[0]]} to {names[run[-1]]}" for run in runs)
    return f"Not readable at a margin of {verdict.margin_db:g} dB: {where}."


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-0.0", "+0.0")


def _sentence(text: str) -> str:
    """Make a sentence of a caveat; a file's name at its start stays as it is."""
    text = text.strip()
    first = text.split(" ", 1)[0]
    start = text[:1].upper() if first.isalpha() else text[:1]
    return start + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
