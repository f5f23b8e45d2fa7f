"""Somebody else's change beside one's own: matched by name, brought to one resistance, and judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.prediction import source_change_db
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.errors import StudyError
from ohmshift.evidence.agreement import Agreement, judge_agreement
from ohmshift.evidence.estimates import ChangeEstimate, borrow_uncertainty, correct_estimate, estimate_change
from ohmshift.study.contribution import OWN
from ohmshift.study.impedances import ADDED_TOLERANCE, SOURCE_SPREAD_OHM
from ohmshift.study.published import Contributor, PublishedChange
from ohmshift.study.spellings import match_names

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.impedances import KnownImpedance
    from ohmshift.study.published import Published

SAME_SOURCE_OHM = 1.0
"""Without an impedance, sources that differ by less count as the same [ohm]."""

_STEP = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What stood before an earphone.

    Parameters
    ----------
    added_ohm : float
        Resistance added [ohm].
    source_ohm : float
        Amplifier and cable together [ohm].
    """

    added_ohm: float
    source_ohm: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Claim:
    """One published change that can be checked against one's own.

    Parameters
    ----------
    party : str
        Who published it.
    earphone : str
        One's own name of the model.
    spelled : str
        Theirs.
    chain : Chain
        What they measured it with.
    source : Contributor or PublishedChange
        Where it is.
    """

    party: str
    earphone: str
    spelled: str
    chain: Chain
    source: Contributor | PublishedChange

    @property
    def name(self) -> str:
        """Name of the claim, such as "Canal Side: Whisk, 33 ohm"."""
        return f"{self.party}: {self.earphone}, {self.chain.added_ohm:g} ohm"

    @property
    def kind(self) -> str:
        """Where it comes from: "study", "curves" or "picture"."""
        return self.source.kind if isinstance(self.source, PublishedChange) else "study"


def list_claims(
    published: Published, comparison: StudyComparison, *, spellings: Mapping[str, str] | None = None
) -> tuple[Claim, ...]:
    """List every published change of a model that one measured oneself.

    Parameters
    ----------
    published : Published
        What others published.
    comparison : StudyComparison
        One's own changes.
    spellings : mapping of str to str, optional
        Own name by theirs, where a person has said so.

    Returns
    -------
    tuple of Claim
        By party, then as one's own study orders its earphones.
    """
    own = list(dict.fromkeys(name for name, _ in comparison.changes))
    claims = []
    for contributor in published.contributors.values():
        names = dict.fromkeys(name for name, _ in contributor.comparison.changes)
        for spelled, name in match_names(names, own, spellings=spellings).items():
            source_ohm = contributor.comparison.aligned[spelled, 0.0].source_ohm
            claims += [
                Claim(
                    party=contributor.party,
                    earphone=name,
                    spelled=spelled,
                    chain=Chain(added_ohm=ohm, source_ohm=source_ohm),
                    source=contributor,
                )
                for ohm in contributor.comparison.resistances(spelled)
            ]
    for change in published.changes:
        for name in match_names([change.earphone], own, spellings=spellings).values():
            chain = Chain(added_ohm=change.added_ohm, source_ohm=change.source_ohm)
            claims.append(Claim(party=change.party, earphone=name, spelled=change.earphone, chain=chain, source=change))
    return tuple(sorted(claims, key=lambda claim: (claim.party, own.index(claim.earphone), claim.chain.added_ohm)))


def own_chain(comparison: StudyComparison, claim: Claim) -> Chain:
    """Give one's own chain that is nearest to a claim's, by the ratio of resistances.

    Parameters
    ----------
    comparison : StudyComparison
        One's own changes.
    claim : Claim
        What is checked.

    Returns
    -------
    Chain
        One that the model was measured with.
    """
    nearest = min(comparison.resistances(claim.earphone), key=lambda ohm: abs(np.log(ohm / claim.chain.added_ohm)))
    return Chain(added_ohm=nearest, source_ohm=comparison.aligned[claim.earphone, 0.0].source_ohm)


def claim_estimate(claim: Claim, floor: NoiseFloor) -> ChangeEstimate:
    """Give a published change with its uncertainty: from its own repeats, or borrowed from one's own study.

    Parameters
    ----------
    claim : Claim
        What is checked.
    floor : NoiseFloor
        One's own noise floor.

    Returns
    -------
    ChangeEstimate
        As they measured it.
    """
    source = claim.source
    if isinstance(source, Contributor):
        change = source.comparison.change(claim.spelled, claim.chain.added_ohm)
        return estimate_change(change, source.comparison.floor, party=claim.party)
    return borrow_uncertainty(
        source.frequency_hz,
        source.change_db,
        floor,
        party=claim.party,
        label=claim.earphone,
        added_ohm=claim.chain.added_ohm,
        seats=source.seats,
        reading_db=source.reading_db,
    )


def check_claim(
    claim: Claim, comparison: StudyComparison, known: KnownImpedance, *, margin_db: float = 1.0
) -> Agreement:
    """Check a published change against one's own.

    Parameters
    ----------
    claim : Claim
        What is checked.
    comparison : StudyComparison
        One's own changes and noise floor.
    known : KnownImpedance
        What is known of the model's impedance.
    margin_db : float
        Largest difference that would not matter [dB].

    Returns
    -------
    Agreement
        At one's own resistance: theirs is brought to it.

    Raises
    ------
    StudyError
        Chains that differ, and no impedance to bring one to the other.
    """
    chain = own_chain(comparison, claim)
    own = estimate_change(comparison.change(claim.earphone, chain.added_ohm), comparison.floor, party=OWN)
    theirs = claim_estimate(claim, comparison.floor)
    brought = bring_to(theirs, known, start=claim.chain, end=chain, floor=comparison.floor, own=own)
    return judge_agreement(own, brought, margin_db=margin_db, alpha=comparison.options.alpha)


def bring_to(
    estimate: ChangeEstimate,
    known: KnownImpedance,
    *,
    start: Chain,
    end: Chain,
    floor: NoiseFloor,
    own: ChangeEstimate | None = None,
    added_tolerance: float = ADDED_TOLERANCE,
    source_spread_ohm: float = SOURCE_SPREAD_OHM,
) -> ChangeEstimate:
    """Bring a change from one chain to another through the model's impedance.

    Parameters
    ----------
    estimate : ChangeEstimate
        Change measured with the first chain.
    known : KnownImpedance
        What is known of the impedance.
    start, end : Chain
        The chain it was measured with, and the one it is wanted for.
    floor : NoiseFloor
        For the bands and the band of the level.
    own : ChangeEstimate, optional
        The other side of a comparison; where the impedance was recovered from it, errors may go along.
    added_tolerance : float
        Standard uncertainty of each added resistance, as a share of it.
    source_spread_ohm : float
        Standard uncertainty of each source [ohm].

    Returns
    -------
    ChangeEstimate
        With a part for both resistances' tolerance and for the impedance's error; as it was, with a caveat, where the
        chains are alike and no impedance is known.

    Raises
    ------
    StudyError
        Chains that differ, and no impedance to bring one to the other.

    Notes
    -----
    Both chains are predicted by the divider, level removed, and their difference is added. What is wrong with the
    impedance then counts only as far as the chains differ. Units of one model differ, and this does not know how much.
    """
    alike = np.isclose(start.added_ohm, end.added_ohm) and abs(start.source_ohm - end.source_ohm) < SAME_SOURCE_OHM
    if known.impedance is None:
        if not alike:
            where, mend = (
                f"{estimate.party} on {known.label}",
                "measure its impedance, or add their resistance yourself",
            )
            raise StudyError(
                where, "another resistance is brought to one's own through the impedance", known.origin, mend
            )
        return estimate
    f, Z = known.frequency_hz, known.ohms
    predicted = [_predict_bands(f, Z, chain, floor) for chain in (start, end)]
    variance = np.zeros(len(floor.bands))
    for chain, at in zip((start, end), predicted, strict=True):
        more = Chain(added_ohm=chain.added_ohm * (1 + _STEP), source_ohm=chain.source_ohm)
        variance += ((_predict_bands(f, Z, more, floor) - at) / _STEP * added_tolerance) ** 2
        more = Chain(added_ohm=chain.added_ohm, source_ohm=chain.source_ohm + _STEP)
        variance += ((_predict_bands(f, Z, more, floor) - at) / _STEP * source_spread_ohm) ** 2
    along = None
    if isinstance(known.impedance, RecoveredImpedance) and not alike:
        draws = known.impedance.draws_ohm
        drawn = [_predict_bands(f, draws, chain, floor) for chain in (start, end)]
        variance += (drawn[1] - drawn[0]).var(axis=0)
        along = None if own is None else own.sd_db
    correction = predicted[1] - predicted[0]
    return correct_estimate(estimate, correction, np.sqrt(variance), added_ohm=end.added_ohm, along_db=along)


def _predict_bands(f: FloatArray, Z: npt.NDArray[np.complexfloating], chain: Chain, floor: NoiseFloor) -> FloatArray:
    """Predict a change in bands, level removed [dB], in the precision of the impedance."""
    source = np.asarray(chain.source_ohm + 0j).astype(Z.dtype)
    change = source_change_db(Z, source_ohm=source + Z.dtype.type(chain.added_ohm), start_ohm=source)
    level = mean_levels(f, change, low_hz=[floor.level_low_hz], high_hz=[floor.level_high_hz])
    return band_levels(f, change, floor.bands) - level
