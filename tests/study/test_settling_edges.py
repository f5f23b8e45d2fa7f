"""Conditions that were exported over different ranges are compared where both reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from ohmshift.study.batch import compare_study
from ohmshift.study.folder import open_study
from ohmshift.study.places import shipped_folder
from ohmshift.study.proposals import propose_measurements, start_study
from ohmshift.study.settling import EarphoneChanges, gather_changes
from ohmshift.study.textfiles import read_response

if TYPE_CHECKING:
    from pathlib import Path


def gather(folder: Path, *, with_from_hz: float) -> EarphoneChanges:
    """Gather the changes of one of the demo's earphones, its responses with the resistance cut off below."""
    folder.mkdir()
    for path in sorted((shipped_folder("data_demo") / "responses").glob("spoon_*")):
        curve = read_response(path)
        kept = curve.frequency_hz >= (with_from_hz if "_15ohm_" in path.name else 0)
        table = np.column_stack([curve.frequency_hz, curve.level_db])[kept]
        np.savetxt(folder / f"{path.stem}.txt", table, fmt="%.6f")
    start_study(folder, measurements=propose_measurements(folder, level_reference="absolute").measurements)
    study = open_study(folder)
    return gather_changes(study, compare_study(study), "spoon")


@pytest.mark.source("analytic", ref="a range cut off at 100 Hz takes nothing from the change above it")
def test_conditions_of_different_ranges_share_the_narrower(tmp_path: Path) -> None:
    whole, cut = (gather(tmp_path / f"{low:g}", with_from_hz=low) for low in (0.0, 100.0))
    assert whole.frequency_hz[0] < 21
    assert 100 <= cut.frequency_hz[0] < 105
    shared = whole.frequency_hz >= cut.frequency_hz[0]
    np.testing.assert_allclose(whole.frequency_hz[shared], cut.frequency_hz)
    np.testing.assert_allclose(cut.change_db, whole.change_db[:, shared], atol=0.02)
