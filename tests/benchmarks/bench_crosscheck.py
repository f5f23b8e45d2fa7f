"""Operating characteristics of "is it the divider?" on earphones with the truth known, and its speed.

    python tests/benchmarks/bench_crosscheck.py [--checks 80] [--studies 6] [--seed 1]

The earphones are five closed-form impedances: a dynamic driver, a balanced armature, two ways with a crossover, a
planar one (flat) and a 300 ohm headphone. Two kinds of noise:

- known: 0.1 dB, half of it correlated over 0.15 octave and half over 1.5 octaves; its covariance is known but for a
  tenth of independence, and the level counts as independent of the tone unless said otherwise; 15 and 75 ohm;
- study: 24 simulated earphones measured as in `bench_verdicts.py`, lined up and compared by the package itself, the
  covariance from the study's own repeats; 15 ohm, the first four earphones.

False alarms are changes by the divider alone that are said not to agree with the stated resistance. A fault is found
where the check disagrees, or, for a moved ear canal, which lies above the tested range, where it is named at all.
"""

from __future__ import annotations

import argparse
import sys
import time
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.insert(0, str(Path(__file__).parent))
from race import race  # noqa: I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from earsim import BANDS, F, OCTAVE, Rig, make_earphone, measure_pair

from ohmshift.chain.crosscheck import CrossCheck, cross_check
from ohmshift.chain.crosscheck_model import MeasuredBands
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.linearity import check_linearity
from ohmshift.curves.alignment import align_resonance
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import Impedance, Response, ResponseSet
from ohmshift.evidence.changes import Change, measure_change
from ohmshift.evidence.floors import NoiseFloor, estimate_noise_floor
from ohmshift.evidence.uncertainty import settle_uncertainty

if TYPE_CHECKING:
    from collections.abc import Iterator

SIGMA_DB = 0.1
S = 2j * np.pi * F


def hump(R: float, f_0: float, q: float) -> np.ndarray:
    return R / (1 + 1j * q * (F / f_0 - f_0 / F))


def dynamic() -> np.ndarray:
    return 16 + hump(9, 90, 1.4) + S * 3e-5 + hump(1.0, 3400, 4)


def armature() -> np.ndarray:
    return 22 + 120 * S * 1.2e-3 / (120 + S * 1.2e-3) + hump(40, 2600, 3.5) + hump(20, 5400, 5)


def two_way() -> np.ndarray:
    low = 14 + hump(6, 60, 1.8) + S * 4e-5
    return 1 / (1 / (4 + low) + 1 / (6 + 1 / (S * 4.7e-6) + hump(30, 2400, 4) + S * 2e-4))


EARPHONES = {
    "dynamic": dynamic(),
    "armature": armature(),
    "two ways": two_way(),
    "planar": 15 + hump(0.3, 75, 1.5),
    "300 ohm": 300 + hump(300, 98, 2.1) + S * 9e-4,
}
RESPONSE_DB = 100 + 6 / (1 + (F / 150) ** 1.5) + 10 * np.exp(-2 * (OCTAVE - 1.58) ** 2)
RESPONSE_DB += 10 * np.log10(1 + 9 / (1 + (8 * (F / 8000 - 8000 / F)) ** 2))
NAMES = {
    "none": "",
    "10 % more": "another resistance",
    "20 % less": "another resistance",
    "leak at 40 Hz": "seal leak",
    "bump 1 dB": "local bump",
    "canal moved 4 %": "misaligned resonance",
    "level 0.5 dB": "change of level",
    "no resistor": "no resistance added",
    "10 % too small": "compression",
}


def means(curve_db: np.ndarray) -> np.ndarray:
    """Bands with the level taken off, and the level last."""
    low, high = np.append(BANDS.low_hz, 200.0), np.append(BANDS.high_hz, 2000.0)
    levels = mean_levels(F, curve_db, low_hz=low, high_hz=high)
    levels[..., :-1] -= levels[..., -1:]
    return levels


def move_canal(response_db: np.ndarray, share: float) -> np.ndarray:
    x = np.clip(np.log(F / 4500) / np.log(6500 / 4500), 0, 1)
    moved = np.log(F) + share * x**2 * (3 - 2 * x)
    return np.array([np.interp(moved, np.log(F), row) for row in np.atleast_2d(response_db)])


def fault(name: str, Z: np.ndarray, R: float) -> np.ndarray | float:
    """What a fault adds to the change [dB]; a moved canal is made elsewhere."""
    D = divider_change_db(Z, added_ohm=R)
    if name == "10 % more":
        return divider_change_db(Z, added_ohm=1.1 * R) - D
    if name == "20 % less":
        return divider_change_db(Z, added_ohm=0.8 * R) - D
    if name == "leak at 40 Hz":
        return -10 * np.log10(1 + (40 / F) ** 2)
    if name == "bump 1 dB":
        return np.exp(-0.5 * ((OCTAVE - np.log2(0.8)) * 6) ** 2)
    if name == "level 0.5 dB":
        return 0.5
    return {"no resistor": -D, "10 % too small": -0.1 * D}.get(name, 0.0)


@cache
def known_noise() -> tuple[np.ndarray, np.ndarray]:
    """Square root of the noise's covariance over frequency, and its covariance over bands and level [dB]."""
    distance = OCTAVE[:, None] - OCTAVE
    covariance = SIGMA_DB**2 * sum(0.5 * np.exp(-0.5 * (distance / length) ** 2) for length in (0.15, 1.5))
    operator = means(np.eye(F.size)).T
    return np.linalg.cholesky(covariance + 1e-9 * np.eye(F.size)), operator @ covariance @ operator.T


def measure_known(
    rng: np.random.Generator, Z: np.ndarray, R: float, *, name: str = "none", lost: bool = False, assume: str = "known"
) -> MeasuredBands:
    root, covariance = known_noise()
    moved = move_canal(RESPONSE_DB, 0.04)[0] - RESPONSE_DB if name == "canal moved 4 %" else 0.0
    curve = divider_change_db(Z, added_ohm=R) + fault(name, Z, R) + moved
    measured = means(curve + root @ rng.standard_normal(F.size))
    variance = np.diag(covariance)
    sd = np.sqrt(variance[:-1])
    correlation = 0.9 * covariance[:-1, :-1] / np.outer(sd, sd) + 0.1 * np.eye(sd.size)
    if assume == "known, level included":
        correlation = 0.9 * covariance / np.sqrt(np.outer(variance, variance)) + 0.1 * np.eye(variance.size)
    elif assume != "known":
        correlation = None
    if assume == "white points":
        variance = np.append(np.full(sd.size, SIGMA_DB**2 / 16), SIGMA_DB**2 / 160)
    return MeasuredBands(
        bands=BANDS,
        change_db=measured[:-1],
        variance_db2=variance[:-1],
        correlation=correlation,
        level_drop_db=np.nan if lost else measured[-1],
        level_variance_db2=variance[-1],
    )


def measured_bands(change: Change, floor: NoiseFloor) -> MeasuredBands:
    """Bring a change and what is known of its noise into the arrays that the cross-check takes."""
    uncertainty = settle_uncertainty(change, floor)
    part = floor.reseated if change.reseated else floor.unreseated
    return MeasuredBands(
        bands=change.bands,
        change_db=change.band_change_db,
        variance_db2=uncertainty.variance_db2 * change.variance_factor,
        degrees=uncertainty.degrees,
        correlation=None if part is None else part.with_level(),
        level_drop_db=change.level_drop_db,
        level_variance_db2=np.nan if part is None else part.level_db2 * change.variance_factor,
        level_degrees=0.0 if part is None else part.level_degrees,
        level_low_hz=floor.level_low_hz,
        level_high_hz=floor.level_high_hz,
        label=change.label,
    )


def study_checks(rng: np.random.Generator, *, seats: int, reseated: bool, rig: Rig, name: str) -> Iterator[CrossCheck]:
    """One study of 24 earphones, each with the same fault."""
    pairs, loads = [], []
    for i in range(24):
        Z = list(EARPHONES.values())[int(rng.integers(4))]
        change = divider_change_db(Z, added_ohm=15.0) + fault(name, Z, 15.0)
        raw = measure_pair(rng, rig, make_earphone(rng), seats, change, label=f"{i}", reseated=reseated)
        without, with_added = align_resonance(raw, warp="local")[0]
        if name == "canal moved 4 %":
            with_added = ResponseSet(
                frequency_hz=F,
                level_db=move_canal(with_added.level_db, 0.04),
                channel=with_added.channel,
                seat=with_added.seat,
                added_ohm=15.0,
                label=f"{i}",
            )
        pairs.append((without, with_added))
        loads.append(Z)
    floor = estimate_noise_floor(curves for pair in pairs for curves in pair)
    for pair, Z in zip(pairs, loads, strict=True):
        yield cross_check(
            Impedance(frequency_hz=F, impedance_ohm=Z),
            measured_bands(measure_change(*pair), floor),
            nominal_ohm=15.0,
            nominal_sd_ohm=0.05,
            impedance_gain=0.002,
            response=Response(frequency_hz=F, level_db=pair[0].level_db.mean(axis=0)),
        )


def percent(hits: list[bool]) -> str:
    share = float(np.mean(hits))
    return f"{100 * share:.0f} ± {100 * np.sqrt(share * (1 - share) / len(hits)):.1f}"


def tabulate_resistance(checks: int, seed: int) -> None:
    print("\n### Resistance from acoustics, 0.1 dB noise: sd % / interval holds it %, level kept and lost\n")
    print("| earphone | 15 ohm | 75 ohm | level correlated, 15 ohm | 75 ohm | level lost, 15 ohm | 75 ohm |")
    print("|---|---|---|---|---|---|---|")
    rng = np.random.default_rng(seed)
    for label, Z in EARPHONES.items():
        cells = []
        for lost, assume in ((False, "known"), (False, "known, level included"), (True, "known")):
            for R in (15.0, 75.0):
                found = [run_known(rng, Z, R, lost=lost, assume=assume) for _ in range(checks)]
                given = [c for c in found if c.resistance_interval_ohm is not None]
                if not given:
                    cells.append(f"refused, {found[0].word}")
                    continue
                values = np.array([c.resistance_ohm for c in given])
                inside = [c.resistance_interval_ohm[0] <= R <= c.resistance_interval_ohm[1] for c in given]
                cells.append(f"{100 * values.std() / R:.2f} / {100 * np.mean(inside):.0f}")
        print(f"| {label} | {' | '.join(cells)} |", flush=True)


def run_known(rng: np.random.Generator, Z: np.ndarray, R: float, **choices: object) -> CrossCheck:
    return cross_check(
        Impedance(frequency_hz=F, impedance_ohm=Z),
        measure_known(rng, Z, R, **choices),
        nominal_ohm=R,
        impedance_gain=0.0,
        response=Response(frequency_hz=F, level_db=RESPONSE_DB),
    )


def tabulate_alarms(checks: int, studies: int, seed: int) -> None:
    print("\n### False alarms %, nominal 5\n")
    print("| noise | disagrees | of it: not explained | names a moved canal |\n|---|---|---|---|")
    rng = np.random.default_rng(seed)
    for assume in ("known", "known, level included", "white bands", "white points"):
        found = [
            run_known(rng, Z, R, assume=assume)
            for Z in EARPHONES.values()
            for R in (15.0, 75.0)
            for _ in range(checks // 5)
        ]
        report(f"0.1 dB, taken as {assume}", found)
    for seats, reseated, rig, label in (
        (3, True, Rig(), "study, reseated, n = 3"),
        (3, True, Rig(leaks=False), "study, reseated, n = 3, seals checked"),
        (2, True, Rig(), "study, reseated, n = 2"),
        (3, False, Rig(), "study, not reseated, n = 3"),
    ):
        found = [
            check
            for _ in range(studies)
            for check in study_checks(rng, seats=seats, reseated=reseated, rig=rig, name="none")
        ]
        report(label, found)


def report(label: str, found: list[CrossCheck]) -> None:
    disagrees = percent([not check.agrees for check in found])
    lost = percent([check.word == "not explained" for check in found])
    moved = percent([NAMES["canal moved 4 %"] in dict(check.looks_like) for check in found])
    print(f"| {label} | {disagrees} | {lost} | {moved} |", flush=True)


def tabulate_faults(checks: int, studies: int, seed: int) -> None:
    print("\n### Faults found % / named first % / named at all %\n")
    print("| fault | 0.1 dB, 15 ohm | 0.1 dB, 75 ohm | study, not reseated, n = 3 | study, reseated, n = 3 |")
    print("|---|---|---|---|---|")
    for name in list(NAMES)[1:]:
        cells = []
        for R in (15.0, 75.0):
            rng = np.random.default_rng(seed)
            cells.append(
                found_share(
                    name,
                    [run_known(rng, Z, R, name=name) for Z in list(EARPHONES.values())[:4] for _ in range(checks // 8)],
                )
            )
        for reseated in (False, True):
            rng = np.random.default_rng(seed)
            found = [
                check
                for _ in range(max(1, studies // 3))
                for check in study_checks(rng, seats=3, reseated=reseated, rig=Rig(leaks=False), name=name)
            ]
            cells.append(found_share(name, found))
        print(f"| {name} | {' | '.join(cells)} |", flush=True)


def found_share(name: str, found: list[CrossCheck]) -> str:
    wanted = NAMES[name]
    beyond = name == "canal moved 4 %"
    names = [[likeness for likeness, _ in check.looks_like] for check in found]
    seen = [bool(given) if beyond else not check.agrees for check, given in zip(found, names, strict=True)]
    first = [given[:1] == [wanted] for given in names]
    return f"{100 * np.mean(seen):.0f} / {100 * np.mean(first):.0f} / {100 * np.mean([wanted in g for g in names]):.0f}"


def tabulate_lines(checks: int, seed: int) -> None:
    print("\n### Three resistances (10, 33, 75 ohm), no impedance: false alarms % / a 1 dB bump in one found %\n")
    print("| earphone | false alarms | found | just noticed (dB) |\n|---|---|---|---|")
    rng, root, R = np.random.default_rng(seed), known_noise()[0], np.array([10.0, 33.0, 75.0])
    bump = np.array([0, 0, 1.0])[:, None] * fault("bump 1 dB", EARPHONES["planar"], 1.0)
    for label, Z in EARPHONES.items():
        noise = [measure_known(rng, Z, ohm) for ohm in R]
        p_values: tuple[list[bool], list[bool]] = ([], [])
        for _ in range(checks):
            draws = root @ rng.standard_normal((F.size, 4)) / np.sqrt(2)
            curves = divider_change_db(Z, added_ohm=R) + (draws[:, 1:] + draws[:, :1]).T
            for hits, extra in zip(p_values, (0.0, bump), strict=True):
                check = check_linearity(F, curves + extra, noise, added_ohm=R, tolerance=0.0)
                hits.append(check.p_value < 0.05)
        print(f"| {label} | {percent(p_values[0])} | {percent(p_values[1])} | {check.unseen_db:.2g} |", flush=True)


def race_speed(seed: int) -> None:
    rng = np.random.default_rng(seed)
    Z = EARPHONES["two ways"]
    impedance, response = Impedance(frequency_hz=F, impedance_ohm=Z), Response(frequency_hz=F, level_db=RESPONSE_DB)
    plain, leaking = measure_known(rng, Z, 15.0), measure_known(rng, Z, 15.0, name="leak at 40 Hz")
    race(
        {
            "prediction over 300 resistances": lambda: divider_change_db(Z, added_ohm=np.arange(300.0)),
            "cross-check": lambda: cross_check(impedance, plain, nominal_ohm=15.0, response=response),
            "cross-check, fault named": lambda: cross_check(impedance, leaking, nominal_ohm=15.0, response=response),
        },
        base="prediction over 300 resistances",
        title="One check",
    )
    start = time.process_time()
    for _ in range(20):
        cross_check(impedance, leaking, nominal_ohm=15.0, response=response)
    print(f"\none check: {(time.process_time() - start) / 20 * 1e3:.1f} ms of processor time, 20 wanted")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--checks", type=int, default=80)
    parser.add_argument("--studies", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    start = time.perf_counter()
    tabulate_resistance(options.checks, options.seed)
    tabulate_alarms(options.checks, options.studies, options.seed)
    tabulate_faults(options.checks, options.studies, options.seed)
    tabulate_lines(options.checks // 2, options.seed)
    race_speed(options.seed)
    print(f"\n{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
