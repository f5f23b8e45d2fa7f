"""What is found of each channel's seats, and said of it."""

from __future__ import annotations

import re

import numpy as np
import pytest

from ohmshift.curves.alignment import align_resonance
from ohmshift.curves.grids import octave_grid, pick_channel
from ohmshift.curves.resonance import correlate_slopes, resonance_levels
from ohmshift.curves.values import Provenance, ResponseSet
from ohmshift.errors import CurveError
from ohmshift.units import OCTAVE_RATIO, octaves_from_frequency

F = octave_grid()


def bump(centre_hz: float, width_octaves: float, height_db: float) -> np.ndarray:
    return height_db * np.exp(-((octaves_from_frequency(F, reference_hz=centre_hz) / width_octaves) ** 2))


def ears(*shifts: float, neighbour_db: float = 0.0) -> np.ndarray:
    """A resonance near 7.5 kHz and, where wanted, another above it; both move by the same share of an octave."""
    ratios = [OCTAVE_RATIO**shift for shift in shifts]
    return np.array([90 + bump(7500 * k, 0.13, 9) + bump(12_600 * k, 0.1, neighbour_db) for k in ratios])


@pytest.mark.source("analytic", ref="all that moves moves by 0.08 octave, half of it each way from the mean")
@pytest.mark.parametrize("neighbour_db", [0.0, 15.0, 30.0])
def test_a_tall_neighbour_does_not_hide_the_move(neighbour_db: float) -> None:
    found = correlate_slopes(resonance_levels(F, ears(-0.04, 0.04, neighbour_db=neighbour_db)))
    np.testing.assert_allclose(found, [-0.04, 0.04], rtol=0.025)


@pytest.mark.source(
    "analytic", ref="shifts -0.05, 0.02, 0.06 of mean 0.01: at most 0.06 octave, 10^(0.3 x 0.06) - 1 = 4.2 %"
)
def test_largest_move_is_said() -> None:
    curves = ResponseSet(
        frequency_hz=F, level_db=ears(-0.05, 0.02, 0.06), channel=("left",) * 3, seat=("1", "2", "3"), label="ladle"
    )
    _, report = align_resonance(curves)
    said = report.channels[0].summarise()
    percent = re.search(r"moved by up to ([\d.]+) %", said)
    assert percent is not None, said
    assert float(percent[1]) == pytest.approx(4.2, abs=0.15)


def test_one_channel_keeps_what_belongs_to_its_rows() -> None:
    origin = [Provenance(source=f"{i}.txt") for i in range(4)]
    curves = ResponseSet(
        frequency_hz=[100, 1000],
        level_db=[[1, 1], [2, 2], [3, 3], [4, 4]],
        channel=("left", "right", "left", "right"),
        seat=("1", "1", "2", "2"),
        provenance=origin,
    )
    right = pick_channel(curves, "right")
    assert (right.channel, right.seat) == (("right", "right"), ("1", "2"))
    np.testing.assert_array_equal(right.level_db, [[2, 2], [4, 4]])
    assert [one.source for one in right.provenance] == ["1.txt", "3.txt"]
    assert str(right.history[-1]) == "pick_channel(channel='right')"
    with pytest.raises(CurveError, match="at least one response"):
        pick_channel(curves, "middle")
