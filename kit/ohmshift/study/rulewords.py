"""Rules as people write them: read by a small grammar, never evaluated, refused with what may be said."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

import pyparsing as pp

from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import METRICS
from ohmshift.evidence.rules import FEATURES, LIMITED, PREDICTORS, SIGNED, TRENDS, Rule, Subject

if TYPE_CHECKING:
    from collections.abc import Sequence

EXAMPLES = (
    "single-driver earphones: size stays within 1 dB",
    "all earphones: bass is always positive",
    "all earphones: size rises with driver count",
    "all earphones: size always rises with driver count",
    "earphones with impedance spread above 2: size exceeds 0.3 dB",
    "all earphones: size rises with impedance spread",
    "all earphones: level drop is always negative",
)
"""Rules to start from: that single drivers do not change, that a resistance lifts the bass, that more drivers change
more, and some that the divider suggests."""

_EXAMPLE = f'write one such as "{EXAMPLES[0]}"'

LONGEST_RULE = 200
"""Characters a rule may have."""

_WORDINGS = tuple(
    (re.compile(said, re.IGNORECASE), read)
    for said, read in (
        (r"[.!\s]+$", ""),
        (r"^more drivers,? (?:mean )?more change$", "all earphones: size rises with driver count"),
        (
            r"^(?:an )?added resistance always (?:lifts|raises) (?:the )?(bass|treble)$",
            r"all earphones: \1 is always positive",
        ),
        (r"\s+(?:do|does) not change by more than\b", ": size stays within"),
        (r"\s+changes? by (?:no|not) more than\b", ": size stays within"),
        (r"\s+(?:always )?changes? by more than\b", ": size exceeds"),
        (r"^([^:]+):\s*:", r"\1:"),
        (r"\b(?:headphones|iems)\b", "earphones"),
        (r"^(?:every|each|any) earphone\b", "all earphones"),
        (r"^earphones:", "all earphones:"),
        (r"^((?!.*earphones)[^:]+)s(?=\s*:)", r"\1"),
        (r"^([^:]*\b(?:earphones|drivers|ohm)) (?=(?:size|bass|treble|tilt|level drop)\b)", r"\1: "),
        (r"\b(impedance(?: at 1 kHz| spread)?) (?:under|less than|<) ?", r"\1 below "),
        (r"\b(impedance(?: at 1 kHz| spread)?) (?:over|more than|>) ?", r"\1 above "),
        (r"\bsize (?:(?:is|stays) )?(?:below|under|less than|<) ?", "size stays within "),
        (r"\bsize (?:is )?(?:above|over|more than|>) ?", "size exceeds "),
        (r"\b(\d+) or more drivers\b", r"at least \1 drivers"),
        (r"\b(\d+) or fewer drivers\b", r"at most \1 drivers"),
        (r"\b(above|below) ([\d.,]+) ?(?:ohms|Ω)", r"\1 \2 ohm"),
        (r"\bat 1 ?khz\b", "at 1 kHz"),
        (r"(:|with) the\b", r"\1"),
        (r"(:\s*)level(?! drop)\b", r"\1level drop"),
        (r"\b(?:stay|is|are|remains?) within\b", "stays within"),
        (r"\bdo(?:es)? not exceed\b", "stays within"),
        (r"\bwithin (?:±|\+/?-) ?", "within "),
        (r"\b(?:always )?exceeds?\b", "exceeds"),
        (r"\b(?:is|are) (positive|negative)\b", r"is always \1"),
        (r"\bnumber of drivers\b", "driver count"),
        (r"\bdecibels?\b", "dB"),
        (r"\bdB per octave\b", "dB/octave"),
    )
)
"""What people also say, and how it is read; a verdict repeats the rule as it was read."""


def read_rule(text: str, classes: Sequence[str]) -> Rule:
    """Read a rule.

    Parameters
    ----------
    text : str
        The rule, as "single-driver earphones: size stays within 1 dB"; capitals do not matter, and some other wordings
        are understood too, as "single-driver earphones do not change by more than 1 dB".
    classes : sequence of str
        Driver classes that the study names, which a rule may speak of.

    Returns
    -------
    Rule
        The rule.

    Raises
    ------
    EvidenceError
        A rule that cannot be read, with what may be said.

    Examples
    --------
    >>> print(read_rule("Planar earphones: size stays within 0.5 dB", ["planar", "hybrid"]))
    planar earphones: size stays within 0.5 dB
    >>> read_rule("planars sound best", ["planar", "hybrid"])  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ohmshift.errors.EvidenceError: rule 'planars sound best': a rule names earphones, ... but it has no colon; write ...
    """
    said = " ".join(text.split())
    where = f"rule {said[:LONGEST_RULE]!r}"
    if len(said) > LONGEST_RULE:
        found = f"it has {len(said)}"
        raise EvidenceError("rule", f"it has at most {LONGEST_RULE} characters", found, _EXAMPLE)
    try:
        return _parse(said, where, classes)
    except EvidenceError:
        reworded = _reword(said)
        if reworded == said:
            raise
    return _parse(reworded, where, classes)


def _reword(said: str) -> str:
    """Put what people also say into the words of the grammar."""
    for pattern, read in _WORDINGS:
        said = pattern.sub(read, said)
    return said


def _parse(said: str, where: str, classes: Sequence[str]) -> Rule:
    """Read a rule in the words of the grammar."""
    if ":" not in said:
        rule = "a rule names earphones, then after a colon what they do"
        raise EvidenceError(where, rule, "it has no colon" if said else "it is empty", _EXAMPLE)
    first, _, second = said.partition(":")
    subject_words, claim_words = _grammar(tuple(dict.fromkeys(classes)))
    try:
        subject = subject_words.parse_string(first, parse_all=True)[0]
    except pp.ParseException as error:
        raise _refusal(where, "before the colon stand the earphones", first, error, _say_subjects(classes)) from None
    try:
        metric, relation, *rest = claim_words.parse_string(second, parse_all=True)
    except pp.ParseException as error:
        raise _refusal(where, "after the colon stands what they do", second, error, _say_claims()) from None
    if rest == [0.0]:
        raise EvidenceError(where, "a limit is above 0", "it is 0", _say_claims())
    return Rule(
        subject=subject,
        metric=metric,
        relation=relation,
        limit=rest[0] if relation in LIMITED else None,
        predictor=rest[0] if relation in TRENDS else None,
    )


def _say_subjects(classes: Sequence[str]) -> str:
    """Say which earphones a rule may speak of."""
    named = "".join(f'"{name} earphones", ' for name in dict.fromkeys(classes))
    return (
        f'write "all earphones", "single-driver earphones", "multi-driver earphones", {named}"earphones with at least '
        f'3 drivers", or "earphones with impedance at 1 kHz below 16 ohm"'
    )


def _say_claims() -> str:
    """Say what a rule may claim."""
    trends = ", ".join(f'"{trend}"' for trend in TRENDS)
    return (
        f'write one of {", ".join(METRICS)}; then "stays within 1 dB", "exceeds 1 dB", "is always positive", '
        f'"is always negative", or one of {trends} before one of {", ".join(PREDICTORS)}'
    )


def _refusal(where: str, rule: str, part: str, error: pp.ParseException, mend: str) -> EvidenceError:
    start = part[: error.loc].rfind(" ") + 1  # from the beginning of its word on
    rest = part[start:].strip() if part[error.loc :].strip() else ""
    return EvidenceError(
        where, rule, f"{rest!r} is not understood" if rest else "something is missing at its end", mend
    )


@lru_cache(maxsize=16)
def _grammar(classes: tuple[str, ...]) -> tuple[pp.ParserElement, pp.ParserElement]:
    """Give the grammars of what stands before the colon and after it."""
    number = pp.Regex(r"\d{1,6}([.,]\d{1,6})?").set_parse_action(lambda found: float(found[0].replace(",", ".")))
    whole = pp.Regex(r"[1-9]\d{0,2}").set_parse_action(lambda found: int(found[0]))
    return _subject_grammar(classes, number, whole), _claim_grammar(number)


def _words(phrase: str) -> pp.ParserElement:
    """Match a phrase word by word, however it is spaced or capitalised, and give it as written here."""
    return pp.And([pp.CaselessKeyword(word) for word in phrase.split()]).set_parse_action(lambda: phrase)


def _one_of(phrases: Sequence[str]) -> pp.ParserElement:
    return pp.MatchFirst([_words(phrase) for phrase in sorted(phrases, key=len, reverse=True)])


def _subject_grammar(classes: tuple[str, ...], number: pp.ParserElement, whole: pp.ParserElement) -> pp.ParserElement:
    earphones = _words("earphones").suppress()
    drivers = (_words("drivers") | _words("driver")).suppress()
    having = (_words("earphones with")).suppress()
    plain = {
        "all earphones": Subject(),
        "single-driver earphones": Subject(least_count=1, most_count=1),
        "single driver earphones": Subject(least_count=1, most_count=1),
        "multi-driver earphones": Subject(least_count=2),
        "multi driver earphones": Subject(least_count=2),
    }
    forms = [_words(phrase).add_parse_action(lambda found: plain[found[0]]) for phrase in plain]
    if classes:
        forms.append(
            (_one_of(classes) + pp.Optional(earphones)).add_parse_action(lambda found: Subject(driver_class=found[0]))
        )
    forms += [
        (having + _words("at least").suppress() + whole + drivers).add_parse_action(
            lambda found: Subject(least_count=found[0])
        ),
        (having + _words("at most").suppress() + whole + drivers).add_parse_action(
            lambda found: Subject(most_count=found[0])
        ),
        (having + whole + drivers).add_parse_action(lambda found: Subject(least_count=found[0], most_count=found[0])),
        (
            having + _one_of(FEATURES) + _one_of(("above", "below")) + number + pp.Optional(_words("ohm").suppress())
        ).add_parse_action(lambda found: Subject(feature=found[0], **{found[1]: found[2]})),
    ]
    return pp.MatchFirst(forms)


def _claim_grammar(number: pp.ParserElement) -> pp.ParserElement:
    unit = pp.Optional(pp.CaselessLiteral("dB") + pp.Optional(pp.Literal("/") + _words("octave"))).suppress()
    limited = _one_of(LIMITED) + number + unit
    trend = _one_of(TRENDS) + _one_of(PREDICTORS)
    return _one_of(METRICS) + (limited | _one_of(SIGNED) | trend)
