"""Impedances recovered from changes of response, on thirteen invented earphones solved by ngspice, and the speed of it.

    python tests/benchmarks/bench_recovery.py [--runs 12] [--studies 3] [--seed 1]

The earphones are those of `tests/references/earphones.cir`; powers and spreads of the continuation, and its reach above
the band, were chosen on others; its reach below the band and the doubt of small slopes there with these in sight as
well, which concerns the figures below 2 kHz of the one behind a capacitor (spout). Clean data: largest errors over all
earphones and 5, 15 and 75 ohm added; predictions are for 1 to 120 ohm in place of it. Noisy data: three seats each with
and without, the ear-canal resonance moving by 2 % a seat, seats aligned within each condition and the change settled
between them, 0.1 dB of correlated noise on the change, and resistances off by 1 %; what the recovery knows of the noise
comes from forty other seats. Coverage is the share of frequencies and runs whose 95 % band holds the truth.

Whole studies: the same earphones measured as in `bench_verdicts.py` (seatings apart by 4.5 %, leaks, level, height of
the resonance, an earphone's own repeatability), then everything as the notebooks do it: lining up, noise floor,
recovery with the study's own noise, prediction. What is read is what is marked readable.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from race import race  # noqa: I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from earsim import MODES, F, bump, smooth_noise
from earstudy import Plan, make_study
from scipy.interpolate import CubicSpline

from ohmshift.chain import gainphase
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.gainphase import Continuation, minimum_phase, plan_gain_phase
from ohmshift.chain.inverse import impedance_from_transfer, transfer_from_change
from ohmshift.chain.limits import highest_source_ohm
from ohmshift.chain.prediction import predict_change, source_change_db
from ohmshift.chain.recovery import BandMethod, RecoveredImpedance, Smoothing, recover_impedance
from ohmshift.chain.reseating import SettledChange, settle_change
from ohmshift.curves.alignment import align_resonance
from ohmshift.curves.values import Impedance, ResponseSet
from ohmshift.study.batch import compare_study
from ohmshift.study.impedances import recover_from_changes

CIRCUIT = Path(__file__).parents[1] / "references" / "earphones.cir"
ADDED_OHM = (5.0, 15.0, 75.0)
PREDICTED_OHM = (1.0, 2.0, 5.0, 10.0, 20.0, 33.0, 50.0, 75.0, 100.0, 120.0)
SOURCE_OHM = 0.5
LOW, MIDDLE, HIGH = F < 2000, (F >= 2000) & (F < 6000), F >= 6000
SEATS = 3
WANDER = 0.02
NOISE_DB = 0.1


def read_earphones() -> dict[str, np.ndarray]:
    """Complex impedances on the common grid, by name."""
    text = CIRCUIT.read_text(encoding="utf-8")
    names = [line.split()[2].rstrip(":") for line in text.splitlines()[1:] if line.startswith("* p")]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / CIRCUIT.name).write_text(text, encoding="utf-8")
        subprocess.run(["ngspice", "-b", CIRCUIT.name], cwd=folder, capture_output=True, check=True)
        table = np.loadtxt(Path(folder) / "earphones.txt")
    found = CubicSpline(np.log(table[:, 0]), table[:, 1::2] + 1j * table[:, 2::2])(np.log(F)).T
    return dict(zip(names, found, strict=True))


def change(Z: np.ndarray, R: float) -> np.ndarray:
    return divider_change_db(Z, added_ohm=R, source_ohm=SOURCE_OHM)


def errors(Z: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Largest errors: prediction below 6 kHz and in all [dB], |Z| [%] and phase [degree] in three ranges."""
    prediction = np.max([np.abs(change(found, R) - change(Z, R)) for R in PREDICTED_OHM], axis=0)
    magnitude = 100 * np.abs(np.abs(found) / np.abs(Z) - 1)
    phase = np.abs(np.degrees(np.angle(found / Z)))
    ranges = (LOW, MIDDLE, HIGH)
    return np.array(
        [prediction[~HIGH].max(), prediction.max()]
        + [magnitude[at].max() for at in ranges]
        + [phase[at].max() for at in ranges]
    )


def tabulate_clean(earphones: dict[str, np.ndarray]) -> None:
    plan = plan_gain_phase(F)
    kept: dict[str, list[np.ndarray]] = {"divider": [], "slope": []}
    print("\n### Clean data: largest errors, 5, 15 and 75 ohm, predictions for 1 to 120 ohm\n")
    print(
        "| earphone | prediction dB, < 6 kHz | to 20 kHz | Z %, < 2 kHz | 2-6 kHz | above "
        "| phase degree, < 2 kHz | 2-6 kHz | above |\n|---|---|---|---|---|---|---|---|---|"
    )
    for name, Z in earphones.items():
        for how in kept:
            rows = []
            for R in ADDED_OHM:
                choice: Continuation = "divider" if how == "divider" else "slope"
                H = transfer_from_change(plan, change(Z, R), added_ohm=R, source_ohm=SOURCE_OHM, continuation=choice)
                rows.append(errors(Z, impedance_from_transfer(H[None], added_ohm=R, source_ohm=SOURCE_OHM)))
            kept[how] += rows
            if how == "divider":
                print(line(name, np.max(rows, axis=0)))
    for how, rows in kept.items():
        print(line(f"**largest, continued as {how}**", np.max(rows, axis=0)))
        print(line(f"90th percentile, continued as {how}", np.quantile(rows, 0.9, axis=0)))
        print(line(f"median, continued as {how}", np.median(rows, axis=0)))
    print("| to reach, largest | 0.069 | 0.225 | 0.35 | 0.67 | 3.4 | 1.5 | 4.6 | 18 |")
    print("| goal, largest | 0.05 | 0.15 | 0.25 | 0.5 | 2.5 | 1 | 3 | 12 |")


def line(name: str, values: np.ndarray) -> str:
    return f"| {name} | " + " | ".join(f"{value:.2g}" for value in values) + " |"


def sit(rng: np.random.Generator, n: int) -> np.ndarray:
    """Levels of n seats, driver apart: canal modes that wander, and correlated noise."""
    depth = rng.normal(0, WANDER, n)
    level = sum(
        bump(8200 * mode * np.exp(depth)[:, None], np.array(8.0), np.array(height))
        for mode, height in zip(MODES, (10.0, 5.0, 4.0), strict=True)
    )
    noise = np.sqrt(0.5) * (smooth_noise(rng, n, 0.15) + smooth_noise(rng, n, 1.5))
    return np.asarray(level + NOISE_DB * np.sqrt(SEATS / 2) * noise)


def rows(level_db: np.ndarray, added_ohm: float, seat: str) -> ResponseSet:
    n = len(level_db)
    return ResponseSet(
        frequency_hz=F,
        level_db=level_db,
        channel=("left",) * n,
        seat=tuple(f"{seat}{i}" for i in range(n)),
        added_ohm=added_ohm,
    )


def measure(rng: np.random.Generator, change_db: np.ndarray, *, jointly: bool = False) -> SettledChange:
    sets = rows(sit(rng, SEATS), 0.0, "a"), rows(sit(rng, SEATS) + change_db, 15.0, "b")
    if jointly:
        without, with_added = align_resonance(sets)[0]
        change_db = with_added.level_db.mean(axis=0) - without.level_db.mean(axis=0)
        return SettledChange(change_db=change_db, shift_octaves=0.0, roughness=1.0, left_over_db=np.zeros(F.size))
    without, with_added = (align_resonance(curves)[0][0] for curves in sets)
    return settle_change(F, without.level_db.mean(axis=0), with_added.level_db.mean(axis=0))


def learn_noise(rng: np.random.Generator, seats: int = 40) -> np.ndarray:
    """Noise curves of the mean change, from other seats, with freedom lost to means made good."""
    found = []
    for _ in range(seats // SEATS):
        aligned, _ = align_resonance(rows(sit(rng, SEATS), 0.0, "c"))
        level = aligned[0].level_db
        found.append((level - level.mean(axis=0)) * np.sqrt(SEATS / (SEATS - 1)))
    return np.concatenate(found) * np.sqrt(2 / SEATS)


def add_left_over(noise: np.ndarray, settled: SettledChange) -> np.ndarray:
    """Noise curves with one more for the shift left over; second moments add."""
    k = len(noise)
    return np.concatenate([noise * np.sqrt((k + 1) / k), np.sqrt(k + 1) * settled.left_over_db[None]])


@dataclass
class Tally:
    held: dict[str, list[float]] = field(default_factory=dict)

    def add(self, name: str, truth: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        self.held.setdefault(name, []).append(float(np.mean((low <= truth) & (truth <= high))))


def tabulate_noisy(earphones: dict[str, np.ndarray], runs: int, seed: int) -> None:
    print(f"\n### Noisy data: error of the prediction for 50 ohm, {runs} runs an earphone, seed {seed}\n")
    print("| from | root mean square below 6 kHz, dB | to reach | largest below 6 kHz | root mean square above |")
    print("|---|---|---|---|---|")
    bands: dict[str, Tally] = {"ensemble": Tally(), "linear": Tally()}
    for R, bar in ((15.0, "0.168, goal 0.15"), (75.0, "0.098, goal 0.09")):
        for how in ("", ", not smoothed", ", not smoothed, conditions aligned by their resonances"):
            jointly = how.endswith("resonances")
            smoothing: Smoothing = "none" if how else "by noise"
            rng, found = np.random.default_rng(seed), []
            for Z in earphones.values():
                for _ in range(runs):
                    noise = learn_noise(rng)
                    settled = measure(rng, change(Z, R * (1 + 0.01 * rng.standard_normal())), jointly=jointly)
                    noise = add_left_over(noise, settled)
                    found.append(tally(Z, settled.change_db, R, noise, {} if how else bands, smoothing=smoothing))
            below, largest, above = np.median(found, axis=0)
            print(f"| {R:g} ohm{how} | {below:.3f} | {bar} | {largest:.3f} | {above:.3f} |", flush=True)
    print("\n### Coverage of 95 % bands, both resistances; to reach 0.90-0.98\n")
    print("| quantity | ensemble | lowest, one earphone and resistance | linear |\n|---|---|---|---|")
    for name, held in bands["ensemble"].held.items():
        each = np.array(held).reshape(-1, runs).mean(axis=1)
        print(f"| {name} | {each.mean():.3f} | {each.min():.2f} | {np.mean(bands['linear'].held[name]):.3f} |")


def tally(
    Z: np.ndarray, D: np.ndarray, R: float, noise: np.ndarray, bands: dict[str, Tally], *, smoothing: Smoothing
) -> list[float]:
    """Count what the bands hold; give errors of the prediction for 50 ohm."""
    truth = highest_source_ohm(Impedance(frequency_hz=F, impedance_ohm=Z), tolerance_db=1.0).source_ohm
    phase = np.degrees(np.angle(Z))
    methods: tuple[BandMethod, ...] = ("ensemble", "linear")
    for method in (method for method in methods if method in bands):
        found = recover_impedance(
            F, D, added_ohm=R, source_ohm=SOURCE_OHM, noise_db=noise, added_tolerance=0.01, band=method
        )
        count = bands[method]
        for name, at in (("< 2 kHz", LOW), ("2-6 kHz", MIDDLE), ("> 6 kHz", HIGH)):
            count.add(f"Z, {name}", np.abs(Z)[at], found.low_ohm[at], found.high_ohm[at])
            count.add(f"phase, {name}", phase[at], found.phase_low_deg[at], found.phase_high_deg[at])
        for ohm in (1.0, 50.0, 120.0):
            predicted = predict_change(found, added_ohm=ohm, source_ohm=SOURCE_OHM)
            exact = change(Z, ohm)
            for name, at in (("< 6 kHz", ~HIGH), ("> 6 kHz", HIGH)):
                count.add(f"change, {ohm:g} ohm, {name}", exact[at], predicted.low_db[at], predicted.high_db[at])
        limit = highest_source_ohm(found, tolerance_db=1.0)
        low, high = np.array(limit.low_ohm), np.array(limit.high_ohm)
        count.add("highest source for 1 dB", np.array(truth), low, high)
        count.add("highest source not below its interval", np.array(truth), low, np.array(np.inf))
    found = recover_impedance(
        F, D, added_ohm=R, source_ohm=SOURCE_OHM, noise_db=noise, smoothing=smoothing, band="linear", draws=50
    )
    error = change(found.impedance_ohm, 50.0) - change(Z, 50.0)
    below, above = (float(np.sqrt(np.mean(error[at] ** 2))) for at in (~HIGH, HIGH))
    return [below, float(np.abs(error[~HIGH]).max()), above]


def tabulate_agreement(earphones: dict[str, np.ndarray], runs: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    said: dict[str, list[bool]] = {"15 and 75 ohm": [], "75 ohm labelled 82 ohm": []}
    for Z in earphones.values():
        for _ in range(runs):
            noise = learn_noise(rng)
            both = [measure(rng, change(Z, R)) for R in (15.0, 75.0)]
            D = np.stack([settled.change_db for settled in both])
            k = len(noise) + 1
            apart = np.zeros((2, 2 * k, F.size))
            apart[0, :k], apart[1, k:] = (np.sqrt(2) * add_left_over(noise, settled) for settled in both)
            for name, labels in (("15 and 75 ohm", (15.0, 75.0)), ("75 ohm labelled 82 ohm", (15.0, 82.0))):
                found = recover_impedance(
                    F, D, added_ohm=labels, source_ohm=SOURCE_OHM, noise_db=apart, added_tolerance=0.005, band="linear"
                )
                said[name].append(found.agreement is not None and found.agreement.p_value < 0.05)
    print("\n### Two resistances: said not to agree with one load\n\n| case | share |\n|---|---|")
    for name, found in said.items():
        print(f"| {name} | {np.mean(found):.3f} of {len(found)} |")


WAYS = {
    "3 seats, 15 ohm": Plan(),
    "2 seats, 15 ohm": Plan(seats=2),
    "3 seats, 5, 33 and 120 ohm": Plan(added_ohm=(5.0, 33.0, 120.0)),
    "3 seats, 15 ohm, without reseating": Plan(reseated=False),
    "1 seat, 15 ohm, without reseating": Plan(seats=1, reseated=False),
    "1 seat, 33 ohm": Plan(seats=1, added_ohm=(33.0,)),
}


def tabulate_studies(earphones: dict[str, np.ndarray], studies: int, seed: int) -> None:
    print(
        f"\n### Whole studies: coverage of 95 % bands, {studies} studies of {len(earphones)} earphones, seed {seed}\n"
    )
    ranges = {"< 2 kHz": LOW, "2-6 kHz": MIDDLE, "> 6 kHz": HIGH}
    names = [f"{what}, {where}" for what in ("Z", "1 ohm", "50 ohm", "120 ohm") for where in ranges]
    print("| measured with | " + " | ".join(names) + " | error for 50 ohm, rms dB, three ranges | disagree |")
    print("|" + "---|" * (len(names) + 3))
    for way, plan in WAYS.items():
        held, off, doubted = Tally(), Tally(), []
        for i in range(studies):
            study = make_study(np.random.default_rng(seed + i), earphones, plan)
            comparison = compare_study(study)
            for name, Z in earphones.items():
                found = recover_from_changes(study, comparison, name).impedance
                if found is None:
                    continue
                doubted += [found.agreement.p_value < 0.05] if found.agreement else []
                for where, at in ranges.items():
                    tally_study(Z, found, where=where, at=at & found.readable, held=held, off=off)
        cells = [f"{np.mean(held.held[name]):.2f}" for name in names]
        errors = ", ".join(f"{np.median(off.held[where]):.2f}" for where in ranges)
        print(f"| {way} | {' | '.join(cells)} | {errors} | {np.mean(doubted) if doubted else '':.3} |", flush=True)


def tally_study(
    Z: np.ndarray, found: RecoveredImpedance, *, where: str, at: np.ndarray, held: Tally, off: Tally
) -> None:
    if not at.any():
        return
    held.add(f"Z, {where}", np.abs(Z)[at], found.low_ohm[at], found.high_ohm[at])
    for ohm in (1.0, 50.0, 120.0):
        predicted = predict_change(found, added_ohm=ohm, source_ohm=SOURCE_OHM)
        exact = change(Z, ohm)
        held.add(f"{ohm:g} ohm, {where}", exact[at], predicted.low_db[at], predicted.high_db[at])
        if ohm == 50.0:
            off.held.setdefault(where, []).append(float(np.sqrt(np.mean((predicted.change_db - exact)[at] ** 2))))


def race_recovery(earphones: dict[str, np.ndarray], seed: int) -> None:
    rng = np.random.default_rng(seed)
    noise, Z = learn_noise(rng), earphones["tongs"]
    D = measure(rng, change(Z, 15.0)).change_db
    plan = plan_gain_phase(F)
    log_gain = np.minimum(D, -1e-5) * np.log(10) / 20
    batch = np.tile(log_gain, (100, 1))

    def recover(method: BandMethod) -> object:
        return recover_impedance(F, D, added_ohm=15.0, source_ohm=SOURCE_OHM, noise_db=noise, band=method)

    found = recover_impedance(F, D, added_ohm=15.0, source_ohm=SOURCE_OHM, noise_db=noise)
    race(
        {
            "build the operator": lambda: gainphase._plan.__wrapped__(F.tobytes()),
            "phase of one curve": lambda: minimum_phase(plan, log_gain),
            "phase of 100 curves": lambda: minimum_phase(plan, batch),
            "recover, linear bands": lambda: recover("linear"),
            "recover, ensemble of 300": lambda: recover("ensemble"),
            "predict with band": lambda: predict_change(found, added_ohm=50.0),
            "the same, 300 draws alone": lambda: source_change_db(found.draws_ohm, source_ohm=50 + 0j),
            "highest source with interval": lambda: highest_source_ohm(found, tolerance_db=1.0),
        },
        base="build the operator",
        title="Speed, 480 frequencies",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=12, help="noisy runs an earphone and resistance")
    parser.add_argument("--studies", type=int, default=3, help="studies of thirteen earphones a way of measuring")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    earphones = read_earphones()
    tabulate_clean(earphones)
    tabulate_noisy(earphones, options.runs, options.seed)
    tabulate_agreement(earphones, max(options.runs // 2, 1), options.seed)
    tabulate_studies(earphones, options.studies, options.seed)
    race_recovery(earphones, options.seed)


if __name__ == "__main__":
    main()
