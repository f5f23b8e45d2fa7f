"""Choose the resistors of a pad from the E24 series by what they should do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.attenuators import Pad, PadEffect, predict_pad
from ohmshift.chain.circuits import combine_parallel
from ohmshift.chain.elements import check_number
from ohmshift.curves.smoothing import mean_levels
from ohmshift.curves.values import FloatArray, Impedance, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

E24 = (
    1.0,
    1.1,
    1.2,
    1.3,
    1.5,
    1.6,
    1.8,
    2.0,
    2.2,
    2.4,
    2.7,
    3.0,
    3.3,
    3.6,
    3.9,
    4.3,
    4.7,
    5.1,
    5.6,
    6.2,
    6.8,
    7.5,
    8.2,
    9.1,
)
"""The 24 preferred values of one decade, IEC 60063."""

_WISHES = ("the attenuation", "the source impedance", "the load")


def e24_values(low_ohm: float = 1.0, high_ohm: float = 10_000.0) -> FloatArray:
    """Give the E24 resistances of a range.

    Parameters
    ----------
    low_ohm, high_ohm : float
        Ends of the range, both counted in [ohm].

    Returns
    -------
    ndarray, shape (n,)
        Preferred values, rising [ohm].

    Raises
    ------
    CurveError
        A range that is empty or not positive.

    References
    ----------
    .. [1] IEC 60063, Preferred number series for resistors and capacitors.

    Examples
    --------
    >>> e24_values(8, 13)
    array([ 8.2,  9.1, 10. , 11. , 12. , 13. ])
    """
    if not 0 < low_ohm <= high_ohm < np.inf:
        raise CurveError(
            "e24_values", "the range must rise from above 0 ohm", f"it goes from {low_ohm:g} to {high_ohm:g}", "mend it"
        )
    decades = range(int(np.floor(np.log10(low_ohm))), int(np.floor(np.log10(high_ohm))) + 1)
    values = [float(f"{value}e{decade}") for decade in decades for value in E24]
    return np.array([ohm for ohm in values if low_ohm <= ohm <= high_ohm])


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PadTable:
    """Every pad that two columns of resistors can make, and what each does.

    Parameters
    ----------
    series_ohm, shunt_ohm : ndarray, shape (p,)
        The resistors of each pad [ohm].
    level_drop_db : ndarray, shape (p,)
        Mean change over the level band [dB]; negative is quieter.
    source_ohm : ndarray, shape (p,)
        Source impedance that the earphone sees [ohm].
    lowest_load_ohm : ndarray, shape (p,)
        Smallest load that the amplifier sees [ohm].
    impedance : Impedance
        The earphone's.
    amplifier_ohm : float
        Output resistance of the amplifier [ohm].
    level_low_hz, level_high_hz : float
        The level band [Hz].
    """

    series_ohm: FloatArray
    shunt_ohm: FloatArray
    level_drop_db: FloatArray
    source_ohm: FloatArray
    lowest_load_ohm: FloatArray
    impedance: Impedance
    amplifier_ohm: float
    level_low_hz: float = 200.0
    level_high_hz: float = 2000.0

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("series_ohm", "shunt_ohm", "level_drop_db", "source_ohm", "lowest_load_ohm"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def tabulate_pads(
    impedance: Impedance,
    *,
    amplifier_ohm: float = 0.0,
    resistors_ohm: npt.ArrayLike | None = None,
    level_low_hz: float = 200.0,
    level_high_hz: float = 2000.0,
) -> PadTable:
    """Compute every pad of one series and one shunt resistor, either of which may be left out.

    Parameters
    ----------
    impedance : Impedance
        The earphone's.
    amplifier_ohm : float
        Output resistance of the amplifier, with the cable before the pad [ohm].
    resistors_ohm : array_like, shape (m,), optional
        Resistors to choose from [ohm]; E24 from 1 ohm to 10 kilohm by default.
    level_low_hz, level_high_hz : float
        Band whose mean change counts as the attenuation [Hz].

    Returns
    -------
    PadTable
        All (m + 1)^2 - 1 of them.

    Raises
    ------
    CurveError
        An impedance that does not cover the level band, or a resistance out of range.
    """
    check_number("tabulate_pads, amplifier_ohm", amplifier_ohm, may_be_zero=True)
    values = e24_values() if resistors_ohm is None else np.asarray(resistors_ohm, dtype=np.float64)
    if not values.size:
        raise CurveError("tabulate_pads, resistors_ohm", "a pad needs a resistor", "there is none", "give some")
    for ohm in values:
        check_number("tabulate_pads, resistors_ohm", float(ohm))
    # The first pad is checked by name, so that what is wrong with the impedance is said once and in one way.
    predict_pad(
        impedance,
        Pad(series_ohm=float(values[0])),
        source_ohm=amplifier_ohm,
        level_low_hz=level_low_hz,
        level_high_hz=level_high_hz,
    )
    across = np.append(values, np.inf)
    R_a, R_b = (grid.ravel() for grid in np.meshgrid(np.insert(values, 0, 0.0), across, indexing="ij"))
    lowest = _lowest_loads(impedance, np.insert(values, 0, 0.0), across).ravel()
    some = (R_a > 0) | np.isfinite(R_b)
    R_a, R_b, lowest = R_a[some], R_b[some], lowest[some]
    before = amplifier_ohm + R_a
    share = np.where(np.isinf(R_b), 0.0, before / R_b)
    R_th = before / (1 + share)
    level_db = _mean_levels_behind(impedance, np.append(R_th, amplifier_ohm), level_low_hz, level_high_hz)
    return PadTable(
        series_ohm=R_a,
        shunt_ohm=R_b,
        level_drop_db=level_db[-1] - level_db[:-1] - 20 * np.log10(1 + share),
        source_ohm=R_th,
        lowest_load_ohm=lowest,
        impedance=impedance,
        amplifier_ohm=amplifier_ohm,
        level_low_hz=level_low_hz,
        level_high_hz=level_high_hz,
    )


def design_pad(
    table: PadTable,
    *,
    quieter_db: float,
    source_below_ohm: float = float("inf"),
    load_above_ohm: float = 0.0,
    tolerance_db: float = 0.5,
    most: int = 10,
) -> tuple[PadEffect, ...]:
    """Find the pads that come closest to an attenuation within limits on both ends.

    Parameters
    ----------
    table : PadTable
        Pads to choose from, of `tabulate_pads`.
    quieter_db : float
        Attenuation wanted [dB], above 0.
    source_below_ohm : float
        The earphone shall see less than this [ohm]; no limit by default.
    load_above_ohm : float
        The amplifier shall see more than this at every frequency [ohm]; no limit by default.
    tolerance_db : float
        How far off the attenuation may be [dB].
    most : int
        How many pads to give at most, 1 or more.

    Returns
    -------
    tuple of PadEffect
        Closest first; at least one.

    Raises
    ------
    CurveError
        A wish out of range, or wishes that no pad fulfils together; it says which of them are in each other's way, and
        how far each would have to be relaxed alone.

    Examples
    --------
    >>> from ohmshift.curves.values import Impedance
    >>> flat = Impedance(frequency_hz=[20, 200, 2000, 20000], impedance_ohm=[16, 16, 16, 16])
    >>> best = design_pad(tabulate_pads(flat), quieter_db=20, source_below_ohm=2, load_above_ohm=10)[0]
    >>> best.pad.series_ohm, best.pad.shunt_ohm, round(best.level_drop_db, 2)
    (16.0, 2.0, -20.0)
    """
    check_number("design_pad, quieter_db", quieter_db)
    check_number("design_pad, tolerance_db", tolerance_db)
    check_number("design_pad, most", most)
    check_number("design_pad, load_above_ohm", load_above_ohm, may_be_zero=True)
    if not np.isinf(source_below_ohm):
        check_number("design_pad, source_below_ohm", source_below_ohm)
    off_db = np.abs(table.level_drop_db + quieter_db)
    kept = np.stack(
        [off_db <= tolerance_db, table.source_ohm < source_below_ohm, table.lowest_load_ohm > load_above_ohm]
    )
    if not kept.all(axis=0).any():
        rule = f"{quieter_db:g} dB quieter within {tolerance_db:g} dB"
        rule += f", with a source impedance below {source_below_ohm:g} ohm" if np.isfinite(source_below_ohm) else ""
        rule += f", with a load above {load_above_ohm:g} ohm" if load_above_ohm > 0 else ""
        rule += ", needs a pad in the table"
        raise _conflict(table, kept, quieter_db, rule=rule)
    candidates = np.flatnonzero(kept.all(axis=0))
    best = candidates[np.argsort(off_db[candidates], kind="stable")][:most]
    return tuple(
        predict_pad(
            table.impedance,
            Pad(series_ohm=float(table.series_ohm[i]), shunt_ohm=float(table.shunt_ohm[i])),
            source_ohm=table.amplifier_ohm,
            level_low_hz=table.level_low_hz,
            level_high_hz=table.level_high_hz,
        )
        for i in best
    )


def _lowest_loads(impedance: Impedance, R_a: FloatArray, R_b: FloatArray) -> FloatArray:
    """Give min |R_a + R_b || Z| over frequency, shape (R_a, R_b)."""
    W = combine_parallel(R_b[:, np.newaxis], impedance.impedance_ohm)
    X2 = W.imag**2
    return np.asarray(np.sqrt([((ohm + W.real) ** 2 + X2).min(axis=-1) for ohm in R_a]))


def _mean_levels_behind(impedance: Impedance, R_th: FloatArray, low_hz: float, high_hz: float) -> FloatArray:
    """Give the mean level of |Z + R_th| over a band, for the points that the band needs."""
    f, Z = impedance.frequency_hz, impedance.impedance_ohm
    needed = slice(max(int(np.searchsorted(f, low_hz, "right")) - 1, 0), int(np.searchsorted(f, high_hz, "left")) + 1)
    power = (Z.real[needed] + R_th[:, np.newaxis]) ** 2 + Z.imag[needed] ** 2
    return np.asarray(mean_levels(f[needed], 10 * np.log10(power), low_hz=[low_hz], high_hz=[high_hz])[:, 0])


def _conflict(table: PadTable, kept: npt.NDArray[np.bool_], quieter_db: float, *, rule: str) -> CurveError:
    """Say which wishes are in each other's way, and how far each alone would have to give."""
    pairs = [(i, j) for i, j in ((0, 1), (0, 2), (1, 2)) if not (kept[i] & kept[j]).any()]
    alone = [i for i in range(3) if not kept[i].any()]
    if alone:
        found = " and ".join(f"{_WISHES[i]} alone cannot be had" for i in alone)
    elif pairs:
        found = " and ".join(f"{_WISHES[i]} and {_WISHES[j]} are in each other's way" for i, j in pairs)
    else:
        found = "any two of the three wishes can be had, not all three"
    reach = []
    if (others := kept[1] & kept[2]).any():
        nearest = -1.0 * table.level_drop_db[others][np.argmin(np.abs(table.level_drop_db[others] + quieter_db))]
        reach.append(f"{nearest + 0.0:.1f} dB quieter")
    if (others := kept[0] & kept[2]).any():
        reach.append(f"a source impedance of {table.source_ohm[others].min():.3g} ohm")
    if (others := kept[0] & kept[1]).any():
        reach.append(f"a load of {table.lowest_load_ohm[others].max():.3g} ohm")
    mend = f"keep the other wishes and settle for {', or for '.join(reach)}" if reach else "relax two of them"
    return CurveError("design_pad", rule, found, mend)
