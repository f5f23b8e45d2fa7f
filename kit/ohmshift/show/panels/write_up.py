"""Ask what can be published: choose findings, order them, write them up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import pandas as pd

from ohmshift.errors import OhmshiftError, StudyError
from ohmshift.show.article import compose_article
from ohmshift.show.frames import write_frames
from ohmshift.show.live import summary_line
from ohmshift.show.panels.base import button, choice
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.tables import FollowingTable
from ohmshift.show.publishing import findings_html, picture_stem, write_article
from ohmshift.show.staging import staged
from ohmshift.study.batch import compare_study
from ohmshift.study.findings import (
    read_findings,
    reinstate_finding,
    retract_finding,
)
from ohmshift.study.package import write_package
from ohmshift.study.plain import write_value

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study

_BOX = {"width": "820px"}
_SHORT = 90
_WRITE_UP, _STILLS, _PACKAGE = "write_up", "stills", "package"
_FORMATS = [
    ("article as a page and as Markdown, outline of a talk, numbers", _WRITE_UP),
    ("stills for a video, 1920 and 3840 px wide, PNG and SVG", _STILLS),
    ("data package, for others to check and open again", _PACKAGE),
]


class WriteUpPanel(widgets.VBox):  # type: ignore[misc]
    """Choose findings and write them up.

    Parameters
    ----------
    study : Study
        The study.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.recorded = read_findings(study.folder)
        self.chosen = widgets.SelectMultiple(
            description="Findings",
            tooltip="Those to publish, in this order. Hold Ctrl or Shift to choose several.",
            layout={**_BOX, "height": "150px"},
        )
        self.reason = widgets.Text(
            description="Reason", placeholder="Why it is retracted or stands again", layout={"width": "500px"}
        )
        self.up = button("Move up", "Move the chosen findings one place up", lambda: self._move(-1))
        self.down = button("Move down", "Move the chosen findings one place down", lambda: self._move(1))
        self.format = choice("Format", _FORMATS, help_text="What to write, into a folder of its own under findings/.")
        self.write = button("Write", "Write what Format says into the study's findings folder", self._on_write)
        self.retract = button("Retract", "Withdraw the chosen findings; they stay in the log", self._on_retract)
        self.gone = widgets.Dropdown(description="Retracted", tooltip="Findings that were retracted.", layout=_BOX)
        self.reinstate = button("Let stand again", "Reinstate the finding chosen under Retracted", self._on_reinstate)
        self.listing = widgets.HTML()
        self.tables: list[FollowingTable] = []
        self.status = summary_line(repr(self)[1:-1])
        self._show([finding.id for finding in self.recorded.standing])
        self.chosen.value = tuple(value for _, value in self.chosen.options)
        rows = [
            widgets.HBox([self.up, self.down]),
            widgets.HBox([self.format, self.write]),
            widgets.HBox([self.reason, self.retract, self.reinstate]),
            self.gone,
        ]
        super().__init__([self.chosen, *rows, self.status, self.listing])

    def table(self) -> pd.DataFrame:
        """Give the numbers of the findings that stand.

        Returns
        -------
        DataFrame
            One row a number: finding, earphone, quantity, value, interval, unit.
        """
        rows = [
            (finding.id, finding.earphone, q.name, *write_value(q.value, q.low, q.high), q.unit)
            for finding in self.recorded.standing
            for q in finding.quantities
        ]
        return pd.DataFrame(rows, columns=["finding", "earphone", "quantity", "value", "interval", "unit"])

    def show_table(self) -> None:
        """Show the numbers in the cell that asks for them; from then on they follow the findings that stand."""
        self.tables.append(FollowingTable(self.table))

    def _show(self, order: list[str]) -> None:
        """Show the standing findings in an order, those chosen staying chosen."""
        known = {finding.id: finding for finding in self.recorded.standing}
        keep = [name for name in self.chosen.value if name in known]
        self.chosen.options = [(_shorten(known[name].statement), name) for name in order if name in known]
        self.chosen.value = tuple(name for name in order if name in keep)
        self.listing.value = findings_html(self.recorded.findings)
        gone = [finding for finding in self.recorded.findings if finding.retracted]
        self.gone.options = [(_shorten(finding.statement), finding.id) for finding in gone]
        self.reinstate.disabled = self.gone.disabled = not gone
        self.retract.disabled = not known
        for table in self.tables:
            table.update()

    def _order(self) -> list[str]:
        return [value for _, value in self.chosen.options]

    def _move(self, places: int) -> None:
        order, moved = self._order(), list(self.chosen.value)
        for name in moved if places < 0 else reversed(moved):
            i = order.index(name)
            j = i + places
            if 0 <= j < len(order) and order[j] not in moved:
                order[i], order[j] = order[j], order[i]
        self._show(order)

    def _on_write(self) -> None:
        chosen = [name for name in self._order() if name in self.chosen.value]
        if not chosen and self.format.value != _PACKAGE:
            self._say("Nothing written: choose a finding in the list. The other notebooks record them, at their end.")
            return
        self._say("Writing: lining up and comparing every earphone takes a few seconds …")
        out = self.study.folder / "findings" / self.format.value
        try:
            comparison = compare_study(self.study, progress=Progress("Lining up and comparing the earphones."))
            with staged(out) as part:
                first, *others = [path.relative_to(part) for path in self._write(comparison, part, chosen)]
        except (OhmshiftError, OSError) as error:
            self._say(f"Not written. {error}")
            return
        self._say(f"Written: findings/{out.name}/{first.as_posix()} and {len(others)} files beside it, in the study.")

    def _write(self, comparison: StudyComparison, out: Path, chosen: list[str]) -> list[Path]:
        """Write the format chosen."""
        if self.format.value == _PACKAGE:
            return write_package(self.study, comparison, out)
        if self.format.value == _WRITE_UP:
            return write_article(self.study, comparison, out, finding_ids=chosen)
        findings = compose_article(self.study, comparison, finding_ids=chosen).findings
        drawn = [item for item in findings if item.chart is not None]
        if not drawn:
            raise StudyError("stills", "a still needs a finding on an earphone", "none is chosen", "choose another one")
        return [path for item in drawn if item.chart for path in write_frames(item.chart, out, picture_stem(item))]

    def _on_retract(self) -> None:
        self._mark(list(self.chosen.value), retract_finding, "Retracted")

    def _on_reinstate(self) -> None:
        self._mark([self.gone.value] if self.gone.value else [], reinstate_finding, "Stands again")

    def _mark(self, names: list[str], action: Any, done: str) -> None:
        if not names:
            self._say("Choose a finding in the list first.")
            return
        try:
            for name in names:
                action(self.study.folder, name, self.reason.value)
        except (OhmshiftError, OSError) as error:
            self._say(f"Not done. {error}")
        else:
            self._say(f"{done}: {', '.join(names)}. The log keeps every entry.")
            self.reason.value = ""
        order = self._order()
        self.recorded = read_findings(self.study.folder)
        self._show([*order, *(finding.id for finding in self.recorded.standing if finding.id not in order)])

    def _say(self, text: str) -> None:
        self.status.value = summary_line(text).value

    def __repr__(self) -> str:
        """Say how many findings there are."""
        standing = len(self.recorded.standing)
        retracted = len(self.recorded.findings) - standing
        verb = "stands" if standing == 1 else "stand"
        return f"<{standing} finding{'' if standing == 1 else 's'} {verb}, {retracted} retracted>"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Add the list of findings for readers without a kernel."""
        return {**super()._repr_mimebundle_(**kwargs), "text/plain": repr(self)}


def _shorten(text: str) -> str:
    return text if len(text) <= _SHORT else f"{text[: _SHORT - 1]}…"
