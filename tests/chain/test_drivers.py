"""Driver models against a published driver sheet, hand arithmetic and a circuit simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.optimize import brentq
from spice import run_ngspice

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.drivers import (
    DynamicDriver,
    balanced_armature,
    capacitive,
    dynamic_driver_from_mechanics,
    planar,
)
from ohmshift.chain.elements import Inductor, LossyInductor, Resonator
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.chain.circuits import Series

SHEET = (
    "a maker's published driver sheet: Re 6.18, Cmes 302.84 uF, Lces 6.88 mH, Res 21.62, fs 110.3 Hz, Mms 38.839 g, "
)
SHEET += "Rms 5.932 kg/s, Kms 18.65 N/mm, Bl 11.325, Qms 4.537, Qes 1.297, Qts 1.009"


def driver() -> DynamicDriver:
    return DynamicDriver(dc_ohm=32, resonance_hz=100, mechanical_q=2.5, electrical_q=1.25)


def stepped_up() -> Series:
    """The second circuit of tests/references/circuits.cir."""
    return capacitive(
        capacitance_f=62e-12,
        turns_ratio=40,
        magnetising_h=22e-3,
        primary_ohm=2.7,
        leakage_h=15e-6,
        core_ohm=820,
        secondary_ohm=51e3,
    )


@pytest.mark.source("published", ref=SHEET)
def test_published_sheet_from_its_q() -> None:
    sheet = DynamicDriver(dc_ohm=6.18, resonance_hz=110.3, mechanical_q=4.537, electrical_q=1.297)
    found = (sheet.motional.peak_ohm, sheet.motional.capacitance_f, sheet.motional.inductance_h, sheet.total_q)
    assert found == pytest.approx((21.62, 302.84e-6, 6.88e-3, 1.009), rel=1e-3)
    assert np.abs(sheet.impedance_ohm(110.3)) == pytest.approx(27.80, rel=1e-3)


@pytest.mark.source("published", ref=SHEET)
def test_published_sheet_from_its_mechanics() -> None:
    sheet = dynamic_driver_from_mechanics(
        dc_ohm=6.18,
        force_factor_tm=11.325,
        moving_mass_kg=38.839e-3,
        compliance_m_per_n=1 / 18.65e3,
        mechanical_resistance_kg_per_s=5.932,
    )
    found = (sheet.resonance_hz, sheet.mechanical_q, sheet.electrical_q, sheet.total_q, sheet.motional.peak_ohm)
    assert found == pytest.approx((110.3, 4.537, 1.297, 1.009, 21.62), rel=1e-3)


@pytest.mark.source(
    "published", ref=SHEET + "; the inverted formulas Qes Re/ws and 1/(ws Qes Re) give 11.57 mH and 180 uF"
)
def test_motional_elements_are_not_inverted() -> None:
    sheet = DynamicDriver(dc_ohm=6.18, resonance_hz=110.3, mechanical_q=4.537, electrical_q=1.297)
    assert sheet.motional.inductance_h < 8e-3
    assert sheet.motional.capacitance_f > 250e-6


@pytest.mark.source(
    "analytic",
    ref="ws Mms / Rms with Rms = ws Mms / Qms = 3.12356 kg/s (Mms 54.8 g, Cms 1 mm/N, Qms 2.37) gives Qms back",
)
def test_mechanical_resistance_goes_with_mass() -> None:
    heavy = dynamic_driver_from_mechanics(
        dc_ohm=5.4,
        force_factor_tm=10,
        moving_mass_kg=54.8e-3,
        compliance_m_per_n=1e-3,
        mechanical_resistance_kg_per_s=3.12356,
    )
    assert heavy.resonance_hz == pytest.approx(21.49957, abs=1e-5)
    # Both Q come from f_s rounded to 21.5 Hz.
    both = np.array([2.37, 0.399754]) * 21.49957 / 21.5
    assert (heavy.mechanical_q, heavy.electrical_q) == pytest.approx(tuple(both), rel=3e-6)


@pytest.mark.source(
    "analytic",
    ref="Res = Re Qms/Qes; |Z| = sqrt(Re Zmax) at f1, f2 with sqrt(f1 f2) = fs and Qms = fs sqrt(r0)/(f2 - f1)",
)
def test_q_from_the_two_frequencies() -> None:
    # Small 1972: r0 = Zmax / Re = 3, so |Z| = 32 sqrt 3 at 71.18903629 and 140.47106860 Hz.
    def above(f: float) -> float:
        return float(np.abs(driver().impedance_ohm(f))) - 32 * np.sqrt(3)

    f1, f2 = brentq(above, 20, 100), brentq(above, 100, 1000)
    assert (f1, f2) == pytest.approx((71.18903629, 140.47106860), rel=1e-9)
    assert 100 * np.sqrt(3) / (f2 - f1) == pytest.approx(2.5)


@pytest.mark.source(
    "analytic", ref="Qes' = Qes (Re + R)/Re: Qts' 0.99057, 1.25969, 1.56433, 1.75926 behind 10, 33, 75, 120 ohm"
)
def test_source_resistance_frees_the_resonance() -> None:
    damping = [driver().behind(R).total_q for R in (0, 10, 33, 75, 120)]
    assert damping == pytest.approx([0.833333, 0.99057, 1.25969, 1.56433, 1.75926], abs=5e-6)
    assert driver().behind(75).motional.peak_ohm == pytest.approx(64)
    Z = driver().impedance_ohm([50, 100, 900])
    np.testing.assert_allclose(driver().behind(75).impedance_ohm([50, 100, 900]), Z + 75)


@pytest.mark.source(
    "analytic",
    ref="96 and about 32 ohm behind R: -7.04365 dB at fs and -13.48482 dB at 1 kHz for 120 ohm, arithmetic by hand",
)
def test_driver_behind_a_divider() -> None:
    level = divider_change_db(driver().impedance_ohm([100, 1000]), added_ohm=[10, 120])
    np.testing.assert_allclose(level, [[-0.86069, -2.34357], [-7.04365, -13.48482]], atol=5e-6)


@pytest.mark.source(
    "analytic", ref="a box stiffens by 1 + Vas/Vb: compliance (Lces) a quarter at 3, mass (Cmes) as it was, fc = 2 fs"
)
def test_closed_box() -> None:
    boxed = driver().in_closed_box(3.0)
    assert boxed.resonance_hz == pytest.approx(200)
    assert boxed.motional.inductance_h == pytest.approx(driver().motional.inductance_h / 4)
    assert boxed.motional.capacitance_f == pytest.approx(driver().motional.capacitance_f)
    assert boxed.motional.peak_ohm == pytest.approx(64)


@pytest.mark.source(
    "independent", ref="ngspice 39.3 on tests/references/circuits.cir, v(q): two coils of 22 mH and 35.2 H, coupling 1"
)
def test_capacitive_driver_matches_the_circuit_simulator() -> None:
    f = 20 * 2 ** (np.array([0, 60, 108]) / 12)
    expected = [2.7093213325 + 2.7665503429j, 12.8697991669 + 90.6212118673j, 72.2046487441 - 151.8417874743j]
    np.testing.assert_allclose(stepped_up().impedance_ohm(f), expected, atol=1e-8)


@pytest.mark.source("independent", ref="ngspice run live on tests/references/circuits.cir")
def test_capacitive_driver_matches_a_live_run(tmp_path: Path) -> None:
    f, vectors = run_ngspice("circuits", tmp_path)
    np.testing.assert_allclose(stepped_up().impedance_ohm(f), vectors[1], rtol=1e-9)


@pytest.mark.source(
    "analytic", ref="R + K (j w)^n + peaks, summed by hand at the peak: 20 + 0.05 (2 pi 2500)^0.6 e^(j 54 deg) + 40"
)
def test_armature_is_a_sum() -> None:
    armature = balanced_armature(
        dc_ohm=20,
        coil=LossyInductor(coefficient=0.05, exponent=0.6),
        resonances=[Resonator(peak_ohm=40, resonance_hz=2500, quality=3)],
    )
    by_hand = 60 + 0.05 * (2 * np.pi * 2500) ** 0.6 * np.exp(1j * np.deg2rad(54))
    assert armature.impedance_ohm(2500) == pytest.approx(by_hand)


@pytest.mark.source("analytic", ref="R + j w L at 10 kHz: 14 + j 2 pi 1e4 3e-6")
def test_planar_is_nearly_a_resistance() -> None:
    assert planar(dc_ohm=14, inductance_h=3e-6).impedance_ohm(10_000) == pytest.approx(14 + 0.1884956j, abs=1e-7)
    assert planar(dc_ohm=14).impedance_ohm(10_000) == 14


@pytest.mark.source("analytic", ref="a coil of 1 mH adds j w L to the driver, whatever the rest is")
def test_coil_joins_the_driver() -> None:
    with_coil = DynamicDriver(
        dc_ohm=32, resonance_hz=100, mechanical_q=2.5, electrical_q=1.25, coil=Inductor(inductance_h=1e-3)
    )
    assert (with_coil.impedance_ohm(1000) - driver().impedance_ohm(1000)) == pytest.approx(2j * np.pi)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="DynamicDriver, electrical_q"):
        DynamicDriver(dc_ohm=32, resonance_hz=100, mechanical_q=2.5, electrical_q=0)
    with pytest.raises(CurveError, match="source_ohm"):
        driver().behind(-1)
    with pytest.raises(CurveError, match="turns_ratio"):
        capacitive(capacitance_f=1e-9, turns_ratio=0, magnetising_h=1e-2)
