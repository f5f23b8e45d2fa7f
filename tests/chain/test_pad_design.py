"""The pad designer against the preferred values of IEC 60063 and a plain search."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from ohmshift.chain.attenuators import Pad, predict_pad
from ohmshift.chain.circuits import series
from ohmshift.chain.drivers import DynamicDriver
from ohmshift.chain.elements import LossyInductor, Resonator
from ohmshift.chain.pad_design import E24, design_pad, e24_values, tabulate_pads
from ohmshift.curves.grids import octave_grid
from ohmshift.curves.values import Impedance
from ohmshift.errors import CurveError

GRID = octave_grid(12)
EARPHONE = series(
    DynamicDriver(
        dc_ohm=18,
        resonance_hz=120,
        mechanical_q=1.8,
        electrical_q=2.6,
        coil=LossyInductor(coefficient=0.004, exponent=0.7),
    ),
    Resonator(peak_ohm=3, resonance_hz=4000, quality=4),
).sample(GRID, label="ladle")
TABLE = tabulate_pads(EARPHONE, amplifier_ohm=0.5)
SMALL = e24_values(1, 100)


@pytest.mark.source(
    "published", ref="IEC 60063, E24: 24 values a decade, of which every second is E12 and every fourth E6"
)
def test_preferred_values() -> None:
    assert len(E24) == 24
    assert E24[::2] == (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
    assert E24[1::2] == (1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)
    steps = np.diff(np.log10([*E24, 10.0]))
    assert steps.max() < 0.063  # from 1.3 to 1.5
    assert e24_values().size == 97
    assert e24_values(0.5, 1.05).tolist() == [0.51, 0.56, 0.62, 0.68, 0.75, 0.82, 0.91, 1.0]


@pytest.mark.source(
    "analytic", ref="each row of the table is the pad itself: level, source impedance and lowest load by predict_pad"
)
def test_table_is_what_each_pad_does() -> None:
    assert TABLE.series_ohm.size == 98 * 98 - 1
    for i in range(0, TABLE.series_ohm.size, 397):
        pad = Pad(series_ohm=float(TABLE.series_ohm[i]), shunt_ohm=float(TABLE.shunt_ohm[i]))
        effect = predict_pad(EARPHONE, pad, source_ohm=0.5)
        assert TABLE.level_drop_db[i] == pytest.approx(effect.level_drop_db, abs=1e-9)
        assert TABLE.source_ohm[i] == pytest.approx(abs(effect.source_ohm[0]))
        assert TABLE.lowest_load_ohm[i] == pytest.approx(effect.lowest_load_ohm)


@pytest.mark.source("analytic", ref="a plain loop over all pairs of E24 values from 1 to 100 ohm finds the same pads")
@given(st.floats(3, 25), st.floats(1, 20), st.floats(1, 20))
@settings(max_examples=30, deadline=None)
def test_search_is_exhaustive(quieter_db: float, source_below_ohm: float, load_above_ohm: float) -> None:
    ohm = 16.0
    flat = Impedance(frequency_hz=np.array([20.0, 200, 2000, 20000]), impedance_ohm=np.full(4, ohm))

    def count(slack: float) -> int:
        pads = 0
        for a, b in itertools.product([0.0, *SMALL], [*SMALL, np.inf]):
            across, source = (ohm, a) if np.isinf(b) else (b * ohm / (b + ohm), a * b / (a + b))
            near = abs(20 * np.log10(across / (a + across)) + quieter_db) <= 0.5 + slack
            pads += near and source < source_below_ohm + slack and a + across > load_above_ohm - slack
        return pads

    table = tabulate_pads(flat, resistors_ohm=SMALL)
    wishes = {"quieter_db": quieter_db, "source_below_ohm": source_below_ohm, "load_above_ohm": load_above_ohm}
    if count(1e-9) == 0:
        with pytest.raises(CurveError, match="design_pad"):
            design_pad(table, **wishes)
        return
    assume(count(-1e-9) > 0)
    found = design_pad(table, most=10_000, **wishes)
    assert count(-1e-9) <= len(found) <= count(1e-9)
    off = [abs(effect.level_drop_db + quieter_db) for effect in found]
    assert np.diff(off).min(initial=0) > -1e-9


@pytest.mark.source(
    "analytic", ref="20 dB into 16 ohm: 16 + 2 || 16 = 17.78 ohm, of which 1.778 is a tenth; source 16 || 2 = 1.78 ohm"
)
def test_design_by_hand() -> None:
    flat = Impedance(frequency_hz=np.array([20.0, 200, 2000, 20000]), impedance_ohm=np.full(4, 16.0))
    best = design_pad(tabulate_pads(flat), quieter_db=20, source_below_ohm=2, load_above_ohm=10)[0]
    assert (best.pad.series_ohm, best.pad.shunt_ohm) == (16.0, 2.0)
    assert best.level_drop_db == pytest.approx(-20)


@pytest.mark.source("analytic", ref="the wishes hold in what is given, and the closest comes first")
def test_wishes_hold() -> None:
    found = design_pad(TABLE, quieter_db=12, source_below_ohm=4, load_above_ohm=12, most=5)
    assert len(found) == 5
    for effect in found:
        assert abs(effect.level_drop_db + 12) <= 0.5
        assert np.abs(effect.source_ohm).max() < 4
        assert effect.lowest_load_ohm > 12
        assert effect.label == "ladle"
        assert np.abs(effect.tonal_change_db).max() < 2


@pytest.mark.source("analytic", ref="what a refusal offers can be had: each wish relaxed to it alone is fulfilled")
def test_conflict_says_what_can_be_had() -> None:
    wishes = {"quieter_db": 10.0, "source_below_ohm": 1.0, "load_above_ohm": 32.0}
    with pytest.raises(CurveError, match="any two of the three") as refused:
        design_pad(TABLE, **wishes)
    mend = refused.value.mend
    words = mend.replace(",", " ").split()
    quieter, source, load = (
        float(words[words.index(word) + step]) for word, step in (("dB", -1), ("impedance", 2), ("load", 2))
    )
    assert design_pad(TABLE, **{**wishes, "quieter_db": max(quieter, 0.05)})
    assert design_pad(TABLE, **{**wishes, "source_below_ohm": source * 1.01})
    assert design_pad(TABLE, **{**wishes, "load_above_ohm": load * 0.99})
    with pytest.raises(CurveError):
        design_pad(TABLE, **{**wishes, "source_below_ohm": source * 0.99})
    with pytest.raises(CurveError):
        design_pad(TABLE, **{**wishes, "load_above_ohm": load * 1.01})


@pytest.mark.source(
    "analytic",
    ref="0.5 ohm of amplifier beside the smallest shunt, 1 ohm, is 0.333 ohm, above 0.3",
)
def test_conflict_names_the_pair_or_the_one() -> None:
    with pytest.raises(CurveError, match="source impedance alone cannot be had"):
        design_pad(TABLE, quieter_db=10, source_below_ohm=0.3)
    with pytest.raises(CurveError, match="the attenuation alone cannot be had"):
        design_pad(TABLE, quieter_db=120)
    with pytest.raises(CurveError, match="the source impedance and the load are in each other's way"):
        design_pad(
            tabulate_pads(EARPHONE, resistors_ohm=[10, 100], amplifier_ohm=0.5),
            quieter_db=0.4,
            source_below_ohm=4,
            load_above_ohm=30,
        )


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(CurveError, match="quieter_db"):
        design_pad(TABLE, quieter_db=-3)
    with pytest.raises(CurveError, match="most"):
        design_pad(TABLE, quieter_db=10, most=0)
    with pytest.raises(CurveError, match="resistors_ohm"):
        tabulate_pads(EARPHONE, resistors_ohm=[10, -1])
    with pytest.raises(CurveError, match="needs a resistor"):
        tabulate_pads(EARPHONE, resistors_ohm=[])
    with pytest.raises(CurveError, match="200 to 2000 Hz"):
        tabulate_pads(Impedance(frequency_hz=np.array([500.0, 1000]), impedance_ohm=np.array([16, 16])))
    with pytest.raises(CurveError, match="e24_values"):
        e24_values(10, 1)
