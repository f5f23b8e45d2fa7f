"""Record a finding: statement from a panel, caveat from the person, nothing without both."""

from __future__ import annotations

from dataclasses import fields
from html import escape
from typing import TYPE_CHECKING, Any

import ipywidgets as widgets

from ohmshift.errors import OhmshiftError
from ohmshift.show.live import summary_line
from ohmshift.show.panels.base import CONTROL_BOX, button
from ohmshift.study.findings import Finding, append_finding, retract_finding

if TYPE_CHECKING:
    from ohmshift.show.panels.base import Draft, Panel
    from ohmshift.study.folder import Study

_BOX = CONTROL_BOX | {"width": "820px"}


class RecordPanel(widgets.VBox):  # type: ignore[misc]
    """Statement, caveat, and a button that records both.

    Parameters
    ----------
    study : Study
        The study whose log is written.
    panel : Panel or None
        The panel whose result is recorded; None for a conclusion of the person's own.
    notebook : str
        Name of the notebook.

    Notes
    -----
    The statement follows the panel until the person changes it. What is recorded are the numbers, data and settings
    that the statement was taken with.
    """

    def __init__(self, study: Study, panel: Panel[Any] | None, *, notebook: str) -> None:
        self.study, self.panel, self.notebook = study, panel, notebook
        self.recorded: list[Finding] = []
        self.statement = widgets.Textarea(
            description="Statement", tooltip="What was found, in one or two sentences.", layout=_BOX, rows=5
        )
        self.caveat = widgets.Textarea(
            description="Caveat",
            placeholder="What this does not show: which seats, which band, which earphones. A finding needs one.",
            tooltip="What this does not show. A finding needs one.",
            layout=_BOX,
            rows=3,
        )
        self.take = button("Take the statement from above", "Fill in what the panel says now", self._on_take)
        self.record = button("Record finding", "Write the finding into the study's log", self._on_record)
        self.undo = button("Undo", "Retract the finding recorded last; it stays in the log", self._on_undo)
        self.undo.disabled = True
        self.take.disabled = panel is None
        self.hints = widgets.HTML()
        self._draft: Draft | None = None
        self._settings: object = None
        if panel is not None:
            panel.at_rest.append(self._on_rest)
        self.status = summary_line("Nothing recorded from here yet.")
        self._on_take()
        buttons = widgets.HBox([self.take, self.record, self.undo])
        super().__init__([self.statement, self.caveat, self.hints, buttons, self.status])

    def _on_take(self) -> None:
        if self.panel is not None:
            self._draft, self._settings = self.panel.view.draft, self.panel.settings
        draft = self._draft
        self.statement.value = "" if draft is None else draft.statement
        caveats = () if draft is None else draft.caveats
        items = "".join(f"<li>{escape(caveat)}</li>" for caveat in caveats)
        self.hints.value = f"The numbers themselves warn of:<ul>{items}</ul>" if items else ""

    def _on_rest(self) -> None:
        if self.statement.value == ("" if self._draft is None else self._draft.statement):
            self._on_take()
        else:
            self._say("The panel has moved on. The numbers recorded are those that this statement was taken with.")

    def _on_record(self) -> None:
        draft = self._draft
        try:
            finding = Finding(
                statement=self.statement.value,
                caveat=self.caveat.value,
                quantities=() if draft is None else draft.quantities,
                settings={} if self._settings is None else plain_settings(self._settings),
                data={} if draft is None else draft.data,
                notebook=self.notebook,
                earphone="" if draft is None else draft.earphone,
            )
            self.recorded.append(append_finding(self.study.folder, finding))
        except (OhmshiftError, OSError) as error:
            self._say(f"Not recorded. {error}")
            return
        self.caveat.value = ""
        self.undo.disabled = False
        self._say(f"Recorded as finding {self.recorded[-1].id}. It is on the disk, in the study's findings folder.")

    def _on_undo(self) -> None:
        finding = self.recorded[-1]
        try:
            retract_finding(self.study.folder, finding.id, "undone where it was recorded")
        except (OhmshiftError, OSError) as error:
            self._say(f"Not undone. {error}")
            return
        self.recorded.pop()
        self.undo.disabled = not self.recorded
        self._say(f"Finding {finding.id} is retracted. It stays in the log, marked so.")

    def _say(self, text: str) -> None:
        self.status.value = summary_line(text).value

    def __repr__(self) -> str:
        """Say what was recorded."""
        count = len(self.recorded)
        return f"<RecordPanel: {count} finding{'' if count == 1 else 's'} recorded from here>"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Add a sentence for readers without a kernel."""
        return {**super()._repr_mimebundle_(**kwargs), "text/plain": repr(self)}


def plain_settings(settings: object) -> dict[str, Any]:
    """Give a settings value as plain names and values.

    Parameters
    ----------
    settings : frozen dataclass
        A panel's settings.

    Returns
    -------
    dict
        Value by field name.
    """
    return {field.name: getattr(settings, field.name) for field in fields(settings)}  # type: ignore[arg-type]
