"""A party's change with everything that makes it uncertain, whatever it was read from."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.priors import LEAST_VARIANCE_DB2
from ohmshift.evidence.uncertainty import settle_uncertainty

if TYPE_CHECKING:
    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor, Repeatability


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChangeEstimate:
    """What one party says a resistance did to an earphone, level removed.

    Parameters
    ----------
    party : str
        Who says so.
    label : str
        The earphone.
    added_ohm : float
        Resistance added [ohm].
    bands : Bands
        Bands of the change.
    change_db : ndarray, shape (b,)
        Change [dB], level removed; nan where it is not covered.
    variance_db2 : ndarray, shape (p, b)
        Variance [dB^2] of each independent part of its error.
    degrees : ndarray, shape (p, b)
        Degrees of freedom of each; infinite where a part is not estimated from repeats, 0 where it is not known.
    parts : tuple of str, length p
        What each part is.
    repeats : Repeatability or None
        The repeats behind it, for the correlation between bands; None where there are none.
    caveats : tuple of str
        What to keep in mind.

    Raises
    ------
    EvidenceError
        Counts that do not match, or a negative variance.
    """

    party: str
    label: str
    added_ohm: float
    bands: Bands
    change_db: FloatArray
    variance_db2: FloatArray
    degrees: FloatArray
    parts: tuple[str, ...]
    repeats: Repeatability | None = None
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check once, and lock the arrays."""
        for name in ("change_db", "variance_db2", "degrees"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        shape = (len(self.parts), len(self.bands))
        sizes = self.change_db.shape == shape[1:] and self.variance_db2.shape == self.degrees.shape == shape
        if not sizes or np.any(self.variance_db2 < 0) or np.any(self.degrees < 0):
            raise EvidenceError(
                self.label or "ChangeEstimate",
                f"it needs {shape[1]} changes, and for each of {shape[0]} parts as many variances and degrees, "
                "none negative",
                "it has others",
                "give one value a band",
            )

    @property
    def known(self) -> FloatArray:
        """Bands, shape (b,), whose change and whose every part of uncertainty are known, as 1 and 0."""
        return np.asarray(np.isfinite(self.change_db) & np.all(self.degrees > 0, axis=0), dtype=np.float64)

    @property
    def sd_db(self) -> FloatArray:
        """Standard uncertainty of the change [dB], shape (b,); nan where it is not known."""
        return np.where(self.known > 0, np.sqrt(self.variance_db2.sum(axis=0)), np.nan)


def estimate_change(change: Change, floor: NoiseFloor, *, party: str) -> ChangeEstimate:
    """Give a measured change with the uncertainty of its own study.

    Parameters
    ----------
    change : Change
        Change of one earphone.
    floor : NoiseFloor
        Measurement variation of the study it comes from.
    party : str
        Whose study it is.

    Returns
    -------
    ChangeEstimate
        With one part: measurement variation.

    Raises
    ------
    EvidenceError
        Change and noise floor have different bands.
    """
    if not np.array_equal(change.bands.mid_hz, floor.bands.mid_hz):
        found, mend = f"they have {len(change.bands)} and {len(floor.bands)} that differ", "give both the same bands"
        raise EvidenceError(change.label, "change and noise floor must have the same bands", found, mend)
    uncertainty = settle_uncertainty(change, floor)
    variance = np.maximum(uncertainty.variance_db2, LEAST_VARIANCE_DB2) * change.variance_factor
    return ChangeEstimate(
        party=party,
        label=change.label,
        added_ohm=change.added_ohm,
        bands=change.bands,
        change_db=change.band_change_db,
        variance_db2=variance[np.newaxis],
        degrees=uncertainty.degrees[np.newaxis],
        parts=("measurement variation",),
        repeats=floor.reseated if change.reseated else floor.unreseated,
        caveats=(*change.caveats, *uncertainty.caveats),
    )


def borrow_uncertainty(
    frequency_hz: FloatArray,
    change_db: FloatArray,
    floor: NoiseFloor,
    *,
    party: str,
    label: str,
    added_ohm: float,
    seats: int = 1,
    reading_db: FloatArray | None = None,
) -> ChangeEstimate:
    """Give a change without repeats the variation that one's own measurements have.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz], rising.
    change_db : ndarray, shape (n,)
        Change [dB], level in it or not.
    floor : NoiseFloor
        One's own measurement variation, and the bands and level band to use.
    party : str
        Who published it.
    label : str
        The earphone.
    added_ohm : float
        Resistance added [ohm].
    seats : int
        Seats that each of the two curves is said to be the mean of.
    reading_db : ndarray, shape (n,), optional
        Standard uncertainty of reading the change off a picture or a coarse table [dB].

    Returns
    -------
    ChangeEstimate
        With two parts, borrowed variation and reading.

    Raises
    ------
    EvidenceError
        The change does not cover the band that defines the level, or counts that do not match.

    Notes
    -----
    The variance is that of two curves measured at different seats on one side, each the mean of `seats`, as the own
    study's earphones have it on average. Nothing can tell whether theirs repeat as well: in simulated studies with 2.5
    times the variation, a third of the earphones that did not differ were said to. A reading error is taken to
    be the same all over a band: it is not divided by the number of points.
    """
    low, high = floor.level_low_hz, floor.level_high_hz
    level = float(mean_levels(frequency_hz, change_db, low_hz=[low], high_hz=[high])[0])
    if not np.isfinite(level) or seats < 1:
        raise EvidenceError(
            f"{party}, {label}",
            f"a change covers at least {low:g} to {high:g} Hz, where its level is taken, and has 1 seat or more",
            f"it goes from {frequency_hz[0]:g} to {frequency_hz[-1]:g} Hz, with {seats} seats",
            "give more of the curve",
        )
    count = len(floor.bands)
    own = floor.reseated
    variance = np.zeros(count) if own is None else np.nan_to_num(own.prior_variance_db2) * 2 / seats
    degrees = np.zeros(count) if own is None else own.prior_degrees
    reading = np.zeros(count) if reading_db is None else _reading_in_bands(frequency_hz, reading_db, floor.bands)
    lent = f"without repeats: its uncertainty is borrowed from one's own study, as for {seats} seat{'s'[: seats > 1]}"
    return ChangeEstimate(
        party=party,
        label=label,
        added_ohm=added_ohm,
        bands=floor.bands,
        change_db=band_levels(frequency_hz, change_db, floor.bands) - level,
        variance_db2=np.stack([variance, reading**2]),
        degrees=np.stack([degrees, np.full(count, np.inf)]),
        parts=("measurement variation, borrowed", "reading"),
        repeats=own,
        caveats=(f"{lent}, and too small if theirs repeat worse",),
    )


def correct_estimate(
    estimate: ChangeEstimate,
    correction_db: FloatArray,
    sd_db: FloatArray,
    *,
    added_ohm: float,
    along_db: FloatArray | None = None,
) -> ChangeEstimate:
    """Bring a change to another added resistance by a predicted difference.

    Parameters
    ----------
    estimate : ChangeEstimate
        Change at its own resistance.
    correction_db : ndarray, shape (b,)
        What is added to it [dB]; nan where no prediction is known.
    sd_db : ndarray, shape (b,)
        Standard uncertainty of that [dB].
    added_ohm : float
        The resistance that it then holds for [ohm].
    along_db : ndarray, shape (b,), optional
        Standard uncertainty [dB] of the other side of a comparison, where the prediction rests on the same data.

    Returns
    -------
    ChangeEstimate
        The corrected change, with one more part.

    Notes
    -----
    Where both sides rest on the same data their errors may go along: then standard uncertainties are added, not
    variances, which holds for any correlation. The part then is what that sum has more than the other side alone.
    """
    sd = np.nan_to_num(sd_db)
    along = np.zeros_like(sd) if along_db is None else np.nan_to_num(along_db)
    part = (sd + along) ** 2 - along**2
    said = f"measured with {estimate.added_ohm:g} ohm and brought to {added_ohm:g} ohm through the impedance"
    return replace(
        estimate,
        added_ohm=added_ohm,
        change_db=estimate.change_db + correction_db,
        variance_db2=np.vstack([estimate.variance_db2, part]),
        degrees=np.vstack([estimate.degrees, np.full(part.shape, np.inf)]),
        parts=(*estimate.parts, "resistance"),
        caveats=estimate.caveats if np.isclose(added_ohm, estimate.added_ohm) else (*estimate.caveats, said),
    )


def _reading_in_bands(frequency_hz: FloatArray, reading_db: FloatArray, bands: Bands) -> FloatArray:
    """Give the root mean square of the reading error in each band; 0 where a band is not covered."""
    return np.sqrt(np.nan_to_num(band_levels(frequency_hz, reading_db**2, bands)))
