"""Speed and memory of a whole collection, by who does the work.

Run `python tests/benchmarks/bench_scale.py [earphones]`; without a number, 200 earphones are raced, each way against
every other in one run. `python tests/benchmarks/bench_scale.py 10000 once` surveys 10,000 on two processes, once, and
tells the memory. The collection is made on the spot: three seats without and with 15 ohm, one channel, 500 rows a file.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
from earsim import OCTAVE, F, Rig, listen, make_earphone, sit
from race import race

from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.listing import list_study
from ohmshift.study.loading import find_clashes, load_row
from ohmshift.study.package import write_package
from ohmshift.study.running import run_items
from ohmshift.study.survey import survey_study

if TYPE_CHECKING:
    from collections.abc import Iterator

SEATS = 3
ADDED_OHM = 15.0
FREQUENCY = [f"{f:.3f}" for f in F]


def make_study(folder: Path, n: int) -> int:
    """Write a study of n earphones; give the bytes of its curve files."""
    responses = folder / "responses"
    responses.mkdir(parents=True)
    (folder / "study.toml").write_text(
        'title = "Many spoons"\nlicence = "CC0-1.0"\nsource_ohm = 1.0\ncable_ohm = 0.3\n'
    )
    earphones, measurements, size = ["earphone,driver_class,driver_count"], [], 0
    rng = np.random.default_rng(7)
    for i in range(n):
        name = f"Spoon {i}"
        earphones.append(f"{name},single dynamic,1")
        earphone = make_earphone(rng)
        shape = rng.normal(0, 1) * np.exp(-0.5 * ((OCTAVE - rng.uniform(-3, 3)) / 0.8) ** 2)
        for ohm, change in ((0.0, np.zeros_like(F)), (ADDED_OHM, shape - 4.0)):
            levels = listen(rng, Rig(), earphone.sides[0], sit(rng, Rig(), earphone, SEATS), change)
            for seat, level in enumerate(levels):
                file = f"responses/{i}_{ohm:g}_{seat}.txt"
                rows = [f"{f}\t{value:.3f}\n" for f, value in zip(FREQUENCY, level.tolist(), strict=True)]
                size += (folder / file).write_text("Hz\tdB\n" + "".join(rows))
                measurements.append(f"{file},{name},left,response,{ohm:g},{'ab'[ohm > 0]}{seat},absolute")
    (folder / "earphones.csv").write_text("\n".join(earphones) + "\n")
    header = "file,earphone,channel,quantity,added_ohm,seat,level_reference"
    (folder / "measurements.csv").write_text("\n".join([header, *measurements]) + "\n")
    return size


def load_all(folder: Path, executor: Executor | None = None) -> int:
    """Read every file of a study, and give how many."""
    listed = list_study(folder)
    clashes = find_clashes(listed.measurements.rows, listed.settings)
    rows = [(line, row, clashes.get(line)) for line, row in listed.measurements.rows]
    return sum(1 for _ in run_items(Reader(listed.folder, listed.settings), rows, executor=executor))


class Reader:
    """Reads a row and gives back its levels alone, as a worker of a survey keeps its curves to itself."""

    def __init__(self, root: Path, settings: object) -> None:
        self.root, self.settings = root, settings

    def __call__(self, item: object) -> int:
        return load_row(item, root=self.root, settings=self.settings).curve.level_db.size  # type: ignore[arg-type,union-attr]


@contextmanager
def cluster() -> Iterator[Executor]:
    """Give the executor of a cluster of two single-threaded processes on this machine."""
    import dask  # noqa: PLC0415 - slow to load
    from distributed import Client, LocalCluster  # noqa: PLC0415 - as above

    # What dask sets here gives memory back to the system all the time, and costs more than the work.
    dask.config.set({"distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": None})
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as local, Client(local) as client:
        yield client.get_executor(pure=False)


class Memory(threading.Thread):
    """Watches the memory of this process and its children [MB]."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.peak, self.parent, self.on = 0.0, 0.0, True

    def run(self) -> None:
        me = psutil.Process()
        while self.on:
            parent, total = me.memory_info().rss, 0
            for child in me.children(recursive=True):
                try:
                    total += child.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            self.parent = max(self.parent, parent / 1e6)
            self.peak = max(self.peak, (parent + total) / 1e6)
            time.sleep(0.5)


def survey_once(folder: Path, n: int, size: int) -> None:
    watch = Memory()
    watch.start()
    start = time.perf_counter()
    with ProcessPoolExecutor(2) as executor:
        made = survey_study(folder, folder / "survey.parquet", executor=executor)
    seconds = time.perf_counter() - start
    watch.on = False
    print(f"{made.n_changes:,} changes of {n:,} earphones, {6 * n:,} files, {size / 1e6:,.0f} MB of text")
    print(f"two processes: {seconds:,.0f} s, {n / seconds:.1f} earphones/s")
    print(f"peak memory: {watch.peak:,.0f} MB in all, {watch.parent:,.0f} MB in the process that hands out the work")
    print(f"results: {made.path.stat().st_size / 1e6:.1f} MB")


def race_ways(folder: Path, n: int) -> None:
    out = {name: folder / f"{name}.parquet" for name in ("serial", "two", "dask")}
    with ProcessPoolExecutor(2) as pool, cluster() as dask_pool:
        list(run_items(abs, range(4), executor=pool, batch=1))  # the workers are there
        survey_study(folder, out["dask"], executor=dask_pool, batch=50)
        race(
            {
                "serial": lambda: survey_study(folder, out["serial"]),
                "two processes": lambda: survey_study(folder, out["two"], executor=pool),
                "dask, two workers, chunks of 50": lambda: survey_study(
                    folder, out["dask"], executor=dask_pool, batch=50
                ),
            },
            "serial",
            3,
            title=f"Survey of {n} earphones, {6 * n} files",
            target={"two processes": 0.6, "dask, two workers, chunks of 50": 0.75},
        )
        race(
            {"serial": lambda: load_all(folder), "two processes": lambda: load_all(folder, pool)},
            "serial",
            3,
            title=f"Reading {6 * n} files",
        )
    same = len({path.read_bytes() for path in out.values()}) == 1
    print(f"\nresults of the three ways are {'the same bytes' if same else 'DIFFERENT'}")


def archive(folder: Path, most: int = 200) -> None:
    """Tell how large the curves are as the package's Parquet, every digit kept, against the text they came from."""
    manifest = folder / "measurements.csv"
    manifest.write_text("\n".join(manifest.read_text().splitlines()[: 6 * most + 1]) + "\n")
    study = open_study(folder)
    write_package(study, compare_study(study), folder.parent / "package")
    text = sum((folder / file).stat().st_size for file in study.curves)
    size = (folder.parent / "package" / "responses.parquet").stat().st_size
    print(f"archive of {len(study.curves)} curves: {size / text:.3f} of the text (wanted: at most 0.13)")


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "study"
        size = make_study(folder, n)
        if "once" in sys.argv:
            survey_once(folder, n, size)
        else:
            race_ways(folder, n)
            archive(folder)


if __name__ == "__main__":
    main()
