"""Invented circuits of the lending set, as netlists, and their impedance solved with ngspice.

An earphone is a tree of series and parallel parts between node ``p`` and ground. Left and right are the same circuit
with other element values, drawn within the tolerance of each kind of part. One netlist is written for each channel;
ngspice solves it at the frequencies asked for, with a current of 1 A into ``p``, so that the voltage there is the
impedance.
"""

from __future__ import annotations

import math
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

# ------------------------------------------------------------------------------------------------------------- parts


@dataclass(frozen=True)
class Part:
    """One element: kind R, L or C, value [ohm, H, F] and relative tolerance (standard deviation)."""

    kind: str
    value: float
    tolerance: float


@dataclass(frozen=True)
class Hump:
    """A mechanical resonance seen from the coil: R, L and C in parallel, by peak [ohm], frequency [Hz] and Q."""

    peak_ohm: float
    frequency_hz: float
    q: float


@dataclass(frozen=True)
class StepUp:
    """A step-up transformer that drives an electrostatic cell.

    Primary inductance [H], turns ratio, coupling, and on the secondary side a resistance [ohm] and a capacitance [F].
    """

    primary_h: float
    ratio: float
    coupling: float
    cell_ohm: float
    cell_f: float


@dataclass(frozen=True)
class Chain:
    """Parts in series."""

    parts: tuple


@dataclass(frozen=True)
class Branches:
    """Parts in parallel."""

    parts: tuple


def res(value: float) -> Part:
    return Part("R", value, 0.01)


def ind(value: float) -> Part:
    return Part("L", value, 0.02)


def cap(value: float) -> Part:
    return Part("C", value, 0.02)


def series(*parts) -> Chain:
    return Chain(parts)


def parallel(*parts) -> Branches:
    return Branches(parts)


def driver(coil_ohm: float, coil_h: float, *, lossy: tuple = (), humps: tuple = ()) -> Chain:
    """Give a driver: coil, lossy inductances (R beside L), mechanical resonances."""
    parts = [Part("R", coil_ohm, 0.012), Part("L", coil_h, 0.03)]
    parts += [parallel(Part("R", r, 0.03), Part("L", h, 0.03)) for r, h in lossy]
    parts += [Hump(*hump) for hump in humps]
    return Chain(tuple(parts))


# ---------------------------------------------------------------------------------------------------------- circuits

NETWORKS = {
    "ladle": driver(17.4, 18e-6, lossy=((2.6, 70e-6),), humps=((5.6, 180, 1.1), (0.7, 2900, 3.0))),
    "kettle": driver(30.8, 90e-6, lossy=((9.0, 210e-6),), humps=((34.0, 105, 1.9), (2.0, 3700, 3.5))),
    "cauldron": driver(288.0, 1.1e-3, lossy=((90.0, 1.9e-3),), humps=((340.0, 88, 2.4), (14.0, 4100, 4.0))),
    "spoon": driver(23.6, 6e-6, humps=((0.5, 240, 0.8),)),
    "whisk": driver(
        22.5, 1.1e-3, lossy=((150.0, 1.7e-3),), humps=((38.0, 2450, 3.2), (25.0, 5100, 4.5), (18.0, 9200, 5.0))
    ),
    "sieve": series(
        res(24.0),
        parallel(
            driver(13.5, 0.62e-3, lossy=((80.0, 0.9e-3),), humps=((30.0, 2850, 3.6), (16.0, 5900, 4.8))),
            series(res(30.0), cap(1.5e-6)),
        ),
    ),
    "skewer": driver(9.2, 0.16e-3, lossy=((28.0, 0.30e-3),), humps=((24.0, 2700, 4.5), (14.0, 5600, 5.0))),
    "skillet": driver(15.2, 3e-6, humps=((0.2, 70, 1.4),)),
    "griddle": driver(36.4, 8e-6, humps=((0.4, 55, 1.2),)),
    "colander": parallel(
        series(res(3.9), driver(14.2, 40e-6, lossy=((4.5, 95e-6),), humps=((11.0, 58, 1.8),))),
        series(cap(12e-6), driver(27.0, 20e-6, humps=((10.0, 930, 2.4),))),
    ),
    "grater": parallel(
        driver(12.5, 0.80e-3, lossy=((60.0, 1.0e-3),), humps=((48.0, 1050, 4.0),)),
        series(cap(18e-6), driver(8.4, 0.12e-3, lossy=((26.0, 0.28e-3),), humps=((21.0, 2600, 4.2),))),
        series(cap(6.8e-6), driver(3.1, 22e-6, lossy=((14.0, 70e-6),), humps=((15.0, 8700, 4.6),))),
    ),
    "tongs": parallel(
        driver(19.0, 0.70e-3, lossy=((85.0, 1.1e-3),), humps=((44.0, 1900, 3.8),)),
        series(cap(3.3e-6), res(5.6), driver(11.8, 0.11e-3, lossy=((35.0, 0.25e-3),), humps=((20.0, 6300, 5.0),))),
    ),
    # The second branch is the dual of the first, 12 + 12^2 / (z - 12), from rounded values: flat within a few per cent.
    "trivet": parallel(
        series(res(12.0), ind(0.30e-3), Hump(26.0, 2300, 2.8)),
        series(res(12.0), parallel(cap(2.1e-6), series(res(5.6), cap(4.4e-6), ind(1.06e-3)))),
    ),
    "saucepan": parallel(
        series(res(8.2), driver(15.4, 26e-6, lossy=((3.6, 60e-6),), humps=((5.5, 130, 1.5),))),
        series(cap(5.6e-6), res(2.7), driver(10.8, 0.25e-3, lossy=((55.0, 0.45e-3),), humps=((27.0, 2500, 3.8),))),
        series(
            cap(1.2e-6),
            res(4.7),
            driver(8.2, 80e-6, lossy=((36.0, 0.18e-3),), humps=((16.0, 6100, 4.6), (12.0, 10400, 5.5))),
        ),
    ),
    "mortar": parallel(
        driver(29.5, 30e-6, lossy=((4.0, 80e-6),), humps=((5.0, 150, 1.3),)),
        series(cap(1.0e-6), res(27.0), driver(17.0, 0.20e-3, lossy=((50.0, 0.4e-3),), humps=((18.0, 4300, 4.0),))),
    ),
    # A bone conductor is a heavy moving-coil motor with a sharp resonance of its own.
    "thermos": parallel(
        driver(16.8, 24e-6, lossy=((3.2, 60e-6),), humps=((4.2, 140, 1.4),)),
        series(cap(33e-6), res(6.8), driver(7.6, 0.21e-3, lossy=((9.0, 0.3e-3),), humps=((16.0, 620, 3.6),))),
    ),
    "tureen": parallel(
        driver(20.4, 26e-6, lossy=((4.6, 65e-6),), humps=((6.2, 160, 1.4),)),
        series(cap(5.6e-6), driver(12.2, 0.23e-3, lossy=((55.0, 0.38e-3),), humps=((23.0, 2450, 3.8),))),
        series(res(12.0), cap(1.5e-6), parallel(res(68.0), StepUp(16e-3, 18.0, 0.9992, 900.0, 1.25e-9))),
    ),
    "wok": parallel(
        series(res(4.7), driver(14.6, 22e-6, lossy=((3.0, 55e-6),), humps=((7.5, 115, 1.6),))),
        series(cap(4.7e-6), res(10.0), driver(14.0, 0.20e-3, lossy=((48.0, 0.36e-3),), humps=((20.0, 3100, 3.6),))),
        series(cap(1.0e-6), res(8.2), Part("L", 4e-6, 0.03)),
    ),
}
"""Circuit of each earphone, nominal values."""

# ---------------------------------------------------------------------------------------------------------- netlists


class _Writer:
    """Write a tree as netlist lines, drawing each element's value within its tolerance."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.lines: list[str] = []
        self.nodes = 0

    def vary(self, value: float, tolerance: float) -> float:
        """Draw a value, normal within two standard deviations."""
        return value * (1 + tolerance * float(np.clip(self.rng.standard_normal(), -2, 2)))

    def node(self) -> str:
        self.nodes += 1
        return f"n{self.nodes}"

    def element(self, kind: str, a: str, b: str, value: float | str) -> str:
        number = 1 + sum(line.startswith(kind) for line in self.lines)
        text = value if isinstance(value, str) else f"{value:.6g}"
        self.lines.append(f"{kind}{number} {a} {b} {text}")
        return f"{kind}{number}"

    def write(self, part, a: str, b: str) -> None:
        match part:
            case Part(kind, value, tolerance):
                self.element(kind, a, b, self.vary(value, tolerance))
            case Hump(peak_ohm, frequency_hz, q):
                peak, w0 = self.vary(peak_ohm, 0.04), 2 * math.pi * self.vary(frequency_hz, 0.02)
                q = self.vary(q, 0.03)
                self.element("R", a, b, peak)
                self.element("L", a, b, peak / (w0 * q))
                self.element("C", a, b, q / (w0 * peak))
            case StepUp(primary_h, ratio, coupling, cell_ohm, cell_f):
                primary_h, end, cell = self.vary(primary_h, 0.03), self.node(), self.node()
                primary = self.element("L", a, b, primary_h)
                secondary = self.element("L", end, "0", primary_h * ratio**2)
                self.element("K", primary, secondary, f"{coupling:.6g}")
                self.element("R", end, cell, cell_ohm)
                self.element("C", cell, "0", self.vary(cell_f, 0.03))
            case Chain(parts):
                ends = [a, *(self.node() for _ in parts[1:]), b]
                for inner, here, there in zip(parts, ends[:-1], ends[1:], strict=True):
                    self.write(inner, here, there)
            case Branches(parts):
                for inner in parts:
                    self.write(inner, a, b)


def netlist(earphone: str, channel: str, seed: list[int]) -> str:
    """Write the netlist of one channel, with a sweep of 24 points an octave that runs as it stands."""
    writer = _Writer(np.random.default_rng(seed))
    writer.write(NETWORKS[earphone], "p", "0")
    lines = [
        f"* {earphone.capitalize()}, {channel}: invented circuit; v(p) is the impedance in ohm",
        "I1 0 p dc 0 ac 1",
        *writer.lines,
        ".control",
        "set numdgt=15",
        "set wr_singlescale",
        "ac oct 24 20 20000",
        "wrdata impedance.txt v(p)",
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


# ---------------------------------------------------------------------------------------------------------- solution


def solve(text: str, sweeps: dict[str, str], folder: Path) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Solve a netlist with ngspice over several sweeps.

    `sweeps` maps a name to the arguments of ngspice's ``ac``, such as ``oct 24 20 20000``. Gives frequency [Hz] and
    impedance [ohm] for each name. `folder` is a scratch folder.
    """
    head, tail = text.split("ac oct 24 20 20000\nwrdata impedance.txt v(p)\n")
    commands = "".join(f"ac {sweep}\nwrdata {name}.txt v(p)\n" for name, sweep in sweeps.items())
    deck = folder / "deck.cir"
    deck.write_text(head + commands + tail, encoding="ascii")
    run = subprocess.run(["ngspice", "-b", deck.name], cwd=folder, capture_output=True, text=True, check=False)
    solution = {}
    for name in sweeps:
        result = folder / f"{name}.txt"
        if run.returncode or not result.exists():
            raise RuntimeError(f"ngspice gave no result for {text.splitlines()[0]}\n{run.stdout}\n{run.stderr}")
        columns = np.loadtxt(result, ndmin=2)
        solution[name] = (columns[:, 0], columns[:, 1] + 1j * columns[:, 2])
        result.unlink()
    return solution
