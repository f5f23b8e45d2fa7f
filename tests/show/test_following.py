"""What other cells show of a panel follows it, and what a panel says fits what it shows."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from ohmshift.chain.meter_verdicts import judge_resistance
from ohmshift.chain.metering import MeterSpec, Readings, combine_readings
from ohmshift.show.live import LiveFigure
from ohmshift.show.panels.any_source import SLIDER, SOURCES, AnySourcePanel
from ohmshift.show.panels.attenuate import CrosstalkPanel
from ohmshift.show.panels.chain_resistance import SLIDERS, STATED, MeterPanel
from ohmshift.show.panels.line_up import LineUpPanel
from ohmshift.show.panels.real_or_variation import ChangePanel
from ohmshift.show.panels.record import RecordPanel
from ohmshift.show.panels.start import StartPanel
from ohmshift.show.panels.tables import FollowingTable
from ohmshift.show.panels.wires import WirePanel
from ohmshift.show.panels.write_up import WriteUpPanel
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("following") / "study"))


@pytest.fixture(scope="module")
def change(study: Study) -> ChangePanel:
    return ChangePanel(study)


@pytest.fixture(scope="module")
def meter(study: Study) -> MeterPanel:
    return MeterPanel(study)


def shown(panel: ChangePanel) -> list[FollowingTable]:
    return [update.__self__ for update in panel.at_rest if isinstance(update.__self__, FollowingTable)]


def test_tables_in_other_cells_follow(change: ChangePanel, capsys: pytest.CaptureFixture[str]) -> None:
    change.show_table(change.overview)
    change.show_table()
    assert "Grater" in capsys.readouterr().out
    overview, bands = shown(change)
    before = dict(overview.shown), dict(bands.shown)
    assert before[0]["text/html"] == change.overview().to_html(border=0, index=False, na_rep="")
    change.controls["margin_db"].value = 4.0
    assert overview.shown["text/html"] == change.overview().to_html(border=0, index=False, na_rep="")
    assert (overview.shown, bands.shown) != before
    change.reset.click()
    assert (overview.shown, bands.shown) == before
    assert "NaN" not in overview.shown["text/html"] + overview.shown["text/plain"]  # Sieve's level drop is not known


def test_a_table_is_sent_again_only_where_it_differs(monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[str] = []

    class Handle:
        def update(self, bundle: dict[str, str], *, raw: bool) -> None:
            assert raw
            sent.append(bundle["text/plain"])

    monkeypatch.setattr("ohmshift.show.panels.tables.display", lambda *_, **__: Handle())
    rows = [1.0]
    table = FollowingTable(lambda: pd.DataFrame({"level (dB)": rows}))
    table.update()
    assert sent == []
    rows[0] = float("nan")
    table.update()
    assert [text.split() for text in sent] == [["level", "(dB)"]]


def test_other_cells_wait_until_a_slider_rests(change: ChangePanel) -> None:
    calls: list[float] = []
    change.at_rest.append(lambda: calls.append(change.settings.margin_db))

    async def drag() -> None:
        for margin in (1.5, 2.0, 2.5):
            change.controls["margin_db"].value = margin
        assert calls == []
        await asyncio.sleep(0.6)

    asyncio.run(drag())
    assert calls == [2.5]
    change.at_rest.pop()
    change.reset.click()


def test_a_statement_follows_the_panel_and_keeps_its_own_numbers(study: Study, change: ChangePanel) -> None:
    record = RecordPanel(study, change, notebook="30_real_or_variation")
    change.controls["earphone"].value = "Ladle"
    assert record.statement.value == change.view.draft.statement
    assert record.statement.value.startswith("Ladle")

    record.statement.value = "Ladle changes, as I say."
    change.controls["earphone"].value = "Whisk"
    assert record.statement.value == "Ladle changes, as I say."
    assert "The panel has moved on" in record.status.value
    record.caveat.value = "One unit."
    record.record.click()
    finding = read_findings(study.folder).findings[-1]
    assert (finding.earphone, finding.settings["earphone"]) == ("Ladle", "Ladle")
    assert all("ladle" in file for file in finding.data)

    record.take.click()
    assert record.statement.value.startswith("Whisk")
    change.reset.click()


@pytest.mark.parametrize(("name", "sentences"), [("Cauldron", 3), ("Spoon", 2)], ids=["cannot tell", "bounded"])
def test_a_verdict_is_said_once(change: ChangePanel, name: str, sentences: int) -> None:
    sentence = change._view(replace(change.settings, earphone=name)).sentence
    said = [part for part in sentence.removeprefix(f"{name}, 15 ohm added: ").split(". ") if part]
    assert len(said) == len(set(said)) == sentences


@pytest.mark.source("analytic", ref="a bound rounded up still holds, one rounded to the nearest need not")
def test_bounds_in_tables_hold(change: ChangePanel) -> None:
    comparison, settings = change.comparison, change.settings
    for row in change.overview().itertuples(index=False):
        bound_db = comparison.verdict(row[0], settings.added_ohm).bound_db
        assert bound_db <= row[2] + 1e-9
        assert row[2] < bound_db + 0.1
    verdict = comparison.verdict(settings.earphone, settings.added_ohm)
    bands = change.table["bound (dB)"].to_numpy()
    assert (verdict.band_bound_db[verdict.judged] <= bands + 1e-9).all()
    assert f"no band changed by more than {bands.max():g} dB" in change.view.sentence


def test_the_start_slider_moves_lines_and_builds_no_figure(study: Study) -> None:
    panel = StartPanel(study)
    item = panel.figure.item
    panel.controls["added_ohm"].value = 47.0
    assert panel.figure.item == item
    assert panel.figure.numbers


def test_a_gauge_moves_lines_and_stays_on_the_chart(study: Study) -> None:
    panel = WirePanel(study)
    figure = LiveFigure(panel.view.charts)
    item = figure.item
    for gauge in (26.0, 28.0, 30.0, 36.0):
        chart = panel._view(replace(panel.settings, gauge=gauge)).charts[0]
        figure.show_charts(chart)
        assert gauge > 32 or figure.item == item
        assert np.nanmax(next(line.y for line in chart.lines if line.label == "chosen gauge")) <= chart.y_ends[1]
    plug = panel._view(replace(panel.settings, item="33-ohm plug, A"))
    assert "It lies above the chart." in plug.sentence


@pytest.mark.source("analytic", ref="from 9057 Hz to 7000 Hz it is 10/3 log10(9057/7000) = 0.37 octave, beyond 0.3")
@pytest.mark.parametrize("hz", [7000.0, 9200.0])
def test_every_alignment_frequency_gives_a_picture(study: Study, hz: float) -> None:
    panel = LineUpPanel(study)
    for name in panel.controls["earphone"].options:
        for channel in ("left", "right"):
            view = panel._view(replace(panel.settings, earphone=name, channel=channel, alignment_hz=hz))
            assert all(np.isfinite(line.y).all() for chart in view.charts for line in chart.lines)
            too_far = "too far away to move every seat there" in view.sentence
            certain = "no seat is moved" not in view.sentence
            assert (f"Shown at {hz:.0f} Hz" in view.sentence) is (certain and not too_far)
    ladle = panel._view(replace(panel.settings, earphone="Ladle", alignment_hz=hz))
    assert ("too far away" in ladle.sentence) is (hz == 7000.0)


def test_an_item_is_compared_with_others_only(meter: MeterPanel) -> None:
    start = meter.settings
    for other in (start.item, "nothing"):
        view = meter._view(replace(start, other=other))
        assert len(view.charts) == 2
        assert "differ:" not in view.sentence
    through = meter._view(replace(start, through=start.item))
    assert "cannot be measured through itself: nothing is taken off" in through.sentence
    assert through.draft.quantities[0].value == meter._view(start).draft.quantities[0].value
    for item in meter.items:
        sentence = meter._view(replace(start, item=item)).sentence
        assert "e+0" not in sentence
        assert "channels cannot tell" not in sentence


@pytest.mark.source("analytic", ref="0.2 - 15 = -14.8 ohm: whoever took off too much has no ordinary cable")
def test_a_resistance_below_nothing_is_not_ordinary() -> None:
    spec = MeterSpec(percent=0.2, digits=3, resolution_ohm=0.01)
    cable, plug = (Readings(label=str(ohm), reading_ohm=[ohm], lead_ohm=[0.0], spec=spec) for ohm in (0.2, 15.0))
    verdict = judge_resistance(combine_readings([(1.0, cable), (-1.0, plug)], label="cable"))
    assert verdict.resistance.resistance_ohm == pytest.approx(-14.8)
    assert verdict.word == "cannot tell"
    assert "more was taken off than was in the reading" in verdict.sentence


def test_sliders_without_effect_are_disabled(meter: MeterPanel, study: Study) -> None:
    meter.controls["specification"].value = STATED
    assert meter.controls["digits"].disabled
    assert meter.controls["percent"].disabled
    meter.controls["specification"].value = SLIDERS
    assert not meter.controls["digits"].disabled
    meter.reset.click()

    panel = AnySourcePanel(study, earphone="Spoon")
    name = next(source for source in SOURCES if "capacitor" in source)
    panel.controls["source"].value = name
    assert panel.controls["output_ohm"].disabled
    assert panel.view.sentence.startswith(f'Spoon behind "{name}"')
    panel.controls["source"].value = SLIDER
    assert not panel.controls["output_ohm"].disabled
    limits = panel.limits().set_index("earphone")
    assert limits.loc["Spoon", "reached first at (Hz)"] == ""
    assert limits.loc["Grater", "reached first at (Hz)"] != ""


def test_no_crosstalk_is_no_number(study: Study) -> None:
    panel = CrosstalkPanel(study, earphone="Grater")
    assert panel.view.draft.quantities[0].value == pytest.approx(panel.figure.charts[0].lines[0].y.max())
    panel.controls["return_ohm"].value = 0.0
    assert panel.view.draft.quantities == ()
    assert "nothing of one side reaches the other" in panel.view.draft.statement


def test_numbers_of_findings_follow_what_stands(study: Study, capsys: pytest.CaptureFixture[str]) -> None:
    panel = WriteUpPanel(study)
    panel.show_table()
    assert "bound of the change in any band" in capsys.readouterr().out
    (table,) = panel.tables
    assert "Whisk" in table.shown["text/html"]
    assert "NaN" not in table.shown["text/html"]
    panel.chosen.value = ("demo-whisk",)
    panel.reason.value = "Measured again."
    panel.retract.click()
    assert "Whisk" not in table.shown["text/html"]
