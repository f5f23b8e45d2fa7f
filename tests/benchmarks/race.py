"""Race callables side by side: every round runs every contestant once, so that a busy machine slows all of them alike.

A contestant's figure is the median over the rounds of its time divided by the base's time in the same round, with the
10-90 % range of those ratios. Processor time is given beside wall time, because other people's jobs do not touch it.
"""

from __future__ import annotations

import gc
import math
import os
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np  # noqa: E402 - the linear algebra library reads its thread count when it loads

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Lap:
    """Times of one contestant, seconds a call, one value a round."""

    wall_s: np.ndarray
    processor_s: np.ndarray


def race(
    contestants: Mapping[str, Callable[[], Any]],
    base: str,
    rounds: int = 9,
    *,
    title: str = "",
    target: Mapping[str, float] | None = None,
    shortest_s: float = 0.05,
) -> dict[str, float]:
    """Run every contestant once in each round, print a markdown table, and return each one's ratio to the base.

    `target` holds the largest ratio wanted of a contestant; `shortest_s` is how long a contestant repeats its call in
    one round, so that a call of microseconds is timed over many.
    """
    repeats = {name: _repeats(call, shortest_s) for name, call in contestants.items()}
    laps = _run(contestants, repeats, rounds)
    return _tabulate(laps, base, title=title, target=target or {})


def _repeats(call: Callable[[], Any], shortest_s: float) -> int:
    call()
    start = time.perf_counter()
    call()
    once = max(time.perf_counter() - start, 1e-7)
    return max(1, math.ceil(shortest_s / once))


def _run(contestants: Mapping[str, Callable[[], Any]], repeats: Mapping[str, int], rounds: int) -> dict[str, Lap]:
    wall: dict[str, list[float]] = {name: [] for name in contestants}
    processor: dict[str, list[float]] = {name: [] for name in contestants}
    names = list(contestants)
    gc.collect()
    gc.disable()
    try:
        for turn in range(rounds):
            first = turn % len(names)
            for name in names[first:] + names[:first]:
                call, n = contestants[name], repeats[name]
                start, start_processor = time.perf_counter(), time.process_time()
                for _ in range(n):
                    call()
                wall[name].append((time.perf_counter() - start) / n)
                processor[name].append((time.process_time() - start_processor) / n)
            gc.collect()
    finally:
        gc.enable()
    return {name: Lap(wall_s=np.array(wall[name]), processor_s=np.array(processor[name])) for name in names}


def _tabulate(laps: Mapping[str, Lap], base: str, *, title: str, target: Mapping[str, float]) -> dict[str, float]:
    load = f"{os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "unknown"
    print(f"\n### {title or 'Race'}\n")
    print(f"base: {base}; {len(laps[base].wall_s)} rounds, interleaved; load of the machine {load}\n")
    print("| contestant | median ms | ratio | 10-90 % | ratio of processor time | target |")
    print("|---|---|---|---|---|---|")
    ratios = {}
    for name, lap in laps.items():
        ratio = lap.wall_s / laps[base].wall_s
        processor = float(np.median(lap.processor_s / np.maximum(laps[base].processor_s, 1e-9)))
        low, high = np.quantile(ratio, [0.1, 0.9])
        ratios[name] = float(np.median(ratio))
        aim = _aim(ratios[name], target.get(name))
        print(
            f"| {name} | {np.median(lap.wall_s) * 1e3:.4g} | {ratios[name]:.4f} | {low:.4f}-{high:.4f} "
            f"| {processor:.4f} | {aim} |"
        )
    return ratios


def _aim(ratio: float, target: float | None) -> str:
    if target is None:
        return ""
    return f"<= {target:g}, {'met' if ratio <= target else 'MISSED'}"
