"""The live figure without a browser: what it sends, and what it keeps."""

from __future__ import annotations

import base64
import json
from typing import Any

import ipywidgets
import nbformat
import numpy as np
import pytest
from show.kitchen import F, change_chart, charts, lift, ohm_chart

from ohmshift.errors import CurveError
from ohmshift.show import live
from ohmshift.show.charts import Line, Span
from ohmshift.show.figures import chart_columns
from ohmshift.show.live import LiveFigure, summary_line


class Browser:
    """Applies messages to the columns of the item, as the script in the page does."""

    def __init__(self, figure: LiveFigure) -> None:
        self.figure = figure
        self.sent: list[set[str]] = []
        figure.comm.send = lambda data, buffers=None, **_: self.sent.append(set(data["state"]) | {len(buffers or [])})

    def columns(self, start: dict[str, dict[str, Any]]) -> dict[str, dict[str, Any]]:
        now = {source: dict(data) for source, data in start.items()}
        frame = json.loads(self.figure.frame)
        numbers = np.frombuffer(self.figure.numbers, "<f4")
        for source, column, first, size in frame.get("columns", []):
            now[source][column] = numbers[first : first + size]
        for source, column, texts in frame.get("texts", []):
            now[source][column] = texts
        return now


def assert_same_columns(one: dict, other: dict) -> None:
    assert one.keys() == other.keys()
    for source, data in one.items():
        for column, values in data.items():
            if isinstance(values, list):
                assert values == other[source][column]
            else:
                np.testing.assert_allclose(other[source][column], values, rtol=1e-6, atol=1e-5)


def test_a_move_sends_one_message_with_every_column_that_moved() -> None:
    figure = LiveFigure(charts(10))
    item, browser = figure.item, Browser(figure)
    figure.show_charts(charts(40))
    assert figure.item == item
    assert browser.sent == [{"frame", "spoken", 1}]  # and one buffer, the numbers
    assert_same_columns(chart_columns(charts(40)), browser.columns(chart_columns(charts(10))))
    moved = {tuple(place[:2]) for place in json.loads(figure.frame)["columns"]}
    assert ("0.line.0", "y") in moved
    assert ("0.line.0", "x") not in moved
    assert "Behind 40 Ω" in figure.spoken
    assert ["0.title", "Ladle behind 40 Ω"] in json.loads(figure.frame)["titles"]


def test_any_message_stands_for_itself_when_those_before_it_were_dropped() -> None:
    figure = LiveFigure(charts(10))
    browser = Browser(figure)
    other = (change_chart(10, spans=(), lines=charts(10)[0].lines), ohm_chart(10))
    for now in (charts(40), other, charts(10), charts(77), charts(10)):
        figure.show_charts(now)
        assert_same_columns(chart_columns(now), browser.columns(chart_columns(charts(10))))


def test_spans_and_labels_may_change_in_number() -> None:
    figure = LiveFigure(change_chart(10))
    item, browser = figure.item, Browser(figure)
    spans = (Span(low=20, high=30, reason="a"), Span(low=50, high=60, reason="b"))
    lines = (Line(x=F, y=lift(10), label="left"), Line(x=F, y=F * np.nan, label="right", colour=1))
    now = change_chart(10, spans=spans, lines=lines)
    figure.show_charts(now)
    assert figure.item == item
    assert_same_columns(chart_columns([now]), browser.columns(chart_columns([change_chart(10)])))
    assert ["0.note", "Hatched: a; b."] in json.loads(figure.frame)["titles"]


@pytest.mark.parametrize(
    "other",
    [
        change_chart(10, y_range=(-20, 20)),
        change_chart(10, lines=charts(10)[0].lines[:1]),
        change_chart(10, bands=()),
        change_chart(10, y_label="Level"),
    ],
)
def test_another_structure_builds_the_figure_anew(other: object) -> None:
    figure = LiveFigure(change_chart(10))
    item = figure.item
    figure.show_charts(change_chart(20))
    figure.show_charts(other)
    assert figure.item != item
    assert (figure.frame, figure.numbers) == ("{}", b"")
    assert figure.charts == (other,)
    figure.show_charts(other)
    assert json.loads(figure.frame)["columns"] == []


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
