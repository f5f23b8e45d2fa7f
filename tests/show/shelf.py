"""A shelf of the demo's earphones under awkward names, for tests of pages that carry what users wrote."""

from __future__ import annotations

import csv
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from ohmshift.show.earphone_facts import EarphoneFacts, gather_all_facts
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.folder import Study, open_study
from ohmshift.study.places import demo_copy

NASTY = '</script><script>alert("x")</script>\u2028=1+1 & <b>'
FORMULA = '=HYPERLINK("x"),+1'
NAMES = {"Ladle": NASTY, "Skewer": "Skewer", "Sieve": FORMULA, "Spoon": "Löffel", "Kettle": "Kettle"}
ALONE = "Thimble"
"""An earphone that nobody measured."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Shelf:
    """The small study, compared."""

    study: Study
    comparison: StudyComparison
    facts: dict[str, EarphoneFacts]


@cache
def shelf() -> Shelf:
    """Open and compare the small study, once for all tests; nothing reads its files afterwards."""
    with tempfile.TemporaryDirectory() as home:
        study = shelve(Path(home) / "study")
        comparison = compare_study(study)
        return Shelf(
            study=study,
            comparison=comparison,
            facts={one.name: one for one in gather_all_facts(study, comparison)},
        )


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
