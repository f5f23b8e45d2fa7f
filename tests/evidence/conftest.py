"""Sets of responses with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import ResponseSet

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

F = octave_grid()
REFERENCES = Path(__file__).resolve().parents[1] / "references"


@pytest.fixture(scope="session")
def shelves() -> Callable[..., ResponseSet]:
    """Make curves of constant steps: all bands up to 125 Hz at bass_db, all from 4 kHz on at treble_db, 0 between.

    One value a row; the first half of the rows is left, the second right, unless channel is given.
    """

    def make(
        bass_db: Sequence[float],
        treble_db: Sequence[float] | None = None,
        *,
        level_db: Sequence[float] | None = None,
        seat: Sequence[str] | None = None,
        channel: Sequence[str] | None = None,
        frequency_hz: np.ndarray = F,
        **fields: object,
    ) -> ResponseSet:
        m = len(bass_db)
        bass, treble, level = (np.zeros(m) if x is None else np.asarray(x) for x in (bass_db, treble_db, level_db))
        f = frequency_hz
        rows = 90 + level[:, None] + bass[:, None] * (f < 160) + treble[:, None] * (f > 3000)
        halves = ("left",) * (m // 2) + ("right",) * (m - m // 2)
        return ResponseSet(
            frequency_hz=f,
            level_db=rows,
            channel=halves if channel is None else tuple(channel),
            seat=tuple(f"{i}" for i in range(m)) if seat is None else tuple(seat),
            label="ladle",
            **fields,
        )

    return make


@pytest.fixture(scope="session")
def noisy() -> Callable[..., tuple[ResponseSet, ResponseSet]]:
    """Make both conditions of an earphone, both channels, with normal noise correlated over a third of an octave.

    The noise is 0.15 dB times the earphone's own factor, log-normal with 25 %, and rises to 0.5 dB at 16 kHz.
    """
    octave = np.log2(F / 1000)
    root = np.linalg.cholesky(np.exp(-0.5 * ((octave[:, None] - octave) * 3) ** 2) + 1e-6 * np.eye(F.size))
    profile = np.interp(octave, [-6, 1, 4, 4.4], [0.15, 0.15, 0.5, 0.5])

    def make(
        rng: np.random.Generator,
        *,
        label: str,
        seats: int = 3,
        change_db: np.ndarray | float = 0.0,
        noise: float = 1.0,
        reseated: bool = True,
    ) -> tuple[ResponseSet, ResponseSet]:
        factor = noise * np.exp(rng.normal(0, 0.25))
        m = 2 * seats
        place = np.zeros((m, F.size)) if reseated else rng.standard_normal((m, F.size)) @ root.T * profile
        sets = []
        for condition, added_ohm, shift in (("a", 0.0, 0.0), ("b", 15.0, change_db)):
            noise_db = rng.standard_normal((m, F.size)) @ root.T * profile * factor
            seat = tuple(f"{condition if reseated else ''}{i}" for i in range(seats)) * 2
            sets.append(
                ResponseSet(
                    frequency_hz=F,
                    level_db=90 + shift + place + noise_db + rng.normal(0, 0.2, (m, 1)),
                    channel=("left",) * seats + ("right",) * seats,
                    seat=seat,
                    added_ohm=added_ohm,
                    label=label,
                )
            )
        return sets[0], sets[1]

    return make


@pytest.fixture(scope="session")
def limma() -> dict[str, np.ndarray]:
    """Values of another program, see the file."""
    lines = (REFERENCES / "limma_prior.txt").read_text(encoding="utf-8").splitlines()
    pairs = [line.split(":") for line in lines if line and not line.startswith("#")]
    return {name: np.array(values.split(), dtype=float) for name, values in pairs}
