"""The panels of notebook 10 without a browser: what is drawn, said and tabled for the demo's readings."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.chain.meter_verdicts import compare_resistances
from ohmshift.chain.metering import measure_resistance
from ohmshift.errors import StudyError
from ohmshift.show.panels.chain_resistance import CAUTION, LEADS, NOTHING, STATED, MeterPanel
from ohmshift.show.panels.record import RecordPanel
from ohmshift.show.panels.wires import EXAMPLE, OutputPanel, WirePanel, parse_voltages
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.meter import read_item
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("meter_panels") / "study"))


@pytest.fixture(scope="module")
def panel(study: Study) -> MeterPanel:
    return MeterPanel(study)


@pytest.mark.source(
    "analytic", ref="the demo's truth: plugs of 14.98 and 14.66 ohm, in series 29.64; U from its data sheet"
)
def test_opens_on_two_samples_with_the_answer(panel: MeterPanel) -> None:
    panel.reset.click()
    assert (panel.settings.item, panel.settings.other) == ("15-ohm plug, A", "15-ohm plug, B")
    for words in (
        "acts as a resistor of 14.99",
        "The return is ordinary",
        "Left and right agree",
        "differ: 0.329",
        "in series",
    ):
        assert words in panel.view.sentence
    assert panel.view.draft.quantities[0].value == pytest.approx(14.99, abs=0.02)
    assert set(panel.view.draft.data) == {"meter.csv", "study.toml"}


@pytest.mark.source("snapshot", ref="the same readings evaluated without the panel; metering has outside checks")
def test_draws_what_it_computes(panel: MeterPanel, study: Study) -> None:
    panel.reset.click()
    panel.controls["percent"].value = 1.0
    spec = replace(read_item(study, "cable, 1")["left"].spec, percent=1.0)
    one, two = (
        {name: measure_resistance(part) for name, part in read_item(study, item, spec=lambda _: spec).items()}
        for item in ("15-ohm plug, A", "15-ohm plug, B")
    )
    chart = panel.figure.charts[0]
    np.testing.assert_allclose(chart.lines[0].y, [part.resistance_ohm for part in one.values()])
    np.testing.assert_allclose(chart.bands[1].high, [part.interval_ohm[1] for part in two.values()])
    apart = [abs(compare_resistances(one[name], two[name]).difference.resistance_ohm) for name in one]
    np.testing.assert_allclose(panel.figure.charts[1].lines[0].y, apart)
    share = panel.figure.charts[2].lines[0].y
    assert share.sum() == pytest.approx(100)
    panel.reset.click()


def test_every_control_moves_the_picture_or_the_words(panel: MeterPanel) -> None:
    panel.reset.click()
    wanted = {
        "item": "cable, 1",
        "other": NOTHING,
        "through": "cable, 1",
        "conductor": "return",
        "percent": 2.0,
        "digits": 9.0,
        "ordinary_ohm": 0.1,
        "margin_ohm": 0.1,
    }
    for name, value in wanted.items():
        before, drawn = panel.view.sentence, [line.y for chart in panel.figure.charts for line in chart.lines]
        panel.controls[name].value = value
        assert getattr(panel.settings, name) == value
        now = [line.y for chart in panel.figure.charts for line in chart.lines]
        same = len(now) == len(drawn) and all(map(np.array_equal, now, drawn))
        assert panel.view.sentence != before or not same, name
        panel.undo.click()
        assert panel.view.sentence == before
    panel.reset.click()


def test_specification_of_the_file_or_of_the_sliders(panel: MeterPanel) -> None:
    panel.reset.click()
    panel.controls["digits"].value = 12.0
    by_sliders = panel.view.draft.quantities[0]
    panel.controls["specification"].value = STATED
    by_file = panel.view.draft.quantities[0]
    assert by_sliders.high - by_sliders.low > 2 * (by_file.high - by_file.low)
    panel.controls["specification"].value = "as the sliders say"
    text = "\n".join(panel.specification()["for study.toml"])
    assert tomllib.loads(text)["meters"][0]["digits"] == 12
    panel.reset.click()


def test_every_item_has_words_and_a_budget(panel: MeterPanel) -> None:
    for item in panel.items:
        view = panel._view(replace(panel.settings, item=item, conductor="return"))
        assert item in view.sentence
        assert view.table["quantity"].iloc[-1].startswith("result")
        assert all(chart.alt_text for chart in view.charts)


@pytest.mark.source(
    "analytic", ref="20 log10 R_c/(Z + R_s + R_c): 0.12 ohm before 2.9 ohm is -28.6 dB at most; of a plug, less"
)
def test_tables(panel: MeterPanel, study: Study) -> None:
    panel.reset.click()
    assert len(panel.conductors()) == 17
    found = panel.agreements().set_index("compared")["verdict"]
    assert found["15-ohm plug, A: left and right"] == "agree"
    assert found["15-ohm plug, A and 15-ohm plug, B: left"].startswith("differ")
    panel.controls["item"].value = "cable, 1"
    shared = panel.crosstalk().set_index("earphone")
    Z = np.abs(study.impedance("Grater").impedance_ohm).min()
    assert float(shared.loc["Grater", "crosstalk (dB)"]) == pytest.approx(20 * np.log10(0.116 / (Z + 0.85)), abs=1.0)
    assert set(shared.index) == {name for name in study.names if study.has_impedance(name)}
    panel.controls["item"].value = "5-ohm plug, A"
    assert panel.crosstalk().empty
    assert "was not measured" in panel.view.sentence
    panel.reset.click()


def test_study_without_readings_says_so(study: Study) -> None:
    empty = replace(study, meter=study.meter.iloc[:0])
    meter = MeterPanel(empty)
    assert "meter.csv has no usable row" in meter.view.sentence
    assert meter.view.draft is None
    for table in (meter.table, meter.conductors(), meter.agreements(), meter.crosstalk(), meter.specification()):
        assert len(table) == 0
    assert RecordPanel(empty, meter, notebook="10_chain_resistance").statement.value == ""
    wires = WirePanel(empty)
    assert wires.settings.item == NOTHING
    assert "0.259 ohm" in wires.view.sentence
    assert "reads" not in wires.view.sentence
    assert len(wires.table) == 0


@pytest.mark.source("analytic", ref="1.2 m of gauge 28 at 23 °C: 0.2555 (20 °C) x 1.01179 = 0.2585 ohm")
def test_copper_beside_the_cable(study: Study) -> None:
    wires = WirePanel(study)
    assert wires.view.draft.quantities[0].value == pytest.approx(0.2585, abs=2e-4)
    assert "less, as if thicker or shorter" in wires.view.sentence
    wires.controls["gauge"].value = 25.0
    assert "as such copper would" in wires.view.sentence
    wires.controls["item"].value = "15-ohm plug, A"
    assert "more, as if thinner or longer, or with a resistor" in wires.view.sentence
    assert len(wires.table) == 3
    assert wires.figure.charts[0].lines[-2].y[1] == pytest.approx(3 / 1.2 * wires.view.draft.quantities[0].value)


@pytest.mark.source("analytic", ref="33 ohm (0.2/0.19645 - 1) = 0.596 ohm; the demo's amplifier has 0.6 ohm")
def test_output_impedance_and_what_it_refuses(study: Study) -> None:
    output = OutputPanel(study)
    assert output.view.draft.quantities[0].value == pytest.approx(0.596, abs=2e-3)
    assert "agrees with the 0.6 ohm" in output.view.sentence
    assert output.view.sentence.startswith("Example voltages, not yours")
    assert "Never short" in output.children[0].value
    for text, words in (
        ("open 0.2\n33 0,19", "line 2"),
        ("open 0.2\ninf 0.19\n33 0.19", "line 2"),
        ("open 0.2\n33 0.0000001", "stand out"),
        ("open 0.2\n0 0.1", "never short"),
        ("open 0.2\n8 0.19", "16 ohm"),
        ("33 0.19", "no line begins with open"),
        ("open 0.2", "there is none"),
    ):
        output.controls["readings"].value = text
        assert words in output.view.sentence, text
        assert output.view.draft is None
        assert output.table.empty
    output.undo.click()
    output.controls["readings"].value = EXAMPLE.replace("0.1964", "0.1700").replace("0.1965", "0.1700")
    assert "do not agree" in output.view.sentence
    assert "Example" not in output.view.sentence
    record = RecordPanel(study, output, notebook="10_chain_resistance")
    record.caveat.value = "One frequency."
    record.record.click()
    assert "33 0.1700" in read_findings(study.folder).findings[-1].settings["readings"]
    record.undo.click()
    output.reset.click()
    output.controls["lowest_load_ohm"].value = 40.0
    assert "leave it out" in output.view.sentence
    with pytest.raises(StudyError, match="voltage in V"):
        parse_voltages("open 0.2 0.3")
    assert parse_voltages("open\t0.2\n33\t0.1964")[1][0].load_ohm == 33  # as pasted from a spreadsheet


def test_a_resistance_is_recorded_with_its_interval(panel: MeterPanel, study: Study) -> None:
    panel.reset.click()
    record = RecordPanel(study, panel, notebook="10_chain_resistance")
    record.caveat.value = "One meter, one day."
    record.record.click()
    finding = read_findings(study.folder).findings[-1]
    assert finding.statement == panel.view.sentence
    assert finding.quantities[0].low < 14.98 < finding.quantities[0].high + 0.1
    assert finding.settings["through"] == LEADS
    record.undo.click()
    assert CAUTION[:20] in panel.children[0].value
