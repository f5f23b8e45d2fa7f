"""The panels of notebook 60 without a browser: the warning comes first, and every figure follows its sliders."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.exposure import NIOSH, WHO_ADULTS
from ohmshift.chain.loudness import weighted_change_db
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.errors import StudyError
from ohmshift.show.panels.drive import DrivePanel
from ohmshift.show.panels.hiss import AFTER, BEFORE, HissPanel
from ohmshift.show.panels.loudness import (
    LoudnessPanel,
    choose_usable,
    earphones_here,
    list_known,
    stated_sensitivity,
)
from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.impedances import KnownImpedance
from ohmshift.study.listening import know_earphones, know_sensitivity
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from ohmshift.show.panels.base import Panel
    from ohmshift.study.folder import Study
    from ohmshift.study.listening import KnownEarphone


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(demo_copy(tmp_path_factory.mktemp("listening_panels") / "study"))


@pytest.fixture(scope="module")
def earphones(study: Study) -> dict[str, KnownEarphone]:
    return earphones_here(study)


@pytest.fixture(scope="module", params=[LoudnessPanel, DrivePanel, HissPanel], ids=lambda panel: panel.__name__)
def panel(request: pytest.FixtureRequest, study: Study, earphones: dict[str, KnownEarphone]) -> Panel:
    return request.param(study, earphones)


@pytest.fixture(scope="module")
def loudness(study: Study, earphones: dict[str, KnownEarphone]) -> LoudnessPanel:
    return LoudnessPanel(study, earphones)


def drawn(panel: Panel) -> list[np.ndarray]:
    charts = panel.figure.charts
    return [line.y for chart in charts for line in chart.lines] + [
        np.array([level.y for level in chart.levels]) for chart in charts
    ]


def test_every_earphone_of_the_demo_is_known(earphones: dict[str, KnownEarphone], study: Study) -> None:
    assert list(earphones) == list(study.names)
    assert len(earphones) == 18
    assert set(list_known(earphones)["can be asked for"]) == {"loudness, drive, hiss"}
    assert sum(isinstance(known.known.impedance, RecoveredImpedance) for known in earphones.values()) == 3
    assert all(known.response_db is not None for known in earphones.values())


def test_every_control_moves_the_picture_or_the_words(panel: Panel) -> None:
    for name, control in panel.controls.items():
        panel.reset.click()
        before, said, table = drawn(panel), panel.view.sentence, panel.table
        if hasattr(control, "options"):
            values = list(control.options)
            control.value = values[-1] if control.value != values[-1] else values[0]
        else:
            control.value = control.max if control.value < control.max else control.min
        assert getattr(panel.settings, name) == control.value
        now = drawn(panel)
        same = len(now) == len(before) and all(
            np.array_equal(a, b, equal_nan=True) for a, b in zip(now, before, strict=True)
        )
        assert not same or said != panel.view.sentence or not table.equals(panel.table), name
        panel.undo.click()
        assert panel.view.sentence == said
    panel.reset.click()


def test_every_earphone_has_a_picture_words_and_numbers(panel: Panel) -> None:
    for name in panel.controls["earphone"].options:
        view = panel._view(replace(panel.settings, earphone=name))
        assert name in view.sentence
        assert len(view.table) > 0
        assert all(chart.alt_text for chart in view.charts)
        assert view.draft.earphone == name
        assert len(view.draft.data) >= 12


@pytest.mark.source(
    "analytic", ref="20 log10 |(Z + R_0 + R)/(Z + R_0)| at each frequency, and K-weighted programme of it"
)
def test_jump_is_the_divider_taken_out(loudness: LoudnessPanel, study: Study) -> None:
    loudness.controls["earphone"].value = "Grater"
    loudness.controls["added_ohm"].value = 47.0
    loudness.controls["output_ohm"].value = 2.0
    known = loudness.earphones["Grater"].known
    change = divider_change_db(known.ohms, added_ohm=47.0, source_ohm=2.0 + study.settings.cable_ohm)
    np.testing.assert_allclose(loudness.figure.charts[0].lines[0].y, -change, atol=1e-9)
    rise = -float(weighted_change_db(known.frequency_hz, change))
    assert loudness.figure.charts[0].levels[0].y == pytest.approx(rise)
    assert f"{rise:.1f} dB louder" in loudness.view.sentence
    assert f"{-change.min():.1f} dB louder at" in loudness.view.sentence
    loudness.reset.click()


@pytest.mark.parametrize("ohm", [33.0, 470.0])
def test_panels_start_at_the_resistance_of_the_study(
    study: Study, earphones: dict[str, KnownEarphone], ohm: float
) -> None:
    rows = study.measurements.assign(added_ohm=study.measurements["added_ohm"].replace({15.0: ohm}))
    other = replace(study, measurements=rows)
    for kind in (LoudnessPanel, DrivePanel, HissPanel):
        panel = kind(other, earphones)
        assert (panel.settings.added_ohm, panel.controls["added_ohm"].value) == (ohm, ohm)
        assert f"{ohm:g} ohm" in panel.view.sentence


def test_no_day_is_longer_than_a_day(loudness: LoudnessPanel) -> None:
    loudness.reset.click()
    loudness.controls["level_dba"].value = 70.0
    assert "allows the whole week; with" in loudness.view.sentence
    table = loudness.table.set_index("")
    assert table.loc["with the resistor", f"{NIOSH.name}: allowed"] == "the whole day"
    loudness.controls["level_dba"].value = 81.0
    assert loudness.table.set_index("").loc["with the resistor", f"{NIOSH.name}: allowed"] == "20 h a day"
    loudness.reset.click()


def test_spread_that_rounds_to_nothing_is_not_said(loudness: LoudnessPanel) -> None:
    jump = loudness._jump("Skewer", 15.0, 0.6)
    same = replace(jump.loudness, low_db=jump.loudness.change_db, high_db=jump.loudness.change_db)
    assert "by what is played" in jump.warning
    assert "by what is played" not in replace(jump, loudness=same).warning


def test_warning_stands_on_top_and_follows(loudness: LoudnessPanel) -> None:
    loudness.reset.click()
    assert loudness.children[0] is loudness.warning
    assert 'role="alert"' in loudness.warning.value
    assert "turn the volume down" in loudness.warning.value
    for name in ("Ladle", "Cauldron", "Skewer", "Wok"):
        loudness.controls["earphone"].value = name
        jump = loudness._jump(name, loudness.settings.added_ohm, loudness.settings.output_ohm)
        assert name in loudness.warning.value
        assert f"{jump.rise_db:.1f} dB louder" in loudness.warning.value
        assert jump.worst_db >= jump.rise_db - 1e-9
        assert loudness.view.sentence.startswith(jump.warning)
    before = loudness.warning.value
    loudness.undo.click()
    assert loudness.warning.value != before
    loudness.controls["added_ohm"].value = 0.0
    assert "no resistor to take out" in loudness.warning.value
    loudness.reset.click()


@pytest.mark.source("analytic", ref="a recovered impedance's worst rise is the end of its 95 % band, not its middle")
def test_worst_case_of_a_recovered_impedance_holds_its_band(loudness: LoudnessPanel) -> None:
    jump = loudness._jump("Skewer", 15.0, 0.6)
    assert jump.worst_db > -jump.loudness.least_db
    assert jump.worst_db == pytest.approx(-jump.prediction.low_db.min())


@pytest.mark.source(
    "published", ref="WHO/ITU H.870: 40 h a week at 80 dB(A), equal energy; NIOSH: 8 h a day at 85 dB(A)"
)
def test_times_follow_level_and_guidance(loudness: LoudnessPanel) -> None:
    loudness.reset.click()
    loudness.controls["level_dba"].value = 80.0
    assert "allows 40 h a week" in loudness.view.sentence
    rise = loudness._jump(loudness.settings.earphone, 15.0, loudness.settings.output_ohm).rise_dba
    marks = {line.label: (line.x[0], line.y[0]) for line in loudness.figure.charts[1].lines[1:]}
    assert marks["taken out"] == (pytest.approx(80 + rise), pytest.approx(WHO_ADULTS.allowed_hours(80 + rise)))
    loudness.controls["guide"].value = NIOSH.name
    loudness.controls["level_dba"].value = 85.0
    assert "allows 8.0 h a day" in loudness.view.sentence
    assert any("diffuse-field" in caveat for caveat in loudness.view.draft.caveats)
    assert any("not confirmed" in caveat for caveat in loudness.view.draft.caveats)
    loudness.reset.click()


def test_tables_name_every_earphone(study: Study, earphones: dict[str, KnownEarphone], loudness: LoudnessPanel) -> None:
    tables = (loudness.jumps(), DrivePanel(study, earphones).drives(), HissPanel(study, earphones).hisses())
    for table in tables:
        assert list(table["earphone"]) == list(study.names)
        assert not table.isna().any().any()


@pytest.mark.source(
    "analytic", ref="equal loudness: noise after the volume control falls, noise before it hardly moves"
)
def test_hiss_says_where_it_helps(study: Study, earphones: dict[str, KnownEarphone]) -> None:
    hiss = HissPanel(study, earphones, earphone="Spoon")
    hiss.controls["arises"].value = AFTER
    assert "4.1 dB less hiss" in hiss.view.sentence
    after = hiss.figure.charts[0].lines[1].y
    hiss.controls["arises"].value = BEFORE
    assert "the same hiss" in hiss.view.sentence
    np.testing.assert_allclose(hiss.figure.charts[0].lines[1].y, hiss.figure.charts[0].lines[0].y, atol=0.05)
    assert np.nanmax(after) < np.nanmax(hiss.figure.charts[0].lines[1].y)


def test_drive_says_when_an_amplifier_cannot(study: Study, earphones: dict[str, KnownEarphone]) -> None:
    drive = DrivePanel(study, earphones, earphone="Cauldron")
    drive.controls["level_db"].value = 105.0
    drive.controls["highest_v"].value = 0.5
    assert "cannot" in drive.view.sentence
    drive.controls["supply_v"].value = 1.0
    drive.controls["highest_v"].value = 10.0
    assert "half of its supply" in drive.view.sentence


@pytest.mark.source("published", ref="ITU-T H.870: 80 dB(A) for 40 h a week, equal energy: 10^-4 of it at 120 dB, 14 s")
def test_drive_cautions_where_it_gets_loud(study: Study, earphones: dict[str, KnownEarphone]) -> None:
    drive = DrivePanel(study, earphones)
    assert "Caution" not in drive.view.sentence
    drive.controls["level_db"].value = 120.0
    assert "WHO/ITU H.870 for adults allows 14 s a week" in drive.view.sentence
    assert "e+" not in drive.view.sentence + drive.table.to_string() + drive.drives().to_string()
    assert " mW into heat a side" in drive.view.sentence


def test_what_is_missing_is_said_and_not_guessed(study: Study, earphones: dict[str, KnownEarphone]) -> None:
    table = study.earphones.copy()
    table.loc[table["earphone"] == "Ladle", ["sensitivity_db", "sensitivity_reference"]] = [float("nan"), None]
    table.loc[table["earphone"] == "Spoon", "rated_ohm"] = float("nan")
    bare = replace(study, earphones=table)
    assert know_sensitivity(bare, "Ladle") == (None, "earphones.csv states no sensitivity")
    stated, why = know_sensitivity(bare, "Spoon")
    assert stated is None
    assert "rated impedance" in why
    known = {**earphones}
    for name in ("Ladle", "Spoon"):
        sensitivity, origin = know_sensitivity(bare, name)
        known[name] = replace(earphones[name], sensitivity=sensitivity, sensitivity_origin=origin)
    table = list_known(known).set_index("earphone")
    assert set(table.index[table["can be asked for"] == "loudness only"]) == {"Ladle", "Spoon"}
    assert table.loc["Ladle", "sensitivity"] == "earphones.csv states no sensitivity"
    assert "Ladle" not in DrivePanel(bare, known).controls["earphone"].options
    assert "Ladle" in LoudnessPanel(bare, known).controls["earphone"].options
    assert choose_usable({"Ladle": known["Ladle"]}, sensitivity=True) == []
    with pytest.raises(StudyError, match="states no sensitivity"):
        stated_sensitivity(known["Ladle"])


def test_panels_open_where_nothing_is_known(study: Study, earphones: dict[str, KnownEarphone]) -> None:
    unknown = KnownImpedance(label="Ladle", impedance=None, origin="nobody measured it")
    bare = {"Ladle": replace(earphones["Ladle"], known=unknown, sensitivity=None, response_db=None)}
    loudness = LoudnessPanel(study, bare)
    assert "turn the volume all the way down" in loudness.warning.value
    assert loudness.children[0] is loudness.warning
    assert list(loudness.jumps()["impedance"]) == ["nobody measured it"]
    assert list(list_known(bare)["can be asked for"]) == ["nothing"]
    for panel, table in ((DrivePanel(study, bare), "drives"), (HissPanel(study, bare), "hisses")):
        assert "No earphone has both" in panel.view.sentence
        assert panel.view.draft is None
        assert getattr(panel, table)().empty


def test_what_is_known_can_be_gathered_without_a_screen(study: Study) -> None:
    few = replace(
        study,
        earphones=study.earphones.iloc[:1],
        measurements=study.measurements[study.measurements["earphone"] == "Ladle"],
    )
    known = know_earphones(few, compare_study(few))
    assert list(known) == ["Ladle"]
    assert known["Ladle"].sensitivity_origin.startswith("104 dB/mW, rated 18 ohm")
