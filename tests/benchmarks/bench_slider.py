"""How long from a slider's move to the new picture, against the browser's own repaint in the same page.

Three figures below each other, eight lines and a band of 500 points each. A move of the kernel's slider goes to Python
and comes back as one message; a move of the floor's slider changes as many numbers of the same figure by a script in
the page. Both alternate in one run. Run with `python tests/benchmarks/bench_slider.py [moves]`.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import nbformat
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from browser_fixtures import browser_page, missing_browser, running_lab, wait_for_figures

if TYPE_CHECKING:
    from playwright.sync_api import Locator, Page

MODULE = """
import ipywidgets
import numpy as np

from ohmshift.show.charts import Band, Chart, Line
from ohmshift.show.live import LiveFigure

F = np.geomspace(20, 20_000, 500)
Z = np.array([
    14 + 3 * k + 2j * np.pi * F * 40e-6 + 12 / (1 + 1.2j * (F / (60 + 20 * k) - (60 + 20 * k) / F)) for k in range(8)
])
SPL = 94 + 4 * np.sin(np.log(F / 20) * (1 + 0.1 * np.arange(8)[:, None]))


def chart(rows, y_label, y_unit, y_range, scale="db"):
    mean, spread = rows.mean(axis=0), rows.std(axis=0)
    return Chart(
        title=y_label,
        alt_text=f"{y_label}: at most {rows.max():.2f} {y_unit}.",
        lines=tuple(Line(x=F, y=row, label=f"spoon {k}", colour=k) for k, row in enumerate(rows)),
        bands=(Band(x=F, low=mean - spread, high=mean + spread),),
        y_label=y_label,
        y_unit=y_unit,
        y_range=y_range,
        scale=scale,
    )


def charts(added_ohm):
    change = 20 * np.log10(np.abs(Z / (Z + added_ohm)))
    return (
        chart(SPL + change, "Level", "dB", (70, 105)),
        chart(change, "Change", "dB", (-25, 5)),
        chart(np.abs(Z + added_ohm), "Impedance", "Ω", (10, 200), "ohm"),
    )


slider = ipywidgets.FloatSlider(value=10, min=1, max=120, step=1, layout={"width": "560px"})
figure = LiveFigure(charts(10))
slider.observe(lambda change: figure.show_charts(charts(change["new"])), "value")
"""

INSTRUMENT = """() => {
  const paints = [];
  const moves = [];
  window.bench = { paints, moves };
  const value = (plot) => {
    const line = plot.renderers.find((r) => r.glyph?.type === 'Line');
    const y = line.data_source.data.y;
    return y[10] + 3 * y[250] + 7 * y[490];
  };
  const prototype = Bokeh.require('models/plots/plot_canvas').PlotView.prototype;
  const paint = prototype._actual_paint;
  prototype._actual_paint = function () {
    const start = performance.now();
    paint.call(this);
    const made = { name: this.model.name, value: value(this.model), start, end: performance.now(), present: 0 };
    paints.push(made);
    const channel = new MessageChannel();
    channel.port1.onmessage = () => { made.present = performance.now(); };
    channel.port2.postMessage(0);
  };
  for (const kind of ['keydown', 'mousemove']) {
    window.addEventListener(kind, (event) => {
      if (kind === 'keydown' || event.buttons) moves.push(event.timeStamp);
    }, true);
  }

  // The floor: a slider of the page alone, which changes the same columns without asking anyone.
  const floor = document.createElement('input');
  Object.assign(floor, { type: 'range', min: 1, max: 120, step: 1, value: 10, id: 'floor' });
  floor.style.cssText = 'position: fixed; z-index: 9; right: 20px; bottom: 30px; width: 560px';
  document.body.appendChild(floor);
  const doc = Bokeh.documents[0];
  const sources = [];
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 8; j++) sources.push([doc.get_model_by_name(`${i}.line.${j}`), ['y']]);
    sources.push([doc.get_model_by_name(`${i}.band.0`), ['low', 'high']]);
  }
  const first = sources.map(([source, names]) => names.map((name) => Float32Array.from(source.data[name])));
  floor.addEventListener('input', () => {
    const shift = 1 + Number(floor.value) / 1000;
    sources.forEach(([source, names], k) => {
      const changed = Object.fromEntries(names.map((name, n) => [name, first[k][n].map((v) => v * shift)]));
      source.data = { ...source.data, ...changed };
    });
  });
}"""

MOVED = """() => bench.moves.length > 0 && ['0', '1', '2'].every((name) =>
  bench.paints.some((paint) => paint.name === name && paint.start > bench.moves[0] && paint.present))"""


def main() -> None:
    moves = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    if missing := missing_browser():
        sys.exit(missing)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder, running_lab(Path(folder)) as lab:
        (lab.root / "bench_charts.py").write_text(MODULE, encoding="utf-8")
        cells = ["from bench_charts import figure, slider", "slider", "figure"]
        notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(cell) for cell in cells])
        notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3", "language": "python"}
        nbformat.write(notebook, lab.root / "bench.ipynb")
        with browser_page(Path(folder) / "profile") as page:
            page.set_viewport_size({"width": 1400, "height": 1600})
            errors = lab.run_all(page, "bench.ipynb")
            assert errors == [], errors
            wait_for_figures(page)
            page.wait_for_timeout(2000)
            page.evaluate(INSTRUMENT)
            report(page, moves)


def report(page: Page, moves: int) -> None:
    before = os.getloadavg()[0]
    handles = {"floor": page.locator("#floor"), "live": page.locator(".noUi-handle").first}
    delays: dict[str, list[float]] = {name: [] for name in handles}
    for i in range(moves + 3):  # the first three warm up
        for name, handle in handles.items():
            delay = press(page, handle, "ArrowRight" if (i // 15) % 2 == 0 else "ArrowLeft")
            if i >= 3:
                delays[name].append(delay)
    drags = {name: drag(page, handle) for name, handle in handles.items()}
    print(f"{moves} moves each, alternating; load {before:.1f} to {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'':8}{'median ms':>10}{'95 % ms':>9}{'frames/s':>10}{'settle ms':>11}")
    quantiles = {name: np.quantile(values, [0.5, 0.95]) for name, values in delays.items()}
    for name, (median, high) in quantiles.items():
        frames, settle = drags[name]
        print(f"{name:8}{median:10.0f}{high:9.0f}{frames:10.1f}{settle:11.0f}")
    ratio = quantiles["live"] / quantiles["floor"]
    print(f"{'ratio':8}{ratio[0]:10.2f}{ratio[1]:9.2f}   wanted: at most 1.5 and 1.6; settled within 250 ms")


def press(page: Page, handle: Locator, key: str) -> float:
    """Press a key, and give the time until all three figures are painted with new numbers [ms]."""
    handle.focus()
    page.wait_for_timeout(150)
    page.evaluate("() => { bench.paints.length = 0; bench.moves.length = 0; }")
    page.keyboard.press(key)
    page.wait_for_function(MOVED, timeout=10_000, polling=20)
    page.wait_for_timeout(60)
    return last_first_paint(page.evaluate("() => bench"), 0)


def last_first_paint(bench: dict[str, Any], move: int) -> float:
    """Give when the last figure was first painted with its final numbers, after a move [ms]."""
    start = bench["moves"][move]
    shown = []
    for name in ("0", "1", "2"):
        paints = [paint for paint in bench["paints"] if paint["name"] == name]
        final = paints[-1]["value"]
        shown.append(next(paint["present"] or paint["end"] for paint in paints if paint["value"] == final))
    return float(max(shown) - start)


def drag(page: Page, handle: Locator, *, steps: int = 90, per_second: int = 45) -> tuple[float, float]:
    """Drag a slider, and give painted frames a second, and the time from the last move to the last picture [ms]."""
    page.evaluate("() => { bench.paints.length = 0; bench.moves.length = 0; }")
    box = handle.bounding_box()
    assert box is not None
    wide = box["width"] > 100  # the floor's handle is somewhere on its bar
    share = (float(handle.input_value()) - 1) / 119 if wide else 0.5
    x, y = box["x"] + 8 + share * (box["width"] - 16), box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    start = time.monotonic()
    for i in range(steps):
        page.mouse.move(x + 3 * (i + 1), y)
        time.sleep(max(0.0, start + (i + 1) / per_second - time.monotonic()))
    page.mouse.up()
    page.wait_for_timeout(2500)
    bench = page.evaluate("() => bench")
    seconds = (bench["moves"][-1] - bench["moves"][0]) / 1000
    frames = {paint["value"] for paint in bench["paints"] if paint["name"] == "0"}
    return len(frames) / seconds, last_first_paint(bench, -1)


if __name__ == "__main__":
    main()
