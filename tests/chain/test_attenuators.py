"""Pads against hand arithmetic, published pads and a circuit simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spice import run_ngspice

from ohmshift.chain.attenuators import Pad, predict_pad, predict_pad_power
from ohmshift.chain.circuits import series
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.elements import Resistor, resonator_from_elements
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

F = 20 * 2 ** (np.array([0, 60, 108]) / 12)
T_PAD = Pad(series_ohm=22, shunt_ohm=8.2, output_ohm=3.3)
POSITIVE = st.floats(0.1, 1e3)


def driver(frequency_hz: np.ndarray) -> Impedance:
    """The driver of tests/references/pads.cir."""
    peak = resonator_from_elements(resistance_ohm=64, inductance_h=40e-3, capacitance_f=62e-6)
    return series(Resistor(resistance_ohm=32), peak).sample(frequency_hz, label="ladle")


def flat(ohm: float) -> Impedance:
    f = octave_grid()
    return Impedance(frequency_hz=f, impedance_ohm=np.full(f.size, ohm), label="ladle")


@pytest.mark.source(
    "analytic",
    ref="series Z (K - 1)/K, shunt Z/(K - 1), K = 10^(A/20): shunt || Z is Z/K, so Z stays the load, 1/K comes through",
)
@pytest.mark.parametrize(
    ("ohm", "loss_db", "series_ohm", "shunt_ohm"),
    [
        (8, 6, 3.990502, 8.038082),
        (8, 10, 5.470178, 3.699802),
        (16, 10, 10.940356, 7.399605),
        (32, 20, 28.8, 3.555556),
    ],
)
def test_pads_that_keep_the_load(ohm: float, loss_db: float, series_ohm: float, shunt_ohm: float) -> None:
    effect = predict_pad(flat(ohm), Pad(series_ohm=series_ohm, shunt_ohm=shunt_ohm))
    assert effect.level_drop_db == pytest.approx(-loss_db, abs=2e-6)
    assert effect.lowest_load_ohm == pytest.approx(ohm, rel=1e-6)
    np.testing.assert_allclose(effect.tonal_change_db, 0, atol=1e-12)


@pytest.mark.source(
    "analytic",
    ref="R_c + R_b || (R_0 + R_a); R_a + R_b || (Z + R_c); R_b/(R_0 + R_a + R_b): 23.5 x 8.2/31.7 and so on",
)
def test_t_pad_by_hand() -> None:
    assert T_PAD.source_ohm(1.5) == pytest.approx(3.3 + 8.2 * 23.5 / 31.7)
    assert T_PAD.load_ohm(32) == pytest.approx(22 + 8.2 * 35.3 / 43.5)
    assert T_PAD.open_circuit_db(1.5) == pytest.approx(20 * np.log10(8.2 / 31.7))


@pytest.mark.source("independent", ref="ngspice 39.3 on tests/references/pads.cir: v(a3), v(b1), la, v(c)")
def test_t_pad_matches_the_circuit_simulator() -> None:
    with_pad = [0.4030463729 + 0.0142093513j, 0.4019467545 - 0.011352989j, 0.4000955213 - 0.0007104038j]
    straight = [1.9135965365 + 0.0132355468j, 1.9124352493 - 0.0106245197j, 1.9104554013 - 0.0006701098j]
    load = [28.6903322283 + 0.1786074529j, 28.6768992176 - 0.142575031j, 28.6543391097 - 0.008907981j]
    source = [11.4966393903 - 0.0843624048j, 10.1869334853 - 1.030072094j, 9.3839511866 - 0.1037496391j]
    effect = predict_pad(driver(F), T_PAD, source_ohm=1.5, level_low_hz=20, level_high_hz=10_000)
    change = 20 * np.log10(np.abs(np.array(with_pad) / straight))
    np.testing.assert_allclose(effect.change_db, change, atol=1e-8)
    np.testing.assert_allclose(effect.load_ohm, load, atol=1e-9)
    np.testing.assert_allclose(T_PAD.source_ohm(1.5 + 1 / (2j * np.pi * F * 10e-6)), source, atol=1e-9)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/pads.cir")
def test_t_pad_matches_a_live_run(tmp_path: Path) -> None:
    f, (with_pad, straight, load, across_a, middle, across_c, seen, *_) = run_ngspice("pads", tmp_path)
    effect = predict_pad(driver(f), T_PAD, source_ohm=1.5)
    np.testing.assert_allclose(effect.change_db, 20 * np.log10(np.abs(with_pad / straight)), atol=1e-11)
    np.testing.assert_allclose(effect.load_ohm, load, rtol=1e-11)
    np.testing.assert_allclose(T_PAD.source_ohm(1.5 + 1 / (2j * np.pi * f * 10e-6)), seen, rtol=1e-11)
    heat = predict_pad_power(driver(f), T_PAD, drive_v=2, source_ohm=1.5)
    watts = np.abs(np.stack([across_a, middle, across_c], axis=-1)) ** 2 / [22, 8.2, 3.3]
    np.testing.assert_allclose(heat.power_w, watts, rtol=1e-11)


@pytest.mark.source(
    "analytic",
    ref="what the source gives is what the four resistances and the earphone take: Re(V conj I) = sum of powers",
)
@given(POSITIVE, POSITIVE, POSITIVE, POSITIVE)
def test_power_is_conserved(series_ohm: float, shunt_ohm: float, output_ohm: float, source_ohm: float) -> None:
    pad = Pad(series_ohm=series_ohm, shunt_ohm=shunt_ohm, output_ohm=output_ohm)
    earphone = driver(F)
    heat = predict_pad_power(earphone, pad, drive_v=3, source_ohm=source_ohm)
    current = 3 / (source_ohm + pad.load_ohm(earphone.impedance_ohm))
    given_w = (3 * current.conj()).real - np.abs(current) ** 2 * source_ohm
    np.testing.assert_allclose(heat.power_w.sum(axis=-1) + heat.earphone_w, given_w, rtol=1e-9)


@pytest.mark.source("analytic", ref="a series resistor alone is the plain divider")
def test_series_resistor_alone() -> None:
    f = octave_grid()
    effect = predict_pad(driver(f), Pad(series_ohm=75), source_ohm=2)
    change_db = divider_change_db(driver(f).impedance_ohm, added_ohm=75, source_ohm=2)
    np.testing.assert_allclose(effect.change_db, change_db, atol=1e-12)
    inside = (f >= 200) & (f <= 2000)
    assert effect.level_drop_db == pytest.approx(change_db[inside].mean(), abs=0.01)
    np.testing.assert_allclose(effect.tonal_change_db, change_db - effect.level_drop_db, atol=1e-12)
    np.testing.assert_allclose(effect.source_ohm, 77)
    np.testing.assert_allclose(effect.load_ohm, driver(f).impedance_ohm + 75)


@pytest.mark.source(
    "analytic", ref="a resistor across the earphone: nothing at 0 ohm source; else Z || R divides with R_0"
)
def test_parallel_resistor() -> None:
    f = octave_grid()
    Z = driver(f).impedance_ohm
    across = Pad(shunt_ohm=20)
    np.testing.assert_allclose(predict_pad(driver(f), across).change_db, 0, atol=1e-12)
    effect = predict_pad(driver(f), across, source_ohm=33)
    joined = Z * 20 / (Z + 20)
    np.testing.assert_allclose(
        effect.change_db, 20 * np.log10(np.abs(joined / (joined + 33) * (Z + 33) / Z)), atol=1e-12
    )
    np.testing.assert_allclose(effect.load_ohm, joined)
    assert effect.source_ohm[0] == pytest.approx(33 * 20 / 53)


@pytest.mark.source(
    "analytic",
    ref="the tone behind a pad is that behind its source impedance: the open-circuit loss apart",
)
def test_tone_depends_on_the_source_impedance_alone() -> None:
    f = octave_grid()
    pad = Pad(series_ohm=47, shunt_ohm=4.7)
    effect = predict_pad(driver(f), pad)
    behind = divider_change_db(driver(f).impedance_ohm, added_ohm=47 * 4.7 / 51.7)
    np.testing.assert_allclose(effect.change_db - behind, 20 * np.log10(4.7 / 51.7), atol=1e-12)


@pytest.mark.source("analytic", ref="4 V over 32 + 16 || 16 = 40 ohm: 0.1 A, 0.32 W; 0.8 V over 16 ohm: 0.04 W each")
def test_power_by_hand() -> None:
    pad = Pad(series_ohm=32, shunt_ohm=16)
    heat = predict_pad_power(flat(16), pad, drive_v=4, rating_w=0.25)
    assert heat.largest_w == pytest.approx((0.32, 0.04, 0))
    assert heat.earphone_w[0] == pytest.approx(0.04)
    assert len(heat.caveats) == 1
    assert "series resistor gets up to 0.32 W" in heat.caveats[0]
    assert predict_pad_power(flat(16), pad, drive_v=4, rating_w=0.33).caveats == ()
    assert predict_pad_power(flat(16), pad, drive_v=4).caveats == ()


@pytest.mark.source("analytic", ref="|22 + 8.2 || (Z + 3.3)| is smallest where |Z| is, at 20 kHz on this driver")
def test_lowest_load_is_found() -> None:
    effect = predict_pad(driver(octave_grid()), T_PAD)
    assert effect.lowest_load_ohm == np.abs(effect.load_ohm).min()
    assert effect.lowest_load_hz == effect.frequency_hz[np.argmin(np.abs(effect.load_ohm))]


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="shunt_ohm"):
        Pad(shunt_ohm=0)
    with pytest.raises(CurveError, match="series_ohm"):
        Pad(series_ohm=-1)
    with pytest.raises(CurveError, match="200 to 2000 Hz"):
        predict_pad(driver(np.array([500.0, 1000])), T_PAD)
    with pytest.raises(CurveError, match="drive_v"):
        predict_pad_power(flat(16), T_PAD, drive_v=0)
    with pytest.raises(CurveError, match="not 0"):
        predict_pad(flat(0), Pad())
