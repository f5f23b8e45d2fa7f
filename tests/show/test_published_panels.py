"""Panels of the notebook on published findings: what they plot, say, save and refuse."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from study.test_published import small_demo

from ohmshift.show.agreement_charts import empty_chart
from ohmshift.show.panels.published import NOTHING, ForestPanel, PublishedPanel, PublishedWork
from ohmshift.show.panels.trace import CLICKS, NO_PICTURE, TracePanel
from ohmshift.study.folder import Study, open_study
from ohmshift.study.forests import Forest, grow_forest
from ohmshift.study.published import open_published

DEMO = Path(__file__).resolve().parents[2] / "data_demo"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(small_demo(tmp_path_factory.mktemp("demo") / "study"))


@pytest.fixture(scope="module")
def work(study: Study) -> PublishedWork:
    return PublishedWork(study)


@pytest.fixture(scope="module")
def shared_panel(work: PublishedWork) -> PublishedPanel:
    return PublishedPanel(work)


@pytest.fixture
def panel(shared_panel: PublishedPanel) -> PublishedPanel:
    """The panel as it opened: building one takes longer than any test on it."""
    shared_panel.reset.click()
    shared_panel._before.clear()
    return shared_panel


@pytest.fixture(scope="module")
def shared_trace(study: Study) -> TracePanel:
    return TracePanel(study)


@pytest.fixture
def trace(shared_trace: TracePanel) -> TracePanel:
    shared_trace.reset.click()
    shared_trace._before.clear()
    shared_trace.click.value = "look"
    return shared_trace


# ------------------------------------------------------------ checking


def test_both_changes_and_their_difference_are_plotted(panel: PublishedPanel):
    both, difference = panel.view.charts
    own, theirs = both.lines
    assert [line.label for line in both.lines] == ["own", "theirs"]
    np.testing.assert_allclose(difference.lines[0].y, theirs.y - own.y)
    assert {level.y for level in difference.levels} == {-1.0, 0.0, 1.0}
    assert "Canal Side: Ladle, 33 ohm, 100 Hz to 5 kHz: Reproduced" in panel.view.sentence


def test_margin_region_and_source_change_what_is_said(panel: PublishedPanel):
    panel.controls["source"].value = "Canal Side: Saucepan, 33 ohm"
    assert "brought to 15 ohm" in panel.view.sentence
    assert "Not reproduced" in panel.view.sentence
    panel.controls["margin_db"].value = 4.0
    assert "Not reproduced" not in panel.view.sentence
    panel.controls["region"].value = "below 100 Hz"
    assert "below 100 Hz:" in panel.view.sentence
    assert [span.low for span in panel.view.charts[1].spans] == pytest.approx([89.1], abs=0.1)
    panel.undo.click()
    assert "100 Hz to 5 kHz" in panel.view.sentence


def test_the_overview_has_every_claim_and_both_directions(panel: PublishedPanel):
    table = panel.overview()
    assert list(table["party"]) == ["Canal Side"] * 4 + ["Counter Newsletter", "Repair Cafe"]
    by_model = table[table["party"] == "Canal Side"].set_index("earphone")
    assert by_model.loc["Saucepan", "100 Hz to 5 kHz"] == "not reproduced"
    assert by_model.loc["Whisk", "they say"] == by_model.loc["Whisk", "own says"] == "changed"
    assert set(table[table["from"] != "study"]["they say"]) == {"no repeats"}


def test_a_draft_names_the_files_of_both_parties_and_warns(panel: PublishedPanel):
    draft = panel.view.draft
    assert any(file.startswith("published/canal_side/responses/") for file in draft.data)
    assert any(file.startswith("responses/") for file in draft.data)
    assert any("units" in caveat for caveat in draft.caveats)
    assert {quantity.unit for quantity in draft.quantities} == {"dB"}


def test_the_forest_plots_parties_and_all_together(work: PublishedWork):
    panel = ForestPanel(work)
    (chart,) = panel.view.charts
    assert [name for _, name in chart.x_ticks] == ["own study", "Canal Side", "Counter Newsletter", "all together"]
    assert chart.lines[1].x.tolist() == [3.0]
    panel.controls["measure"].value = "treble"
    assert "treble" in panel.view.sentence
    panel.controls["earphone"].value = "Saucepan"
    assert "more than their own uncertainty explains" in panel.view.sentence


def test_a_figure_that_no_party_gives_says_why(work: PublishedWork, monkeypatch: pytest.MonkeyPatch):
    def grow_nothing(*args: Any, **options: Any) -> Forest:
        forest = grow_forest(*args, **options)
        return replace(forest, table=forest.table.iloc[:0], pooled=None, left_out=("own study: it ends at 100 Hz",))

    monkeypatch.setattr("ohmshift.show.panels.published.grow_forest", grow_nothing)
    view = ForestPanel(work).view
    assert view.sentence.endswith("no party gives the change of the bass, up to 160 Hz. own study: it ends at 100 Hz.")
    assert view.table.empty


def test_with_nothing_published_the_notebook_still_opens(tmp_path: Path):
    folder = small_demo(tmp_path / "study")
    shutil.rmtree(folder / "published")
    work = PublishedWork(open_study(folder))
    for panel in (PublishedPanel(work), ForestPanel(work)):
        assert "Nothing to check yet" in panel.view.sentence
    assert PublishedPanel(work).settings.source == NOTHING
    assert PublishedPanel(work).overview()["why"].tolist() == [PublishedPanel(work).view.sentence]
    tracing = TracePanel(work.study)
    assert tracing.settings.picture == NO_PICTURE
    assert "No picture yet" in tracing.view.sentence
    tracing._on_tap(10, 10)
    tracing.saving._on_save()
    assert "Not saved" in tracing.saving.status.value
    assert empty_chart("t", "nothing").alt_text == "nothing"


# ------------------------------------------------------------ tracing


def test_it_opens_on_the_saved_tracing(trace: TracePanel):
    assert trace.settings.picture == "repair_cafe_tureen.png"
    assert trace.settings.x_first_px == 90.5
    tracing = trace.saving.tracing()
    assert (tracing.party, tracing.earphone) == ("Repair Cafe", "Tureen")
    assert (tracing.added_ohm, tracing.shows) == (47.0, "with")
    assert "2.4 pixels wide" in trace.view.sentence
    (chart,) = trace.view.charts
    assert chart.lines[0].y.max() == pytest.approx(97.1, abs=0.2)
    assert chart.y_range[0] <= 60
    assert chart.y_range[1] >= 120


def test_clicks_set_axes_one_after_the_other_and_undo_takes_them_back(trace: TracePanel):
    assert trace.click.value == "look"
    trace._on_tap(10, 10)
    assert trace.settings.x_first_px == 90.5
    trace.click.value = "1st frequency"
    for x, y in ((92.0, 5.0), (1171.0, 5.0), (5.0, 639.0), (5.0, 61.0)):
        trace._on_tap(x, y)
    settings = trace.settings
    assert (settings.x_first_px, settings.x_second_px, settings.y_first_px, settings.y_second_px) == (92, 1171, 639, 61)
    assert trace.click.value == "the line"
    assert trace.controls["x_first_px"].value == 92
    for _ in range(4):
        trace.undo.click()
    assert (trace.settings.x_first_px, trace.settings.y_second_px) == (90.5, 60.5)
    assert CLICKS[0] == "look"


def test_clicking_another_line_traces_it(trace: TracePanel):
    trace.click.value = "the line"
    y = float(trace.settings.calibration().y.pixel(np.array(106.7)))
    trace._on_tap(130.0, y + 1)
    assert trace.settings.colour == "#1f5fa8"
    assert trace.view.charts[0].lines[0].y[0] == pytest.approx(106.7, abs=0.2)
    trace.click.value = "the line"
    trace._on_tap(600.0, 600.0)
    assert "nearly the background" in trace.view.sentence


def test_corrections_are_added_dragged_taken_out_and_typed(trace: TracePanel):
    trace.click.value = "add a correction"
    trace._on_tap(400.0, 300.0)
    trace._on_tap(500.0, 310.0)
    assert trace.settings.points() == ((400.0, 300.0), (500.0, 310.0))
    trace._on_points([(400.0, 290.0), (500.0, 310.0)])
    assert trace.settings.points()[0] == (400.0, 290.0)
    trace.click.value = "take one out"
    trace._on_tap(402.0, 292.0)
    trace._on_tap(900.0, 100.0)
    assert trace.settings.points() == ((500.0, 310.0),)
    trace.controls["corrections"].value = "700.5 200; nonsense; 1 2 3"
    assert trace.settings.points() == ((700.5, 200.0),)
    at = int(np.argmin(np.abs(trace.line.x_px - 700.5)))
    assert trace.line.y_px[at] == pytest.approx(200, abs=1)


def test_the_picture_hears_taps_and_points_and_shows_the_line(trace: TracePanel):
    overlay = trace.canvas.overlay
    assert '"trace"' in overlay
    assert "20 Hz, 60 dB" in overlay
    assert trace.canvas.item.count("data:image/png;base64") == 1
    trace.click.value = "add a correction"
    trace.canvas._on_message(trace.canvas, {"kind": "tap", "x": 410.0, "y": 305.0}, [])
    assert trace.settings.points() == ((410.0, 305.0),)
    trace.canvas._on_message(trace.canvas, {"kind": "points", "x": [], "y": []}, [])
    assert trace.settings.points() == ()


def test_a_bad_number_is_told_and_not_raised(trace: TracePanel):
    trace.controls["x_second_px"].value = 91.0
    assert "20 pixels apart" in trace.view.sentence
    trace.undo.click()
    assert "2.4 pixels wide" in trace.view.sentence


def test_a_tracing_is_saved_and_found_again(tmp_path: Path):
    folder = small_demo(tmp_path / "study")
    trace = TracePanel(open_study(folder))
    trace.saving.party.value = " "
    trace.saving._on_save()
    assert "fill them in" in trace.saving.status.value
    trace.saving.party.value, trace.saving.earphone.value = "Reading Room", "Ladle"
    trace.saving.added_ohm.value = 33.0
    for shows in ("without", "with"):
        trace.saving.shows.value = shows
        trace.saving._on_save()
        assert f"readingroom_ladle_33ohm_{shows}.trace.json" in trace.saving.status.value
    trace.saving._on_save()
    assert "never written over" in trace.saving.status.value
    published = open_published(open_study(folder))
    assert "Reading Room" in {change.party for change in published.changes}
