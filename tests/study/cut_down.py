"""The demo study cut down to four earphones, with everything that can go wrong in it."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.study.findings import Finding, Quantity, append_finding, retract_finding
from ohmshift.study.places import shipped_folder

if TYPE_CHECKING:
    from pathlib import Path

KEPT = ("Ladle", "Mortar", "Sieve", "Thermos")
NASTY = '=HYPERLINK("x";"y")\nnext; +1, "quoted" \u2028 é 耳'


def small_study(folder: Path) -> Path:
    """Cut the demo study down to a few earphones, with a broken row, flags, notes that look like formulas, findings."""
    demo = shipped_folder("data_demo")
    for name in ("study.toml", "meter.csv", "README.md", "LICENSE"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(demo / name, folder / name)
    earphones = pd.read_csv(demo / "earphones.csv", dtype=str, keep_default_na=False)
    earphones = earphones[earphones["earphone"].isin(KEPT)]
    earphones.loc[earphones.index[0], "notes"] = NASTY
    earphones.to_csv(folder / "earphones.csv", index=False)
    rows = pd.read_csv(demo / "measurements.csv", dtype=str, keep_default_na=False)
    rows = rows[rows["earphone"].isin(KEPT) & rows["added_ohm"].isin(["", "0", "15"])]
    for file in rows["file"]:
        (folder / file).parent.mkdir(exist_ok=True)
        shutil.copy(demo / file, folder / file)
    broken = pd.DataFrame([{**rows.iloc[0], "file": "responses/broken.csv", "seat": "z9"}])
    (folder / "responses/broken.csv").write_text("20 90\n30 loud\n", encoding="utf-8")
    pd.concat([rows, broken]).to_csv(folder / "measurements.csv", index=False)
    copied = sorted(folder.glob("responses/mortar_left_15ohm*"))
    copied[1].write_bytes(copied[0].read_bytes())  # a duplicate, which is flagged
    (folder / ".hidden").write_text("private", encoding="utf-8")
    (folder / "recordings.csv").write_text("file\n", encoding="utf-8")
    (folder / "published").mkdir()
    (folder / "published/theirs.csv").write_text("theirs", encoding="utf-8")
    (folder / "private").mkdir()
    (folder / "private/letter.txt").write_text("private", encoding="utf-8")
    number = Quantity(name="=cmd()", value=-1 / 3, unit="dB", low=-0.5, high=0.1)
    for name in ("one", "two"):
        append_finding(folder, Finding(id=name, statement=NASTY, caveat="@SUM(1)", quantities=(number,)))
    retract_finding(folder, "two", "measured again")
    return folder
