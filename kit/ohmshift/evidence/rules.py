"""Folk rules about earphones, as values, and which earphones of a collection they speak of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np

from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import METRICS, UNITS

if TYPE_CHECKING:
    from ohmshift.evidence.collection import CollectedEarphone
    from ohmshift.evidence.metrics import Metric

Feature: TypeAlias = Literal["impedance at 1 kHz", "lowest impedance", "highest impedance", "impedance spread"]
Predictor: TypeAlias = Literal[Feature, "driver count", "predicted change"]
Limited: TypeAlias = Literal["stays within", "exceeds"]
Signed: TypeAlias = Literal["is always positive", "is always negative"]
Trend: TypeAlias = Literal["rises with", "falls with", "always rises with", "always falls with"]
Relation: TypeAlias = Literal[Limited, Signed, Trend]

FEATURES: tuple[Feature, ...] = get_args(Feature)
"""What a rule may say of an impedance; the spread is the largest magnitude over the smallest."""

PREDICTORS: tuple[Predictor, ...] = (*get_args(Feature), "driver count", "predicted change")
"""What a metric may be said to rise or fall with."""

LIMITED: tuple[Limited, ...] = get_args(Limited)
"""Relations that need a limit."""

SIGNED: tuple[Signed, ...] = get_args(Signed)
"""Relations to no change."""

TRENDS: tuple[Trend, ...] = get_args(Trend)
"""Relations to another number; "always" means in every pair of earphones, without it on the whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """The earphones that a rule speaks of: all, unless one thing narrows them.

    Parameters
    ----------
    driver_class : str
        Class of the drivers; empty for any.
    least_count, most_count : int, optional
        Drivers a side, the limits included.
    feature : str, optional
        What is asked of the impedance.
    above, below : float, optional
        Limit of that feature [ohm, or a ratio for the spread], one of the two.

    Raises
    ------
    EvidenceError
        Two things that narrow it, or a feature without one limit.
    """

    driver_class: str = ""
    least_count: int | None = None
    most_count: int | None = None
    feature: Feature | None = None
    above: float | None = None
    below: float | None = None

    def __post_init__(self) -> None:
        """Check once."""
        counted = self.least_count is not None or self.most_count is not None
        limits = (self.above is not None) + (self.below is not None)
        if bool(self.driver_class) + counted + (self.feature is not None) > 1 or limits != (self.feature is not None):
            raise EvidenceError(
                "subject of a rule",
                "the class, the count of drivers or one limit of an impedance narrows it, no two of them",
                f"the class is {self.driver_class!r}, the feature {self.feature!r} with {limits} limits"
                f"{', and drivers are counted' if counted else ''}",
                "make it two rules",
            )

    def __str__(self) -> str:
        """Say which earphones."""
        if self.driver_class:
            return f"{self.driver_class} earphones"
        if self.feature is not None:
            unit = "" if self.feature == "impedance spread" else " ohm"
            side, limit = ("above", self.above) if self.above is not None else ("below", self.below)
            return f"earphones with {self.feature} {side} {limit:g}{unit}"
        return self._say_count()

    def _say_count(self) -> str:
        match (self.least_count, self.most_count):
            case (None, None):
                return "all earphones"
            case (1, 1):
                return "single-driver earphones"
            case (2, None):
                return "multi-driver earphones"
            case (least, None):
                return f"earphones with at least {least} drivers"
            case (None, most):
                return f"earphones with at most {most} drivers"
            case (least, most):
                return (
                    f"earphones with {least} drivers" if least == most else f"earphones with {least} to {most} drivers"
                )

    def knows(self, earphone: CollectedEarphone) -> bool:
        """Tell whether all that narrows the subject is known of an earphone.

        Parameters
        ----------
        earphone : CollectedEarphone
            The earphone.

        Returns
        -------
        bool
            Whether it can be told that the rule speaks of it, or that it does not.
        """
        counted = self.least_count is None and self.most_count is None
        return (counted or earphone.driver_count is not None) and (
            self.feature is None or bool(np.isfinite(predictor_value(earphone, self.feature)))
        )

    def includes(self, earphone: CollectedEarphone) -> bool:
        """Tell whether the rule speaks of an earphone.

        Parameters
        ----------
        earphone : CollectedEarphone
            The earphone.

        Returns
        -------
        bool
            False also where what is asked is not known of it.
        """
        if self.driver_class and earphone.driver_class.casefold() != self.driver_class.casefold():
            return False
        if not self.knows(earphone):
            return False
        count = earphone.driver_count or 0
        if (self.least_count is not None and count < self.least_count) or (
            self.most_count is not None and count > self.most_count
        ):
            return False
        value = float("nan") if self.feature is None else predictor_value(earphone, self.feature)
        return (self.above is None or value > self.above) and (self.below is None or value < self.below)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule.

    Parameters
    ----------
    subject : Subject
        The earphones that it speaks of.
    metric : str
        What it says something of: size, bass, treble, tilt or level drop.
    relation : str
        What it says.
    limit : float, optional
        Limit of "stays within" and "exceeds", in the metric's unit.
    predictor : str, optional
        What the metric rises or falls with.

    Raises
    ------
    EvidenceError
        A relation without its limit or predictor, or with one that it does not take.

    Examples
    --------
    >>> print(Rule(subject=Subject(least_count=1, most_count=1), metric="size", relation="stays within", limit=1.0))
    single-driver earphones: size stays within 1 dB
    """

    subject: Subject
    metric: Metric
    relation: Relation
    limit: float | None = None
    predictor: Predictor | None = None

    def __post_init__(self) -> None:
        """Check once."""
        limited = self.relation in LIMITED
        fits = (self.limit is not None) == limited and (self.predictor is not None) == (self.relation in TRENDS)
        if self.metric not in METRICS or not fits or (self.limit is not None and not 0 < self.limit < np.inf):
            raise EvidenceError(
                f"rule, {self.metric} {self.relation}",
                '"stays within" and "exceeds" take a limit above 0, "rises with" and "falls with" a predictor',
                f"the limit is {self.limit} and the predictor {self.predictor}",
                "give what the relation takes",
            )

    def __str__(self) -> str:
        """Write the rule as it can be read again."""
        end = "" if self.limit is None else f" {self.limit:g} {UNITS[self.metric]}"
        end += "" if self.predictor is None else f" {self.predictor}"
        return f"{self.subject}: {self.metric} {self.relation}{end}"


def predictor_value(earphone: CollectedEarphone, predictor: Predictor, *, metric: Metric = "size") -> float:
    """Give what a metric may be said to rise or fall with.

    Parameters
    ----------
    earphone : CollectedEarphone
        The earphone.
    predictor : str
        Which number.
    metric : str
        The metric, where its prediction is asked for.

    Returns
    -------
    float
        The number; nan where it is not known. A prediction from an impedance that was recovered from the very responses
        counts as not known.
    """
    impedance = earphone.impedance
    match predictor:
        case "driver count":
            return float("nan") if earphone.driver_count is None else float(earphone.driver_count)
        case "impedance at 1 kHz":
            return impedance.at_1khz_ohm
        case "lowest impedance":
            return impedance.lowest_ohm
        case "highest impedance":
            return impedance.highest_ohm
        case "impedance spread":
            return impedance.spread
        case "predicted change":
            known = impedance.origin == "measured"
            return earphone.predicted.get(metric, float("nan")) if known else float("nan")
