"""A picture that can be clicked on, with what was read off it drawn over it."""

from __future__ import annotations

import base64
import io
import json
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import anywidget
import ipywidgets
import traitlets
from bokeh.embed import json_item
from bokeh.models.callbacks import CustomJS
from bokeh.models.ranges import Range1d
from bokeh.models.sources import ColumnDataSource
from bokeh.models.tools import PointDrawTool
from bokeh.plotting import figure

from ohmshift.show.live import browser_module, shared_library

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ohmshift.curves.values import FloatArray
    from ohmshift.study.pictures import Picture

WIDTH_PX = 800
"""Width of the picture on the screen [px]; zoom in to place a point to a part of a pixel."""

_MARK = "#cc00aa"
_TRACE = "#111111"
_HALO = "#ffe34d"

_TELL = """document.dispatchEvent(new CustomEvent("ohmshift-picture", {detail: {token: "TOKEN", BODY}}))"""
_TAP = 'kind: "tap", x: cb_obj.x, y: cb_obj.y'
_MOVE = 'kind: "points", x: Array.from(cb_obj.data.x), y: Array.from(cb_obj.data.y)'


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Overlay:
    """What is drawn over a picture.

    Parameters
    ----------
    x_px, y_px : ndarray, shape (n,)
        The traced line [px].
    points : sequence of (x, y)
        Corrections [px].
    marks : sequence of (x, y, text)
        Points of the axes [px], each with what it stands for.
    """

    x_px: FloatArray
    y_px: FloatArray
    points: Sequence[tuple[float, float]]
    marks: Sequence[tuple[float, float, str]]

    def columns(self) -> dict[str, dict[str, list[Any]]]:
        """Give the columns of each source.

        Returns
        -------
        dict of str to dict
            Columns "x", "y" and "text" of the sources "trace", "points" and "marks".
        """
        return {
            "trace": {"x": [round(float(x), 2) for x in self.x_px], "y": [round(float(y), 2) for y in self.y_px]},
            "points": {"x": [point[0] for point in self.points], "y": [point[1] for point in self.points]},
            "marks": {
                "x": [mark[0] for mark in self.marks],
                "y": [mark[1] for mark in self.marks],
                "text": [mark[2] for mark in self.marks],
            },
        }


class PictureFigure(anywidget.AnyWidget):
    """Show a picture, tell where it was clicked, and let points on it be dragged.

    Parameters
    ----------
    on_tap : callable
        Called with x and y [px from the left and from the top] when the picture is clicked.
    on_points : callable
        Called with all points [px] when one was dragged, or deleted with the Backspace key.

    Notes
    -----
    The picture goes to the browser once, as a PNG inside the figure's description: nothing is fetched.
    """

    _esm = browser_module("picture.js")

    library = traitlets.Instance(ipywidgets.Widget).tag(sync=True, **ipywidgets.widget_serialization)
    item = traitlets.Unicode("").tag(sync=True)
    overlay = traitlets.Unicode("{}").tag(sync=True)
    token = traitlets.Unicode("").tag(sync=True)
    spoken = traitlets.Unicode("").tag(sync=True)

    def __init__(
        self,
        on_tap: Callable[[float, float], None],
        on_points: Callable[[list[tuple[float, float]]], None],
    ) -> None:
        self._on_tap, self._on_points = on_tap, on_points
        self.picture: Picture | None = None
        super().__init__(library=shared_library(), token=secrets.token_hex(8))
        self.on_msg(self._on_message)

    def show_picture(self, picture: Picture, overlay: Overlay, *, spoken: str) -> None:
        """Show a picture, or draw anew over the one that is shown.

        Parameters
        ----------
        picture : Picture
            The picture.
        overlay : Overlay
            What is drawn over it.
        spoken : str
            The picture in a sentence, for who cannot see it.
        """
        with self.hold_sync():
            self.spoken = spoken
            self.overlay = json.dumps(overlay.columns())
            if self.picture is None or self.picture.provenance.sha256 != picture.provenance.sha256:
                self.picture = picture
                self.item = json.dumps(json_item(_draw(picture, self.token)))

    def _on_message(self, _: ipywidgets.Widget, told: dict[str, Any], buffers: list[bytes]) -> None:  # noqa: ARG002
        if told["kind"] == "tap":
            self._on_tap(float(told["x"]), float(told["y"]))
        else:
            self._on_points([(float(x), float(y)) for x, y in zip(told["x"], told["y"], strict=True)])

    def __repr__(self) -> str:
        """Say in words what is shown."""
        return f"<PictureFigure: {self.spoken}>"


def _draw(picture: Picture, token: str) -> figure:
    height = round(WIDTH_PX * picture.height / picture.width)
    plot = figure(
        frame_width=WIDTH_PX,
        frame_height=height,
        x_range=Range1d(start=0, end=picture.width),
        y_range=Range1d(start=picture.height, end=0),
        tools="pan,wheel_zoom,box_zoom,reset",
        active_drag=None,
        active_scroll=None,
        toolbar_location="above",
        match_aspect=False,
    )
    plot.toolbar.logo = None
    plot.axis.visible = False
    plot.grid.visible = False
    plot.image_url(url=[_as_url(picture)], x=0, y=0, w=picture.width, h=picture.height, anchor="top_left")
    trace, points, marks = (
        ColumnDataSource(data={"x": [], "y": []}, name="trace"),
        ColumnDataSource(data={"x": [], "y": []}, name="points"),
        ColumnDataSource(data={"x": [], "y": [], "text": []}, name="marks"),
    )
    plot.line("x", "y", source=trace, line_color=_HALO, line_width=4.5, line_alpha=0.75)
    plot.line("x", "y", source=trace, line_color=_TRACE, line_width=1.2)
    plot.scatter("x", "y", source=marks, marker="cross", size=18, line_color=_MARK, line_width=2)
    plot.text(
        "x", "y", "text", source=marks, text_color=_MARK, text_font_size="12px", text_align="center", y_offset=-12
    )
    dragged = plot.scatter(
        "x", "y", source=points, marker="circle", size=12, fill_color="white", line_color=_MARK, line_width=2.5
    )
    tool = PointDrawTool(add=False, description="Drag a correction; Backspace deletes it")
    tool.renderers = [dragged]  # type: ignore[list-item]
    plot.add_tools(tool)
    plot.toolbar.active_multi = tool
    plot.js_on_event("tap", CustomJS(code=_tell(token, _TAP)))
    points.js_on_change("data", CustomJS(code=_tell(token, _MOVE)))
    return plot


def _tell(token: str, body: str) -> str:
    return _TELL.replace("TOKEN", token).replace("BODY", body)


def _as_url(picture: Picture) -> str:
    from PIL import Image  # noqa: PLC0415 - heavy, and only a picture needs it

    stream = io.BytesIO()
    Image.fromarray(picture.rgb).save(stream, format="png")
    return "data:image/png;base64," + base64.b64encode(stream.getvalue()).decode("ascii")
