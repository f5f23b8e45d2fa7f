"""Changes as a recovery takes them: conditions lined up each in itself, then one move undone between them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from ohmshift.chain.reseating import SettledChange, settle_change
from ohmshift.curves.grids import octave_grid, resample
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, ResponseSet, read_only
from ohmshift.curves.warping import FULL_ABOVE_HZ
from ohmshift.errors import StudyError
from ohmshift.evidence.uncertainty import settle_uncertainty
from ohmshift.study.seatings import line_up_conditions, seat_levels, stray_basis

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.alignment import ResonanceAlignment
    from ohmshift.curves.warping import Warp
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.seatings import Seatings, Strays

_TAIL = 0.975


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EarphoneChanges:
    """All changes of one earphone, with the level in them, and what is known of their noise.

    Parameters
    ----------
    label : str
        The earphone.
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    change_db : ndarray, shape (m, n)
        Changes [dB], one row a resistance, level included; mean of the channels.
    added_ohm : tuple of float, length m
        Resistance by which the source grew [ohm].
    source_ohm : float
        Amplifier and cable without added resistance [ohm].
    noise_db : ndarray, shape (m, k, n), or None
        Curves of noise [dB] whose second moments are the changes' covariance; None where nothing was repeated.
    level_known : bool
        Whether the changes hold their true level.
    certain : bool
        Whether the ear-canal resonance was lined up with certainty, or was not moved at all.
    shift_octaves : tuple of float, length m
        The move of the resonance that was undone between the conditions, mean of the channels [octave].
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    frequency_hz: FloatArray
    change_db: FloatArray
    added_ohm: tuple[float, ...]
    source_ohm: float
    noise_db: FloatArray | None
    level_known: bool
    certain: bool
    shift_octaves: tuple[float, ...]
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "change_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        if self.noise_db is not None:
            object.__setattr__(self, "noise_db", read_only(self.noise_db))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Taken:
    """One change, channel by channel, and the parts of its variance over that of one measurement."""

    channels: tuple[SettledChange, ...]
    from_without: float
    from_added: float

    @property
    def change_db(self) -> FloatArray:
        return np.asarray(np.mean([one.change_db for one in self.channels], axis=0))

    @property
    def shift_octaves(self) -> float:
        return float(np.mean([one.shift_octaves for one in self.channels]))


@lru_cache(maxsize=32)
def gather_changes(study: Study, comparison: StudyComparison, earphone: str) -> EarphoneChanges:
    """Gather an earphone's changes for the recovery of its impedance.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes and noise floor.
    earphone : str
        The earphone.

    Returns
    -------
    EarphoneChanges
        One change a resistance: those whose level was kept, or all where none was.

    Raises
    ------
    StudyError
        The earphone was not compared at any resistance.

    Notes
    -----
    A verdict needs all seats of an earphone in line, with and without the resistance. A recovery does not: lining both
    conditions up by their resonances takes part of the change, where it has a slope there, for a move. Here the seats
    are lined up within each condition; then one shift between the means of both is undone, channel by channel, if that
    makes the difference clearly smoother (`settle_change`), and what is left of it joins the noise. Conditions measured
    without reseating are subtracted as they are, seat by seat.

    The noise is that of the study's seats about their means, level included. The tone's is brought to this earphone's
    own repeatability band by band, as for the verdicts, and widened as Student's t asks with so many degrees of
    freedom. The response without a resistance is shared by all changes, and so is its noise.
    """
    changes = [comparison.change(earphone, ohm) for ohm in comparison.resistances(earphone)]
    if not changes:
        mend = "measure it without and with a resistance"
        raise StudyError(earphone, "a recovery needs a measured change", "there is none", mend)
    kept = [change for change in changes if np.isfinite(change.level_drop_db)]
    changes = kept or changes
    seatings = line_up_conditions(study, comparison)
    f, taken = _take_changes(study, comparison, changes)
    noise, doubts = _gather_noise(f, changes, taken, study, comparison)
    source = {ohm: comparison.aligned[earphone, ohm].source_ohm for ohm in (0.0, *(one.added_ohm for one in changes))}
    return EarphoneChanges(
        label=earphone,
        frequency_hz=f,
        change_db=np.array([one.change_db for one in taken]),
        added_ohm=tuple(one.added_ohm + source[one.added_ohm] - source[0.0] for one in changes),
        source_ohm=source[0.0],
        noise_db=noise,
        level_known=bool(kept),
        certain=_is_certain(changes, seatings, comparison, earphone),
        shift_octaves=tuple(one.shift_octaves for one in taken),
        caveats=doubts,
    )


def _take_changes(
    study: Study, comparison: StudyComparison, changes: Sequence[Change]
) -> tuple[FloatArray, list[_Taken]]:
    """Take changes of one earphone on one grid."""
    seatings = line_up_conditions(study, comparison)

    def condition(added_ohm: float, change: Change) -> ResponseSet:
        key = change.label, added_ohm
        return seatings.aligned[key] if change.reseated else study.responses(change.label, added_ohm=added_ohm)

    sets = _share_grid([condition(ohm, one) for one in changes for ohm in (0.0, one.added_ohm)])
    threes = zip(changes, sets[::2], sets[1::2], strict=True)
    return sets[0].frequency_hz, [_take_change(*three, comparison) for three in threes]


@lru_cache(maxsize=2)
def _strays_of_sides(study: Study, comparison: StudyComparison) -> Strays:
    """Give how left and right disagree, as residuals of one measurement: what there is where nothing was repeated."""
    rows: dict[bytes, list[FloatArray]] = {}
    for change in comparison.changes.values():
        if len(change.channels) == 2:  # noqa: PLR2004 - left and right
            f, (taken,) = _take_changes(study, comparison, [change])
            left, right = (one.change_db for one in taken.channels)
            rows.setdefault(f.tobytes(), []).append(
                (left - right) / (2 * np.sqrt(taken.from_without + taken.from_added))
            )
    return tuple((np.frombuffer(grid), np.array(found)) for grid, found in rows.items())


def _is_certain(changes: Sequence[Change], seatings: Seatings, comparison: StudyComparison, earphone: str) -> bool:
    moved = [change.added_ohm for change in changes if change.reseated]
    if not moved:
        return True
    if comparison.warp == "none" or not comparison.alignment[earphone].certain:
        return False
    return all(seatings.certain[earphone, ohm] for ohm in (0.0, *moved))


def _share_grid(sets: Sequence[ResponseSet]) -> list[ResponseSet]:
    first = sets[0].frequency_hz
    if all(np.array_equal(first, curves.frequency_hz) for curves in sets):
        return list(sets)
    low = max(float(curves.frequency_hz[0]) for curves in sets)
    high = min(float(curves.frequency_hz[-1]) for curves in sets)
    grid = octave_grid(low_hz=low, high_hz=high)
    return [resample(curves, grid) for curves in sets]


def _take_change(change: Change, without: ResponseSet, with_added: ResponseSet, comparison: StudyComparison) -> _Taken:
    """Take the change of each channel, seat by seat or between means with the resonance's move undone."""
    f, found = without.frequency_hz, []
    one_in: list[tuple[float, float]] = []
    for channel in change.channels:
        first, second = seat_levels(without, channel), seat_levels(with_added, channel)
        if not change.reseated:
            shared = [seat for seat in second if seat in first]
            first, second = ({seat: seats[seat] for seat in shared} for seats in (first, second))
        means = np.mean(list(first.values()), axis=0), np.mean(list(second.values()), axis=0)
        one_in.append((1 / len(first), 1 / len(second)))
        if change.reseated and comparison.warp != "none" and f[-1] >= FULL_ABOVE_HZ:
            expected = _expected_shift(comparison.alignment[change.label], channel, change.added_ohm)
            warp: Warp = "detail" if comparison.warp == "detail" else "local"
            found.append(settle_change(f, *means, expected_octaves=expected, warp=warp))
        else:
            still = np.zeros(f.size)
            found.append(
                SettledChange(change_db=means[1] - means[0], shift_octaves=0.0, roughness=1.0, left_over_db=still)
            )
    parts = np.sum(one_in, axis=0) / len(found) ** 2
    return _Taken(channels=tuple(found), from_without=float(parts[0]), from_added=float(parts[1]))


def _expected_shift(alignment: ResonanceAlignment, channel: str, added_ohm: float) -> float:
    """Give how far the resonances say that a channel lies higher without the resistance; 0 where not certain."""
    one = next(one for one in alignment.channels if one.channel == channel)
    if not one.certain:
        return 0.0
    means = [np.mean([row.shift_octaves for row in one.rows if row.added_ohm == ohm]) for ohm in (0.0, added_ohm)]
    return float(means[0] - means[1])


def _gather_noise(
    f: FloatArray, changes: Sequence[Change], taken: Sequence[_Taken], study: Study, comparison: StudyComparison
) -> tuple[FloatArray | None, tuple[str, ...]]:
    """Give curves of noise (m, k, n), block by block: shared by changes, each one's own, left over of its move."""
    m = len(changes)
    blocks: list[FloatArray] = []
    doubts: list[str] = []
    for reseated in (True, False):
        members = [i for i, change in enumerate(changes) if change.reseated is reseated]
        if not members:
            continue
        basis, doubt = _find_basis(f, study, comparison, reseated=reseated)
        doubts += [doubt] if doubt else []
        if basis is None:
            return None, tuple(doubts)
        shared = np.zeros((m, *basis.shape))
        for i in members:
            low_hz, high_hz = comparison.options.level_low_hz, comparison.options.level_high_hz
            level = mean_levels(f, basis, low_hz=[low_hz], high_hz=[high_hz])
            rows = level + _own_scale(f, changes[i], comparison.floor) * (basis - level)
            shared[i] = np.sqrt(taken[i].from_without) * rows
            own = np.zeros((m, *basis.shape))
            own[i] = np.sqrt(taken[i].from_added) * rows
            blocks.append(own)
        blocks.append(shared)
    for i, one in enumerate(taken):
        left = np.zeros((m, len(one.channels), f.size))
        left[i] = np.array([channel.left_over_db for channel in one.channels]) / len(one.channels)
        blocks.append(left)
    noise = np.concatenate([block for block in blocks if np.any(block)], axis=1)
    return np.asarray(noise * np.sqrt(noise.shape[1])), tuple(doubts)


def _find_basis(
    f: FloatArray, study: Study, comparison: StudyComparison, *, reseated: bool
) -> tuple[FloatArray | None, str]:
    """Give curves whose covariance is that of one measurement, from the best there is, and what to keep in mind."""
    seatings = line_up_conditions(study, comparison)
    basis = stray_basis(f, seatings.strays if reseated else seatings.paired_strays)
    if basis is not None:
        return basis, ""
    if not reseated and (basis := stray_basis(f, seatings.strays)) is not None:
        return basis, "how it repeats without reseating is not known: the noise is that of reseating, which overstates"
    basis = stray_basis(f, _strays_of_sides(study, comparison))
    return basis, "" if basis is None else "nothing was repeated: the noise is what left and right disagree by"


def _own_scale(f: FloatArray, change: Change, floor: NoiseFloor) -> FloatArray:
    """Give the tone's standard deviation over the study's pooled one, times the quantile of t over the normal's."""
    part = floor.reseated if change.reseated else floor.unreseated
    if part is None:
        return np.ones(f.size)
    own = settle_uncertainty(change, floor)
    freedom = part.degrees.sum(axis=0)
    pooled = np.divide(
        np.nansum(part.variance_db2 * part.degrees, axis=0), freedom, out=np.zeros(freedom.size), where=freedom > 0
    )
    known = (pooled > 0) & (own.degrees > 0) & np.isfinite(own.variance_db2)
    if not known.any():
        return np.ones(f.size)
    tail = stats.t.ppf(_TAIL, own.degrees[known]) / stats.norm.ppf(_TAIL)
    scale = np.sqrt(own.variance_db2[known] / pooled[known]) * tail
    return np.asarray(np.interp(np.log(f), np.log(change.bands.mid_hz[known]), scale))
