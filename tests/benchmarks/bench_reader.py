"""Speed of the text reader against a reader that is told everything.

Run `python tests/benchmarks/bench_reader.py`. "sniff and parse" goes from bytes on disk to checked numbers, rising in
frequency; `read_response` adds the hash, header, units, provenance and the checked curve. The base is `numpy.loadtxt`
told delimiter and lines to skip. Values are compared bit for bit with `float` before anything is timed.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
from race import race

from ohmshift.study.textbytes import read_text
from ohmshift.study.textdecimal import find_decimal
from ohmshift.study.textfiles import read_response
from ohmshift.study.textparse import parse
from ohmshift.study.textsniff import sniff

HEADER = "* Ladle, left\nFreq(Hz)\tSPL(dB)\n"
STYLES = {
    "three and four decimals": ("%.3f", "%.4f"),
    "three decimals, where a dot might group digits": ("%.3f", "%.3f"),
    "shortest digits that tell the number": ("%r", "%r"),
}
FILES = 2000


def write(path: Path, n: int, formats: tuple[str, str], seed: int = 0) -> list[tuple[str, str]]:
    level = np.random.default_rng(seed).normal(0, 5, n)
    rows = zip(np.geomspace(20, 20_000, n).tolist(), level.tolist(), strict=True)
    cells = [(formats[0] % f, formats[1] % value) for f, value in rows]
    path.write_text(HEADER + "".join(f"{f}\t{value}\n" for f, value in cells))
    return cells


def load_told(path: Path) -> np.ndarray:
    return np.loadtxt(path, delimiter="\t", skiprows=2)


def sniff_and_parse(path: Path) -> np.ndarray:
    file = read_text(path)
    layout = sniff(file)
    values = parse(file, layout, find_decimal(file, layout)[0]).values
    assert (values[1:, 0] > values[:-1, 0]).all()
    return values


def bench_file(folder: Path, n: int, style: str, target: float | None) -> None:
    path = folder / "ladle.txt"
    cells = write(path, n, STYLES[style])
    expected = np.array([[float(cell) for cell in row] for row in cells])
    assert sniff_and_parse(path).tobytes() == expected.tobytes()
    assert read_response(path).level_db.tobytes() == expected[:, 1].tobytes()
    file = read_text(path)
    contestants = {
        "loadtxt, told": lambda: load_told(path),
        "sniff and parse": lambda: sniff_and_parse(path),
        "read_response": lambda: read_response(path),
        "sniff alone": lambda: sniff(file),
    }
    targets = {"sniff and parse": target, "sniff alone": 0.05 if n == 500 else None}
    race(
        contestants,
        "loadtxt, told",
        title=f"{n:,} rows, {style}",
        target={name: value for name, value in targets.items() if value and target},
    )


def bench_folder(folder: Path) -> None:
    paths = [folder / f"{i}.txt" for i in range(FILES)]
    for i, path in enumerate(paths):
        write(path, 500, STYLES["three and four decimals"], seed=i)
    contestants = {
        "loadtxt, told": lambda: [load_told(path) for path in paths],
        "sniff and parse": lambda: [sniff_and_parse(path) for path in paths],
        "read_response": lambda: [read_response(path) for path in paths],
    }
    race(contestants, "loadtxt, told", 5, title=f"{FILES:,} files of 500 rows, serial", target={"sniff and parse": 0.6})


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for n, target in ((500, 0.6), (2000, 0.5), (20_000, 0.5)):
            bench_file(folder, n, "three and four decimals", target)
        bench_file(folder, 500, "three decimals, where a dot might group digits", 0.6)
        bench_file(folder, 2000, "shortest digits that tell the number", None)
        bench_folder(folder)


if __name__ == "__main__":
    main()
