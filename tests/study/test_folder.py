"""A study opens with everything usable, and says what it left out and what looks odd."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.errors import CurveError, FileMissingError, StudyError
from ohmshift.study.folder import Study, open_study
from ohmshift.study.places import shipped_folder

if TYPE_CHECKING:
    from pathlib import Path

MEASUREMENTS = "file,earphone,channel,quantity,added_ohm,source_ohm,seat,level_reference,notes"
EARPHONES = "earphone,driver_class,driver_count,rated_ohm,sensitivity_db,sensitivity_reference,notes"
METER = "item,sample,conductor,reading_ohm,lead_ohm,meter,range_ohm,notes"
FREQUENCY_HZ = np.geomspace(20, 20_000, 300)


def write_curve(path: Path, values: np.ndarray, *, frequency_hz: np.ndarray = FREQUENCY_HZ) -> None:
    path.parent.mkdir(exist_ok=True)
    columns = np.column_stack([frequency_hz, values])
    np.savetxt(path, columns, fmt="%.6f", delimiter=",", header="frequency (Hz),level (dB)", comments="")


def write_impedance(path: Path, ohm: float) -> None:
    path.parent.mkdir(exist_ok=True)
    columns = np.column_stack([FREQUENCY_HZ, np.full(300, ohm), np.zeros(300)])
    header = "frequency (Hz),impedance (ohm),phase (deg)"
    np.savetxt(path, columns, fmt="%.6f", delimiter=",", header=header, comments="")


def level_db(seat: int, *, seed: int = 0) -> np.ndarray:
    """Give a tonal curve with a little variation from seat to seat."""
    rng = np.random.default_rng([seed, seat])
    return 100 + 5 * np.sin(np.log(FREQUENCY_HZ)) + 0.1 * rng.standard_normal(300)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Make a study of two earphones: Ladle both sides at 0 and 15 ohm with impedance, Wok left at 0 ohm."""
    text = 'title = "Pots"\nsource_ohm = 0.5\ncable_ohm = 0.25\n[margins]\nchange_db = 0.5\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    (tmp_path / "earphones.csv").write_text(f"{EARPHONES}\nLadle,dynamic,1,16,104,dB/mW,\nWok,planar,,,,,\n")
    (tmp_path / "meter.csv").write_text(f"{METER}\ncable,1,left,0.35,0.21,m,100,\n")
    rows = [
        (f"responses/ladle_{side}_{ohm}_{seat}.csv", f"Ladle,{side},response,{ohm},,{ohm}-{seat},absolute,")
        for side in ("left", "right")
        for ohm in (0, 15)
        for seat in (1, 2, 3)
    ]
    rows += [(f"responses/wok_{seat}.csv", f"Wok,left,response,0,2,{seat},relative,") for seat in (1, 2, 3)]
    for seed, (file, _) in enumerate(rows):
        write_curve(tmp_path / file, level_db(0, seed=seed))
    impedances = [(f"impedances/ladle_{side}.csv", f"Ladle,{side},impedance,,,,,") for side in ("left", "right")]
    for (file, _), ohm in zip(impedances, (16, 18), strict=True):
        write_impedance(tmp_path / file, ohm)
    lines = [f"{file},{rest}" for file, rest in rows + impedances]
    (tmp_path / "measurements.csv").write_text("\n".join([MEASUREMENTS, *lines]) + "\n")
    return tmp_path


def add_rows(folder: Path, *rows: str) -> None:
    with (folder / "measurements.csv").open("a") as handle:
        handle.writelines(f"{row}\n" for row in rows)


def listed(study: Study) -> list[tuple[str, int | None, str, str]]:
    return [(problem.file, problem.row, problem.column, problem.effect) for problem in study.problems]


@pytest.mark.parametrize(
    ("refused", "mended"),
    [
        ("f;dB\n0.2;80\n2;81\n60;83\n", "Frequency (kHz);Level (dB)\n0.2;80\n2;81\n60;83\n"),
        ("20;1.5;2\n300;2;3\n9000;3;1\n", "Frequency (Hz);Level (dB);Phase (deg)\n20;1.5;2\n300;2;3\n9000;3;1\n"),
        ("20, 1 2\n300, 3 4\n9000, 3 4\n", "Hz\tdB\tdeg\n20\t1\t2\n300\t3\t4\n9000\t3\t4\n"),
    ],
)
def test_what_a_study_says_of_a_refused_file_can_be_done_to_it(folder: Path, refused: str, mended: str) -> None:
    add_rows(folder, "responses/pan.txt,Ladle,left,response,0,,9,absolute,")
    file = folder / "responses" / "pan.txt"
    file.write_text(refused)
    (problem,) = open_study(folder).problems
    assert problem.file == "responses/pan.txt"
    assert "=" not in problem.mend  # nobody gives the reader a keyword here
    assert ("name each column with its unit" in problem.mend) == ("(" in mended)
    assert ("tabs between the columns" in problem.mend) == ("\t" in mended)
    file.write_text(mended)
    assert "responses/pan.txt" in open_study(folder).curves


def test_whole_study_opens_without_a_problem(folder: Path) -> None:
    study = open_study(folder)
    assert study.problems == ()
    assert study.names == ("Ladle", "Wok")
    assert (study.settings.title, study.settings.margin_db) == ("Pots", 0.5)
    assert study.resistances("Ladle") == (0.0, 15.0)
    assert study.resistances("Wok") == (0.0,)
    assert (len(study.measurements), len(study.meter), len(study.curves)) == (17, 1, 17)


@pytest.mark.source("analytic", ref="source of the chain = amplifier 0.5 + cable 0.25 ohm; for Wok 2 + 0.25 ohm")
def test_responses_of_a_condition(folder: Path) -> None:
    study = open_study(folder)
    both = study.responses("Ladle", added_ohm=15)
    assert both.channel == ("left",) * 3 + ("right",) * 3
    assert both.seat == ("15-1", "15-2", "15-3") * 2
    assert (both.added_ohm, both.source_ohm, both.level_reference, both.label) == (15.0, 0.75, "absolute", "Ladle")
    assert both.provenance[0].source == "responses/ladle_left_15_1.csv"
    assert str(both.history[0]) == "responses(channel=None, added_ohm=15, exclude=None)"
    left = study.responses("Ladle", channel="left", added_ohm=15)
    assert left.channel == ("left",) * 3
    wok = study.responses("Wok")
    assert (wok.source_ohm, wok.level_reference) == (2.25, "relative")
    assert (study.resistances("Ladle"), study.resistances("Wok")) == ((0.0, 15.0), (0.0,))


def test_file_named_by_the_user_is_left_out_of_a_set_and_recorded(folder: Path) -> None:
    study = open_study(folder)
    found = study.responses("Wok", exclude=["responses/wok_2.csv"])
    assert found.seat == ("1", "3")
    assert "exclude='responses/wok_2.csv'" in str(found.history[0])
    with pytest.raises(StudyError, match="names files of the study"):
        study.responses("Wok", exclude=["wok_2"])
    with pytest.raises(StudyError, match="resistances measured: 0"):
        study.responses("Wok", exclude=[f"responses/wok_{seat}.csv" for seat in (1, 2, 3)])


def test_question_without_an_answer_names_what_there_is(folder: Path) -> None:
    study = open_study(folder)
    with pytest.raises(StudyError, match="did you mean 'Ladle'"):
        study.responses("Ladel")
    with pytest.raises(StudyError, match="resistances measured: 0, 15"):
        study.responses("Ladle", added_ohm=33)
    with pytest.raises(StudyError, match="left or right"):
        study.responses("Ladle", channel="both")
    with pytest.raises(StudyError, match="no response right at 0 ohm"):
        study.responses("Wok", channel="right")
    with pytest.raises(StudyError, match="an impedance needs a file"):
        study.impedance("Wok")
    with pytest.raises(StudyError, match="none of this name"):
        study.data_hashes("Pan")


@pytest.mark.source("analytic", ref="mean of 16 and 18 ohm, both without phase, is 17 ohm")
def test_impedance_is_the_mean_of_the_channels(folder: Path) -> None:
    study = open_study(folder)
    assert study.has_impedance("Ladle")
    assert not study.has_impedance("Wok")
    assert not study.has_impedance("Wok", channel="left")
    both, right = study.impedance("Ladle"), study.impedance("Ladle", channel="right")
    np.testing.assert_allclose(both.impedance_ohm, 17 + 0j, atol=1e-9)
    np.testing.assert_allclose(right.impedance_ohm, 18 + 0j, atol=1e-9)
    assert both.provenance.source == "impedances/ladle_left.csv; impedances/ladle_right.csv"
    assert right.provenance.sha256


def test_hashes_are_those_of_the_files(folder: Path) -> None:
    import hashlib  # noqa: PLC0415 - only this test hashes

    study = open_study(folder)
    assert len(study.data_hashes()) == 17
    assert study.data_hashes("Wok") == {
        f"responses/wok_{seat}.csv": hashlib.sha256((folder / f"responses/wok_{seat}.csv").read_bytes()).hexdigest()
        for seat in (1, 2, 3)
    }


def test_summary_has_one_row_an_earphone(folder: Path) -> None:
    (folder / "responses/ladle_right_0_3.csv").unlink()
    table = open_study(folder).summary().set_index("earphone")
    assert list(table.index) == ["Ladle", "Wok"]
    assert table.loc["Ladle"].to_dict() == {
        "driver_class": "dynamic",
        "driver_count": 1,
        "rated_ohm": 16.0,
        "channels": "left, right",
        "resistances_ohm": "0, 15",
        "seats": "2 to 3",
        "impedance": True,
        "flagged": 0,
        "left_out": 1,
    }
    assert table.loc["Wok", ["resistances_ohm", "seats", "impedance"]].tolist() == ["0", "3", False]


def test_drivers_are_counted_in_whole_numbers_also_where_one_is_not_stated(folder: Path) -> None:
    text = (folder / "earphones.csv").read_text()
    (folder / "earphones.csv").write_text(text + "Whisk,not stated,,,,,\n")
    table = open_study(folder).summary()
    assert table[["driver_count"]].to_string(index=False, header=False, na_rep="-").split() == ["1", "-", "-"]


def test_earphone_whose_row_is_left_out_is_not_called_unlisted(folder: Path) -> None:
    text = (folder / "earphones.csv").read_text()
    (folder / "earphones.csv").write_text(text.replace("16,", "16 ohm,", 1))
    study = open_study(folder)
    assert [(problem.file, problem.effect) for problem in study.problems] == [("earphones.csv", "left out")]
    assert study.names == ("Wok", "Ladle")


def test_broken_and_missing_files_are_left_out_and_the_rest_opens(folder: Path) -> None:
    (folder / "responses/wok_1.csv").write_text("20 90\n30 loud\n40 91\n")
    (folder / "responses/wok_2.csv").rename(folder / "responses/wok_22.csv")
    (folder / "responses/ladle_left_0_1.csv").write_bytes(b"")
    (folder / "impedances/ladle_left.csv").unlink()
    (folder / "impedances/ladle_left.csv").mkdir()
    study = open_study(folder)
    problems = {problem.file if problem.row is None else problem.value: problem for problem in study.problems}
    assert len(problems) == 4
    assert {problem.effect for problem in study.problems} == {"left out"}
    assert problems["responses/wok_2.csv"].mend == "did you mean wok_22.csv?"
    assert next(p.row for p in study.problems if p.file == "responses/wok_1.csv") == 2
    assert study.responses("Wok").seat == ("3",)
    assert study.impedance("Ladle").provenance.source == "impedances/ladle_right.csv"
    assert len(study.curves) == 13


def test_missing_manifests_are_listed_and_the_rest_opens(folder: Path) -> None:
    (folder / "earphones.csv").unlink()
    (folder / "meter.csv").unlink()
    study = open_study(folder)
    assert [problem[0] for problem in listed(study) if problem[3] == "left out"] == ["earphones.csv"]
    assert len(study.meter) == 0, "a study may do without a meter"
    assert study.names == ("Ladle", "Wok")
    assert study.earphones["driver_class"].tolist() == ["not stated", "not stated"]
    assert study.earphones["driver_count"].isna().all()
    assert study.responses("Ladle").label == "Ladle"
    (folder / "measurements.csv").unlink()
    empty = open_study(folder)
    assert (empty.names, len(empty.measurements)) == ((), 0)
    assert len(empty.summary()) == 0


def test_unlisted_earphone_is_flagged_once_and_used(folder: Path) -> None:
    for seat in (1, 2):
        write_curve(folder / f"responses/x{seat}.csv", level_db(seat, seed=99))
    add_rows(folder, *(f"responses/x{seat}.csv,Ladel,left,response,0,,{seat},absolute," for seat in (1, 2)))
    study = open_study(folder)
    assert listed(study) == [("measurements.csv", 19, "earphone", "flagged")]
    assert "write 'Ladle' here" in study.problems[0].mend
    assert study.names == ("Ladle", "Wok", "Ladel")
    assert study.responses("Ladel").seat == ("1", "2")


def test_earphone_listed_twice_counts_once(folder: Path) -> None:
    with (folder / "earphones.csv").open("a") as handle:
        handle.write("Ladle,planar,2,,,,\n")
    study = open_study(folder)
    assert listed(study) == [("earphones.csv", 4, "earphone", "left out")]
    assert study.earphones["driver_class"].tolist() == ["dynamic", "planar"]


@pytest.mark.parametrize("link", ["responses/out.csv", "outside/out.csv"], ids=["file", "folder"])
def test_link_out_of_the_folder_is_refused(folder: Path, tmp_path_factory: pytest.TempPathFactory, link: str) -> None:
    outside = tmp_path_factory.mktemp("outside")
    write_curve(outside / "out.csv", level_db(1))
    path = folder / link
    if path.parent.exists():
        path.symlink_to(outside / "out.csv")
    else:
        path.parent.symlink_to(outside, target_is_directory=True)
    add_rows(folder, f"{link},Wok,left,response,0,2,9,relative,")
    study = open_study(folder)
    assert listed(study) == [("measurements.csv", 19, "file", "left out")]
    assert "inside the study folder" in study.problems[0].rule


def test_link_to_itself_is_refused(folder: Path) -> None:
    (folder / "responses/loop.csv").symlink_to(folder / "responses/loop.csv")
    add_rows(folder, "responses/loop.csv,Wok,left,response,0,2,9,relative,")
    study = open_study(folder)
    assert listed(study) == [("measurements.csv", 19, "file", "left out")]
    assert len(study.curves) == 17


def test_link_within_the_folder_is_followed(folder: Path) -> None:
    write_curve(folder / "recordings/take.csv", level_db(1, seed=77))
    (folder / "responses/link.csv").symlink_to(folder / "recordings/take.csv")
    add_rows(folder, "responses/link.csv,Wok,left,response,0,2,9,relative,")
    study = open_study(folder)
    assert study.problems == ()
    assert "9" in study.responses("Wok").seat


def test_study_may_be_reached_by_a_link_and_by_a_relative_path(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link = folder.parent / "by_link"
    link.symlink_to(folder, target_is_directory=True)
    assert open_study(link).problems == ()
    monkeypatch.chdir(folder.parent)
    assert open_study("by_link").problems == ()
    link.unlink()


def test_rows_that_contradict_an_earlier_one_are_left_out(folder: Path) -> None:
    for name in ("a", "b"):
        write_curve(folder / f"responses/{name}.csv", level_db(1, seed=ord(name)))
    add_rows(
        folder,
        "./responses//wok_1.csv,Wok,left,response,0,2,8,relative,",
        "responses/a.csv,Ladle,left,response,0,,0-1,absolute,",
        "responses/b.csv,Ladle,left,response,0,9,0-9,absolute,",
    )
    study = open_study(folder)
    assert listed(study) == [
        ("measurements.csv", 19, "file", "left out"),
        ("measurements.csv", 20, "seat", "left out"),
        ("measurements.csv", 21, "source_ohm", "left out"),
    ]
    assert "line 14 names it already" in study.problems[0].rule
    assert study.responses("Ladle", channel="left").seat == ("0-1", "0-2", "0-3")


def test_response_too_narrow_to_have_a_level_is_left_out(folder: Path) -> None:
    write_curve(folder / "responses/wok_1.csv", level_db(1)[:200], frequency_hz=np.geomspace(300, 20_000, 200))
    study = open_study(folder)
    assert listed(study) == [("measurements.csv", 14, "file", "left out")]
    assert "300 to 20000 Hz" in study.problems[0].value


def test_earphone_never_measured_without_the_resistance_is_flagged(folder: Path) -> None:
    manifest = folder / "measurements.csv"
    lines = manifest.read_text(encoding="utf-8").splitlines(keepends=True)
    manifest.write_text("".join(line for line in lines if ",Ladle,left,response,0," not in line), encoding="utf-8")
    assert open_study(folder).problems == ()  # the right side still has both
    manifest.write_text("".join(line for line in lines if "Ladle" not in line or ",response,0," not in line))
    assert listed(open_study(folder)) == [("measurements.csv", 2, "earphone", "flagged")]


def test_study_without_a_measurement_is_flagged(folder: Path) -> None:
    manifest = folder / "measurements.csv"
    manifest.write_text(manifest.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    (problem,) = open_study(folder).problems
    assert (problem.where, problem.effect) == ("measurements.csv", "flagged")
    assert "so far there is none" in problem.mend


def test_copy_is_flagged_and_used(folder: Path) -> None:
    shutil.copy(folder / "responses/wok_1.csv", folder / "responses/wok_3.csv")
    study = open_study(folder)
    assert listed(study) == [("responses/wok_3.csv", None, "duplicate", "flagged")]
    assert study.problems[0].value == "a copy of responses/wok_1.csv"
    assert study.responses("Wok").seat == ("1", "2", "3")
    flags = study.measurements.set_index("file")["flags"]
    assert flags[flags != ""].to_dict() == {"responses/wok_3.csv": "duplicate"}


@pytest.mark.parametrize(("offset_db", "flagged"), [(10.0, True), (-10.0, True), (2.0, False)])
def test_level_outlier_is_flagged_and_used(folder: Path, offset_db: float, *, flagged: bool) -> None:
    file = "responses/ladle_left_15_2.csv"
    write_curve(folder / file, level_db(0) + offset_db)
    study = open_study(folder)
    assert listed(study) == ([(file, None, "level", "flagged")] if flagged else [])
    assert study.responses("Ladle", channel="left", added_ohm=15).seat == ("15-1", "15-2", "15-3")
    if flagged:
        assert study.problems[0].value.startswith(f"{offset_db:+.0f}"[:3])


def test_relative_levels_are_not_compared(folder: Path) -> None:
    write_curve(folder / "responses/wok_2.csv", level_db(0) - 100)
    assert open_study(folder).problems == ()


def test_of_two_that_differ_both_are_flagged(folder: Path) -> None:
    (folder / "responses/ladle_left_15_3.csv").unlink()
    write_curve(folder / "responses/ladle_left_15_2.csv", level_db(0) + 10)
    flagged = [problem for problem in listed(open_study(folder)) if problem[3] == "flagged"]
    assert flagged == [(f"responses/ladle_left_15_{seat}.csv", None, "level", "flagged") for seat in (1, 2)]


def test_one_alone_is_not_compared(folder: Path) -> None:
    for seat in (2, 3):
        (folder / f"responses/ladle_left_15_{seat}.csv").unlink()
    write_curve(folder / "responses/ladle_left_15_1.csv", level_db(0) + 40)
    assert {problem[3] for problem in listed(open_study(folder))} == {"left out"}


@pytest.mark.source(
    "analytic", ref="a leak as a second-order high-pass: 20 log10 of f^2 / (f^2 + 60^2), -6 dB at 60 Hz"
)
def test_leaky_seat_is_flagged_and_used(folder: Path) -> None:
    file = "responses/wok_2.csv"
    leak_db = 20 * np.log10(FREQUENCY_HZ**2 / (FREQUENCY_HZ**2 + 60**2))
    write_curve(folder / file, level_db(0) + leak_db)
    study = open_study(folder)
    assert listed(study) == [(file, None, "seat", "flagged")]
    assert study.responses("Wok").seat == ("1", "2", "3")


def test_moved_resonance_is_no_outlying_seat(folder: Path) -> None:
    for seat, peak_hz in ((1, 7500), (2, 8000), (3, 9000)):
        peak = 12 * np.exp(-((np.log2(FREQUENCY_HZ / peak_hz) / 0.15) ** 2))
        write_curve(folder / f"responses/wok_{seat}.csv", level_db(seat) + peak)
    assert open_study(folder).problems == ()


def test_study_whose_seats_all_vary_is_not_flagged_throughout(folder: Path) -> None:
    rng = np.random.default_rng(7)
    for path in sorted((folder / "responses").iterdir()):
        slope = rng.normal(scale=1.5) * np.log2(FREQUENCY_HZ / 600)
        write_curve(path, level_db(0) + slope)
    flagged = [problem for problem in open_study(folder).problems if problem.effect == "flagged"]
    assert len(flagged) <= 1


def test_folder_that_is_no_study_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError, match="ohmshift new"):
        open_study(tmp_path / "nowhere")
    with pytest.raises(FileMissingError, match="ohmshift new"):
        open_study(tmp_path)


def test_progress_wraps_every_row(folder: Path) -> None:
    seen: list[int] = []

    def progress(rows: object) -> object:
        for item in rows:  # type: ignore[attr-defined]
            seen.append(item[0])
            yield item

    open_study(folder, progress=progress)  # type: ignore[arg-type]
    assert seen == list(range(2, 19))


def test_user_files_are_not_touched(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    study = open_study(folder)
    study.responses("Ladle", added_ohm=15)
    study.summary()
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_curves_without_a_common_band_are_refused_with_their_names(folder: Path) -> None:
    write_impedance(folder / "impedances/ladle_left.csv", 16)
    text = (folder / "impedances/ladle_left.csv").read_text().splitlines()
    (folder / "impedances/ladle_left.csv").write_text("\n".join(text[:100]) + "\n")
    (folder / "impedances/ladle_right.csv").write_text("\n".join([text[0], *text[200:]]) + "\n")
    with pytest.raises((StudyError, CurveError), match="band"):
        open_study(folder).impedance("Ladle")


def test_demo_study_has_the_flaws_it_says_and_no_other() -> None:
    demo = shipped_folder("data_demo")
    study = open_study(demo)
    assert {(problem.file, problem.column, problem.effect) for problem in study.problems} == {
        ("responses/tongs_left_0ohm_a3.csv", "seat", "flagged"),
        ("responses/skillet_right_0ohm_a2.txt", "level", "flagged"),
        ("responses/wok_left_15ohm_b3.csv", "duplicate", "flagged"),
    }
    assert len(study.curves) == sum(1 for line in (demo / "measurements.csv").read_text().splitlines()[1:] if line)
    assert study.responses("Cauldron").source_ohm == pytest.approx(2.25)
    assert study.resistances("Ladle") == (0.0, 5.0, 15.0, 33.0, 120.0)
    assert not study.has_impedance("Skewer")
