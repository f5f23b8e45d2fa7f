"""Operating characteristics of verdicts on simulated studies, and their speed.

    python tests/benchmarks/bench_verdicts.py [--studies 35] [--seed 1]

Each study has 24 earphones, left and right; of them 8 did not change, and 4 each changed by 0.5, 1, 2 and 3 dB in their
largest third-octave band. With one seat, a second 24 earphones of the same make-up bring the repeats. False alarms are
earphones that did not change and are said to have; power is the share of changed ones that are said to have. Standard
errors of the shares are those of the earphones, as if independent.

Resonances are aligned as in a study; the warp is the one that a study of these ears chooses.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from race import race  # noqa: I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from earsim import BANDS, F, Rig, make_change, make_earphone, measure_pair

from ohmshift.curves.alignment import Warp, align_resonance, choose_warp, find_shifts, warp_variances
from ohmshift.curves.values import ResponseSet
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.floors import NoiseFloor, estimate_noise_floor
from ohmshift.evidence.verdicts import Verdict, judge_change

SIZES_DB = (0.0,) * 8 + (0.5,) * 4 + (1.0,) * 4 + (2.0,) * 4 + (3.0,) * 4
SHOWN_HZ = (50, 500, 6300, 12_500)
AT = [int(np.argmin(np.abs(np.log(BANDS.mid_hz / f)))) for f in SHOWN_HZ]
Pair = tuple[ResponseSet, ResponseSet]


@dataclass(frozen=True, kw_only=True)
class Case:
    name: str
    seats: int
    reseated: bool = True
    rig: Rig = field(default_factory=Rig)
    earphones: int = 24
    bar: str = ""


CASES = (
    Case(name="reseated, n = 1 (borrowed floor)", seats=1, bar="4.0; 7/20/61/84; 12.5/0.48/2.4/2.4"),
    Case(name="reseated, n = 2", seats=2, bar="5.0; 24/60/96/98; 2.1/0.26/1.1/1.3"),
    Case(name="reseated, n = 3", seats=3, bar="4.7; 38/82/98/100; 1.6/0.20/0.86/1.0"),
    Case(name="reseated, n = 5", seats=5, bar="3.1; 56/94/99/100; 1.1/0.15/0.66/0.73"),
    Case(name="n = 3, seals checked", seats=3, rig=Rig(leaks=False), bar="4.8; 58/90/100/100; 0.30/0.20/0.86/1.0"),
    Case(name="not reseated, n = 1", seats=1, reseated=False, bar="4.4; 97/100/100/100; 2.4/0.05/0.15/0.21"),
    Case(name="not reseated, n = 3", seats=3, reseated=False, bar="3.6; 100 throughout; 0.09/0.03/0.09/0.11"),
)
SMALL = (
    *(
        Case(name=f"reseated, n = {seats}, {m} earphones", seats=seats, earphones=m)
        for seats, m in ((3, 2), (3, 3), (3, 6), (2, 3), (3, 1))
    ),
    Case(name="not reseated, n = 3, 1 earphone", seats=3, reseated=False, earphones=1),
)


def measure_study(
    rng: np.random.Generator, case: Case, rig: Rig, sizes_db: tuple[float, ...], seats: int
) -> list[Pair]:
    raw = [
        measure_pair(rng, rig, make_earphone(rng), seats, make_change(rng, size), label=f"{i}", reseated=case.reseated)
        for i, size in enumerate(sizes_db)
    ]
    return [align_resonance(pair, warp=best_warp())[0] for pair in raw]


@cache
def best_warp() -> Warp:
    """The warp that suits these simulated ears, chosen as a study chooses it."""
    rng = np.random.default_rng(0)
    pairs = [
        measure_pair(rng, Rig(), make_earphone(rng), 3, np.zeros(F.size), label=f"{i}", reseated=True)
        for i in range(24)
    ]
    return choose_warp(warp_variances(find_shifts(pair), pair) for pair in pairs)


def judge_study(
    rng: np.random.Generator, case: Case, *, sizes_db: tuple[float, ...] | None = None, noise: float = 1.0
) -> tuple[list[Pair], NoiseFloor, list[Verdict]]:
    sizes_db = tuple(rng.permutation(SIZES_DB)[: case.earphones]) if sizes_db is None else sizes_db
    pairs = measure_study(rng, case, replace(case.rig, loudness_of_noise=noise), sizes_db, case.seats)
    lenders = pairs
    if case.seats == 1:
        lenders = measure_study(rng, case, case.rig, sizes_db, 3)
    elif noise != 1:
        lenders = measure_study(rng, case, case.rig, sizes_db, case.seats)
    floor = estimate_noise_floor(curves for pair in lenders for curves in pair)
    return pairs, floor, [judge_change(measure_change(*pair), floor) for pair in pairs]


def share(hits: list[bool]) -> float:
    return 100 * float(np.mean(hits)) if hits else float("nan")


def tabulate(case: Case, studies: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    said: dict[float, list[Verdict]] = {}
    for _ in range(studies):
        sizes_db = tuple(rng.permutation(SIZES_DB)[: case.earphones])
        for size_db, verdict in zip(sizes_db, judge_study(rng, case, sizes_db=sizes_db)[2], strict=True):
            said.setdefault(float(size_db), []).append(verdict)
    changed = {size: [bool(v.changed.any()) for v in found] for size, found in said.items()}
    alarms = share(changed[0.0])
    error = np.sqrt(alarms * (100 - alarms) / len(changed[0.0]))
    power = "/".join(f"{share(changed.get(size, [])):.0f}" for size in (0.5, 1.0, 2.0, 3.0))
    half = np.median([v.half_width_db[AT] for found in said.values() for v in found], axis=0)
    widths = "/".join(f"{width:.2g}" for width in half)
    edge = said.get(1.0, [])
    bounded, beyond = share([v.bound_db <= 1 for v in edge]), share([bool(v.beyond.any()) for v in edge])
    small = share([v.bound_db <= 1 for v in said[0.0]])
    print(
        f"| {case.name} | {alarms:.1f} ± {error:.1f} | {power} | {widths} | {bounded:.1f} / {beyond:.1f} | {small:.0f} "
        f"| {case.bar} |",
        flush=True,
    )


def tabulate_guard(studies: int, seed: int) -> None:
    print("\n### Earphones with twice the noise of the floor they borrow: false alarms %, nothing changed\n")
    print("| seats | with guard | without guard |\n|---|---|---|")
    for case in CASES[:4]:
        rng = np.random.default_rng(seed)
        kept, dropped = [], []
        for _ in range(studies):
            pairs, floor, verdicts = judge_study(rng, case, sizes_db=(0.0,) * 24, noise=2.0)
            open_floor = replace(floor, reseated=replace(floor.reseated, spread=np.inf))
            kept += [bool(v.changed.any()) for v in verdicts]
            dropped += [bool(judge_change(measure_change(*pair), open_floor).changed.any()) for pair in pairs]
        print(f"| {case.seats} | {share(kept):.1f} | {share(dropped):.1f} |", flush=True)


def race_verdict(seed: int) -> None:
    rng = np.random.default_rng(seed)
    case = CASES[2]
    pairs, floor, _ = judge_study(rng, case)
    sets = [curves for pair in pairs for curves in pair]
    raw = measure_pair(rng, Rig(), make_earphone(rng), 3, np.zeros(F.size), label="0", reseated=True)

    def judge() -> Verdict:
        return judge_change(measure_change(*pairs[0]), floor)

    race(
        {
            "align one earphone": lambda: align_resonance(raw),
            "measure and judge one earphone": judge,
            "noise floor of 24 earphones": lambda: estimate_noise_floor(sets),
        },
        base="measure and judge one earphone",
        title="Speed",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=35, help="simulated studies a row")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    start = time.process_time()
    print(f"### Verdicts, left and right, {options.studies} studies a row, seed {options.seed}, {best_warp()} warp\n")
    print(
        "| study | false alarms % | power % at 0.5/1/2/3 dB | half width dB at 50/500/6.3k/12.6k Hz "
        "| changed by 1 dB: said <= 1 dB / > 1 dB, % | unchanged: said <= 1 dB, % | to reach |\n"
        "|---|---|---|---|---|---|---|"
    )
    for case in CASES:
        tabulate(case, options.studies, options.seed)
    for case in SMALL:
        tabulate(case, options.studies * 12 // case.earphones // 2, options.seed)
    tabulate_guard(max(options.studies // 3, 1), options.seed)
    race_verdict(options.seed)
    print(f"\nall of it took {time.process_time() - start:.0f} s of one processor")


if __name__ == "__main__":
    main()
