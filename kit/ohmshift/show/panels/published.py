"""Ask whether somebody else's findings hold in one's own data, and what all parties say together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import pandas as pd

from ohmshift.errors import OhmshiftError, StudyError
from ohmshift.evidence.parties import MEASURES, Measure
from ohmshift.evidence.verdicts import judge_change
from ohmshift.evidence.wording import ceil_bound
from ohmshift.show.agreement_charts import difference_table, draw_both, draw_difference, draw_forest, empty_chart
from ohmshift.show.drawings import ohms
from ohmshift.show.panels.base import Draft, Panel, View, button, choice, slider
from ohmshift.show.panels.opening import Progress
from ohmshift.show.panels.pieces import blank_missing, hashes
from ohmshift.study.agreements import Claim, check_claim, list_claims, own_chain
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.findings import Quantity
from ohmshift.study.forests import Forest, grow_forest
from ohmshift.study.impedances import KnownImpedance, know_impedance
from ohmshift.study.merging import MergedStudies, merge_studies
from ohmshift.study.problems import problems_table
from ohmshift.study.published import Contributor, Published, PublishedChange, open_published

if TYPE_CHECKING:
    from ohmshift.evidence.agreement import Agreement
    from ohmshift.study.folder import Study

NOTHING = "nothing published yet"

REGION_NAMES = {
    "100 Hz to 5 kHz": "midrange",
    "below 100 Hz": "bass",
    "above 5 kHz": "treble",
    "whole band": "whole band",
}
"""Regions to look at, the one judged first at the top."""

_EMPTY = (
    "Nothing to check yet: put a contributed study folder, curve files with published.csv, or a traced picture into "
    "published/, with a model that your own study measured."
)


class PublishedWork:
    """One's own changes beside what others published, for the panels of one notebook.

    Parameters
    ----------
    study : Study
        The study.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self.comparison: StudyComparison = compare_study(
            study, progress=Progress("Lining up and comparing the earphones.")
        )
        self.read()

    def read(self) -> None:
        """Read published/ anew."""
        self.published: Published = open_published(
            self.study, options=self.comparison.options, progress=Progress("Comparing what others measured.")
        )
        contributors = list(self.published.contributors.values())
        self.merged: MergedStudies = merge_studies(self.study, self.comparison, contributors)
        self.claims = list_claims(self.published, self.comparison)

    @lru_cache(maxsize=128)  # noqa: B019 - it lives as long as its notebook
    def known(self, earphone: str) -> KnownImpedance:
        """Give what is known of a model's impedance.

        Parameters
        ----------
        earphone : str
            The model.

        Returns
        -------
        KnownImpedance
            Measured or recovered.
        """
        return know_impedance(self.study, self.comparison, earphone)

    def problems(self) -> pd.DataFrame:
        """List what is wrong or doubtful with what others published.

        Returns
        -------
        DataFrame
            One row a problem, or one that says that there is none.
        """
        problems = (*self.published.problems, *self.merged.problems)
        return blank_missing(problems_table(problems)) if problems else pd.DataFrame({"to look at": ["nothing"]})

    def __repr__(self) -> str:
        """Say what there is."""
        parties = len({claim.party for claim in self.claims})
        problems = len(self.published.problems) + len(self.merged.problems)
        return (
            f"<PublishedWork: {len(self.claims)} published changes by {parties} parties can be checked; "
            f"{problems} things to look at>"
        )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AgreementSettings:
    """What the panel asks.

    Parameters
    ----------
    source : str
        The published change.
    margin_db : float
        Largest difference that would not matter [dB].
    region : str
        Region looked at.
    """

    source: str
    margin_db: float
    region: str = "100 Hz to 5 kHz"


class PublishedPanel(Panel[AgreementSettings]):
    """Check published changes against one's own.

    Parameters
    ----------
    work : PublishedWork
        Both sides.
    source : str, optional
        Published change to start with; by default the first.
    """

    def __init__(self, work: PublishedWork, *, source: str | None = None) -> None:
        self.work = work
        names = self._names()
        settings = AgreementSettings(source=source or names[0], margin_db=work.comparison.margin_db)
        controls = {
            "source": choice("Source", names, help_text="Who published it, the model, and the resistance they added."),
            "margin_db": slider(
                "Margin", "dB", 0.2, 4.0, 0.1, help_text="The largest difference that would not matter."
            ),
            "region": choice(
                "Region", list(REGION_NAMES), help_text="The part of the band that the sentence is about."
            ),
        }
        super().__init__(self._view, settings, controls)
        self.again = button("Read published/ again", "After a file was added or a tracing saved", self._on_again)
        self.children[0].children[-1].children += (self.again,)

    def overview(self) -> pd.DataFrame:
        """Check every published change at the panel's margin.

        Returns
        -------
        DataFrame
            One row a change: what each side says of its own, and whether theirs is reproduced, by region; or one row
            that says what is missing.
        """
        return pd.DataFrame([self._row(claim) for claim in self.work.claims] or {"why": [_EMPTY]})

    def _names(self) -> list[str]:
        return [claim.name for claim in self.work.claims] or [NOTHING]

    def _on_again(self) -> None:
        self.work.read()
        self._quiet = True
        names = self._names()
        self.controls["source"].options = names
        self._quiet = False
        source = self.settings.source if self.settings.source in names else names[0]
        kept = AgreementSettings(source=source, margin_db=self.settings.margin_db, region=self.settings.region)
        self._before.clear()
        self._set(kept)
        self._show_settings()

    def _claim(self, name: str) -> Claim | None:
        return next((claim for claim in self.work.claims if claim.name == name), None)

    def _check(self, claim: Claim, margin_db: float) -> Agreement:
        known = self.work.known(claim.earphone)
        return check_claim(claim, self.work.comparison, known, margin_db=margin_db)

    def _view(self, settings: AgreementSettings) -> View:
        claim = self._claim(settings.source)
        if claim is None:
            return _nothing(settings.source, _EMPTY)
        try:
            agreement = self._check(claim, settings.margin_db)
        except OhmshiftError as error:
            return _nothing(claim.name, f"{claim.name}: cannot be checked. {error}")
        region = agreement.region(REGION_NAMES[settings.region])
        own = own_chain(self.work.comparison, claim)
        brought = "" if own.added_ohm == claim.chain.added_ohm else f", brought to {ohms(own.added_ohm)}"
        sentence = f"{claim.name}{brought}, {settings.region}: {region.sentence}{_say_concordance(agreement)}"
        return View(
            charts=(draw_both(agreement, alt_text=sentence), draw_difference(agreement, region)),
            sentence=sentence,
            table=difference_table(agreement),
            draft=Draft(
                statement=sentence,
                quantities=_quantities(agreement, region.name),
                data=self._data(claim, own.added_ohm),
                earphone=claim.earphone,
                caveats=(*agreement.caveats, "another unit of the model: how much units differ is not known"),
            ),
        )

    def _data(self, claim: Claim, added_ohm: float) -> dict[str, str]:
        aligned = self.work.comparison.aligned
        found = hashes(aligned[claim.earphone, ohm] for ohm in (0.0, added_ohm))
        if isinstance(claim.source, Contributor):
            folder = claim.source.study.folder
            theirs = claim.source.study.data_hashes(claim.spelled)
            found |= {f"published/{folder.name}/{file}": digest for file, digest in theirs.items()}
        else:
            found |= {origin.source: origin.sha256 for origin in claim.source.provenance}
        return found

    def _row(self, claim: Claim) -> dict[str, object]:
        own = own_chain(self.work.comparison, claim)
        row: dict[str, object] = {
            "party": claim.party,
            "earphone": claim.earphone,
            "from": claim.kind,
            "theirs (ohm)": f"{claim.chain.added_ohm:g}",
            "own (ohm)": f"{own.added_ohm:g}",
            "they say": self._their_word(claim),
            "own says": self.work.comparison.verdict(
                claim.earphone, own.added_ohm, margin_db=self.settings.margin_db
            ).word,
        }
        try:
            agreement = self._check(claim, self.settings.margin_db)
        except OhmshiftError as error:
            return row | {"100 Hz to 5 kHz": f"cannot be checked: {error.found}"}
        row |= {name: agreement.region(region).word for name, region in REGION_NAMES.items()}
        first = agreement.first
        bound = float(ceil_bound(first.bound_db))
        return row | {"largest difference (dB)": f"{first.largest_db:+.1f}", "bound (dB)": f"{bound:.1f}"}

    def _their_word(self, claim: Claim) -> str:
        """Give the verdict of their own study, which what has no repeats cannot give."""
        source = claim.source
        if isinstance(source, PublishedChange):
            return "no repeats"
        change = source.comparison.change(claim.spelled, claim.chain.added_ohm)
        return judge_change(change, source.comparison.floor, margin_db=self.settings.margin_db).word


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ForestSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The model.
    measure : {"bass", "treble", "tilt"}
        Which figure.
    """

    earphone: str
    measure: Measure = "bass"


class ForestPanel(Panel[ForestSettings]):
    """Put one figure of one model together over all parties.

    Parameters
    ----------
    work : PublishedWork
        One's own changes and what others published.
    """

    def __init__(self, work: PublishedWork) -> None:
        self.work = work
        names = list(dict.fromkeys(claim.earphone for claim in work.claims)) or [NOTHING]
        most = max(names, key=lambda name: len({claim.party for claim in work.claims if claim.earphone == name}))
        figures: list[tuple[str, Measure]] = [(text, name) for name, (text, _) in MEASURES.items()]
        controls = {
            "earphone": choice("Model", names, help_text="A model that more than one party measured."),
            "measure": choice("Figure", figures, help_text="What is put together."),
        }
        super().__init__(self._view, ForestSettings(earphone=most), controls)

    def _view(self, settings: ForestSettings) -> View:
        if settings.earphone == NOTHING:
            return _nothing(NOTHING, _EMPTY)
        try:
            forest = grow_forest(
                self.work.merged,
                settings.earphone,
                self.work.known(settings.earphone),
                measure=settings.measure,
                claims=self.work.claims,
            )
        except StudyError as error:
            return _nothing(settings.earphone, str(error))
        sentence = _say_forest(forest)
        table = forest.table.rename(
            columns={
                "figure": f"{settings.measure} ({MEASURES[settings.measure][1]})",
                "standard_error": f"standard error ({MEASURES[settings.measure][1]})",
                "measured_ohm": "measured (ohm)",
            }
        )
        draft = Draft(
            statement=sentence,
            quantities=_forest_quantities(forest),
            data=self.work.study.data_hashes(settings.earphone),
            earphone=settings.earphone,
            caveats=(*forest.left_out, *(() if forest.pooled is None else forest.pooled.caveats)),
        )
        charts = (draw_forest(forest, alt_text=sentence),)
        return View(charts=charts, sentence=sentence, table=table.round(2), draft=draft)


def _nothing(title: str, sentence: str) -> View:
    return View(charts=(empty_chart(title, sentence),), sentence=sentence, table=pd.DataFrame({"why": [sentence]}))


def _say_concordance(agreement: Agreement) -> str:
    value = agreement.concordance
    if value is None:
        return ""
    return f" Concordance of the two changes from 100 Hz to 5 kHz: {value:.2f}."


def _say_forest(forest: Forest) -> str:
    what, unit = MEASURES[forest.measure]
    rows = forest.table.to_dict("records")
    if not rows:
        return f"{forest.model}: no party gives the {what}. {'; '.join(forest.left_out)}."
    said = "; ".join(f"{row['party']} {row['figure']:+.2f} ± {2 * row['standard_error']:.2f}" for row in rows)
    text = f"{forest.model}, {what} with {ohms(forest.added_ohm)} ({unit}): {said}."
    pooled = forest.pooled
    if pooled is None:
        return f"{text} One party alone: nothing to put together."
    text += f" Together {pooled.mean:+.2f} (95 %: {pooled.low:+.2f} to {pooled.high:+.2f})."
    apart = f"of the spread, {100 * pooled.inconsistency:.0f} % is more than their own uncertainty explains"
    return f"{text} {len(pooled.parties)} parties; {apart}."


def _quantities(agreement: Agreement, region: str) -> tuple[Quantity, ...]:
    chosen = agreement.region(region)
    found = [
        Quantity(name=f"largest difference, {region}", value=chosen.largest_db, unit="dB"),
        Quantity(name=f"agreement within, {region}", value=chosen.bound_db, unit="dB"),
    ]
    return tuple(quantity for quantity in found if math.isfinite(quantity.value))


def _forest_quantities(forest: Forest) -> tuple[Quantity, ...]:
    pooled = forest.pooled
    if pooled is None:
        return ()
    unit = MEASURES[forest.measure][1]
    return (Quantity(name=forest.measure, value=pooled.mean, unit=unit, low=pooled.low, high=pooled.high),)
