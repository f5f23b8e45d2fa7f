"""Sensitivity, exposure, hiss and drive against standards, hand arithmetic and a circuit simulator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from spice import run_ngspice

from ohmshift.chain.circuits import combine_parallel, series
from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.drive import Amplifier, estimate_runtime, find_drive, judge_drive
from ohmshift.chain.elements import Resistor, resonator_from_elements
from ohmshift.chain.exposure import GUIDES, NIOSH, WHO_ADULTS, WHO_CHILDREN, say_hours
from ohmshift.chain.hiss import compare_hiss, predict_hiss, thermal_density_v
from ohmshift.chain.listening import LEVEL_STEP, PLAYER_LIMIT, Sensitivity
from ohmshift.chain.weightings import PROGRAMME_DB, PROGRAMME_HZ
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    from pathlib import Path

F = np.geomspace(20, 20_000, 481)
DRIVER = series(
    Resistor(resistance_ohm=32),
    resonator_from_elements(resistance_ohm=64, inductance_h=40.743665e-3, capacitance_f=62.169894e-6),
)
SENSITIVE = Sensitivity(level_db=110, reference="dB/mW", rated_ohm=16)


# ------------------------------------------------------------ sensitivity


@pytest.mark.source("analytic", ref="dB/V = dB/mW + 30 - 10 log10 Z (1 mW in the rated impedance, IEC 60268-7)")
@pytest.mark.parametrize(("ohm", "more"), [(16, 17.9588), (32, 14.9485), (64, 11.9382), (300, 5.2288), (600, 2.2185)])
def test_from_milliwatt_to_volt_and_back(ohm: float, more: float) -> None:
    by_power = Sensitivity(level_db=100, reference="dB/mW", rated_ohm=ohm)
    assert by_power.per_volt_db - 100 == pytest.approx(more, abs=5e-5)
    by_voltage = Sensitivity(level_db=by_power.per_volt_db, reference="dB/V", rated_ohm=ohm)
    assert by_voltage.per_milliwatt_db == pytest.approx(100)


@pytest.mark.source("analytic", ref="V = sqrt(0.001 Z) for 1 mW: 0.7746 V in 600 ohm, which is 0 dBm")
def test_voltage_of_a_milliwatt() -> None:
    found = [Sensitivity(level_db=99, reference="dB/mW", rated_ohm=ohm).voltage_v(99) for ohm in (16, 32, 300, 600)]
    np.testing.assert_allclose(found, [0.126491, 0.178885, 0.547723, 0.774597], atol=5e-7)


@pytest.mark.source(
    "published", ref="IEC 60268-7:2010, 8.3.3: 94 dB at the characteristic voltage; dB/V = 94 - 20 log10 V"
)
def test_characteristic_voltage() -> None:
    earphone = Sensitivity(level_db=114, reference="dB/V")
    assert earphone.characteristic_v == pytest.approx(0.1)
    assert earphone.per_volt_db == pytest.approx(94 - 20 * np.log10(earphone.characteristic_v))
    assert earphone.voltage_v(earphone.ear_level_db(0.3)) == pytest.approx(0.3)


def test_what_is_missing_is_refused_not_guessed() -> None:
    with pytest.raises(CurveError, match="rated impedance"):
        Sensitivity(level_db=100, reference="dB/mW")
    with pytest.raises(CurveError, match="rated impedance"):
        _ = Sensitivity(level_db=100, reference="dB/V").per_milliwatt_db
    with pytest.raises(CurveError, match="dB/mW or dB/V"):
        Sensitivity(level_db=100, reference="dB/W")
    with pytest.raises(CurveError, match="level"):
        Sensitivity(level_db=float("nan"), reference="dB/V")


def test_thresholds_say_whether_they_are_confirmed() -> None:
    assert not LEVEL_STEP.confirmed
    assert "not confirmed" in str(LEVEL_STEP)
    assert PLAYER_LIMIT.confirmed
    assert "not confirmed" not in str(PLAYER_LIMIT)
    assert all(threshold.source for threshold in (LEVEL_STEP, PLAYER_LIMIT, *GUIDES))


@pytest.mark.source("published", ref="EN 50332-2: 150 mV into 32 ohm for a portable player")
def test_player_limit() -> None:
    assert (PLAYER_LIMIT.value, PLAYER_LIMIT.unit) == (0.150, "V")


@pytest.mark.source(
    "practice", ref="the rule of one eighth is in no standard; its bounds by hand: 20 log10(1 + 1/8) = 1.02305 dB"
)
@given(st.lists(st.complex_numbers(min_magnitude=2, max_magnitude=500), min_size=2, max_size=8))
def test_rule_of_one_eighth(drawn: list[complex]) -> None:
    Z = np.array([complex(abs(z.real), z.imag) for z in drawn])
    change = divider_change_db(Z, added_ohm=float(np.abs(Z).min()) / 8)
    assert change.max() <= 1e-12
    assert change.min() >= -1.02305 - 1e-5
    rated = divider_change_db(Z, added_ohm=float(np.abs(Z).min()) / 0.8 / 8)  # |Z| may fall to 80 % of rated
    assert rated.min() >= -1.26103 - 1e-5


# ------------------------------------------------------------ exposure


@pytest.mark.source(
    "published", ref="NIOSH recommended exposure limit, table of times at 85 to 100 dB(A); 480/2^((L-85)/3)"
)
@pytest.mark.parametrize(
    ("level", "minutes"), [(85, 480), (88, 240), (91, 120), (94, 60), (97, 30), (100, 15), (82, 960)]
)
def test_times_at_work(level: float, minutes: float) -> None:
    assert 60 * NIOSH.allowed_hours(level) == pytest.approx(minutes)


@pytest.mark.source("published", ref="ITU-T H.870 and WHO: 80 dB(A) (75 for children) 40 h a week, equal energy")
@pytest.mark.parametrize(("level", "hours"), [(80, 40), (83, 20.05), (86, 10.05), (90, 4.0), (95, 1.2649), (100, 0.4)])
def test_times_at_leisure(level: float, hours: float) -> None:
    assert WHO_ADULTS.allowed_hours(level) == pytest.approx(hours, abs=5e-3)
    assert WHO_CHILDREN.allowed_hours(level - 5) == pytest.approx(hours, abs=5e-3)


@pytest.mark.source(
    "analytic", ref="(20 µPa)^2 10^8 40 h = 1.6 Pa^2 h at 80 dB(A), and in the time allowed at any level"
)
def test_exposure() -> None:
    for level in (80, 90, 97):
        assert 20e-6**2 * 10 ** (level / 10) * WHO_ADULTS.allowed_hours(level) == pytest.approx(1.6)
    assert WHO_ADULTS.share(90, 8) == pytest.approx(2)
    assert say_hours(0.25) == "15 min"
    with pytest.raises(CurveError, match="level"):
        NIOSH.allowed_hours(float("nan"))


# ------------------------------------------------------------ hiss


@pytest.mark.source("analytic", ref="sqrt(4 k T R B) with k exact: 4.0236 nV in 1 kohm at 20 °C; four more")
def test_thermal_noise_of_resistors() -> None:
    def total(ohm: float, width: float, celsius: float) -> float:
        return float(thermal_density_v(ohm, temperature_c=celsius)) * width**0.5

    assert total(1000, 1, 20) == pytest.approx(4.0236e-9, rel=5e-5)
    assert total(1000, 1, 290 - 273.15) == pytest.approx(4.0019e-9, rel=5e-5)
    assert total(10e3, 10e3, 20) == pytest.approx(1.27238e-6, rel=5e-6)
    assert total(75, 20e3, 23) == pytest.approx(0.156629e-6, rel=5e-6)
    assert total(32, 20e3, 23) == pytest.approx(0.102310e-6, rel=5e-6)


@pytest.mark.source("published", ref="A web tutorial's example: 100 kohm, 1 MHz, 300 K: 40.69 µV with k = 1.38e-23")
def test_thermal_noise_of_a_textbook() -> None:
    found = float(thermal_density_v(100e3, temperature_c=300 - 273.15)) * 1e3
    assert found == pytest.approx(40.69e-6, rel=4e-4)
    assert found == pytest.approx(40.7035e-6, rel=2e-6)


@pytest.mark.source(
    "analytic", ref="110 dB/mW, 16 ohm, 5 µV: 110 + 30 - 10 log10 16 + 20 log10 5e-6 = 21.938 dB; 16/91 of it"
)
def test_hiss_behind_a_resistance() -> None:
    flat = np.full(F.size, 16.0)
    bare = predict_hiss(F, flat, sensitivity=SENSITIVE, noise_v=5e-6)
    divided = predict_hiss(F, flat, sensitivity=SENSITIVE, noise_v=5e-6, added_ohm=75)
    assert bare.amplifier_db == pytest.approx(21.938, abs=1e-3)
    assert divided.amplifier_db == pytest.approx(6.840, abs=1e-3)
    assert divided.amplifier_db - bare.amplifier_db == pytest.approx(-15.098, abs=1e-3)
    assert bare.thermal_v == 0
    resistor_alone = 110 + 30 - 10 * np.log10(16) + 20 * np.log10(0.156629e-6 * 16 / 91)
    assert resistor_alone == pytest.approx(-23.24, abs=5e-3)
    both = 10 * np.log10(10 ** (resistor_alone / 10) * (1 + 75 / 16))  # and the 16 ohm, by 75/91 of their own voltage
    assert divided.thermal_db == pytest.approx(both, abs=5e-3)


@pytest.mark.source("analytic", ref="R noise by Z/(Z+R) and Re Z noise by R/(Z+R) add up to that of Re{Z || R}")
def test_both_resistances_make_the_noise_of_the_parallel_one() -> None:
    Z, R = DRIVER.impedance_ohm(F), 75.0
    by_parts = thermal_density_v(R) ** 2 * np.abs(Z / (Z + R)) ** 2
    by_parts += thermal_density_v(Z.real) ** 2 * np.abs(R / (Z + R)) ** 2
    np.testing.assert_allclose(by_parts, thermal_density_v(combine_parallel(R, Z).real) ** 2, rtol=1e-12)


@pytest.mark.source(
    "independent", ref="ngspice 39.3, noise analysis at 27 °C: 86.373 nV at 10 points a decade, 86.378 nV exact"
)
def test_thermal_noise_of_a_driver_behind_a_resistance() -> None:
    found = predict_hiss(
        F, DRIVER.impedance_ohm(F), sensitivity=SENSITIVE, noise_v=0.0, added_ohm=75.0, temperature_c=27.0
    )
    assert found.thermal_v == pytest.approx(86.378e-9, rel=2e-5)
    assert found.thermal_v == pytest.approx(86.373e-9, rel=1e-4)
    assert found.amplifier_v == 0


@pytest.mark.source("independent", ref="ngspice run live on tests/references/hiss.cir: noise spectrum at the driver")
def test_noise_spectrum_of_a_live_run(tmp_path: Path) -> None:
    f, vectors = run_ngspice("hiss", tmp_path)
    found = predict_hiss(
        f, DRIVER.impedance_ohm(f), sensitivity=SENSITIVE, noise_v=0.0, added_ohm=75.0, temperature_c=27.0
    )
    np.testing.assert_allclose(found.thermal_density_v, vectors[0].real, rtol=1e-5)


@pytest.mark.source(
    "analytic",
    ref="equal loudness: noise after the volume control falls by the divider, noise before it is turned up again",
)
@given(st.floats(1, 200), st.floats(0, 10), st.floats(2e-5, 1e-3))
def test_only_noise_after_the_volume_control_gets_less(added: float, output: float, noise: float) -> None:
    flat = np.full(F.size, 24.0)
    args = {"sensitivity": SENSITIVE, "noise_v": noise, "output_ohm": output}
    without, with_added = predict_hiss(F, flat, **args), predict_hiss(F, flat, **args, added_ohm=added)
    divider = 20 * np.log10((24 + output) / (24 + output + added))
    benefit = compare_hiss(without, with_added, loudness_db=float(divider))
    assert with_added.amplifier_db - without.amplifier_db == pytest.approx(divider, abs=1e-9)
    assert benefit.after_db == pytest.approx(divider, abs=0.05)  # what is left is thermal noise, beside 20 µV or more
    assert benefit.before_db == pytest.approx(0.0, abs=0.05)


def test_no_noise_is_no_hiss() -> None:
    silent = predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=0.0)
    assert silent.level_db == -np.inf
    assert silent.third_octaves_db([1000.0], SENSITIVE).tolist() == [-np.inf]
    behind = predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=0.0, added_ohm=75)
    benefit = compare_hiss(silent, behind, loudness_db=-15)
    assert np.isnan([benefit.after_db, benefit.before_db]).all()


@pytest.mark.source("analytic", ref="white noise has 10 log10 of the bandwidths' ratio more in the wider third octave")
def test_hiss_in_third_octaves() -> None:
    found = predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=5e-6)
    low, high = found.third_octaves_db([100.0, 10_000.0], SENSITIVE)
    assert high - low == pytest.approx(20, abs=1e-6)
    mid = 10.0 ** (np.arange(14, 43) / 10)
    total = 10 * np.log10(np.sum(10 ** (found.third_octaves_db(mid, SENSITIVE) / 10)))
    part_db = 10 * np.log10((10**4.25 - 10**1.35) / (20_000 - 20))  # 22 Hz to 17.8 kHz of 20 Hz to 20 kHz
    assert total == pytest.approx(found.amplifier_db + part_db, abs=0.01)
    weighted = predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=5e-6, weighting="A")
    assert weighted.level_db < found.level_db


@pytest.mark.source("analytic", ref="sqrt(4 k T B R), R of 32 || 32 ohm, in the third octave at 1 kHz, 230.8 Hz wide")
def test_thermal_hiss_in_a_third_octave() -> None:
    found = predict_hiss(F, np.full(F.size, 32.0), sensitivity=SENSITIVE, noise_v=0, added_ohm=32, temperature_c=23)
    volt = np.sqrt(4 * 1.380649e-23 * 296.15 * 16 * 230.8)
    wanted = SENSITIVE.ear_level_db(float(volt))
    assert found.third_octaves_db([1000.0], SENSITIVE)[0] == pytest.approx(wanted, abs=0.01)


# ------------------------------------------------------------ drive


@pytest.mark.source(
    "analytic", ref="100 dB/mW, 32 ohm, 32 ohm added: 0.1789 V at the earphone, twice that before, 5.59 mA, 1 mW each"
)
def test_drive_by_hand() -> None:
    earphone = Sensitivity(level_db=100, reference="dB/mW", rated_ohm=32)
    drive = find_drive(F, np.full(F.size, 32.0), sensitivity=earphone, level_db=100, added_ohm=32, headroom_db=20)
    assert drive.earphone_v == pytest.approx(0.178885, abs=1e-6)
    assert drive.source_v == pytest.approx(2 * 0.178885, abs=2e-6)
    assert drive.peak_v == pytest.approx(10 * drive.source_v)
    assert drive.current_a == pytest.approx(0.178885 / 32, abs=5e-8)
    assert drive.peak_a == pytest.approx(drive.highest_a)
    assert drive.peak_a == pytest.approx(10 * drive.current_a)
    assert drive.earphone_w == pytest.approx(1e-3, rel=1e-5)
    assert drive.added_w == pytest.approx(1e-3, rel=1e-5)
    assert drive.series_w == 0
    assert drive.load_ohm == pytest.approx(64)
    assert drive.loudness_db == pytest.approx(20 * np.log10(0.5))


@pytest.mark.source("analytic", ref="voltage over current is at least the lowest loop; powers add up to Re(E I*)")
def test_drive_of_a_real_load_balances() -> None:
    Z = DRIVER.impedance_ohm(F)
    drive = find_drive(F, Z, sensitivity=SENSITIVE, level_db=90, output_ohm=2, added_ohm=40)
    assert drive.highest_a == pytest.approx(drive.peak_v / np.abs(Z + 42).min())
    assert drive.peak_a < drive.highest_a
    assert drive.earphone_w + drive.series_w + drive.added_w < drive.source_v * drive.current_a
    louder = find_drive(F, Z, sensitivity=SENSITIVE, level_db=96, output_ohm=2, added_ohm=40)
    assert louder.source_v / drive.source_v == pytest.approx(10 ** (6 / 20))
    assert louder.added_w / drive.added_w == pytest.approx(10 ** (6 / 10))


@pytest.mark.source(
    "independent",
    ref="scipy.integrate.quad over IEC 60268-1, table II, straight lines, in two bands of 16 and 64 ohm",
)
def test_drive_follows_the_spectrum_of_programme() -> None:
    def power(x: float) -> float:
        return float(10 ** (np.interp(x, np.log(PROGRAMME_HZ), PROGRAMME_DB) / 10))

    edges = np.log([20.0, 1000.0, 20_000.0])
    bands = [quad(power, *edges[i : i + 2], limit=200, points=np.log(PROGRAMME_HZ[1:-1]))[0] for i in range(2)]
    share = np.array(bands) / sum(bands)
    Z = np.where(F < 1000, 16.0, 64.0)
    drive = find_drive(F, Z, sensitivity=SENSITIVE, level_db=90, output_ohm=4, added_ohm=12)
    I2 = drive.source_v**2 * share / np.array([32.0, 80.0]) ** 2
    assert drive.current_a == pytest.approx(np.sqrt(I2.sum()), rel=3e-3)
    assert drive.earphone_w == pytest.approx(I2 @ [16.0, 64.0], rel=6e-3)
    assert drive.series_w == pytest.approx(4 * I2.sum(), rel=6e-3)
    assert drive.added_w == pytest.approx(12 * I2.sum(), rel=6e-3)
    assert drive.load_ohm == 28.0
    by_current = judge_drive(drive, Amplifier(highest_v=100, highest_a=drive.peak_a / 2))
    assert by_current.room_db == pytest.approx(-20 * np.log10(2))


@pytest.mark.source("analytic", ref="1 V r.m.s. is 1.414 V peak; a 2 V supply swings 1 V either way")
def test_words_for_an_amplifier() -> None:
    earphone = Sensitivity(level_db=100, reference="dB/V", rated_ohm=32)
    Z = np.full(F.size, 32.0)
    drive = find_drive(F, Z, sensitivity=earphone, level_db=97, headroom_db=3)  # 0.708 V r.m.s., 1.0 V at the peaks
    assert drive.peak_v == pytest.approx(1.0, abs=1e-3)
    assert judge_drive(drive, Amplifier(highest_v=1.0, highest_a=0.1)).word == "can"
    assert judge_drive(drive, Amplifier(highest_v=1.0, highest_a=0.1)).room_db == pytest.approx(3.01, abs=0.01)
    short = judge_drive(drive, Amplifier(highest_v=0.5, highest_a=0.01))
    assert short.word == "cannot"
    assert len(short.reasons) == 2
    supply = judge_drive(drive, Amplifier(highest_v=5.0, highest_a=0.1, supply_v=1.8))
    assert supply.word == "cannot"
    assert "half of its supply" in supply.reasons[0]
    peaky = find_drive(F, DRIVER.impedance_ohm(F), sensitivity=earphone, level_db=97, headroom_db=3)
    room = (peaky.peak_a + peaky.highest_a) / 2
    assert judge_drive(peaky, Amplifier(highest_v=2, highest_a=room)).word == "only just"
    low = judge_drive(drive, Amplifier(highest_v=2, highest_a=1, lowest_load_ohm=40))
    assert low.word == "can"
    assert "below the 40 ohm" in low.reasons[0]


@pytest.mark.source("analytic", ref="class B: V/2 times sqrt(2/pi) I, twice; delivered power otherwise; by hand")
def test_battery() -> None:
    earphone = Sensitivity(level_db=100, reference="dB/mW", rated_ohm=32)
    Z = np.full(F.size, 32.0)
    without = find_drive(F, Z, sensitivity=earphone, level_db=100)
    with_added = find_drive(F, Z, sensitivity=earphone, level_db=100, added_ohm=96)
    assert with_added.current_a == pytest.approx(without.current_a)
    one, two = (estimate_runtime(d, battery_wh=4.0, idle_w=0.2, supply_v=3.6) for d in (without, with_added))
    assert one.plain_w == pytest.approx(0.2 + 3.6 * (2 / np.pi) ** 0.5 * 0.178885 / 32, rel=1e-5)
    assert two.plain_h == pytest.approx(one.plain_h)
    assert one.thrifty_w == pytest.approx(0.2 + 2e-3, rel=1e-5)
    assert two.thrifty_w == pytest.approx(0.2 + 2 * 4e-3, rel=1e-5)
    assert two.thrifty_h == pytest.approx(4.0 / two.thrifty_w)


def test_bad_input_is_refused() -> None:
    with pytest.raises(CurveError, match="noise_v"):
        predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=-1)
    with pytest.raises(CurveError, match="output_ohm"):
        predict_hiss(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, noise_v=1e-6, output_ohm=-5, added_ohm=10)
    with pytest.raises(CurveError, match="added_ohm"):
        find_drive(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, level_db=90, output_ohm=15, added_ohm=-10)
    with pytest.raises(CurveError, match="hours"):
        NIOSH.share(85, -1)
    with pytest.raises(CurveError, match="headroom"):
        find_drive(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, level_db=90, headroom_db=-1)
    with pytest.raises(CurveError, match="highest_a"):
        Amplifier(highest_v=1, highest_a=0)
    with pytest.raises(CurveError, match="kelvin"):
        thermal_density_v(1.0, temperature_c=-300)
    drive = find_drive(F, np.full(F.size, 16.0), sensitivity=SENSITIVE, level_db=90)
    with pytest.raises(CurveError, match="battery"):
        estimate_runtime(drive, battery_wh=0, idle_w=1, supply_v=1)
    with pytest.raises(CurveError, match="audible band"):
        predict_hiss([1, 2], [16, 16], sensitivity=SENSITIVE, noise_v=1e-6)
