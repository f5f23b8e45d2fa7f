"""Errors and speed of aligning the ear-canal resonance, on simulated earphones whose truth is known.

Run `python tests/benchmarks/bench_alignment.py [EARPHONES]` (default 150 of each kind). An earphone is a fixed tonal
part plus ear-canal modes that move with the depth of every seating; what else changes with the seating is level, seal,
a smooth random variation that grows with frequency, and noise. Kinds: "clear" has a resonance of 7 to 13 dB, "weak" of
1.5 to 3 dB, "none" has none, "double" has two that move together, "fixed peak" has one that moves beside one that does
not.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from race import race
from scipy.ndimage import gaussian_filter1d

from ohmshift.curves.alignment import (
    align_level,
    align_resonance,
    choose_warp,
    find_shifts,
    shift_resonance,
    warp_variances,
)
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import ResponseSet
from ohmshift.units import octaves_from_frequency

F = octave_grid()
KINDS = ("clear", "weak", "none", "double", "fixed peak")
WARPS = ("local", "detail")
REGIONS = {"200-2k": (200, 2000), "2-5k": (2000, 5000), "> 5k": (5000, 16_000)}
DEPTH_SD = 0.045
PERCENT_PER_OCTAVE = 100 * 0.3 * np.log(10)


@dataclass(frozen=True, kw_only=True)
class Earphone:
    """Fixed tonal part, and modes (relative frequency, quality, height in dB) of a moving resonance."""

    tonal_db: np.ndarray
    resonance_hz: float
    modes: tuple[tuple[float, float, float], ...]


def peak(centre_hz: float, quality: float, height_db: float) -> np.ndarray:
    detune = quality * (F / centre_hz - centre_hz / F)
    return np.sign(height_db) * 10 * np.log10(1 + (10 ** (abs(height_db) / 10) - 1) / (1 + detune**2))


def wander(rng: np.random.Generator, octaves: float) -> np.ndarray:
    """Draw a smooth random curve of standard deviation one that varies over so many octaves."""
    sigma = 48 * octaves / np.sqrt(2)
    pad = int(4 * sigma)
    drawn = gaussian_filter1d(rng.standard_normal(F.size + 2 * pad), sigma)[pad : pad + F.size]
    return drawn * np.sqrt(2 * sigma * np.sqrt(np.pi))


def make_earphone(rng: np.random.Generator, kind: str) -> Earphone:
    tonal = 100 + rng.uniform(0, 9) / (1 + (F / rng.uniform(80, 300)) ** 1.5)
    tonal += peak(rng.uniform(2400, 3600), rng.uniform(0.9, 1.6), rng.uniform(6, 12))
    tonal += peak(rng.uniform(4200, 5600), rng.uniform(3, 6), rng.uniform(-3, 5))
    tonal -= rng.uniform(3, 12) * np.clip(octaves_from_frequency(F, reference_hz=9000), 0, None)
    tonal += 0.8 * wander(rng, 0.9)
    centre = 8000 * np.exp(rng.normal(0, 0.05))
    height = {"clear": rng.uniform(7, 13), "weak": rng.uniform(1.5, 3), "none": 0.0}.get(kind, rng.uniform(6, 10))
    quality = rng.uniform(6, 12)
    modes = [(1.0, quality, height)]
    modes += [(r * rng.uniform(0.97, 1.03), rng.uniform(5, 10), height * rng.uniform(0.2, 0.7)) for r in (1.62, 2.05)]
    if kind == "double":
        modes.append((rng.choice([0.8, 1.22]), quality, height * rng.uniform(0.75, 1.1)))
    if kind == "fixed peak":
        tonal += peak(centre * rng.choice([0.78, 1.25]), 8, height * rng.uniform(0.8, 1.1))
    return Earphone(tonal_db=tonal, resonance_hz=centre, modes=tuple(modes))


def seat(rng: np.random.Generator, earphone: Earphone, depth: float) -> np.ndarray:
    """Give one seating's level at a depth, the natural logarithm of the frequency ratio."""
    taller = rng.normal(0, 0.4)
    level = earphone.tonal_db + rng.normal(0, 0.2) + rng.normal(0, 0.03, F.size)
    for ratio, quality, height in earphone.modes:
        level = level + peak(earphone.resonance_hz * ratio * np.exp(depth), quality, max(height + taller, 0.0))
    leak_hz = np.exp(rng.normal(np.log(35 if rng.random() < 0.15 else 5), 0.5))
    spread = np.interp(np.log(F), np.log([2000, 5000, 8000, 16_000]), [0.12, 0.19, 0.3, 0.5])
    return level + spread * wander(rng, 1 / 3) - 10 * np.log10(1 + (leak_hz / F) ** 2)


def change_db(rng: np.random.Generator) -> np.ndarray:
    """Give the change by 33 ohm of a load that falls or rises about a crossover."""
    low, high, corner = rng.uniform(8, 16), rng.uniform(16, 50), rng.uniform(1000, 5000)
    if rng.random() < 0.5:
        low, high = high, low
    load = low + (high - low) / (1 + 1j * F / corner)
    return 20 * np.log10(np.abs(load / (load + 33)))


@dataclass(frozen=True, kw_only=True)
class Trial:
    """Two conditions of one earphone, the change between them and the depth of every seating, row by row."""

    sets: tuple[ResponseSet, ResponseSet]
    change_db: np.ndarray
    depths: np.ndarray


def make_trial(rng: np.random.Generator, kind: str, seats: int) -> Trial:
    earphone, change = make_earphone(rng, kind), change_db(rng)
    depths = rng.normal(0, DEPTH_SD, 2 * seats)
    levels = np.array([seat(rng, earphone, depth) for depth in depths])
    levels[seats:] += change
    names = tuple(str(i) for i in range(2 * seats))
    sets = tuple(
        ResponseSet(frequency_hz=F, level_db=rows, channel=("left",) * seats, seat=tags, added_ohm=ohm)
        for rows, tags, ohm in ((levels[:seats], names[:seats], 0.0), (levels[seats:], names[seats:], 33.0))
    )
    return Trial(sets=(sets[0], sets[1]), change_db=change, depths=depths)


def change_error(trial: Trial, sets: tuple[ResponseSet, ...]) -> list[float]:
    """Give the root mean square error of the level-free change in each region."""
    without, with_added = (align_level(curves)[0].level_db.mean(axis=0) for curves in sets)
    midrange = (F >= 200) & (F <= 2000)
    error = with_added - without - (trial.change_db - trial.change_db[midrange].mean())
    return [float(np.sqrt(np.mean(error[(f1 <= F) & (f2 > F)] ** 2))) for f1, f2 in REGIONS.values()]


def shift_errors(trial: Trial, report) -> np.ndarray:
    """Give the error of each row's shift from the mean, in percent of the frequency."""
    found = np.array([row.shift_octaves for row in report.channels[0].rows]) * PERCENT_PER_OCTAVE
    return np.abs(found - 100 * (trial.depths - trial.depths.mean()))


def bench_shifts(earphones: int) -> None:
    print(f"\n### Shift of each row from the mean, {earphones} earphones of each kind\n")
    print(
        "| kind | seats | certain | median error, all | of certain | certain and wrong by > 2 % | twice against once |"
    )
    print("|---|---|---|---|---|---|---|")
    rng = np.random.default_rng(20)
    pooled: list[np.ndarray] = []
    for kind in KINDS:
        for seats in (1, 3):
            every, certain, again = [], [], []
            for _ in range(earphones):
                trial = make_trial(rng, kind, seats)
                once, report = align_resonance(trial.sets)
                every.append(shift_errors(trial, report))
                if report.certain:
                    certain.append(every[-1])
                    twice, _ = align_resonance(once)
                    again.append(max(np.abs(a.level_db - b.level_db).max() for a, b in zip(once, twice, strict=True)))
            wrong = f"{np.mean(np.concatenate(certain) > 2):.2%}" if certain else "-"
            median = f"{np.median(np.concatenate(certain)):.3f} %" if certain else "-"
            of_all = f"{len(certain) / earphones:.0%} | {np.median(np.concatenate(every)):.3f} %"
            pooled.extend(certain)
            idempotent = f"{max(again):.3f} dB" if again else "-"
            print(f"| {kind} | {seats} + {seats} | {of_all} | {median} | {wrong} | {idempotent} |")
    rows = np.concatenate(pooled)
    print(f"\nOf all {rows.size} certain rows {np.mean(rows > 2):.2%} are wrong by more than 2 % (target <= 0.4 %).")


def bench_residuals(earphones: int) -> None:
    print(f"\n### Error of the change in dB (root mean square, median of {earphones}), three seats reseated\n")
    print("Rows that are not certain stay as they are, as the package leaves them.\n")
    print("| kind | region | as measured | local | detail | chosen for the study |")
    print("|---|---|---|---|---|---|")
    rng = np.random.default_rng(21)
    for kind in KINDS:
        trials = [make_trial(rng, kind, 3) for _ in range(earphones)]
        chosen = choose_warp(warp_variances(find_shifts(trial.sets), trial.sets) for trial in trials[:24])
        errors = {"none": [change_error(trial, trial.sets) for trial in trials]}
        for warp in WARPS:
            errors[warp] = [change_error(trial, align_resonance(trial.sets, warp=warp)[0]) for trial in trials]
        medians = {name: np.median(values, axis=0) for name, values in errors.items()}
        for i, region in enumerate(REGIONS):
            values = " | ".join(f"{medians[name][i]:.3f}" for name in ("none", *WARPS))
            print(f"| {kind} | {region} | {values} | {chosen if region == '> 5k' else ''} |")


def race_alignment() -> None:
    rng = np.random.default_rng(22)
    trials = [make_trial(rng, "clear", 3) for _ in range(2)]
    sets = tuple(
        ResponseSet(
            frequency_hz=F,
            level_db=np.concatenate([trial.sets[i].level_db for trial in trials]),
            channel=("left",) * 3 + ("right",) * 3,
            seat=trials[0].sets[i].seat * 2,
            added_ohm=trials[0].sets[i].added_ohm,
        )
        for i in (0, 1)
    )
    report = find_shifts(sets)
    if not report.certain:
        raise SystemExit(report.summarise())
    race(
        {
            "align_resonance": lambda: align_resonance(sets),
            "find_shifts, once": lambda: find_shifts(sets),
            "shift_resonance, each move of a slider": lambda: [
                shift_resonance(curves, report, target_hz=8000.0) for curves in sets
            ],
        },
        base="align_resonance",
        title="One earphone, two channels of six rows",
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 150
    bench_shifts(number)
    bench_residuals(number)
    race_alignment()
