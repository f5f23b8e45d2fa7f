"""Is a change real? One word, and the bound that the data support."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy import stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.changes import level_interval
from ohmshift.evidence.priors import LEAST_VARIANCE_DB2
from ohmshift.evidence.uncertainty import Basis, settle_uncertainty
from ohmshift.evidence.wording import Word, choose_word, say_verdict

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.changes import Change
    from ohmshift.evidence.floors import NoiseFloor, Repeatability
    from ohmshift.evidence.uncertainty import Uncertainty

BoolArray: TypeAlias = "npt.NDArray[np.bool_]"

REGIONS = (("bass", 0.0, 10**1.95), ("midrange", 10**1.95, 10**3.75), ("treble", 10**3.75, np.inf))
"""Regions judged apart: name, and the frequencies [Hz] between which their mid-band frequencies lie. The limits are the
edges of third-octave bands, so that those at 100 Hz and at 5 kHz belong to the midrange."""


HIGHEST_ALPHA = 0.5

_QUANTILES = 20_000
_ARRAYS = ("judged", "change_db", "half_width_db", "band_bound_db", "changed", "beyond", "readable")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RegionVerdict:
    """What may be said about one region of the band.

    Parameters
    ----------
    name : str
        "bass", "midrange" or "treble".
    word : str
        One of the four words of `Verdict`.
    sentence : str
        The word with its numbers.
    low_hz, high_hz : float
        Edges of the bands judged [Hz]; nan where none is.
    bound_db : float
        Smallest margin [dB] that "no change larger than" would hold for; infinite where nothing can be said.
    """

    name: str
    word: Word
    sentence: str
    low_hz: float = float("nan")
    high_hz: float = float("nan")
    bound_db: float = float("inf")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Verdict:
    """What may be said about a change, and with which error rates.

    Parameters
    ----------
    label : str
        The earphone.
    added_ohm : float
        Resistance added [ohm].
    word : {"changed", "changed, by no more than", "no change larger than", "cannot tell"}
        "changed" is wrong in at most `alpha` of all earphones that did not change; "no more than" and "no larger than",
        which refer to `margin_db`, in at most `alpha` of those that changed by more.
    sentence : str
        The word with its numbers.
    bound_db : float
        Smallest margin [dB] that "no change larger than" would hold for; infinite where nothing can be said.
    margin_db : float
        Margin asked for [dB].
    alpha : float
        Error rate allowed.
    bands : Bands
        Bands.
    judged : ndarray of bool, shape (b,)
        Bands that the data cover.
    change_db : ndarray, shape (b,)
        Change [dB], level removed.
    half_width_db : ndarray, shape (b,)
        Half width of the 1 - alpha interval of the change that holds for all judged bands at once [dB].
    band_bound_db : ndarray, shape (b,)
        Bound of each band alone [dB].
    changed : ndarray of bool, shape (b,)
        Bands that changed.
    beyond : ndarray of bool, shape (b,)
        Bands whose whole interval lies outside the margin.
    readable : ndarray of bool, shape (b,)
        Bands whose half width is within the margin.
    regions : tuple of RegionVerdict
        The same for bass (below 100 Hz), midrange (100 Hz to 5 kHz) and treble (above).
    basis : str
        What the uncertainty rests on.
    guard : float
        Factor by which the borrowed variance was widened, because this earphone is noisier than its floor; 1 if not.
    level_drop_interval_db : tuple of two floats, or None
        95 % interval of the change of level, from the floor where the earphone has no repeats of its own.
    caveats : tuple of str
        What to keep in mind, the change's own caveats included.
    """

    label: str
    added_ohm: float
    word: Word
    sentence: str
    bound_db: float
    margin_db: float
    alpha: float
    bands: Bands
    judged: BoolArray
    change_db: FloatArray
    half_width_db: FloatArray
    band_bound_db: FloatArray
    changed: BoolArray
    beyond: BoolArray
    readable: BoolArray
    regions: tuple[RegionVerdict, ...]
    basis: Basis
    guard: float
    level_drop_interval_db: tuple[float, float] | None
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in _ARRAYS:
            array = getattr(self, name)
            object.__setattr__(self, name, read_only(array, array.dtype.type))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _BandTest:
    """Outcome in each band; see `Verdict`."""

    judged: BoolArray
    half_width_db: FloatArray
    band_bound_db: FloatArray
    changed: BoolArray
    beyond: BoolArray
    readable: BoolArray


def judge_change(change: Change, floor: NoiseFloor, *, margin_db: float = 1.0, alpha: float = 0.05) -> Verdict:
    """Judge whether a change is real, and how large it can be.

    Parameters
    ----------
    change : Change
        Change of one earphone.
    floor : NoiseFloor
        Measurement variation of the study, same bands.
    margin_db : float
        Change that would matter [dB].
    alpha : float
        Error rate: of any false "changed" over all bands of an earphone, and of "no change larger than".

    Returns
    -------
    Verdict
        Word, bound, intervals, regions.

    Raises
    ------
    EvidenceError
        Other bands, or a margin or alpha outside its range.

    Notes
    -----
    Each band's own variance is moderated by the study's prior [1]_, its t value turned into a normal one, and the
    largest of all bands compared with the largest of as many normal values with the bands' correlation. "No change
    larger than" is two one-sided tests at `alpha` in every judged band [2]_: as all must pass, none is adjusted.

    An earphone noisier than its floor has the prior widened. One seat has no variance of its own; left and right then
    serve to tell. Where no two earphones were repeated, there is no prior: own repeats count alone, or, with one seat,
    the disagreement of left and right with one degree of freedom, or nothing.

    References
    ----------
    .. [1] G. K. Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004) article 3, section 4.
    .. [2] D. J. Schuirmann, "A comparison of the two one-sided tests procedure and the power approach for assessing the
       equivalence of average bioavailability", Journal of Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680.
    """
    _check_options(change, floor, margin_db=margin_db, alpha=alpha)
    part = floor.reseated if change.reseated else floor.unreseated
    judged = np.isfinite(change.band_change_db)
    uncertainty = settle_uncertainty(change, floor)
    test = _test_bands(change, uncertainty, _draw_largest(part, judged), margin_db=margin_db, alpha=alpha)
    whole, *regions = (
        _judge_region(name, change, test, low_hz=low_hz, high_hz=high_hz, margin_db=margin_db)
        for name, low_hz, high_hz in (("all bands", 0.0, np.inf), *REGIONS)
    )
    interval, borrowed = _bound_level(change, part)
    caveats = (*change.caveats, *uncertainty.caveats)
    if borrowed:
        caveats = (*caveats, "the interval of the level is borrowed from the noise floor")
    return Verdict(
        label=change.label,
        added_ohm=change.added_ohm,
        word=whole.word,
        sentence=whole.sentence,
        bound_db=whole.bound_db,
        margin_db=margin_db,
        alpha=alpha,
        bands=change.bands,
        change_db=change.band_change_db,
        judged=test.judged,
        half_width_db=test.half_width_db,
        band_bound_db=test.band_bound_db,
        changed=test.changed,
        beyond=test.beyond,
        readable=test.readable,
        regions=tuple(regions),
        basis=uncertainty.basis,
        guard=uncertainty.guard,
        level_drop_interval_db=interval,
        caveats=caveats,
    )


def _bound_level(change: Change, part: Repeatability | None) -> tuple[tuple[float, float] | None, bool]:
    """Give the interval of the level drop, and whether it is borrowed from the floor."""
    together = 1.0 if part is None or len(change.channels) == 1 else 1 + part.level_sides
    own = change.level_drop_interval_db
    if own is not None:
        drop, half = change.level_drop_db, (own[1] - own[0]) / 2 * float(np.sqrt(together))
        return (drop - half, drop + half) if together > 1 else own, False
    if part is None:
        return None, False
    variance = part.level_db2 * change.variance_factor * together
    interval = level_interval(change.level_drop_db, variance, part.level_degrees)
    return interval, interval is not None


def _draw_largest(part: Repeatability | None, judged: BoolArray) -> FloatArray:
    """Give the largest absolute normal values over the judged bands; exact ones where bands are independent."""
    if part is not None:
        return np.asarray(part.draws[judged].max(axis=0))
    probability = (np.arange(_QUANTILES) + 0.5) / _QUANTILES
    return np.asarray(stats.norm.ppf((1 + probability ** (1 / judged.sum())) / 2))


def _test_bands(
    change: Change, uncertainty: Uncertainty, largest: FloatArray, *, margin_db: float, alpha: float
) -> _BandTest:
    judged = np.isfinite(change.band_change_db)
    known = judged & (uncertainty.degrees > 0)
    d, df = np.abs(change.band_change_db[known]), uncertainty.degrees[known]
    se = np.sqrt(np.maximum(uncertainty.variance_db2[known], LEAST_VARIANCE_DB2) * change.variance_factor)
    z = stats.norm.isf(stats.t.sf(d / se, df))
    critical = float(np.quantile(largest, 1 - alpha))
    half_width, band_bound = np.where(judged, np.inf, np.nan), np.where(judged, np.inf, np.nan)
    half_width[known] = se * stats.t.isf(stats.norm.sf(critical), df)
    band_bound[known] = d + se * stats.t.isf(alpha, df)  # Two one-sided tests, [2] of judge_change
    changed = np.zeros(judged.shape, dtype=bool)
    changed[known] = z > critical
    return _BandTest(
        judged=judged,
        half_width_db=half_width,
        band_bound_db=band_bound,
        changed=changed,
        beyond=known & (np.abs(np.nan_to_num(change.band_change_db)) - np.nan_to_num(half_width) > margin_db),
        readable=known & (np.nan_to_num(half_width) <= margin_db),
    )


def _judge_region(
    name: str, change: Change, test: _BandTest, *, low_hz: float, high_hz: float, margin_db: float
) -> RegionVerdict:
    bands = change.bands
    inside = test.judged & (bands.mid_hz >= low_hz) & (bands.mid_hz < high_hz)
    if not inside.any():
        return RegionVerdict(name=name, word="cannot tell", sentence="Cannot tell: the data do not cover it.")
    bound = float(test.band_bound_db[inside].max())
    word = choose_word(changed=bool(test.changed[inside].any()), bounded=bound <= margin_db)
    return RegionVerdict(
        name=name,
        low_hz=float(bands.low_hz[inside].min()),
        high_hz=float(bands.high_hz[inside].max()),
        word=word,
        sentence=say_verdict(
            word,
            margin_db=margin_db,
            bound_db=bound,
            change_db=change.band_change_db,
            mid_hz=bands.mid_hz,
            changed=inside & test.changed,
            beyond=inside & test.beyond,
        ),
        bound_db=bound,
    )


def _check_options(change: Change, floor: NoiseFloor, *, margin_db: float, alpha: float) -> None:
    if not np.array_equal(change.bands.mid_hz, floor.bands.mid_hz):
        raise EvidenceError(
            "judge_change",
            "change and noise floor must have the same bands",
            f"they have {len(change.bands)} and {len(floor.bands)} bands that differ",
            "give both the same bands",
        )
    if not margin_db > 0:
        raise EvidenceError("judge_change, margin_db", "a margin is above 0 dB", f"it is {margin_db}", "give 1.0")
    if not 0 < alpha <= HIGHEST_ALPHA:
        rule = f"an error rate is above 0 and at most {HIGHEST_ALPHA}"
        raise EvidenceError("judge_change, alpha", rule, f"it is {alpha}", "give 0.05")
