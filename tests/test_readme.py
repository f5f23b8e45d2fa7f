"""What the README says of Python, run as it stands."""

from __future__ import annotations

import doctest
from pathlib import Path

README = Path(__file__).resolve().parents[1] / "README.md"


def test_examples_of_the_readme_give_what_they_say() -> None:
    failed, tried = doctest.testfile(str(README), module_relative=False, encoding="utf-8")
    assert tried > 20
    assert failed == 0
