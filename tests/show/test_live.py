"""The live figure without a browser: what it sends, and what it keeps."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING, Any

import ipywidgets
import nbformat
import numpy as np
import pytest
from show.kitchen import F, change_chart, charts, lift, ohm_chart

from ohmshift.errors import CurveError
from ohmshift.show import live
from ohmshift.show.charts import Band, Line, Span
from ohmshift.show.figures import figure_columns, figure_properties
from ohmshift.show.live import LiveFigure, summary_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.show.charts import Chart


def watch(figure: LiveFigure) -> list[set[str]]:
    """Keep the names of what each message holds, and how many buffers it has."""
    sent: list[set[str]] = []
    figure.comm.send = lambda data, buffers=None, **_: sent.append(set(data["state"]) | {len(buffers or [])})
    return sent


def unpack(value: Any, numbers: np.ndarray) -> Any:
    """Read an array where the message has a place and a size, as the script in the page does."""
    if isinstance(value, list):
        return [unpack(part, numbers) for part in value]
    return numbers[value["at"] : value["at"] + value["size"]] if isinstance(value, dict) else value


def assert_message_is_whole(figure: LiveFigure, charts: Sequence[Chart]) -> None:
    frame = json.loads(figure.frame)
    numbers = np.frombuffer(figure.numbers, "<f4")
    wanted = figure_columns(charts)
    assert frame["columns"].keys() == wanted.keys()
    for source, data in wanted.items():
        for column, values in data.items():
            drawn = unpack(frame["columns"][source][column], numbers)
            for one, other in zip(drawn, values, strict=True):
                if isinstance(other, str):
                    assert one == other
                else:
                    np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-5)
    assert frame["properties"] == json.loads(json.dumps(figure_properties(charts)))


def test_a_move_sends_one_message_with_all_that_is_drawn() -> None:
    figure = LiveFigure(charts(10))
    item, sent = figure.item, watch(figure)
    figure.show_charts(charts(40))
    assert figure.item == item
    assert sent == [{"frame", "spoken", 1}]  # and one buffer, the numbers
    assert_message_is_whole(figure, charts(40))
    assert "Behind 40 Ω" in figure.spoken
    assert json.loads(figure.frame)["properties"]["0.title"] == {"text": "Ladle behind 40 Ω"}


def test_numbers_that_lines_share_are_sent_once() -> None:
    figure = LiveFigure(charts(10))
    different = {
        values.tobytes() for line in (*charts(10)[0].lines, charts(10)[1].lines[0]) for values in (line.x, line.y)
    }
    assert len(different) == 1 + 3
    assert len(figure.numbers) < 4 * F.size * (len(different) + 4) + 1000  # and the outline of a band


@pytest.mark.parametrize(
    "other",
    [
        change_chart(10, y_range=(-20, 20)),
        change_chart(10, lines=charts(10)[0].lines[:1]),
        change_chart(10, lines=(Line(x=F, y=F * np.nan, label="right", colour=1), Line(x=F, y=lift(10), points=True))),
        change_chart(10, bands=(), levels=()),
        change_chart(10, bands=(Band(x=F[:3], low=F[:3] * 0, high=F[:3], bars=True),)),
        change_chart(10, spans=(Span(low=20, high=30, reason="a"), Span(low=50, high=60, reason="b"))),
        change_chart(10, y_label="Level", x_range=(100.0, 1000.0)),
        change_chart(10, scale="linear"),
    ],
)
def test_other_lines_ranges_and_names_change_in_place(other: Chart) -> None:
    figure = LiveFigure(change_chart(10))
    item, sent = figure.item, watch(figure)
    figure.show_charts(other)
    assert figure.item == item
    assert len(sent) == 1
    assert_message_is_whole(figure, [other])


@pytest.mark.parametrize(
    "other", [charts(10), (ohm_chart(10),), (change_chart(10, x_scale="linear", x_range=(20.0, 500.0)),)]
)
def test_only_another_shape_builds_the_figure_anew(other: tuple[Chart, ...]) -> None:
    figure = LiveFigure(change_chart(10))
    item, sent = figure.item, watch(figure)
    figure.show_charts(other)
    assert figure.item != item
    assert len(sent) == 1
    assert_message_is_whole(figure, other)
    figure.show_charts(change_chart(10))
    assert figure.item == item


def test_item_survives_the_sorting_of_keys_when_a_notebook_is_saved() -> None:
    figure = LiveFigure(change_chart(10))
    state = {"item": figure.item}
    notebook = nbformat.v4.new_notebook(metadata={"widgets": {"state": state}})
    again = nbformat.reads(nbformat.writes(notebook), as_version=4)
    assert again.metadata["widgets"]["state"]["item"] == figure.item
    assert json.dumps(json.loads(figure.item), sort_keys=True) != figure.item


def test_figures_share_one_library_and_survive_closing_it() -> None:
    one, other = LiveFigure(change_chart(10)), LiveFigure(ohm_chart(10))
    assert one.library is other.library
    assert len(one.library.script) > 500_000
    ipywidgets.Widget.close_all()
    assert LiveFigure(change_chart(10)).library.comm is not None


def test_shown_as_a_view_with_a_sentence_and_then_a_still(monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[tuple[dict, dict]] = []
    monkeypatch.setattr(live, "display", lambda data, metadata=None, **_: shown.append((data, metadata)))
    figure = LiveFigure(charts(10))
    figure._ipython_display_()
    (view, _), (still, metadata) = shown
    assert view["application/vnd.jupyter.widget-view+json"]["model_id"] == figure.model_id
    assert view["text/plain"] == repr(figure) == f"<LiveFigure: {charts(10)[0].alt_text} {charts(10)[1].alt_text}>"
    assert "image/png" not in view
    assert base64.b64decode(still["image/png"])[:4] == b"\x89PNG"
    assert metadata["image/png"]["alt"] == figure.spoken
    assert sum(len(json.dumps(data)) for data, _ in shown) < 100_000


def test_no_charts_are_refused() -> None:
    with pytest.raises(CurveError, match="at least one chart"):
        LiveFigure(())


def test_summary_is_escaped() -> None:
    assert summary_line("<b>1 & 2</b>").value == '<output aria-live="polite">&lt;b&gt;1 &amp; 2&lt;/b&gt;</output>'
