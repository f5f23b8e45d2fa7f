"""Verdicts and changes in plain language."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.errors import EvidenceError
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.verdicts import Verdict

Word: TypeAlias = Literal["changed", "changed, by no more than", "no change larger than", "cannot tell"]

_ROUNDING = 1e-6
_NOMINAL = 1.01


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Thresholds:
    """From where on a changed zone gets a word.

    Parameters
    ----------
    change_db : float
        Smallest mean change of bass or treble that gets a word [dB].
    bass_high_hz : float
        Highest mid-band frequency of the bass [Hz].
    treble_low_hz : float
        Lowest mid-band frequency of the treble [Hz].
    middle_low_hz, middle_high_hz : float
        Between bass and treble, bands below the first are the lower and bands above the second the upper midrange [Hz].

    Raises
    ------
    EvidenceError
        A threshold that is not positive, or frequencies that do not rise from bass to treble.
    """

    change_db: float = 0.5
    bass_high_hz: float = 160.0
    treble_low_hz: float = 5000.0
    middle_low_hz: float = 400.0
    middle_high_hz: float = 2000.0

    def __post_init__(self) -> None:
        """Check once."""
        edges = (0.0, self.bass_high_hz, self.middle_low_hz, self.middle_high_hz, self.treble_low_hz)
        if not (self.change_db > 0 and all(low < high for low, high in pairwise(edges))):
            raise EvidenceError(
                "Thresholds",
                "change_db must be above 0, and frequencies must rise from bass to treble",
                f"they are {self.change_db:g} dB and {', '.join(f'{edge:g}' for edge in edges[1:])} Hz",
                "keep the defaults or mend them",
            )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Description:
    """A change in plain words.

    Parameters
    ----------
    words : tuple of str
        "more bass", "less bass", "more treble", "less treble", "warmer", "brighter", "V-shaped", "midrange forward";
        "more" or "less", "lower midrange" or "upper midrange"; "uneven"; "no change above" the margin; "cannot tell".
    sentence : str
        The words with their numbers and thresholds.
    thresholds : Thresholds
        Thresholds used.
    """

    words: tuple[str, ...]
    sentence: str
    thresholds: Thresholds

    def __str__(self) -> str:
        """Give the sentence."""
        return self.sentence


def describe_change(change: Change, verdict: Verdict, *, thresholds: Thresholds | None = None) -> Description:
    """Describe a change in plain words, as far as its verdict carries.

    Parameters
    ----------
    change : Change
        Change of one earphone.
    verdict : Verdict
        Verdict on that change.
    thresholds : Thresholds, optional
        From where on a zone gets a word.

    Returns
    -------
    Description
        Words and a sentence.

    Raises
    ------
    EvidenceError
        The verdict is about another change.

    Notes
    -----
    The change is counted against the band that defines the level, about 200 Hz to 2 kHz. Bass or treble gets a word
    where the mean of its bands reaches the threshold and at least one of them changed, by the verdict, in the same
    direction. The words are this kit's own convention:

    =============  ===========  ===========  ================
    bass           treble less  treble same  treble more
    =============  ===========  ===========  ================
    more           warmer       more bass    V-shaped
    same           less treble  see below    more treble
    less           midrange     less bass    brighter
                   forward
    =============  ===========  ===========  ================

    Where neither gets a word, the lower and the upper midrange may get one by the same rule. "Uneven" says that
    something changed, but too little or in too narrow a band for another word. How large a change a listener hears is
    another question, which no threshold here answers.
    """
    thresholds = Thresholds() if thresholds is None else thresholds
    if not np.array_equal(change.band_change_db, verdict.change_db, equal_nan=True):
        raise EvidenceError(
            "describe_change", "the verdict must be about the change", "it is about another", "judge this change"
        )
    if not verdict.changed.any():
        bounded = verdict.word == "no change larger than"
        word = f"no change above {verdict.margin_db:g} dB" if bounded else "cannot tell"
        return Description(words=(word,), sentence=verdict.sentence, thresholds=thresholds)
    mid_hz, edges = change.bands.mid_hz, thresholds
    bass_zone, treble_zone = mid_hz <= edges.bass_high_hz * _NOMINAL, mid_hz >= edges.treble_low_hz / _NOMINAL
    lower_zone = ~bass_zone & (mid_hz < edges.middle_low_hz / _NOMINAL)
    upper_zone = ~treble_zone & (mid_hz > edges.middle_high_hz * _NOMINAL)
    bass, treble, lower, upper = (
        _weigh_zone(verdict, zone, edges.change_db) for zone in (bass_zone, treble_zone, lower_zone, upper_zone)
    )
    words: tuple[str, ...] = ("uneven",)
    told = [_largest_phrase(verdict.change_db, mid_hz, verdict.changed)]
    if bass or treble:
        words = (_WORDS[int(np.sign(bass)), int(np.sign(treble))],)
        told = [f"{name} {mean:+.1f} dB" for name, mean in (("bass", bass), ("treble", treble)) if mean]
    elif lower or upper:
        named = [(mean, name) for mean, name in ((lower, "lower midrange"), (upper, "upper midrange")) if mean]
        words = tuple(f"{'more' if mean > 0 else 'less'} {name}" for mean, name in named)
        told = [f"{name} {mean:+.1f} dB" for mean, name in named]
    text = " and ".join(words)
    sentence = (
        f"{text[0].upper()}{text[1:]}: {', '.join(told)}, against the midrange "
        f"(words apply from {thresholds.change_db:g} dB on)."
    )
    return Description(words=words, sentence=sentence, thresholds=thresholds)


_WORDS = {
    (1, -1): "warmer",
    (1, 0): "more bass",
    (1, 1): "V-shaped",
    (0, -1): "less treble",
    (0, 1): "more treble",
    (-1, -1): "midrange forward",
    (-1, 0): "less bass",
    (-1, 1): "brighter",
}


def choose_word(*, changed: bool, bounded: bool) -> Word:
    """Choose the word of a verdict.

    Parameters
    ----------
    changed : bool
        Whether a band changed.
    bounded : bool
        Whether all bands changed by less than the margin.

    Returns
    -------
    str
        One of the four words.

    Examples
    --------
    >>> choose_word(changed=False, bounded=True)
    'no change larger than'
    """
    if changed:
        return "changed, by no more than" if bounded else "changed"
    return "no change larger than" if bounded else "cannot tell"


def say_verdict(
    word: Word,
    *,
    margin_db: float,
    bound_db: float,
    change_db: FloatArray,
    mid_hz: FloatArray,
    changed: npt.NDArray[np.bool_],
    beyond: npt.NDArray[np.bool_],
) -> str:
    """Say a verdict with its numbers.

    Parameters
    ----------
    word : str
        Word of the verdict.
    margin_db, bound_db : float
        Margin asked for, and smallest margin that would hold [dB].
    change_db, mid_hz : ndarray, shape (b,)
        Change [dB] and mid-band frequency [Hz].
    changed, beyond : ndarray of bool, shape (b,)
        Bands that changed, and those that changed by more than the margin.

    Returns
    -------
    str
        One sentence.
    """
    known = bool(np.isfinite(bound_db))
    reach = f"no band changed by more than {_up(bound_db)} dB" if known else "how large others are cannot be told"
    if word == "cannot tell":
        if not known:
            return "Cannot tell: nothing here separates a change from measurement variation."
        return f"Cannot tell: no band stands out from variation, but one may have changed by {_up(bound_db)} dB."
    if word == "no change larger than":
        return f"No change larger than {margin_db:g} dB: {reach}."
    count = f"{int(changed.sum())} band{'s' if changed.sum() > 1 else ''} changed"
    largest = _largest_phrase(change_db, mid_hz, changed)
    if word == "changed, by no more than":
        return f"Changed, by no more than {margin_db:g} dB: {count}, most {largest}; {reach}."
    over = f", certainly by more than {margin_db:g} dB" if beyond.any() else ""
    return f"Changed{over}: {count}, most {largest}; {reach}."


def ceil_bound(bound_db: npt.ArrayLike) -> FloatArray:
    """Round bounds up to a tenth of a decibel, so that a table's bounds still hold.

    Parameters
    ----------
    bound_db : array_like
        Bounds [dB]; infinite and nan stay so.

    Returns
    -------
    ndarray
        Bounds [dB].

    Examples
    --------
    >>> ceil_bound([6.512, 0.8, np.inf])
    array([6.6, 0.8, inf])
    """
    return np.asarray(np.round(np.ceil(10 * np.asarray(bound_db) - _ROUNDING) / 10, 1))


def name_frequency(frequency_hz: float) -> str:
    """Name a frequency, third-octave mid-bands by their nominal value.

    Parameters
    ----------
    frequency_hz : float
        Frequency [Hz].

    Returns
    -------
    str
        Name with unit.

    References
    ----------
    .. [1] IEC 61260-1:2014, annex E.

    Examples
    --------
    >>> name_frequency(3162.2776601683795), name_frequency(440)
    ('3.15 kHz', '440 Hz')
    """
    nearest = round(10 * np.log10(frequency_hz))
    if abs(10 * np.log10(frequency_hz) - nearest) < _ROUNDING:
        frequency_hz = float(nominal_frequency(frequency_hz))
    return f"{frequency_hz / 1000:.3g} kHz" if frequency_hz >= 1000 else f"{frequency_hz:.3g} Hz"  # noqa: PLR2004


def _weigh_zone(verdict: Verdict, zone: npt.NDArray[np.bool_], threshold_db: float) -> float:
    """Give the mean change of a zone [dB], or 0 where it gets no word."""
    inside = zone & verdict.judged
    if not inside.any():
        return 0.0
    mean = float(verdict.change_db[inside].mean())
    carried = np.any(verdict.changed & inside & (np.sign(verdict.change_db) == np.sign(mean)))
    return mean if carried and abs(mean) >= threshold_db else 0.0


def _largest_phrase(change_db: FloatArray, mid_hz: FloatArray, among: npt.NDArray[np.bool_]) -> str:
    at = int(np.argmax(np.where(among, np.abs(np.nan_to_num(change_db)), -1.0)))
    return f"{change_db[at]:+.2g} dB at {name_frequency(float(mid_hz[at]))}"


def _up(bound_db: float) -> str:
    """Round a bound up to two digits, so that the sentence still holds."""
    step = 10.0 ** (np.floor(np.log10(bound_db)) - 1)
    return f"{round(np.ceil(bound_db / step - _ROUNDING) * step, 9):g}"
