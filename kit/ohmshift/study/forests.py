"""One figure of one model over several parties, each brought to one resistance, and all of them together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.errors import OhmshiftError, StudyError
from ohmshift.evidence.estimates import ChangeEstimate, estimate_change
from ohmshift.evidence.parties import Measure, PooledParties, pool_parties, summarise_estimate
from ohmshift.study.agreements import Chain, bring_to, claim_estimate
from ohmshift.study.published import PublishedChange

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.study.agreements import Claim
    from ohmshift.study.impedances import KnownImpedance
    from ohmshift.study.merging import MergedStudies, Party

_NO_FIGURE = "it does not cover all bands of this figure, or its uncertainty is not known"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Forest:
    """One figure of one model, by party and put together.

    Parameters
    ----------
    model : str
        The model.
    measure : str
        Which figure.
    added_ohm : float
        Resistance that all of them were brought to [ohm].
    table : DataFrame
        One row a party: figure, standard error, and the resistance it measured with.
    pooled : PooledParties or None
        All of them together; None with fewer than two.
    left_out : tuple of str
        Parties that do not count, each with the reason.
    """

    model: str
    measure: Measure
    added_ohm: float
    table: pd.DataFrame
    pooled: PooledParties | None
    left_out: tuple[str, ...]


def grow_forest(
    merged: MergedStudies,
    model: str,
    known: KnownImpedance,
    *,
    measure: Measure = "bass",
    added_ohm: float | None = None,
    claims: Sequence[Claim] = (),
) -> Forest:
    """Put one figure of one model together over parties.

    Parameters
    ----------
    merged : MergedStudies
        The studies.
    model : str
        The model, as the first party spells it.
    known : KnownImpedance
        What is known of its impedance, to bring all parties to one resistance.
    measure : {"bass", "treble", "tilt"}
        Which figure.
    added_ohm : float, optional
        The resistance [ohm]; by default the first party's that is nearest to the others'.
    claims : sequence of Claim
        Published curves, tables and pictures to count as parties of their own; those of other models, and of parties
        with a study, are passed over.

    Returns
    -------
    Forest
        Each party's figure, and all together with the party as a random effect.

    Raises
    ------
    StudyError
        Nobody measured the model.
    """
    parties = merged.counting(model)
    spelled = merged.models[model]
    lost = [f"{party}: holds a curve of another party" for party, name in sorted(merged.left_out) if name == model]
    end = _common_chain(parties, spelled, added_ohm)
    rows: list[dict[str, Any]] = []
    for party in parties:
        name = spelled[party.name]
        ohm = _nearest(party.comparison.resistances(name), end.added_ohm)
        start = Chain(added_ohm=ohm, source_ohm=party.comparison.aligned[name, 0.0].source_ohm)
        estimate = estimate_change(party.comparison.change(name, ohm), party.comparison.floor, party=party.name)
        try:
            brought = bring_to(estimate, known, start=start, end=end, floor=party.comparison.floor)
        except OhmshiftError as error:
            lost.append(f"{party.name}: {error.rule}, but {error.found}")
            continue
        seats = party.comparison.change(name, ohm).seats
        rows.append(_row(brought, ohm, measure, seats=f"{seats[0]} and {seats[1]}"))
    for claim in claims:
        if claim.earphone == model and isinstance(claim.source, PublishedChange):
            floor = parties[0].comparison.floor
            try:
                brought = bring_to(claim_estimate(claim, floor), known, start=claim.chain, end=end, floor=floor)
            except OhmshiftError as error:
                lost.append(f"{claim.party}: {error.rule}, but {error.found}")
                continue
            rows.append(_row(brought, claim.chain.added_ohm, measure, seats=f"{claim.source.seats}, borrowed"))
    table = pd.DataFrame(rows, columns=["party", "figure", "standard_error", "measured_ohm", "seats"])
    usable = table[table["standard_error"].astype(float).between(0, np.inf, inclusive="neither")]
    lost += [f"{name}: {_NO_FIGURE}" for name in table["party"] if name not in set(usable["party"])]
    pooled = None
    if len(usable) > 1:
        pooled = pool_parties(usable["figure"], usable["standard_error"], parties=tuple(usable["party"]))
    return Forest(
        model=model,
        measure=measure,
        added_ohm=end.added_ohm,
        table=usable.reset_index(drop=True),
        pooled=pooled,
        left_out=tuple(lost),
    )


def _row(estimate: ChangeEstimate, ohm: float, measure: Measure, *, seats: str) -> dict[str, Any]:
    figure, error = summarise_estimate(estimate, measure)
    return {
        "party": estimate.party,
        "figure": figure,
        "standard_error": error,
        "measured_ohm": ohm,
        "seats": seats,
    }


def _nearest(resistances: Sequence[float], ohm: float) -> float:
    return min(resistances, key=lambda value: abs(np.log(value / ohm)))


def _common_chain(parties: Sequence[Party], spelled: Mapping[str, str], added_ohm: float | None) -> Chain:
    """Choose the chain of the first party whose resistance lies nearest to those of the others."""
    if not parties:
        raise StudyError("grow_forest", "a model needs a party that counts", "none does", "mend the duplicates")
    first = parties[0]
    name = spelled[first.name]
    source_ohm = first.comparison.aligned[name, 0.0].source_ohm
    if added_ohm is not None:
        return Chain(added_ohm=added_ohm, source_ohm=source_ohm)
    others = [ohm for party in parties[1:] for ohm in party.comparison.resistances(spelled[party.name])]
    aim = float(np.exp(np.mean(np.log(others)))) if others else first.comparison.common_ohm
    return Chain(added_ohm=_nearest(first.comparison.resistances(name), aim), source_ohm=source_ohm)
