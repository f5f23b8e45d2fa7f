"""How long from a slider's move to the new picture, against the browser's own repaint in the same page.

Three figures below each other, eight lines and a band of 500 points each. A move of the kernel's slider goes to Python
and comes back as one message. Two sliders of the page change as many numbers by a script that asks nobody: "floor" of
the same figure, "plain" of a figure as Bokeh makes it unasked: one renderer a line, no names beside it. "plain" does
not change when the kit does. All alternate in one run. Run with `python tests/benchmarks/bench_slider.py [moves]`.
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
from bokeh.embed import json_item
from bokeh.layouts import column
from bokeh.models import ColumnDataSource, Range1d
from bokeh.plotting import figure as bokeh_figure

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


def plain():
    plots = []
    for i, chart in enumerate(charts(10)):
        plot = bokeh_figure(
            name=f"plain.{i}",
            frame_width=600,
            frame_height=round(chart.height(600)),
            x_axis_type="log",
            y_axis_type="log" if chart.scale == "ohm" else "linear",
            x_range=plots[0].x_range if plots else Range1d(*chart.x_ends),
            y_range=Range1d(*chart.y_ends),
            title=chart.title,
        )
        band = chart.bands[0]
        source = ColumnDataSource({"x": band.x, "low": band.low, "high": band.high}, name=f"{i}.plain.band")
        plot.varea("x", "low", "high", source=source, fill_alpha=0.2)
        for j, line in enumerate(chart.lines):
            source = ColumnDataSource({"x": line.x, "y": line.y}, name=f"{i}.plain.{j}")
            plot.line("x", "y", source=source, line_width=2)
        plots.append(plot)
    return json_item(column(*plots))


slider = ipywidgets.FloatSlider(value=10, min=1, max=120, step=1, layout={"width": "560px"})
figure = LiveFigure(charts(10))
slider.observe(lambda change: figure.show_charts(charts(change["new"])), "value")
"""

INSTRUMENT = """async (plain) => {
  const paints = [];
  const moves = [];
  window.bench = { paints, moves };
  const value = (plot) => {
    const { data } = plot.renderers.find((r) => ['Line', 'MultiLine'].includes(r.glyph?.type)).data_source;
    const y = data.y ?? data.ys[0];
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

  // Sliders of the page alone, which change the same columns without asking anyone.
  const slide = (id, bottom, doc, columns) => {
    const handle = document.createElement('input');
    Object.assign(handle, { type: 'range', min: 1, max: 120, step: 1, value: 10, id });
    handle.style.cssText = `position: fixed; z-index: 9; right: 20px; bottom: ${bottom}px; width: 560px`;
    document.body.appendChild(handle);
    const sources = columns.map(([name, names]) => [doc.get_model_by_name(name), names]);
    const times = (values, by) => values.map((v) => (typeof v === 'number' ? v * by : times(v, by)));
    const first = sources.map(([source, names]) => names.map((name) => Array.from(source.data[name])));
    handle.addEventListener('input', () => {
      const by = 1 + Number(handle.value) / 1000;
      sources.forEach(([source, names], k) => {
        const changed = Object.fromEntries(names.map((name, n) => [name, times(first[k][n], by)]));
        source.data = { ...source.data, ...changed };
      });
    });
  };
  const charts = ['0', '1', '2'];
  slide('floor', 30, Bokeh.documents[0], charts.flatMap((i) => [[`${i}.lines`, ['ys']], [`${i}.areas`, ['ys']]]));
  const place = document.createElement('div');
  place.style.cssText = 'position: fixed; z-index: 8; left: 0; top: 0; background: white';
  document.body.appendChild(place);
  await Bokeh.embed.embed_item({ ...plain, target_id: null }, place);
  slide('plain', 60, Bokeh.documents[1], charts.flatMap((i) => [
    [`${i}.plain.band`, ['low', 'high']],
    ...Array.from({ length: 8 }, (_, j) => [`${i}.plain.${j}`, ['y']]),
  ]));
  window.bench.show = (yes) => { place.style.display = yes ? '' : 'none'; };
  bench.show(false);
}"""

MOVED = """(names) => bench.moves.length > 0 && names.every((name) =>
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
            page.evaluate(INSTRUMENT, plain_item(lab.root))
            report(page, moves)


def plain_item(folder: Path) -> dict[str, Any]:
    sys.path.insert(0, str(folder))
    import bench_charts  # noqa: PLC0415 - the module that the notebook uses

    return dict(bench_charts.plain())


def report(page: Page, moves: int) -> None:
    before = os.getloadavg()[0]
    handles = {
        "plain": page.locator("#plain"),
        "floor": page.locator("#floor"),
        "live": page.locator(".noUi-handle").first,
    }
    delays: dict[str, list[float]] = {name: [] for name in handles}
    for i in range(moves + 3):  # the first three warm up
        for name, handle in handles.items():
            delay = press(page, name, handle, "ArrowRight" if (i // 15) % 2 == 0 else "ArrowLeft")
            if i >= 3:
                delays[name].append(delay)
    drags = {name: drag(page, name, handle) for name, handle in handles.items()}
    print(f"{moves} moves each, alternating; load {before:.1f} to {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"{'':8}{'median ms':>10}{'95 % ms':>9}{'frames/s':>10}{'settle ms':>11}")
    quantiles = {name: np.quantile(values, [0.5, 0.95]) for name, values in delays.items()}
    for name, (median, high) in quantiles.items():
        frames, settle = drags[name]
        print(f"{name:8}{median:10.0f}{high:9.0f}{frames:10.1f}{settle:11.0f}")
    for name, wanted in (("plain", "   wanted: at most 1.5 and 1.6; settled within 250 ms"), ("floor", "")):
        ratio = quantiles["live"] / quantiles[name]
        print(f"live / {name:8}{ratio[0]:3.2f}{ratio[1]:9.2f}{wanted}")


def plots_of(name: str) -> list[str]:
    return [f"plain.{i}" if name == "plain" else f"{i}" for i in range(3)]


def press(page: Page, name: str, handle: Locator, key: str) -> float:
    """Press a key, and give the time until all three figures are painted with new numbers [ms]."""
    page.evaluate("(yes) => bench.show(yes)", name == "plain")
    handle.focus()
    page.wait_for_timeout(150)
    page.evaluate("() => { bench.paints.length = 0; bench.moves.length = 0; }")
    page.keyboard.press(key)
    page.wait_for_function(MOVED, arg=plots_of(name), timeout=10_000, polling=20)
    page.wait_for_timeout(60)
    return last_first_paint(page.evaluate("() => ({ paints: bench.paints, moves: bench.moves })"), name, 0)


def last_first_paint(bench: dict[str, Any], shown_by: str, move: int) -> float:
    """Give when the last figure was first painted with its final numbers, after a move [ms]."""
    start = bench["moves"][move]
    shown = []
    for name in plots_of(shown_by):
        paints = [paint for paint in bench["paints"] if paint["name"] == name]
        final = paints[-1]["value"]
        shown.append(next(paint["present"] or paint["end"] for paint in paints if paint["value"] == final))
    return float(max(shown) - start)


def drag(page: Page, name: str, handle: Locator, *, steps: int = 90, per_second: int = 45) -> tuple[float, float]:
    """Drag a slider, and give painted frames a second, and the time from the last move to the last picture [ms]."""
    page.evaluate("(yes) => { bench.show(yes); bench.paints.length = 0; bench.moves.length = 0; }", name == "plain")
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
    bench = page.evaluate("() => ({ paints: bench.paints, moves: bench.moves })")
    seconds = (bench["moves"][-1] - bench["moves"][0]) / 1000
    frames = {paint["value"] for paint in bench["paints"] if paint["name"] == plots_of(name)[0]}
    return len(frames) / seconds, last_first_paint(bench, name, -1)


if __name__ == "__main__":
    main()
