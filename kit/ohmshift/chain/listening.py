"""Sensitivity, level at the ear, and the thresholds that listening is judged by, each with its source."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from ohmshift.chain.elements import check_number
from ohmshift.errors import CurveError

SensitivityReference: TypeAlias = Literal["dB/mW", "dB/V"]

CHARACTERISTIC_DB = 94.0
"""Level that the characteristic voltage makes [dB re 20 µPa]: 1 Pa (IEC 60268-7:2010, 7.2 and 8.3.3)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """A number that listening is judged by.

    Parameters
    ----------
    value : float
        Its value, in `unit`.
    unit : str
        Its unit.
    what : str
        What it is, as a phrase.
    source : str
        Where it comes from.
    confirmed : bool
        Whether that source was seen to say so; if not, say "about", and that it is not confirmed.
    """

    value: float
    unit: str
    what: str
    source: str
    confirmed: bool

    def __str__(self) -> str:
        """Write it, with a warning where it is not confirmed."""
        doubt = "" if self.confirmed else ", not confirmed"
        about = "" if self.confirmed else "about "
        return f"{self.what}: {about}{self.value:g} {self.unit} ({self.source}{doubt})"


LEVEL_STEP = Threshold(
    value=1.0,
    unit="dB",
    what="smallest change of level that is usually heard",
    source="Jesteadt, Wier and Green 1977, J. Acoust. Soc. Am. 61, 169, from memory",
    confirmed=False,
)
"""Smallest change of level heard, at middle levels 0.5 to 1 dB."""

PLAYER_LIMIT = Threshold(
    value=0.150,
    unit="V",
    what="highest voltage of a portable player into 32 ohm",
    source="EN 50332-2, as published summaries state it",
    confirmed=True,
)
"""What a player may deliver; a resistance in series lowers the level that this limit was made for."""

PLAYER_LIMIT_LOAD_OHM = 32.0
"""Load that the player's limit is measured with [ohm]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """An earphone's sensitivity.

    Parameters
    ----------
    level_db : float
        Level for 1 mW in the rated impedance, or for 1 V [dB re 20 µPa].
    reference : {"dB/mW", "dB/V"}
        Which of the two.
    rated_ohm : float, optional
        Rated impedance [ohm]; needed to go from one reference to the other.

    Raises
    ------
    CurveError
        A level that is not finite, another reference, or no rated impedance for a sensitivity in dB/mW.

    Notes
    -----
    1 mW is taken in the rated impedance, as IEC 60268-7 has it, at one frequency (500 Hz there; makers differ). The
    level is that of the maker's coupler or ear simulator.

    References
    ----------
    .. [1] IEC 60268-7:2010, 7.2 and 8.3.3.

    Examples
    --------
    >>> earphone = Sensitivity(level_db=104, reference="dB/mW", rated_ohm=16)
    >>> round(earphone.per_volt_db, 2), round(1000 * earphone.characteristic_v, 1)
    (121.96, 40.0)
    """

    level_db: float
    reference: SensitivityReference
    rated_ohm: float | None = None

    def __post_init__(self) -> None:
        """Check the values."""
        if not math.isfinite(self.level_db):
            raise CurveError("Sensitivity, level_db", "it is a level", f"it is {self.level_db}", "leave it out")
        if self.reference not in {"dB/mW", "dB/V"}:
            raise CurveError("Sensitivity, reference", "it is dB/mW or dB/V", f"it is {self.reference!r}", "say which")
        if self.rated_ohm is not None:
            check_number("Sensitivity, rated_ohm", self.rated_ohm)
        elif self.reference == "dB/mW":
            rule, mend = "a sensitivity in dB/mW needs the rated impedance", "state rated_ohm"
            raise CurveError("Sensitivity, rated_ohm", rule, "there is none", mend)

    @property
    def per_volt_db(self) -> float:
        """Level for 1 V [dB re 20 µPa]."""
        if self.reference == "dB/V" or self.rated_ohm is None:
            return self.level_db
        return self.level_db + 30 - 10 * math.log10(self.rated_ohm)

    @property
    def per_milliwatt_db(self) -> float:
        """Level for 1 mW in the rated impedance [dB re 20 µPa].

        Raises
        ------
        CurveError
            The rated impedance is not known.
        """
        if self.reference == "dB/mW":
            return self.level_db
        if self.rated_ohm is None:
            rule, mend = "dB/mW needs the rated impedance", "state rated_ohm"
            raise CurveError("Sensitivity, rated_ohm", rule, "there is none", mend)
        return self.level_db - 30 + 10 * math.log10(self.rated_ohm)

    @property
    def characteristic_v(self) -> float:
        """Voltage for 94 dB, the characteristic voltage [V]."""
        return self.voltage_v(CHARACTERISTIC_DB)

    def voltage_v(self, level_db: float) -> float:
        """Give the voltage at the earphone's terminals for a level.

        Parameters
        ----------
        level_db : float
            Level at the ear [dB re 20 µPa].

        Returns
        -------
        float
            Voltage [V r.m.s.].
        """
        return float(10 ** ((level_db - self.per_volt_db) / 20))

    def ear_level_db(self, voltage_v: float) -> float:
        """Give the level for a voltage at the earphone's terminals.

        Parameters
        ----------
        voltage_v : float
            Voltage [V r.m.s.], above 0.

        Returns
        -------
        float
            Level at the ear [dB re 20 µPa].

        Raises
        ------
        CurveError
            A voltage that is not above 0.
        """
        check_number("ear_level_db, voltage_v", voltage_v)
        return self.per_volt_db + 20 * math.log10(voltage_v)
