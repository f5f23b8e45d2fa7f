"""Ohmshift: what ohms in the chain do to an earphone's response."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import Any

_HOME = {
    "fractional_octave_bands": "curves.grids",
    "resample": "curves.grids",
    "smooth_fractional_octave": "curves.smoothing",
    "align_level": "curves.alignment",
    "align_resonance": "curves.alignment",
    "divider_change_db": "chain.divider",
    "highest_source_ohm": "chain.limits",
    "predict_change": "chain.prediction",
    "recover_impedance": "chain.recovery",
    "measure_change": "evidence.changes",
    "estimate_noise_floor": "evidence.floors",
    "judge_change": "evidence.verdicts",
    "read_response": "study.textfiles",
    "read_impedance": "study.textfiles",
    "open_study": "study.folder",
    "append_finding": "study.findings",
    "read_findings": "study.findings",
}

__all__ = sorted(_HOME)  # noqa: PLE0605 - the names live in one place
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Load a name's module when the name is first used."""
    if name not in _HOME:
        message = f"module 'ohmshift' has no attribute {name!r}"
        raise AttributeError(message)
    value = getattr(importlib.import_module(f"ohmshift.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names."""
    return [*__all__, "__version__"]
