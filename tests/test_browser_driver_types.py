"""The notebook on driver types in a real JupyterLab and a real browser."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from browser_fixtures import canvas_hashes, wait_for_figures, wait_for_other_pixels

from ohmshift.show.panels.driver_types import DriverTypesPanel
from ohmshift.show.panels.planning import PlanPanel
from ohmshift.show.panels.rules import RulePanel
from ohmshift.study.findings import read_findings
from ohmshift.study.folder import open_study
from ohmshift.study.places import NOTEBOOKS, demo_copy, put_notebooks

if TYPE_CHECKING:
    from browser_fixtures import Lab
    from playwright.sync_api import Page

    from ohmshift.study.folder import Study

NAME = "70_driver_types"
WRITTEN = "hybrid earphones: bass is always positive"


@pytest.fixture(scope="module")
def study(lab: Lab) -> Study:
    folder = demo_copy(lab.root / "types")
    put_notebooks(folder)
    return open_study(folder)


def keep_shot(page: Page, name: str) -> None:
    folder = os.environ.get("OHMSHIFT_SHOTS")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png")


def press(page: Page, label: str, times: int) -> None:
    handle = page.locator(".widget-slider", has_text=label).get_by_role("slider").first
    handle.scroll_into_view_if_needed()
    handle.focus()
    for _ in range(times):
        page.keyboard.press("ArrowRight")


@pytest.mark.source(
    "snapshot", ref="the panels in this process, set to the same values; tests and rules have outside checks"
)
def test_sliders_rule_and_finding(lab: Lab, page: Page, study: Study) -> None:
    page.set_viewport_size({"width": 1280, "height": 1500})
    assert lab.run_all(page, f"types/{NOTEBOOKS}/{NAME}.ipynb") == []
    wait_for_figures(page)
    types = DriverTypesPanel(study)

    before = canvas_hashes(page)
    press(page, "Margin", 5)
    said = types._view(replace(types.settings, margin_db=1.5)).sentence
    assert said != types.view.sentence
    page.get_by_text(said).first.wait_for(timeout=60_000)
    wait_for_other_pixels(page, before)
    keep_shot(page, f"{NAME}_types")

    box = page.get_by_role("combobox", name="Rule")
    box.scroll_into_view_if_needed()
    box.fill(WRITTEN)
    box.press("Enter")
    rules = RulePanel(types, rule=WRITTEN)
    page.get_by_text(rules.view.sentence).first.wait_for(timeout=60_000)
    page.wait_for_timeout(2000)
    keep_shot(page, f"{NAME}_rule")
    box.fill("planars sound best")
    box.press("Enter")
    page.get_by_text("it has no colon").first.wait_for(timeout=60_000)
    box.fill(WRITTEN)
    box.press("Enter")

    plan = PlanPanel(types)
    press(page, "Difference that matters", 5)
    said = plan._view(replace(plan.settings, difference=1.5)).sentence
    page.get_by_text(said).first.wait_for(timeout=60_000)
    keep_shot(page, f"{NAME}_plan")

    found = len(read_findings(study.folder).findings)
    page.get_by_placeholder("What this does not show").first.fill("One unit of each.")
    page.get_by_role("button", name="Record finding").first.click()
    page.get_by_text("Recorded as finding").first.wait_for(timeout=60_000)
    assert len(read_findings(study.folder).findings) == found + 1
    keep_shot(page, f"{NAME}_recorded")
