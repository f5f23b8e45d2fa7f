"""Rules that every test in this folder keeps, and fixtures they share."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

pytest_plugins = ["browser_fixtures"]

KINDS = {
    "analytic": "derived by hand, derivation shown",
    "published": "standard, handbook, paper or certified data, with tolerance",
    "independent": "other general-purpose software, its version and commands kept in tests/references/",
    "practice": "common practice in the trade, no source",
    "memory": "from memory, not looked up",
    "snapshot": "our own output: guards against change, proves nothing",
}

settings.register_profile("untimed", deadline=None)  # tests are not timed: machines are noisy
settings.load_profile("untimed")

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Refuse a source mark of an unknown kind or with nothing in it."""
    for item in items:
        for mark in item.iter_markers("source"):
            kind = mark.args[0] if mark.args else None
            if kind not in KINDS or set(mark.kwargs) != {"ref"} or not str(mark.kwargs["ref"]).strip():
                message = f"{item.nodeid}: source(kind, ref=...) needs a kind out of {sorted(KINDS)} and a ref in words"
                raise pytest.UsageError(message)
