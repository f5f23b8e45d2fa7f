"""How uncertain a change is: an earphone's own repeats, the study's noise floor, or what else there is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.evidence.floors import guard_factor

if TYPE_CHECKING:
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor, Repeatability

Basis: TypeAlias = Literal[
    "noise floor and own repeats", "borrowed noise floor", "own repeats", "left and right", "none"
]

FEW_EARPHONES = 4
"""With fewer earphones the noise floor itself is poorly known, and the verdict says so: two or three, with two seats
each, gave 8 to 9 % false alarms in simulated studies instead of 5 %."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Uncertainty:
    """Uncertainty of one measurement of an earphone, in bands.

    Parameters
    ----------
    variance_db2 : ndarray, shape (b,)
        Variance of one measurement in each band [dB^2].
    degrees : ndarray, shape (b,)
        Its degrees of freedom; 0 where nothing is known.
    basis : str
        What it rests on.
    guard : float
        Factor by which the borrowed variance was widened; 1 if not.
    caveats : tuple of str
        What to keep in mind.
    """

    variance_db2: FloatArray
    degrees: FloatArray
    basis: Basis
    guard: float = 1.0
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("variance_db2", "degrees"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def settle_uncertainty(change: Change, floor: NoiseFloor) -> Uncertainty:
    """Moderate an earphone's own variance by the study's prior, or find what else there is to go by.

    Parameters
    ----------
    change : Change
        Change of one earphone.
    floor : NoiseFloor
        Measurement variation of the study, same bands.

    Returns
    -------
    Uncertainty
        Variance of one measurement; times the change's variance factor it is that of the change. Where left and right
        of one seat stray together, it is widened for their mean.

    References
    ----------
    .. [1] G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3, section 4.
    """
    part = floor.reseated if change.reseated else floor.unreseated
    judged = np.isfinite(change.band_change_db)
    own, own_degrees = np.nan_to_num(change.own_variance_db2), change.own_degrees
    repeated = bool(np.any(own_degrees[judged] > 0))
    together = 1.0 if part is None or len(change.channels) == 1 else 1 + part.sides
    prior_degrees = np.zeros(len(change.bands)) if part is None else part.prior_degrees
    sides, one_degree = _disagreement(change), np.ones(len(change.bands))
    if part is not None and np.any(prior_degrees[judged] > 0):
        shown, shown_degrees = (own, own_degrees) if repeated else (sides, one_degree)
        guard = 1.0 if shown is None else guard_factor(part, shown, shown_degrees, judged=judged)
        degrees = prior_degrees + own_degrees
        total = prior_degrees * part.prior_variance_db2 * guard + own_degrees * own
        return Uncertainty(
            variance_db2=together * np.divide(total, degrees, out=np.zeros_like(total), where=degrees > 0),
            degrees=degrees,
            basis="noise floor and own repeats" if repeated else "borrowed noise floor",
            guard=guard,
            caveats=(
                *_warn_of_floor(change, part, repeated=repeated, checked=shown is not None, guard=guard),
                *_warn_of_sides(together),
            ),
        )
    if repeated:
        caveats = (
            "judged by its own repeats alone, because no two earphones have repeats of this kind",
            *_warn_of_sides(together),
        )
        return Uncertainty(variance_db2=together * own, degrees=own_degrees, basis="own repeats", caveats=caveats)
    if sides is not None:
        only = "no repeats anywhere: left against right is all there is to tell a change from variation"
        caveat = f"{only}, and does not show what both share"
        return Uncertainty(variance_db2=sides, degrees=one_degree, basis="left and right", caveats=(caveat,))
    caveat = "no repeats anywhere and one channel: nothing tells a change from variation"
    return Uncertainty(variance_db2=own, degrees=own_degrees, basis="none", caveats=(caveat,))


def _disagreement(change: Change) -> FloatArray | None:
    """Give the variance of one measurement [dB^2] that the channels' disagreement shows; None with one channel."""
    if len(change.channels) != 2:  # noqa: PLR2004 - left and right
        return None
    first, second = change.channel_band_change_db
    return np.asarray((first - second) ** 2 / change.channel_variance_factor.sum())


def _warn_of_sides(together: float) -> tuple[str, ...]:
    if together == 1:
        return ()
    told = f"left and right of one seat stray together, correlated by {together - 1:.2f}"
    return (f"{told}: the variance of their mean is widened by a factor of {together:.2f}",)


def _warn_of_floor(
    change: Change, part: Repeatability, *, repeated: bool, checked: bool, guard: float
) -> tuple[str, ...]:
    found = []
    if not repeated:
        found.append("one seat: its uncertainty is borrowed from other earphones' repeats")
    if not checked:
        found.append("one seat and one channel: nothing tells whether this earphone is noisier than the others")
    if guard > 1:
        apart = "left and right disagree by more than the floor it borrows explains"
        why = "noisier than the floor it borrows" if repeated else apart
        found.append(f"{why}: variance widened by a factor of {guard:.1f}")
    if len(part.labels) < FEW_EARPHONES:
        few = f"the noise floor rests on {len(part.labels)} earphones only"
        found.append(f"{few}: false alarms may be up to twice as frequent")
    if repeated and change.label not in part.labels:
        found.append("this earphone's repeats are not part of the noise floor")
    return tuple(found)
