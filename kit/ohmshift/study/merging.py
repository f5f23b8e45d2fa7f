"""Several parties' studies of the same models put side by side: what agrees, what contradicts, what counts twice."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ohmshift.curves.values import FloatArray, Response
from ohmshift.errors import StudyError
from ohmshift.study.contribution import OWN
from ohmshift.study.problems import Problem
from ohmshift.study.spellings import match_names, nearly_the_same

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.published import Contributor

FACTS = ("driver_class", "driver_count", "rated_ohm", "sensitivity_db", "sensitivity_reference")
"""What several parties may say of one model."""

SAME_DB = 0.05
"""Two curves that nowhere differ by more are one measurement twice [dB]: seats repeat ten times worse."""

_CHECKED_HZ = 1000 * 2.0 ** np.linspace(-3, 3, 37)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Party:
    """One party's study among those put together.

    Parameters
    ----------
    name : str
        The party.
    study : Study
        Its study.
    comparison : StudyComparison
        Its changes and its own noise floor.
    """

    name: str
    study: Study
    comparison: StudyComparison


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class MergedStudies:
    """Several parties' studies.

    Parameters
    ----------
    parties : tuple of Party
        One's own first.
    models : mapping of str to mapping of str to str
        For each model, as the first party spells it, its spelling by each party that measured it.
    left_out : frozenset of (str, str)
        Party and model that do not count, because they hold a curve of another party's.
    facts : DataFrame
        One row a model: what the parties say of it where they do not contradict each other, blank where they do.
    problems : tuple of Problem
        Spellings, contradictions, and what counts twice.
    """

    parties: tuple[Party, ...]
    models: Mapping[str, Mapping[str, str]]
    left_out: frozenset[tuple[str, str]]
    facts: pd.DataFrame
    problems: tuple[Problem, ...]

    def counting(self, model: str) -> tuple[Party, ...]:
        """Give the parties whose measurements of a model count.

        Parameters
        ----------
        model : str
            As the first party spells it.

        Returns
        -------
        tuple of Party
            In their order.

        Raises
        ------
        StudyError
            Nobody measured it.
        """
        if model not in self.models:
            there = ", ".join(self.models)
            raise StudyError(model, "a model was measured by a party", "nobody has", f"choose from {there}")
        spelled = self.models[model]
        return tuple(p for p in self.parties if p.name in spelled and (p.name, model) not in self.left_out)


def merge_studies(
    study: Study,
    comparison: StudyComparison,
    contributors: Sequence[Contributor],
    *,
    spellings: Mapping[str, str] | None = None,
) -> MergedStudies:
    """Put contributed studies beside one's own.

    Parameters
    ----------
    study : Study
        One's own.
    comparison : StudyComparison
        Its changes.
    contributors : sequence of Contributor
        The others.
    spellings : mapping of str to str, optional
        Own name by theirs, where a person has said that both are one model.

    Returns
    -------
    MergedStudies
        Nothing of any study is changed: each keeps its own noise floor and its own names.

    Notes
    -----
    Names that differ in capitals, blanks and marks alone are one model, and listed; names that are nearly the same are
    listed and kept apart. Where facts contradict each other both are listed and neither is taken. A curve that two
    parties both have is one measurement: the later party's model is left out.
    """
    parties = [Party(name=OWN, study=study, comparison=comparison)]
    parties += [Party(name=c.party, study=c.study, comparison=c.comparison) for c in contributors]
    problems = [_not_permitted(c) for c in contributors if not c.contribution.permitted]
    models: dict[str, dict[str, str]] = {}
    for party in parties:
        names = dict.fromkeys(name for name, _ in party.comparison.changes)
        found = match_names(names, models, spellings=spellings) if models else {}  # one's own names are what they are
        for name in names:
            model = found.get(name, name)
            if party.name in models.get(model, {}):
                problems.append(_second(party, name, model, models[model][party.name]))
                continue
            if model != name:
                problems.append(_spelling(party, name, model, said=name in (spellings or {})))
            elif model not in models and (close := nearly_the_same(name, models)) is not None:
                problems.append(_perhaps(party, name, close))
            models.setdefault(model, {})[party.name] = name
    twice = _find_copies(parties, models)
    facts, contradictions = _gather_facts(parties, models)
    return MergedStudies(
        parties=tuple(parties),
        models=MappingProxyType({model: MappingProxyType(names) for model, names in models.items()}),
        left_out=frozenset((party, model) for party, model, _ in twice),
        facts=facts,
        problems=(*problems, *(problem for *_, problem in twice), *_find_namesakes(parties, models), *contradictions),
    )


def _gather_facts(
    parties: Sequence[Party], models: Mapping[str, Mapping[str, str]]
) -> tuple[pd.DataFrame, list[Problem]]:
    """Give what nobody contradicts, and list what somebody does."""
    rows, problems = [], []
    for model, spelled in models.items():
        row: dict[str, Any] = {"earphone": model}
        for fact in FACTS:
            said = {}
            for party in parties:
                table = party.study.earphones
                for value in table.loc[table["earphone"] == spelled.get(party.name), fact]:
                    if not (pd.isna(value) or value in ("", "not stated")):
                        said[party.name] = value
            values = list(said.values())
            row[fact] = values[0] if values and all(value == values[0] for value in values) else None
            if len(set(map(str, values))) > 1:
                text = "; ".join(f"{value} ({name})" for name, value in said.items())
                rule, mend = f"what parties say of {model} must agree", "ask them, and mend the one that is wrong"
                problems.append(_problem("earphones.csv", fact, text, rule, mend, earphone=model))
        rows.append(row)
    return pd.DataFrame(rows, columns=["earphone", *FACTS]), problems


def _find_copies(parties: Sequence[Party], models: Mapping[str, Mapping[str, str]]) -> list[tuple[str, str, Problem]]:
    """Find curves that two parties both have, whatever the file looks like."""
    copies = []
    for model, spelled in models.items():
        before: list[tuple[str, str, str, FloatArray]] = []
        for party in (p for p in parties if p.name in spelled):
            own = _signatures(party, spelled[party.name])
            hit = next(((mine, theirs) for mine in own for theirs in before if _is_copy(mine, theirs)), None)
            before += own
            if hit is not None:
                (_, file, _, _), (other, other_file, _, _) = hit
                rule = f"a measurement counts once, and {other} has it as {other_file}"
                file = f"{_place(party.study)}{file}"
                mend = f"{party.name} does not count for {model} until one of them is taken out"
                copies.append(
                    (party.name, model, _problem(file, "file", file, rule, mend, left_out=True, earphone=model))
                )
    return copies


def _find_namesakes(parties: Sequence[Party], models: Mapping[str, Mapping[str, str]]) -> list[Problem]:
    """Flag models that hold another party's file of a model by another name: one of them may be misspelt."""
    first: dict[str, tuple[str, str, str]] = {}
    problems: dict[tuple[str, str], Problem] = {}
    for party in parties:
        for model, spelled in ((model, names[party.name]) for model, names in models.items() if party.name in names):
            for name, file, sha256, _ in _signatures(party, spelled):
                other, other_model, other_file = first.setdefault(sha256, (name, model, file))
                if other != name and other_model != model:
                    rule = f"a measurement counts once, and {other} has it as {other_file}, of {other_model}"
                    mend = "write the model alike, if both are one; else one of the files is not what it is said to be"
                    place = f"{_place(party.study)}{file}"
                    problems.setdefault((name, model), _problem(place, "file", "", rule, mend, earphone=model))
    return list(problems.values())


def _is_copy(one: tuple[str, str, str, FloatArray], other: tuple[str, str, str, FloatArray]) -> bool:
    if one[2] == other[2]:
        return True
    return bool(np.all(np.abs(one[3] - other[3]) < SAME_DB))


def _signatures(party: Party, name: str) -> list[tuple[str, str, str, FloatArray]]:
    """Give party, file, hash and level-free values of each response of a model."""
    table = party.study.measurements
    rows = table[(table["earphone"] == name) & (table["quantity"] == "response")]
    found = []
    for file in rows["file"]:
        curve = party.study.curves[file]
        if isinstance(curve, Response):
            level = np.interp(np.log(_CHECKED_HZ), np.log(curve.frequency_hz), curve.level_db)
            found.append((party.name, file, curve.provenance.sha256, np.asarray(level - level.mean())))
    return found


def _not_permitted(contributor: Contributor) -> Problem:
    rule, mend = "merged data may be published by permission alone", "ask them to write yes into contribution.csv"
    answer = dict(contributor.contribution.answers).get("permission", "")
    place = f"{_place(contributor.study)}contribution.csv"
    return _problem(place, "permission", answer or "blank", f"{contributor.party}: {rule}", mend)


def _spelling(party: Party, name: str, model: str, *, said: bool) -> Problem:
    rule = f"{party.name} writes {name!r} for {model!r}" + (", as was said" if said else ", which counts as the same")
    mend = "write it alike, if it is; rename it, if it is another model"
    return _problem(f"{_place(party.study)}earphones.csv", "earphone", "", rule, mend, earphone=model)


def _second(party: Party, name: str, model: str, first: str) -> Problem:
    rule = f"{party.name} has {first!r} for {model!r} already, and {name!r} does not count"
    mend = "say of one of the two alone that it is this model"
    place = f"{_place(party.study)}earphones.csv"
    return _problem(place, "earphone", "", rule, mend, left_out=True, earphone=name)


def _perhaps(party: Party, name: str, close: str) -> Problem:
    rule = f"{party.name} writes {name!r}, another party {close!r}, and they count as two models"
    mend = "write it alike, if they are one"
    return _problem(f"{_place(party.study)}earphones.csv", "earphone", "", rule, mend, earphone=name)


def _place(study: Study) -> str:
    """Name the folder of a contributed study, as one's own study holds it; nothing for one's own."""
    folder = study.folder
    return f"{folder.parent.name}/{folder.name}/" if folder.parent.name == "published" else ""


def _problem(
    file: str, column: str, value: str, rule: str, mend: str, *, left_out: bool = False, earphone: str = ""
) -> Problem:
    return Problem(
        file=file,
        row=None,
        column=column,
        value=value,
        rule=rule,
        mend=mend,
        effect="left out" if left_out else "flagged",
        earphone=earphone,
    )
