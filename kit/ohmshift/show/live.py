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
from IPython.display import display

from ohmshift.errors import CurveError
from ohmshift.show.figures import as_stack, figure_columns, figure_item, figure_properties, figure_shape
from ohmshift.show.stills import draw_still

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.show.charts import Chart

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
    """Show charts that change without being built anew.

    Parameters
    ----------
    charts : Chart or sequence of Chart
        Charts, top to bottom.

    Notes
    -----
    The browser builds a frame by the charts' shape alone: how many there are and how their axes are divided. All else
    (lines, bands, ranges, ticks, words) comes as one message, whole numbers and words as text and the rest as one
    32-bit buffer. Each message holds all of it, so the browser draws the last one it got at its next repaint, drops
    those before it, and touches only what differs from what it shows.

    The frame's description is sent as text, because saving a notebook sorts the keys of a dictionary and Bokeh's
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
        super().__init__(library=shared_library())
        self.show_charts(charts)

    def show_charts(self, charts: Chart | Sequence[Chart]) -> None:
        """Show other charts.

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
        with self.hold_sync():
            self.spoken = " ".join(chart.alt_text for chart in stack)
            self.item = figure_item(figure_shape(stack))
            self.frame, self.numbers = _pack(stack)

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


def _pack(charts: Sequence[Chart]) -> tuple[str, bytes]:
    """Give what fills the frames as text and numbers; in the text each array is a place and a size in the numbers."""
    places: dict[bytes, int] = {}
    end = 0

    def place(value: object) -> object:
        nonlocal end
        if isinstance(value, list):
            return [place(part) for part in value]
        if not isinstance(value, np.ndarray):
            return value
        numbers = value.astype("<f4").tobytes()
        if numbers not in places:  # lines often share their frequencies
            places[numbers] = end
            end += value.size
        return {"at": places[numbers], "size": value.size}

    columns = {
        source: {name: place(values) for name, values in data.items()}
        for source, data in figure_columns(charts).items()
    }
    frame = json.dumps({"properties": figure_properties(charts), "columns": columns})
    return frame, b"".join(places)


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
