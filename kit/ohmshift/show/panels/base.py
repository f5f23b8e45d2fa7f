"""What all panels share: a settings value, a pure view of it, controls that edit it, and undo."""

from __future__ import annotations

import asyncio
import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import ipywidgets as widgets

from ohmshift.show.live import LiveFigure, show_with_still, summary_line
from ohmshift.show.panels.tables import FollowingTable, write_table

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

    from ohmshift.show.charts import Chart
    from ohmshift.study.findings import Quantity

Settings = TypeVar("Settings")

_SAME_MOVE_S = 1.5
_AFTER_MOVE_S = 0.3

LABEL_STYLE = {"description_width": "245px"}
CONTROL_BOX = {"width": "720px", "max_width": "calc(100% - 4px)"}
"""How wide a control's label and a control are; a narrow page takes from the control."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Draft:
    """What a finding would say, from the settings as they stand.

    Parameters
    ----------
    statement : str
        One sentence.
    quantities : tuple of Quantity
        Its numbers with units.
    data : mapping of str to str
        SHA-256 of each data file it rests on, by its path relative to the study.
    earphone : str
        The earphone, or empty.
    caveats : tuple of str
        What the numbers themselves warn of.
    """

    statement: str
    quantities: tuple[Quantity, ...]
    data: Mapping[str, str]
    earphone: str = ""
    caveats: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class View:
    """What a panel shows for one settings value.

    Parameters
    ----------
    charts : tuple of Chart
        Figures, top to bottom.
    sentence : str
        The result in one or two sentences, numbers included.
    table : DataFrame
        The numbers beside the figures, rounded to what is claimed.
    draft : Draft or None
        What a finding would say.
    """

    charts: tuple[Chart, ...]
    sentence: str
    table: pd.DataFrame
    draft: Draft | None = None


class Panel(widgets.VBox, Generic[Settings]):  # type: ignore[misc]
    """Controls, a sentence, live figures and a table for one question.

    Parameters
    ----------
    draw : callable
        Pure function from settings to View.
    settings : frozen value
        The settings to start with.
    controls : mapping of str to widget
        One control a settings field, under the field's name.

    Notes
    -----
    A control replaces one field of the settings; the view is drawn anew from the whole value, so a panel cannot show
    what its settings do not say. Moves of one control in quick succession undo as one. What other cells show of
    it is in `at_rest`: called when the controls have been at rest for a moment, so that a slider stays quick.
    """

    def __init__(
        self, draw: Callable[[Settings], View], settings: Settings, controls: Mapping[str, widgets.Widget]
    ) -> None:
        self.settings = settings
        self.controls = dict(controls)
        self._draw = draw
        self._start = settings
        self._before: list[Settings] = []
        self._last_move = ("", 0.0)
        self._quiet = False
        self.at_rest: list[Callable[[], None]] = []
        self._later: asyncio.TimerHandle | None = None
        self.view = draw(settings)
        self.figure = LiveFigure(self.view.charts)
        self.figure.layout.overflow = "auto"  # a figure wider than the page scrolls, else its right end is cut off
        self.summary = summary_line(self.view.sentence)
        self.undo = button("Undo", "Take the last move back", self._on_undo)
        self.reset = button("Reset", "Go back to the settings this panel opened with", self._on_reset)
        self.numbers = widgets.HTML()
        self.drawer = widgets.Accordion(
            children=[self.numbers], titles=("Numbers behind the figures",), selected_index=None
        )
        self.drawer.observe(self._on_drawer, "selected_index")
        self._show_settings()
        for field, control in self.controls.items():
            control.observe(lambda change, field=field: self._on_move(field, change["new"]), "value")
        buttons = widgets.HBox([self.undo, self.reset])
        super().__init__([widgets.VBox([*self.controls.values(), buttons]), self.summary, self.figure, self.drawer])

    def _on_move(self, field: str, value: object) -> None:
        if self._quiet or _same(getattr(self.settings, field), value):
            return
        if field != self._last_move[0] or time.monotonic() - self._last_move[1] > _SAME_MOVE_S:
            self._before.append(self.settings)
        self._set(replace(self.settings, **{field: value}))  # type: ignore[type-var]
        self._last_move = (field, time.monotonic())  # after the redraw, which may be slow

    def _on_undo(self) -> None:
        if self._before:
            self._last_move = ("", 0.0)
            self._set(self._before.pop())
            self._show_settings()

    def _on_reset(self) -> None:
        if self.settings is not self._start:
            self._last_move = ("", 0.0)
            self._before.append(self.settings)
            self._set(self._start)
            self._show_settings()

    def _on_drawer(self, change: dict[str, Any]) -> None:
        if change["new"] is not None:
            self._fill_numbers()

    def _fill_numbers(self) -> None:
        self.numbers.value = f'<div class="jp-RenderedHTMLCommon">{write_table(self.view.table)}</div>'

    def _set(self, settings: Settings) -> None:
        self.settings = settings
        self.view = self._draw(settings)
        self.figure.show_charts(self.view.charts)
        self.summary.value = summary_line(self.view.sentence).value
        self.undo.disabled = not self._before
        if self.drawer.selected_index is not None:
            self._fill_numbers()
        self._await_rest()

    def _await_rest(self) -> None:
        """Bring other cells up to date once the controls rest; at once where no loop is there to wait in."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            self._come_to_rest()
            return
        if self._later is not None:
            self._later.cancel()
        self._later = loop.call_later(_AFTER_MOVE_S, self._come_to_rest)

    def _come_to_rest(self) -> None:
        for update in self.at_rest:
            update()

    def redraw(self) -> None:
        """Draw anew with the settings as they stand, since what they are asked of has changed."""
        self._set(self.settings)

    def show_table(self, make: Callable[[], pd.DataFrame] | None = None) -> None:
        """Show a table in the cell that asks for it; from then on it follows the controls.

        Parameters
        ----------
        make : callable, optional
            Gives the table as the settings stand; by default the numbers behind the figures.
        """
        self.at_rest.append(FollowingTable(make or (lambda: self.view.table)).update)

    def _show_settings(self) -> None:
        self._quiet = True
        for field, control in self.controls.items():
            control.value = getattr(self.settings, field)
        self._quiet = False
        self.undo.disabled = not self._before

    @property
    def table(self) -> pd.DataFrame:
        """Give the numbers behind the figures as they stand."""
        return self.view.table

    def __repr__(self) -> str:
        """Say the result in a sentence: the text alternative of the panel."""
        return f"<{type(self).__name__}: {self.view.sentence}>"

    def _ipython_display_(self) -> None:
        """Show the panel, and a still picture for readers without a kernel."""
        show_with_still(self, self.view.charts, sentence=repr(self))


def _same(one: object, other: object) -> bool:
    """Tell whether two values are the same; a browser may hand a number back with other last digits."""
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-9)
    return one == other


def slider(
    label: str, unit: str, low: float, high: float, step: float, *, help_text: str, digits: int = 1
) -> widgets.FloatSlider:
    """Make a slider that reports while it moves and takes the arrow keys.

    Parameters
    ----------
    label : str
        What it sets.
    unit : str
        Its unit, shown after the label.
    low, high, step : float
        Range and step, in that unit.
    help_text : str
        What it does, for the tooltip.
    digits : int
        Decimals shown.

    Returns
    -------
    FloatSlider
        Redrawing as it moves.
    """
    return widgets.FloatSlider(
        value=low,
        min=low,
        max=high,
        step=step,
        description=f"{label} ({unit})",
        tooltip=f"{help_text} Unit: {unit}.",
        continuous_update=True,
        readout_format=f".{digits}f",
        style=LABEL_STYLE,
        layout=CONTROL_BOX,
    )


def choice(label: str, options: list[tuple[str, Any]] | list[str], *, help_text: str) -> widgets.Dropdown:
    """Make a list to choose from.

    Parameters
    ----------
    label : str
        What it sets.
    options : list
        Values, or pairs of text and value.
    help_text : str
        What it does, for the tooltip.

    Returns
    -------
    Dropdown
        With the first option chosen.
    """
    return widgets.Dropdown(
        options=options,
        description=label,
        tooltip=help_text,
        style=LABEL_STYLE,
        layout=CONTROL_BOX,
    )


def button(label: str, help_text: str, action: Callable[[], None]) -> widgets.Button:
    """Make a button.

    Parameters
    ----------
    label : str
        What it does, in a word or two.
    help_text : str
        The same in a sentence, for the tooltip.
    action : callable
        Called without arguments when it is pressed.

    Returns
    -------
    Button
        Wired to the action.
    """
    made = widgets.Button(description=label, tooltip=help_text, layout={"width": "auto"})
    made.on_click(lambda _: action())
    return made
