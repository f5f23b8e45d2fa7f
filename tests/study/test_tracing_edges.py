"""What two clicked points leave uncertain of an axis."""

from __future__ import annotations

import numpy as np
import pytest

from ohmshift.study.picture_axes import CLICK_PX, PictureAxis


@pytest.mark.source(
    "analytic",
    ref="1/sqrt 12 px at each point; in the middle their mean, 1/sqrt 2 of it; as far out as they lie apart, sqrt 5",
)
def test_a_click_counts_more_outside_the_two_points() -> None:
    axis = PictureAxis(name="level", first_px=100, first_value=0, second_px=300, second_value=-20)
    assert pytest.approx(1 / np.sqrt(12), abs=0.005) == CLICK_PX
    found = axis.click_px(np.array([100.0, 200.0, 300.0, 500.0, -100.0])) / CLICK_PX
    np.testing.assert_allclose(found, [1, np.sqrt(0.5), 1, np.sqrt(5), np.sqrt(5)])
