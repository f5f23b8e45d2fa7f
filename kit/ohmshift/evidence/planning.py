"""How many earphones, and how many seats, would tell: planned from the study's own spread and noise floor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import special, stats

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.groups import gather_classes
from ohmshift.evidence.verdicts import REGIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from ohmshift.evidence.collection import Collection
    from ohmshift.evidence.floors import NoiseFloor
    from ohmshift.evidence.metrics import Metric
    from ohmshift.evidence.verdicts import Verdict

MOST_EARPHONES = 10_000
"""Where a plan stops counting."""

MOST_SEATS = 50
"""Where a plan of seats stops counting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Why earphones of one class do not agree in a metric.

    Parameters
    ----------
    between : float
        Standard deviation of earphones of one class, measurement variation taken off; in the metric's unit.
    measurement : float
        Standard uncertainty that measurement adds to one earphone, at the seats the study has.
    degrees : int
        Degrees of freedom of the spread within classes.
    seats : float
        Seats a channel and condition that the study has, on average.
    """

    between: float
    measurement: float
    degrees: int
    seats: float

    def total(self, seats: float) -> float:
        """Give the standard deviation of earphones as measured.

        Parameters
        ----------
        seats : float
            Seats a channel and condition.

        Returns
        -------
        float
            In the metric's unit.
        """
        return float(np.hypot(self.between, self.measurement * np.sqrt(self.seats / seats)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeatPlan:
    """How far seats narrow the interval of one earphone's change.

    Parameters
    ----------
    seats : ndarray, shape (k,)
        Seats a channel and condition, both channels measured.
    half_width_db : ndarray, shape (3, k)
        Half-width of the simultaneous 95 % interval [dB]: median of the bands below 100 Hz, from 100 Hz to 5 kHz, and
        above.
    reseated : bool
        Whether the earphone is reseated between the conditions.
    """

    seats: FloatArray
    half_width_db: FloatArray
    reseated: bool

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("seats", "half_width_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))

    def needed(self, half_width_db: float) -> tuple[int | None, int | None, int | None]:
        """Give the seats needed in each region.

        Parameters
        ----------
        half_width_db : float
            Half-width wanted [dB].

        Returns
        -------
        tuple of three int or None
            Seats; None where even the most planned for do not reach it.
        """
        found = [self.seats[row <= half_width_db] for row in self.half_width_db]
        bass, midrange, treble = (int(one[0]) if one.size else None for one in found)
        return (bass, midrange, treble)


def power_of_classes(count: int, ratio: float, *, alpha: float = 0.05) -> float:
    """Give the probability of telling two classes apart.

    Parameters
    ----------
    count : int
        Earphones in each class, at least 2.
    ratio : float
        Difference of the classes' means over the standard deviation within a class.
    alpha : float
        Error rate, two-sided.

    Returns
    -------
    float
        Power of the t test.
    """
    degrees = 2.0 * (count - 1)
    t = float(special.stdtrit(degrees, 1 - alpha / 2))
    # t squared is F with one degree of freedom; the noncentral t of scipy gives nan where the power is nearly 1,
    # and so does F here and there from a noncentrality of about 1300 on, where the power is 1 to the last digit.
    power = float(1 - special.ncfdtr(1, degrees, ratio**2 * count / 2, t**2))
    return 1.0 if np.isnan(power) else power


def earphones_for_difference(ratio: float, *, power: float = 0.8, alpha: float = 0.05) -> int | None:
    """Give the earphones each class needs for a difference to be told.

    Parameters
    ----------
    ratio : float
        Difference of the classes' means over the standard deviation within a class.
    power : float
        Probability of telling it.
    alpha : float
        Error rate, two-sided.

    Returns
    -------
    int or None
        Earphones in each class; None where no number up to 10,000 does.

    Raises
    ------
    EvidenceError
        A power or an error rate that is not a probability.

    References
    ----------
    .. [1] J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd edition (1988), table 2.4.1.

    Examples
    --------
    >>> [earphones_for_difference(ratio) for ratio in (0.5, 0.75, 1, 1.5, 2)]
    [64, 29, 17, 9, 6]
    """
    _check_share("power", power)
    _check_share("alpha", alpha)
    return _least(lambda n: power_of_classes(n, ratio, alpha=alpha) >= power, low=2, high=MOST_EARPHONES)


def earphones_for_half_width(half_width: float, spread: float, *, alpha: float = 0.05) -> int | None:
    """Give the earphones each class needs for the difference of two classes to be known within a half-width.

    Parameters
    ----------
    half_width : float
        Half-width of the 1 - alpha interval, in the metric's unit.
    spread : float
        Standard deviation within a class, in the same unit.
    alpha : float
        One less the level of the interval.

    Returns
    -------
    int or None
        Earphones in each class; None where no number up to 10,000 does.

    Raises
    ------
    EvidenceError
        A half-width that is not above 0, or an error rate that is not a probability.
    """
    _check_share("alpha", alpha)
    if not half_width > 0:
        rule = "a half-width is above 0"
        raise EvidenceError("earphones_for_half_width, half_width", rule, f"it is {half_width}", "give 0.5")

    def reached(n: int) -> bool:
        t = float(special.stdtrit(2.0 * (n - 1), 1 - alpha / 2))
        return t * spread * float(np.sqrt(2 / n)) <= half_width

    return _least(reached, low=2, high=MOST_EARPHONES)


def share_shown(agreeing: int, count: int, *, alpha: float = 0.05) -> float:
    """Give the share of all units that must agree, where some of a few did.

    Parameters
    ----------
    agreeing, count : int
        Units that agreed, of how many.
    alpha : float
        Error rate.

    Returns
    -------
    float
        One-sided lower bound of the share.

    Raises
    ------
    EvidenceError
        Counts that cannot be, or an error rate that is not a probability.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the
       binomial", Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> round(share_shown(2, 2), 3)
    0.224
    """
    _check_share("alpha", alpha)
    if not 0 <= agreeing <= count or count < 1:
        found = f"they are {agreeing} of {count}"
        raise EvidenceError("share_shown", "some of at least one unit agree", found, "mend the counts")
    result = stats.binomtest(agreeing, count, alternative="greater")
    return float(result.proportion_ci(confidence_level=1 - alpha, method="exact").low)


def units_for_share(share: float, *, alpha: float = 0.05) -> int:
    """Give how many units must all agree before a share of all units is shown to.

    Parameters
    ----------
    share : float
        Share of all units.
    alpha : float
        Error rate.

    Returns
    -------
    int
        Units.

    Raises
    ------
    EvidenceError
        A share or an error rate that is not a probability.

    Notes
    -----
    n units that all agree show the share alpha^(1/n) [1]_.

    References
    ----------
    .. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> [units_for_share(share) for share in (0.8, 0.9, 0.95)]
    [14, 29, 59]
    """
    _check_share("share", share)
    _check_share("alpha", alpha)
    return max(1, int(np.ceil(np.log(alpha) / np.log(share) - 1e-9)))


def measure_spread(collection: Collection, metric: Metric, classes: Sequence[str]) -> Spread | None:
    """Take from a collection how much earphones of one class differ, and how much of that is measurement.

    Parameters
    ----------
    collection : Collection
        The collection.
    metric : str
        The metric.
    classes : sequence of str
        Class of each earphone.

    Returns
    -------
    Spread or None
        None where no class has two earphones that were measured.
    """
    samples = [x for x in gather_classes(collection.values(metric), classes).values() if x.size > 1]
    degrees = sum(x.size - 1 for x in samples)
    if degrees == 0:
        return None
    within = sum(float(x.var(ddof=1)) * (x.size - 1) for x in samples) / degrees
    uncertainty = np.array([one.estimates[metric].uncertainty for one in collection.earphones])
    known = uncertainty[np.isfinite(uncertainty)]
    # The median, since one leaking seat makes its earphone's uncertainty many times that of the others.
    measurement = float(np.median(known)) if known.size else 0.0
    return Spread(
        between=float(np.sqrt(max(within - measurement**2, 0.0))),
        measurement=measurement,
        degrees=degrees,
        seats=float(np.mean([np.mean(one.seats) for one in collection.earphones])),
    )


def plan_seats(floor: NoiseFloor, *, reseated: bool = True, most: int = 12, alpha: float = 0.05) -> SeatPlan | None:
    """Plan how seats narrow the interval of an earphone's change, from the study's noise floor.

    Parameters
    ----------
    floor : NoiseFloor
        Measurement variation of the study.
    reseated : bool
        Whether the earphone is reseated between the conditions.
    most : int
        Most seats to plan for.
    alpha : float
        One less the level of the interval.

    Returns
    -------
    SeatPlan or None
        None where the study has no repeats of that kind.

    Notes
    -----
    For an earphone as noisy as the study expects, with both channels measured: with n seats the variance of the change
    is that of one measurement over n, with the prior's degrees of freedom and those of its own seats. It is more where
    left and right stray together.
    """
    part = floor.reseated if reseated else floor.unreseated
    if part is None or not np.any(part.prior_degrees > 0):
        return None
    judged = part.prior_degrees > 0
    critical = float(np.quantile(part.draws[judged].max(axis=0), 1 - alpha))
    seats = np.arange(1, min(most, MOST_SEATS) + 1)
    own = (4 if reseated else 2) * (seats - 1)
    degrees = part.prior_degrees[judged][:, None] + own
    variance = part.prior_variance_db2[judged][:, None] * (1 + part.sides) / seats
    half = np.sqrt(variance) * stats.t.isf(stats.norm.sf(critical), degrees)
    mid_hz = part.bands.mid_hz[judged]
    zones = [(mid_hz >= low) & (mid_hz < high) for _, low, high in REGIONS]
    rows = [np.median(half[zone], axis=0) if zone.any() else np.full(seats.size, np.nan) for zone in zones]
    return SeatPlan(seats=seats.astype(np.float64), half_width_db=np.array(rows), reseated=reseated)


def seats_to_tell(verdict: Verdict, seats: int) -> int | None:
    """Give the seats that would settle a verdict that cannot tell, if the change stays where it is.

    Parameters
    ----------
    verdict : Verdict
        A verdict that cannot tell.
    seats : int
        Seats a channel and condition that it rests on.

    Returns
    -------
    int or None
        Seats a channel and condition; None where no practicable number would do.

    Notes
    -----
    Intervals narrow as the root of the seats, until a band stands out or all of them lie within the margin.
    """
    arrays = (verdict.change_db, verdict.half_width_db, verdict.band_bound_db)
    d, half, bound = (np.abs(array[verdict.judged]) for array in arrays)
    with np.errstate(divide="ignore"):
        stands_out = float(np.min(half / d))
        within = float(np.max((bound - d) / (verdict.margin_db - d))) if d.max() < verdict.margin_db else np.inf
    needed = seats * min(stands_out, within) ** 2
    return max(int(np.ceil(needed)), seats + 1) if needed <= MOST_SEATS else None


def _least(enough: Callable[[int], bool], *, low: int, high: int) -> int | None:
    """Give the smallest number that is enough, where more is never worse; None where none is."""
    if not enough(high):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle + 1, high)
    return low


def _check_share(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise EvidenceError(f"planning, {name}", "it is a share between 0 and 1", f"it is {value}", "give 0.05 or 0.8")
