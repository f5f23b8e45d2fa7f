"""Driver types against impedance: one study's collection put to every test, for one way of grouping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

from ohmshift.evidence.bandvectors import compare_vectors
from ohmshift.evidence.counts import correlate_ranks
from ohmshift.evidence.explained import explain_values
from ohmshift.evidence.groups import adjust_holm, compare_classes
from ohmshift.study.declarations import DECLARABLE

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.evidence.bandvectors import VectorTest
    from ohmshift.evidence.collection import CollectedEarphone, Collection
    from ohmshift.evidence.counts import RankCorrelation
    from ohmshift.evidence.explained import Explanation
    from ohmshift.evidence.groups import GroupTest
    from ohmshift.evidence.metrics import Metric
    from ohmshift.study.declarations import Declaration

Grouping: TypeAlias = Literal["driver class", "driver count", "one or several drivers"]

GROUPINGS: tuple[Grouping, ...] = get_args(Grouping)
"""Ways of putting earphones into classes."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TypeAnswers:
    """What the collection says of driver types and of impedance.

    Parameters
    ----------
    grouping : str
        How the earphones were put into classes.
    classes : tuple of str, length n
        Class of each earphone.
    tested_together : tuple of str
        Metrics among which Holm's adjustment counts: those declared, or all where none were.
    tests : mapping of str to GroupTest
        For each metric.
    vectors : VectorTest
        The same over all bands at once.
    counts : mapping of str to RankCorrelation
        How each metric goes with the driver count.
    explained : mapping of str to Explanation
        What foretells each metric of an earphone left out.
    """

    grouping: Grouping
    classes: tuple[str, ...]
    tested_together: tuple[Metric, ...]
    tests: Mapping[Metric, GroupTest]
    vectors: VectorTest
    counts: Mapping[Metric, RankCorrelation]
    explained: Mapping[Metric, Explanation]


def ask_types(
    collection: Collection, declaration: Declaration, *, grouping: Grouping = "driver class", seed: int = 0
) -> TypeAnswers:
    """Put a collection to every test of driver types, counts and impedance.

    Parameters
    ----------
    collection : Collection
        The collection.
    declaration : Declaration
        What was declared before looking.
    grouping : str
        How the earphones are put into classes.
    seed : int
        Seed of relabellings and resamplings.

    Returns
    -------
    TypeAnswers
        One test a metric and grouping. What foretells is compared on earphones whose impedance was measured, since a
        recovered one comes from the very change that it would foretell.
    """
    classes = group_earphones(collection, grouping)
    together = declaration.metrics or DECLARABLE
    alone = {metric: compare_classes(collection.values(metric), classes, name=metric) for metric in DECLARABLE}
    adjusted = adjust_holm([alone[metric] for metric in together])
    counts = [_count(one) for one in collection.earphones]
    return TypeAnswers(
        grouping=grouping,
        classes=classes,
        tested_together=together,
        tests={**alone, **dict(zip(together, adjusted, strict=True))},
        vectors=compare_vectors([one.band_change_db for one in collection.earphones], classes, seed=seed),
        counts={metric: correlate_ranks(collection.values(metric), counts, seed=seed) for metric in DECLARABLE},
        explained={
            metric: explain_values(
                collection.values(metric),
                collection.labels,
                classes=classes,
                counts=counts,
                features=[one.impedance.describe(metric) for one in collection.earphones],
                predicted=[_prediction(one, metric) for one in collection.earphones],
                seed=seed,
            )
            for metric in DECLARABLE
        },
    )


def group_earphones(collection: Collection, grouping: Grouping) -> tuple[str, ...]:
    """Put the earphones of a collection into classes.

    Parameters
    ----------
    collection : Collection
        The collection.
    grouping : str
        "driver class", as the study names it; "driver count"; or "one or several drivers".

    Returns
    -------
    tuple of str
        Class of each earphone; "not stated" where the study does not say.
    """
    return tuple(_class_of(one, grouping) for one in collection.earphones)


def _class_of(one: CollectedEarphone, grouping: Grouping) -> str:
    if grouping == "driver class":
        return one.driver_class
    if one.driver_count is None:
        return "not stated"
    if grouping == "driver count":
        return f"{one.driver_count} driver{'' if one.driver_count == 1 else 's'}"
    return "one driver" if one.driver_count == 1 else "several drivers"


def _count(one: CollectedEarphone) -> float:
    return float("nan") if one.driver_count is None else float(one.driver_count)


def _prediction(one: CollectedEarphone, metric: Metric) -> float:
    return one.predicted.get(metric, float("nan")) if one.impedance.origin == "measured" else float("nan")
