"""A real slider in a real JupyterLab moves real figures, and what is drawn is what Python computed."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import pytest
from browser_fixtures import canvas_hashes, wait_for_column, wait_for_figures, wait_for_other_pixels
from show.kitchen import F, lift

if TYPE_CHECKING:
    from browser_fixtures import Lab
    from playwright.sync_api import Page

IMPORTS = "import ipywidgets\nfrom kitchen import charts\nfrom ohmshift.show.live import LiveFigure"
SLIDER = """slider = ipywidgets.FloatSlider(value=10, min=0, max=120, step=1, description="Added (Ω)")
figure = LiveFigure(charts(10))
slider.observe(lambda change: figure.show_charts(charts(change["new"])), "value")
slider"""


@pytest.fixture(autouse=True)
def charts_beside_notebooks(lab: Lab) -> None:
    shutil.copy(Path(__file__).with_name("kitchen.py"), lab.root)


def write_notebook(path: Path, *cells: str) -> None:
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
    notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
    nbformat.write(notebook, path)


@pytest.mark.source("analytic", ref="the same formula evaluated by numpy in the test's own process")
def test_slider_moves_what_is_drawn(lab: Lab, page: Page, tmp_path: Path) -> None:
    write_notebook(lab.root / "slider.ipynb", IMPORTS, SLIDER, "figure")
    assert lab.run_all(page, "slider.ipynb") == []
    wait_for_figures(page)
    wait_for_column(page, "0.line.0", "y", lift(10))
    page.locator(".ohmshift-live").scroll_into_view_if_needed()
    before = canvas_hashes(page)
    assert len(before) >= 2
    page.screenshot(path=tmp_path / "before.png")

    handle = page.get_by_role("slider").first
    handle.focus()
    for _ in range(30):
        page.keyboard.press("ArrowRight")
    wait_for_column(page, "0.line.0", "y", lift(40))
    wait_for_column(page, "0.band.0", "high", lift(40) + 1)
    wait_for_column(page, "1.line.0", "y", 48 + F / 2000)
    wait_for_other_pixels(page, before)
    assert "Behind 40 Ω" in page.locator(".ohmshift-live").get_attribute("aria-label")

    between = canvas_hashes(page)
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y, steps=12)
    page.mouse.up()
    wait_for_other_pixels(page, between)
    page.wait_for_timeout(500)
    spoken = page.locator(".ohmshift-live").get_attribute("aria-label")
    added_ohm = float(re.search(r"Behind (\S+) Ω", spoken)[1])
    assert added_ohm > 40
    wait_for_column(page, "0.line.0", "y", lift(added_ohm))
    page.screenshot(path=tmp_path / "after.png")
