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


@pytest.mark.source(
    "independent",
    ref="made with 0.12 dB of variation below 2 kHz and 0.2 dB of level: of 3 seats on 2 sides, with less without, "
    "0.233 / sqrt 3; times 1.18, as t with 8 degrees is wider than the normal",
)
def test_noise_has_the_size_it_was_made_with(tmp_path: Path) -> None:
    found = gather(tmp_path / "whole", with_from_hz=0.0)
    assert found.noise_db is not None
    assert np.isfinite(found.noise_db).all()
    sd = np.sqrt(np.mean(found.noise_db[0] ** 2, axis=0))
    middle = (found.frequency_hz > 300) & (found.frequency_hz < 1500)
    assert np.median(sd[middle]) == pytest.approx(1.18 * 0.233 / np.sqrt(3), rel=0.5)
