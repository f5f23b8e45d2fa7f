"""Error rates of agreement between two parties on simulated studies.

    python tests/benchmarks/bench_agreement.py [--studies 60] [--seed 1]

Two parties measure the same twelve earphones, left and right, reseated, each on a rig of its own: the other one has its
ear-canal resonance elsewhere, broader and lower, another response of its own, and 1.4 times the noise. What the
resistance does is the same for both, but for a difference whose largest third-octave band between 100 Hz and 5 kHz is
0, 0.5, 1 (the margin), 1.5, 2 or 3 dB. Each party estimates its own noise floor; where theirs has one seat it has none,
and borrows. "Reproduced" is false from 1 dB on, "not reproduced" up to 1 dB. Standard errors of the shares are those of
the earphones, as if independent.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import race  # noqa: F401, I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from earsim import (
    BANDS,
    F,
    LOADS,
    Earphone,
    Rig,
    bump,
    divide,
    make_change,
    make_earphone,
    make_impedance,
    measure_pair,
)
from scipy.optimize import brentq

from ohmshift.curves.alignment import align_resonance
from ohmshift.curves.smoothing import band_levels
from ohmshift.curves.values import ResponseSet
from ohmshift.evidence.agreement import judge_agreement
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.estimates import borrow_uncertainty, estimate_change
from ohmshift.evidence.floors import estimate_noise_floor

SIZES_DB = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)
DRAWN_DB = (0.0, 0.0, 0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.5, 2.0, 3.0)
"""Differences of the twelve earphones: mostly the margin, where both words are easiest to get wrong."""

MIDRANGE = (BANDS.mid_hz > 90) & (BANDS.mid_hz < 5600)
OTHER = Rig(loudness_of_noise=1.4)
Pair = tuple[ResponseSet, ResponseSet]
Said = tuple[str, str, float]


@dataclass(frozen=True, kw_only=True)
class Case:
    name: str
    own: int
    theirs: int


CASES = (
    Case(name="3 seats and 3", own=3, theirs=3),
    Case(name="5 seats and 5", own=5, theirs=5),
    Case(name="2 seats and 2", own=2, theirs=2),
    Case(name="3 seats, theirs one curve each, borrowed", own=3, theirs=1),
)


def largest(difference_db: np.ndarray) -> float:
    window = replace(BANDS, low_hz=np.array([200.0]), mid_hz=np.array([632.0]), high_hz=np.array([2000.0]))
    return float(np.abs(band_levels(F, difference_db, BANDS) - band_levels(F, difference_db, window))[MIDRANGE].max())


def make_difference(rng: np.random.Generator, size_db: float) -> np.ndarray:
    """A divider's change whose largest midrange band is `size_db`, level removed."""
    if size_db == 0:
        return np.zeros(F.size)
    while True:
        Z = make_impedance(rng, rng.choice(LOADS))
        if largest(divide(np.log(3000.0), Z)) > size_db:
            log_r = brentq(lambda x, Z: largest(divide(x, Z)) - size_db, np.log(1e-3), np.log(3000.0), args=(Z,))
            return divide(log_r, Z) * rng.choice([-1, 1])


def on_other_rig(earphone: Earphone) -> Earphone:
    rig = bump(2600.0, 0.9, 2.2) - bump(5600.0, 2.5, 1.8)
    sides = tuple(
        replace(
            side,
            driver_db=side.driver_db + rig,
            canal_hz=0.97 * side.canal_hz,
            sharpness=0.85 * side.sharpness,
            height_db=np.maximum(side.height_db - 1.2, 0),
        )
        for side in earphone.sides
    )
    return replace(earphone, sides=sides)


def measure(
    rng: np.random.Generator, rig: Rig, earphone: Earphone, seats: int, change: np.ndarray, *, label: str
) -> Pair:
    pair = measure_pair(rng, rig, earphone, seats, change, label=label, reseated=True)
    first, second = align_resonance(pair, warp="local")[0]
    return first, second


def judge_study(rng: np.random.Generator, case: Case, sizes_db: np.ndarray) -> list[Said]:
    own, theirs = [], []
    for i, size_db in enumerate(sizes_db):
        earphone = make_earphone(rng)
        change = make_change(rng, float(rng.choice([0.0, 1.0, 2.0, 3.0])))
        own.append(measure(rng, Rig(), earphone, case.own, change, label=f"{i}"))
        other = change + make_difference(rng, size_db)
        theirs.append(measure(rng, OTHER, on_other_rig(earphone), case.theirs, other, label=f"{i}"))
    floor = estimate_noise_floor(curves for pair in own for curves in pair)
    their_floor = estimate_noise_floor(curves for pair in theirs for curves in pair)
    found = []
    for mine, other_pair in zip(own, theirs, strict=True):
        first, change = estimate_change(measure_change(*mine), floor, party="own"), measure_change(*other_pair)
        if case.theirs > 1:
            second = estimate_change(change, their_floor, party="theirs")
        else:
            second = borrow_uncertainty(
                change.frequency_hz, change.change_db, floor, party="theirs", label=change.label, added_ohm=15.0
            )
        agreement = judge_agreement(first, second)
        found.append((agreement.first.word, agreement.whole.word, agreement.first.bound_db))
    return found


def tabulate(case: Case, studies: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    said: dict[float, list[Said]] = {size: [] for size in SIZES_DB}
    for _ in range(studies):
        sizes_db = rng.permutation(DRAWN_DB)
        for size_db, words in zip(sizes_db, judge_study(rng, case, sizes_db), strict=True):
            said[float(size_db)].append(words)
    for size_db, found in said.items():
        n = len(found)
        cells = []
        for place in (0, 1):
            words = [words[place] for words in found]
            order = ("reproduced", "not reproduced", "differs", "cannot tell")
            cells.append(" / ".join(f"{100 * words.count(word) / n:.1f}" for word in order))
        bound = np.median([words[2] for words in found])
        print(f"| {case.name} | {size_db:g} | {cells[0]} | {cells[1]} | {bound:.2f} | {n} |", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=60, help="simulated pairs of studies a row")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    start = time.process_time()
    print(f"### Agreement within 1 dB, {options.studies} pairs of studies a case, seed {options.seed}\n")
    print(
        "| seats | difference (dB) | 100 Hz to 5 kHz: reproduced / not / differs / cannot tell, % "
        "| whole band: the same, % | median bound (dB) | earphones |\n|---|---|---|---|---|---|"
    )
    for case in CASES:
        tabulate(case, options.studies, options.seed)
    print(f"\nall of it took {time.process_time() - start:.0f} s of one processor")


if __name__ == "__main__":
    main()
