"""A collection in charts: every earphone by class, measured against predicted, what foretells, and rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.evidence.metrics import UNITS
from ohmshift.show.axes import fit_range
from ohmshift.show.charts import Band, Chart, Level, Line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.collection import Collection
    from ohmshift.evidence.explained import Explanation
    from ohmshift.evidence.metrics import Metric
    from ohmshift.evidence.ruling import RuleVerdict

METRIC_NAMES: Mapping[Metric, str] = {
    "size": "Size of the tonal change",
    "bass": "Bass change",
    "treble": "Treble change",
    "tilt": "Tilt of the change",
    "level drop": "Level drop",
}
"""Metrics as axes name them."""

FORETELLERS = {"type": "driver class", "count": "driver count", "|Z|": "impedance |Z|", "divider": "the divider"}
"""What foretells, as axes name it."""

_BLACK = 4
_CASE_COLOURS = {"agrees": 2, "open": 5, "counterexample": 1}
_MOST_NAMED = 24
_WIDTH_PX = 600.0
_LETTER_PX = 9.2
_MOST_ROWS = 3
_LEAST_SHOWN_DB = 1.25
_LONGEST_CLASS = 18
_R2_RANGE = (-3.0, 1.2)


def draw_classes(collection: Collection, metric: Metric, classes: Sequence[str], *, alt_text: str) -> Chart:
    """Chart every earphone's metric with its 95 % interval, by class, and the mean of each class.

    Parameters
    ----------
    collection : Collection
        The collection.
    metric : str
        The metric.
    classes : sequence of str
        Class of each earphone.
    alt_text : str
        The chart in a sentence.

    Returns
    -------
    Chart
        One place an earphone; the class with the largest mean first, and within it the largest value.
    """
    y = collection.values(metric)
    low, high = _intervals(collection, metric)
    order = _order(y, classes)
    place = np.empty(len(order))
    place[order] = np.arange(len(order), dtype=np.float64)
    points, bars, means = [], [], []
    for colour, name in enumerate(dict.fromkeys(classes)):
        inside = np.array([i for i in order if classes[i] == name])
        x = place[inside]
        points.append(Line(x=x, y=y[inside], label=_cut(name, _LONGEST_CLASS), colour=colour, points=True))
        bars.append(Band(x=x, low=low[inside], high=high[inside], colour=colour, opacity=0.6, bars=True))
        if np.isfinite(y[inside]).sum() > 1:
            mean = np.full(2, np.nanmean(y[inside]))
            means.append(Line(x=np.array([x[0] - 0.35, x[-1] + 0.35]), y=mean, colour=colour, dash="solid", width=1.5))
    ticks = name_places([collection.labels[i] for i in order])
    shown = [0.0, _LEAST_SHOWN_DB] if margin_levels(metric, collection.margin_db) else [0.0]
    return Chart(
        title=f"{METRIC_NAMES[metric]}, {collection.added_ohm:g} ohm added: every earphone, 95 % intervals",
        alt_text=alt_text,
        y_label=METRIC_NAMES[metric],
        y_unit=UNITS[metric],
        scale="linear",
        x_label=_place_label(ticks),
        x_unit="",
        x_scale="linear",
        x_range=(-0.8, len(order) - 0.2),
        x_ticks=ticks,
        y_range=fit_range(np.concatenate([low, high, y, shown]), scale="linear"),
        lines=(*means, *points),
        bands=tuple(bars),
        levels=(*margin_levels(metric, collection.margin_db), Level(y=0.0)),
    )


def draw_predictions(collection: Collection, metric: Metric, classes: Sequence[str]) -> Chart:
    """Chart each earphone's metric as measured against what the divider predicts from its impedance.

    Parameters
    ----------
    collection : Collection
        The collection.
    metric : str
        The metric.
    classes : sequence of str
        Class of each earphone.

    Returns
    -------
    Chart
        One point an earphone whose impedance is known; pale where it was recovered from the same responses.
    """
    y, x = collection.values(metric), collection.predicted(metric)
    low, high = _intervals(collection, metric)
    known = np.isfinite(x) & np.isfinite(y)
    own = np.array([one.impedance.origin == "measured" for one in collection.earphones])
    ends = fit_range(np.concatenate([x[known], y[known], low[known], high[known], [0.0]]), scale="linear")
    same = np.array(ends)
    lines = [Line(x=same, y=same, label="as predicted", colour=_BLACK, dash="dotted", width=1.5)]
    bands = []
    named = np.asarray(classes, dtype=object)
    for colour, name in enumerate(dict.fromkeys(classes)):
        inside, pale = (known & kind & (named == name) for kind in (own, ~own))
        label = _cut(name, _LONGEST_CLASS)
        lines.append(Line(x=x[pale], y=y[pale], colour=colour, opacity=0.3, points=True))
        lines.append(Line(x=x[inside], y=y[inside], label=label, colour=colour, points=True))
        bands.append(Band(x=x[inside], low=low[inside], high=high[inside], colour=colour, opacity=0.6, bars=True))
    off = np.abs(y - x)[known & own]
    worst = f"; the largest difference is {off.max():.2f} {UNITS[metric]}" if off.size else ""
    return Chart(
        title="Measured against predicted by the divider, no parameter fitted",
        alt_text=f"{int((known & own).sum())} earphones have a measured impedance to predict them by{worst}.",
        y_label=f"{METRIC_NAMES[metric]}, measured",
        y_unit=UNITS[metric],
        scale="linear",
        x_label=f"Predicted ({UNITS[metric]}); pale: from an impedance recovered from the same responses",
        x_unit="",
        x_scale="linear",
        x_range=ends,
        y_range=ends,
        lines=tuple(lines),
        bands=tuple(bands),
    )


def draw_explained(explanation: Explanation, metric: Metric) -> Chart:
    """Chart how well type, count, impedance magnitude and the divider foretell an earphone left out.

    Parameters
    ----------
    explanation : Explanation
        The comparison.
    metric : str
        The metric.

    Returns
    -------
    Chart
        Leave-one-out R^2 with 95 % intervals.
    """
    names = [FORETELLERS[one.name] for one in explanation.explained] or list(FORETELLERS.values())
    x = np.arange(len(names), dtype=np.float64)
    r2, low, high = (
        np.array([getattr(one, part) for one in explanation.explained] or [np.nan] * len(names))
        for part in ("r2", "low", "high")
    )
    said = ", ".join(f"{name} {value:.2f}" for name, value in zip(names, r2, strict=True))
    what = "not compared" if explanation.reason else METRIC_NAMES[metric].lower()
    return Chart(
        title=f"Foretelling an earphone left out: {what}",
        alt_text=explanation.reason or f"Leave-one-out R², {len(explanation.labels)} earphones: {said}.",
        y_label="Leave-one-out R²",
        y_unit="",
        scale="linear",
        x_label="Known of the earphone; bars are 95 % intervals",
        x_unit="",
        x_scale="linear",
        x_range=(-0.6, len(names) - 0.4),
        x_ticks=tuple(zip(x.tolist(), names, strict=True)),
        y_range=_R2_RANGE,
        lines=(Line(x=x, y=r2, label="R²", points=True),),
        bands=(Band(x=x, low=low, high=high, opacity=0.6, bars=True),),
        levels=(Level(y=1.0, label="perfect"), Level(y=0.0, label="as the mean")),
    )


def draw_rule(verdict: RuleVerdict) -> Chart:
    """Chart the earphones that a rule speaks of, by whether each agrees.

    Parameters
    ----------
    verdict : RuleVerdict
        Verdict on the rule.

    Returns
    -------
    Chart
        Each earphone's metric with its 95 % interval, and the rule's limits.
    """
    rule, cases = verdict.rule, sorted(verdict.cases, key=lambda case: -case.value)
    lines, bands = [], []
    values = np.array([0.0])
    for word, colour in _CASE_COLOURS.items():
        inside = [i for i, case in enumerate(cases) if case.word == word]
        x = np.array(inside, dtype=np.float64)
        y, low, high = (np.array([getattr(cases[i], part) for i in inside]) for part in ("value", "low", "high"))
        lines.append(Line(x=x, y=y, label=word, colour=colour, points=True))
        bands.append(Band(x=x, low=low, high=high, colour=colour, opacity=0.6, bars=True))
        values = np.concatenate([values, low, high])
    limit, ticks = rule.limit, name_places([case.label for case in cases])
    levels = () if limit is None else (Level(y=limit, label="the rule's limit"),)
    if limit is not None and rule.metric != "size":
        levels = (*levels, Level(y=-limit, label="the rule's limit"))
    return Chart(
        title=f"{verdict.word.capitalize()}: {rule}",
        alt_text=verdict.sentence,
        y_label=METRIC_NAMES[rule.metric],
        y_unit=UNITS[rule.metric],
        scale="linear",
        x_label=_place_label(ticks),
        x_unit="",
        x_scale="linear",
        x_range=(-0.8, max(len(cases), 1) - 0.2),
        x_ticks=ticks,
        y_range=fit_range(np.concatenate([values, [level.y for level in levels]]), scale="linear"),
        lines=tuple(lines),
        bands=tuple(bands),
        levels=(*levels, Level(y=0.0)),
    )


def margin_levels(metric: Metric, margin_db: float) -> tuple[Level, ...]:
    """Give the lines that show a margin; none for the tilt, whose unit is another.

    Parameters
    ----------
    metric : str
        The metric.
    margin_db : float
        The margin [dB].

    Returns
    -------
    tuple of Level
        One for a size, which is never negative; two for bass and treble.
    """
    if metric in {"tilt", "level drop"}:
        return ()
    above = Level(y=margin_db, label="margin")
    return (above,) if metric == "size" else (above, Level(y=-margin_db, label="margin"))


def name_places(labels: Sequence[str]) -> tuple[tuple[float, str], ...]:
    """Name the places 0, 1, 2 ... on an axis, in up to three rows so that neighbours do not touch.

    Parameters
    ----------
    labels : sequence of str
        Names.

    Returns
    -------
    tuple of (float, str)
        Ticks; numbers alone where there are too many for names.

    Examples
    --------
    >>> name_places(["Ladle", "Whisk"])
    ((0.0, 'Ladle'), (1.0, 'Whisk'))
    """
    n = len(labels)
    if n > _MOST_NAMED:
        return tuple((float(i), f"{i + 1}") for i in range(0, n, 5))
    length = n * _LETTER_PX * max((len(label) for label in labels), default=0)
    rows = min(int(length // _WIDTH_PX) + 1, _MOST_ROWS)
    longest = max(int(rows * _WIDTH_PX / max(n, 1) / _LETTER_PX), 4)
    return tuple((float(i), "\n" * (i % rows) + _cut(label, longest)) for i, label in enumerate(labels))


def _place_label(ticks: Sequence[tuple[float, str]]) -> str:
    """Name the axis of earphones; where their names take several rows there is no room for more."""
    return "" if any("\n" in name for _, name in ticks) else "Earphone"


def _cut(label: str, longest: int) -> str:
    return label if len(label) <= longest else label[: longest - 1].rstrip() + "…"


def _intervals(collection: Collection, metric: Metric) -> tuple[FloatArray, FloatArray]:
    """Give the ends of each earphone's 95 % interval; nan where nothing tells them."""
    ends = np.array([(one.estimates[metric].low, one.estimates[metric].high) for one in collection.earphones])
    ends = np.where(np.isfinite(ends), ends, np.nan)
    return ends[:, 0], ends[:, 1]


def _order(y: FloatArray, classes: Sequence[str]) -> list[int]:
    """Order earphones by the mean of their class, then by their own value, the largest first."""
    named = np.asarray(classes, dtype=object)
    mean = {}
    for name in dict.fromkeys(classes):
        known = y[(named == name) & np.isfinite(y)]
        mean[name] = known.mean() if known.size else -np.inf
    return sorted(range(len(y)), key=lambda i: (-mean[classes[i]], classes[i], -np.nan_to_num(y[i], nan=-np.inf)))
