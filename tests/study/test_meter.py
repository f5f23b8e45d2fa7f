"""The demo study's meter readings against the resistances behind them, and data sheets that break a rule."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.chain.meter_verdicts import check_series, compare_resistances, judge_resistance
from ohmshift.chain.metering import MeterSpec, measure_resistance
from ohmshift.errors import StudyError
from ohmshift.study.folder import open_study
from ohmshift.study.manifest import read_settings
from ohmshift.study.meter import ASSUMED, find_series, list_items, read_item, specify, write_spec
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from ohmshift.study.folder import Study

TRUTH = Path(__file__).resolve().parents[2] / "data_demo/source/truth/true_meter.csv"
SHEET = '[[meters]]\nmeter = "a"\nrange_ohm = 100\npercent = 0.5\ndigits = 2\nresolution_ohm = 0.01\n'
PLAIN = 'title = "t"\nsource_ohm = 1\ncable_ohm = 0\n'


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("meter") / "study"))


@pytest.mark.source("analytic", ref="the resistance that the demo's readings were simulated with")
def test_every_interval_holds_the_truth(study: Study) -> None:
    with TRUTH.open(encoding="utf-8", newline="") as file:
        truth = list(csv.DictReader(file))
    assert len(truth) == 17
    for row in truth:
        found = measure_resistance(read_item(study, f"{row['item']}, {row['sample']}")[row["conductor"]])
        low, high = found.interval_ohm
        assert low <= float(row["resistance_ohm"]) <= high
        assert found.expanded_uncertainty_ohm < 0.1 or row["item"].startswith("120")


@pytest.mark.source("analytic", ref="truth 14.98 and 14.66 ohm: 0.32 ohm apart; 29.64 ohm in series; 0.25 ohm of cable")
def test_demo_answers(study: Study) -> None:
    first, second, both = (
        measure_resistance(read_item(study, name)["left"])
        for name in ("15-ohm plug, A", "15-ohm plug, B", "two 15-ohm plugs in series, A and B")
    )
    samples = compare_resistances(first, second, margin_ohm=0.5)
    assert samples.word == "differ, by no more than the margin"
    assert samples.difference.resistance_ohm == pytest.approx(0.32, abs=0.02)
    assert check_series(both, first, second).consistent
    cable = read_item(study, "cable, 1")
    loop = judge_resistance(measure_resistance(cable["left"], plus=cable["return"]))
    assert loop.word == "ordinary"
    assert loop.resistance.resistance_ohm == pytest.approx(0.25, abs=0.01)
    assert find_series(study) == ("two 15-ohm plugs in series, A and B", "15-ohm plug, A", "15-ohm plug, B")


def test_items_and_specifications(study: Study) -> None:
    assert list_items(study)[0] == "cable, 1"
    assert specify(study, "bench meter A", 1000.0).resolution_ohm == 0.1
    unknown = specify(study, "another", float("nan"))
    assert (unknown.percent, unknown.digits, unknown.source) == (ASSUMED.percent, ASSUMED.digits, ASSUMED.source)
    bare = replace(study, settings=study.settings.model_copy(update={"meters": ()}))
    guessed = specify(bare, "bench meter A", 100.0)
    assert guessed.resolution_ohm == pytest.approx(0.01)
    assert "assumed" in measure_resistance(read_item(bare, "cable, 1")["left"]).caveats[-1]
    finer = read_item(study, "cable, 1", spec=lambda spec: replace(spec, percent=0.0, digits=0.0))["left"]
    assert measure_resistance(finer).expanded_uncertainty_ohm < 0.01
    with pytest.raises(StudyError, match="cable, 1"):
        read_item(study, "spoon, 1")


def test_study_without_a_meter(study: Study) -> None:
    empty = replace(study, meter=study.meter.iloc[:0])
    assert list_items(empty) == ()
    assert find_series(empty) is None


def test_a_second_range_stands_apart(study: Study) -> None:
    table = study.meter.copy()
    table.loc[0, "range_ohm"] = 1000.0
    table.loc[1, "range_ohm"] = float("nan")
    found = read_item(replace(study, meter=table), "cable, 1")
    assert set(found) >= {"left", "left, bench meter A 100-ohm range", "right", "return"}
    assert found["left"].spec.resolution_ohm == 0.1
    assert sum(part.reading_ohm.size for name, part in found.items() if name.startswith("left")) == 5


def test_data_sheets_are_read_and_written(tmp_path: Path, study: Study) -> None:
    spec = specify(study, "bench meter A", 100.0)
    (tmp_path / "study.toml").write_text(f"{PLAIN}\n{write_spec(spec)}\n\n{SHEET}", encoding="utf-8")
    settings, problems = read_settings(tmp_path)
    assert problems == ()
    first, second = settings.meters
    assert (first.meter, first.percent, first.resolution_ohm) == ("bench meter A", 0.2, 0.01)
    assert (second.range_ohm, second.digits) == (100, 2)
    np.testing.assert_allclose(spec.percent, first.percent)


def test_a_data_sheet_is_written_so_that_it_reads_back_whatever_it_says(tmp_path: Path) -> None:
    spec = MeterSpec(percent=0.1234567, digits=3, resolution_ohm=1e-5, meter='bench "A"\\\t', range_ohm=1_234_567.0)
    (tmp_path / "study.toml").write_text(f"{PLAIN}\n{write_spec(spec)}\n", encoding="utf-8")
    settings, problems = read_settings(tmp_path)
    assert problems == ()
    (row,) = settings.meters
    assert (row.meter, row.range_ohm, row.percent, row.resolution_ohm) == (
        spec.meter,
        spec.range_ohm,
        spec.percent,
        spec.resolution_ohm,
    )


@pytest.mark.parametrize(
    ("old", "new", "column", "words"),
    [
        ("percent = 0.5", "percent = -1", "meters.percent", "0 to 100"),
        ("digits = 2", 'digits = "many"', "meters.digits", "steps of the display"),
        ("resolution_ohm = 0.01\n", "", "meters.resolution_ohm", "above 0"),
        ("percent = 0.5", "percent = 0.5\naccuracy = 1", "meters.accuracy", "no key"),
        ('meter = "a"', 'meter = ""', "meters.meter", "empty"),
    ],
)
def test_wrong_data_sheet_is_left_out_with_its_place(
    tmp_path: Path, old: str, new: str, column: str, words: str
) -> None:
    wrong = SHEET.replace(old, new)
    good = SHEET.replace('"a"', '"b"')
    (tmp_path / "study.toml").write_text(f"{PLAIN}{good}{wrong}", encoding="utf-8")
    settings, problems = read_settings(tmp_path)
    assert [row.meter for row in settings.meters] == ["b"]
    assert [(problem.column, problem.row, problem.effect) for problem in problems] == [(column, 10, "left out")]
    assert words in problems[0].rule


def test_meters_in_another_shape_are_left_out(tmp_path: Path) -> None:
    for text in (f"{PLAIN}meters = 3\n", f"{PLAIN}[meters.a]\npercent = 1\n", f"{PLAIN}{SHEET}{SHEET}"):
        (tmp_path / "study.toml").write_text(text, encoding="utf-8")
        settings, problems = read_settings(tmp_path)
        assert len(settings.meters) <= 1
        assert len(problems) == 1
