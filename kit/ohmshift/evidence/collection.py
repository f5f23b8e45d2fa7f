"""A collection: every earphone of a study at one added resistance, in numbers that can be compared."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np
import pandas as pd

from ohmshift.curves.values import FloatArray, read_only
from ohmshift.errors import EvidenceError
from ohmshift.evidence.metrics import METRICS, UNITS
from ohmshift.evidence.wording import ceil_bound, choose_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.curves.grids import Bands
    from ohmshift.evidence.metrics import Estimate, Metric
    from ohmshift.evidence.wording import Word

Origin: TypeAlias = Literal["measured", "recovered", "unknown"]

_DIGITS: Mapping[Metric, int] = {"size": 2, "bass": 2, "treble": 2, "tilt": 3, "level drop": 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpedanceFeatures:
    """An earphone's impedance in a few numbers.

    Parameters
    ----------
    origin : {"measured", "recovered", "unknown"}
        Where it comes from. A recovered one comes from the very responses that it is compared with.
    at_1khz_ohm : float
        Magnitude at 1 kHz [ohm]; nan where it is unknown, as are the others.
    lowest_ohm, highest_ohm : float
        Smallest and largest magnitude over the bands judged [ohm].
    bass_ohm, treble_ohm : float
        Geometric mean of the magnitude [ohm] over the bands that make up the bass, and the treble.
    """

    origin: Origin = "unknown"
    at_1khz_ohm: float = float("nan")
    lowest_ohm: float = float("nan")
    highest_ohm: float = float("nan")
    bass_ohm: float = float("nan")
    treble_ohm: float = float("nan")

    @property
    def spread(self) -> float:
        """The largest magnitude over the smallest."""
        return self.highest_ohm / self.lowest_ohm

    def describe(self, metric: Metric) -> tuple[float, float]:
        """Describe the magnitude by the two numbers that bear on a metric.

        Parameters
        ----------
        metric : str
            The metric.

        Returns
        -------
        tuple of two floats
            Logarithm of the magnitude at 1 kHz, and of a ratio: highest to lowest for the size, bass or treble to 1 kHz
            for these, treble to bass for the tilt.
        """
        over, under = {
            "bass": (self.bass_ohm, self.at_1khz_ohm),
            "treble": (self.treble_ohm, self.at_1khz_ohm),
            "tilt": (self.treble_ohm, self.bass_ohm),
        }.get(metric, (self.highest_ohm, self.lowest_ohm))
        return float(np.log(self.at_1khz_ohm)), float(np.log(over / under))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CollectedEarphone:
    """One earphone of a collection.

    Parameters
    ----------
    label : str
        The earphone.
    driver_class : str
        Class of its drivers, in the study's words.
    driver_count : int or None
        Drivers a side; None where the study does not say.
    estimates : mapping of str to Estimate
        Each metric with its uncertainty, as measured.
    noise_size_db : float
        Size that measurement variation alone would show [dB].
    band_change_db : ndarray, shape (b,)
        Change in bands, level removed [dB].
    word : str
        Word of the verdict over all bands.
    region_words : tuple of three str
        The same below 100 Hz, from 100 Hz to 5 kHz, and above.
    bound_db : float
        Smallest margin for which "no change larger than" would hold [dB].
    region_bounds_db : tuple of three floats
        The same in the three regions.
    seats : tuple of two int
        Seats a channel, without and with the resistance.
    impedance : ImpedanceFeatures
        What is known of its impedance.
    predicted : mapping of str to float
        Each metric as the divider predicts it from the impedance, without any fitted parameter; nan where the impedance
        is unknown.
    caveats : tuple of str
        What to keep in mind.
    """

    label: str
    driver_class: str
    driver_count: int | None
    estimates: Mapping[Metric, Estimate]
    noise_size_db: float
    band_change_db: FloatArray
    word: Word
    region_words: tuple[Word, Word, Word]
    bound_db: float
    region_bounds_db: tuple[float, float, float]
    seats: tuple[int, int]
    impedance: ImpedanceFeatures
    predicted: Mapping[Metric, float]
    caveats: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Lock the array."""
        object.__setattr__(self, "band_change_db", read_only(self.band_change_db))

    def at_margin(self, margin_db: float) -> CollectedEarphone:
        """Give the same earphone judged at another margin.

        Parameters
        ----------
        margin_db : float
            Smallest change that matters [dB].

        Returns
        -------
        CollectedEarphone
            With other words; whether something changed does not depend on the margin.
        """
        said = zip((self.word, *self.region_words), (self.bound_db, *self.region_bounds_db), strict=True)
        word, bass, midrange, treble = (
            choose_word(changed=word.startswith("changed"), bounded=bound_db <= margin_db) for word, bound_db in said
        )
        return replace(self, word=word, region_words=(bass, midrange, treble))

    def value(self, metric: Metric) -> float:
        """Give a metric as measured.

        Parameters
        ----------
        metric : str
            The metric.

        Returns
        -------
        float
            In its unit; nan where it could not be measured.
        """
        return self.estimates[metric].value


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Collection:
    """Every earphone of a study at one added resistance.

    Parameters
    ----------
    added_ohm : float
        Resistance added [ohm].
    margin_db : float
        Smallest change that matters [dB].
    bands : Bands
        Bands of the changes.
    earphones : tuple of CollectedEarphone
        In the order of the study.
    left_out : tuple of str
        Earphones of the study that were not compared at that resistance.

    Raises
    ------
    EvidenceError
        No earphone, or one twice.
    """

    added_ohm: float
    margin_db: float
    bands: Bands
    earphones: tuple[CollectedEarphone, ...]
    left_out: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Check once."""
        if not self.earphones or len({one.label for one in self.earphones}) < len(self.earphones):
            raise EvidenceError(
                "Collection",
                "a collection holds earphones, each once",
                f"it holds {', '.join(one.label for one in self.earphones) or 'none'}",
                "give each earphone once",
            )

    @property
    def labels(self) -> tuple[str, ...]:
        """Names of the earphones."""
        return tuple(one.label for one in self.earphones)

    def at_margin(self, margin_db: float) -> Collection:
        """Give the same collection judged at another margin.

        Parameters
        ----------
        margin_db : float
            Smallest change that matters [dB].

        Returns
        -------
        Collection
            With other words; numbers stay.

        Raises
        ------
        EvidenceError
            A margin that is not above 0.
        """
        if not margin_db > 0:
            rule = "a margin is above 0 dB"
            raise EvidenceError("Collection.at_margin, margin_db", rule, f"it is {margin_db}", "give 1.0")
        earphones = tuple(one.at_margin(margin_db) for one in self.earphones)
        return replace(self, margin_db=margin_db, earphones=earphones)

    def values(self, metric: Metric) -> FloatArray:
        """Give a metric of every earphone as measured.

        Parameters
        ----------
        metric : str
            The metric.

        Returns
        -------
        ndarray, shape (n,)
            In the metric's unit; nan where it could not be measured.
        """
        return np.array([one.value(metric) for one in self.earphones])

    def predicted(self, metric: Metric) -> FloatArray:
        """Give a metric of every earphone as the divider predicts it.

        Parameters
        ----------
        metric : str
            The metric.

        Returns
        -------
        ndarray, shape (n,)
            In the metric's unit; nan where the impedance is unknown.
        """
        return np.array([one.predicted.get(metric, np.nan) for one in self.earphones])

    def table(self) -> pd.DataFrame:
        """Put the collection into a table.

        Returns
        -------
        DataFrame
            One row an earphone: driver class and count; the verdict over all bands and in three regions; each metric
            with its standard uncertainty (u) and 95 % interval; impedance where known; the size that the divider
            predicts.
        """
        return pd.DataFrame([_row(one) for one in self.earphones])


def _row(one: CollectedEarphone) -> dict[str, object]:
    row: dict[str, object] = {
        "earphone": one.label,
        "driver class": one.driver_class,
        "drivers": pd.NA if one.driver_count is None else one.driver_count,
        "verdict": one.word,
        "below 100 Hz": one.region_words[0],
        "100 Hz to 5 kHz": one.region_words[1],
        "above 5 kHz": one.region_words[2],
        "bound (dB)": float(ceil_bound(one.bound_db)),
    }
    for name in METRICS:
        estimate, unit, digits = one.estimates[name], UNITS[name], _DIGITS[name]
        row[f"{name} ({unit})"] = round(estimate.value, digits) + 0.0
        row[f"{name}, u ({unit})"] = round(estimate.uncertainty, digits)
        row[f"{name}, low ({unit})"] = round(estimate.low, digits) + 0.0
        row[f"{name}, high ({unit})"] = round(estimate.high, digits) + 0.0
    row |= {
        "|Z| at 1 kHz (ohm)": round(one.impedance.at_1khz_ohm, 1),
        "|Z| lowest (ohm)": round(one.impedance.lowest_ohm, 1),
        "|Z| highest (ohm)": round(one.impedance.highest_ohm, 1),
        "|Z| spread (ratio)": round(one.impedance.spread, 2),
        "impedance": one.impedance.origin,
        "predicted size (dB)": round(one.predicted.get("size", float("nan")), 2),
    }
    return row
