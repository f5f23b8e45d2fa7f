"""The panels on driver types, rules and plans, without a browser."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.evidence.planning import earphones_for_difference
from ohmshift.show.collection_drawings import draw_classes, name_places
from ohmshift.show.panels.driver_types import DriverTypesPanel
from ohmshift.show.panels.planning import PlanPanel
from ohmshift.show.panels.record import RecordPanel
from ohmshift.show.panels.rules import RulePanel
from ohmshift.study.declarations import DECLARABLE, DECLARATION
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import demo_copy
from ohmshift.study.questions import GROUPINGS
from ohmshift.study.rulewords import EXAMPLES

if TYPE_CHECKING:
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("types") / "study"))


@pytest.fixture(scope="module")
def types(study: Study) -> DriverTypesPanel:
    return DriverTypesPanel(study)


@pytest.fixture(scope="module")
def rules(types: DriverTypesPanel) -> RulePanel:
    return RulePanel(types)


@pytest.fixture(scope="module")
def plan(types: DriverTypesPanel) -> PlanPanel:
    return PlanPanel(types)


def test_every_earphone_is_shown_whatever_is_asked(types: DriverTypesPanel) -> None:
    for grouping in GROUPINGS:
        for metric in DECLARABLE:
            view = types._view(replace(types.settings, grouping=grouping, metric=metric))
            classes, predictions, explained = view.charts
            points = [line for line in classes.lines if line.points]
            shown = np.concatenate([line.x for line in points])
            assert sorted(shown) == list(range(18))
            assert sorted(np.concatenate([line.y for line in points])) == pytest.approx(
                sorted(types.collection.values(metric))
            )
            assert len(classes.x_ticks) == 18
            assert sum(line.x.size for line in predictions.lines if line.points) == 18
            assert explained.lines[0].y.size == 4
            assert len(view.table) == 18
            assert grouping in view.sentence


def test_colours_stay_with_their_class(types: DriverTypesPanel) -> None:
    views = [types._view(replace(types.settings, metric=metric)) for metric in DECLARABLE]
    colours = [{line.label: line.colour for line in view.charts[0].lines if line.points} for view in views]
    assert all(one == colours[0] for one in colours)


def test_small_changes_are_shown_below_the_margin(types: DriverTypesPanel) -> None:
    small = tuple(one for one in types.collection.earphones if one.estimates["size"].high < 0.5)
    assert len(small) >= 2
    few = replace(types.collection, earphones=small)
    chart = draw_classes(few, "size", ["balanced armature"] * len(small), alt_text="few")
    assert chart.y_range[1] >= types.collection.margin_db == chart.levels[0].y
    assert [line.label for line in chart.lines if line.points] == ["balanced armature"]


def test_the_overview_gives_each_bound_and_leaves_blank_what_is_not_known(types: DriverTypesPanel) -> None:
    table = types.overview()
    told = table[table["verdict"] == "no change larger than"]
    assert len(told) > 0
    assert all(float(bound) <= types.settings.margin_db for bound in told["bound (dB)"])
    assert table.loc[table["earphone"] == "Sieve", "level drop (dB)"].tolist() == [""]
    assert {len(bass.partition(".")[2]) for bass in table["bass (dB)"]} == {2}, "one number of decimals a column"


def test_margin_moves_words_and_lines_only(types: DriverTypesPanel) -> None:
    item = types.figure.item
    types.controls["margin_db"].value = 2.5
    assert types.view.charts[0].levels[0].y == 2.5
    assert "2.5 dB" in types.view.sentence
    assert types.figure.item == item
    assert (types.overview()["verdict"] == "cannot tell").sum() == 0
    types.undo.click()
    assert types.settings.margin_db == 1.0


def test_all_follow_the_resistance(study: Study) -> None:
    types = DriverTypesPanel(study)
    rules, plan = RulePanel(types), PlanPanel(types)
    record = RecordPanel(study, rules, notebook="70_driver_types")
    before = [panel.view.sentence for panel in (types, rules, plan)]
    resistances = [ohm for _, ohm in types.controls["added_ohm"].options]
    assert resistances == sorted({ohm for _, ohm in types.comparison.changes})
    other = next(ohm for ohm in resistances if ohm != types.comparison.common_ohm)
    types.controls["added_ohm"].value = other
    measured = [name for name, ohm in types.comparison.changes if ohm == other]
    assert sorted(types.overview()["earphone"]) == sorted(measured) == sorted(types.collection.labels)
    assert f"Of {len(measured)} earphones with {other:g} ohm added" in types.view.sentence
    assert f"with {other:g} ohm added" in rules.view.sentence
    assert f"with {other:g} ohm added" in record.statement.value
    assert plan.collection is rules.collection is types.collection
    types.controls["grouping"].value = "one or several drivers"
    assert plan.grouping == "one or several drivers"
    types.undo.click()
    types.undo.click()
    assert [panel.view.sentence for panel in (types, rules, plan)] == before


def test_what_was_not_declared_is_said_so(types: DriverTypesPanel) -> None:
    assert [text for text, metric in types.controls["metric"].options if metric == "tilt"] == [
        "Tilt of the change (not declared)"
    ]
    view = types._view(replace(types.settings, metric="tilt"))
    assert view.draft is not None
    assert "not declared and so not adjusted" in view.sentence
    assert any("tilt was not declared" in caveat for caveat in view.draft.caveats)
    assert "before the first finding recorded" in types.declared()["declared"][0]


def test_tables_tell_tests_classes_and_what_foretells(types: DriverTypesPanel) -> None:
    tests = types.tests()
    assert list(tests["metric"]) == [*DECLARABLE, "all bands at once"]
    assert tests["p, Holm"].tolist()[3:] == ["", ""]
    assert set(types.classes()["tested"]) == {"yes", "listed only"}
    assert "do not certainly differ" in types.pairs().iloc[0, 0]
    types.controls["grouping"].value = "one or several drivers"
    types.controls["metric"].value = "bass"
    assert len(types.pairs()) == 1
    assert types.pairs()["second"].tolist() == ["one driver"]
    assert list(types.foretold()["earphones"]) == [15] * 4
    types.reset.click()


def test_a_finding_holds_the_declaration(types: DriverTypesPanel, study: Study) -> None:
    record = RecordPanel(study, types, notebook="70_driver_types")
    record.caveat.value = "One unit of each."
    record.record.click()
    found = read_findings(study.folder).findings[-1]
    assert found.data[DECLARATION] == types.declaration.sha256
    assert len(found.data) == 1 + len(study.data_hashes())
    assert found.settings["grouping"] == "driver class"
    assert any(quantity.name == "leave-one-out R² of the divider" for quantity in found.quantities)


def test_rules_are_picked_or_written(rules: RulePanel) -> None:
    assert rules.controls["rule"].options == EXAMPLES
    assert rules.view.sentence.startswith("single-driver earphones: size stays within 1 dB, with 15 ohm added. Fails")
    rules.controls["rule"].value = "hybrid earphones: bass is always positive"
    assert "Holds for the 3 earphones" in rules.view.sentence
    chart = rules.view.charts[0]
    assert [line.label for line in chart.lines] == ["agrees", "open", "counterexample"]
    assert [line.x.size for line in chart.lines] == [3, 0, 0]
    assert list(rules.table["agrees"]) == ["agrees"] * 3
    assert len(rules.judge()) == len(EXAMPLES)
    rules.undo.click()


def test_a_bad_rule_is_told_in_the_panel(rules: RulePanel, study: Study) -> None:
    rules.controls["rule"].value = "planars sound best"
    assert "it has no colon" in rules.view.sentence
    assert rules.view.draft is None
    assert "single-driver earphones: size stays" in rules.table.iloc[0, 1]
    record = RecordPanel(study, rules, notebook="70_driver_types")
    assert record.statement.value == ""
    rules.reset.click()
    assert rules.view.draft is not None


def test_plan_follows_its_sliders(plan: PlanPanel) -> None:
    spread = plan._spread(plan.collection, plan.grouping, "size")
    assert spread is not None
    for difference, seats in ((0.5, 2.0), (2.0, 6.0)):
        plan.controls["difference"].value = difference
        plan.controls["seats"].value = seats
        ratio = difference / spread.total(seats)
        needed, alone = (earphones_for_difference(ratio, alpha=alpha) for alpha in (0.05 / 3, 0.05))
        told = f"takes {needed} earphones a class with 3 metrics tested together, {alone} with this one alone;"
        assert told in plan.view.sentence
    item = plan.figure.item
    plan.controls["half_width_db"].value = 1.0
    plan.controls["power"].value = 95.0
    assert plan.figure.item == item
    assert [level.y for level in plan.view.charts[0].levels] == pytest.approx([95.0, 5 / 3])
    plan.controls["reseated"].value = False
    assert "cannot be planned" in plan.view.sentence
    plan.reset.click()
    assert plan.samples().iloc[1, 1] == 22


def test_names_on_the_axis() -> None:
    assert name_places(["a"] * 30)[1] == (5.0, "6")
    rows = name_places(["a rather long name of an earphone"] * 12)
    assert [name.count("\n") for _, name in rows[:4]] == [0, 1, 2, 0]
    assert all(len(name.strip()) <= 16 for _, name in rows)
    assert name_places([]) == ()
