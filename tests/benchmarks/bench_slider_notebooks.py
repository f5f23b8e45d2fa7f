"""From a key press on a slider to the repainted figure, in the guided notebooks, side by side.

    python tests/benchmarks/bench_slider_notebooks.py [moves]

Each notebook runs in a JupyterLab of its own page and kernel, all in one Chromium without a GPU; each round presses one
key in each notebook in turn, on the page that is in front. The time ends when the first figure has been painted with
other numbers. `bench_slider.py` compares the same with the browser's own repaint.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from browser_fixtures import browser_page, missing_browser, running_lab, wait_for_figures

from ohmshift.study.places import NOTEBOOKS, demo_copy, put_notebooks

if TYPE_CHECKING:
    from playwright.sync_api import Page

SLIDERS = {
    "30_real_or_variation": "Margin",
    "40_explain": "Added resistance",
    "50_any_source": "Added resistance",
}

INSTRUMENT = """() => {
  window.bench = { start: 0, before: null, done: 0 };
  const sum = (plot) => plot.renderers.reduce((total, r) => {
    const data = r.data_source?.data ?? {};
    const values = Object.values(data).flatMap((column) => [...column]);
    for (const v of values.flatMap((part) => (ArrayBuffer.isView(part) ? [...part] : part))) {
      if (typeof v === 'number' && Number.isFinite(v)) total = total * 1.0001 + v;
    }
    return total + (r.location ?? 0);
  }, 0);
  const prototype = Bokeh.require('models/plots/plot_canvas').PlotView.prototype;
  const paint = prototype._actual_paint;
  prototype._actual_paint = function () {
    paint.call(this);
    if (this.model.name !== '0') return;
    const value = sum(this.model);
    if (bench.start && !bench.done && value !== bench.before) {
      const channel = new MessageChannel();
      channel.port1.onmessage = () => { bench.done ||= performance.now(); };
      channel.port2.postMessage(0);
    }
    if (!bench.start) bench.before = value;
    bench.last = value;
  };
  window.addEventListener('keydown', (event) => {
    if (bench.armed) Object.assign(bench, { start: event.timeStamp, armed: false });
  }, true);
}"""


def main() -> None:
    moves = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    if missing := missing_browser():
        sys.exit(missing)
    before = os.getloadavg()[0]
    delays: dict[str, list[float]] = {name: [] for name in SLIDERS}
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, running_lab(Path(folder)) as lab:
        put_notebooks(demo_copy(lab.root / "study"))
        with browser_page(Path(folder) / "profile") as first:
            pages = {}
            for name in SLIDERS:
                page = first if not pages else first.context.new_page()
                page.set_viewport_size({"width": 1280, "height": 1400})
                errors = lab.run_all(page, f"study/{NOTEBOOKS}/{name}.ipynb")
                assert errors == [], errors
                wait_for_figures(page)
                page.wait_for_timeout(1500)
                page.evaluate(INSTRUMENT)
                pages[name] = page
            for i in range(moves + 3):  # the first three warm up
                for name, page in pages.items():
                    delay = press(page, SLIDERS[name], "ArrowRight" if (i // 8) % 2 == 0 else "ArrowLeft")
                    if i >= 3:
                        delays[name].append(delay)
    print(f"{moves} moves each, in turn; load {before:.1f} to {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    base = np.median(delays["30_real_or_variation"])
    print(f"{'':24}{'median ms':>10}{'95 % ms':>9}{'ratio':>7}")
    for name, values in delays.items():
        median, high = np.quantile(values, [0.5, 0.95])
        print(f"{name:24}{median:10.0f}{high:9.0f}{median / base:7.2f}")


def press(page: Page, label: str, key: str) -> float:
    """Press a key on a slider, and give the time until the first figure is painted anew [ms]."""
    page.bring_to_front()
    handle = page.locator(".widget-slider", has_text=label).get_by_role("slider").first
    handle.scroll_into_view_if_needed()
    handle.focus()
    page.wait_for_timeout(300)
    page.evaluate("() => Object.assign(bench, { start: 0, done: 0, before: bench.last ?? null, armed: true })")
    page.keyboard.press(key)
    page.wait_for_function("() => bench.done > 0", timeout=20_000, polling=20)
    bench = page.evaluate("() => bench")
    return float(bench["done"] - bench["start"])


if __name__ == "__main__":
    main()
