"""How long one may listen at a level, by published guidance: general information, no medical advice."""

from __future__ import annotations

from dataclasses import dataclass

from ohmshift.chain.elements import check_number
from ohmshift.errors import CurveError

FIELD_CAVEAT = (
    "Guidance is for diffuse-field levels. A level in an ear simulator or at the eardrum is higher than that, by "
    "several dB around 3 kHz; taken as it is, it errs on the safe side. Local rules and hearing professionals come "
    "first."
)
"""What keeps a coupler's level from being the level of the guidance."""

_QUIETEST_DBA, _LOUDEST_DBA = -100.0, 200.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Guide:
    """A guidance on sound exposure.

    Parameters
    ----------
    name : str
        What it is.
    level_dba : float
        Level that is allowed for `hours` [dB(A)].
    hours : float
        Time at that level [h].
    period : str
        In what time: "day" or "week".
    halving_db : float, optional
        Rise of level that halves the time [dB], as the guidance states it; none for equal energy, 10 log10 2.
    source : str
        Where it comes from.
    confirmed : bool
        Whether that source was seen to say so.
    """

    name: str
    level_dba: float
    hours: float
    period: str
    halving_db: float | None
    source: str
    confirmed: bool

    def allowed_hours(self, level_dba: float) -> float:
        """Give the time allowed at a level.

        Parameters
        ----------
        level_dba : float
            Level [dB(A)].

        Returns
        -------
        float
            Time in each period [h]; may be longer than the period.

        Raises
        ------
        CurveError
            A level outside -100 to 200 dB.

        Examples
        --------
        >>> WHO_ADULTS.allowed_hours(90), NIOSH.allowed_hours(94)
        (4.0, 1.0)
        """
        if not _QUIETEST_DBA <= level_dba <= _LOUDEST_DBA:
            raise CurveError("level_dba", "a level is between -100 and 200 dB", f"it is {level_dba:g}", "mend it")
        over = level_dba - self.level_dba
        return float(self.hours * (10 ** (-over / 10) if self.halving_db is None else 2 ** (-over / self.halving_db)))

    def share(self, level_dba: float, hours: float) -> float:
        """Give what part of the allowance a time at a level uses up.

        Parameters
        ----------
        level_dba : float
            Level [dB(A)].
        hours : float
            Time in each period [h].

        Returns
        -------
        float
            Part of the allowance; above 1 is more than allowed.

        Raises
        ------
        CurveError
            A level outside -100 to 200 dB, or a time that is negative or not finite.
        """
        check_number("share, hours", hours, may_be_zero=True)
        return hours / self.allowed_hours(level_dba)


WHO_ADULTS = Guide(
    name="WHO/ITU H.870 for adults",
    level_dba=80.0,
    hours=40.0,
    period="week",
    halving_db=None,
    source="ITU-T H.870 and WHO, safe listening devices: 80 dB(A) for 40 h a week, equal energy",
    confirmed=True,
)
WHO_CHILDREN = Guide(
    name="WHO/ITU H.870 for children",
    level_dba=75.0,
    hours=40.0,
    period="week",
    halving_db=None,
    source="ITU-T H.870 and WHO, safe listening devices: 75 dB(A) for 40 h a week, equal energy",
    confirmed=True,
)
NIOSH = Guide(
    name="NIOSH for work",
    level_dba=85.0,
    hours=8.0,
    period="day",
    halving_db=3.0,
    source="NIOSH recommended exposure limit: 85 dB(A) for 8 h a day, halved every 3 dB",
    confirmed=True,
)

GUIDES = (WHO_ADULTS, WHO_CHILDREN, NIOSH)
"""Guidances to choose from, the one for leisure first."""


def say_hours(hours: float) -> str:
    """Write a time.

    Parameters
    ----------
    hours : float
        Time [h].

    Returns
    -------
    str
        In hours, minutes or seconds, two digits.

    Examples
    --------
    >>> say_hours(20.05), say_hours(0.4), say_hours(0.004)
    ('20 h', '24 min', '14 s')
    """
    if hours >= 1:
        return f"{hours:.0f} h" if hours >= 10 else f"{hours:.1f} h"  # noqa: PLR2004 - two digits
    minutes = 60 * hours
    return f"{minutes:.0f} min" if minutes >= 1 else f"{60 * minutes:.0f} s"
