"""Ask whether a rule that people repeat holds in the study's own earphones."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import ipywidgets as widgets
import numpy as np
import pandas as pd

from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import UNITS
from ohmshift.evidence.ruling import judge_rule
from ohmshift.show.charts import Chart, Line
from ohmshift.show.collection_drawings import draw_rule
from ohmshift.show.drawings import ohms
from ohmshift.show.panels.base import Draft, Panel, View
from ohmshift.study.findings import Quantity
from ohmshift.study.rulewords import EXAMPLES, read_rule

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.evidence.rules import Rule
    from ohmshift.evidence.ruling import RuleVerdict
    from ohmshift.show.panels.driver_types import DriverTypesPanel

_LABEL = "245px"
_WIDTH = "820px"


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RuleSettings:
    """What the panel asks.

    Parameters
    ----------
    rule : str
        The rule, as it was written.
    """

    rule: str


class RulePanel(Panel[RuleSettings]):
    """Judge a rule that is picked or written.

    Parameters
    ----------
    types : DriverTypesPanel
        The panel whose earphones are judged, at the resistance chosen there.
    rule : str
        Rule to start with.
    """

    def __init__(self, types: DriverTypesPanel, *, rule: str = EXAMPLES[0]) -> None:
        self.types, self.collection = types, types.collection
        box = widgets.Combobox(
            value=rule,
            options=EXAMPLES,
            ensure_option=False,
            continuous_update=False,
            description="Rule",
            tooltip="Write a rule: which earphones, a colon, what they do. Enter judges it. Empty the box to pick one.",
            style={"description_width": _LABEL},
            layout={"width": _WIDTH},
        )
        super().__init__(self._view, RuleSettings(rule=rule), {"rule": box})
        types.at_rest.append(self._follow)

    def judge(self, *rules: str) -> pd.DataFrame:
        """Judge several rules at once, each by itself.

        Parameters
        ----------
        *rules : str
            Rules; by default the examples.

        Returns
        -------
        DataFrame
            One row a rule: the word and the sentence.

        Raises
        ------
        EvidenceError
            A rule that cannot be read.
        """
        judged = [judge_rule(self.collection, self._read(rule)) for rule in rules or EXAMPLES]
        return pd.DataFrame(
            {
                "rule": [str(verdict.rule) for verdict in judged],
                "verdict": [verdict.word for verdict in judged],
                "why": [verdict.sentence for verdict in judged],
            }
        )

    def _read(self, rule: str) -> Rule:
        return read_rule(rule, tuple(dict.fromkeys(one.driver_class for one in self.collection.earphones)))

    def _follow(self) -> None:
        if self.collection is not self.types.collection:
            self.collection = self.types.collection
            self.redraw()

    def _view(self, settings: RuleSettings) -> View:
        try:
            rule = self._read(settings.rule)
        except EvidenceError as error:
            return _refused(settings.rule, str(error))
        verdict = judge_rule(self.collection, rule)
        added = f"with {ohms(self.collection.added_ohm)} added"
        data = {
            file: sha256
            for label in [case.label for case in verdict.cases]
            for file, sha256 in self.types.study.data_hashes(label).items()
        }
        return View(
            charts=(draw_rule(verdict),),
            sentence=f"{rule}, {added}. {verdict.sentence}",
            table=_table(verdict),
            draft=Draft(
                statement=f'The rule "{rule}", {added}. {verdict.sentence}',
                quantities=_quantities(verdict),
                data=data,
                caveats=_caveats(verdict),
            ),
        )


def _table(verdict: RuleVerdict) -> pd.DataFrame:
    unit = UNITS[verdict.rule.metric]
    return pd.DataFrame(
        {
            "earphone": [case.label for case in verdict.cases],
            f"{verdict.rule.metric} ({unit})": [round(case.value, 2) + 0.0 for case in verdict.cases],
            f"low ({unit})": [round(case.low, 2) + 0.0 for case in verdict.cases],
            f"high ({unit})": [round(case.high, 2) + 0.0 for case in verdict.cases],
            "agrees": [case.word for case in verdict.cases],
            "seats": [case.seats for case in verdict.cases],
            "seats that would tell": ["" if case.seats_needed is None else case.seats_needed for case in verdict.cases],
        }
    )


def _quantities(verdict: RuleVerdict) -> tuple[Quantity, ...]:
    found = [
        Quantity(name="earphones judged", value=float(len(verdict.cases)), unit="1"),
        Quantity(name="counterexamples", value=float(len(verdict.counterexamples)), unit="1"),
    ]
    rank = verdict.correlation
    if rank is not None and not rank.reason:
        found.append(Quantity(name="rank correlation", value=rank.rho, unit="1", low=rank.low, high=rank.high))
    return tuple(found)


def _caveats(verdict: RuleVerdict) -> tuple[str, ...]:
    said = [
        f"each rule is judged by itself, wrong in at most {100 * verdict.alpha:.0f} % of cases: of twenty, expect one",
        "the intervals are of measurement: one unit of each earphone stands for its kind",
    ]
    if verdict.unmeasured:
        said.append(f"what the rule asks is not known of {', '.join(verdict.unmeasured)}")
    return tuple(said)


def _refused(rule: str, why: str) -> View:
    empty = np.array([0.0, 1.0])
    chart = Chart(
        title="The rule cannot be read",
        alt_text=why,
        y_label="Size of the tonal change",
        y_unit="dB",
        scale="linear",
        x_label="Earphones the rule speaks of",
        x_unit="",
        x_scale="linear",
        y_range=(0.0, 1.0),
        lines=(Line(x=empty, y=np.full(2, np.nan)),),
    )
    said: Mapping[str, list[str]] = {"rule": [rule], "not read, because": [why]}
    return View(charts=(chart,), sentence=why, table=pd.DataFrame(said))
