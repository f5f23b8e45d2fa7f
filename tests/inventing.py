"""Invented collections, for tests of what is said across earphones."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ohmshift.curves.grids import fractional_octave_bands
from ohmshift.evidence.collection import CollectedEarphone, Collection, ImpedanceFeatures
from ohmshift.evidence.metrics import METRICS, Estimate

REFERENCES = Path(__file__).resolve().parent / "references"


def read_reference(name: str) -> dict[str, np.ndarray]:
    """Read a reference file of lines "name: numbers"."""
    lines = (REFERENCES / name).read_text(encoding="utf-8").splitlines()
    pairs = [line.split(": ") for line in lines if line and not line.startswith("#")]
    return {key: np.array(values.split(), dtype=float) for key, values in pairs}


def invent_earphone(label: str, **fields: object) -> CollectedEarphone:
    """Make an earphone of a collection; metrics may be given as value or as (value, uncertainty)."""
    given = {name: fields.pop(name.replace(" ", "_"), None) for name in METRICS}
    estimates = {}
    for name, value in given.items():
        pair = value if isinstance(value, tuple) else (np.nan if value is None else value, 0.05)
        estimates[name] = Estimate(value=pair[0], uncertainty=pair[1] if np.isfinite(pair[0]) else np.nan, degrees=8.0)
    parts = {
        "driver_class": "planar",
        "driver_count": 1,
        "noise_size_db": 0.1,
        "band_change_db": np.zeros(29),
        "word": "cannot tell",
        "region_words": ("cannot tell", "cannot tell", "cannot tell"),
        "bound_db": 1.5,
        "region_bounds_db": (1.0, 1.5, 0.5),
        "seats": (3, 3),
        "impedance": ImpedanceFeatures(),
        "predicted": {},
    }
    return CollectedEarphone(label=label, estimates=estimates, **{**parts, **fields})


def invent_collection(*earphones: CollectedEarphone) -> Collection:
    """Make a collection at 15 ohm."""
    return Collection(added_ohm=15.0, margin_db=1.0, bands=fractional_octave_bands(3), earphones=earphones)
