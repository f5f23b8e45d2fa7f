"""Copper conductors against published tables and standards."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.chain.conductors import (
    COPPER_OHM_MM2_PER_M,
    awg_area_mm2,
    awg_diameter_mm,
    awg_from_area,
    copper_area_mm2,
    copper_resistance_ohm,
    copper_temperature_factor,
)
from ohmshift.chain.divider import divider_change_db
from ohmshift.errors import CurveError

GAUGES = np.array([20, 22, 24, 26, 28, 30, 32])
M_PER_1000_FT = 304.8


@pytest.mark.source("published", ref="NBS Handbook 100 (1966): 0.15328 ohm g/m^2 at 8.89 g/cm^3 is 0.017241 ohm mm^2/m")
def test_resistivity() -> None:
    assert pytest.approx(0.15328 / 8.89, abs=1e-6) == COPPER_OHM_MM2_PER_M
    assert pytest.approx(0.017241, abs=5e-7) == COPPER_OHM_MM2_PER_M


@pytest.mark.source(
    "memory", ref="ASTM B258: d = 0.127 mm 92^((36 - n)/39); gauge 36 is 0.0050 inch, 0000 is 0.46 inch"
)
def test_gauges() -> None:
    assert float(awg_diameter_mm(36)) == pytest.approx(0.127)
    wanted = [0.81182, 0.64380, 0.51056, 0.40489, 0.32109, 0.25464, 0.20194]
    np.testing.assert_allclose(awg_diameter_mm(GAUGES), wanted, rtol=1e-4)
    np.testing.assert_allclose(awg_from_area(awg_area_mm2(GAUGES)), GAUGES, rtol=1e-12)


@pytest.mark.source(
    "published", ref="Wire table, ohm per 1000 ft (hyperphysics, wirega); diameters there are rounded: 1.5 %"
)
def test_wire_table() -> None:
    wanted = np.array([10.15, 16.14, 25.67, 40.81, 64.90, 103.2, 164.1])
    found = copper_resistance_ohm(M_PER_1000_FT, area_mm2=awg_area_mm2(GAUGES))
    np.testing.assert_allclose(found, wanted, rtol=1.5e-2)
    np.testing.assert_allclose(found, [10.152, 16.143, 25.668, 40.814, 64.897, 103.190, 164.079], rtol=1e-4)


@pytest.mark.source("analytic", ref="2 x 1.2 m of gauges 26 and 28, and 26 at 23 °C: 0.32137, 0.51100, 0.32516 ohm")
def test_loops_of_a_cable() -> None:
    found = [float(copper_resistance_ohm(2.4, area_mm2=awg_area_mm2(gauge))) for gauge in (26, 28)]
    np.testing.assert_allclose(found, [0.32137, 0.51100], rtol=1e-4)
    warm = float(copper_resistance_ohm(2.4, area_mm2=awg_area_mm2(26), temperature_c=23))
    assert warm == pytest.approx(0.32516, rel=1e-4)
    assert float(divider_change_db([16.0], added_ohm=found[1])[0]) == pytest.approx(-0.273, abs=5e-4)


@pytest.mark.source(
    "published", ref="IEC 60228, annex: factors to bring a resistance to 20 °C, as cable tables print them"
)
@pytest.mark.parametrize(
    ("celsius", "factor"), [(5, 1.064), (10, 1.042), (15, 1.020), (20, 1.0), (25, 0.980), (30, 0.962), (40, 0.926)]
)
def test_temperature(celsius: float, factor: float) -> None:
    # Printed factors follow 250/(230 + t), one form for all conductors; copper's own form is 254.5/(234.5 + t).
    assert 250 / (230 + celsius) == pytest.approx(factor, abs=5e-4)
    assert 1 / copper_temperature_factor(celsius) == pytest.approx(factor, abs=1.5e-3)


@pytest.mark.source("published", ref="IEC 60228, class 5, plain copper: highest ohm per km at 20 °C by nominal mm^2")
@pytest.mark.parametrize(
    ("area", "highest"), [(0.5, 39.0), (0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98), (4, 4.95)]
)
def test_pure_copper_stays_below_the_highest_allowed(area: float, highest: float) -> None:
    found = float(copper_resistance_ohm(1000, area_mm2=area))
    assert 0.85 * highest < found < highest


@pytest.mark.source("analytic", ref="what a resistance would be of, resists as much; twice the length, twice the ohms")
@given(st.floats(0.01, 5), st.floats(0.1, 5), st.floats(0, 40))
def test_laws(ohm: float, metres: float, celsius: float) -> None:
    area = copper_area_mm2(ohm, length_m=metres, temperature_c=celsius)
    assert float(copper_resistance_ohm(metres, area_mm2=area, temperature_c=celsius)) == pytest.approx(ohm)
    twice = copper_resistance_ohm([metres, 2 * metres], area_mm2=area, temperature_c=celsius)
    assert twice[1] == pytest.approx(2 * twice[0])


def test_bad_input_is_refused() -> None:
    with pytest.raises(CurveError, match="area_mm2"):
        copper_resistance_ohm(1.0, area_mm2=0.0)
    with pytest.raises(CurveError, match="length_m"):
        copper_resistance_ohm([-1.0], area_mm2=0.1)
    with pytest.raises(CurveError, match="temperature_c"):
        copper_temperature_factor(300)
    with pytest.raises(CurveError, match="gauge"):
        awg_diameter_mm([20, 80])
    with pytest.raises(CurveError, match="resistance_ohm"):
        copper_area_mm2(0.0, length_m=1.0)
