"""A study of any size, surveyed in bounded memory: every change measured and judged, the results in one Parquet file.

`compare_study` holds every curve, which suits a study that is looked at. Here each earphone is read, lined up and
compared by itself, on any executor; what goes from step to step lies in a folder of its own while the work lasts. The
numbers are those of `compare_study`, to the last bit.
"""

from __future__ import annotations

import json
import os
import pickle
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import pyarrow as pa
import pyarrow.parquet as pq

from ohmshift import __version__
from ohmshift.errors import StudyError
from ohmshift.evidence.metrics import METRICS, UNITS, measure_metrics
from ohmshift.evidence.verdicts import judge_change
from ohmshift.study.comparing import ComparisonOptions, compare_earphone, find_first_shifts, pool_study, settle_warp
from ohmshift.study.folder import UNSTATED, assemble_study
from ohmshift.study.listing import ListedStudy, list_study
from ohmshift.study.loading import find_clashes, load_row
from ohmshift.study.manifest import Table
from ohmshift.study.problems import Problem
from ohmshift.study.rows import EarphoneRow
from ohmshift.study.running import run_items
from ohmshift.study.screening import Repeat, find_duplicates, find_outliers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from concurrent.futures import Executor

    from ohmshift.curves.alignment import ResonanceAlignment
    from ohmshift.curves.values import FloatArray
    from ohmshift.curves.warping import Warp
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.evidence.repeats import EarphoneRepeats
    from ohmshift.study.rows import MeasurementRow

Entry: TypeAlias = "tuple[int, EarphoneRow, tuple[tuple[int, MeasurementRow, Problem | None], ...]]"

_REGIONS = ("below_100_hz", "100_hz_to_5_khz", "above_5_khz")
_FLOOR = "floor.pickle"
_ROW_GROUP = 500


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Survey:
    """What a survey wrote and found.

    Parameters
    ----------
    path : Path
        The Parquet file: one row a change.
    n_changes : int
        Its rows.
    n_earphones : int
        Earphones they are of.
    warp : str
        How seats were lined up.
    floor : NoiseFloor
        Measurement variation of the study.
    problems : tuple of Problem
        What was left out, and what is used but flagged.
    """

    path: Path
    n_changes: int
    n_earphones: int
    warp: str
    floor: NoiseFloor
    problems: tuple[Problem, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Read:
    """What the first step tells of an earphone."""

    first: tuple[ResonanceAlignment, Mapping[Warp, FloatArray]] | None
    problems: tuple[Problem, ...]
    files: tuple[tuple[str, str, str], ...]
    repeats: tuple[Repeat, ...]


def survey_study(
    folder: Path | str,
    out: Path | str,
    *,
    options: ComparisonOptions | None = None,
    executor: Executor | None = None,
    batch: int = 25,
    progress: Callable[[Iterable[Any]], Iterable[Any]] = iter,
) -> Survey:
    """Measure and judge every change of a study, and write them as a Parquet file.

    Parameters
    ----------
    folder : Path or str
        The study.
    out : Path or str
        File to write; written over only when the survey is whole.
    options : ComparisonOptions, optional
        By default the standard ones.
    executor : Executor, optional
        Spreads the earphones; on other machines it needs the study and the folder of `out` at the same paths.
    batch : int
        Earphones handed out at once.
    progress : callable
        Wraps the earphones, once for each of the three steps.

    Returns
    -------
    Survey
        Where the results are, and what was found on the way.

    Raises
    ------
    FileMissingError
        There is no such study.
    StudyError
        No earphone was measured both without and with an added resistance, or there is no folder to write to.
    """
    target = Path(out)
    if not target.parent.is_dir():
        rule, mend = "the folder to write to must be there", "make it, or name another"
        raise StudyError(str(target), rule, "there is none", mend)
    options = ComparisonOptions() if options is None else options
    listed = list_study(folder)
    entries = _entries(listed)
    with tempfile.TemporaryDirectory(prefix=".survey-", dir=target.parent) as name:
        work = Path(name)
        run = partial(run_items, executor=executor, batch=batch)
        none: Table[MeasurementRow] = Table(name=listed.measurements.name, rows=(), problems=())
        plain = replace(listed, folder=listed.folder.resolve(), earphones={}, measurements=none, meter=(), problems=())
        read = list(run(partial(_read_earphone, listed=plain, work=work), progress(entries)))
        warp = settle_warp(options, (one.first for one in read if one.first is not None))
        there = [entry for entry, one in zip(entries, read, strict=True) if one.first is not None]
        compare = partial(_compare, options=options, warp=warp, work=work)
        compared = list(run(compare, progress([index for index, *_ in there])))
        floor = pool_study(options, [repeats for repeats, _ in compared])
        (work / _FLOOR).write_bytes(pickle.dumps(floor))
        judge = partial(_judge, options=options, margin_db=listed.settings.margin_db, work=work)
        rows = run(judge, progress([(index, row) for index, row, _ in there]))
        n_changes, n_earphones = _write(rows, work / "out", options=options, warp=warp)
        if not n_changes:
            raise StudyError(
                listed.folder.name,
                "a survey needs an earphone measured without and with an added resistance",
                f"{len(there)} earphones were read, none of them so",
                "add rows to measurements.csv, or see the study's problems",
            )
        os.replace(work / "out", target)  # noqa: PTH105 - over an older file too, on every system
    found = (*(problem for one in read for problem in one.problems), *_screen(read))
    problems = (*listed.problems, *found, *(problem for _, some in compared for problem in some))
    return Survey(path=target, n_changes=n_changes, n_earphones=n_earphones, warp=warp, floor=floor, problems=problems)


def _entries(listed: ListedStudy) -> list[Entry]:
    """Group the rows of the manifest by earphone, those of earphones.csv first, in the order of an open study."""
    clashes = find_clashes(listed.measurements.rows, listed.settings)
    rows: dict[str, list[tuple[int, MeasurementRow, Problem | None]]] = {name: [] for name in listed.earphones}
    for line, row in listed.measurements.rows:
        rows.setdefault(row.earphone, []).append((line, row, clashes.get(line)))
    unlisted = {name: EarphoneRow(earphone=name, driver_class=UNSTATED) for name in rows}
    known = {**unlisted, **listed.earphones}
    return [(i, known[name], tuple(some)) for i, (name, some) in enumerate(rows.items())]


def _read_earphone(entry: Entry, *, listed: ListedStudy, work: Path) -> _Read:
    """Read the responses of one earphone, find their shifts, and put both aside."""
    index, row, rows = entry
    load = partial(load_row, root=listed.folder, settings=listed.settings)
    results = [load(item) for item in rows if item[1].quantity == "response"]
    loaded = [result for result in results if not isinstance(result, Problem)]
    problems = tuple(result for result in results if isinstance(result, Problem))
    files = tuple((item.row.file, item.row.earphone, item.curve.provenance.sha256) for item in loaded)
    repeats = tuple(repeat for item in loaded if (repeat := item.repeat) is not None)
    study = assemble_study(listed, loaded, ())
    sets = [study.responses(row.earphone, added_ohm=ohm) for ohm in study.resistances(row.earphone)] if loaded else []
    if not sets:
        return _Read(first=None, problems=problems, files=files, repeats=repeats)
    first = find_first_shifts(sets)
    _place(work, index).write_bytes(pickle.dumps((sets, first[0])))
    return _Read(first=first, problems=problems, files=files, repeats=repeats)


def _compare(
    index: int, *, options: ComparisonOptions, warp: Any, work: Path
) -> tuple[EarphoneRepeats, tuple[Problem, ...]]:
    """Line an earphone up and measure its changes; put the changes aside in place of its responses."""
    compared = compare_earphone(_fetch(_place(work, index)), options=options, warp=warp)
    _place(work, index).write_bytes(pickle.dumps(compared.changes))
    return compared.repeats, compared.problems


def _judge(
    item: tuple[int, EarphoneRow], *, options: ComparisonOptions, margin_db: float, work: Path
) -> list[dict[str, Any]]:
    """Judge the changes of an earphone: a row each."""
    index, row = item
    floor = _floor(work / _FLOOR)
    rows = []
    for change in _fetch(_place(work, index)):
        verdict = judge_change(change, floor, margin_db=margin_db, alpha=options.alpha)
        estimates = measure_metrics(change, floor, verdict).estimates
        found: dict[str, Any] = {
            "earphone": row.earphone,
            "driver_class": row.driver_class,
            "driver_count": row.driver_count,
            "added_ohm": change.added_ohm,
            "seats_without": change.seats[0],
            "seats_with": change.seats[1],
            "verdict": verdict.word,
            **{name: region.word for name, region in zip(_REGIONS, verdict.regions, strict=True)},
            "margin_db": margin_db,
            "bound_db": verdict.bound_db,
            "caveats": "; ".join(verdict.caveats),
        }
        for name in METRICS:
            estimate, stem, unit = estimates[name], *_column(name)
            found |= {
                f"{stem}_{unit}": estimate.value,
                f"{stem}_u_{unit}": estimate.uncertainty,
                f"{stem}_low_{unit}": estimate.low,
                f"{stem}_high_{unit}": estimate.high,
            }
        rows.append(found)
    return rows


def _column(metric: Any) -> tuple[str, str]:
    return metric.replace(" ", "_"), UNITS[metric].lower().replace("/", "_per_")


def _schema(options: ComparisonOptions, warp: str) -> pa.Schema:
    texts = ("earphone", "driver_class", "verdict", *_REGIONS, "caveats")
    numbers = ("added_ohm", "margin_db", "bound_db")
    counts = ("driver_count", "seats_without", "seats_with")
    metrics = [f"{stem}{part}_{unit}" for stem, unit in map(_column, METRICS) for part in ("", "_u", "_low", "_high")]
    settings = {
        "kit": __version__,
        "warp": warp,
        "level_low_hz": options.level_low_hz,
        "level_high_hz": options.level_high_hz,
        "alpha": options.alpha,
    }
    fields = [
        *((name, pa.string()) for name in texts),
        *((name, pa.float64()) for name in (*numbers, *metrics)),
        *((name, pa.int64()) for name in counts),
    ]
    return pa.schema(fields, metadata={"ohmshift": json.dumps(settings, sort_keys=True)})


def _write(
    results: Iterable[list[dict[str, Any]]], path: Path, *, options: ComparisonOptions, warp: str
) -> tuple[int, int]:
    """Write rows as they come; give how many, and of how many earphones."""
    schema = _schema(options, warp)
    waiting: list[dict[str, Any]] = []
    n_changes = n_earphones = 0
    with pq.ParquetWriter(path, schema, compression="zstd") as writer:
        for rows in results:
            waiting += rows
            n_changes, n_earphones = n_changes + len(rows), n_earphones + bool(rows)
            while len(waiting) >= _ROW_GROUP:
                writer.write_table(pa.Table.from_pylist(waiting[:_ROW_GROUP], schema=schema))
                waiting = waiting[_ROW_GROUP:]
        writer.write_table(pa.Table.from_pylist(waiting, schema=schema))
    return n_changes, n_earphones


def _screen(read: Sequence[_Read]) -> list[Problem]:
    """Flag copies and outliers over the whole study."""
    flagged = find_duplicates(file for one in read for file in one.files)
    return flagged + find_outliers([repeat for one in read for repeat in one.repeats])


def _place(work: Path, index: int) -> Path:
    return work / f"{index}.pickle"


def _fetch(path: Path) -> Any:
    """Take what an earlier step put aside in the survey's own folder, which only its user can write to."""
    return pickle.loads(path.read_bytes())  # noqa: S301 - our own, written a moment ago


@lru_cache(maxsize=1)
def _floor(path: Path) -> NoiseFloor:
    floor: NoiseFloor = _fetch(path)
    return floor
