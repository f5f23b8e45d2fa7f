"""Panels without a browser: set a control's value, look at what is plotted."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.smoothing import mean_levels
from ohmshift.show.explaining import say_prediction
from ohmshift.show.panels.any_source import FROM_STUDY, SHOWN, SOURCES, AnySourcePanel
from ohmshift.show.panels.attenuate import CrosstalkPanel, PadPanel
from ohmshift.show.panels.explain import CIRCUIT, RECOVERED, RESISTANCES, ExplainPanel
from ohmshift.show.panels.line_up import LineUpPanel
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.real_or_variation import ChangePanel
from ohmshift.show.panels.record import RecordPanel
from ohmshift.show.panels.start import StartPanel
from ohmshift.show.panels.write_up import WriteUpPanel
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.impedances import measured_impedance
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from ohmshift.show.panels.base import Panel
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("panels") / "study"))


PANELS = [StartPanel, LineUpPanel, ChangePanel, ExplainPanel, AnySourcePanel, PadPanel, CrosstalkPanel]


@pytest.fixture(scope="module", params=PANELS, ids=lambda panel: panel.__name__)
def panel(request: pytest.FixtureRequest, study: Study) -> Panel:
    return request.param(study)


@pytest.fixture(scope="module")
def explain(study: Study) -> ExplainPanel:
    return ExplainPanel(study)


def plotted(panel: Panel) -> list[np.ndarray]:
    charts = panel.figure.charts
    lines = [line.y for chart in charts for line in chart.lines]
    return [*lines, *[np.array([level.y for level in chart.levels]) for chart in charts]]


def same(one: list[np.ndarray], other: list[np.ndarray]) -> bool:
    return len(one) == len(other) and all(
        a.shape == b.shape and np.array_equal(a, b, equal_nan=True) for a, b in zip(one, other, strict=True)
    )


def another_value(control: object) -> object:
    if hasattr(control, "options"):
        values = [value[1] if isinstance(value, tuple) else value for value in control.options]
        return values[-1] if control.value != values[-1] else values[0]
    return control.max if control.value < control.max else control.min


def test_every_control_moves_the_picture_or_the_words(panel: Panel) -> None:
    for name, control in panel.controls.items():
        before, said = plotted(panel), panel.view.sentence
        control.value = another_value(control)
        assert getattr(panel.settings, name) == control.value
        assert not same(before, plotted(panel)) or said != panel.view.sentence or name == "warp", name
        panel.reset.click()
        assert same(before, plotted(panel)), name


def test_undo_takes_one_move_back_and_shows_it(panel: Panel) -> None:
    name, control = next((n, c) for n, c in panel.controls.items() if not hasattr(c, "options"))
    panel.reset.click()
    start, before = panel.settings, plotted(panel)
    first = control.value
    for step in range(1, 6):
        control.value = first + step * control.step
    assert getattr(panel.settings, name) == control.value != first
    panel.undo.click()
    assert getattr(panel.settings, name) == first == control.value
    assert panel.settings is start
    assert same(before, plotted(panel))


def test_every_earphone_has_a_picture_words_and_numbers(panel: Panel) -> None:
    for name in panel.controls["earphone"].options:
        panel.controls["earphone"].value = name
        assert name in panel.view.sentence
        assert len(panel.table) > 0 or "no attenuator" in panel.view.sentence
        assert repr(panel).startswith(f"<{type(panel).__name__}: {name}")
        assert panel.figure.charts == panel.view.charts
        assert all(chart.alt_text for chart in panel.view.charts)
    panel.reset.click()


def test_numbers_open_on_demand_and_follow(panel: Panel) -> None:
    panel.drawer.selected_index = 0
    first = panel.numbers.value
    assert "<table" in first
    control = panel.controls["earphone"]
    control.value = another_value(control)
    assert panel.numbers.value != first
    panel.drawer.selected_index = None
    panel.reset.click()


@pytest.mark.source("analytic", ref="20 log10 |(Z + R_0)/(Z + R_0 + R)| less its mean over 200 Hz to 2 kHz")
def test_explain_draws_the_divider(explain: ExplainPanel, study: Study) -> None:
    explain.controls["earphone"].value = "Whisk"
    explain.controls["added_ohm"].value = 47.0
    explain.controls["output_ohm"].value = 10.0
    impedance = measured_impedance(study, "Whisk").impedance
    Z, R_0 = impedance.impedance_ohm, 10.0 + study.settings.cable_ohm
    change = 20 * np.log10(np.abs((Z + R_0) / (Z + R_0 + 47.0)))
    level = mean_levels(impedance.frequency_hz, change, low_hz=[200], high_hz=[2000])
    np.testing.assert_allclose(explain.figure.charts[0].lines[1].y, change - level, atol=1e-9)
    explain.reset.click()


def test_sliders_reach_and_show_what_a_study_holds(study: Study) -> None:
    for ohm in (0.05, 1000.0):
        settings = study.settings.model_copy(update={"source_ohm": ohm})
        odd = ExplainPanel(replace(study, settings=settings))
        slider = odd.controls["output_ohm"]
        assert odd.settings.output_ohm == slider.value == ohm
        assert round(ohm / slider.step) * slider.step == pytest.approx(ohm, abs=1e-9)  # else a browser moves it


@pytest.mark.source("analytic", ref="a prediction that is 20 dB too high lies outside every interval")
def test_many_bands_are_counted_and_few_are_named(explain: ExplainPanel) -> None:
    pair = explain._explain("Grater", 15.0, explain.settings)
    n = int(pair.verdict.readable.sum())
    off = replace(pair, predicted_band_db=pair.predicted_band_db + 20.0)
    said = say_prediction(off, added_ohm=15.0, output_ohm=0.6, matches=True)
    assert f"lies outside the measured interval in {n} of {n} readable bands;" in said
    one = pair.predicted_band_db.copy()
    one[np.flatnonzero(pair.verdict.readable)[0]] += 20.0
    said = say_prediction(replace(pair, predicted_band_db=one), added_ohm=15.0, output_ohm=0.6, matches=True)
    assert re.search(r"outside the measured interval at [\d.]+ Hz;", said)


@pytest.mark.source("analytic", ref="the prediction at its own resistance differs from itself by nothing")
def test_explain_compares_only_like_with_like(explain: ExplainPanel) -> None:
    assert "lies within the measured interval" in explain.view.sentence
    assert "Cross-check with 15 ohm" in explain.view.sentence
    explain.controls["added_ohm"].value = 50.0
    assert "measured change is for 15 ohm" in explain.view.sentence
    explain.reset.click()
    explain.controls["earphone"].value = "Skewer"
    assert "recovered from the responses" in explain.view.sentence
    assert "proves nothing" in explain.view.sentence
    assert "why the prediction holds" in explain.view.sentence
    explain.controls["earphone"].value = "Sieve"
    explain.controls["impedance"].value = RECOVERED
    assert "level from the measured 42.8 ohm at 1 kHz" in explain.view.sentence
    explain.reset.click()


@pytest.mark.source("independent", ref="Ladle's netlist: 17.2 ohm and a coil resonance near 177 Hz, in ngspice")
def test_explain_fits_a_circuit(explain: ExplainPanel) -> None:
    explain.controls["earphone"].value = "Ladle"
    explain.controls["below"].value = CIRCUIT
    assert "As one driver's circuit: a resistance of 17.5 ohm" in explain.view.sentence
    circuit = explain.figure.charts[1].lines[-1]
    assert circuit.label == "circuit"
    measured = explain.figure.charts[1].lines[0]
    np.testing.assert_allclose(np.interp(circuit.x, measured.x, measured.y), circuit.y, rtol=0.005)
    table = explain.table.set_index("what")
    assert float(table.loc["resonance 1, frequency", "value"]) == pytest.approx(177, abs=2)
    assert float(table.loc["resistance", "standard uncertainty"]) < 0.1
    assert any(name.startswith("information criterion") for name in table.index)
    explain.controls["earphone"].value = "Saucepan"
    assert "No single driver's circuit describes it" in explain.view.sentence
    explain.reset.click()


@pytest.mark.source("analytic", ref="(10^(-D/10) - 1)/R is a straight line over R for any one load; the demo has one")
def test_explain_tests_several_resistances_without_impedance(explain: ExplainPanel) -> None:
    explain.controls["earphone"].value = "Grater"
    explain.controls["below"].value = RESISTANCES
    assert "Without any impedance" in explain.view.sentence
    assert "agrees with each" in explain.view.sentence
    lines = explain.figure.charts[1].lines
    assert [line.label for line in lines] == ["5 ohm", "15 ohm", "33 ohm", "120 ohm"]
    assert max(np.nanmax(np.abs(line.y)) for line in lines) < 0.4
    assert list(explain.table.columns)[1:] == ["5 ohm (dB)", "15 ohm (dB)", "33 ohm (dB)", "120 ohm (dB)"]
    explain.controls["earphone"].value = "Skewer"
    assert "Fewer than three resistances" in explain.view.sentence
    assert len(explain.table) > 0
    explain.reset.click()


@pytest.mark.source(
    "analytic", ref="Whisk behind the limit changes by exactly 1 dB at most; behind 1 % more it exceeds it"
)
def test_limits_hold(explain: ExplainPanel, study: Study) -> None:
    table = explain.limits(tolerance_db=1.0).set_index("earphone")
    ohm = float(table.loc["Whisk", "highest source for 1 dB (ohm)"])
    impedance = study.impedance("Whisk")
    f = impedance.frequency_hz
    inside = (f >= 20) & (f <= 20_000)
    for factor, within in ((0.95, True), (1.05, False)):
        change = divider_change_db(impedance.impedance_ohm, added_ohm=ohm * factor)
        tonal = change - mean_levels(f, change, low_hz=[200], high_hz=[2000])
        assert bool(np.abs(tonal[inside]).max() <= 1.0) is within
    assert table.loc["Spoon", "highest source for 1 dB (ohm)"] == "no limit up to 1000"


@pytest.mark.source(
    "analytic", ref="20 log10 |Z / (Z + S)|, S of 10 ohm and 220 µF in series, less its mean over the level band"
)
def test_a_source_with_a_capacitor_is_complex(study: Study) -> None:
    panel = AnySourcePanel(study, earphone="Ladle")
    panel.controls["source"].value = next(name for name in SOURCES if "capacitor" in name)
    impedance = measured_impedance(study, "Ladle").impedance
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    change = 20 * np.log10(np.abs(Z / (Z + 10 + 1 / (2j * np.pi * f * 220e-6))))
    level = mean_levels(f, change, low_hz=[200], high_hz=[2000])
    np.testing.assert_allclose(panel.figure.charts[0].lines[-1].y, change - level, atol=1e-9)
    panel.controls["source"].value = next(name for name in SOURCES if "coil" in name)
    change = 20 * np.log10(np.abs(Z / (Z + 0.2 + 2j * np.pi * f * 22e-6)))
    level = mean_levels(f, change, low_hz=[200], high_hz=[2000])
    np.testing.assert_allclose(panel.figure.charts[0].lines[-1].y, change - level, atol=1e-9)
    table = panel.limits().set_index("earphone")
    assert set(table.index) == set(study.names)
    assert " to " in table.loc["Skewer", "95 % interval (ohm)"]


@pytest.mark.source("analytic", ref="20 log10 |(Z + S_0) / (Z + S)|: counting from another source takes its change off")
def test_changes_are_counted_from_any_source(study: Study) -> None:
    panel = AnySourcePanel(study, earphone="Ladle")
    panel.controls["start"].value = FROM_STUDY
    impedance = measured_impedance(study, "Ladle").impedance
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    change = 20 * np.log10(np.abs((Z + 0.85) / (Z + 10)))
    level = mean_levels(f, change, low_hz=[200], high_hz=[2000])
    np.testing.assert_allclose(panel.figure.charts[0].lines[-1].y, change - level, atol=1e-9)
    assert f"level {level[0]:+.1f} dB against a source of 0.85 ohm" in panel.view.sentence


@pytest.mark.source("analytic", ref="a prediction for one load lies within the limits for any load that measures alike")
@pytest.mark.parametrize("name", ["Ladle", "Grater", "Skewer", "Saucepan"])
def test_limits_for_any_load_hold_the_prediction(study: Study, name: str) -> None:
    panel = AnySourcePanel(study, earphone=name)
    panel.controls["hard_limits"].value = SHOWN
    for ohm in (5.0, 15.5, 60.0):
        panel.controls["output_ohm"].value = ohm
        limits = panel.figure.charts[0].bands[-1]
        predicted = panel.figure.charts[0].lines[-1]
        y = np.interp(np.log(limits.x), np.log(predicted.x), predicted.y)
        readable = (limits.x >= 25) & (limits.x <= 6000)
        outside = np.maximum(limits.low - y, y - limits.high)[readable]
        assert (outside < 0.05).mean() > 0.95
    panel.controls["source"].value = next(source for source in SOURCES if "coil" in source)
    assert "need a resistive source" in panel.view.sentence


@pytest.mark.source(
    "analytic", ref="an attenuator of two resistors: R_th = R_a || R_b; wishes that contradict are refused in words"
)
def test_pads_do_what_they_say(study: Study) -> None:
    panel = PadPanel(study, earphone="Grater")
    row = panel.table.iloc[0]
    R_a, R_b = float(row["series (ohm)"]) + panel.settings.output_ohm, float(row["across (ohm)"])
    assert row["earphone sees (ohm)"] == pytest.approx(R_a * R_b / (R_a + R_b), abs=0.06)
    assert row["level (dB)"] == pytest.approx(-panel.settings.quieter_db, abs=0.5)
    panel.controls["load_above_ohm"].value = 120.0
    panel.controls["source_below_ohm"].value = 0.5
    assert "no attenuator of E24 values" in panel.view.sentence
    assert len(panel.table) == 0


@pytest.mark.source("analytic", ref="a shunt resistor b takes |V_b|^2 / b, the series one |V - V_b|^2 / a at 0 ohm")
def test_pads_tell_their_heat_and_caution(study: Study) -> None:
    panel = PadPanel(study, earphone="Grater")
    panel.controls["output_ohm"].value = 0.0
    row = panel.table.iloc[0]
    a, b = float(row["series (ohm)"]), float(row["across (ohm)"])
    Z = panel.known["Grater"].ohms
    middle = 1 / (1 / b + 1 / Z)
    V_b = middle / (middle + a)
    wanted = [1000 * np.abs(1 - V_b).max() ** 2 / a, 1000 * np.abs(V_b).max() ** 2 / b]
    found = [float(part) for part in row["heat in series, across (mW)"].split(", ")]
    assert found == pytest.approx(wanted, rel=0.01)
    assert "Caution" not in panel.view.sentence
    panel.controls["drive_v"].value = 4.0  # 16 times the heat
    assert f"the series resistor gets up to {16 * wanted[0] / 1000:.2g} W" in panel.view.sentence
    assert "more than its 0.25 W" in panel.view.sentence


def test_pads_and_wires_take_recovered_impedances(study: Study) -> None:
    known = AnySourcePanel(study).known
    for panel in (PadPanel(study, known=known), CrosstalkPanel(study, known=known)):
        assert set(panel.controls["earphone"].options) == set(study.names)
        panel.controls["earphone"].value = "Skewer"
        assert panel.view.sentence.startswith("Skewer")
        assert "recovered from the responses" in panel.view.sentence
    assert "Skewer" not in PadPanel(study).controls["earphone"].options


@pytest.mark.source("analytic", ref="-R_c / (Z + R_s + R_c), by nodal analysis of one driven side")
def test_crosstalk_is_the_shared_wire(study: Study) -> None:
    panel = CrosstalkPanel(study, earphone="Grater")
    impedance = measured_impedance(study, "Grater").impedance
    wanted = 20 * np.log10(1.0 / np.abs(impedance.impedance_ohm + 0.2 + 1.0))
    np.testing.assert_allclose(panel.figure.charts[0].lines[0].y, wanted, atol=1e-6)


def test_start_predicts_from_the_impedance(study: Study) -> None:
    panel = StartPanel(study, earphone="Grater")
    panel.controls["added_ohm"].value = 0.0
    without, predicted = panel.figure.charts[0].lines
    inside = np.isin(without.x, predicted.x)
    np.testing.assert_allclose(without.y[inside], predicted.y)
    assert len(panel.problems()) == len(study.problems) == 3


def test_alignment_slider_moves_the_resonance_only(study: Study) -> None:
    panel = LineUpPanel(study)
    panel.controls["smoothing"].value = 0
    for hz in (7500.0, 8500.0):
        panel.controls["alignment_hz"].value = hz
        for line in panel.figure.charts[1].lines:
            near = (line.x > 6000) & (line.x < 11_000)
            assert line.x[near][np.argmax(line.y[near])] == pytest.approx(hz, rel=0.02)
        low = panel.figure.charts[1].lines[0].x < 4500
        for before, after in zip(panel.figure.charts[0].lines, panel.figure.charts[1].lines, strict=True):
            np.testing.assert_allclose(before.y[low], after.y[low], rtol=0, atol=1e-12)
    panel.controls["earphone"].value = "Kettle"
    assert "no seat is moved" in panel.view.sentence
    assert panel.view.charts[1].spans


def test_margin_and_channel(study: Study) -> None:
    panel = ChangePanel(study, earphone="Saucepan")
    overview = panel.overview()
    assert len(overview) == len(study.names)
    panel.controls["channel"].value = "left"
    assert any("one channel" in caveat for caveat in panel.view.draft.caveats)
    panel.controls["added_ohm"].value = 120.0
    assert "was not measured with 120 ohm" in panel.view.sentence


def test_what_cannot_be_told_says_what_would_tell(study: Study) -> None:
    panel = ChangePanel(study)
    size = next(quantity for quantity in panel.view.draft.quantities if "size" in quantity.name)
    assert size.low < size.value < size.high
    explained = ExplainPanel(study, earphone=panel.settings.earphone)
    assert explained.settings.measured_ohm == panel.settings.added_ohm
    told = explained.view.draft.quantities[0]
    assert (told.name, told.value) == ("size of the tonal change, measured", size.value)
    assert (told.low, told.high) == (size.low, size.high)
    words = dict(zip(panel.overview()["earphone"], panel.overview()["verdict"], strict=True))
    assert "cannot tell" in words.values()
    for name, word in words.items():
        panel.controls["earphone"].value = name
        assert ("would tell" in panel.view.sentence) == (word == "cannot tell")


def test_nothing_is_recorded_without_a_caveat_and_undo_retracts(study: Study) -> None:
    panel = ChangePanel(study)
    record = RecordPanel(study, panel, notebook="30_real_or_variation")
    before = len(read_findings(study.folder).findings)
    record.record.click()
    assert "Not recorded. caveat" in record.status.value
    assert len(read_findings(study.folder).findings) == before

    record.caveat.value = "One unit, three seats."
    record.record.click()
    finding = read_findings(study.folder).findings[-1]
    assert finding.statement == panel.view.draft.statement
    assert finding.settings["margin_db"] == panel.settings.margin_db
    assert dict(finding.data) == {name: study.data_hashes()[name] for name in finding.data}
    assert len(finding.data) == 12
    assert {quantity.name for quantity in finding.quantities} >= {"level drop", "bound of the change in any band"}

    record.undo.click()
    assert read_findings(study.folder).findings[-1].retracted
    assert record.undo.disabled


def test_write_up_orders_writes_retracts_and_reinstates(study: Study) -> None:
    panel = WriteUpPanel(study)
    first, second = panel._order()[:2]  # the order the user sees
    panel.chosen.value = (second,)
    panel.up.click()
    assert panel._order()[:2] == [second, first]
    panel.up.click()
    assert panel._order()[:2] == [second, first]

    panel.chosen.value = (second, first)
    panel.write.click()
    assert "Written" in panel.status.value
    page = (study.folder / "findings" / "write_up" / "article.html").read_text(encoding="utf-8")
    statements = {finding.id: finding.statement for finding in panel.recorded.standing}
    assert page.index(statements[second]) < page.index(statements[first])

    panel.chosen.value = (first,)
    panel.retract.click()
    assert "Not done. reason" in panel.status.value
    panel.reason.value = "measured again"
    panel.retract.click()
    assert first not in panel._order()
    panel.reason.value = "was right after all"
    panel.gone.value = first
    panel.reinstate.click()
    assert first in panel._order()


def test_progress_fills_and_hides() -> None:
    progress = Progress("Counting.")
    assert list(progress([1, 2, 3])) == [1, 2, 3]
    assert progress.bar.value == 3
    assert progress.bar.layout.display == "none"
    assert repr(progress) == "<Counting.>"


def test_progress_in_a_panel_is_seen_only_while_work_is_done() -> None:
    progress = Progress("Counting.", within=True)
    for again in range(2):
        for number in progress([1, 2, 3]):
            assert progress.layout.display is None
            assert progress.bar.value == number - 1
            if again == 0 and number == 2:
                break
        assert progress.layout.display == "none"


def test_fitting_a_circuit_shows_how_far_it_is(explain: ExplainPanel) -> None:
    explain._circuit.cache_clear()
    assert explain.fitting in explain.children
    seen: list[str | None] = []
    explain.fitting.layout.observe(lambda change: seen.append(change["new"]), "display")
    explain.controls["earphone"].value = "Whisk"
    explain.controls["below"].value = CIRCUIT
    assert seen == [None, "none"]
    explain.controls["added_ohm"].value = 33.0  # the fit is kept: a slider stays quick
    assert seen == [None, "none"]
    explain.reset.click()


def test_settings_are_what_is_drawn(explain: ExplainPanel) -> None:
    asked = replace(explain.settings, added_ohm=33.0)
    wanted = explain._view(asked)  # the pure function behind the panel
    explain.controls["added_ohm"].value = 33.0
    assert explain.view.sentence == wanted.sentence
    explain.reset.click()
