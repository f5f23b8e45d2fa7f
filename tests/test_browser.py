"""The guided notebooks in a real JupyterLab and a real browser: no error, and sliders that move the curves.

Set OHMSHIFT_SHOTS to a folder to keep the screenshots.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser_fixtures import canvas_hashes, wait_for_column, wait_for_figures, wait_for_other_pixels

from ohmshift.show.panels.any_source import AnySourcePanel
from ohmshift.show.panels.explain import ExplainPanel
from ohmshift.show.panels.line_up import LineUpPanel
from ohmshift.show.panels.real_or_variation import ChangePanel
from ohmshift.show.panels.recordings import SensePanel, SweptPanel
from ohmshift.show.panels.start import StartPanel
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import NOTEBOOKS, demo_copy, put_notebooks, shipped_folder

if TYPE_CHECKING:
    from browser_fixtures import Lab
    from playwright.sync_api import Page

    from ohmshift.study.folder import Study

NAMES = tuple(sorted(path.stem for path in shipped_folder("notebooks").glob("*.ipynb")))
PRESSES = 30


@pytest.fixture(scope="module")
def study(lab: Lab) -> Study:
    folder = demo_copy(lab.root / "study")
    put_notebooks(folder)
    return open_study(folder)


def keep_shot(page: Page, name: str) -> None:
    folder = os.environ.get("OHMSHIFT_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png")


def run(lab: Lab, page: Page, name: str) -> None:
    page.set_viewport_size({"width": 1280, "height": 1400})
    assert lab.run_all(page, f"study/{NOTEBOOKS}/{name}.ipynb") == []


def press(page: Page, label: str, key: str, times: int) -> None:
    handle = page.locator(".widget-slider", has_text=label).get_by_role("slider")
    handle.scroll_into_view_if_needed()
    handle.focus()
    for _ in range(times):
        page.keyboard.press(key)


def drag(page: Page, label: str, by_px: int) -> None:
    handle = page.locator(".widget-slider", has_text=label).get_by_role("slider")
    handle.scroll_into_view_if_needed()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + by_px, y, steps=15)
    page.mouse.up()


@pytest.mark.parametrize("name", NAMES)
def test_notebook_runs_and_shows_its_results(lab: Lab, page: Page, study: Study, name: str) -> None:
    assert study.problems
    run(lab, page, name)
    if name != "90_write_up":
        wait_for_figures(page)
        page.locator(".ohmshift-live").first.scroll_into_view_if_needed()
        assert len(canvas_hashes(page)) >= 1
    page.wait_for_timeout(500)
    keep_shot(page, name)


@pytest.mark.source("snapshot", ref="the panel in this process, set to the same values; the divider has outside checks")
def test_explain_follows_keyboard_and_mouse(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "40_explain")
    wait_for_figures(page)
    twin = ExplainPanel(study)
    wait_for_column(page, "0.line.1", "y", twin.view.charts[0].lines[1].y)
    before = canvas_hashes(page)

    press(page, "Added resistance", "ArrowRight", PRESSES)
    asked = replace(twin.settings, added_ohm=twin.settings.added_ohm + PRESSES)
    moved = twin._view(asked).charts[0].lines[1].y
    assert abs(moved - twin.view.charts[0].lines[1].y).max() > 0.1
    wait_for_column(page, "0.line.1", "y", moved)
    wait_for_other_pixels(page, before)

    press(page, "Amplifier output impedance", "ArrowRight", PRESSES)
    asked = replace(asked, output_ohm=asked.output_ohm + 0.2 * PRESSES)
    wait_for_column(page, "0.line.1", "y", twin._view(asked).charts[0].lines[1].y)
    keep_shot(page, "40_explain_moved")

    between = canvas_hashes(page)
    drag(page, "Added resistance", 120)
    wait_for_other_pixels(page, between)
    page.wait_for_timeout(400)
    dragged = float(page.locator(".widget-slider", has_text="Added resistance").locator(".widget-readout").inner_text())
    assert dragged > asked.added_ohm
    wait_for_column(page, "0.line.1", "y", twin._view(replace(asked, added_ohm=dragged)).charts[0].lines[1].y)

    page.get_by_role("button", name="Undo").first.click()
    wait_for_column(page, "0.line.1", "y", twin._view(asked).charts[0].lines[1].y)


@pytest.mark.source("snapshot", ref="the panel in this process, set to the same values; alignment has outside checks")
def test_line_up_follows_the_alignment_frequency(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "20_line_up")
    wait_for_figures(page)
    twin = LineUpPanel(study)
    before = canvas_hashes(page)
    press(page, "Alignment frequency", "ArrowRight", PRESSES)
    asked = replace(twin.settings, alignment_hz=twin.settings.alignment_hz + 20 * PRESSES)
    view = twin._view(asked)
    assert abs(view.charts[1].lines[0].y - twin.view.charts[1].lines[0].y).max() > 1
    wait_for_column(page, "1.line.0", "y", view.charts[1].lines[0].y)
    wait_for_column(page, "0.line.0", "y", twin.view.charts[0].lines[0].y)
    wait_for_other_pixels(page, before)
    keep_shot(page, "20_line_up_moved")


@pytest.mark.source("snapshot", ref="the panels in this process, set to the same values")
def test_start_and_margin_sliders_follow(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "00_start_here")
    wait_for_figures(page)
    start = StartPanel(study)
    press(page, "Added resistance", "ArrowRight", PRESSES)
    asked = replace(start.settings, added_ohm=start.settings.added_ohm + PRESSES)
    wait_for_column(page, "0.line.1", "y", start._view(asked).charts[0].lines[1].y)

    run(lab, page, "30_real_or_variation")
    wait_for_figures(page)
    change = ChangePanel(study)
    press(page, "Margin", "ArrowRight", 5)
    sentence = change._view(replace(change.settings, margin_db=round(change.settings.margin_db + 0.5, 1))).sentence
    page.get_by_text(sentence).first.wait_for(timeout=15_000)


@pytest.mark.source("snapshot", ref="the panel in this process, set to the same values; prediction has outside checks")
def test_any_source_follows_keyboard(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "50_any_source")
    wait_for_figures(page)
    twin = AnySourcePanel(study)
    press(page, "Added resistance", "ArrowRight", PRESSES)
    asked = replace(twin.settings, added_ohm=twin.settings.added_ohm + PRESSES)
    sentence = twin._view(asked).sentence
    assert sentence != twin.view.sentence
    page.get_by_text(sentence).first.wait_for(timeout=60_000)
    page.locator(".ohmshift-live").first.scroll_into_view_if_needed()
    keep_shot(page, "50_any_source_moved")


@pytest.mark.source("snapshot", ref="the panels in this process, set to the same values; both have outside checks")
def test_recordings_follow_the_gate_and_the_sense_resistor(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "85_from_recordings")
    wait_for_figures(page)
    swept, sense = SweptPanel(study), SensePanel(study)
    before = canvas_hashes(page)
    press(page, "Gate after the arrival", "ArrowLeft", PRESSES)
    asked = swept._view(replace(swept.settings, gate_ms=swept.settings.gate_ms - 5 * PRESSES))
    assert asked.sentence != swept.view.sentence
    page.get_by_text(asked.sentence).first.wait_for(timeout=60_000)
    wait_for_column(page, "0.line.1", "y", asked.charts[0].lines[1].y)
    wait_for_other_pixels(page, before)
    between = canvas_hashes(page)
    press(page, "Sense resistor", "ArrowRight", PRESSES)
    sense_ohm = round(sense.settings.sense_ohm + 0.01 * PRESSES, 2)
    page.get_by_text(sense._view(replace(sense.settings, sense_ohm=sense_ohm)).sentence).first.wait_for(timeout=60_000)
    wait_for_other_pixels(page, between)
    keep_shot(page, "85_from_recordings_moved")


def test_a_finding_is_recorded_only_with_a_caveat(lab: Lab, page: Page, study: Study) -> None:
    before = len(read_findings(study.folder).findings)
    run(lab, page, "30_real_or_variation")
    wait_for_figures(page)
    button = page.get_by_role("button", name="Record finding")
    button.click()
    page.get_by_text("Not recorded. caveat").wait_for()
    assert len(read_findings(study.folder).findings) == before
    page.get_by_placeholder("What this does not show").fill("One unit, three seats.")
    button.click()
    page.get_by_text("Recorded as finding").wait_for()
    keep_shot(page, "30_recorded")
    assert len(read_findings(study.folder).standing) == before + 1
    page.get_by_role("button", name="Undo").last.click()
    page.get_by_text("is retracted").wait_for()
    log = read_findings(study.folder)
    assert (len(log.findings), len(log.standing)) == (before + 1, before)


def test_the_page_is_written_and_works_offline(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "90_write_up")
    page.get_by_role("button", name="Write", exact=True).click()
    page.get_by_text("Written: findings/write_up/article.html").wait_for(timeout=60_000)
    written = study.folder / "findings" / "write_up" / "article.html"
    alone = lab.root / "alone.html"
    shutil.copy(written, alone)
    page.context.set_offline(True)
    page.goto(alone.as_uri())
    assert page.locator("article").count() == len(read_findings(study.folder).standing)
    broken = page.evaluate("() => [...document.images].filter((img) => !img.naturalWidth).length")
    assert broken == 0
    keep_shot(page, "article")
