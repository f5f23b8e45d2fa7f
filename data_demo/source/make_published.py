"""Make what other parties published about the same models, from fixed seeds: a study, a table and a chart's picture.

    python data_demo/source/make_published.py                  rewrites data_demo/published
    python data_demo/source/make_published.py --out FOLDER     makes it in a new folder instead

Needs numpy, Pillow and ngspice, nothing of the kit. The same versions give the same bytes. Run `make_demo.py` first or
after: neither touches what the other makes.
"""

from __future__ import annotations

import argparse
import json
import shutil
import tempfile
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

import chart_picture
import ears
import networks
import numpy as np
import styles
from lending_set import EARPHONES
from make_demo import BAND_MIDS_HZ, CHANNELS, CIRCUIT, DESIGN, NOISE, NOMINAL_HZ, OTHER, SEAT, log_mean, write_csv
from make_demo import stream as first_stream

SEED = 20_260_917
PARTY = "Canal Side"
FOLDER = "published/canal_side"
SOURCE_OHM, CABLE_OHM = 0.2, 0.35
ADDED_OHM = 33
GRID = "oct 16 20 20000"
TRUTH_GRID = "dec 2000 10 40000"
SEATS = 3
NOISINESS = 1.4

MODELS = ("Ladle", "Whisk", "Grater", "Skillet", "Saucepan", "Tureen", "Tongs", "Wok")
MISLABELLED = "Saucepan"
MISLABELLED_OHM = 3.3
"""What was really in the plug whose label says 33 ohm."""

SPELLED = {"Ladle": "LADLE", "Tongs": "Tong's"}
"""Names that they spell in another way."""

CLAIMS = {"Grater": {"driver_count": 4}, "Tongs": {"rated_ohm": 32}}
"""What they say of a model that the first library says otherwise."""

NEWSLETTER = ("Whisk", 75)
CAFE = ("Tureen", 47)

STUDY_TOML = """\
# An invented study by an invented neighbour: see ../../README.md.
title = "What a 33-ohm plug does to eight earphones"
question = "Does the plug that is sold beside our counter change how earphones sound?"
licence = "CC0-1.0"
source_ohm = 0.2
cable_ohm = 0.35

[rig]
ear_simulator = "another occluded-ear simulator, simulated"
alignment_hz = 8000

[margins]
change_db = 1.0
"""

CONTRIBUTION = [
    ["party", PARTY],
    ["permission", "yes"],
    ["measured", "2026-09"],
    ["drive", "150 mV at 1 kHz, not changed"],
    ["seal", "checked by the level at 30 Hz"],
    ["contact", "the counter"],
    ["remarks", ""],
]


@dataclass(frozen=True)
class Sample:
    """One channel of the party's own sample of a model."""

    name: str
    side: int
    response: tuple[np.ndarray, np.ndarray]
    truth: tuple[np.ndarray, np.ndarray]
    design: ears.Design

    @property
    def added_ohm(self) -> float:
        return MISLABELLED_OHM if self.name == MISLABELLED else ADDED_OHM


def stream(purpose: int, *numbers: int) -> np.random.Generator:
    """Give the random stream of one purpose."""
    return np.random.default_rng([SEED, *numbers, purpose])


def rig_db(f: np.ndarray) -> np.ndarray:
    """Give how the party's ear simulator and amplifier differ from the first library's [dB]."""
    return ears.bump(f, 2600, 0.9, 2.2) + ears.bump(f, 5600, 2.5, -1.8) - 1.2 / (1 + (f / 60) ** 2)


def invent(name: str) -> tuple[ears.Design, ears.Design]:
    """Give both channels on the other rig: the same model, with the canal's resonance elsewhere and broader."""
    number = [earphone.name for earphone in EARPHONES].index(name)
    earphone = EARPHONES[number]
    left = ears.invent(
        first_stream(DESIGN, number),
        level_db=earphone.level_db,
        resonance_db=earphone.resonance_db,
        noisiness=NOISINESS,
    )
    canal = tuple((f * 0.97, q * 0.85, max(height - 1.2, 0.0)) for f, q, height in left.canal)
    left = replace(left, canal=canal, leak_hz=4.0, leak_spread=0.3)
    return left, ears.other_channel(stream(OTHER, number), left)


def solve(name: str, side: int, scratch: Path) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Solve the circuit of the party's own sample."""
    number = [earphone.name for earphone in EARPHONES].index(name)
    text = networks.netlist(name.lower(), CHANNELS[side], [SEED, number, side, CIRCUIT])
    return networks.solve(text, {"response": GRID, "truth": TRUTH_GRID}, scratch)


def make_samples() -> list[Sample]:
    """Make the party's samples."""
    samples = []
    with tempfile.TemporaryDirectory() as scratch:
        for name in MODELS:
            designs = invent(name)
            samples += [Sample(name, side, design=designs[side], **solve(name, side, Path(scratch))) for side in (0, 1)]
    return samples


def measure(sample: Sample, added_ohm: float, seat_number: int) -> np.ndarray:
    """Give the level of one measurement [dB]."""
    number = MODELS.index(sample.name)
    f, Z = sample.response
    key = (number, sample.side, int(added_ohm > 0), seat_number)
    seat = ears.take_seat(stream(SEAT, *key), sample.design)
    ratio = Z / (Z + SOURCE_OHM + CABLE_OHM + added_ohm)
    return ears.measure(stream(NOISE, *key), sample.design, seat, f, ratio) + rig_db(f) + 3.5


def write_study(out: Path, samples: list[Sample]) -> None:
    """Write the party's study folder."""
    folder = out / FOLDER
    (folder / "responses").mkdir(parents=True)
    (folder / "study.toml").write_bytes(STUDY_TOML.encode("utf-8"))
    write_csv(folder / "contribution.csv", ["item", "answer"], CONTRIBUTION)
    style = styles.RESPONSE_STYLES["comma"]
    rows = []
    for sample in samples:
        for added_ohm, letter in ((0, "p"), (ADDED_OHM, "q")):
            for k in range(1, SEATS + 1):
                level = measure(sample, sample.added_ohm if added_ohm else 0.0, k)
                channel = CHANNELS[sample.side]
                file = f"responses/{sample.name.lower()}_{channel}_{added_ohm}ohm_{letter}{k}.csv"
                table = {"frequency": sample.response[0], "level": level}
                (folder / file).write_bytes(styles.write_table(style, table, ""))
                name = SPELLED.get(sample.name, sample.name)
                rows.append([file, name, channel, "response", added_ohm, "", f"{letter}{k}", "absolute", ""])
    heading = ["file", "earphone", "channel", "quantity", "added_ohm", "source_ohm", "seat", "level_reference", "notes"]
    write_csv(folder / "measurements.csv", heading, rows)
    heading = ["item", "sample", "conductor", "reading_ohm", "lead_ohm", "meter", "range_ohm", "notes"]
    write_csv(folder / "meter.csv", heading, [])
    write_earphones(folder)


def write_earphones(folder: Path) -> None:
    """Write the party's list of models."""
    heading = ["earphone", "driver_class", "driver_count", "rated_ohm"]
    heading += ["sensitivity_db", "sensitivity_reference", "notes"]
    rows = []
    for earphone in (e for name in MODELS for e in EARPHONES if e.name == name):
        said = CLAIMS.get(earphone.name, {})
        rows.append(
            [
                SPELLED.get(earphone.name, earphone.name),
                earphone.driver_class,
                said.get("driver_count", earphone.driver_count),
                said.get("rated_ohm", earphone.rated_ohm),
                *earphone.sensitivity,
                "",
            ]
        )
    write_csv(folder / "earphones.csv", heading, rows)


def bands(f: np.ndarray, change_db: np.ndarray) -> tuple[float, list[float]]:
    """Give the level drop, and third-octave bands without it [dB]."""
    half = 10**0.05
    drop = log_mean(f, change_db, 200, 2000)
    return drop, [log_mean(f, change_db, mid / half, mid * half) - drop for mid in BAND_MIDS_HZ]


def change_db(Z: np.ndarray, added_ohm: float, source_ohm: float) -> np.ndarray:
    """Give the divider's change [dB]."""
    return 20 * np.log10(np.abs((Z + source_ohm) / (Z + source_ohm + added_ohm)))


def write_truth(out: Path, samples: list[Sample]) -> None:
    """Keep what is true of every published change."""
    rows = []
    for sample in samples:
        f, Z = sample.truth
        drop, values = bands(f, change_db(Z, sample.added_ohm, SOURCE_OHM + CABLE_OHM))
        known = [PARTY, sample.name, CHANNELS[sample.side], ADDED_OHM, sample.added_ohm]
        rows.append([*known, *(f"{value + 0.0:.5f}" for value in (drop, *values))])
    heading = ["party", "earphone", "channel", "stated_ohm", "true_ohm", "level_drop_db"]
    heading += [f"band_{mid}_hz_db" for mid in NOMINAL_HZ]
    (out / "source/truth").mkdir(parents=True, exist_ok=True)
    write_csv(out / "source/truth/true_published.csv", heading, rows)


def write_newsletter(out: Path, samples: list[Sample]) -> list:
    """Write a table of numbers as a newsletter prints it, and give its row of the list."""
    name, added_ohm = NEWSLETTER
    sample = next(s for s in samples if s.name == name and s.side == 0)
    f, Z = sample.truth
    rng = stream(NOISE, 901)
    noise = 0.15 * ears.smooth_curve(rng.standard_normal(ears.LATTICE.size), f, 0.3)
    mids = 1000 * 10 ** (np.arange(-17, 14) / 10)
    names = (20, *NOMINAL_HZ, 20_000)
    level = [np.interp(np.log(mid), np.log(f), change_db(Z, added_ohm, 1.0) + noise) for mid in mids]
    file = f"published/newsletter_{name.lower()}_{added_ohm}ohm.csv"
    write_csv(
        out / file,
        ["Frequency (Hz)", "Change (dB)"],
        [[hz, f"{y:.1f}"] for hz, y in zip(names, level, strict=True)],
    )
    notes = "table on the back page, mean of three seats, rounded to 0.1 dB"
    return [Path(file).name, "Counter Newsletter", name, added_ohm, 1, "change", 3, 0.05, notes]


def write_chart(out: Path) -> None:
    """Draw the chart of a third party, say how it is read, and keep the curves in it."""
    name, added_ohm = CAFE
    first = chart_picture.FREQUENCY_HZ
    with tempfile.TemporaryDirectory() as scratch:
        number = [earphone.name for earphone in EARPHONES].index(name)
        text = networks.netlist(name.lower(), "left", [SEED, number, 9, CIRCUIT])
        f, Z = networks.solve(text, {"truth": TRUTH_GRID}, Path(scratch))["truth"]
    design, other = invent(name)[0], invent("Wok")[0]
    curves = {}
    for k, (label, ohm) in enumerate((("without", 0.0), ("with", float(added_ohm)))):
        seat = ears.take_seat(stream(SEAT, 950 + k), replace(design, noisiness=0.58))  # a mean of three
        ratio = Z / (Z + 1.0 + ohm)
        fine = np.interp(np.log(first), np.log(f), 20 * np.log10(np.abs(ratio)))
        level = ears.measure(stream(NOISE, 950 + k), replace(design, noisiness=0.0), seat, first, 10 ** (fine / 20))
        curves[label] = level
    seat = ears.take_seat(stream(SEAT, 960), other)
    curves["another"] = ears.measure(
        stream(NOISE, 960), replace(other, noisiness=0.0), seat, first, np.full(first.size, 0.6)
    )
    picture = f"repair_cafe_{name.lower()}.png"
    data, calibration = chart_picture.draw(curves, title=f"{name} with and without {added_ohm} ohm")
    (out / "published" / picture).write_bytes(data)
    for label in ("without", "with"):
        tracing = {
            "picture": picture,
            "sha256": sha256(data).hexdigest(),
            "party": "Repair Cafe",
            "earphone": name,
            "added_ohm": added_ohm,
            "source_ohm": 1.0,
            "shows": label,
            "seats": 3,
            "frequency_axis": calibration["frequency"],
            "level_axis": calibration["level"],
            "colour": chart_picture.COLOURS[label],
            "corrections": [],
            "notes": "",
        }
        file = out / "published" / f"repair_cafe_{name.lower()}_{label}.trace.json"
        file.write_bytes((json.dumps(tracing, indent=2) + "\n").encode("utf-8"))
    rows = [[f"{x:.4f}", *(f"{curves[k][i]:.4f}" for k in ("without", "with"))] for i, x in enumerate(first)]
    heading = ["frequency_hz", "without_db", f"with_{added_ohm}_ohm_db"]
    write_csv(out / "source/truth/true_picture.csv", heading, rows[::4])


def make(out: Path) -> None:
    """Make everything in a folder."""
    shutil.rmtree(out / "published", ignore_errors=True)
    (out / "published").mkdir(parents=True)
    samples = make_samples()
    write_study(out, samples)
    write_truth(out, samples)
    heading = ["file", "party", "earphone", "added_ohm", "source_ohm", "shows", "seats", "error_db", "notes"]
    write_csv(out / "published/published.csv", heading, [write_newsletter(out, samples)])
    write_chart(out)
    made = [path for path in (out / "published").rglob("*") if path.is_file()]
    print(f"{len(made)} files, {sum(path.stat().st_size for path in made) / 1e6:.2f} MB in {out / 'published'}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Make what other parties published, from fixed seeds.")
    parser.add_argument("--out", type=Path, help="new or empty folder; without it, data_demo/published is rewritten")
    out = parser.parse_args().out
    if out is None:
        make(Path(__file__).resolve().parents[1])
        return
    if out.exists() and any(out.iterdir()):
        parser.error(f"--out must be a new or empty folder, but {out} holds files; name another")
    out.mkdir(parents=True, exist_ok=True)
    make(out)


if __name__ == "__main__":
    main()
