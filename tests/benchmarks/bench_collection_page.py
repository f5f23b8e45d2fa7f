"""Time the collection page of a synthetic study of 200 earphones: writing it, and opening it in Chromium from the disk.

Run it from the top of the checkout:

    OPENBLAS_NUM_THREADS=1 .venv/bin/python tests/benchmarks/bench_collection_page.py
"""

from __future__ import annotations

import csv
import statistics
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser_fixtures import CHROMIUM, CHROMIUM_FLAGS, LAPTOP

from ohmshift.show.collection_page import write_collection_page
from ohmshift.show.earphone_facts import gather_all_facts
from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.places import demo_copy

EARPHONES = 200
REPEATS = 9
MOST_BYTES = 5e6
MOST_S = 2.0
OPENING = "opening, ready to use [s]"
PROCESSOR = "of it processor time of the main thread [s]"
MOVING = "slider moved, painted [s]"
SORTING = "sorted anew [s]"

MOVE = """async (value) => {
  const slider = document.getElementById('added-slider');
  const start = performance.now();
  slider.value = value;
  slider.dispatchEvent(new Event('input', { bubbles: true }));
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return performance.now() - start;
}"""
SORT = """(key) => {
  const start = performance.now();
  document.querySelector(`th[data-key=${key}] button`).click();
  document.body.getBoundingClientRect();
  return performance.now() - start;
}"""


def main() -> None:
    """Write the study, then its page, then open the page again and again."""
    with tempfile.TemporaryDirectory() as home:
        folder = many_earphones(Path(home) / "study")
        start = time.perf_counter()
        study = open_study(folder)
        opened = time.perf_counter()
        comparison = compare_study(study)
        compared = time.perf_counter()
        facts = gather_all_facts(study, comparison)
        gathered = time.perf_counter()
        (page,) = write_collection_page(study, comparison, Path(home) / "out", facts=facts)
        written = time.perf_counter()
        size = page.stat().st_size
        print(f"{len(facts)} earphones: study opened in {opened - start:.1f} s, compared in {compared - opened:.1f} s,")
        print(f"facts gathered in {gathered - compared:.1f} s, page written in {written - gathered:.1f} s")
        print(f"size {size / 1e6:.2f} MB, below {MOST_BYTES / 1e6:g} MB: {size < MOST_BYTES}")
        times = time_in_browser(page.as_uri())
    print(f"{f'in Chromium, {REPEATS} times':44}{'median':>10}{'largest':>10}")
    for name, values in times.items():
        print(f"{name:44}{statistics.median(values):10.3f}{max(values):10.3f}")
    print(f"opening below {MOST_S:g} s: {statistics.median(times[OPENING]) < MOST_S}")


def many_earphones(folder: Path) -> Path:
    """Multiply the demo study: every curve file is copied under a new name, for 200 earphones in all."""
    demo_copy(folder)
    earphones, measurements = read_rows(folder / "earphones.csv"), read_rows(folder / "measurements.csv")
    new_earphones, new_measurements = [], []
    for k in range(EARPHONES):
        base = earphones[k % len(earphones)]
        name = f"{base['earphone']} {k // len(earphones) + 1}"
        new_earphones.append({**base, "earphone": name})
        for row in measurements:
            if row["earphone"] != base["earphone"] or not (folder / row["file"]).exists():
                continue
            file = Path(row["file"])
            copy = file.with_name(f"{file.stem}_{k}{file.suffix}")
            blank_lines = b"\n" * (1 + k // len(earphones))  # or each would be flagged as a copy of another
            (folder / copy).write_bytes((folder / file).read_bytes() + blank_lines)
            new_measurements.append({**row, "earphone": name, "file": copy.as_posix()})
    write_rows(folder / "earphones.csv", new_earphones)
    write_rows(folder / "measurements.csv", new_measurements)
    return folder


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def write_rows(path: Path, rows: list[dict[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)


def time_in_browser(address: str) -> dict[str, list[float]]:
    """Open the page anew each time; ready is when the table is filled for the reader's source and laid out.

    The main thread's processor time does not count what other programs take, and tells on a busy machine.
    """
    times: dict[str, list[float]] = {name: [] for name in (OPENING, PROCESSOR, MOVING, SORTING)}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(CHROMIUM_FLAGS))
        for k in range(REPEATS):
            context = browser.new_context(offline=True, viewport=LAPTOP)
            page = context.new_page()
            meter = context.new_cdp_session(page)
            meter.send("Performance.enable", {"timeDomain": "threadTicks"})
            start = time.perf_counter()
            page.goto(address)
            wait_until_ready(page)
            times[OPENING].append(time.perf_counter() - start)
            metrics = {one["name"]: one["value"] for one in meter.send("Performance.getMetrics")["metrics"]}
            times[PROCESSOR].append(metrics["TaskDuration"])
            times[MOVING].append(page.evaluate(MOVE, 20 + 5 * k) / 1000)
            times[SORTING].append(page.evaluate(SORT, "yoursize") / 1000)
            context.close()
        browser.close()
    return times


def wait_until_ready(page: Page) -> None:
    page.wait_for_function(
        "() => document.querySelector('th[aria-sort]') && document.getElementById('yours').textContent"
        " && document.body.getBoundingClientRect().height > 0"
    )


if __name__ == "__main__":
    main()
