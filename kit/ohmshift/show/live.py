"""A figure that follows a slider: Bokeh in the browser, fed by one binary message a move."""

from __future__ import annotations

import base64
import html
import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

import anywidget
import bokeh
import ipywidgets
import numpy as np
import traitlets
from bokeh.embed import json_item
from IPython.display import display

from ohmshift.errors import CurveError
from ohmshift.show.figures import as_stack, chart_columns, draw_chart
from ohmshift.show.stills import draw_still

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.show.charts import Chart
    from ohmshift.show.figures import Columns

_WIDGET = "application/vnd.jupyter.widget-view+json"


class _Library(anywidget.AnyWidget):
    """BokehJS from the installed wheel, sent once a kernel and shared by all its figures."""

    _esm = "export default {}"
    version = traitlets.Unicode(bokeh.__version__).tag(sync=True)
    script = traitlets.Unicode("").tag(sync=True)


def browser_module(name: str) -> str:
    """Give a script of this folder with the loader of BokehJS before it.

    Parameters
    ----------
    name : str
        File name.

    Returns
    -------
    str
        JavaScript module.
    """
    folder = files("ohmshift.show")
    return "".join(folder.joinpath(part).read_text(encoding="utf-8") for part in ("bokeh.js", name))


class LiveFigure(anywidget.AnyWidget):
    """Show charts that move without being built anew.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        Charts, top to bottom.

    Notes
    -----
    While the parts stay the same (titles of axes, ranges, number and looks of lines and bands), a move sends one
    32-bit buffer of the columns that ever moved; anything else builds the figure anew. The browser draws the last
    message it got at its next repaint, and drops those before it.

    The figure's description is sent as text, because saving a notebook sorts the keys of a dictionary and Bokeh's
    are in an order that matters.

    A figure is shown as two outputs: the living one with a sentence, and a still picture, which is hidden while the
    living one is there. So a notebook without a kernel, a preview and an exported page show the still.
    """

    _esm = browser_module("live.js")
    _css = files("ohmshift.show").joinpath("live.css").read_text(encoding="utf-8")

    library = traitlets.Instance(ipywidgets.Widget).tag(sync=True, **ipywidgets.widget_serialization)
    item = traitlets.Unicode("").tag(sync=True)
    frame = traitlets.Unicode("{}").tag(sync=True)
    numbers = traitlets.Bytes(b"").tag(sync=True)
    spoken = traitlets.Unicode("").tag(sync=True)

    def __init__(self, charts: Chart | Sequence[Chart]) -> None:
        self.charts: tuple[Chart, ...] = ()
        self._built: dict[str, Columns] = {}
        self._structure: tuple[object, ...] = ()
        self._moved: set[tuple[str, str]] = set()
        super().__init__(library=shared_library())
        self.show_charts(charts)

    def show_charts(self, charts: Chart | Sequence[Chart]) -> None:
        """Show other charts, moving the lines where only numbers and words differ.

        Parameters
        ----------
        charts : Chart or sequence of Chart
            Charts, top to bottom.

        Raises
        ------
        CurveError
            No charts.
        """
        stack = as_stack(charts)
        if not stack:
            raise CurveError("LiveFigure", "a figure needs at least one chart", "there is none", "give a chart")
        self.charts = stack
        structure = _structure(stack)
        columns = chart_columns(stack)
        with self.hold_sync():
            self.spoken = " ".join(chart.alt_text for chart in stack)
            if structure == self._structure:
                self._move(columns)
            else:
                self._structure, self._built, self._moved = structure, columns, set()
                self.item, self.frame, self.numbers = json.dumps(json_item(draw_chart(stack))), "{}", b""

    def _move(self, columns: dict[str, Columns]) -> None:
        """Send every column that ever differed from the built figure: each message then stands for itself."""
        texts, places, parts, start = [], [], [], 0
        for source, data in columns.items():
            for name, values in data.items():
                if (source, name) not in self._moved and _same(values, self._built[source][name]):
                    continue
                self._moved.add((source, name))
                if isinstance(values, list):
                    texts.append([source, name, values])
                else:
                    places.append([source, name, start, values.size])
                    parts.append(values.astype("<f4"))
                    start += values.size
        titles = [[f"{i}.{part}", text or " "] for i, chart in enumerate(self.charts) for part, text in _titles(chart)]
        self.frame = json.dumps({"columns": places, "texts": texts, "titles": titles})
        self.numbers = np.concatenate(parts).tobytes() if parts else b""

    def __repr__(self) -> str:
        """Say in words what the charts show."""
        return f"<LiveFigure: {self.spoken}>"

    def _ipython_display_(self) -> None:
        """Show the figure, and the still that stands in for it."""
        show_with_still(self, self.charts, sentence=repr(self))


def show_with_still(widget: ipywidgets.Widget, charts: Chart | Sequence[Chart], *, sentence: str) -> None:
    """Show a widget that holds a live figure, and after it a still picture for readers without a kernel.

    Parameters
    ----------
    widget : Widget
        A LiveFigure, or a box around one.
    charts : Chart or sequence of Chart
        What the still shows.
    sentence : str
        What stands for the widget in plain text.

    Notes
    -----
    JupyterLab shows "model not found", and nothing else of the same output, where it trusts a notebook and has no
    kernel for its widgets. The still is an output of its own therefore. The style sheet of the live figure hides it
    while the figure is there.
    """
    view = {"version_major": 2, "version_minor": 0, "model_id": widget.model_id}
    display({"text/plain": sentence, _WIDGET: view}, raw=True)  # type: ignore[no-untyped-call]
    still, metadata = still_bundle(charts)
    display(still, metadata=metadata, raw=True)  # type: ignore[no-untyped-call]


def still_bundle(charts: Chart | Sequence[Chart]) -> tuple[dict[str, str], dict[str, dict[str, str]]]:
    """Give a still picture of charts and its alternative text as the content of an output.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        Charts, top to bottom.

    Returns
    -------
    dict of str to str
        MIME types and contents.
    dict of str to dict
        Their metadata: the alternative text, which exported pages take from there.
    """
    stack = as_stack(charts)
    spoken = " ".join(chart.alt_text for chart in stack)
    picture = base64.b64encode(draw_still(stack)).decode("ascii")
    return {"text/plain": f"<Still: {spoken}>", "image/png": picture}, {"image/png": {"alt": spoken}}


def summary_line(text: str) -> ipywidgets.HTML:
    """Make a line of text that a screen reader speaks when it changes.

    Parameters
    ----------
    text : str
        Plain text; what looks like markup is shown as it is.

    Returns
    -------
    HTML
        Widget; take the `value` of another one to change its text.

    Examples
    --------
    >>> summary_line("change < 1 dB").value
    '<output aria-live="polite">change &lt; 1 dB</output>'
    """
    return ipywidgets.HTML(f'<output aria-live="polite">{html.escape(text)}</output>')


def _titles(chart: Chart) -> tuple[tuple[str, str], tuple[str, str]]:
    return ("title", chart.title), ("note", chart.note)


def _same(one: object, other: object) -> bool:
    if isinstance(one, list):
        return one == other
    return np.array_equal(np.asarray(one), np.asarray(other), equal_nan=True)


def _structure(charts: Sequence[Chart]) -> tuple[object, ...]:
    """Give everything about charts that a move cannot change."""
    return tuple(
        (
            (chart.x_label, chart.x_unit, chart.x_scale, chart.x_ends, chart.x_ticks),
            (chart.y_label, chart.y_unit, chart.scale, chart.y_ends, chart.db_per_decade),
            tuple((line.label, line.colour, line.dash, line.width, line.opacity, line.points) for line in chart.lines),
            tuple((band.colour, band.opacity, band.bars) for band in chart.bands),
        )
        for chart in charts
    )


_shared: list[_Library] = []


def shared_library() -> ipywidgets.Widget:
    """Give BokehJS as the widget that all figures of the kernel share.

    Returns
    -------
    Widget
        Its `version` and `script`.
    """
    if not _shared or _shared[0].comm is None:  # none yet, or someone closed all widgets
        script = Path(bokeh.__file__).parent / "server/static/js/bokeh.min.js"
        _shared[:] = [_Library(script=script.read_text(encoding="utf-8"))]
    return _shared[0]
