"""Error rates and coverage of everything said across a collection, by simulation, and its speed on the demo study.

    python tests/benchmarks/bench_collection.py [--runs 1000] [--studies 12] [--seed 1]

Classes are unbalanced, and the smaller a class the wider its spread, which is where pooled tests go wrong; or the same
sizes with equal spread. Rates are in %; the standard error of a rate of 5 % over 1,000 runs is 0.7.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from race import race  # noqa: I001 - it pins the linear algebra library to one thread before numpy loads

import numpy as np
from earsim import BANDS, LOADS, F, Rig, make_change, make_earphone, make_impedance, measure_pair
from scipy import stats

from ohmshift.curves.alignment import align_resonance
from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.evidence.bandvectors import compare_vectors
from ohmshift.evidence.changes import measure_change
from ohmshift.evidence.collection import CollectedEarphone, Collection, ImpedanceFeatures
from ohmshift.evidence.counts import correlate_ranks
from ohmshift.evidence.explained import explain_values, foretell_by_class, foretell_by_mean
from ohmshift.evidence.floors import estimate_noise_floor
from ohmshift.evidence.groups import GroupTest, adjust_holm, compare_classes, omega_squared
from ohmshift.evidence.metrics import METRICS, Estimate, measure_metrics, metric_values
from ohmshift.evidence.rules import Rule, Subject
from ohmshift.evidence.ruling import judge_rule
from ohmshift.evidence.verdicts import judge_change
from ohmshift.evidence.welch import compare_means
from ohmshift.study.batch import compare_study
from ohmshift.study.collections import collect_study
from ohmshift.study.declarations import read_declaration
from ohmshift.study.folder import open_study
from ohmshift.study.questions import ask_types

SIZES = {"12, 5, 4, 3": (12, 5, 4, 3), "4, 3, 3, 3": (4, 3, 3, 3), "9, 9": (9, 9), "12, 4": (12, 4)}
UNEQUAL = (0.3, 0.6, 1.0, 1.5)
RESAMPLES = 499
DEMO = Path(__file__).resolve().parents[2] / "data_demo"


def rate(hits: list[bool]) -> float:
    return 100 * float(np.mean(hits))


def draw_classes(
    rng: np.random.Generator, sizes: tuple[int, ...], spreads: tuple[float, ...], means: np.ndarray | None = None
) -> tuple[np.ndarray, list[str]]:
    centre = np.zeros(len(sizes)) if means is None else means
    parts = [m + s * rng.standard_normal(n) for n, s, m in zip(sizes, spreads, centre, strict=False)]
    return np.concatenate(parts), [f"{i}" for i, n in enumerate(sizes) for _ in range(n)]


def tabulate_alarms(runs: int, seed: int) -> None:
    print("\n### False alarms over classes of one mean, %\n")
    print(
        "| sizes | spread | pooled F | Welch's F | drawn | any of 4, Holm | of 4 skewed | pooled distances | W*d ",
        end="",
    )
    print("| any pair |\n|---|---|---|---|---|---|---|---|---|---|")
    pool = draw_metrics(np.random.default_rng(seed))
    for name, sizes in SIZES.items():
        for spread in ("equal", "unequal"):
            rng = np.random.default_rng(seed)
            spreads = UNEQUAL if spread == "unequal" else (1.0,) * 4
            said = np.array([alarms_once(rng, sizes, spreads, pool, whole=i % 4 == 0) for i in range(runs)])
            rates = " | ".join(f"{100 * np.nanmean(column):.1f}" for column in said.T)
            print(f"| {name} | {spread} | {rates} |", flush=True)


def draw_metrics(rng: np.random.Generator) -> np.ndarray:
    """Give the metrics of 500 simulated earphones with 15 ohm added, shape (500, 4), of mean 0 and deviation 1."""
    found = []
    for _ in range(500):
        change = -20 * np.log10(np.abs(1 + 15 / make_impedance(rng, rng.choice(LOADS))))
        level = float(mean_levels(F, change, low_hz=[200.0], high_hz=[2000.0])[0])
        found.append(list(metric_values(band_levels(F, change, BANDS) - level, fractional_octave_bands(3)).values()))
    return np.asarray((np.array(found) - np.mean(found, axis=0)) / np.std(found, axis=0))


def alarms_once(
    rng: np.random.Generator, sizes: tuple[int, ...], spreads: tuple[float, ...], pool: np.ndarray, *, whole: bool
) -> list[float]:
    y, classes = draw_classes(rng, sizes, spreads)
    named = np.array(classes)
    samples = [y[named == name] for name in dict.fromkeys(classes)]
    seed = int(rng.integers(2**32))  # one and the same draws would be off alike in every run
    welch = compare_means(samples, draws=999, seed=seed)
    found = [float(p <= 0.05) for p in (stats.f_oneway(*samples).pvalue, welch.p_welch, welch.p)] + [np.nan] * 5
    # Four metrics that go together, as bass and size do; and those of earphones, all from one collection.
    others = [0.5 * y / np.std(y) + draw_classes(rng, sizes, spreads)[0] for _ in range(3)]
    found[3] = any_of(np.array([y, *others]), named, seed)
    found[4] = any_of((np.repeat(spreads[: len(sizes)], sizes)[:, None] * rng.choice(pool, y.size)).T, named, seed)
    if whole:
        root = np.linalg.cholesky(np.exp(-np.abs(np.subtract.outer(np.arange(29), np.arange(29))) / 6))
        rows = np.concatenate([s * rng.standard_normal((n, 29)) @ root.T for n, s in zip(sizes, spreads, strict=False)])
        found[5] = float(pooled_distances(rows, named, rng) <= 0.05)
        found[6] = float(compare_vectors(rows, classes, draws=999, seed=seed).p <= 0.05)
        found[7] = float(any(pair.p <= 0.05 for pair in compare_classes(y, classes).pairs))
    return found


def any_of(metrics: np.ndarray, named: np.ndarray, seed: int) -> float:
    """Tell whether any metric differs by Holm's adjustment, as `compare_classes` does with more draws."""
    tests = [compare_means([y[named == name] for name in dict.fromkeys(named)], draws=999, seed=seed) for y in metrics]
    return float(any(one.differ for one in adjust_holm([GroupTest(name="", classes=(), p=one.p) for one in tests])))


def pooled_distances(rows: np.ndarray, classes: np.ndarray, rng: np.random.Generator) -> float:
    """Give the p value of the pooled distance-based F, the test not to use."""
    squares = ((rows[:, None] - rows[None]) ** 2).sum(axis=2)
    codes = np.unique(classes, return_inverse=True)[1]
    labels = np.array([codes, *(rng.permutation(codes) for _ in range(RESAMPLES))])
    member = labels[:, None, :] == np.arange(codes.max() + 1)[None, :, None]
    within = np.einsum("rkn,nm,rkm->rk", member, squares, member) / 2 / member.sum(axis=2)
    inside = within.sum(axis=1)
    return float((inside <= inside[0] * (1 + 1e-12)).mean())


def tabulate_omega(runs: int, seed: int) -> None:
    print("\n### Coverage of the 95 % interval of omega squared, %\n")
    print(
        "| sizes | spread | true 0 | 0.1 | 0.3 | 0.6 | bootstrap of eta squared at 0.3 |\n|---|---|---|---|---|---|---|"
    )
    for name, sizes in SIZES.items():
        for spread in ("equal", "unequal"):
            rng = np.random.default_rng(seed)
            cells = [f"{omega_coverage(rng, sizes, spread, share, runs):.1f}" for share in (0.0, 0.1, 0.3, 0.6)]
            boot = eta_coverage(rng, sizes, spread, 0.3, max(runs // 10, 20))
            print(f"| {name} | {spread} | {' | '.join(cells)} | {boot:.0f} |", flush=True)


def means_for(sizes: tuple[int, ...], spreads: tuple[float, ...], share: float) -> np.ndarray:
    """Give class means with a share of the variance, each class counted by its own spread."""
    n, s = np.array(sizes, dtype=float), np.array(spreads[: len(sizes)])
    w = n / s**2
    shape = np.arange(len(sizes)) - float(w @ np.arange(len(sizes)) / w.sum())
    noncentrality = share / (1 - share) * n.sum()
    return shape * np.sqrt(noncentrality / float(w @ shape**2)) if share else 0 * shape


def omega_coverage(rng: np.random.Generator, sizes: tuple[int, ...], spread: str, share: float, runs: int) -> float:
    spreads = UNEQUAL if spread == "unequal" else (1.0,) * 4
    means = means_for(sizes, spreads, share)
    hits = []
    for _ in range(runs):
        y, classes = draw_classes(rng, sizes, spreads, means)
        welch = compare_means([y[np.array(classes) == name] for name in dict.fromkeys(classes)], draws=1)
        low, high = omega_squared(welch.statistic, welch.degrees, y.size)[1]
        hits.append(low <= share <= high)
    return rate(hits)


def eta_coverage(rng: np.random.Generator, sizes: tuple[int, ...], spread: str, share: float, runs: int) -> float:
    """Give the coverage of a percentile bootstrap of eta squared, the interval not to use."""
    spreads = UNEQUAL if spread == "unequal" else (1.0,) * 4
    means, hits = means_for(sizes, spreads, share), []
    for _ in range(runs):
        y, classes = draw_classes(rng, sizes, spreads, means)
        named = np.array(classes)
        found = []
        for _ in range(200):
            at = np.concatenate([rng.choice(np.flatnonzero(named == c), (named == c).sum()) for c in set(classes)])
            within = sum(((y[at][named[at] == c] - y[at][named[at] == c].mean()) ** 2).sum() for c in set(classes))
            found.append(1 - within / ((y[at] - y[at].mean()) ** 2).sum())
        low, high = np.quantile(found, [0.025, 0.975])
        hits.append(low <= share <= high)
    return rate(hits)


def tabulate_ranks(runs: int, seed: int) -> None:
    print("\n### Rank correlation with a count from 1 to 5: coverage and false alarms, %\n")
    print("| earphones | true rho | coverage | said other than 0 |\n|---|---|---|---|")
    for n in (10, 18, 40):
        for link in (0.0, 0.5, 0.9):
            rng = np.random.default_rng(seed)
            x, y = draw_counts(rng, 200_000, link)
            true = float(stats.spearmanr(x, y).statistic)
            found = [correlate_ranks(*draw_counts(rng, n, link), resamples=99) for _ in range(runs)]
            kept = [one for one in found if not one.reason]
            covered, told = (
                rate([one.low <= true <= one.high for one in kept]),
                rate([one.low > 0 or one.high < 0 for one in kept]),
            )
            print(f"| {n} | {true:.2f} | {covered:.1f} | {told:.1f} |", flush=True)


def draw_counts(rng: np.random.Generator, n: int, link: float) -> tuple[np.ndarray, np.ndarray]:
    z = rng.standard_normal(n)
    counts = np.digitize(z, [0.0, 0.6, 1.1, 1.7]) + 1.0
    return np.exp(link * z + np.sqrt(1 - link**2) * rng.standard_normal(n)), counts


def tabulate_explained(runs: int, seed: int) -> None:
    print("\n### A prediction's leave-one-out R² less that of type: coverage of the 95 % interval, %\n")
    print("| earphones | prediction | true difference | coverage | said to differ |\n|---|---|---|---|---|")
    for n in (15, 30, 60):
        for name, error in (("as good as type", None), ("divider, error 0.1 of the spread", 0.1)):
            rng = np.random.default_rng(seed)
            true = float(np.mean([explain_once(rng, n, error)[2] for _ in range(4000)]))
            ratio = sums_ratio(np.random.default_rng(seed + 1), n, error)
            hits, told = [], []
            for _ in range(runs):
                low, high, _ = explain_once(rng, n, error, interval=True)
                hits.append(low <= ratio <= high)
                told.append(low > 0 or high < 0)
            print(f"| {n} | {name} | {ratio:.2f} (mean {true:.2f}) | {rate(hits):.1f} | {rate(told):.1f} |", flush=True)


def draw_types(rng: np.random.Generator, n: int, error: float | None) -> tuple[np.ndarray, list[str], np.ndarray]:
    codes = np.arange(n) % 5
    y = 0.7 * (codes - 2.0) / 2 + rng.standard_normal(n)
    classes = [f"{code}" for code in codes]
    if error is None:  # foretold as another collection's class means would: the same quality as type
        other = 0.7 * (codes - 2.0) / 2 + rng.standard_normal(n)
        return y, classes, foretell_by_class(other, classes)
    return y, classes, y + error * np.std(y) * rng.standard_normal(n)


def explain_once(
    rng: np.random.Generator, n: int, error: float | None, *, interval: bool = False
) -> tuple[float, float, float]:
    y, classes, predicted = draw_types(rng, n, error)
    if not interval:
        base = ((y - foretell_by_mean(y)) ** 2).sum()
        gain = ((y - foretell_by_class(y, classes)) ** 2 - (y - predicted) ** 2).sum()
        return 0.0, 0.0, float(gain / base)
    labels = [f"{i}" for i in range(n)]
    found = explain_values(
        y,
        labels,
        classes=classes,
        counts=np.arange(n) % 4,
        features=rng.standard_normal((n, 2)),
        predicted=predicted,
        resamples=RESAMPLES,
    ).differences[0]
    return found.low, found.high, found.difference


def sums_ratio(rng: np.random.Generator, n: int, error: float | None) -> float:
    """Give the expected gain over the expected squares: what the ratio of sums estimates."""
    over = under = 0.0
    for _ in range(4000):
        y, classes, predicted = draw_types(rng, n, error)
        under += ((y - foretell_by_mean(y)) ** 2).sum()
        over += ((y - foretell_by_class(y, classes)) ** 2 - (y - predicted) ** 2).sum()
    return over / under


def tabulate_metrics(studies: int, seed: int) -> None:
    print(f"\n### Coverage of the metrics' 95 % intervals, %, {studies} studies of 18 simulated earphones\n")
    print(
        "| seats | reseated | largest dB | size | size above / below its interval | bass | treble | tilt | level drop |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for seats, reseated in ((2, True), (3, True), (3, False)):
        rng = np.random.default_rng(seed)
        hits: dict[float, list[list[float]]] = {}
        for _ in range(studies):
            for size_db, row in metrics_study(rng, seats, reseated=reseated):
                hits.setdefault(size_db, []).append(row)
        for size_db, rows in sorted(hits.items()):
            share = 100 * np.nanmean(np.array(rows), axis=0)
            cells = " | ".join(
                [f"{share[0]:.0f}", f"{share[1]:.1f} / {share[2]:.1f}", *(f"{x:.0f}" for x in share[3:])]
            )
            print(f"| {seats} | {'yes' if reseated else 'no'} | {size_db:g} | {cells} |", flush=True)


def metrics_study(rng: np.random.Generator, seats: int, *, reseated: bool) -> list[tuple[float, list[float]]]:
    sizes = (0.0,) * 6 + (0.5,) * 4 + (1.0,) * 4 + (3.0,) * 4
    changes = [make_change(rng, size) for size in sizes]
    pairs = [
        align_resonance(
            measure_pair(rng, Rig(), make_earphone(rng), seats, change, label=f"{i}", reseated=reseated), warp="local"
        )[0]
        for i, change in enumerate(changes)
    ]
    floor = estimate_noise_floor([curves for pair in pairs for curves in pair], draws=4000)
    found = []
    for size, true_db, pair in zip(sizes, changes, pairs, strict=True):
        change = measure_change(*pair)
        got = measure_metrics(change, floor, judge_change(change, floor)).estimates
        level = float(mean_levels(F, true_db, low_hz=[200.0], high_hz=[2000.0])[0])
        bands_db = band_levels(F, true_db, BANDS) - level
        true = {**metric_values(bands_db, fractional_octave_bands(3)), "level drop": level}
        inside = {name: got[name].low <= true[name] <= got[name].high for name in METRICS}
        size_ends = got["size"].bounds(0.025)
        row = [inside["size"], true["size"] > size_ends[1], true["size"] < size_ends[0]]
        found.append((size, [float(x) for x in (*row, *(inside[name] for name in METRICS[1:]))]))
    return found


def invent(values: list[float], uncertainty: float, degrees: float, rng: np.random.Generator) -> Collection:
    """Make a collection whose bass is as given plus an error with a t distribution."""
    nan = Estimate(value=float("nan"))
    earphones = []
    for i, true in enumerate(values):
        u = uncertainty * np.sqrt(rng.chisquare(degrees) / degrees)
        bass = Estimate(value=true + uncertainty * rng.standard_normal(), uncertainty=u, degrees=degrees)
        earphones.append(
            CollectedEarphone(
                label=f"{i}",
                driver_class="a",
                driver_count=1 + i % 5,
                estimates={name: bass if name == "bass" else nan for name in METRICS},
                noise_size_db=0.1,
                band_change_db=np.zeros(29),
                word="cannot tell",
                region_words=("cannot tell",) * 3,
                bound_db=1.0,
                region_bounds_db=(1.0,) * 3,
                seats=(3, 3),
                impedance=ImpedanceFeatures(),
                predicted={},
            )
        )
    return Collection(added_ohm=15.0, margin_db=1.0, bands=fractional_octave_bands(3), earphones=tuple(earphones))


def tabulate_rules(runs: int, seed: int) -> None:
    print(
        "\n### Rules over 18 earphones at the worst boundary: said wrongly, and said rightly 4 uncertainties away, %\n"
    )
    print('| rule | false "fails" | false "holds" | right "fails" | right "holds" |\n|---|---|---|---|---|')
    u, cases = 0.2, {}
    within = Rule(subject=Subject(), metric="bass", relation="stays within", limit=1.0)
    above = Rule(subject=Subject(), metric="bass", relation="is always positive")
    beyond = Rule(subject=Subject(), metric="bass", relation="exceeds", limit=1.0)
    cases["stays within 1 dB"] = (within, [1.0] * 18, [1.0] + [0.0] * 17, [1 + 4 * u] + [0.0] * 17, [1 - 4 * u] * 18)
    cases["is always positive"] = (above, [0.0] * 18, [0.0] + [2.0] * 17, [-4 * u] + [2.0] * 17, [4 * u] * 18)
    cases["exceeds 1 dB"] = (beyond, [1.0] * 18, [1.0] + [3.0] * 17, [1 - 4 * u] + [3.0] * 17, [1 + 4 * u] * 18)
    rises = Rule(subject=Subject(), metric="bass", relation="rises with", predictor="driver count")
    strict = Rule(subject=Subject(), metric="bass", relation="always rises with", predictor="driver count")
    ramp = [float(i % 5) for i in range(18)]
    # No link at all, values of any size; and, pair by pair, all equal or one pair equal.
    cases["rises with driver count"] = (rises, None, None, [-x for x in ramp], ramp)
    nearly = [30.0 if i == 3 else 40.0 if i % 5 == 4 else 10.0 * (i % 5) for i in range(18)]
    nearly[4] = 30.0
    cases["always rises with driver count"] = (strict, [0.0] * 18, nearly, [-x for x in ramp], [10 * x for x in ramp])
    for name, (rule, edge, one_off, wrong, right) in cases.items():
        rng = np.random.default_rng(seed)
        words = [
            [judge_rule(invent(draw(rng, values), u, 8.0, rng), rule).word for _ in range(runs)]
            for values in (edge, one_off, wrong, right)
        ]
        rates = [
            rate([word == wanted for word in said]) for said, wanted in zip(words, ("fails", "holds") * 2, strict=True)
        ]
        print(f"| {name} | {' | '.join(f'{x:.1f}' for x in rates)} |", flush=True)


def draw(rng: np.random.Generator, values: list[float] | None) -> list[float]:
    return list(rng.standard_normal(18)) if values is None else values


def race_demo() -> None:
    study = open_study(DEMO)
    comparison = compare_study(study)
    collection, declaration = collect_study(study, comparison), read_declaration(study.folder)
    rule = Rule(subject=Subject(), metric="size", relation="stays within", limit=1.0)
    race(
        {
            "compare the study": lambda: compare_study(study),
            "collect 18 earphones": lambda: collect_study(study, comparison),
            "every test of one grouping": lambda: ask_types(collection, declaration),
            "one rule": lambda: judge_rule(collection, rule),
            "another margin": lambda: collection.at_margin(0.7),
        },
        base="compare the study",
        rounds=5,
        title="Speed on the demo study",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000, help="simulated collections a cell")
    parser.add_argument("--studies", type=int, default=12, help="simulated studies a row")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    start = time.process_time()
    tabulate_alarms(options.runs, options.seed)
    tabulate_omega(options.runs, options.seed)
    tabulate_ranks(options.runs, options.seed)
    tabulate_explained(max(options.runs // 3, 1), options.seed)
    tabulate_rules(max(options.runs // 2, 1), options.seed)
    tabulate_metrics(options.studies, options.seed)
    race_demo()
    print(f"\nall of it took {time.process_time() - start:.0f} s of one processor")


if __name__ == "__main__":
    main()
