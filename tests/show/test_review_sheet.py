"""The review sheet: one page an earphone, as a page and as a picture, from the same values."""

from __future__ import annotations

import base64
import dataclasses
import html.parser
import io
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from browser_fixtures import CHROMIUM, CHROMIUM_FLAGS, LAPTOP
from PIL import Image
from show.shelf import ALONE, FORMULA, NASTY, shelf

from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.values import Impedance
from ohmshift.errors import StudyError
from ohmshift.show.earphone_charts import draw_sheet_charts
from ohmshift.show.earphone_facts import _jump, file_names, gather_facts
from ohmshift.show.earphone_wording import SAFETY, cautions, fact_rows, say_limit
from ohmshift.show.review_sheet import ReviewSheet, compose_sheet, sheet_html, write_review_sheets
from ohmshift.show.sheet_picture import PAGE_PX, draw_sheet_picture
from ohmshift.study.impedances import KnownImpedance

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from playwright.sync_api import Page

    from ohmshift.show.earphone_facts import EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

PAPERS = ("A4", "Letter")
SEVERE = {"serious", "critical"}


@pytest.fixture(scope="module")
def study() -> Study:
    return shelf().study


@pytest.fixture(scope="module")
def comparison() -> StudyComparison:
    return shelf().comparison


@pytest.fixture(scope="module")
def facts() -> dict[str, EarphoneFacts]:
    return shelf().facts


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    known, out = shelf(), tmp_path_factory.mktemp("out")
    names = ["Skewer", ALONE]
    write_review_sheets(known.study, known.comparison, out, earphones=names, facts=list(known.facts.values()))
    return out


@pytest.fixture(scope="module")
def sheets(study: Study, facts: dict[str, EarphoneFacts]) -> dict[str, ReviewSheet]:
    return {name: compose_sheet(study, one) for name, one in facts.items()}


class Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def test_sheet_says_what_the_package_found(facts: dict[str, EarphoneFacts], comparison: StudyComparison) -> None:
    rows = dict(fact_rows(facts["Skewer"]))
    verdict, change = comparison.verdict("Skewer", 15.0), comparison.change("Skewer", 15.0)
    assert rows["Verdict"] == verdict.sentence
    assert rows["Size of the tonal change"].startswith(f"{change.size_db:.2f} dB")
    assert verdict.level_drop_interval_db is not None
    assert f"{change.level_drop_db:+.1f} dB (95 %: {verdict.level_drop_interval_db[0]:+.1f}" in rows["Level"]
    impedance = facts["Skewer"].known.impedance
    assert isinstance(impedance, RecoveredImpedance)
    at = int(np.argmin(np.abs(impedance.frequency_hz - 1000)))
    band = f"(95 %: {impedance.low_ohm[at]:.3g} to {impedance.high_ohm[at]:.3g})"
    assert rows["Impedance"].startswith(f"{abs(impedance.impedance_ohm[at]):.3g} ohm at 1 kHz {band}")
    limit = highest_source_ohm(impedance, tolerance_db=1.0)
    wanted = f"{limit.source_ohm:.2g} ohm (95 %: {limit.low_ohm:.2g} to {limit.high_ohm:.2g})"
    assert rows["Highest source impedance for 1 dB"].startswith(wanted)


@pytest.mark.source("analytic", ref="two halves of one resistor: 16 + 16 ohm of 32 lose 20 log10(1/2) = -6.02 dB")
def test_jump_is_predicted_where_the_level_was_lost(facts: dict[str, EarphoneFacts]) -> None:
    one = facts[FORMULA]
    assert one.main is not None
    assert not one.main.level_known
    assert one.jump_origin == "predicted"
    assert "2.6 dB on average, predicted from its impedance" in cautions(one)[0]
    f = np.geomspace(20, 20_000, 60)
    flat = Impedance(frequency_hz=f, impedance_ohm=np.full(60, 16.0 - 0.85), label="flat")
    known = KnownImpedance(label="flat", impedance=flat, origin="measured")
    halved = dataclasses.replace(one.main, added_ohm=16.0)

    assert _jump((halved,), known, 0.85) == (pytest.approx(20 * np.log10(2)), "predicted")


def test_cautions_come_once_and_the_jump_comes_first(facts: dict[str, EarphoneFacts]) -> None:
    for name, one in facts.items():
        said = cautions(one)
        assert len(said) == len(set(said))
        assert all(text.endswith(".") for text in said)
        if one.main is not None:
            assert said[0].startswith("Taking the 15 ohm out raises the level"), name
            assert "Turn the volume down first" in said[0]
    assert cautions(facts[ALONE]) == ()


def test_limit_names_an_end_that_is_open(facts: dict[str, EarphoneFacts]) -> None:
    one = facts["Skewer"]
    assert one.limit is not None
    open_end = dataclasses.replace(one.limit, high_ohm=np.inf)
    assert "to above 1000)" in say_limit(dataclasses.replace(one, limit=open_end))
    nowhere = dataclasses.replace(one.limit, source_ohm=np.inf, low_ohm=np.inf, high_ohm=np.inf)
    assert say_limit(dataclasses.replace(one, limit=nowhere)) == "even 1000 ohm keeps within it"
    assert say_limit(facts[ALONE]) == "not known, because no impedance is"


def test_charts_hold_the_facts(facts: dict[str, EarphoneFacts]) -> None:
    one = facts["Skewer"]
    response, change, impedance = draw_sheet_charts(one)
    assert one.main is not None
    without, with_added = response.lines
    np.testing.assert_array_equal(without.y, one.without_db)
    np.testing.assert_allclose(
        with_added.y - without.y, one.main.change.change_db + one.main.change.level_drop_db, atol=1e-12
    )
    assert change.title.startswith("Skewer: change with 15 ohm added")
    assert impedance.bands[0].label == "95 % interval"
    assert all(chart.alt_text for chart in (response, change, impedance))
    assert "made equal" not in response.title
    assert draw_sheet_charts(facts[FORMULA])[0].title.endswith("with 15 ohm added, levels made equal")
    assert draw_sheet_charts(facts[ALONE]) == ()


def test_headline_says_with_what(sheets: dict[str, ReviewSheet], comparison: StudyComparison) -> None:
    assert sheets["Skewer"].headline == f"With 15 ohm added. {comparison.verdict('Skewer', 15.0).sentence}"


def test_page_escapes_describes_and_fetches_nothing(sheets: dict[str, ReviewSheet]) -> None:
    page = sheet_html(sheets[NASTY])
    tags = Tags(page).found
    assert not {"script", "i", "b", "link"} & {tag for tag, _ in tags}
    pictures = [attributes for tag, attributes in tags if tag == "img"]
    assert len(pictures) == 3
    for picture in pictures:
        assert str(picture["src"]).startswith("data:image/svg+xml;base64,")
        assert picture["alt"]
        assert b"<script" not in base64.b64decode(str(picture["src"]).partition(",")[2])
    assert not re.search(r"https?://|url\(|@import", page)
    for row in (*sheets[NASTY].rows, ("Cautions", SAFETY)):
        assert row[0] in page


def test_picture_is_one_page_with_ink(written: Path) -> None:
    for name in ("skewer", "thimble"):
        with Image.open(written / f"{name}.png") as picture:
            assert picture.size == PAGE_PX
            dark = np.asarray(picture.convert("L")) < 128
        edge = 60
        assert not dark[:edge].any()
        assert not dark[-edge:].any()
        assert not dark[:, :edge].any()
        assert not dark[:, -edge:].any(), "nothing runs off the page"
        assert dark.mean() > 0.005


def test_picture_counts_what_does_not_fit(sheets: dict[str, ReviewSheet]) -> None:
    long = dataclasses.replace(
        sheets["Skewer"],
        cautions=tuple(f"Caution {k}: {'the seal leaks ' * 12}" for k in range(60)),
        rows=sheets["Skewer"].rows * 8,
        name="W" * 400,
    )
    with Image.open(io.BytesIO(draw_sheet_picture(long))) as picture:
        dark = np.asarray(picture.convert("L")) < 128
    assert picture.size == PAGE_PX
    assert not dark[-60:].any()
    assert not dark[:, -60:].any()


def test_same_inputs_give_the_same_bytes(
    study: Study, comparison: StudyComparison, written: Path, tmp_path: Path
) -> None:
    seen: list[str] = []

    def note(names: Iterable[str]) -> Iterator[str]:
        for name in names:
            seen.append(name)
            yield name

    again = write_review_sheets(study, comparison, tmp_path, earphones=["Skewer"], progress=note)
    assert [path.name for path in again] == ["skewer.html", "skewer.png"]
    assert seen == ["Skewer"]
    for path in again:
        assert path.read_bytes() == (written / path.name).read_bytes()


def test_a_date_is_stated_and_a_stranger_refused(study: Study, comparison: StudyComparison, tmp_path: Path) -> None:
    page, _ = write_review_sheets(study, comparison, tmp_path, earphones=[ALONE], date="1 May 2031")
    text = page.read_text(encoding="utf-8")
    assert "1 May 2031" in text
    assert "Not compared" in text
    with pytest.raises(StudyError, match="nobody"):
        write_review_sheets(study, comparison, tmp_path, earphones=["nobody"])


def test_file_names_are_safe_and_apart() -> None:
    names = ["a/b", "a b", "A-B", "..", "", "x" * 300, NASTY]
    given = file_names(names)
    assert len(set(given.values())) == len(names)
    assert all(re.fullmatch(r"[\w-]{1,64}", name) for name in given.values())


def test_facts_of_an_earphone_nobody_measured(study: Study, comparison: StudyComparison) -> None:
    one = gather_facts(study, comparison, ALONE)
    assert one.main is None
    assert one.limit is None
    assert one.frequency_hz.size == 0
    assert one.driver_count is None


@pytest.fixture(scope="module")
def browser_page(browser_present: None) -> Iterator[Page]:  # noqa: ARG001
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - not there without a browser

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        yield started.new_context(offline=True, viewport=LAPTOP).new_page()
        started.close()


def test_prints_on_one_page_and_serves_all_readers(written: Path, browser_page: Page) -> None:
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - not there without a browser

    for name in ("thimble", "skewer"):
        browser_page.goto((written / f"{name}.html").as_uri())
        assert browser_page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth > 0)")
        for paper in PAPERS:
            printed = browser_page.pdf(format=paper)
            assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1, (name, paper)
    found = Axe().run(browser_page).response["violations"]
    assert [one["id"] for one in found if one["impact"] in SEVERE] == []
