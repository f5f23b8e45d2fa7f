"""A shelf of the demo's earphones under awkward names, for tests of pages that carry what users wrote."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

from ohmshift.study.folder import Study, open_study
from ohmshift.study.places import demo_copy

if TYPE_CHECKING:
    from pathlib import Path

NASTY = '</script><script>alert("x")</script>\u2028=1+1 & <b>'
FORMULA = '=HYPERLINK("x"),+1'
NAMES = {"Ladle": NASTY, "Skewer": "Skewer", "Sieve": FORMULA, "Spoon": "Löffel", "Kettle": "Kettle"}
ALONE = "Thimble"
"""An earphone that nobody measured."""


def shelve(folder: Path) -> Study:
    """Write the small study: one with four resistances, one whose impedance is recovered, one whose level was lost."""
    demo_copy(folder)
    _rewrite(folder / "earphones.csv", extra={"earphone": ALONE, "driver_class": NASTY})
    _rewrite(folder / "measurements.csv")
    (folder / "study.toml").write_text(
        '# An invented study.\ntitle = "<i>Shelf</i> & </title>"\nquestion = "Does it?"\nlicence = "CC0-1.0"\n'
        'source_ohm = 0.6\ncable_ohm = 0.25\n[rig]\near_simulator = "simulated <sim>"\nalignment_hz = 8000\n'
        "[margins]\nchange_db = 1.0\n",
        encoding="utf-8",
    )
    return open_study(folder)


def _rewrite(path: Path, extra: dict[str, str] | None = None) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    kept = [{**row, "earphone": NAMES[row["earphone"]]} for row in rows if row["earphone"] in NAMES]
    if extra is not None:
        kept.append({**dict.fromkeys(rows[0], ""), **extra})
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(kept)
