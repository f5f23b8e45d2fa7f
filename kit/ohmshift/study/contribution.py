"""The contribution form: who measured, and whether others may merge and publish it."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ohmshift.study.manifest import read_plain, split_records
from ohmshift.study.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

FORM = "contribution.csv"
"""The form's file in a study."""

LETTER = "CONTRIBUTE.txt"
"""The file that says how to fill it in and hand it over."""

ITEMS: Mapping[str, str] = {
    "party": "Name of your group as it shall appear in a figure; no need for anybody's own name",
    "permission": "yes, if your data may be merged with others' and published under the licence in study.toml; else no",
    "measured": "When, such as 2026-09",
    "drive": "Drive voltage at the earphone and where it was read, such as 100 mV at 1 kHz; and whether it was kept",
    "seal": "How you made sure that the earphone sealed, such as the level at 30 Hz",
    "contact": "How to reach you with a question; may stay blank",
    "remarks": "Anything that would surprise the reader; may stay blank",
}
"""Each line of the form, and what to write."""

_NEEDED = ("party", "permission", "measured", "drive", "seal")

OWN = "own study"
"""What one's own study is called among the parties; no other party may be."""

LETTER_TEXT = """\
How to hand over what you measured
==================================

1. Measure each earphone without and with the resistor, on one side or both. Three seats of each are good. Best of all:
   add the resistor without touching the earphone, and write the same seat name in both rows. Unplug the earphone
   before you measure a cable, never short an amplifier's output, and turn the volume down before a resistor comes out.
2. Put the curve files into responses/ (and impedances/, if you have a meter for it), and list them in measurements.csv.
   Any text format will do: frequency and level in columns.
3. Fill in study.toml: title, licence (CC0-1.0 or CC-BY-4.0), the amplifier's output impedance and the cable's
   resistance in ohms, and the ear simulator.
4. In earphones.csv, spell each model as it stands on its box; class and count of drivers only if you know them.
5. Fill in the middle column of contribution.csv: one page, seven lines.
6. Run `ohmshift check` on this folder and mend what it lists under "Left out". What is "flagged" is used; look at it.
7. Pack the whole folder, without findings/, and send it to whoever asked. They put it into published/ of their study
   and open the notebook 80_published_findings.

Nothing in your files is changed by that. Your noise stays your own: it is estimated from your repeats alone, and
duplicates and contradictions are listed, never settled behind your back.
"""
"""What that file says, one page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contribution:
    """A filled-in form.

    Parameters
    ----------
    party : str
        Who measured; the folder's name where the form does not say.
    permitted : bool
        Whether the data may be merged and published.
    answers : tuple of (str, str) pairs
        Everything it says.
    problems : tuple of Problem
        What is missing or wrong.
    """

    party: str
    permitted: bool
    answers: tuple[tuple[str, str], ...]
    problems: tuple[Problem, ...]


def contribution_form() -> str:
    """Give an empty form.

    Returns
    -------
    str
        CSV text with the columns item, answer, what_to_write.

    Examples
    --------
    >>> contribution_form().splitlines()[0]
    'item,answer,what_to_write'
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["item", "answer", "what_to_write"])
    writer.writerows([item, "", what] for item, what in ITEMS.items())
    return text.getvalue()


def read_contribution(folder: Path) -> Contribution:
    """Read a study's form.

    Parameters
    ----------
    folder : Path
        The study.

    Returns
    -------
    Contribution
        Party, permission, and what is wrong; a blank form, or none, permits nothing.
    """
    path = folder / FORM
    rows, problem = _rows(path)
    answers = {item: answer for _, item, answer in rows if item in ITEMS}
    problems = [] if problem is None else [problem]
    if problem is None:
        problems += _row_problems(rows)
        for item in _NEEDED:
            if not answers.get(item):
                line = next((n for n, name, _ in rows if name == item), None)
                problems.append(
                    _problem(line, item, "", "this line needs an answer", ITEMS[item][0].lower() + ITEMS[item][1:])
                )
    if answers.get("party", "").casefold() == OWN:
        line = next(n for n, name, _ in rows if name == "party")
        problems.append(_problem(line, "party", answers.pop("party"), "a party has a name of its own", "write another"))
    said = answers.get("permission", "").casefold()
    if said not in {"yes", "no", ""}:
        line = next(n for n, name, _ in rows if name == "permission")
        problems.append(
            _problem(line, "permission", answers["permission"], "permission is yes or no", "write yes or no")
        )
    return Contribution(
        party=answers.get("party") or folder.name,
        permitted=said == "yes",
        answers=tuple(answers.items()),
        problems=tuple(problems),
    )


def is_blank(contribution: Contribution) -> bool:
    """Tell whether a form has no answer at all, as that of a study of one's own may stay.

    Parameters
    ----------
    contribution : Contribution
        The form.

    Returns
    -------
    bool
        True without a single answer.
    """
    return not any(answer for _, answer in contribution.answers)


def _rows(path: Path) -> tuple[list[tuple[int, str, str]], Problem | None]:
    """Give line, item and answer of each row, or why there are none."""
    if not path.is_file():
        return [], _problem(None, "", "", f"a contribution has {FORM}", "let `ohmshift new` make one, and fill it in")
    text, problem = read_plain(path, FORM)
    records = split_records(text, {"item", "answer"}) if problem is None else []
    if problem is not None or isinstance(records, int):
        line = records if isinstance(records, int) else None
        return [], _problem(line, "", "", "the form must be CSV text in UTF-8", "save it as CSV UTF-8")
    if not records or records[0][1][:2] != ["item", "answer"]:
        return [], _problem(1, "", "", "its first line begins item,answer", "take the form that `ohmshift new` makes")
    padded = [(line, [*cells, "", ""]) for line, cells in records[1:]]
    return [(line, cells[0], cells[1]) for line, cells in padded], None


def _row_problems(rows: list[tuple[int, str, str]]) -> list[Problem]:
    names = [name for _, name, _ in rows]
    unknown = [(n, name) for n, name, _ in rows if name not in ITEMS]
    twice = [(n, name) for i, (n, name, _) in enumerate(rows) if name in ITEMS and name in names[:i]]
    return [
        _problem(n, "item", name, "the form has no such line", "remove it, or write it under remarks")
        for n, name in unknown
    ] + [_problem(n, "item", name, "each line stands once", "remove one of them") for n, name in twice]


def _problem(line: int | None, column: str, value: str, rule: str, mend: str) -> Problem:
    return Problem(file=FORM, row=line, column=column, value=value, rule=rule, mend=mend, effect="flagged")
