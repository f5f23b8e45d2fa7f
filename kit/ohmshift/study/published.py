"""What others published: their study folders, curve files, tables and pictures, in published/."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from ohmshift.curves.values import FloatArray, Provenance, Response, read_only
from ohmshift.errors import OhmshiftError, StudyError
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.contribution import FORM, Contribution, is_blank, read_contribution
from ohmshift.study.folder import Study, open_study
from ohmshift.study.manifest import read_table
from ohmshift.study.pictures import ENDINGS
from ohmshift.study.places import lies_inside
from ohmshift.study.problems import Problem, mend_listed
from ohmshift.study.published_rows import LIST, TRACING, PublishedRow, Tracing
from ohmshift.study.textfiles import read_response
from ohmshift.study.tracings import read_tracing, replay_tracing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping
    from pathlib import Path

    from ohmshift.study.comparing import ComparisonOptions

FOLDER = "published"
"""The folder of a study that holds what others published."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Contributor:
    """A party with a study of its own.

    Parameters
    ----------
    party : str
        Who it is.
    study : Study
        Its study.
    comparison : StudyComparison
        Its changes and its own noise floor.
    contribution : Contribution
        Its form.
    """

    party: str
    study: Study
    comparison: StudyComparison
    contribution: Contribution


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PublishedChange:
    """A change read off a curve file, a table or a picture.

    Parameters
    ----------
    party : str
        Who published it.
    earphone : str
        The model, as they spell it.
    added_ohm, source_ohm : float
        Resistance they added, and their amplifier and cable together [ohm].
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (n,)
        Change [dB], level in it.
    reading_db : ndarray, shape (n,)
        Standard uncertainty of its numbers [dB].
    seats : int
        Seats that each curve is the mean of.
    kind : str
        "curves" or "picture".
    provenance : tuple of Provenance
        Files behind it.
    caveats : tuple of str
        What to keep in mind.
    """

    party: str
    earphone: str
    added_ohm: float
    source_ohm: float
    frequency_hz: FloatArray
    change_db: FloatArray
    reading_db: FloatArray
    seats: int
    kind: str
    provenance: tuple[Provenance, ...]
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "change_db", "reading_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Published:
    """Everything in published/.

    Parameters
    ----------
    contributors : mapping of str to Contributor
        Parties with a study, by name.
    changes : tuple of PublishedChange
        Changes read off files and pictures.
    problems : tuple of Problem
        What was left out, and what is used but flagged; files are relative to the study.
    """

    contributors: Mapping[str, Contributor]
    changes: tuple[PublishedChange, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Piece:
    """One published curve before it is paired."""

    party: str
    earphone: str
    added_ohm: float
    source_ohm: float
    shows: str
    seats: int
    kind: str
    response: Response
    reading_db: FloatArray
    caveats: tuple[str, ...]
    file: str
    row: int | None


def open_published(
    study: Study,
    *,
    options: ComparisonOptions | None = None,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> Published:
    """Open what others published about the models of a study.

    Parameters
    ----------
    study : Study
        One's own study, with its folder published/.
    options : ComparisonOptions, optional
        How changes are measured, for theirs as for one's own.
    progress : callable
        Wraps the parties while their studies are compared, as a progress bar does.

    Returns
    -------
    Published
        All of it that can be read; `problems` lists the rest.
    """
    root = study.folder / FOLDER
    contributors: dict[str, Contributor] = {}
    problems: list[Problem] = []
    folders = sorted(path.parent for path in root.glob("*/study.toml")) if root.is_dir() else []
    for folder in progress(folders):
        found, wrong = _open_contributor(folder, options)
        problems += wrong
        if found is not None and found.party in contributors:
            rule, mend = "a party has one study here", "merge the two folders, or write another party"
            problems.append(
                _problem(f"{FOLDER}/{folder.name}/{FORM}", None, "party", found.party, rule=rule, mend=mend)
            )
        elif found is not None:
            contributors[found.party] = found
    pieces, wrong = _read_pieces(study.folder)
    changes, unpaired = _pair(pieces)
    return Published(
        contributors=MappingProxyType(contributors),
        changes=tuple(changes),
        problems=(*problems, *wrong, *unpaired),
    )


def check_published(study: Study, *, progress: Callable[[Iterable[Any]], Iterable[Any]] = iter) -> tuple[Problem, ...]:
    """List what is wrong with a study's own contribution form, and with what others published.

    Parameters
    ----------
    study : Study
        The study.
    progress : callable
        Wraps the parties while their studies are read, as a progress bar does.

    Returns
    -------
    tuple of Problem
        Nothing of the form where it was left blank, as one may who contributes to nobody.
    """
    form = read_contribution(study.folder)
    own = () if is_blank(form) else form.problems
    return (*own, *open_published(study, progress=progress).problems)


def _open_contributor(folder: Path, options: ComparisonOptions | None) -> tuple[Contributor | None, list[Problem]]:
    """Open a party's study; what is wrong with it is named by its place in one's own."""
    place = f"{FOLDER}/{folder.name}"
    contribution = read_contribution(folder)
    problems = [replace(problem, file=f"{place}/{problem.file}") for problem in contribution.problems]
    try:
        study = open_study(folder)
        problems += [replace(problem, file=f"{place}/{problem.file}") for problem in study.problems]
        comparison = compare_study(study, options=options)
    except OhmshiftError as error:
        where = place if error.where == folder.name else f"{place}/{error.where}"
        problems.append(_problem(where, None, "", error.found, rule=error.rule, mend=error.mend))
        return None, problems
    problems += [replace(problem, file=f"{place}/{problem.file}") for problem in comparison.problems]
    party = contribution.party
    return Contributor(party=party, study=study, comparison=comparison, contribution=contribution), problems


def _read_pieces(folder: Path) -> tuple[list[_Piece], list[Problem]]:
    pieces: list[_Piece] = []
    problems: list[Problem] = []
    if (folder / LIST).exists():
        listed = read_table(folder, LIST, PublishedRow)
        problems += listed.problems
        for line, row in listed.rows:
            try:
                pieces.append(_read_row(folder, line, row))
            except OhmshiftError as error:
                rule, mend = f"{error.rule} ({error.found})", mend_listed(error.mend)
                problems.append(_problem(LIST, line, "file", row.file, rule=rule, mend=mend))
    root = folder / FOLDER
    for path in sorted(root.glob(f"*{TRACING}")) if root.is_dir() else []:
        try:
            tracing = read_tracing(path)
            pieces.append(_replay(root, path.name, tracing))
        except OhmshiftError as error:
            problems.append(_problem(f"{FOLDER}/{path.name}", None, "", error.found, rule=error.rule, mend=error.mend))
    return pieces, problems


def _read_row(folder: Path, line: int, row: PublishedRow) -> _Piece:
    path = folder / FOLDER / row.file
    if not lies_inside(folder / FOLDER, path):
        raise StudyError(
            row.file, "a file lies in published/", "it is a link to elsewhere", "put the file itself there"
        )
    if path.suffix.lower() in ENDINGS:
        mend = "trace it in 80_published_findings, which saves the tracing, and take this row out"
        raise StudyError(row.file, "a curve or a table is a text file", "it is a picture", mend)
    source = f"{FOLDER}/{row.file}"
    response = read_response(path, label=f"{row.party}, {row.earphone}", level_reference="relative", source=source)
    return _Piece(
        party=row.party,
        earphone=row.earphone,
        added_ohm=row.added_ohm,
        source_ohm=row.source_ohm,
        shows=row.shows,
        seats=row.seats,
        kind="curves",
        response=response,
        reading_db=np.full(response.frequency_hz.size, row.error_db),
        caveats=(),
        file=LIST,
        row=line,
    )


def _replay(root: Path, name: str, tracing: Tracing) -> _Piece:
    traced = replay_tracing(root, tracing)
    return _Piece(
        party=tracing.party,
        earphone=tracing.earphone,
        added_ohm=tracing.added_ohm,
        source_ohm=tracing.source_ohm,
        shows=tracing.shows,
        seats=tracing.seats,
        kind="picture",
        response=traced.response,
        reading_db=traced.reading_db,
        caveats=traced.caveats,
        file=f"{FOLDER}/{name}",
        row=None,
    )


def _pair(pieces: list[_Piece]) -> tuple[list[PublishedChange], list[Problem]]:
    """Make changes of the pieces: as they are, or with minus without."""
    changes, problems = [], []
    waiting: dict[tuple[str, str, float], dict[str, _Piece]] = {}
    for piece in pieces:
        if piece.shows == "change":
            changes.append(_as_change(piece, piece.response.frequency_hz, piece.response.level_db, piece.reading_db))
            continue
        sides = waiting.setdefault((piece.party, piece.earphone, piece.added_ohm), {})
        if piece.shows in sides:
            rule = f"{piece.party} has one curve {piece.shows} {piece.added_ohm:g} ohm of {piece.earphone}"
            problems.append(_problem(piece.file, piece.row, "shows", piece.shows, rule=rule, mend="remove one of them"))
        else:
            sides[piece.shows] = piece
    for sides in waiting.values():
        if len(sides) == 1:
            (piece,) = sides.values()
            rule, mend = "a curve without needs one with, and the other way round", "add the other, or write change"
            problems.append(_problem(piece.file, piece.row, "shows", piece.shows, rule=rule, mend=mend))
            continue
        first, second = sides["without"], sides["with"]
        f = first.response.frequency_hz
        g = second.response.frequency_hz
        f = f[(f >= g[0]) & (f <= g[-1])]
        if f.size < 2:  # noqa: PLR2004 - two points make the shortest curve
            rule, mend = "the curves without and with share a band", "check that both are whole"
            found = f"with goes from {g[0]:g} to {g[-1]:g} Hz"
            problems.append(_problem(second.file, second.row, "shows", found, rule=rule, mend=mend))
            continue
        level = [np.interp(np.log(f), np.log(p.response.frequency_hz), p.response.level_db) for p in (first, second)]
        error = [np.interp(np.log(f), np.log(p.response.frequency_hz), p.reading_db) for p in (first, second)]
        made = _as_change(second, f, level[1] - level[0], np.hypot(*error))
        both = (first.response.provenance, second.response.provenance)
        changes.append(replace(made, provenance=both, caveats=tuple(dict.fromkeys((*first.caveats, *second.caveats)))))
    return changes, problems


def _as_change(piece: _Piece, f: FloatArray, change_db: FloatArray, reading_db: FloatArray) -> PublishedChange:
    return PublishedChange(
        party=piece.party,
        earphone=piece.earphone,
        added_ohm=piece.added_ohm,
        source_ohm=piece.source_ohm,
        frequency_hz=f,
        change_db=change_db,
        reading_db=reading_db,
        seats=piece.seats,
        kind=piece.kind,
        provenance=(piece.response.provenance,),
        caveats=piece.caveats,
    )


def _problem(file: str, row: int | None, column: str, value: str, *, rule: str, mend: str) -> Problem:
    return Problem(file=file, row=row, column=column, value=value, rule=rule, mend=mend, effect="left out")
