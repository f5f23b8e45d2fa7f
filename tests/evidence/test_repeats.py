"""Repeats: level and tone apart, and deviations from what they share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.curves.grids import octave_grid
from ohmshift.errors import EvidenceError
from ohmshift.evidence.repeats import (
    default_bands,
    pool_variance,
    read_seats,
    share_grid,
    stray_from_mean,
    stray_from_pairs,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from ohmshift.curves.values import ResponseSet

    Shelves = Callable[..., ResponseSet]

WINDOW = {"bands": default_bands(), "level_low_hz": 200.0, "level_high_hz": 2000.0}


@pytest.mark.source("analytic", ref="shelves of 3 and -2 dB outside 200-2000 Hz, on 90 dB and 91 dB")
def test_level_and_tone_are_taken_apart(shelves: Shelves) -> None:
    seats = read_seats(shelves([3.0, 0.0], [-2.0, 0.0], level_db=[0.0, 1.0]), **WINDOW)
    np.testing.assert_allclose(seats.level_db, [90, 91])
    np.testing.assert_allclose(seats.band_db[0, :8], 3)
    np.testing.assert_allclose(seats.band_db[0, -7:], -2)
    np.testing.assert_allclose(seats.band_db[1], 0, atol=1e-12)
    np.testing.assert_allclose(seats.tone_db[0, 0], 3)
    assert seats.seats("left") == {"0": 0}
    assert seats.seats("right") == {"1": 1}


def test_seats_of_one_name_are_averaged(shelves: Shelves) -> None:
    seats = read_seats(shelves([1.0, 3.0, 5.0], channel=("left",) * 3, seat=("a", "b", "a")), **WINDOW)
    assert seats.seat == ("a", "b")
    np.testing.assert_allclose(seats.band_db[:, 0], [3, 3])


@pytest.mark.source(
    "analytic", ref="1, 2, 6: mean 3, squares 4 + 1 + 9 over 2; level 0, 0, 3: squares 1 + 1 + 4 over 2"
)
def test_deviations_from_the_mean() -> None:
    found = stray_from_mean(np.array([[1.0], [2.0], [6.0]]), np.array([0.0, 0.0, 3.0]))
    assert found.degrees == 2
    assert (found.band_db**2).mean() == pytest.approx(7)
    assert (found.level_db**2).mean() == pytest.approx(3)


@pytest.mark.source("analytic", ref="differences 1, 2, 6 have variance 7; a single measurement half of it")
def test_deviations_from_pairs() -> None:
    before = np.array([[10.0], [-5.0], [3.0]])
    table = np.stack([before, before + np.array([[1.0], [2.0], [6.0]])])
    found = stray_from_pairs(table, table[:, :, 0])
    assert found.degrees == 2
    assert (found.band_db**2).mean() == pytest.approx(3.5)
    assert (found.level_db**2).mean() == pytest.approx(3.5)


@pytest.mark.source("analytic", ref="(2 * 7 + 1 * 2) / 3 where both cover the band, 2 / 1 where one does")
def test_pooling_weighs_by_degrees() -> None:
    first = stray_from_mean(np.array([[1.0, np.nan], [2.0, np.nan], [6.0, np.nan]]), np.zeros(3))
    second = stray_from_mean(np.array([[0.0, 0.0], [2.0, 2.0]]), np.zeros(2))
    pooled = pool_variance([first, second, stray_from_mean(np.zeros((1, 2)), np.zeros(1))], count=2)
    np.testing.assert_allclose(pooled.band_db2, [16 / 3, 2])
    np.testing.assert_array_equal(pooled.band_degrees, [3, 1])
    assert pooled.degrees == 3
    nothing = pool_variance([], count=2)
    assert np.isnan(nothing.band_db2).all()
    assert np.isnan(nothing.level_db2)


def test_sets_meet_on_the_band_both_cover(shelves: Shelves) -> None:
    low = shelves([1.0, 1.0], frequency_hz=octave_grid(high_hz=9000))
    high = shelves([1.0, 1.0], frequency_hz=octave_grid(low_hz=60))
    first, second = share_grid(low, high)
    np.testing.assert_array_equal(first.frequency_hz, second.frequency_hz)
    assert 60 <= first.frequency_hz[0] < 61
    assert 8900 < first.frequency_hz[-1] <= 9000
    assert share_grid(low, low) == (low, low)


def test_sets_that_never_meet_are_refused(shelves: Shelves) -> None:
    with pytest.raises(EvidenceError, match="common band"):
        share_grid(
            shelves([0.0, 0.0], frequency_hz=octave_grid(high_hz=500)),
            shelves([0.0, 0.0], frequency_hz=octave_grid(low_hz=1000)),
        )
