"""What others published: studies, tables, pictures and forms; matched, brought to one resistance, merged."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ohmshift.errors import StudyError
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.study.agreements import Chain, bring_to, check_claim, claim_estimate, list_claims, own_chain
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.contribution import ITEMS, LETTER_TEXT, OWN, contribution_form, is_blank, read_contribution
from ohmshift.study.folder import Study, open_study
from ohmshift.study.forests import grow_forest
from ohmshift.study.impedances import KnownImpedance, know_impedance
from ohmshift.study.merging import MergedStudies, merge_studies
from ohmshift.study.published import Published, check_published, open_published
from ohmshift.study.spellings import match_names, nearly_the_same

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
TRUTH = "data_demo/source/truth/true_published.csv and true_changes.csv: ngspice's impedances through the divider"
KEPT = ("Ladle", "Whisk", "Saucepan", "Tureen")
THEIRS = (*KEPT, "LADLE")


def keep_rows(path: Path, names: tuple[str, ...]) -> None:
    """Cut a table to some earphones, which makes a test quick."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(row for row in rows if row["earphone"] in names)


def small_demo(folder: Path) -> Path:
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("source", "findings", "recordings"))
    for part in (folder, folder / "published/canal_side"):
        for name in ("measurements.csv", "earphones.csv"):
            keep_rows(part / name, THEIRS)
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return open_study(small_demo(tmp_path_factory.mktemp("demo") / "study"))


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def published(study: Study) -> Published:
    return open_published(study)


@pytest.fixture(scope="module")
def merged(study: Study, comparison: StudyComparison, published: Published) -> MergedStudies:
    return merge_studies(study, comparison, list(published.contributors.values()))


def claim_of(published: Published, comparison: StudyComparison, name: str):
    return next(claim for claim in list_claims(published, comparison) if claim.name == name)


# ------------------------------------------------------------ reading and checking


def test_the_demo_is_read_whole(published: Published, comparison: StudyComparison):
    assert published.problems == ()
    assert list(published.contributors) == ["Canal Side"]
    assert [claim.name for claim in list_claims(published, comparison)] == [
        "Canal Side: Ladle, 33 ohm",
        "Canal Side: Whisk, 33 ohm",
        "Canal Side: Saucepan, 33 ohm",
        "Canal Side: Tureen, 33 ohm",
        "Counter Newsletter: Whisk, 75 ohm",
        "Repair Cafe: Tureen, 47 ohm",
    ]
    kinds = {claim.party: claim.kind for claim in list_claims(published, comparison)}
    assert kinds == {"Canal Side": "study", "Counter Newsletter": "curves", "Repair Cafe": "picture"}
    ladle = claim_of(published, comparison, "Canal Side: Ladle, 33 ohm")
    assert ladle.spelled == "LADLE"
    assert own_chain(comparison, ladle) == Chain(added_ohm=33.0, source_ohm=0.85)


@pytest.mark.source("independent", ref=TRUTH)
@pytest.mark.parametrize(
    ("name", "word"),
    [
        ("Canal Side: Ladle, 33 ohm", "reproduced"),
        ("Canal Side: Whisk, 33 ohm", "reproduced"),
        ("Canal Side: Tureen, 33 ohm", "reproduced"),
        ("Counter Newsletter: Whisk, 75 ohm", "reproduced"),
        ("Repair Cafe: Tureen, 47 ohm", "reproduced"),
        ("Canal Side: Saucepan, 33 ohm", "not reproduced"),
    ],
)
def test_what_is_true_is_reproduced_and_the_mislabelled_resistor_is_not(
    study: Study, comparison: StudyComparison, published: Published, name: str, word: str
):
    claim = claim_of(published, comparison, name)
    agreement = check_claim(claim, comparison, know_impedance(study, comparison, claim.earphone))
    assert agreement.first.word == word
    assert agreement.own.party == OWN
    assert agreement.own.added_ohm == agreement.theirs.added_ohm
    if claim.kind != "study":
        assert any("borrowed" in caveat for caveat in agreement.caveats)


@pytest.mark.source("independent", ref=TRUTH)
def test_a_change_brought_to_another_resistance_is_the_true_one(
    study: Study, comparison: StudyComparison, published: Published
):
    """Canal Side's Tureen at 33 ohm, brought to 15 ohm, against the first library's true change at 15 ohm."""
    claim = claim_of(published, comparison, "Canal Side: Tureen, 33 ohm")
    known = know_impedance(study, comparison, "Tureen")
    theirs = claim_estimate(claim, comparison.floor)
    brought = bring_to(theirs, known, start=claim.chain, end=own_chain(comparison, claim), floor=comparison.floor)
    with (DEMO / "source/truth/true_changes.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if (row["earphone"], row["added_ohm"]) == ("Tureen", "15")]
    true_db = np.mean([[float(value) for value in list(row.values())[4:]] for row in rows], axis=0)
    middle = (brought.bands.mid_hz > 90) & (brought.bands.mid_hz < 5600)
    # Seats and units: 0.2 dB a curve, three of each; and 2 % of a change of up to 4 dB.
    assert np.abs(brought.change_db - true_db)[middle].max() < 0.5
    assert np.abs(theirs.change_db - true_db)[middle].max() > 0.8
    assert brought.parts[-1] == "resistance"


def test_without_an_impedance_only_like_is_compared_with_like(comparison: StudyComparison, published: Published):
    nothing = KnownImpedance(label="Ladle", impedance=None, origin="nobody measured it")
    ladle = claim_of(published, comparison, "Canal Side: Ladle, 33 ohm")
    assert check_claim(ladle, comparison, nothing).first.word == "reproduced"
    with pytest.raises(StudyError, match="nobody measured it"):
        check_claim(claim_of(published, comparison, "Canal Side: Tureen, 33 ohm"), comparison, nothing)


def test_a_study_keeps_its_own_floor(comparison: StudyComparison, published: Published):
    theirs = published.contributors["Canal Side"].comparison
    own = comparison.floor.reseated
    assert set(theirs.floor.reseated.labels) <= set(THEIRS)
    assert not np.array_equal(theirs.floor.reseated.prior_variance_db2, own.prior_variance_db2)


def test_problems_name_file_line_rule_and_mend(tmp_path: Path):
    folder = small_demo(tmp_path / "study")
    shared = folder / "published"
    (shared / "published.csv").write_text(
        "file,party,earphone,added_ohm,source_ohm,shows,seats,error_db,notes\n"
        "newsletter_whisk_75ohm.csv,A,Whisk,seventy,1,change,1,0.05,\n"
        "missing.csv,B,Whisk,33,,change,,,\n"
        "../measurements.csv,C,Whisk,33,,change,,,\n"
        "repair_cafe_tureen.png,D,Tureen,33,,change,,,\n"
        "newsletter_whisk_75ohm.csv,E,Ladle,33,,without,,,\n",
        encoding="utf-8",
    )
    tracing = shared / "repair_cafe_tureen_with.trace.json"
    tracing.write_text(json.dumps(json.loads(tracing.read_text()) | {"colour": "red"}), encoding="utf-8")
    (shared / "canal_side/contribution.csv").write_text("item,answer\nparty,Canal Side\npermission,perhaps\n")
    (shared / "broken").mkdir()
    (shared / "broken/study.toml").write_text("title = x\n")
    found = [str(problem) for problem in check_published(open_study(folder))]
    for part in (
        "published/published.csv, line 2, added_ohm: it must be a number of ohms above 0, up to 1e9",
        "published/published.csv, line 3, file: the file must be there",
        "published/published.csv, line 4, file: a path stays inside published/",
        "published/published.csv, line 5, file: a curve or a table is a text file",
        "published/published.csv, line 6, shows: a curve without needs one with",
        "published/repair_cafe_tureen_with.trace.json: a tracing is whole",
        "published/repair_cafe_tureen_without.trace.json, shows: a curve without needs one with",
        "published/canal_side/contribution.csv, line 3, permission: permission is yes or no",
        "published/broken/study.toml: it must be valid TOML",
    ):
        assert any(text.startswith(part) for text in found), part


def test_curves_with_and_without_make_a_change(tmp_path: Path):
    folder = small_demo(tmp_path / "study")
    shared = folder / "published"
    for name, step in (("a", 0.0), ("b", 3.0)):
        rows = [f"{f:.2f},{90 - step * (f > 1000):.2f}" for f in np.geomspace(20, 20_000, 300)]
        (shared / f"{name}.csv").write_text("Frequency (Hz),Level (dB)\n" + "\n".join(rows), encoding="utf-8")
    (shared / "published.csv").write_text(
        "file,party,earphone,added_ohm,shows,seats,error_db\na.csv,A,Ladle,33,without,2,0.1\nb.csv,A,Ladle,33,with,2,0.1\n"
    )
    published = open_published(open_study(folder))
    (change,) = (change for change in published.changes if change.party == "A")
    assert change.seats == 2
    assert change.reading_db == pytest.approx(np.full(change.reading_db.size, 0.1 * np.sqrt(2)))
    assert np.interp(200, change.frequency_hz, change.change_db) == pytest.approx(0, abs=0.01)
    assert np.interp(5000, change.frequency_hz, change.change_db) == pytest.approx(-3, abs=0.01)
    assert [origin.source for origin in change.provenance] == ["published/a.csv", "published/b.csv"]


def test_links_and_bands_that_lead_nowhere_are_listed(study: Study, tmp_path: Path):
    shared = tmp_path / "published"
    shared.mkdir()
    (shared / "loop.csv").symlink_to("loop.csv")
    (shared / "out.csv").symlink_to(study.folder / "measurements.csv")
    for name, ends in (("low", (20, 100)), ("high", (1000, 20_000))):
        rows = [f"{f:.2f},90.0" for f in np.geomspace(*ends, 30)]
        (shared / f"{name}.csv").write_text("Frequency (Hz),Level (dB)\n" + "\n".join(rows), encoding="utf-8")
    (shared / "published.csv").write_text(
        "file,party,earphone,added_ohm,shows,seats,error_db\nloop.csv,A,Ladle,33,change,,\nout.csv,B,Ladle,33,change,,\n"
        'low.csv,C,Ladle,"33,5",without,2,"0,1"\nhigh.csv,C,Ladle,"33,5",with,2,"0,1"\n'
    )
    found = open_published(replace(study, folder=tmp_path))
    assert found.changes == ()
    told = {problem.row: problem.rule for problem in found.problems if problem.effect == "left out"}
    assert told[2] == told[3] == "a file lies in published/ (it is a link to elsewhere)"
    assert told[5] == "the curves without and with share a band"


# ------------------------------------------------------------ merging


def test_spellings_and_contradictions_are_listed(merged: MergedStudies):
    assert dict(merged.models["Ladle"]) == {OWN: "Ladle", "Canal Side": "LADLE"}
    assert any("'LADLE' for 'Ladle'" in problem.rule for problem in merged.problems)
    assert merged.left_out == frozenset()


def test_contradictory_facts_are_not_settled(study: Study, comparison: StudyComparison, published: Published):
    (contributor,) = published.contributors.values()
    table = contributor.study.earphones.copy()
    table.loc[table["earphone"] == "Whisk", "rated_ohm"] = 99.0
    other = replace(contributor, study=replace(contributor.study, earphones=table))
    merged = merge_studies(study, comparison, [other])
    (problem,) = (problem for problem in merged.problems if problem.column == "rated_ohm")
    assert "99.0 (Canal Side)" in problem.value
    assert f"({OWN})" in problem.value
    facts = merged.facts.set_index("earphone")
    assert facts["rated_ohm"].isna()["Whisk"]
    assert facts["driver_class"]["Whisk"] == "single balanced armature"


def test_a_copied_measurement_counts_once(study: Study, comparison: StudyComparison, published: Published):
    """Canal Side hands in one of the first library's own curves, in another format and at another level."""
    (contributor,) = published.contributors.values()
    own = study.curves["responses/whisk_left_0ohm_a1.txt"]
    file = "responses/whisk_left_0ohm_p1.csv"
    curves = dict(contributor.study.curves)
    curves[file] = replace(own, level_db=np.round(own.level_db - 3.2, 2), provenance=curves[file].provenance)
    other = replace(contributor, study=replace(contributor.study, curves=curves))
    merged = merge_studies(study, comparison, [other])
    assert merged.left_out == {("Canal Side", "Whisk")}
    (problem,) = (problem for problem in merged.problems if problem.effect == "left out")
    assert problem.file == f"published/{contributor.study.folder.name}/{file}"
    assert "responses/whisk_left_0ohm_a1.txt" in problem.rule
    assert [party.name for party in merged.counting("Whisk")] == [OWN]
    forest = grow_forest(merged, "Whisk", know_impedance(study, comparison, "Whisk"))
    assert forest.pooled is None
    assert "another party" in forest.left_out[0]


def test_a_file_under_two_models_names_is_flagged(study: Study, comparison: StudyComparison, published: Published):
    (contributor,) = published.contributors.values()
    own, file = next(name for name in study.curves if "saucepan_left_0ohm" in name), "responses/whisk_left_0ohm_p1.csv"
    curves = dict(contributor.study.curves)
    curves[file] = replace(curves[file], provenance=study.curves[own].provenance)
    merged = merge_studies(study, comparison, [replace(contributor, study=replace(contributor.study, curves=curves))])
    (problem,) = (problem for problem in merged.problems if "of Saucepan" in problem.rule)
    assert (problem.effect, problem.earphone, own in problem.rule) == ("flagged", "Whisk", True)
    assert merged.left_out == frozenset()


def test_without_permission_it_says_so(study: Study, comparison: StudyComparison, published: Published):
    (contributor,) = published.contributors.values()
    silent = replace(contributor, contribution=replace(contributor.contribution, permitted=False))
    merged = merge_studies(study, comparison, [silent])
    assert any("by permission alone" in problem.rule for problem in merged.problems)


def test_a_person_may_say_that_two_names_are_one(study: Study, comparison: StudyComparison, published: Published):
    (contributor,) = published.contributors.values()
    theirs = list(dict.fromkeys(name for name, _ in contributor.comparison.changes))
    merged = merge_studies(study, comparison, [contributor], spellings=dict.fromkeys(theirs, "Whisk"))
    assert {model: names["Canal Side"] for model, names in merged.models.items() if "Canal Side" in names} == {
        "Whisk": theirs[0]
    }
    assert [problem.earphone for problem in merged.problems if problem.effect == "left out"] == theirs[1:]
    assert [model for model, names in merged.models.items() if OWN in names] == list(KEPT)  # one's own stay four
    assert len(theirs) > 1
    assert match_names(["Wisk"], ["Whisk"], spellings={"Wisk": "Whisk"}) == {"Wisk": "Whisk"}
    assert nearly_the_same("Sauce pans", ["Saucepan", "Ladle"]) == "Saucepan"


def test_names_that_differ_in_marks_alone_are_one_only_where_no_other_is():
    assert match_names(["Wok"], ["Wok", "Wok+"]) == {"Wok": "Wok"}
    assert match_names(["WOK"], ["Wok", "Wok+"]) == {}
    assert match_names(["Wok", "Wok+"], ["Wok"]) == {"Wok": "Wok"}
    assert match_names(["★"], ["☆"]) == {}
    assert nearly_the_same("★", ["☆"]) is None


@pytest.mark.source("independent", ref=TRUTH)
def test_a_forest_holds_every_party_and_the_truth(
    study: Study, comparison: StudyComparison, published: Published, merged: MergedStudies
):
    claims = list_claims(published, comparison)
    forest = grow_forest(merged, "Whisk", know_impedance(study, comparison, "Whisk"), claims=claims)
    assert list(forest.table["party"]) == [OWN, "Canal Side", "Counter Newsletter"]
    assert forest.added_ohm == 33
    with (DEMO / "source/truth/true_changes.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if (row["earphone"], row["added_ohm"]) == ("Whisk", "33")]
    bands = np.mean([[float(value) for value in list(row.values())[4:13]] for row in rows])  # 25 to 160 Hz
    assert forest.pooled.low < bands < forest.pooled.high
    wrong = grow_forest(merged, "Saucepan", know_impedance(study, comparison, "Saucepan"))
    assert wrong.pooled.inconsistency > 0.9
    with pytest.raises(StudyError, match="nobody has"):
        grow_forest(merged, "Colander", know_impedance(study, comparison, "Whisk"))


# ------------------------------------------------------------ the form


def test_an_empty_form_is_blank_and_a_filled_one_permits(tmp_path: Path):
    (tmp_path / "contribution.csv").write_text(contribution_form(), encoding="utf-8")
    empty = read_contribution(tmp_path)
    assert is_blank(empty)
    assert not empty.permitted
    assert empty.party == tmp_path.name
    assert {problem.column for problem in empty.problems} == {"party", "permission", "measured", "drive", "seal"}
    filled = "item,answer\n" + "".join(f"{item},{'yes' if item == 'permission' else 'x'}\n" for item in ITEMS)
    (tmp_path / "contribution.csv").write_text(filled, encoding="utf-8")
    form = read_contribution(tmp_path)
    assert (form.party, form.permitted, form.problems) == ("x", True, ())


@pytest.mark.parametrize(
    ("text", "rule"),
    [
        (b"\xff\xfe\0", "CSV text in UTF-8"),
        (b"party,x\n", "first line begins item,answer"),
        (b"item,answer\nparty,x\nparty,y\n", "each line stands once"),
        (b"item,answer\nparrty,x\n", "no such line"),
        (b'item,answer\n"party,x\n', "CSV text in UTF-8"),
    ],
)
def test_a_broken_form_is_one_clear_problem(tmp_path: Path, text: bytes, rule: str):
    (tmp_path / "contribution.csv").write_bytes(text)
    assert any(rule in problem.rule for problem in read_contribution(tmp_path).problems)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
@pytest.mark.parametrize("shape", [("\n", "\r\n"), ("\n", "\r"), (",", ";"), ("item,", "\n\nitem,")])
def test_a_form_is_read_as_the_manifests_are(tmp_path: Path, encoding: str, shape: tuple[str, str]):
    text = 'item,answer\nremarks,"two\nlines"\nparty,Küche\npermission,perhaps\n'.replace(*shape)
    (tmp_path / "contribution.csv").write_bytes(text.encode(encoding))
    form = read_contribution(tmp_path)
    assert form.party == "Küche"
    line = text.replace("\r\n", "\n").replace("\r", "\n").split("permission")[0].count("\n") + 1
    assert [problem.row for problem in form.problems if problem.column == "permission"] == [line]


def test_no_other_party_is_called_as_ones_own(tmp_path: Path):
    (tmp_path / "contribution.csv").write_text(f"item,answer\nparty,{OWN.upper()}\n", encoding="utf-8")
    form = read_contribution(tmp_path)
    assert form.party == tmp_path.name
    assert any(problem.rule == "a party has a name of its own" for problem in form.problems)


def test_the_letter_fits_a_page():
    lines = LETTER_TEXT.splitlines()
    assert len(lines) < 50
    assert max(map(len, lines)) <= 120
    assert "ohmshift check" in LETTER_TEXT


def test_floors_of_parties_do_not_mix(published: Published):
    theirs = published.contributors["Canal Side"].comparison
    alone = estimate_noise_floor(theirs.aligned.values())
    np.testing.assert_allclose(alone.reseated.prior_variance_db2, theirs.floor.reseated.prior_variance_db2)
