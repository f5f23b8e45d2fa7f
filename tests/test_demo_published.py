"""What other parties published in the demo: complete, true to its circuits, and made again to the last byte."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ohmshift.study.textfiles import read_response

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
PUBLISHED = DEMO / "published"
TRUTH = DEMO / "source" / "truth"
BANDS_HZ = 1000 * 10 ** (np.arange(-16, 13) / 10)

NGSPICE = pytest.mark.skipif(
    shutil.which("ngspice") is None and not os.environ.get("CI"),
    reason="ngspice is not installed (apt install ngspice)",
)


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def log_mean(f: np.ndarray, values: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Mean over a band, by the midpoint of 500 equal steps of log frequency."""
    edges = np.geomspace(low_hz, high_hz, 501)
    mid = np.sqrt(edges[1:] * edges[:-1])
    return float(np.interp(np.log(mid), np.log(f), values).mean())


def test_holds_a_study_a_table_and_a_picture():
    rows = table(PUBLISHED / "canal_side/measurements.csv")
    models = {row["earphone"] for row in rows}
    assert len(models) == 8
    assert len(rows) == 8 * 2 * 2 * 3
    assert {row["added_ohm"] for row in rows} == {"0", "33"}
    assert all((PUBLISHED / "canal_side" / row["file"]).is_file() for row in rows)
    assert {row["party"] for row in table(PUBLISHED / "published.csv")} == {"Counter Newsletter"}
    with Image.open(PUBLISHED / "repair_cafe_tureen.png") as picture:
        assert picture.size == (1200, 720)


def test_is_small_and_disturbs_nothing():
    size = sum(path.stat().st_size for path in PUBLISHED.rglob("*") if path.is_file())
    assert size < 800_000
    assert not [row for row in table(DEMO / "measurements.csv") if row["file"].startswith("published")]


def test_readme_tells_what_is_wrong():
    text = (DEMO / "README.md").read_text(encoding="utf-8")
    for part in ("Canal Side", "Counter Newsletter", "Repair Cafe", "**Saucepan** says 33 ohm and has 3.3", "LADLE"):
        assert part in text


@pytest.mark.source("independent", ref="true_published.csv, from ngspice's impedances of Canal Side's own units")
def test_responses_carry_the_true_change_of_what_was_in_the_plug():
    rows = table(PUBLISHED / "canal_side/measurements.csv")
    spelled = {"Ladle": "LADLE", "Tongs": "Tong's"}
    f = 20.1 * 2 ** (np.arange(476) / 48)
    inside = (BANDS_HZ > 190) & (BANDS_HZ < 4100)
    half = 10**0.05
    for truth in table(TRUTH / "true_published.csv"):
        means = []
        for ohm in ("0", "33"):
            key = (spelled.get(truth["earphone"], truth["earphone"]), truth["channel"], ohm)
            curves = [
                read_response(PUBLISHED / "canal_side" / row["file"])
                for row in rows
                if (row["earphone"], row["channel"], row["added_ohm"]) == key
            ]
            levels = [np.interp(np.log(f), np.log(curve.frequency_hz), curve.level_db) for curve in curves]
            level = np.mean([y - log_mean(f, y, 200, 2000) for y in levels], axis=0)
            means.append([log_mean(f, level, mid / half, mid * half) for mid in BANDS_HZ[inside]])
        known = np.array([float(value) for value in list(truth.values())[6:]])[inside]
        # 1.4 times the first library's variation: five standard deviations of the mean of three less that of three.
        assert np.abs(np.subtract(means[1], means[0]) - known).max() < 5 * 1.4 * 0.2 * np.sqrt(2 / 3)
    wrong = {row["earphone"] for row in table(TRUTH / "true_published.csv") if row["true_ohm"] != row["stated_ohm"]}
    assert wrong == {"Saucepan"}


def test_tracings_are_of_the_picture_that_is_there():
    digest = sha256((PUBLISHED / "repair_cafe_tureen.png").read_bytes()).hexdigest()
    for shows in ("without", "with"):
        tracing = json.loads((PUBLISHED / f"repair_cafe_tureen_{shows}.trace.json").read_text(encoding="utf-8"))
        assert (tracing["sha256"], tracing["shows"]) == (digest, shows)


@NGSPICE
@pytest.mark.source("snapshot", ref="the data set in this repository")
def test_the_script_makes_the_same_bytes(tmp_path: Path):
    script = DEMO / "source" / "make_published.py"
    subprocess.run(
        [sys.executable, "-B", str(script), "--out", str(tmp_path)], check=True, capture_output=True, timeout=300
    )
    made = {path.relative_to(tmp_path).as_posix(): path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert len(made) == 106 + 2
    different = [name for name, data in made.items() if (DEMO / name).read_bytes() != data]
    # Another compression library may pack the same pixels otherwise; the tracings hold the picture's hash.
    packed = [name for name in different if not name.endswith((".png", ".trace.json"))]
    assert packed == []
    if different:
        name = "published/repair_cafe_tureen.png"
        one, other = (Image.open(io.BytesIO(data)) for data in (made[name], (DEMO / name).read_bytes()))
        assert np.array_equal(np.asarray(one), np.asarray(other))
