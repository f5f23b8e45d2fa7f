"""How a study was made and judged, and what it cannot show, in words made from the settings that were used."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.evidence.wording import name_frequency
from ohmshift.show.drawings import ohms

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from ohmshift.evidence.verdicts import Verdict
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.findings import Finding
    from ohmshift.study.folder import Study
    from ohmshift.study.plain import Setting
    from ohmshift.study.problems import Problem

_UNITS = {
    "ohm": "ohm", "db": "dB", "dba": "dB(A)", "hz": "Hz", "s": "s", "ms": "ms", "v": "V", "mv": "mV", "ma": "mA",
    "mw": "mW", "wh": "Wh", "percent": "%", "px": "px",
}  # fmt: skip
_NAMES = {
    "added_ohm": "added resistance",
    "measured_ohm": "resistance of the measured change",
    "output_ohm": "amplifier output impedance",
    "smoothing": "smoothing of the thin line",
    "alignment_hz": "resonance shown at",
    "below": "second chart on the screen",
}
_WARPS = {
    "local": "each curve was moved along the frequency axis until its resonance fell on a common one; below 4.5 kHz "
    "nothing was moved, above 6.5 kHz the whole shift",
    "detail": "the fine structure of each curve was moved along the frequency axis until its resonance fell on a "
    "common one, while the trend over one octave stayed where it was",
    "none": "curves were left as measured",
}


def say_methods(study: Study, comparison: StudyComparison, findings: Sequence[Finding]) -> tuple[str, ...]:
    """Say how the measurements were made, lined up and judged.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    findings : sequence of Finding
        The findings of the write-up: whether any rests on an impedance.

    Returns
    -------
    tuple of str
        Paragraphs.
    """
    return (
        _say_measurements(study),
        _say_chain(study),
        _say_alignment(study, comparison),
        _say_change(comparison),
        _say_verdict(comparison),
        *_say_impedances(study, findings),
    )


def say_limits(comparison: StudyComparison) -> tuple[str, ...]:
    """Say what the study cannot show.

    Parameters
    ----------
    comparison : StudyComparison
        Its changes.

    Returns
    -------
    tuple of str
        Sentences, those that follow from the data first.
    """
    ohm = comparison.common_ohm
    verdicts = {name: comparison.verdict(name, ohm) for name in comparison.by_size()}
    unsure = [name for name, verdict in verdicts.items() if verdict.word == "cannot tell"]
    lost = [name for name, added in comparison.changes if added == ohm and not _level_known(comparison, name, ohm)]
    relative = f"How much quieter {join_words(lost)} became is not known: levels were normalised." if lost else ""
    alpha, count = comparison.options.alpha, len(verdicts)
    by_chance = (
        f"Each earphone is judged by itself: if none of {count} had changed, about {alpha * count:.1f} of them would "
        f"still be called changed on average, at an error rate of {100 * alpha:g} % each."
    )
    return tuple(
        text
        for text in (
            f"With {ohms(ohm)} added the data cannot tell for {join_words(unsure)}." if unsure else "",
            _say_unreadable(verdicts.values(), comparison.margin_db),
            relative,
            by_chance if count > 1 else "",
            "Unless the notes say otherwise, one sample of each earphone was measured; others may differ.",
            "An ear simulator is not an ear: above 10 kHz it shows little of what a listener gets, and fit differs.",
            "Whether a listener hears a change is another question: it needs a blind comparison at equal loudness.",
        )
        if text
    )


def say_level_jump(comparison: StudyComparison) -> str:
    """Warn of what happens when an added resistance is taken out again.

    Parameters
    ----------
    comparison : StudyComparison
        The study's changes.

    Returns
    -------
    str
        How much the level rises at most, and what to do first.
    """
    drops = {key: change.level_drop_db for key, change in comparison.changes.items() if change.level_drop_db < 0}
    most = ""
    if drops:
        name, ohm = min(drops, key=lambda key: drops[key])
        most = f", in this study by up to {-drops[name, ohm]:.1f} dB ({name}, {ohms(ohm)})"
    return f"Taking an added resistance out again raises the level at the ear{most}: turn the volume down first."


def say_problems(problems: Iterable[Problem]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Say what was wrong with a study's files to whoever reads about it, but cannot mend them.

    Parameters
    ----------
    problems : iterable of Problem
        Problems.

    Returns
    -------
    tuple of (str, tuple of str)
        What became of the data, and for each problem its place, the rule, and what was found.
    """
    listed: dict[str, list[str]] = {"left out": [], "flagged": []}
    for problem in problems:
        found = f"; found: {problem.value}" if problem.value else ""
        listed[problem.effect].append(f"{problem.where}: {problem.rule}{found}.")
    names = ("Left out", "Used, but doubtful")
    return tuple((name, tuple(said)) for name, said in zip(names, listed.values(), strict=True) if said)


def say_setting(name: str, value: Setting) -> tuple[str, str]:
    """Say one setting of a finding.

    Parameters
    ----------
    name : str
        Its name, with the unit at the end.
    value : str, number, truth value, None, or tuple of these
        Its value.

    Returns
    -------
    name, value : str
        In words, the unit with the value.

    Examples
    --------
    >>> say_setting("margin_db", 1.0), say_setting("smoothing", 12), say_setting("keep_outliers", False)
    (('margin', '1 dB'), ('smoothing of the thin line', '1/12 octave'), ('keep outliers', 'no'))
    """
    stem, _, suffix = name.rpartition("_")
    unit = _UNITS.get(suffix, "") if stem else ""
    words = _NAMES.get(name, (stem if unit else name).replace("_", " "))
    if name == "smoothing" and isinstance(value, int | float):
        return words, f"1/{value:g} octave" if value else "none"
    counted = isinstance(value, int | float | tuple) and not isinstance(value, bool)
    return words, f"{_say_value(value)} {unit}".strip() if counted else _say_value(value)


def join_words(items: Iterable[str]) -> str:
    """Join words as in a sentence.

    Parameters
    ----------
    items : iterable of str
        Words.

    Returns
    -------
    str
        The words; "none" where there are none.

    Examples
    --------
    >>> join_words(["Wok", "Ladle", "Spoon"])
    'Wok, Ladle and Spoon'
    """
    listed = list(items)
    return " and ".join([", ".join(listed[:-1]), listed[-1]] if len(listed) > 1 else listed) or "none"


def _say_value(value: Setting) -> str:
    if isinstance(value, tuple):
        return ", ".join(_say_value(part) for part in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}"
    return "not set" if value is None else value


def _say_measurements(study: Study) -> str:
    rows = study.measurements
    responses = rows[rows["quantity"] == "response"]
    impedances = rows[rows["quantity"] == "impedance"]
    seats = responses.groupby(["earphone", "channel", "added_ohm"])["seat"].nunique()
    few, many = (int(seats.min()), int(seats.max())) if len(seats) else (0, 0)
    each = f"{few}" if few == many else f"{few} to {many}"
    rig = study.settings.ear_simulator or "a coupler that the study does not name"
    count = responses["earphone"].nunique()
    earphones = "1 earphone was" if count == 1 else f"{count} earphones were"
    return (
        f"{earphones} measured on this rig: {rig}. {'Its' if count == 1 else 'Their'} frequency responses were "
        f"taken {_say_resistances(responses)}; {each} seat{'' if many == 1 else 's'} a channel and resistance, "
        f"{len(responses)} curves in all. The impedance was measured for {impedances['earphone'].nunique()} of them "
        f"({len(impedances)} curves). {_say_seats(study)}"
    )


def _say_resistances(responses: pd.DataFrame) -> str:
    """Say with which resistances all earphones were measured, and with which only some."""
    counts, every = responses.groupby("added_ohm")["earphone"].nunique(), responses["earphone"].nunique()
    return join_words(
        f"with {join_words(f'{ohm:g}' for ohm in counts.index[counts == count])} ohm added for "
        f"{'all' if count == every else count} of them"
        for count in sorted(set(counts), reverse=True)
    )


def _say_seats(study: Study) -> str:
    rows = study.measurements[study.measurements["quantity"] == "response"]
    kept = []
    for name, own in rows.groupby("earphone", sort=False):
        without = set(own.loc[own["added_ohm"] == 0, "seat"])
        if without & set(own.loc[own["added_ohm"] > 0, "seat"]):
            kept.append(str(name))
    if not kept:
        return "Every earphone was seated anew between the conditions."
    return f"{join_words(kept)} stayed seated while the resistance was added; every other earphone was seated anew."


def _say_chain(study: Study) -> str:
    settings = study.settings
    total = settings.source_ohm + settings.cable_ohm
    rows = study.measurements[study.measurements["quantity"] == "response"]
    others = rows.loc[~np.isclose(rows["source_ohm"], total), ["earphone", "source_ohm"]].drop_duplicates()
    apart = [f"{name} ({ohms(float(ohm))})" for name, ohm in others.itertuples(index=False)]
    text = (
        f"The source is an amplifier of {settings.source_ohm:g} ohm output impedance and a cable of "
        f"{settings.cable_ohm:g} ohm, both conductors: {total:.3g} ohm without the added resistance."
    )
    return f"{text} Amplifier and cable differed for {join_words(apart)}." if apart else text


def _say_alignment(study: Study, comparison: StudyComparison) -> str:
    text = f"Reseating moves the ear-canal resonance, so {_WARPS[comparison.warp]}"
    if comparison.options.warp == "auto":
        text += "; of the ways tried, this one left the least variation in the study"
    text += f". Where it is shown, the resonance lies at {name_frequency(study.settings.alignment_hz)}."
    unsure = [name for name, found in comparison.alignment.items() if not found.certain]
    return f"{text} The resonance was not certain for {join_words(unsure)}." if unsure else text


def _say_change(comparison: StudyComparison) -> str:
    options = comparison.options
    mid_hz = comparison.floor.bands.mid_hz
    return (
        "A change is the response with the resistance minus the response without it, averaged over seats and then over "
        f"channels, in third-octave bands from {name_frequency(float(mid_hz[0]))} to "
        f"{name_frequency(float(mid_hz[-1]))} (IEC 61260-1). The level drop is its mean over "
        f"{name_frequency(options.level_low_hz)} to {name_frequency(options.level_high_hz)}, each octave counting the "
        "same; it is given apart, and what is left is the tonal change."
    )


def _say_verdict(comparison: StudyComparison) -> str:
    floor = comparison.floor
    part = floor.reseated or floor.unreseated
    percent = f"{100 * comparison.options.alpha:g} %"
    text = (
        f"An earphone is called changed if at least one band changed; of those that did not change, at most {percent} "
        "would be called so. The change is certainly larger than the margin if the whole interval of a band lies "
        "beyond it. It is called no larger than the margin if a larger one is ruled out in every judged band, at an "
        f"error rate of {percent}. If none of this holds, the data cannot tell. The margin was "
        f"{comparison.margin_db:g} dB, unless a finding says otherwise. Intervals hold for all judged bands at once. "
        "The bound, which no band changed by more than, counts each band by itself, so it can be less than the end of "
        "an interval."
    )
    if part is None:
        return f"{text} Nothing was repeated, so measurement variation is not known."
    spread = float(np.median(np.sqrt(part.prior_variance_db2[np.isfinite(part.prior_variance_db2)])))
    return (
        f"{text} Measurement variation was estimated from the repeats of {len(part.labels)} earphones: one measurement "
        f"of a band typically strays by {spread:.2f} dB (standard deviation, median over the bands)."
    )


def _say_impedances(study: Study, findings: Sequence[Finding]) -> tuple[str, ...]:
    predicted = [finding for finding in findings if "output_ohm" in finding.settings]
    if not predicted:
        return ()
    names = dict.fromkeys(finding.earphone for finding in predicted if finding.earphone in study.names)
    measured = [name for name in names if study.has_impedance(name)]
    others = [name for name in names if name not in measured]
    text = "Predictions use the voltage divider of source, added resistance and the earphone's complex impedance."
    if measured:
        text += f" The impedance of {join_words(measured)} was measured."
    if others:
        text += f" That of {join_words(others)} was recovered from the responses with and without the added resistance."
    return (text,)


def _say_unreadable(verdicts: Iterable[Verdict], margin_db: float) -> str:
    counts = [(int(v.readable[v.judged].sum()), int(v.judged.sum())) for v in verdicts]
    readable, judged = (sum(part) for part in zip(*counts, strict=True)) if counts else (0, 0)
    if readable == judged:
        return ""
    return (
        f"In {judged - readable} of {judged} bands, over all earphones, the interval is wider than the margin of "
        f"{margin_db:g} dB either way: nothing is read there."
    )


def _level_known(comparison: StudyComparison, name: str, added_ohm: float) -> bool:
    return bool(np.isfinite(comparison.change(name, added_ohm).level_drop_db))
