"""Ask whether driver type or count predicts the change, or whether impedance does."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.evidence.metrics import UNITS
from ohmshift.show.collection_drawings import (
    FORETELLERS,
    METRIC_NAMES,
    draw_classes,
    draw_explained,
    draw_predictions,
)
from ohmshift.show.drawings import ohms
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import blank_missing
from ohmshift.study.batch import compare_study
from ohmshift.study.collections import collect_study
from ohmshift.study.declarations import DECLARABLE, DECLARATION, read_declaration
from ohmshift.study.findings import Quantity
from ohmshift.study.questions import GROUPINGS, Grouping, TypeAnswers, ask_types

if TYPE_CHECKING:
    from ohmshift.evidence.collection import Collection
    from ohmshift.evidence.explained import Explanation
    from ohmshift.evidence.groups import GroupTest
    from ohmshift.evidence.metrics import Metric
    from ohmshift.study.folder import Study

_DIGITS = 2


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TypeSettings:
    """What the panel asks.

    Parameters
    ----------
    added_ohm : float
        Added resistance [ohm].
    grouping : str
        How the earphones are put into classes.
    metric : str
        What is compared.
    margin_db : float
        Smallest change that matters [dB].
    """

    added_ohm: float
    grouping: Grouping
    metric: Metric
    margin_db: float


class DriverTypesPanel(Panel[TypeSettings]):
    """Compare classes of earphones, and what foretells an earphone left out.

    Parameters
    ----------
    study : Study
        The study.
    added_ohm : float, optional
        Added resistance to start with [ohm]; by default the one most earphones were measured with.
    """

    def __init__(self, study: Study, *, added_ohm: float | None = None) -> None:
        self.study = study
        self.comparison = compare_study(study, progress=Progress("Lining up and comparing the earphones."))
        self.declaration = read_declaration(study.folder)
        metrics = self.declaration.metrics or DECLARABLE
        settings = TypeSettings(
            added_ohm=self.comparison.common_ohm if added_ohm is None else added_ohm,
            grouping="driver class",
            metric=metrics[0],
            margin_db=self.comparison.margin_db,
        )
        controls = {
            "added_ohm": choice(
                "Added resistance",
                [(ohms(value), value) for value in sorted({ohm for _, ohm in self.comparison.changes})],
                help_text="The resistance they were measured with, against without.",
            ),
            "grouping": choice(
                "Grouping", [str(name) for name in GROUPINGS], help_text="How the earphones are put into classes."
            ),
            "metric": choice(
                "Metric",
                [(self._offer(metric), metric) for metric in DECLARABLE],
                help_text="The number an earphone that is compared.",
            ),
            "margin_db": slider(
                "Margin", "dB", 0.2, 4.0, 0.1, help_text="The smallest change that matters to your question."
            ),
        }
        super().__init__(self._view, settings, controls)

    @property
    def collection(self) -> Collection:
        """Give the earphones at the panel's resistance."""
        return self._collect(self.settings.added_ohm)

    def declared(self) -> pd.DataFrame:
        """Say what the study declared before looking, and what can be told of when.

        Returns
        -------
        DataFrame
            One row: the sentence, and the note of the file.
        """
        return pd.DataFrame({"declared": [self.declaration.sentence], "note": [self.declaration.note]})

    def overview(self) -> pd.DataFrame:
        """Give every earphone at the panel's margin.

        Returns
        -------
        DataFrame
            Driver class and count, verdict with its bound, metrics, and impedance; blank where not known.
        """
        table = self.collection.at_margin(self.settings.margin_db).table()
        wanted = ["earphone", "driver class", "drivers", "verdict", "bound (dB)"]
        wanted += [f"{metric} ({UNITS[metric]})" for metric in (*DECLARABLE, "level drop")]
        wanted += ["|Z| at 1 kHz (ohm)", "|Z| spread (ratio)", "impedance"]
        return blank_missing(table[wanted])

    def tests(self) -> pd.DataFrame:
        """Give the tests of the panel's grouping.

        Returns
        -------
        DataFrame
            One row a metric, and one for all bands at once.
        """
        answers = self._answers(self.collection, self.settings.grouping)
        rows = [
            _test_row(metric, test, declared=metric in answers.tested_together)
            for metric, test in answers.tests.items()
        ]
        vectors = answers.vectors
        last = ("all bands at once", "not tested" if vectors.reason else "W*d")
        rows.append(dict(zip(rows[0], (*last, _say(vectors.statistic, 2), _say(vectors.p, 3), "", ""), strict=True)))
        return pd.DataFrame(rows)

    def foretold(self) -> pd.DataFrame:
        """Give what foretells each metric of an earphone left out.

        Returns
        -------
        DataFrame
            Leave-one-out R^2 with 95 % intervals, one row a metric.
        """
        rows = []
        for metric, explanation in self._answers(self.collection, self.settings.grouping).explained.items():
            row: dict[str, object] = {"metric": metric, "earphones": len(explanation.labels)}
            row |= dict.fromkeys(FORETELLERS.values(), "")
            for one in explanation.explained:
                r2, low, high = (round(value, _DIGITS) + 0.0 for value in (one.r2, one.low, one.high))
                row[FORETELLERS[one.name]] = f"{r2:.2f} ({low:.2f} to {high:.2f})"
            rows.append(row)
        return pd.DataFrame(rows)

    def classes(self) -> pd.DataFrame:
        """Give the classes of the panel's grouping and metric, and those too small to be tested.

        Returns
        -------
        DataFrame
            One row a class.
        """
        test, unit = self._test(), UNITS[self.settings.metric]
        return pd.DataFrame(
            {
                "class": [one.name for one in test.classes],
                "earphones": [one.count for one in test.classes],
                f"mean ({unit})": [round(one.mean, _DIGITS) + 0.0 for one in test.classes],
                f"sd ({unit})": ["" if np.isnan(one.sd) else f"{one.sd:.2f}" for one in test.classes],
                "tested": ["yes" if one.tested else "listed only" for one in test.classes],
            }
        )

    def pairs(self) -> pd.DataFrame:
        """Give the differences of every pair of classes, for the panel's grouping and metric, where the classes differ.

        Returns
        -------
        DataFrame
            One row a pair, by Games and Howell; or one that says why there is none.
        """
        test, unit = self._test(), UNITS[self.settings.metric]
        if not test.differ:
            why = test.reason or "the classes do not certainly differ as a whole"
            return pd.DataFrame({"pairs are not compared, because": [why]})
        return pd.DataFrame(
            {
                "first": [pair.first for pair in test.pairs],
                "second": [pair.second for pair in test.pairs],
                f"difference ({unit})": [round(pair.difference, _DIGITS) + 0.0 for pair in test.pairs],
                "95 % interval for all pairs": [f"{pair.low:.2f} to {pair.high:.2f}" for pair in test.pairs],
                "p": [round(pair.p, 3) for pair in test.pairs],
            }
        )

    def _offer(self, metric: Metric) -> str:
        declared = self.declaration.metrics
        return f"{METRIC_NAMES[metric]}{'' if not declared or metric in declared else ' (not declared)'}"

    @lru_cache(maxsize=8)  # noqa: B019 - a panel lives as long as its notebook
    def _collect(self, added_ohm: float) -> Collection:
        return collect_study(self.study, self.comparison, added_ohm=added_ohm)

    @lru_cache(maxsize=24)  # noqa: B019
    def _answers(self, collection: Collection, grouping: Grouping) -> TypeAnswers:
        return ask_types(collection, self.declaration, grouping=grouping)

    def _test(self) -> GroupTest:
        return self._answers(self.collection, self.settings.grouping).tests[self.settings.metric]

    def _view(self, settings: TypeSettings) -> View:
        measured, metric = self._collect(settings.added_ohm), settings.metric
        answers, collection = self._answers(measured, settings.grouping), measured.at_margin(settings.margin_db)
        test, explanation = answers.tests[metric], answers.explained[metric]
        sentence = " ".join(
            (
                _say_verdicts(collection),
                _say_test(metric, answers),
                _say_explained(explanation),
            )
        )
        return View(
            charts=(
                draw_classes(collection, metric, answers.classes, alt_text=sentence),
                draw_predictions(collection, metric, answers.classes),
                draw_explained(explanation, metric),
            ),
            sentence=sentence,
            table=_table(collection, metric, answers),
            draft=Draft(
                statement=sentence,
                quantities=_quantities(test, explanation, metric),
                data=self._data(),
                caveats=self._caveats(collection, test, explanation, metric),
            ),
        )

    def _data(self) -> dict[str, str]:
        hashes = self.study.data_hashes()
        return {**hashes, DECLARATION: self.declaration.sha256} if self.declaration.sha256 else hashes

    def _caveats(
        self, collection: Collection, test: GroupTest, explanation: Explanation, metric: Metric
    ) -> tuple[str, ...]:
        small = [f"{one.name} ({one.count})" for one in test.classes if not one.tested]
        said = [self.declaration.sentence]
        if self.declaration.metrics and metric not in self.declaration.metrics:
            said.append(f"{metric} was not declared: what it shows is a hint for another collection, no test")
        resistances = len({ohm for _, ohm in self.comparison.changes})
        if resistances > 1:
            said.append(f"measured at {resistances} resistances: p is adjusted over metrics, not over resistances")
        if small:
            said.append(f"listed, not tested, because of fewer than three earphones: {', '.join(small)}")
        left = [name for name in collection.labels if name not in explanation.labels]
        if left:
            said.append(f"not foretold, because something is not known independently: {', '.join(left)}")
        return tuple(said)


def _test_row(metric: Metric, test: GroupTest, *, declared: bool) -> dict[str, object]:
    low, high = test.omega2_interval
    return {
        "metric": metric,
        "test": "not tested" if test.reason else "Welch F",
        "statistic": _say(test.statistic, 2),
        "p": _say(test.p, 3),
        "p, Holm": _say(test.p_holm, 3) if declared else "",
        "omega² (95 %)": "" if test.reason else f"{test.omega2:.2f} ({low:.2f} to {high:.2f})",
    }


def _say(value: float, digits: int) -> str:
    return "" if np.isnan(value) else f"{value:.{digits}f}"


def _say_verdicts(collection: Collection) -> str:
    words = [one.word for one in collection.earphones]
    changed = sum(word.startswith("changed") for word in words)
    bounded = sum(word == "no change larger than" for word in words)
    count = f"{len(words)} earphone{'' if len(words) == 1 else 's'}"
    return (
        f"Of {count} with {collection.added_ohm:g} ohm added, {changed} changed, {bounded} did not by "
        f"more than {collection.margin_db:g} dB, {len(words) - changed - bounded} cannot be told."
    )


def _say_test(metric: Metric, answers: TypeAnswers) -> str:
    test, name = answers.tests[metric], METRIC_NAMES[metric]
    if test.reason:
        return f"{name} by {answers.grouping}: not tested, because {test.reason}."
    tested = [one for one in test.classes if one.tested]
    low, high = test.omega2_interval
    together = len(answers.tested_together)
    adjusted = f", {test.p_holm:.2g} for {together} metrics together (Holm)" if together > 1 else ""
    if metric not in answers.tested_together:
        adjusted = ", not declared and so not adjusted"
    verb = "differ" if test.differ else "do not certainly differ"
    return (
        f"{name} by {answers.grouping}: {len(tested)} classes ({sum(one.count for one in tested)} earphones) {verb}, "
        f"Welch F {test.statistic:.1f}, p {test.p:.2g}{adjusted}, omega² {test.omega2:.2f} (95 %: {low:.2f} to "
        f"{high:.2f}). All bands at once: p {answers.vectors.p:.2g} (W*d)."
    )


def _say_explained(explanation: Explanation) -> str:
    if explanation.reason:
        return f"What foretells an earphone left out was not compared: {explanation.reason}."
    said = ", ".join(f"{FORETELLERS[one.name]} {one.r2:.2f}" for one in explanation.explained)
    return f"Left out, an earphone is foretold with R²: {said} ({len(explanation.labels)} earphones)."


def _table(collection: Collection, metric: Metric, answers: TypeAnswers) -> pd.DataFrame:
    unit = UNITS[metric]
    estimates = [one.estimates[metric] for one in collection.earphones]
    table = pd.DataFrame(
        {
            "earphone": collection.labels,
            "class": answers.classes,
            f"{metric} ({unit})": [estimate.value for estimate in estimates],
            "low": [estimate.low for estimate in estimates],
            "high": [estimate.high for estimate in estimates],
            f"predicted by the divider ({unit})": collection.predicted(metric),
            "impedance": [one.impedance.origin for one in collection.earphones],
            "verdict": [one.word for one in collection.earphones],
        }
    )
    return table.round(_DIGITS)


def _quantities(test: GroupTest, explanation: Explanation, metric: Metric) -> tuple[Quantity, ...]:
    found = []
    if not test.reason:
        low, high = test.omega2_interval
        found += [
            Quantity(
                name=f"omega squared of the {metric}", value=test.omega2, unit="1", low=min(low, test.omega2), high=high
            ),
            Quantity(name="p, adjusted", value=test.p_holm, unit="1"),
        ]
    found += [
        Quantity(
            name=f"leave-one-out R² of {FORETELLERS[one.name]}", value=one.r2, unit="1", low=one.low, high=one.high
        )
        for one in explanation.explained
    ]
    return tuple(found)
