"""Speed of the divider and of circuits.

Run `python tests/benchmarks/bench_divider.py`. The divider is raced against its formula written out in complex numpy, a
ladder against the same network solved by nodes in batches of matrices.
"""

from __future__ import annotations

import numpy as np
from race import race

from ohmshift.chain.circuits import Ladder, series
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.divider_plan import plan_divider
from ohmshift.chain.drivers import DynamicDriver
from ohmshift.chain.elements import Capacitor, Inductor, LossyInductor, Resistor
from ohmshift.chain.nodal import Branch, Network
from ohmshift.chain.pad_design import design_pad, tabulate_pads
from ohmshift.curves.grids import octave_grid

GRID = octave_grid()
DRIVER = DynamicDriver(
    dc_ohm=32,
    resonance_hz=100,
    mechanical_q=2.5,
    electrical_q=1.25,
    coil=LossyInductor(coefficient=0.01, exponent=0.7),
)


def textbook(Z: np.ndarray, added_ohm: np.ndarray, source_ohm: float) -> np.ndarray:
    """Give 20 log10 |(Z + R_0) / (Z + R_0 + R)| as it is written down."""
    before = Z + source_ohm
    return 20 * np.log10(np.abs(before / (before + added_ohm[:, None])))


def race_divider() -> None:
    added = np.geomspace(1, 1000, 100)
    Z = DRIVER.impedance_ohm(GRID)
    many = Z * np.linspace(0.5, 3, 100)[:, None]
    np.testing.assert_allclose(divider_change_db(Z, added_ohm=added, source_ohm=2), textbook(Z, added, 2), atol=1e-10)
    one_plan, many_plan = plan_divider(Z, source_ohm=2), plan_divider(many, source_ohm=2)
    error = np.abs(one_plan.change_db(added) - textbook(Z, added, 2)).max()
    race(
        {
            "textbook, complex numpy": lambda: textbook(Z, added, 2.0),
            "exact, one earphone, 100 resistances": lambda: divider_change_db(Z, added_ohm=added, source_ohm=2),
            "planned, one earphone, 100 resistances": lambda: one_plan.change_db(added),
            "planned, 100 earphones, one resistance": lambda: many_plan.change_db(75.0),
        },
        base="textbook, complex numpy",
        title=f"Divider, {GRID.size} frequencies x 100 (planned: single precision, {error:.1g} dB off at most)",
        target={"planned, one earphone, 100 resistances": 0.15, "planned, 100 earphones, one resistance": 0.15},
    )


def _sections() -> tuple[Ladder, Network]:
    """Build one low-pass of three sections into a driver, as a ladder and node by node."""
    arms = [series(Resistor(resistance_ohm=0.5), Inductor(inductance_h=0.2e-3)) for _ in range(3)]
    shunts = [Capacitor(capacitance_f=3.3e-6) for _ in range(3)]
    ladder = Ladder(sections=tuple(zip(arms, shunts, strict=True)), load=DRIVER)
    nodes = ["in", "a", "b", "c"]
    branches = [Branch(first=nodes[i], second=nodes[i + 1], part=arm) for i, arm in enumerate(arms)]
    branches += [Branch(first=nodes[i + 1], second="0", part=shunt) for i, shunt in enumerate(shunts)]
    branches.append(Branch(first="c", second="0", part=DRIVER))
    return ladder, Network(elements=tuple(branches))


def by_matrices(f: np.ndarray) -> np.ndarray:
    """Give the same network's impedance as it is written down: fill the node matrices, solve all at once."""
    s = 2j * np.pi * f
    arm, shunt = 1 / (0.5 + s * 0.2e-3), s * 3.3e-6
    load = 1 / (32 + 0.01 * s**0.7 + 1 / (1 / 64 + 1 / (s * 40.743665e-3) + s * 62.169894e-6))
    matrix = np.zeros((f.size, 4, 4), dtype=complex)
    for i in range(3):
        matrix[:, i, i] += arm
        matrix[:, i + 1, i + 1] += arm + shunt
        matrix[:, i, i + 1] = matrix[:, i + 1, i] = -arm
    matrix[:, 3, 3] += load
    current = np.zeros((f.size, 4, 1), dtype=complex)
    current[:, 0] = 1
    return np.linalg.solve(matrix, current)[:, 0, 0]


def race_ladder() -> None:
    ladder, network = _sections()
    matrix, _ = network._equations(2j * np.pi * GRID)
    current = np.zeros((GRID.size, matrix.shape[-1], 1), dtype=complex)
    current[:, 0] = 1
    np.testing.assert_allclose(ladder.impedance_ohm(GRID), np.linalg.solve(matrix, current)[:, 0, 0], rtol=1e-11)
    np.testing.assert_allclose(ladder.impedance_ohm(GRID), by_matrices(GRID), rtol=1e-6)
    race(
        {
            "matrices filled by hand, np.linalg.solve": lambda: by_matrices(GRID),
            "np.linalg.solve alone, matrices ready": lambda: np.linalg.solve(matrix, current),
            "nodal solver": lambda: network.impedance_ohm(GRID, "in"),
            "ladder": lambda: ladder.impedance_ohm(GRID),
        },
        base="matrices filled by hand, np.linalg.solve",
        title=f"Ladder of 3 sections and a driver, {GRID.size} frequencies, {matrix.shape[-1]} nodes",
        target={"ladder": 0.3},
    )


def race_designer() -> None:
    earphone = DRIVER.sample(GRID)
    table = tabulate_pads(earphone)
    race(
        {
            "table of every E24 pad, once an earphone": lambda: tabulate_pads(earphone),
            "one set of wishes": lambda: design_pad(table, quieter_db=12, source_below_ohm=4, load_above_ohm=16),
        },
        base="table of every E24 pad, once an earphone",
        title=f"Pad designer, {table.series_ohm.size} pads",
        rounds=5,
    )


if __name__ == "__main__":
    race_divider()
    race_ladder()
    race_designer()
