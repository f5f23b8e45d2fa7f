"""Cautions where someone can get hurt or break something: on top of the panel, before the action."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING

import ipywidgets as widgets

if TYPE_CHECKING:
    from collections.abc import Sequence

_STYLE = "border:3px solid #D55E00; border-left-width:14px; padding:8px 12px; font-size:{size}; max-width:800px"


def caution_box(*texts: str, loud: bool = False) -> widgets.HTML:
    """Put cautions into a box.

    Parameters
    ----------
    *texts : str
        What to take care of, in plain text.
    loud : bool
        Whether a screen reader speaks it at once, and it is written larger: where the next action may hurt.

    Returns
    -------
    HTML
        Widget; take the `value` of `caution_html` to change its text.
    """
    return widgets.HTML(caution_html(texts, loud=loud))


def caution_html(texts: Sequence[str], *, loud: bool = False) -> str:
    """Write cautions as HTML.

    Parameters
    ----------
    texts : sequence of str
        What to take care of, in plain text; what looks like markup is shown as it is.
    loud : bool
        Whether a screen reader speaks it at once, and it is written larger.

    Returns
    -------
    str
        One box.

    Examples
    --------
    >>> "&lt; 1 dB" in caution_html(["less than < 1 dB"], loud=True)
    True
    """
    said = " ".join(html.escape(text) for text in texts)
    style = _STYLE.format(size="1.15em" if loud else "1em")
    return f'<div role="{"alert" if loud else "note"}" style="{style}"><b>Caution.</b> {said}</div>'
