"""Does a rule hold in a collection? Holds, fails with its counterexamples, or cannot tell and what would tell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.evidence.counts import RankCorrelation, correlate_ranks, earphones_for_rank
from ohmshift.evidence.metrics import UNITS
from ohmshift.evidence.planning import MOST_SEATS, share_shown, units_for_share
from ohmshift.evidence.rules import TRENDS, predictor_value

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.collection import CollectedEarphone, Collection
    from ohmshift.evidence.metrics import Estimate
    from ohmshift.evidence.rules import Rule

Ruling: TypeAlias = Literal["holds", "fails", "cannot tell"]
CaseWord: TypeAlias = Literal["agrees", "counterexample", "open"]

_SHARE = 0.8
_NAMED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleCase:
    """One earphone under a rule.

    Parameters
    ----------
    label : str
        The earphone.
    value, low, high : float
        The metric and its 95 % interval, in its unit.
    word : {"agrees", "counterexample", "open"}
        Whether its measurement shows that it agrees, or that it does not, or neither.
    seats : int
        Seats a channel and condition that it has.
    seats_needed : int or None
        Seats that would tell if the value stayed where it is; None where it has been told, or no practicable number
        would.
    """

    label: str
    value: float
    low: float
    high: float
    word: CaseWord
    seats: int
    seats_needed: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleVerdict:
    """What a collection says of a rule.

    Parameters
    ----------
    rule : Rule
        The rule.
    word : {"holds", "fails", "cannot tell"}
        "fails" is wrong in at most `alpha` of all collections in which every earphone agrees; "holds" in at most
        `alpha` of those in which one does not.
    sentence : str
        The word with its numbers, counterexamples, and what would tell.
    cases : tuple of RuleCase
        Every earphone that the rule speaks of and that was measured.
    pairs : tuple of (str, str)
        For a rule about a trend: pairs of earphones in which it is certainly the other way round, the one whose metric
        is higher first.
    correlation : RankCorrelation or None
        For a rule about a trend on the whole.
    unmeasured : tuple of str
        Earphones that it speaks of but for which something is not known.
    seats_needed : int or None
        Seats a channel and condition that would tell; None where it has been told, or more seats do not help.
    earphones_needed : int or None
        Earphones in all that would tell, or show the rule for 80 % of such earphones; None where no number would.
    alpha : float
        Error rate.
    """

    rule: Rule
    word: Ruling
    sentence: str
    cases: tuple[RuleCase, ...]
    pairs: tuple[tuple[str, str], ...] = ()
    correlation: RankCorrelation | None = None
    unmeasured: tuple[str, ...] = ()
    seats_needed: int | None = None
    earphones_needed: int | None = None
    alpha: float = 0.05

    @property
    def counterexamples(self) -> tuple[str, ...]:
        """Earphones that certainly do not agree."""
        return tuple(case.label for case in self.cases if case.word == "counterexample")


def judge_rule(collection: Collection, rule: Rule, *, alpha: float = 0.05) -> RuleVerdict:
    """Judge a rule by the earphones of a collection and the uncertainty of each.

    Parameters
    ----------
    collection : Collection
        The collection.
    rule : Rule
        The rule.
    alpha : float
        Error rate, of a false "fails" and of a false "holds".

    Returns
    -------
    RuleVerdict
        Word, sentence, and every earphone.

    Notes
    -----
    A rule about each earphone fails by one counterexample; as any of m earphones may make one by chance, each is tested
    at alpha / m (Bonferroni). It holds only if all agree; as all must pass, none is adjusted (the intersection-union
    principle [1]_). A rule about every pair is judged likewise, from intervals that hold for all earphones at once. A
    rule about a trend on the whole holds where the interval of the rank correlation lies on its side of 0.

    References
    ----------
    .. [1] R. L. Berger, "Multiparameter hypothesis testing and acceptance sampling", Technometrics 24 (1982) 295-300.
    """
    subject = rule.subject
    spoken = [one for one in collection.earphones if subject.includes(one) or not subject.knows(one)]
    known = [one for one in spoken if subject.knows(one) and _is_known(one, rule)]
    unmeasured = tuple(one.label for one in spoken if one not in known)
    if not known:
        sentence = f"Cannot tell: none of the {len(collection.earphones)} earphones is one that the rule speaks of"
        if spoken:
            sentence = f"Cannot tell: what the rule asks is not known of {', '.join(unmeasured)}"
        return RuleVerdict(
            rule=rule, word="cannot tell", sentence=f"{sentence}.", cases=(), unmeasured=unmeasured, alpha=alpha
        )
    if rule.relation not in TRENDS:
        return _judge_each(known, rule, unmeasured=unmeasured, alpha=alpha)
    if rule.relation.startswith("always"):
        return _judge_pairs(known, rule, unmeasured=unmeasured, alpha=alpha)
    return _judge_trend(known, rule, unmeasured=unmeasured, alpha=alpha)


def _is_known(one: CollectedEarphone, rule: Rule) -> bool:
    estimate = one.estimates[rule.metric]
    told = np.isfinite(estimate.value) and np.isfinite(estimate.uncertainty)
    return bool(
        told and (rule.predictor is None or np.isfinite(predictor_value(one, rule.predictor, metric=rule.metric)))
    )


def _judge_each(
    known: Sequence[CollectedEarphone], rule: Rule, *, unmeasured: tuple[str, ...], alpha: float
) -> RuleVerdict:
    cases = tuple(_judge_case(one, rule, alpha, len(known)) for one in known)
    against = tuple(case.label for case in cases if case.word == "counterexample")
    undecided = [case for case in cases if case.word == "open"]
    n, told = len(cases), {case.label: case for case in cases}
    seats = _seats_for_all(undecided)
    earphones = None
    if against:
        word: Ruling = "fails"
        listed = _list_cases([told[label] for label in against], rule)
        sentence = f"Fails: certainly against it, {len(against)} of {_say_count(n)}: {listed}."
    elif not undecided:
        word, shown, earphones = "holds", share_shown(n, n, alpha=alpha), units_for_share(_SHARE, alpha=alpha)
        more = f"; {earphones} that all agree would show {100 * _SHARE:.0f} %" if n < earphones else ""
        sentence = (
            f"Holds for the {_say_count(n)} measured, each certainly. That shows it for at least {100 * shown:.0f} % "
            f"of such earphones{more}."
        )
    else:
        word = "cannot tell"
        listed, would = _list_cases(undecided, rule), _say_seats(seats, "a value lies too close to the limit")
        sentence = (
            f"Cannot tell: no earphone is certainly against it, but {len(undecided)} of {n} are open: {listed}; "
            f"{would}."
        )
    return RuleVerdict(
        rule=rule,
        word=word,
        sentence=sentence + _say_unmeasured(unmeasured),
        cases=cases,
        unmeasured=unmeasured,
        seats_needed=seats if word == "cannot tell" else None,
        earphones_needed=earphones,
        alpha=alpha,
    )


def _judge_case(one: CollectedEarphone, rule: Rule, alpha: float, m: int) -> RuleCase:
    estimate, limit = one.estimates[rule.metric], rule.limit or 0.0
    low, high = estimate.bounds(alpha)
    low_m, high_m = estimate.bounds(alpha / m)
    value = estimate.value
    match rule.relation:
        case "stays within":
            agrees, against = -limit < low and high < limit, low_m > limit or high_m < -limit
            apart = abs(limit - abs(value))
        case "exceeds":
            agrees, against = low > limit or high < -limit, -limit < low_m and high_m < limit
            apart = abs(limit - abs(value))
        case "is always positive":
            agrees, against, apart = low > 0, high_m < 0, abs(value)
        case _:
            agrees, against, apart = high < 0, low_m > 0, abs(value)
    word: CaseWord = "counterexample" if against else "agrees" if agrees else "open"
    half = max(value - low, high - value)
    seats = min(one.seats)
    needed = int(np.ceil(seats * (half / apart) ** 2)) if word == "open" and apart > 0 else MOST_SEATS + 1
    return RuleCase(
        label=one.label,
        value=value,
        low=estimate.low,
        high=estimate.high,
        word=word,
        seats=seats,
        seats_needed=max(needed, seats + 1) if word == "open" and needed <= MOST_SEATS else None,
    )


def _judge_pairs(
    known: Sequence[CollectedEarphone], rule: Rule, *, unmeasured: tuple[str, ...], alpha: float
) -> RuleVerdict:
    sign = 1.0 if "rises" in rule.relation else -1.0
    x = _predictor_values(known, rule)
    estimates = [one.estimates[rule.metric] for one in known]
    wide, tight = _bounds(estimates, alpha / (2 * len(known)), sign), _bounds(estimates, alpha / 2, sign)
    ordered = x[:, None] < x[None, :]
    against = ordered & (wide[0][:, None] > wide[1][None, :])
    certain = int((ordered & (tight[1][:, None] < tight[0][None, :])).sum())
    pairs = _name_pairs(against, known, sign)
    total, seats = int(ordered.sum()), None
    word: Ruling = "cannot tell"
    if total == 0:
        sentence = f"Cannot tell: the {_say_count(len(known))} do not differ in {rule.predictor}."
    elif pairs:
        word = "fails"
        sentence = f"Fails: in {len(pairs)} of {total} pairs it is certainly the other way round: {_list_pairs(pairs)}."
    elif certain == total:
        word, sentence = "holds", f"Holds: in all {total} pairs of the {_say_count(len(known))} measured."
    else:
        seats = _seats_for_pairs(known, ordered, wide, sign * np.array([one.value for one in estimates]))
        would = _say_seats(seats, "two values lie too close together")
        sentence = f"Cannot tell: {total - certain} of {total} pairs are open; {would}."
    verdict = _trend_verdict(rule, word, sentence, known, unmeasured=unmeasured, alpha=alpha, pairs=pairs)
    return replace(verdict, seats_needed=seats)


def _judge_trend(
    known: Sequence[CollectedEarphone], rule: Rule, *, unmeasured: tuple[str, ...], alpha: float
) -> RuleVerdict:
    sign = 1.0 if "rises" in rule.relation else -1.0
    x = _predictor_values(known, rule)
    found = correlate_ranks([one.value(rule.metric) for one in known], x, alpha=alpha)
    estimates = [one.estimates[rule.metric] for one in known]
    low, high = _bounds(estimates, alpha / (2 * len(known)), sign)
    against = (x[:, None] < x[None, :]) & (low[:, None] > high[None, :])
    pairs = _name_pairs(against, known, sign)
    ends = (found.low, found.high) if sign > 0 else (-found.high, -found.low)
    numbers = (
        f"rank correlation {found.rho:+.2f} (95 %: {found.low:+.2f} to {found.high:+.2f}), {_say_count(len(known))}"
    )
    needed: int | None = None
    word: Ruling = "cannot tell"
    if found.reason:
        sentence = f"Cannot tell: {found.reason}."
    elif ends[0] > 0:
        word, sentence = "holds", f"Holds on the whole: {numbers}."
    elif ends[1] < 0:
        word, sentence = "fails", f"Fails, it is the other way round: {numbers}."
    else:
        needed = earphones_for_rank(found.rho, alpha=alpha)
        would = f"{needed} earphones would tell one as strong" if needed is not None else "no number would tell"
        sentence = f"Cannot tell: {numbers}; {would}."
    if pairs:
        sentence += f" Certainly against it, pair by pair: {_list_pairs(pairs)}."
    return _trend_verdict(
        rule,
        word,
        sentence,
        known,
        unmeasured=unmeasured,
        alpha=alpha,
        pairs=pairs,
        correlation=found,
        earphones_needed=needed,
    )


def _trend_verdict(
    rule: Rule,
    word: Ruling,
    sentence: str,
    known: Sequence[CollectedEarphone],
    *,
    unmeasured: tuple[str, ...],
    alpha: float,
    pairs: tuple[tuple[str, str], ...],
    correlation: RankCorrelation | None = None,
    earphones_needed: int | None = None,
) -> RuleVerdict:
    labels = {label for pair in pairs for label in pair}
    cases = [(one, one.estimates[rule.metric]) for one in known]
    return RuleVerdict(
        rule=rule,
        word=word,
        sentence=sentence + _say_unmeasured(unmeasured),
        cases=tuple(
            RuleCase(
                label=one.label,
                value=estimate.value,
                low=estimate.low,
                high=estimate.high,
                word="counterexample" if one.label in labels else "open",
                seats=min(one.seats),
            )
            for one, estimate in cases
        ),
        pairs=pairs,
        correlation=correlation,
        unmeasured=unmeasured,
        earphones_needed=earphones_needed,
        alpha=alpha,
    )


def _name_pairs(
    against: npt.NDArray[np.bool_], known: Sequence[CollectedEarphone], sign: float
) -> tuple[tuple[str, str], ...]:
    """Name pairs of earphones, the one whose metric is higher first."""
    found = [(known[i].label, known[j].label) for i, j in zip(*np.nonzero(against), strict=True)]
    return tuple(found if sign > 0 else [(other, one) for one, other in found])


def _predictor_values(known: Sequence[CollectedEarphone], rule: Rule) -> FloatArray:
    return np.array([predictor_value(one, rule.predictor or "driver count", metric=rule.metric) for one in known])


def _bounds(estimates: Sequence[Estimate], alpha: float, sign: float) -> tuple[FloatArray, FloatArray]:
    """Give lower and upper bounds of all, each wrong with probability alpha, turned round where sign is negative."""
    bounds = np.array([estimate.bounds(alpha) for estimate in estimates])
    return (bounds[:, 0], bounds[:, 1]) if sign > 0 else (-bounds[:, 1], -bounds[:, 0])


def _seats_for_all(undecided: Sequence[RuleCase]) -> int | None:
    """Give the seats that would tell all; None where no practicable number does."""
    needed = [case.seats_needed for case in undecided]
    told = [one for one in needed if one is not None]
    return max(told) if told and len(told) == len(needed) else None


def _seats_for_pairs(
    known: Sequence[CollectedEarphone],
    ordered: npt.NDArray[np.bool_],
    bounds: tuple[FloatArray, FloatArray],
    values: FloatArray,
) -> int | None:
    """Give the seats that would part all ordered pairs, were they no more certain than `bounds`; None if too many."""
    half, seats = (bounds[1] - bounds[0]) / 2, np.array([min(one.seats) for one in known])
    reach, apart = half[:, None] + half[None, :], np.abs(values[:, None] - values[None, :])
    with np.errstate(divide="ignore", invalid="ignore"):
        needed = np.max(np.maximum(seats[:, None], seats[None, :]) * (reach / apart) ** 2, where=ordered, initial=0.0)
    return int(np.ceil(needed)) if needed <= MOST_SEATS else None


def _say_seats(seats: int | None, too_close: str) -> str:
    if seats is None:
        return f"no practicable number of seats would tell: {too_close}"
    return f"{seats} seats a channel and condition would tell, if the values stay where they are"


def _list_cases(cases: Sequence[RuleCase], rule: Rule) -> str:
    unit = UNITS[rule.metric]
    said = [f"{one.label} ({one.value:.2f} {unit}, {one.low:.2f} to {one.high:.2f})" for one in cases[:_NAMED]]
    more = [f"and {len(cases) - _NAMED} more"] if len(cases) > _NAMED else []
    return ", ".join(said + more)


def _list_pairs(pairs: Sequence[tuple[str, str]]) -> str:
    said = [f"{one} above {other}" for one, other in pairs[:_NAMED]]
    more = [f"and {len(pairs) - _NAMED} more"] if len(pairs) > _NAMED else []
    return "; ".join(said + more)


def _say_count(count: int) -> str:
    return f"{count} earphone{'' if count == 1 else 's'}"


def _say_unmeasured(labels: tuple[str, ...]) -> str:
    return f" Not known of {', '.join(labels)}." if labels else ""
