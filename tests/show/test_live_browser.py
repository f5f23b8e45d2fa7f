"""A real slider in a real JupyterLab moves real figures, and what is drawn is what Python computed."""

from __future__ import annotations

import math
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import numpy as np
import pytest
from browser_fixtures import (
    canvas_hashes,
    drawn_column,
    run_cells,
    wait_for_column,
    wait_for_figures,
    wait_for_other_pixels,
)
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


def test_arrow_keys_choose_from_a_list_and_stay_in_its_cell(lab: Lab, page: Page) -> None:
    menu = 'figure = LiveFigure(charts(10))\nipywidgets.VBox([ipywidgets.Dropdown(options=["Ladle", "Wok"]), figure])'
    write_notebook(lab.root / "menu.ipynb", IMPORTS, menu, "1 + 1")
    assert lab.run_all(page, "menu.ipynb") == []
    wait_for_figures(page)
    box = page.locator(".jp-OutputArea select")
    box.focus()
    page.keyboard.press("ArrowDown")
    assert box.input_value() == "Wok"
    assert page.evaluate("document.activeElement.tagName") == "SELECT"


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


FRAMES = """() => {
  const plots = [];
  const walk = (view) => {
    if (view.model?.type === 'Figure') plots.push(view);
    for (const child of view.child_views ?? []) walk(child);
  };
  for (const view of Bokeh.index) walk(view);
  return plots.map((view) => {
    const plot = view.plot_view ?? view;
    const { width, height } = plot.frame.bbox;
    const { x_range, y_range } = view.model;
    return { width, height, x: [x_range.start, x_range.end], y: [y_range.start, y_range.end],
             log: plot.frame.y_scale.type === 'LogScale', right: view.el.getBoundingClientRect().right };
  });
}"""
LIBRARIES = """() => document.querySelectorAll('head > script[src^="blob:"]').length"""
RESTART = """async () => {
  const panel = window.jupyterapp.shell.currentWidget;
  await panel.sessionContext.session.kernel.restart();
}"""
SAVE = "async () => { await window.jupyterapp.commands.execute('docmanager:save'); }"


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1 and 4.2, within 1 %")
def test_frames_on_the_screen_keep_the_proportion_and_fit_a_laptop(lab: Lab, page: Page) -> None:
    write_notebook(lab.root / "frames.ipynb", IMPORTS, "LiveFigure(charts(10))")
    assert lab.run_all(page, "frames.ipynb") == []
    wait_for_figures(page)
    frames = page.evaluate(FRAMES)
    assert len(frames) == 2
    for frame, wanted in zip(frames, (20, 20), strict=True):
        decade_px = frame["width"] / math.log10(frame["x"][1] / frame["x"][0])
        low, high = frame["y"]
        db = 20 * math.log10(high / low) if frame["log"] else high - low
        assert decade_px / (frame["height"] / db) == pytest.approx(wanted, rel=0.01)
        assert frame["right"] <= 1280


SAMPLES = """() => {
  const deep = (root) => {
    const found = [...root.querySelectorAll('canvas')];
    for (const part of root.querySelectorAll('*')) if (part.shadowRoot) found.push(...deep(part.shadowRoot));
    return found;
  };
  window.sampled = { emptiest: Infinity, frames: 0, most: 0 };
  const sample = () => {
    const live = document.querySelector('.ohmshift-live');
    let inked = 0;
    const seen = (c) => c.width > 200 && c.height > 100 && c.checkVisibility({ visibilityProperty: true });
    for (const canvas of deep(live).filter(seen)) {
      const pixels = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      for (let i = 0; i < pixels.length; i += 4) if (pixels[i + 3] > 0 && pixels[i] < 128) inked++;
    }
    sampled.emptiest = Math.min(sampled.emptiest, inked);
    sampled.most = Math.max(sampled.most, live.offsetHeight);
    sampled.frames++;
    requestAnimationFrame(() => setTimeout(sample, 0));
  };
  requestAnimationFrame(() => setTimeout(sample, 0));
}"""
CHOICE = """choice = ipywidgets.Dropdown(options=["both", "one line", "tall", "one chart"])
shown = {
    "both": charts(10),
    "one line": (change_chart(30, lines=charts(30)[0].lines[:1], y_label="Level"), charts(30)[1]),
    "tall": (change_chart(30, y_range=(-30, 30)), charts(30)[1]),
    "one chart": (change_chart(30),),
}
figure = LiveFigure(shown["both"])
choice.observe(lambda change: figure.show_charts(shown[change["new"]]), "value")
choice"""


def test_a_choice_changes_the_picture_in_place_and_without_a_blink(lab: Lab, page: Page) -> None:
    page.set_viewport_size({"width": 1280, "height": 1400})
    write_notebook(lab.root / "choice.ipynb", f"{IMPORTS}\nfrom kitchen import change_chart", CHOICE, "figure")
    assert lab.run_all(page, "choice.ipynb") == []
    wait_for_figures(page)
    wait_for_column(page, "0.line.0", "y", lift(10))
    page.locator(".ohmshift-live").scroll_into_view_if_needed()
    page.wait_for_timeout(1000)
    page.evaluate("() => { window.first = Bokeh.documents[0]; }")
    page.evaluate(SAMPLES)
    choose = page.locator(".widget-dropdown select")
    for name in ("one line", "tall", "both", "tall"):
        choose.select_option(name)
        page.wait_for_timeout(700)
    assert page.evaluate("() => Bokeh.documents.length === 1 && Bokeh.documents[0] === first")
    ((change, _),) = [page.evaluate(FRAMES)]
    assert change["y"] == [-30, 30]
    decade_px = change["width"] / math.log10(change["x"][1] / change["x"][0])
    assert decade_px / (change["height"] / 60) == pytest.approx(50, rel=0.01)
    choose.select_option("one chart")
    page.wait_for_function("() => Bokeh.documents.length === 1 && Bokeh.documents[0] !== first", timeout=30_000)
    wait_for_column(page, "0.line.0", "y", lift(30))
    page.wait_for_timeout(500)
    sampled = page.evaluate("() => sampled")
    assert len(page.evaluate(FRAMES)) == 1
    assert sampled["frames"] > 20
    assert sampled["emptiest"] > 2000  # dark pixels: axes, words and lines of one chart
    assert sampled["most"] < 1100  # never two figures below each other


def test_a_zoom_stays_while_the_lines_move(lab: Lab, page: Page) -> None:
    write_notebook(lab.root / "zoom.ipynb", IMPORTS, SLIDER, "figure")
    assert lab.run_all(page, "zoom.ipynb") == []
    wait_for_figures(page)
    page.evaluate("() => Bokeh.documents[0].get_model_by_name('0.y.range').setv({ start: -2, end: 7 })")
    page.get_by_role("slider").first.focus()
    page.keyboard.press("ArrowRight")
    wait_for_column(page, "0.line.0", "y", lift(11))
    assert page.evaluate(FRAMES)[0]["y"] == [-2, 7]
    page.evaluate("() => Bokeh.documents[0].get_model_by_name('0.y.range').reset()")
    assert page.evaluate(FRAMES)[0]["y"] == [-10, 15]


def test_two_figures_live_on_a_page_and_come_back_after_a_restart(lab: Lab, page: Page) -> None:
    grow = "one.show_charts(charts(40)[:1])\nother.show_charts(charts(50))"
    write_notebook(
        lab.root / "two.ipynb",
        IMPORTS,
        "one = LiveFigure(charts(10))\none",
        "other = LiveFigure(charts(20))\nother",
        grow,
    )
    lab.open(page, "two.ipynb")
    for _ in range(2):
        assert run_cells(page) == []
        wait_for_figures(page)
        page.wait_for_function("() => document.querySelectorAll('.ohmshift-live').length === 2")
        page.wait_for_timeout(1000)
        first, second = sorted(drawn_column(page, "0.line.0", "y"))  # by the first value, which grows with the ohms
        np.testing.assert_allclose(first, lift(40), atol=1e-3)
        np.testing.assert_allclose(second, lift(50), atol=1e-3)
        assert len(drawn_column(page, "1.line.0", "y")) == 1  # the first figure was built anew, with one chart
        assert len(page.evaluate(FRAMES)) == 3
        assert page.evaluate(LIBRARIES) == 1
        page.evaluate(RESTART)


def test_a_saved_notebook_is_small_and_shows_the_still_without_its_kernel(lab: Lab, page: Page, tmp_path: Path) -> None:
    write_notebook(lab.root / "saved.ipynb", IMPORTS, "LiveFigure(charts(10))")
    assert lab.run_all(page, "saved.ipynb") == []
    wait_for_figures(page)
    still = page.locator(".jp-OutputArea-output.jp-RenderedImage img")
    assert still.count() == 1
    assert not still.is_visible()
    page.evaluate(SAVE)
    saved = lab.root / "saved.ipynb"
    assert 20_000 < saved.stat().st_size < 300_000
    shutil.copy(saved, lab.root / "copy.ipynb")

    lab.open(page, "copy.ipynb")
    still.wait_for(state="visible", timeout=30_000)
    assert page.locator(".ohmshift-live").count() == 0
    assert still.evaluate("(img) => img.naturalWidth") == 840
    page.wait_for_timeout(3000)
    page.screenshot(path=tmp_path / "copy.png")
    assert still.is_visible()
