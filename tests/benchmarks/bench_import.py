"""How light the import is: python tests/benchmarks/bench_import.py.

Each contestant is a fresh interpreter; the interpreter's own start is taken off both. Target: 0.06 of importing the
libraries at once.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15
PROGRAMS = {
    "interpreter alone": "",
    "import ohmshift": "import ohmshift",
    "the libraries at once": "import numpy, scipy.signal, pandas, bokeh.plotting, ipywidgets",
}


def seconds(program: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", program], check=True)
    return time.perf_counter() - start


def main() -> None:
    for program in PROGRAMS.values():
        seconds(program)
    ratios = []
    for _ in range(ROUNDS):
        took = {name: seconds(program) for name, program in PROGRAMS.items()}
        bare = took["interpreter alone"]
        ratios.append((took["import ohmshift"] - bare) / (took["the libraries at once"] - bare))
    spread = statistics.quantiles(ratios, n=10)
    print("| contestant | median of the rounds' ratios | 10-90 % | target |\n|---|---|---|---|")
    print(f"| import ohmshift | {statistics.median(ratios):.3f} | {spread[0]:.3f}-{spread[-1]:.3f} | 0.06 |")


if __name__ == "__main__":
    main()
