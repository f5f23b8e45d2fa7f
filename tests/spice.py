"""Run a circuit of `tests/references/` in ngspice."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

REFERENCES = Path(__file__).parent / "references"


def run_ngspice(name: str, folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """Give frequency, and one row of complex values for each vector that the circuit writes."""
    if shutil.which("ngspice") is None:
        if os.environ.get("CI"):
            pytest.fail("ngspice must be there in CI")
        pytest.skip("ngspice is not installed")
    (folder / f"{name}.cir").write_bytes((REFERENCES / f"{name}.cir").read_bytes())
    subprocess.run(["ngspice", "-b", f"{name}.cir"], cwd=folder, capture_output=True, check=True)
    table = np.loadtxt(folder / f"{name}.txt")
    return table[:, 0], (table[:, 1::2] + 1j * table[:, 2::2]).T
