"""Is somebody else's finding reproduced? One word for each region, with error rates kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
from scipy import stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.concordance import measure_concordance
from ohmshift.evidence.verdicts import HIGHEST_ALPHA, REGIONS
from ohmshift.evidence.wording import ceil_bound, name_frequency

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.estimates import ChangeEstimate

AgreementWord: TypeAlias = Literal["reproduced", "not reproduced", "differs", "cannot tell"]

FIRST_REGION = "midrange"
"""The region judged first, 100 Hz to 5 kHz: seals leak below it and the ear-canal resonance moves above."""

WITHIN_ALPHA = 0.01
"""Error rate of a false "reproduced": to say that somebody is right is the stronger claim. At 5 %, 2 to 4 % of
simulated earphones that differed by just the margin were called reproduced."""

TIMES_NOISE = 3.0
"""Concordance is given only where both changes are this many times the noise of their difference: for a true non-change
it wanders anywhere between -0.6 and 0.8."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RegionAgreement:
    """What may be said about one region of the band.

    Parameters
    ----------
    name : str
        "midrange", "bass" or "treble"; "whole band" for all of it.
    word : str
        One of the four words of `Agreement`.
    sentence : str
        The word with its numbers.
    low_hz, high_hz : float
        Edges of the bands judged [Hz]; nan where none is.
    bound_db : float
        Smallest margin [dB] within which it would be reproduced; infinite where nothing can be said.
    largest_db : float
        Largest difference of a band [dB], theirs minus own.
    largest_hz : float
        Mid-band frequency of that band [Hz].
    """

    name: str
    word: AgreementWord
    sentence: str
    low_hz: float = float("nan")
    high_hz: float = float("nan")
    bound_db: float = float("inf")
    largest_db: float = float("nan")
    largest_hz: float = float("nan")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Agreement:
    """How far two parties' changes agree.

    Parameters
    ----------
    label : str
        The earphone.
    own, theirs : ChangeEstimate
        The changes compared, at one added resistance.
    margin_db : float
        Largest difference that would not matter [dB].
    alpha : float
        Error rate allowed to "differs" and "not reproduced", for all bands together.
    within_alpha : float
        Error rate allowed to "reproduced", in a band whose difference is as large as the margin.
    judged : ndarray of bool, shape (b,)
        Bands that both sides know.
    difference_db : ndarray, shape (b,)
        Theirs minus own [dB]; nan where not judged.
    sd_db : ndarray, shape (b,)
        Its standard uncertainty [dB].
    degrees : ndarray, shape (b,)
        Its degrees of freedom.
    half_width_db : ndarray, shape (b,)
        Half width of the 1 - alpha interval that holds for all judged bands at once [dB].
    band_bound_db : ndarray, shape (b,)
        Smallest margin that each band alone stays within [dB].
    differs, beyond : ndarray of bool, shape (b,)
        Bands that differ for certain, and those whose whole interval lies outside the margin.
    whole : RegionAgreement
        All judged bands together.
    regions : tuple of RegionAgreement
        100 Hz to 5 kHz first, then below and above.
    concordance : float or None
        Lin's coefficient over the bands of the first region; None where the changes are too small for it.
    caveats : tuple of str
        What to keep in mind.

    Notes
    -----
    "reproduced": every band lies within the margin, each by two one-sided tests at `within_alpha`. "not reproduced":
    the simultaneous interval of a band lies wholly outside it. "differs": a band differs for certain, but by more or
    less than the margin cannot be told. "cannot tell": none of these.
    """

    label: str
    own: ChangeEstimate
    theirs: ChangeEstimate
    margin_db: float
    alpha: float
    within_alpha: float
    judged: npt.NDArray[np.bool_]
    difference_db: FloatArray
    sd_db: FloatArray
    degrees: FloatArray
    half_width_db: FloatArray
    band_bound_db: FloatArray
    differs: npt.NDArray[np.bool_]
    beyond: npt.NDArray[np.bool_]
    whole: RegionAgreement
    regions: tuple[RegionAgreement, ...]
    concordance: float | None
    caveats: tuple[str, ...]

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("judged", "difference_db", "sd_db", "degrees", "half_width_db", "band_bound_db"):
            array = getattr(self, name)
            object.__setattr__(self, name, read_only(array, array.dtype.type))
        for name in ("differs", "beyond"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))

    @property
    def bands(self) -> Bands:
        """The bands of both changes."""
        return self.own.bands

    @property
    def first(self) -> RegionAgreement:
        """What is said of the region judged first."""
        return self.regions[0]

    def region(self, name: str) -> RegionAgreement:
        """Give one region, or the whole band.

        Parameters
        ----------
        name : str
            "midrange", "bass", "treble" or "whole band".

        Returns
        -------
        RegionAgreement
            What is said of it.
        """
        return next(region for region in (self.whole, *self.regions) if region.name == name)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Test:
    """Outcome in each band; see `Agreement`."""

    alpha: float
    judged: npt.NDArray[np.bool_]
    difference_db: FloatArray
    sd_db: FloatArray
    degrees: FloatArray
    half_width_db: FloatArray
    band_bound_db: FloatArray
    differs: npt.NDArray[np.bool_]
    beyond: npt.NDArray[np.bool_]


def judge_agreement(
    own: ChangeEstimate,
    theirs: ChangeEstimate,
    *,
    margin_db: float = 1.0,
    alpha: float = 0.05,
    within_alpha: float = WITHIN_ALPHA,
) -> Agreement:
    """Judge whether one party's change is reproduced by another's.

    Parameters
    ----------
    own, theirs : ChangeEstimate
        Changes of one earphone by one added resistance, level removed, in the same bands.
    margin_db : float
        Largest difference that would not matter [dB].
    alpha : float
        Error rate allowed to "differs" and "not reproduced", for all bands together.
    within_alpha : float
        Error rate allowed to "reproduced", in a band whose difference is as large as the margin.

    Returns
    -------
    Agreement
        A word for each region, and the bound that the data support.

    Raises
    ------
    EvidenceError
        Other bands, another resistance, or an option out of range.

    Notes
    -----
    The rigs cancel to first order, because each change is a difference on one rig. Variances of both sides add; the
    degrees of freedom of their sum are those of Welch and Satterthwaite [1]_. The simultaneous critical value is the
    larger of the two that the sides' own correlations between bands ask for.

    In simulated pairs of studies whose changes differed by just the margin in one band, two to five seats each or
    theirs without repeats, 0 to 0.9 % were called reproduced and 0 to 0.2 % not reproduced, of 450 earphones each;
    where they differed by less or by more, none were called wrongly. The price is power: with no difference and a
    margin of 1 dB, 34 % are called reproduced from three seats each and 71 % from five.

    References
    ----------
    .. [1] JCGM 100:2008, G.4.1, equation G.2b.
    .. [2] D. J. Schuirmann, "A comparison of the two one-sided tests procedure and the power approach for assessing
       the equivalence of average bioavailability", J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680.
    """
    _check(own, theirs, margin_db, (alpha, within_alpha))
    test = _test(own, theirs, margin_db=margin_db, alpha=alpha, within_alpha=within_alpha)
    whole = _judge(test, own.bands, ("whole band", 0.0, np.inf), margin_db=margin_db)
    regions = sorted(
        (_judge(test, own.bands, limits, margin_db=margin_db) for limits in REGIONS),
        key=lambda region: region.name != FIRST_REGION,
    )
    caveats = [f"{own.party}: {text}" for text in own.caveats] + [f"{theirs.party}: {text}" for text in theirs.caveats]
    return Agreement(
        label=own.label,
        own=own,
        theirs=theirs,
        margin_db=margin_db,
        alpha=alpha,
        within_alpha=within_alpha,
        judged=test.judged,
        difference_db=test.difference_db,
        sd_db=test.sd_db,
        degrees=test.degrees,
        half_width_db=test.half_width_db,
        band_bound_db=test.band_bound_db,
        differs=test.differs,
        beyond=test.beyond,
        whole=whole,
        regions=tuple(regions),
        concordance=_concord(own, theirs, test, regions[0]),
        caveats=tuple(dict.fromkeys(caveats)),
    )


def _check(own: ChangeEstimate, theirs: ChangeEstimate, margin_db: float, alphas: tuple[float, float]) -> None:
    where = f"{theirs.party} on {own.label}"
    if not np.array_equal(own.bands.mid_hz, theirs.bands.mid_hz):
        raise EvidenceError(where, "both changes must have the same bands", "they have others", "measure both alike")
    if not np.isclose(own.added_ohm, theirs.added_ohm):
        found = f"they are {own.added_ohm:g} and {theirs.added_ohm:g} ohm"
        mend = "bring them to one through the impedance"
        raise EvidenceError(where, "both changes must be by one added resistance", found, mend)
    if not (margin_db > 0 and all(0 < alpha <= HIGHEST_ALPHA for alpha in alphas)):
        rule = f"a margin is above 0 dB, and an error rate above 0 and at most {HIGHEST_ALPHA}"
        raise EvidenceError(where, rule, f"they are {margin_db} and {alphas}", "keep the defaults")


def _test(own: ChangeEstimate, theirs: ChangeEstimate, *, margin_db: float, alpha: float, within_alpha: float) -> _Test:
    judged = (own.known * theirs.known) > 0
    d = np.where(judged, theirs.change_db - own.change_db, np.nan)
    variance = np.vstack([own.variance_db2, theirs.variance_db2])[:, judged]
    nu = np.vstack([own.degrees, theirs.degrees])[:, judged]
    se, df, half, bound = (np.where(judged, np.nan, np.nan) for _ in range(4))
    differs, beyond = np.zeros_like(judged), np.zeros_like(judged)
    if judged.any():
        total = variance.sum(axis=0)
        se[judged] = np.sqrt(total)
        df[judged] = total**2 / np.maximum((variance**2 / nu).sum(axis=0), 1e-300)  # Eq. G.2b of [1]
        critical = max(_critical(side, judged, alpha) for side in (own, theirs))
        half[judged] = se[judged] * stats.t.isf(stats.norm.sf(critical), df[judged])
        bound[judged] = np.abs(d[judged]) + se[judged] * stats.t.isf(within_alpha, df[judged])  # [2]
        differs[judged] = np.abs(d[judged]) > half[judged]
        beyond[judged] = np.abs(d[judged]) - half[judged] > margin_db
    return _Test(
        alpha=alpha,
        judged=judged,
        difference_db=d,
        sd_db=se,
        degrees=df,
        half_width_db=half,
        band_bound_db=bound,
        differs=differs,
        beyond=beyond,
    )


def _critical(side: ChangeEstimate, judged: npt.NDArray[np.bool_], alpha: float) -> float:
    """Give the critical value of the largest normal value over the judged bands; as if independent without repeats."""
    if side.repeats is None:
        return float(stats.norm.isf((1 - (1 - alpha) ** (1 / judged.sum())) / 2))
    return float(np.quantile(side.repeats.draws[judged].max(axis=0), 1 - alpha))


def _judge(test: _Test, bands: Bands, limits: tuple[str, float, float], *, margin_db: float) -> RegionAgreement:
    name, low_hz, high_hz = limits
    inside = test.judged & (bands.mid_hz >= low_hz) & (bands.mid_hz < high_hz)
    if not inside.any():
        return RegionAgreement(name=name, word="cannot tell", sentence="Cannot tell: not covered by both.")
    size = np.abs(np.nan_to_num(test.difference_db))
    at = int(np.argmax(np.where(inside, size, -1.0)))
    bound = float(test.band_bound_db[inside].max())
    word: AgreementWord = "cannot tell"
    among = inside
    if test.beyond[inside].any():
        word, among = "not reproduced", inside & test.beyond
    elif bound <= margin_db:
        word = "reproduced"
    elif test.differs[inside].any():
        word, among = "differs", inside & test.differs
    said = int(np.argmax(np.where(among, size, -1.0)))
    d, half = float(test.difference_db[said]), float(test.half_width_db[said])
    up = f"{float(ceil_bound(bound)):.1f} dB"
    where, level = name_frequency(float(bands.mid_hz[said])), 100 * (1 - test.alpha)
    between = f"{d:+.1f} dB at {where} ({level:.3g} %: {d - half:+.1f} to {d + half:+.1f})"
    sentence = {
        "reproduced": f"Reproduced within {margin_db:g} dB: no band differs by more than {up}.",
        "not reproduced": f"Not reproduced: theirs minus own is {between}, more than {margin_db:g} dB.",
        "differs": f"Differs, but not for certain by more than {margin_db:g} dB: theirs minus own is {between}.",
        "cannot tell": f"Cannot tell: no band differs for certain, but one may by {up}.",
    }[word]
    return RegionAgreement(
        name=name,
        word=word,
        sentence=sentence,
        low_hz=float(bands.low_hz[inside].min()),
        high_hz=float(bands.high_hz[inside].max()),
        bound_db=bound,
        largest_db=float(test.difference_db[at]),
        largest_hz=float(bands.mid_hz[at]),
    )


def _concord(own: ChangeEstimate, theirs: ChangeEstimate, test: _Test, region: RegionAgreement) -> float | None:
    """Give Lin's coefficient over one region, where both changes stand out of the noise; else None."""
    mid_hz = own.bands.mid_hz
    inside = test.judged & (mid_hz > region.low_hz) & (mid_hz < region.high_hz)
    if inside.sum() < 3:  # noqa: PLR2004 - fewer points make no line
        return None
    noise = float(np.sqrt((test.sd_db[inside] ** 2).mean()))
    sizes = [float(side.change_db[inside].std()) for side in (own, theirs)]
    if min(sizes) < TIMES_NOISE * noise:
        return None
    return measure_concordance(own.change_db[inside], theirs.change_db[inside])
