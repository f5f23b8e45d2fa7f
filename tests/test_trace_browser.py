"""A curve read off a picture in a real browser: by mouse, and by keyboard alone.

Set OHMSHIFT_SHOTS to a folder to keep the screenshots.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import pytest
from browser_fixtures import wait_for_figures

from ohmshift.study.folder import open_study
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from browser_fixtures import Lab
    from playwright.sync_api import Locator, Page

    from ohmshift.study.folder import Study

CELL = """from ohmshift.show.panels.opening import open_here
from ohmshift.show.panels.trace import TracePanel
panel = TracePanel(open_here())
panel"""
TRUTH = "data_demo/source/truth/true_picture.csv: levels of the curves that were drawn"
PX = {"20 Hz": (90.5, 400.0), "20 kHz": (1170.5, 400.0), "60 dB": (600.0, 640.5), "120 dB": (600.0, 60.5)}
PICTURE = (1200, 720)


@pytest.fixture(scope="module")
def study(lab: Lab) -> Study:
    folder = demo_copy(lab.root / "study80")
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CELL)])
    book.metadata["kernelspec"] = {"display_name": "Python 3", "language": "python", "name": "python3"}
    nbformat.write(book, folder / "trace.ipynb")
    return open_study(folder)


def keep_shot(page: Page, name: str) -> None:
    folder = os.environ.get("OHMSHIFT_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png")


def frame(page: Page) -> tuple[float, float, float]:
    """Where the picture's frame lies on the page, left and top, and how many picture pixels a page pixel is."""
    found = page.evaluate(
        """() => {
          const doc = Bokeh.documents.find((doc) => doc.get_model_by_name('marks'));
          const view = [...Bokeh.index.roots].find((view) => view.model.document === doc);
          const box = view.frame.bbox;
          const own = view.el.getBoundingClientRect();
          return [own.left + box.left, own.top + box.top, box.width];
        }"""
    )
    return found[0], found[1], PICTURE[0] / found[2]


def click_at(page: Page, x_px: float, y_px: float) -> None:
    left, top, scale = frame(page)
    page.mouse.click(left + x_px / scale, top + y_px / scale)


def means(page: Page, name: str) -> None:
    """Say what the next click means."""
    page.get_by_role("button", name=name, exact=True).click()


def box(page: Page, label: str, place: int = 0) -> Locator:
    return page.locator(".widget-text", has_text=label).nth(place).locator("input")


def sentence(page: Page) -> str:
    return page.locator(".ohmshift-picture").first.get_attribute("aria-label") or ""


def wait_for_sentence(page: Page, part: str) -> None:
    keep_shot(page, "80_waiting")
    page.wait_for_function(
        "(part) => document.querySelector('.ohmshift-picture')?.getAttribute('aria-label')?.includes(part)",
        arg=part,
        timeout=60_000,
    )


def drawn(page: Page, source: str) -> dict[str, list[float]]:
    return page.evaluate(
        """(name) => Bokeh.documents.map((doc) => doc.get_model_by_name(name)).filter((s) => s)
        .map((s) => ({x: Array.from(s.data.x), y: Array.from(s.data.y)}))[0]""",
        source,
    )


def true_y_px(column: str, f_hz: float) -> float:
    lines = Path("data_demo/source/truth/true_picture.csv").read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index(column)
    rows = [[float(cell) for cell in line.split(",")] for line in lines[1:]]
    level = min(rows, key=lambda row: abs(row[0] / f_hz - 1))[place]
    return 640.5 - 580 * (level - 60) / 60


def type_numbers(page: Page) -> None:
    """By keyboard alone: the frequency of a point, then a correction."""
    number = box(page, "is (Hz)")
    number.focus()
    page.keyboard.press("Control+a")
    page.keyboard.type("10")
    page.keyboard.press("Tab")
    wait_for_sentence(page, " 10 Hz to 20")
    words = box(page, "Corrections (px)")
    words.focus()
    page.keyboard.type("700 200")
    page.keyboard.press("Enter")
    wait_for_sentence(page, "Corrections: 1")
    assert drawn(page, "points") == {"x": [700], "y": [200]}
    keep_shot(page, "80_by_keyboard")


@pytest.mark.source("analytic", ref=TRUTH)
def test_a_curve_is_traced_by_mouse_and_by_keyboard(lab: Lab, page: Page, study: Study) -> None:
    page.set_viewport_size({"width": 1280, "height": 1400})
    assert lab.run_all(page, "study80/trace.ipynb") == []
    wait_for_figures(page)
    page.locator(".ohmshift-picture").first.scroll_into_view_if_needed()
    wait_for_sentence(page, "2.4 pixels wide")
    keep_shot(page, "80_traced")

    # By mouse: both axes anew, then the other line.
    means(page, "1st frequency")
    for place in ("20 Hz", "20 kHz", "60 dB", "120 dB"):
        click_at(page, *PX[place])
        page.wait_for_timeout(700)  # two clicks faster than that are a double click
    x_1000 = 90.5 + 1080 * 1.69897 / 3
    click_at(page, x_1000, true_y_px("without_db", 1000))
    wait_for_sentence(page, "to 110.")
    trace = drawn(page, "trace")
    at = min(range(len(trace["x"])), key=lambda i: abs(trace["x"][i] - x_1000))
    assert trace["y"][at] == pytest.approx(true_y_px("without_db", 1000), abs=0.5)
    first = float(box(page, "1st frequency at").input_value())
    assert first == pytest.approx(90.5, abs=1.0)

    # A correction far off, dragged back onto the line, then taken out by Undo.
    means(page, "add a correction")
    click_at(page, 400, 300)
    wait_for_sentence(page, "Corrections: 1")
    left, top, scale = frame(page)
    page.mouse.move(left + 400 / scale, top + 300 / scale)
    page.mouse.down()
    page.mouse.move(left + 400 / scale, top + 250 / scale, steps=8)
    page.mouse.up()
    page.wait_for_timeout(2500)
    (y,) = drawn(page, "points")["y"]
    assert y == pytest.approx(250, abs=2)
    keep_shot(page, "80_corrected")
    undo = page.get_by_role("button", name="Undo").first
    undo.click()
    undo.click()
    wait_for_sentence(page, "Corrections: 0")

    type_numbers(page)

    # Saved under another name, and read again by the panel above.
    page.get_by_label("Party").fill("Reading Room")
    page.get_by_label("Model").fill("Ladle")
    page.get_by_label("Shows").select_option("without")  # the rest is as saved for this picture
    page.get_by_role("button", name="Save the tracing").click()
    page.get_by_text("Saved as published/readingroom_ladle_47ohm_without.trace.json").wait_for(timeout=30_000)
    saved = json.loads((study.folder / "published/readingroom_ladle_47ohm_without.trace.json").read_text("utf-8"))
    assert (saved["party"], saved["corrections"], saved["frequency_axis"]["first_value"]) == (
        "Reading Room",
        [[700.0, 200.0]],
        10.0,
    )
