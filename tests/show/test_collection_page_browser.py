"""The collection page in a real browser, from the disk and without a network: keyboard, sliders, data, all readers."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from browser_fixtures import CHROMIUM, CHROMIUM_FLAGS, LAPTOP
from show.shelf import ALONE, FORMULA, NAMES, NASTY, shelf

from ohmshift.chain.prediction import predict_change
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.smoothing import mean_levels
from ohmshift.show.collection_page import write_collection_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from ohmshift.show.earphone_facts import EarphoneFacts

DIVIDER = "voltage divider: level of |(Z + R_0)/(Z + S)|, Z and R_0 of the study, S amplifier, cable and added together"
PHONE = {"width": 390, "height": 844}
SEVERE = {"serious", "critical"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """The page on the disk, and the facts that it was made from."""

    address: str
    facts: dict[str, EarphoneFacts]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    known, out = shelf(), tmp_path_factory.mktemp("out")
    facts = list(known.facts.values())
    (path,) = write_collection_page(known.study, known.comparison, out, facts=facts, sheets="sheets")
    return Written(address=path.as_uri(), facts=known.facts)


@pytest.fixture(scope="module")
def browser(browser_present: None) -> Iterator[Browser]:  # noqa: ARG001
    """Start the browser once for this file."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - not there without a browser

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        yield started
        started.close()


@pytest.fixture
def collection(browser: Browser, written: Written) -> Iterator[Page]:
    """Open the page with the network off; an error, a user's script or a request beyond its own file fails the test."""
    context = browser.new_context(offline=True, viewport=LAPTOP)
    page, asked, wrong = context.new_page(), [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("dialog", lambda dialog: wrong.append(dialog.message))
    page.goto(written.address)
    yield page
    context.close()
    assert wrong == []
    assert {url.split("#")[0] for url in asked if not url.startswith("blob:")} == {written.address}


def names_shown(page: Page) -> list[str]:
    return list(
        page.eval_on_selector_all(
            "#rows tbody tr", "(rows) => rows.filter((r) => r.checkVisibility()).map((r) => r.cells[0].textContent)"
        )
    )


def column(page: Page, name: str) -> dict[str, str]:
    values = "(r) => [r.cells[0].textContent, r.querySelector(`[data-column=${name}]`).dataset.value]"
    return dict(page.eval_on_selector_all("#rows tbody tr", f"(rows, name) => rows.map({values})", name))


def set_source(page: Page, *, amplifier: float, added: float) -> None:
    for field, value in (("#amplifier", amplifier), ("#added", added)):
        page.fill(field, f"{value:g}")
        page.press(field, "Enter")
    page.wait_for_function(
        "(text) => document.getElementById('yours').textContent.includes(text)", arg=f"added {added:g} ohm"
    )


def divider_db(one: EarphoneFacts, *, amplifier: float, added: float) -> np.ndarray:
    Z = one.known.ohms
    return 20 * np.log10(np.abs((Z + one.source_ohm) / (Z + amplifier + 0.25 + added)))


def saved_csv(page: Page, button: str) -> tuple[str, list[dict[str, str]]]:
    with page.expect_download() as waiting:
        page.click(button)
    with open(waiting.value.path(), encoding="utf-8", newline="") as file:  # noqa: PTH123 - a path of the browser's
        text = file.read()
    return waiting.value.suggested_filename, list(csv.DictReader(io.StringIO(text)))


def open_one(page: Page, name: str) -> None:
    page.get_by_role("link", name=name, exact=True).click()
    page.wait_for_selector("#one:not([hidden])")


def test_sorts_and_filters_and_says_so(collection: Page, written: Written) -> None:
    sizes = {name: one.main.change.size_db for name, one in written.facts.items() if one.main is not None}
    by_size = sorted(sizes, key=lambda name: -sizes[name])
    assert names_shown(collection) == [*by_size, ALONE]
    head = collection.locator("th[data-key=size]")
    assert head.get_attribute("aria-sort") == "descending"
    head.get_by_role("button").focus()
    collection.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    assert names_shown(collection) == [*by_size[::-1], ALONE], "what is not known comes last either way"
    collection.wait_for_function("() => document.getElementById('status').textContent.includes('ascending')")
    collection.locator("th[data-key=name]").get_by_role("button").click()
    assert head.get_attribute("aria-sort") is None
    assert names_shown(collection)[2:5] == ["Kettle", "Löffel", "Skewer"]

    collection.select_option("#impedance", "recovered")
    assert names_shown(collection) == ["Skewer"]
    collection.wait_for_function("() => document.getElementById('status').textContent.startsWith('1 of 6')")
    collection.select_option("#impedance", "")
    collection.fill("#search", "BALANCED")
    assert set(names_shown(collection)) == {"Skewer", FORMULA}
    collection.fill("#search", "no such thing")
    assert names_shown(collection) == []
    assert collection.locator("#nothing").is_visible()
    collection.click("#show-all")
    assert len(names_shown(collection)) == len(NAMES) + 1


@pytest.mark.source("analytic", ref=DIVIDER)
def test_sliders_compute_the_divider_for_every_earphone(collection: Page, written: Written) -> None:
    collection.focus("#added-slider")
    for _ in range(20):
        collection.keyboard.press("ArrowRight")
    collection.wait_for_function("() => document.getElementById('yours').textContent.includes('added 25 ohm')")
    assert collection.input_value("#added") == "25"
    assert collection.get_attribute("#added-slider", "aria-valuetext") == "25 ohm"
    for amplifier, added in ((0.6, 25.0), (33.0, 0.0), (0.0, 120.0)):
        set_source(collection, amplifier=amplifier, added=added)
        levels, sizes = column(collection, "yourlevel"), column(collection, "yoursize")
        assert levels[ALONE] == sizes[ALONE] == ""
        for name, one in written.facts.items():
            if one.known.impedance is None:
                continue
            f, change_db = one.known.frequency_hz, divider_db(one, amplifier=amplifier, added=added)
            level_db = mean_levels(f, change_db, low_hz=[200.0], high_hz=[2000.0])[0]
            bands = default_band_levels(f, change_db)
            assert float(levels[name]) == pytest.approx(level_db, abs=2e-5), name
            assert float(sizes[name]) == pytest.approx(np.nanstd(bands), abs=2e-5), name


def default_band_levels(f: np.ndarray, change_db: np.ndarray) -> np.ndarray:
    """Give means over third octaves from 25 Hz to 16 kHz, IEC 61260-1."""
    mid_hz = 1000 * 10 ** (0.1 * np.arange(-16, 13))
    return mean_levels(f, change_db, low_hz=mid_hz * 10**-0.05, high_hz=mid_hz * 10**0.05)


@pytest.mark.source("analytic", ref=DIVIDER)
@pytest.mark.parametrize("name", ["Skewer", NASTY.replace("\u2028", "")])
def test_saved_data_are_the_package_s_numbers(collection: Page, written: Written, name: str) -> None:
    one = next(facts for key, facts in written.facts.items() if key.replace("\u2028", "") == name)
    collection.locator(f"#rows tbody tr:nth-child({names_shown(collection).index(one.name) + 1}) a").click()
    set_source(collection, amplifier=5.0, added=33.0)
    file, rows = saved_csv(collection, "#one-csv")
    assert re.fullmatch(r"[\w-]+\.csv", file)
    assert {row["earphone"] for row in rows} == {one.name}
    f = np.array([float(row["frequency_hz"]) for row in rows])
    np.testing.assert_allclose(f, one.known.frequency_hz, rtol=1e-6)
    wanted_db = divider_db(one, amplifier=5.0, added=33.0)
    predicted = np.array([float(row["predicted_change_db"]) for row in rows])
    np.testing.assert_allclose(predicted, wanted_db, atol=2e-5)
    assert one.main is not None
    for column_name, wanted in (
        ("without_db", one.without_db),
        ("with_15ohm_db", one.main.with_db),
        ("change_15ohm_db", one.main.change.change_db),
        ("impedance_real_ohm", one.known.ohms.real),
        ("impedance_imaginary_ohm", one.known.ohms.imag),
    ):
        values = np.array([float(row[column_name]) for row in rows])
        np.testing.assert_allclose(values, wanted, rtol=2e-6, atol=2e-6, err_msg=column_name)


def test_saved_table_runs_no_formula(collection: Page) -> None:
    _, rows = saved_csv(collection, "#table-csv")
    assert len(rows) == len(NAMES) + 1
    assert f"'{FORMULA}" in {row["Earphone"] for row in rows}
    for row in rows:
        for key, cell in row.items():
            assert not cell.startswith(("=", "@", "+")), (key, cell)
            assert not cell.startswith("-") or float(cell) < 0


@pytest.mark.source(
    "snapshot", ref="percentiles of the package's draws, which have outside checks; first order agrees within 15 %"
)
def test_band_of_the_prediction_is_the_package_s(collection: Page, written: Written) -> None:
    """The page's band is of first order in the admittance; the package's counts 300 draws."""
    open_one(collection, "Skewer")
    known = written.facts["Skewer"].known
    assert known.impedance is not None
    for added in (5.0, 15.0, 33.0):
        set_source(collection, amplifier=0.6, added=added)
        low_db, high_db, x = drawn_band(collection)
        assert x.size > 40
        wanted = predict_change(known.impedance, added_ohm=added, source_ohm=0.85)
        f = 20 * 1000**x
        wanted_low = np.interp(np.log(f), np.log(wanted.frequency_hz), wanted.tonal_low_db)
        wanted_high = np.interp(np.log(f), np.log(wanted.frequency_hz), wanted.tonal_high_db)
        ratio = (high_db - low_db) / (wanted_high - wanted_low)
        assert 0.85 < np.median(ratio) < 1.15
        assert np.abs((high_db + low_db - wanted_high - wanted_low) / 2).max() < 0.15 * (high_db - low_db).max()


def drawn_band(page: Page) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Read the band off the drawn picture: its edges [dB], and where across the frame from 0 to 1."""
    path = str(page.get_attribute("#change-chart .spread.third", "d"))
    points = np.array([[float(part) for part in pair.split()] for pair in path.strip("MZ").split("L")])
    frame = page.locator("#change-chart rect.frame")
    left, top, width, height = (float(str(frame.get_attribute(key))) for key in ("x", "y", "width", "height"))
    ticks: list[list[float]] = page.eval_on_selector_all(
        "#change-chart text[text-anchor=end]",
        "(all) => all.map((t) => [Number(t.textContent.replace('−', '-')), Number(t.getAttribute('y')) - 4.5])",
    )
    slope, start = np.polyfit([y for _, y in ticks], [db for db, _ in ticks], 1)
    count = len(points) // 2
    high, low = points[:count], points[count:][::-1]
    uncut = (high[:, 1] > top) & (low[:, 1] < top + height)
    x = (high[:, 0] - left) / width
    return (start + slope * low[:, 1])[uncut], (start + slope * high[:, 1])[uncut], x[uncut]


def test_keyboard_alone_goes_everywhere_and_back(collection: Page) -> None:
    collection.keyboard.press("Tab")
    assert collection.evaluate("document.activeElement.className") == "skip"
    assert collection.locator(".skip").bounding_box()["x"] >= 0  # type: ignore[index]
    collection.keyboard.press("Enter")
    assert collection.evaluate("document.activeElement.id") == "main"
    seen = walk(collection, until="#rows tbody a")
    assert {"amplifier-slider", "amplifier", "added-slider", "added", "search", "class", "verdict"} <= seen
    outline = collection.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "what has the focus shows it"
    name = collection.evaluate("document.activeElement.textContent")
    collection.keyboard.press("Enter")
    collection.wait_for_selector("#one:not([hidden])")
    assert collection.evaluate("document.activeElement.id") == "one-name"
    assert collection.evaluate("document.activeElement.textContent") == name
    assert name in collection.title()
    collection.keyboard.press("Shift+Tab")
    for _ in range(3):
        if collection.evaluate("document.activeElement.id") == "back":
            break
        collection.keyboard.press("Shift+Tab")
    collection.keyboard.press("Enter")
    collection.wait_for_selector("#list:not([hidden])")
    assert collection.evaluate("document.activeElement.textContent") == name


def walk(page: Page, *, until: str) -> set[str]:
    """Press Tab until something that fits has the focus, and give the ids on the way."""
    seen = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("(wanted) => document.activeElement.matches(wanted)", until):
            return seen
        seen.add(str(page.evaluate("document.activeElement.id")))
    pytest.fail(f"Tab never came to {until}; it went to {seen}")


def test_tab_leaves_the_page_at_its_end(collection: Page) -> None:
    open_one(collection, "Skewer")
    stops = [step(collection) for _ in range(40)]
    assert "BODY" in stops or "skip" in stops, "no control keeps the keyboard"
    assert {"one-csv", "next", "added-slider"} <= set(stops)


def step(page: Page) -> str:
    page.keyboard.press("Tab")
    return str(page.evaluate("(e => e.id || e.className || e.tagName)(document.activeElement)"))


def test_one_earphone_shows_all_its_resistances_and_numbers(collection: Page, written: Written) -> None:
    first = names_shown(collection).index(NASTY)
    collection.locator(f"#rows tbody tr:nth-child({first + 1}) a").click()
    one = written.facts[NASTY]
    wanted = [f"{found.added_ohm:g}" for found in one.conditions]
    assert collection.locator("#condition option").all_text_contents() == wanted
    assert len(wanted) == 4
    collection.select_option("#condition", "3")
    assert f"with {wanted[3]} ohm" in str(collection.get_attribute("#change-chart svg[role=img]", "aria-label"))
    before = collection.get_attribute("#change-chart .curve.third", "d")
    set_source(collection, amplifier=100.0, added=200.0)
    assert collection.get_attribute("#change-chart .curve.third", "d") != before
    change_db = divider_db(one, amplifier=100.0, added=200.0)
    level_db = float(mean_levels(one.known.frequency_hz, change_db, low_hz=[200.0], high_hz=[2000.0])[0])
    said = f"Going back raises the level by {-level_db:.1f} dB: turn the volume down first."
    assert said in str(collection.text_content("#yours"))
    collection.click("#numbers summary")
    table = collection.locator("#one-numbers")
    assert table.locator("tbody tr").count() == 29
    assert table.locator("thead th").count() == 9
    collection.go_back()
    collection.wait_for_selector("#list:not([hidden])")


def test_an_earphone_without_anything_is_shown_as_such(collection: Page) -> None:
    open_one(collection, "Löffel")
    assert collection.text_content("#one-name") == "Löffel"
    collection.go_back()
    open_one(collection, ALONE)
    assert collection.locator("#one figure:visible").count() == 0
    assert "is not known" in str(collection.text_content("#yours"))
    assert collection.get_attribute("#one-sheet", "href") == "sheets/thimble.html"
    assert collection.locator("#one-sheet").is_visible()
    file, rows = saved_csv(collection, "#one-csv")
    assert (file, rows) == ("thimble.csv", [])


def test_what_may_not_be_read_is_not_drawn_nor_counted(collection: Page, written: Written, tmp_path: Path) -> None:
    before = float(column(collection, "yoursize")["Skewer"])
    known, one = shelf(), written.facts["Skewer"]
    impedance = one.known.impedance
    assert isinstance(impedance, RecoveredImpedance)
    cut = dataclasses.replace(impedance, readable=impedance.frequency_hz < 1500)
    half = dataclasses.replace(one, known=dataclasses.replace(one.known, impedance=cut))
    (path,) = write_collection_page(known.study, known.comparison, tmp_path, facts=[half])
    other = collection.context.new_page()
    other.goto(path.as_uri())
    f, change_db = cut.frequency_hz, divider_db(one, amplifier=0.6, added=15.0)
    bands = default_band_levels(f, change_db)[:18]  # up to the band of 1.25 kHz, whose upper edge is 1413 Hz
    assert float(column(other, "yoursize")["Skewer"]) == pytest.approx(float(np.nanstd(bands)), abs=2e-5)
    assert float(column(other, "yoursize")["Skewer"]) < before
    open_one(other, "Skewer")
    assert "may not be read" in str(other.text_content("#change-chart figcaption"))
    frame = other.locator("#change-chart rect.frame")
    left, width = (float(str(frame.get_attribute(key))) for key in ("x", "width"))
    drawn = str(other.get_attribute("#change-chart .curve.third", "d")).strip("M").split("L")
    assert 20 * 1000 ** ((float(drawn[-1].split()[0]) - left) / width) == pytest.approx(1500, rel=0.02)


def test_a_wrong_number_changes_nothing(collection: Page) -> None:
    set_source(collection, amplifier=5.0, added=33.0)
    for wrong in ("-5", "5000", ""):
        collection.fill("#added", wrong)
        collection.press("#added", "Tab")
        assert collection.input_value("#added") == "33"
    assert "added 33 ohm" in str(collection.text_content("#yours"))
    collection.click("#own-source")
    collection.wait_for_function("() => document.getElementById('yours').textContent.includes('added 15 ohm')")


def test_no_serious_finding_of_accessibility(collection: Page) -> None:
    assert severe_findings(collection) == []
    open_one(collection, "Skewer")
    collection.click("#numbers summary")
    for colours in ("light", "dark"):
        collection.emulate_media(color_scheme=colours)
        assert severe_findings(collection) == []


def test_a_phone_holds_it_all(collection: Page, tmp_path: Path) -> None:
    collection.set_viewport_size(PHONE)
    assert collection.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert severe_findings(collection) == []
    open_one(collection, "Skewer")
    assert collection.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    frame = collection.locator("#change-chart svg[role=img]").bounding_box()
    assert frame is not None
    assert 300 < frame["width"] <= PHONE["width"], "drawn for the width, so that its text stays as large"
    collection.screenshot(path=tmp_path / "phone.png", full_page=True)


def severe_findings(page: Page) -> list[str]:
    """Run axe-core over the page, and give what it calls serious or critical."""
    from axe_playwright_python.sync_playwright import Axe  # noqa: PLC0415 - not there without a browser

    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html']}" for one in found if one["impact"] in SEVERE]
