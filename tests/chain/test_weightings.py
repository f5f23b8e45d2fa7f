"""Weightings and programme spectrum against the standards' tables and independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from pyloudnorm import Meter

from ohmshift.chain.loudness import (
    SPECTRA,
    WEIGHTINGS,
    loudness_change,
    octave_weights,
    spectrum_db,
    weighted_change_db,
)
from ohmshift.chain.weightings import (
    K_STAGES,
    PROGRAMME_DB,
    PROGRAMME_HZ,
    a_weighting_db,
    k_weighting_db,
)
from ohmshift.errors import CurveError

TABLE_HZ = 10.0 ** (np.arange(10, 44) / 10)
TABLE_A = np.fromstring(
    "-70.4 -63.4 -56.7 -50.5 -44.7 -39.4 -34.6 -30.2 -26.2 -22.5 -19.1 -16.1 -13.4 -10.9 -8.6 -6.6 -4.8 "
    "-3.2 -1.9 -0.8 0 0.6 1.0 1.2 1.3 1.2 1.0 0.5 -0.1 -1.1 -2.5 -4.3 -6.6 -9.3",
    sep=" ",
)


@pytest.mark.source("published", ref="IEC 61672-1:2013, table 3, A at the 34 exact mid-bands from 10 Hz, to its 0.1 dB")
def test_a_weighting_is_the_table() -> None:
    np.testing.assert_array_equal(a_weighting_db(TABLE_HZ).round(1) + 0.0, TABLE_A)


@pytest.mark.source(
    "analytic", ref="equations of IEC 61672-1, annex E, evaluated once more by hand at nominal frequencies"
)
def test_a_weighting_at_nominal_frequencies() -> None:
    wanted = [-50.3904, -19.1428, 0.0, 0.9633, -2.4918, -9.3469]
    np.testing.assert_allclose(a_weighting_db([20, 100, 1000, 4000, 10_000, 20_000]), wanted, atol=5e-5)


@pytest.mark.source("independent", ref="pyfar 0.8.1, constants.frequency_weighting_curve, IEC 61672-1")
def test_pyfar_weights_the_same() -> None:
    frequency_weighting = pytest.importorskip("pyfar").constants.frequency_weighting_curve
    f = np.geomspace(10, 20_000, 61)
    np.testing.assert_allclose(a_weighting_db(f), frequency_weighting("A", f), atol=1e-2)


@pytest.mark.source("published", ref="ITU-R BS.1770-4, tables 1 and 2, and their gains at seven frequencies")
def test_k_weighting_has_the_printed_filters() -> None:
    wanted = [-1.1335, 0.0425, 0.6910, 0.6977, 3.0713, 3.9680, 4.0419]
    np.testing.assert_allclose(k_weighting_db([100, 500, 997, 1000, 2000, 4000, 10_000]), wanted, atol=5e-5)


@pytest.mark.source("independent", ref="pyloudnorm 0.2.0, filter_class='DeMan', whose default differs by 0.041 dB")
def test_k_weighting_is_pyloudnorms() -> None:
    filters = list(Meter(48_000, filter_class="DeMan")._filters.values())
    for (numerator, denominator), other in zip(K_STAGES, filters, strict=True):
        np.testing.assert_allclose(numerator, other.b, atol=1e-9)
        np.testing.assert_allclose(denominator, other.a, atol=1e-9)


@pytest.mark.source("published", ref="ITU-R BS.1770-4: a 997 Hz sine at full scale in one channel reads -3.01 LKFS")
def test_full_scale_sine() -> None:
    level = -0.691 + k_weighting_db(997.0) + 10 * np.log10(0.5)
    assert float(level) == pytest.approx(-3.01, abs=5e-3)


@pytest.mark.source(
    "published", ref="IEC 60268-1:1985, table II and its note: the whole is about 12.5 dB above a middle band"
)
def test_programme_spectrum() -> None:
    power = 10 ** (PROGRAMME_DB / 10)
    assert 10 * np.log10(power.sum()) == pytest.approx(12.5, abs=0.1)
    assert 10 * np.log10(power.sum()) == pytest.approx(12.558, abs=5e-4)
    a_by_table = 10 * np.log10(power @ 10 ** (TABLE_A[3:] / 10) / power.sum())
    assert a_by_table == pytest.approx(-2.604, abs=5e-4)
    a_by_equation = 10 * np.log10(power @ 10 ** (a_weighting_db(PROGRAMME_HZ) / 10) / power.sum())
    assert a_by_equation == pytest.approx(-2.604, abs=0.02)
    assert float(PROGRAMME_HZ[17]) == 1000.0
    np.testing.assert_array_equal(spectrum_db(PROGRAMME_HZ, "programme"), PROGRAMME_DB)


@pytest.mark.source("analytic", ref="a change alike at all frequencies changes every level by itself")
@pytest.mark.parametrize("spectrum", SPECTRA)
@pytest.mark.parametrize("weighting", WEIGHTINGS)
def test_flat_change_is_itself(spectrum: str, weighting: str) -> None:
    f = np.geomspace(10, 40_000, 300)
    found = weighted_change_db(f, np.full(f.size, -7.3), spectrum=spectrum, weighting=weighting)
    assert float(found) == pytest.approx(-7.3, abs=1e-12)


@pytest.mark.source("analytic", ref="pink, unweighted, half of the octaves silent: 10 log10 0.5 = -3.0103 dB")
def test_half_of_the_octaves() -> None:
    f = np.geomspace(20, 20_000, 6001)
    silent = np.where(f < np.sqrt(20 * 20_000), -300.0, 0.0)
    found = weighted_change_db(f, silent, spectrum="pink", weighting="none")
    assert float(found) == pytest.approx(-3.0103, abs=2e-3)


@pytest.mark.source("analytic", ref="sum over third octaves of programme power times A weighting: -2.6 dB")
def test_weighting_as_a_change_gives_the_a_weighted_level() -> None:
    f = np.geomspace(18, 22_000, 2000)
    found = weighted_change_db(f, a_weighting_db(f), spectrum="programme", weighting="none")
    assert float(found) == pytest.approx(-2.604, abs=0.03)


def test_one_number_with_its_spread() -> None:
    f = np.geomspace(20, 20_000, 400)
    change = -6 + 3 * np.log10(f / 1000)
    found = loudness_change(f, change, label="tilted")
    assert found.low_db <= found.change_db <= found.high_db
    assert (found.least_hz, found.largest_hz) == (pytest.approx(20), pytest.approx(20_000))
    response = -20 * np.abs(np.log10(f / 8000))
    shaped = loudness_change(f, change, response_db=response)
    assert found.a_weighted_db == float(weighted_change_db(f, change, weighting="A"))
    assert shaped.a_weighted_db == float(weighted_change_db(f, change, weighting="A", response_db=response))
    assert shaped.high_db > found.high_db
    assert shaped.change_db == found.change_db
    assert len(found.by_spectrum) == 6
    assert octave_weights(f).sum() == pytest.approx(1)


def test_bad_input_is_refused() -> None:
    with pytest.raises(CurveError, match="spectrum"):
        spectrum_db([100], "speech")
    with pytest.raises(CurveError, match="weighting"):
        weighted_change_db([20, 1000], [0, 0], weighting="D")
    with pytest.raises(CurveError, match="audible band"):
        octave_weights([1.0, 2.0])
    with pytest.raises(CurveError, match="rise"):
        octave_weights([1000.0, 200.0, 2000.0])
    for change in ([-1.0, np.nan], [-1.0, -1.0, -1.0]):
        with pytest.raises(CurveError, match="change_db"):
            loudness_change([200.0, 2000.0], change)
    with pytest.raises(CurveError, match="24 kHz"):
        k_weighting_db(24_000.0)
    with pytest.raises(CurveError, match="above 0 Hz"):
        a_weighting_db([0.0])
