"""Make the demo study: every netlist, curve, table and truth, from fixed seeds.

    python data_demo/source/make_demo.py                  rewrites the study this script lies in
    python data_demo/source/make_demo.py --out FOLDER     makes it in a new folder instead

Needs numpy and ngspice (Debian package ``ngspice``), nothing of the kit. The same versions give the same bytes.
"""

from __future__ import annotations

import argparse
import csv
import io
import shutil
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import ears
import lending_set
import networks
import numpy as np
import styles
from lending_set import EARPHONES, Earphone

SEED = 20_240_311
CHANNELS = ("left", "right")
MADE = ("study.toml", "earphones.csv", "measurements.csv", "meter.csv")
MADE_FOLDERS = ("responses", "impedances", "source/networks", "source/truth")

# What a random stream is for: the last number of its seed.
DESIGN, OTHER, SEAT, NOISE, CIRCUIT, READING = range(6)

TRUTH_SWEEP = "dec 2000 10 40000"
IMPEDANCE_SWEEP = "oct 24 20 20000"
BAND_MIDS_HZ = 1000 * 10 ** (np.arange(-16, 13) / 10)
NOMINAL_HZ = (
    25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150,
    4000, 5000, 6300, 8000, 10_000, 12_500, 16_000,
)  # fmt: skip


def stream(purpose: int, *numbers: int) -> np.random.Generator:
    """Give the random stream of one purpose."""
    return np.random.default_rng([SEED, *numbers, purpose])


def write_csv(path: Path, heading: list[str], rows: list[list]) -> None:
    """Write a table with plain line ends."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(heading)
    writer.writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


# ------------------------------------------------------------------------------------------------------- electric side


@dataclass(frozen=True)
class Solved:
    """Impedance of one channel on the grids that are needed: frequency [Hz] and impedance [ohm]."""

    response: tuple[np.ndarray, np.ndarray]
    impedance: tuple[np.ndarray, np.ndarray]
    truth: tuple[np.ndarray, np.ndarray]


def solve_circuits(out: Path) -> dict[tuple[str, str], Solved]:
    """Write the netlist of every channel and solve it."""
    solved = {}
    with tempfile.TemporaryDirectory() as scratch:
        for number, earphone in enumerate(EARPHONES):
            for side, channel in enumerate(CHANNELS):
                name = earphone.name.lower()
                text = networks.netlist(name, channel, [SEED, number, side, CIRCUIT])
                (out / "source/networks" / f"{name}_{channel}.cir").write_bytes(text.encode("ascii"))
                sweeps = {
                    "response": lending_set.GRIDS[earphone.grid],
                    "impedance": IMPEDANCE_SWEEP,
                    "truth": TRUTH_SWEEP,
                }
                solved[earphone.name, channel] = Solved(**networks.solve(text, sweeps, Path(scratch)))
    return solved


def write_impedances(out: Path, solved: dict[tuple[str, str], Solved]) -> list[list]:
    """Write the impedance files; give their rows of the manifest."""
    rows = []
    for earphone in EARPHONES:
        for channel in earphone.impedance_channels if earphone.impedance else ():
            f, Z = solved[earphone.name, channel].impedance
            table = {
                "frequency": f,
                "magnitude": np.abs(Z),
                "phase": np.degrees(np.angle(Z)),
                "real": Z.real,
                "imaginary": Z.imag,
            }
            style = styles.IMPEDANCE_STYLES[earphone.impedance]
            name = f"impedances/{earphone.name.lower()}_{channel}.{style.extension}"
            (out / name).write_bytes(styles.write_table(style, table, f"{earphone.name}, {channel}"))
            rows.append([name, earphone.name, channel, "impedance", 0, "", "", "", ""])
    return rows


def write_true_impedances(out: Path, solved: dict[tuple[str, str], Solved]) -> None:
    """Keep what ngspice gave, for every channel, measured or not."""
    first = next(iter(solved.values())).impedance[0]
    heading, columns = ["frequency_hz"], [first]
    for (name, channel), solution in solved.items():
        heading += [f"{name}_{channel}_{part}_ohm" for part in ("real", "imaginary")]
        columns += [solution.impedance[1].real, solution.impedance[1].imag]
    rows = [[f"{value:.9g}" for value in row] for row in zip(*columns, strict=True)]
    write_csv(out / "source/truth/true_impedances.csv", heading, rows)


def log_mean(f: np.ndarray, values: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Give the mean over a band, every octave counting the same."""
    inside = (f > low_hz) & (f < high_hz)
    ends = np.interp(np.log([low_hz, high_hz]), np.log(f), values)
    x = np.log(np.concatenate([[low_hz], f[inside], [high_hz]]))
    y = np.concatenate([ends[:1], values[inside], ends[1:]])
    return float(np.sum((y[1:] + y[:-1]) / 2 * np.diff(x)) / (x[-1] - x[0]))


def write_true_changes(out: Path, solved: dict[tuple[str, str], Solved]) -> None:
    """Keep the true change of each channel by each resistance: level drop, and third-octave bands without it."""
    half = 10**0.05
    rows = []
    for earphone in EARPHONES:
        for channel in CHANNELS:
            f, Z = solved[earphone.name, channel].truth
            total = Z + earphone.total_source_ohm
            for added_ohm in (15, *earphone.more_ohm):
                change = 20 * np.log10(np.abs(total / (total + added_ohm)))
                drop = log_mean(f, change, 200, 2000)
                bands = [log_mean(f, change, mid / half, mid * half) - drop for mid in BAND_MIDS_HZ]
                rows.append([earphone.name, channel, added_ohm, *(f"{value + 0.0:.5f}" for value in (drop, *bands))])
    heading = ["earphone", "channel", "added_ohm", "level_drop_db", *(f"band_{mid}_hz_db" for mid in NOMINAL_HZ)]
    write_csv(out / "source/truth/true_changes.csv", heading, rows)


# ------------------------------------------------------------------------------------------------------- acoustic side


@dataclass(frozen=True)
class Job:
    """One measurement to make: the earphone's number, the channel's, the added resistance, the seat's number from 1."""

    number: int
    side: int
    added_ohm: int
    seat: int

    @property
    def earphone(self) -> Earphone:
        return EARPHONES[self.number]

    @property
    def key(self) -> tuple[str, str, int, int]:
        return (self.earphone.name, CHANNELS[self.side], self.added_ohm, self.seat)

    @property
    def seat_name(self) -> str:
        letter = lending_set.SEAT_LETTER[self.added_ohm if self.earphone.reseated else 0]
        return f"{letter}{self.seat}"

    @property
    def file(self) -> str:
        extension = styles.RESPONSE_STYLES[self.earphone.style].extension
        name, channel, added_ohm, _ = self.key
        return f"responses/{name.lower()}_{channel}_{added_ohm}ohm_{self.seat_name}.{extension}"


def invent_designs() -> dict[tuple[int, int], ears.Design]:
    """Invent both channels of every earphone."""
    designs = {}
    for number, earphone in enumerate(EARPHONES):
        left = ears.invent(
            stream(DESIGN, number),
            level_db=earphone.level_db,
            resonance_db=earphone.resonance_db,
            noisiness=earphone.noisiness,
        )
        left = replace(left, leak_hz=earphone.leak_hz, leak_spread=earphone.leak_spread)
        designs[number, 0] = left
        designs[number, 1] = ears.other_channel(stream(OTHER, number), left)
    return designs


def seat_of(job: Job, design: ears.Design) -> ears.Seat:
    """Seat the earphone for a measurement, or leave it where it was."""
    untouched = not job.earphone.reseated and job.added_ohm > 0
    before = seat_of(replace(job, added_ohm=0), design) if untouched else None
    rng = stream(SEAT, job.number, job.side, job.added_ohm, job.seat)
    seat = ears.take_seat(rng, design, after=before)
    if job.key == lending_set.LEAKY:
        seat = replace(seat, leak_hz=lending_set.LEAKY_HZ)
    if job.key == lending_set.WRONG_LEVEL:
        seat = replace(seat, level_db=seat.level_db + lending_set.WRONG_LEVEL_DB)
    return seat


def simulate(job: Job, design: ears.Design, solution: Solved) -> dict[str, np.ndarray]:
    """Give the table one measurement yields."""
    earphone = job.earphone
    f, Z = solution.response
    ratio = Z / (Z + earphone.total_source_ohm + job.added_ohm)
    rng = stream(NOISE, job.number, job.side, job.added_ohm, job.seat)
    level = ears.measure(rng, design, seat_of(job, design), f, ratio)
    if earphone.relative:
        level = level - np.interp(1000, f, level)
    table = {"frequency": f, "level": level}
    if any(quantity == "phase" for quantity, _, _ in styles.RESPONSE_STYLES[earphone.style].columns):
        table["phase"] = ears.minimum_phase_deg(f, level - level[0], 1e-4)
    return table


def write_responses(out: Path, solved: dict[tuple[str, str], Solved]) -> list[list]:
    """Write the response files and what is true of them; give their rows of the manifest."""
    designs, rows, truth = invent_designs(), [], []
    for number, earphone in enumerate(EARPHONES):
        conditions = (0, 15, *earphone.more_ohm)
        for job in (Job(number, s, r, k) for s in (0, 1) for r in conditions for k in range(1, lending_set.SEATS + 1)):
            name, channel, added_ohm, _ = job.key
            made = replace(job, seat=lending_set.DUPLICATE_OF[3]) if job.key == lending_set.DUPLICATE else job
            design, style = designs[number, job.side], styles.RESPONSE_STYLES[earphone.style]
            table = simulate(made, design, solved[name, channel])
            title = f"{name}, {channel}, {added_ohm} ohm added, seat {made.seat_name}"
            (out / job.file).write_bytes(styles.write_table(style, table, title))
            level = "relative" if earphone.relative else "absolute"
            source = "" if earphone.source_ohm is None else earphone.source_ohm
            rows.append([job.file, name, channel, "response", added_ohm, source, job.seat_name, level, ""])
            seat = seat_of(made, design)
            resonance = f"{ears.resonance_hz(design, seat):.2f}" if earphone.resonance_db is None else ""
            shift = f"{100 * np.expm1(seat.shift):.3f}"
            truth.append([job.file, resonance, shift, f"{seat.level_db:.4f}", f"{seat.leak_hz:.3f}", style.name])
    heading = ["file", "resonance_hz", "shift_percent", "level_offset_db", "leak_hz", "style"]
    write_csv(out / "source/truth/true_seats.csv", heading, truth)
    return rows


# -------------------------------------------------------------------------------------------------------------- tables


def write_flaws(out: Path) -> None:
    """Keep what went wrong, and where."""

    def file(key: tuple[str, str, int, int]) -> str:
        name, channel, added_ohm, seat = key
        number = [earphone.name for earphone in EARPHONES].index(name)
        return Job(number, CHANNELS.index(channel), added_ohm, seat).file

    rows = [
        ["leaky seat", lending_set.LEAKY[0], file(lending_set.LEAKY), f"high-pass at {lending_set.LEAKY_HZ:g} Hz"],
        [
            "wrong level",
            lending_set.WRONG_LEVEL[0],
            file(lending_set.WRONG_LEVEL),
            f"{lending_set.WRONG_LEVEL_DB:g} dB",
        ],
        ["duplicate", lending_set.DUPLICATE[0], file(lending_set.DUPLICATE), file(lending_set.DUPLICATE_OF)],
    ]
    rows += [["no clear resonance", e.name, "", ""] for e in EARPHONES if e.resonance_db == 0]
    rows += [["noisy", e.name, "", f"{e.noisiness:g} times the variation"] for e in EARPHONES if e.noisiness != 1]
    write_csv(out / "source/truth/true_flaws.csv", ["flaw", "earphone", "file", "detail"], rows)


def write_earphones(out: Path) -> None:
    """Write the list of earphones."""
    heading = [
        "earphone",
        "driver_class",
        "driver_count",
        "rated_ohm",
        "sensitivity_db",
        "sensitivity_reference",
        "notes",
    ]
    rows = [[e.name, e.driver_class, e.driver_count, e.rated_ohm, *e.sensitivity, e.notes] for e in EARPHONES]
    write_csv(out / "earphones.csv", heading, rows)


def write_meter(out: Path) -> None:
    """Write the meter's readings and the resistances behind them."""
    rows, truth = [], []
    for number, (item, sample, conductor, true_ohm, count, range_ohm, step_ohm, notes) in enumerate(
        lending_set.METER_ITEMS
    ):
        rng = stream(READING, number)
        digits = 2 if step_ohm < 0.1 else 1
        for _ in range(count):
            lead = 0.21 + 0.004 * rng.standard_normal()
            reading = true_ohm + 0.21 + 0.7 * step_ohm * rng.standard_normal()
            readings = [f"{round(value / step_ohm) * step_ohm:.{digits}f}" for value in (reading, lead)]
            rows.append([item, sample, conductor, *readings, lending_set.METER, range_ohm, notes])
        truth.append([item, sample, conductor, true_ohm])
    heading = ["item", "sample", "conductor", "reading_ohm", "lead_ohm", "meter", "range_ohm", "notes"]
    write_csv(out / "meter.csv", heading, rows)
    write_csv(out / "source/truth/true_meter.csv", ["item", "sample", "conductor", "resistance_ohm"], truth)


def make(out: Path) -> None:
    """Make everything in a folder."""
    for folder in MADE_FOLDERS:
        shutil.rmtree(out / folder, ignore_errors=True)
        (out / folder).mkdir(parents=True)
    (out / "study.toml").write_bytes(lending_set.STUDY_TOML.encode("utf-8"))
    write_earphones(out)
    write_meter(out)
    solved = solve_circuits(out)
    rows = write_responses(out, solved) + write_impedances(out, solved)
    heading = ["file", "earphone", "channel", "quantity", "added_ohm", "source_ohm", "seat", "level_reference", "notes"]
    write_csv(out / "measurements.csv", heading, rows)
    write_true_impedances(out, solved)
    write_true_changes(out, solved)
    write_flaws(out)
    size = sum(path.stat().st_size for folder in MADE_FOLDERS for path in (out / folder).iterdir())
    print(f"{len(EARPHONES)} earphones, {len(rows)} files measured, {size / 1e6:.2f} MB in {out}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the demo study from fixed seeds.")
    parser.add_argument(
        "--out", type=Path, help="new or empty folder to make it in; without it, this study is rewritten"
    )
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
