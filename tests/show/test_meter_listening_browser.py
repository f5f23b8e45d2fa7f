"""The notebooks for resistance and for loudness in a real browser: sliders move figures, and the warning goes first.

Set OHMSHIFT_SHOTS to a folder to keep the screenshots.
"""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser_fixtures import canvas_hashes, wait_for_column, wait_for_figures, wait_for_other_pixels

from ohmshift.show.panels.chain_resistance import MeterPanel
from ohmshift.show.panels.loudness import LoudnessPanel, earphones_here
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import NOTEBOOKS, demo_copy, put_notebooks

if TYPE_CHECKING:
    from browser_fixtures import Lab
    from playwright.sync_api import Page

    from ohmshift.study.folder import Study

FOLDER = "listening"


@pytest.fixture(scope="module")
def study(lab: Lab) -> Study:
    folder = demo_copy(lab.root / FOLDER)
    put_notebooks(folder)
    return open_study(folder)


def run(lab: Lab, page: Page, name: str) -> None:
    page.set_viewport_size({"width": 1280, "height": 2600})
    assert lab.run_all(page, f"{FOLDER}/{NOTEBOOKS}/{name}.ipynb") == []
    wait_for_figures(page)


def press(page: Page, label: str, key: str, times: int) -> None:
    handle = page.locator(".widget-slider", has_text=label).first.get_by_role("slider")
    handle.scroll_into_view_if_needed()
    handle.focus()
    for _ in range(times):
        page.keyboard.press(key)


def keep_shots(page: Page, name: str) -> None:
    folder = os.environ.get("OHMSHIFT_SHOTS")
    if not folder:
        return
    page.screenshot(path=Path(folder) / f"{name}.png")
    figures = page.locator(".ohmshift-live")
    for place in range(figures.count()):
        figures.nth(place).scroll_into_view_if_needed()
        page.wait_for_timeout(400)
        page.screenshot(path=Path(folder) / f"{name}_{place}.png")


@pytest.mark.source("snapshot", ref="the panel in this process, set to the same values; metering has outside checks")
def test_a_better_meter_narrows_the_bars(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "10_chain_resistance")
    twin = MeterPanel(study)
    page.locator(".ohmshift-live").first.scroll_into_view_if_needed()
    before = canvas_hashes(page)
    press(page, "Meter, of reading", "ArrowRight", 20)
    asked = replace(twin.settings, percent=round(twin.settings.percent + 20 * 0.05, 2))
    moved = twin._view(asked)
    assert moved.charts[1].bands[0].high[0] != twin.view.charts[1].bands[0].high[0]
    wait_for_column(page, "0.band.0", "high", moved.charts[0].bands[0].high)
    wait_for_column(page, "2.line.0", "y", moved.charts[2].lines[0].y)
    wait_for_other_pixels(page, before)
    page.get_by_text(moved.sentence).first.wait_for(timeout=30_000)
    keep_shots(page, "10_moved")

    caveat = page.get_by_placeholder("What this does not show").first
    caveat.fill("One meter, one day.")
    page.get_by_role("button", name="Take the statement from above").first.click()
    page.get_by_role("button", name="Record finding").first.click()
    page.get_by_text("Recorded as finding").first.wait_for(timeout=30_000)
    finding = read_findings(study.folder).standing[-1]
    assert finding.statement == moved.sentence
    assert finding.settings["percent"] == pytest.approx(asked.percent)


@pytest.mark.source("snapshot", ref="the panel in this process, set to the same values; loudness has outside checks")
def test_the_warning_stands_first_and_follows(lab: Lab, page: Page, study: Study) -> None:
    run(lab, page, "60_loudness_drive_hiss")
    twin = LoudnessPanel(study, earphones_here(study))
    page.locator(".ohmshift-live").first.scroll_into_view_if_needed()
    before = canvas_hashes(page)
    warning = page.get_by_role("alert").first
    first = twin._jump(twin.settings.earphone, twin.settings.added_ohm, twin.settings.output_ohm)
    assert first.warning in warning.inner_text()
    slider = page.locator(".widget-slider", has_text="Resistance in the chain").first
    assert warning.bounding_box()["y"] < slider.bounding_box()["y"]

    press(page, "Resistance in the chain", "ArrowRight", 30)
    asked = replace(twin.settings, added_ohm=twin.settings.added_ohm + 30)
    jump = twin._jump(asked.earphone, asked.added_ohm, asked.output_ohm)
    assert jump.rise_db > first.rise_db + 2
    page.get_by_role("alert").get_by_text(jump.warning).first.wait_for(timeout=30_000)
    wait_for_column(page, "0.line.0", "y", twin._view(asked).charts[0].lines[0].y)
    wait_for_other_pixels(page, before)
    keep_shots(page, "60_moved")

    page.get_by_role("button", name="Reset").first.click()  # a busy machine takes the presses for several moves to undo
    page.get_by_role("alert").get_by_text(first.warning).first.wait_for(timeout=30_000)
