"""The findings as a script for a talk or a film: what to say, what to show, what to write on the screen."""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ohmshift.show.article import Article, Illustrated
    from ohmshift.study.findings import Quantity

CAPTION = 64
"""Characters of a caption: two lines of subtitles, by common practice."""

WORDS_A_MINUTE = 140
"""A narrator's pace, by common practice."""

_CAPTIONS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One part of the talk.

    Parameters
    ----------
    number : int
        Its place among the findings.
    title : str
        What it is about.
    captions : tuple of str
        Lines for the screen, numbers with an interval first.
    say : tuple of str
        What to say, the caveat last.
    seconds : int
        How long that takes.
    has_figure : bool
        Whether there are stills of it.
    """

    number: int
    title: str
    captions: tuple[str, ...]
    say: tuple[str, ...]
    seconds: int
    has_figure: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The talk.

    Parameters
    ----------
    opening : tuple of str
        What to say first.
    scenes : tuple of Scene
        One a finding.
    method : tuple of str
        How it was done, in short.
    closing : tuple of str
        What to say last: what it does not show, and the cautions.
    minutes : float
        How long all of it takes to say.
    """

    opening: tuple[str, ...]
    scenes: tuple[Scene, ...]
    method: tuple[str, ...]
    closing: tuple[str, ...]
    minutes: float


def compose_outline(article: Article) -> Outline:
    """Make an outline of a write-up.

    Parameters
    ----------
    article : Article
        The write-up.

    Returns
    -------
    Outline
        In the order of the findings.
    """
    scenes = tuple(_scene(item) for item in article.findings)
    many = "" if len(article.rows) == 1 else "s"
    count = f"{len(scenes) or 'No'} finding{'' if len(scenes) == 1 else 's'} from {len(article.rows)} earphone{many}."
    opening = (*([article.question] if article.question else ()), count)
    method = (article.methods[0], article.methods[3], article.methods[4])
    closing = (*article.limits, *article.cautions)
    said = [*opening, *method, *closing, *(text for scene in scenes for text in scene.say)]
    return Outline(
        opening=opening,
        scenes=scenes,
        method=method,
        closing=closing,
        minutes=round(spoken_seconds(" ".join(said)) / 60, 1),
    )


def spoken_seconds(text: str) -> int:
    """Say how long a text takes to read out.

    Parameters
    ----------
    text : str
        The text.

    Returns
    -------
    int
        Seconds, at 140 words a minute.

    Examples
    --------
    >>> spoken_seconds("word " * 70)
    30
    """
    return round(len(re.findall(r"\S+", text)) * 60 / WORDS_A_MINUTE)


def write_caption(subject: str, quantity: Quantity) -> str:
    """Write a number with its interval for the screen.

    Parameters
    ----------
    subject : str
        What it is about; left out where there is no room.
    quantity : Quantity
        The number.

    Returns
    -------
    str
        At most 64 characters; the number and its interval are never cut.

    Examples
    --------
    >>> from ohmshift.study.findings import Quantity
    >>> write_caption("Ladle", Quantity(name="level drop", value=-3.02, unit="dB", low=-3.28, high=-2.76))
    'Ladle: level drop: −3.0 dB (95 %: −3.3 to −2.8)'
    """
    unit = "" if quantity.unit == "1" else f" {quantity.unit}"
    number = f"{_short(quantity.value)}{unit}"
    if quantity.low is not None and quantity.high is not None:
        number += f" (95 %: {_short(quantity.low)} to {_short(quantity.high)})"
    for head in (f"{subject}: {quantity.name}", quantity.name):
        if len(head) + 2 + len(number) <= CAPTION:
            return f"{head}: {number}".removeprefix(": ")
    return f"{textwrap.shorten(quantity.name, max(CAPTION - len(number) - 2, 8), placeholder='…')}: {number}"


def _scene(item: Illustrated) -> Scene:
    finding = item.finding
    say = (finding.statement, f"What this does not show: {finding.caveat}")
    certain_first = sorted(finding.quantities, key=lambda quantity: quantity.low is None)
    captions = [write_caption(finding.earphone, quantity) for quantity in certain_first[:_CAPTIONS]]
    return Scene(
        number=item.number,
        title=item.heading,
        captions=tuple(captions) or (textwrap.shorten(finding.statement, CAPTION, placeholder=" …"),),
        say=say,
        seconds=spoken_seconds(" ".join(say)),
        has_figure=item.chart is not None,
    )


def _short(value: float) -> str:
    digits = 1 if abs(value) >= 1 else 2
    return (f"{value:.{digits}f}" if abs(value) < 100 else f"{value:.0f}").replace("-", "−")  # noqa: PLR2004
