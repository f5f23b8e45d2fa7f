"""The collection page: every earphone in a table, the package's own numbers, everything escaped, nothing fetched."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import html.parser
import json
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from show.shelf import ALONE, FORMULA, NAMES, NASTY, shelf

from ohmshift.chain.prediction import level_drop, source_change_db
from ohmshift.curves.smoothing import band_levels
from ohmshift.evidence.repeats import default_bands
from ohmshift.show.collection_page import COLLECTION_PAGE, write_collection_page
from ohmshift.show.collection_rows import NOT_COMPARED
from ohmshift.study.collections import collect_study

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study


@pytest.fixture(scope="module")
def study() -> Study:
    return shelf().study


@pytest.fixture(scope="module")
def comparison() -> StudyComparison:
    return shelf().comparison


@pytest.fixture(scope="module")
def facts() -> tuple[EarphoneFacts, ...]:
    return tuple(shelf().facts.values())


@pytest.fixture(scope="module")
def page(
    study: Study,
    comparison: StudyComparison,
    facts: tuple[EarphoneFacts, ...],
    tmp_path_factory: pytest.TempPathFactory,
) -> str:
    (written,) = write_collection_page(study, comparison, tmp_path_factory.mktemp("out"), facts=facts)
    return written.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def data(page: str) -> dict[str, Any]:
    return dict(json.loads(data_text(page)))


class Parts(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.rows: list[list[tuple[str, dict[str, str | None]]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in {"td", "th"}:
            self.rows[-1].append((tag, dict(attrs)))


def data_text(page: str) -> str:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.DOTALL)
    assert found is not None
    return found[1]


def unpack(text: str) -> np.ndarray:
    return np.frombuffer(base64.b64decode(text), dtype="<f4").astype(float)


def weigh(packed: dict[str, Any], values: np.ndarray) -> float:
    weights = unpack(packed["weights"])
    return float(weights @ values[packed["first"] : packed["first"] + weights.size])


def test_what_users_wrote_is_escaped(page: str, data: dict[str, Any]) -> None:
    tags = [tag for tag, _ in Parts(page).tags]
    assert tags.count("script") == 2
    assert "i" not in tags
    assert "b" not in tags
    text = data_text(page)
    assert not set(text) & {"<", ">", "&", "\u2028", "\u2029"}
    assert data["earphones"][0]["name"] == NASTY
    assert "&lt;/script&gt;" in page


def test_nothing_is_fetched_and_only_its_own_script_may_run(page: str) -> None:
    for tag, attributes in Parts(page).tags:
        assert not {"src", "style", "onclick"} & set(attributes), tag
        assert (attributes.get("href") or "#").startswith("#")
    assert not re.search(r"url\((?!#)|@import|https?:", re.sub(r'"http://www.w3.org/2000/svg"', "", page))
    policy = next(a["content"] for tag, a in Parts(page).tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    assert "default-src 'none'" in policy
    own = re.findall(r"<script>(.*?)</script>|<style>(.*?)</style>", page, re.DOTALL)
    hashes = [base64.b64encode(hashlib.sha256("".join(pair).encode()).digest()).decode() for pair in own]
    assert len(hashes) == 2
    assert all(f"'sha256-{value}'" in policy for value in hashes)


def test_same_inputs_give_the_same_bytes(
    study: Study, comparison: StudyComparison, facts: tuple[EarphoneFacts, ...], page: str, tmp_path: Path
) -> None:
    write_collection_page(study, comparison, tmp_path / "again")
    assert (tmp_path / "again" / COLLECTION_PAGE).read_bytes() == page.encode()
    write_collection_page(study, comparison, tmp_path / "dated", facts=facts, date="1 May 2031")
    assert b"Built on 1 May 2031. " in (tmp_path / "dated" / COLLECTION_PAGE).read_bytes()


def test_table_is_a_table(page: str, study: Study) -> None:
    head, *rows = Parts(page).rows
    assert all(attributes["scope"] == "col" for _, attributes in head)
    assert len(rows) == len(study.names) == len(NAMES) + 1
    for row in rows:
        assert len(row) == len(head)
        assert row[0][0] == "th"
        assert row[0][1]["scope"] == "row"
    pictures = [attributes for tag, attributes in Parts(page).tags if tag == "svg"]
    assert len(pictures) == 2 * len(NAMES)
    assert all(attributes["role"] == "img" and attributes["aria-label"] for attributes in pictures)


def test_rows_say_what_the_package_says(page: str, study: Study, comparison: StudyComparison) -> None:
    head, *rows = Parts(page).rows
    keys = [attributes.get("data-key") for _, attributes in head]
    shown = {str(row[0][1]["data-value"]): {k: cell[1] for k, cell in zip(keys, row, strict=True)} for row in rows}
    collection = collect_study(study, comparison)
    assert set(shown) == {*(one.label for one in collection.earphones), ALONE}
    for one in collection.earphones:
        row = shown[one.label]
        assert row["size"]["data-value"] == f"{comparison.change(one.label, 15.0).size_db:.6g}", "as sure digits allow"
        ohm = float(str(row["ohm"]["data-value"]))
        assert ohm == pytest.approx(one.impedance.at_1khz_ohm, rel=1e-3)
        assert row["origin"]["data-value"] == one.impedance.origin
    assert shown[ALONE]["size"]["data-value"] == shown[ALONE]["limit"]["data-value"] == ""
    assert shown[FORMULA]["level"]["data-value"] == "", "its levels were normalised"
    assert NOT_COMPARED in page


def test_arrays_are_the_package_s_own_in_single_precision(
    data: dict[str, Any], facts: tuple[EarphoneFacts, ...]
) -> None:
    assert [one["name"] for one in data["earphones"]] == [one.name for one in facts]
    for packed, one in zip(data["earphones"], facts, strict=True):
        assert len(packed["conditions"]) == len(one.conditions)
        for found, wanted in zip(packed["conditions"], one.conditions, strict=True):
            np.testing.assert_array_equal(unpack(found["change_db"]), wanted.change.change_db.astype("f4"))
        if one.known.impedance is None:
            assert packed["impedance"] is None
            continue
        Z = unpack(packed["impedance"]["real"]) + 1j * unpack(packed["impedance"]["imaginary"])
        np.testing.assert_allclose(Z, one.known.ohms, rtol=1e-6)


def test_weights_make_the_package_s_levels_and_bands(data: dict[str, Any], facts: tuple[EarphoneFacts, ...]) -> None:
    for packed, one in zip(data["earphones"], facts, strict=True):
        if one.known.impedance is None:
            continue
        grid = data["grids"][packed["impedance"]["grid"]]
        change_db = source_change_db(one.known.ohms, source_ohm=33.0, start_ohm=1.0)
        wanted = level_drop(one.known.impedance, change_db, 200.0, 2000.0)
        assert weigh(grid["level"], change_db) == pytest.approx(float(wanted), abs=1e-5)
        bands = band_levels(one.known.frequency_hz, change_db, default_bands())
        for weights, band_db in zip(grid["bands"], bands, strict=True):
            assert (weights is None) == bool(np.isnan(band_db))
            assert weights is None or weigh(weights, change_db) == pytest.approx(float(band_db), abs=1e-5)


def test_resistances_have_a_column_where_they_differ(
    study: Study, comparison: StudyComparison, facts: tuple[EarphoneFacts, ...], page: str, tmp_path: Path
) -> None:
    assert "Added (ohm)</button>" not in page
    other = [dataclasses.replace(facts[0], conditions=facts[0].conditions[1:]), *facts[1:]]
    (written,) = write_collection_page(study, comparison, tmp_path, facts=other)
    head, *rows = Parts(written.read_text(encoding="utf-8")).rows
    place = [attributes.get("data-key") for _, attributes in head].index("added")
    added = {str(row[0][1]["data-value"]): row[place][1]["data-value"] for row in rows}
    assert added[NASTY] == "5"
    assert added["Skewer"] == "15"
    assert added[ALONE] == ""
    assert {len(row) for row in rows} == {len(head)}


def test_two_hundred_earphones_stay_below_five_megabytes(
    study: Study, comparison: StudyComparison, facts: tuple[EarphoneFacts, ...], tmp_path: Path
) -> None:
    many = [dataclasses.replace(facts[k % len(NAMES)], name=f"Spoon {k}") for k in range(200)]
    (written,) = write_collection_page(study, comparison, tmp_path, facts=many)
    assert written.stat().st_size < 5e6
    assert len(Parts(written.read_text(encoding="utf-8")).rows) == 201
