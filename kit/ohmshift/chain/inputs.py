"""What a recovery is given: checked once, and on one form whatever the number of resistances."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.gainphase import GainPhase, plan_gain_phase
from ohmshift.chain.inverse import NEPER_PER_DB, transfer_from_change
from ohmshift.chain.levels import passive_level_limit
from ohmshift.curves.grids import Bands, fractional_octave_bands
from ohmshift.curves.smoothing import band_levels
from ohmshift.curves.values import ComplexArray, FloatArray, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.levels import AnchorImpedance

_LEAST_SD_DB = 0.05
_SIGMAS_TO_SAY = 2.0
_SIGMAS_TO_REFUSE = 4.0
_STEEP_DB = 0.5
_NOT_QUITE = 0.8  # a third octave at 100 Hz starts at 89 Hz
_LEAST_OHM = 1e-9
# What no passive load does: how the response moves, the rule, how to mend it, what to doubt.
_WAYS = (
    (
        "rises",
        "a passive earphone gets no louder behind a resistance",
        "check that levels are absolute, which response is which, and the seal",
        "not passive, not the divider alone, or not the same seating",
    ),
    (
        "falls",
        "a change is no larger than that of 0 ohm behind the source stated",
        "check that levels are absolute, and the impedance of amplifier and cable",
        "the source is lower than stated, or it is not the divider alone",
    ),
)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Inputs:
    """Data and options of a recovery.

    Parameters
    ----------
    plan : GainPhase
        Gain-phase integral on the frequency grid.
    change_db : ndarray, shape (m, n)
        Changes of response [dB].
    added_ohm : ndarray, shape (m,)
        Resistances added [ohm].
    source_ohm : ndarray of complex, shape (n,)
        Source impedance [ohm].
    added_tolerance : ndarray, shape (m,)
        Standard uncertainty of each resistance, as a share of it.
    source_spread_ohm : float
        Standard uncertainty of the source resistance [ohm].
    noise_db : ndarray, shape (m, k, n)
        Curves of noise [dB]; k is 0 where none was given.
    level_known : bool
        Whether the changes hold their level.
    anchor : AnchorImpedance or None
        Impedance known at one frequency.
    readable : ndarray of bool, shape (n,)
        Where the responses were certain to be aligned.
    readable_high_hz : float or None
        Up to where that is [Hz].
    caveats : tuple of str
        What the data give reason to say.
    label : str
        The earphone.
    """

    plan: GainPhase
    change_db: FloatArray
    added_ohm: FloatArray
    source_ohm: ComplexArray
    added_tolerance: FloatArray
    source_spread_ohm: float
    noise_db: FloatArray
    level_known: bool
    anchor: AnchorImpedance | None
    readable: npt.NDArray[np.bool_]
    readable_high_hz: float | None
    caveats: tuple[str, ...]
    label: str

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("change_db", "added_ohm", "added_tolerance", "noise_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "source_ohm", read_only(self.source_ohm, np.complex128))
        object.__setattr__(self, "readable", read_only(self.readable, np.bool_))

    def bands(self, *, low_hz: float = 0.0) -> Bands:
        """Give the third-octave bands that the readable data cover.

        Parameters
        ----------
        low_hz : float
            Only bands from about here on [Hz].

        Returns
        -------
        Bands
            Bands, those that reach beyond the data left out.
        """
        f, bands = self.plan.frequency_hz, fractional_octave_bands(3)
        kept = f[self.readable & (f >= low_hz * _NOT_QUITE)]
        low, high = (kept[0], kept[-1]) if kept.size else (f[0], f[0])
        inside = (bands.low_hz >= low * (1 - 1e-9)) & (bands.high_hz <= high * (1 + 1e-9))
        return Bands(
            fraction=3, low_hz=bands.low_hz[inside], mid_hz=bands.mid_hz[inside], high_hz=bands.high_hz[inside]
        )


def check_inputs(
    frequency_hz: npt.ArrayLike,
    change_db: npt.ArrayLike,
    *,
    added_ohm: npt.ArrayLike,
    source_ohm: npt.ArrayLike,
    added_tolerance: npt.ArrayLike,
    source_spread_ohm: float,
    noise_db: npt.ArrayLike | None,
    level_known: bool,
    anchor: AnchorImpedance | None,
    readable_high_hz: float | None,
    label: str,
) -> Inputs:
    """Check what a recovery is given, and bring it on one form.

    Parameters
    ----------
    frequency_hz, change_db, added_ohm, source_ohm, added_tolerance, source_spread_ohm, noise_db : array_like
        As `recover_impedance` takes them.
    level_known, anchor, readable_high_hz, label : object
        As `recover_impedance` takes them.

    Returns
    -------
    Inputs
        Data and options.

    Raises
    ------
    CurveError
        Input that breaks a rule, or a change by more than noise beyond what a passive load does.
    """
    plan = plan_gain_phase(frequency_hz)
    f, where = plan.frequency_hz, label or "recover_impedance"
    D = np.atleast_2d(np.asarray(change_db, dtype=np.float64))
    R = np.atleast_1d(np.asarray(added_ohm, dtype=np.float64))
    R_0 = np.asarray(source_ohm, dtype=np.complex128)
    noise = np.zeros((R.size, 0, f.size)) if noise_db is None else np.asarray(noise_db, dtype=np.float64)
    noise = noise[np.newaxis] if noise.ndim == 2 and R.size == 1 else noise  # noqa: PLR2004 - (k, n)
    _check_shapes(where, f, D=D, R=R, R_0=R_0, noise=noise)
    _check_values(where, (D, R, R_0, noise), added_tolerance, source_spread_ohm)
    if not level_known and anchor is None and np.unique(R).size < R.size + (R.size == 1):
        most = say_limits(_limit_levels(plan, D, R, float(R_0.real.min())))
        raise CurveError(
            where,
            "a change of lost level needs the impedance at one frequency, or two different resistances",
            f"there is no anchor, with {R.size} resistances; {most} is the most a passive load allows to add",
            "give an anchor, or measure with another resistance",
        )
    given = Inputs(
        plan=plan,
        change_db=D,
        added_ohm=R,
        source_ohm=np.broadcast_to(R_0, f.shape),
        added_tolerance=np.broadcast_to(np.asarray(added_tolerance, dtype=np.float64), R.shape),
        source_spread_ohm=source_spread_ohm,
        noise_db=noise,
        level_known=level_known,
        anchor=anchor,
        readable=f <= (np.inf if readable_high_hz is None else readable_high_hz),
        readable_high_hz=readable_high_hz,
        caveats=(),
        label=label,
    )
    return replace(given, caveats=tuple(_doubts(given, where)))


def say_limits(limit_db: FloatArray) -> str:
    """Write the most that passive loads allow to be added to levels.

    Parameters
    ----------
    limit_db : ndarray, shape (m,)
        Limits [dB].

    Returns
    -------
    str
        The limits with sign and unit.

    Examples
    --------
    >>> say_limits(np.array([1.25, -3]))
    '+1.25 dB, -3.00 dB'
    """
    return ", ".join(f"{value:+.2f} dB" for value in limit_db)


def _limit_levels(plan: GainPhase, D: FloatArray, R: FloatArray, source_ohm: float) -> FloatArray:
    h = transfer_from_change(plan, D, added_ohm=R[:, np.newaxis], continuation="slope", passive=False)
    return np.asarray(20 * np.log10(passive_level_limit(h, added_ohm=R, source_ohm=source_ohm)))


def _check_shapes(
    where: str, f: FloatArray, *, D: FloatArray, R: FloatArray, R_0: ComplexArray, noise: FloatArray
) -> None:
    fits = D.shape == (R.size, f.size) and R.ndim == 1 and R_0.shape in {(), f.shape}
    curves = noise.ndim == 3 and (noise.shape[0], noise.shape[2]) == (R.size, f.size)  # noqa: PLR2004 - (m, k, n)
    if not (fits and curves):
        raise CurveError(
            where,
            "changes need one row a resistance and one value a frequency; noise curves likewise",
            f"{R.size} resistances, {f.size} frequencies, changes {D.shape}, source {R_0.shape}, noise {noise.shape}",
            "bring all of them on one grid",
        )


def _check_values(
    where: str,
    arrays: tuple[FloatArray, FloatArray, ComplexArray, FloatArray],
    tolerance: npt.ArrayLike,
    spread_ohm: float,
) -> None:
    _, R, R_0, _ = arrays
    finite = all(np.all(np.isfinite(values)) for values in arrays)
    share = np.asarray(tolerance, dtype=np.float64)
    spreads = np.append(share, spread_ohm)
    if not finite or np.any(R <= 0) or np.any(R_0.real < 0) or not np.all((spreads >= 0) & (spreads < np.inf)):
        raise CurveError(
            where,
            "values must be finite, resistances above 0 ohm, the source passive, tolerances and spreads 0 or more",
            f"the lowest resistance is {R.min():g} ohm, tolerance {share.min():g}, spread {spread_ohm:g} ohm",
            "mend the one that is off",
        )


def _doubts(given: Inputs, where: str) -> list[str]:
    said, f, anchor = [], given.plan.frequency_hz, given.anchor
    if given.noise_db.shape[1] == 0:
        said.append("No noise was given: the bands hold the band's ends and tolerances only, and are too narrow.")
    if given.level_known:
        said += _not_passive(given, where)
    elif anchor is not None and not f[0] <= anchor.frequency_hz <= f[-1]:
        at = 0 if anchor.frequency_hz < f[0] else -1
        steep_db = float(np.abs(given.change_db @ given.plan.slopes)[:, at].max()) * float(np.log(2))
        if steep_db > _STEEP_DB:
            raise CurveError(
                where,
                "an anchor outside the data holds only where the change is level towards it",
                f"at {f[at]:.0f} Hz the change goes by {steep_db:.1f} dB an octave: there may be a series capacitor",
                "give the impedance at a frequency within the data, best 1 kHz",
            )
        said.append(f"The {anchor.what} was taken to hold at {f[at]:.0f} Hz: it fails behind a series capacitor.")
    return said


def _not_passive(given: Inputs, where: str) -> list[str]:
    """Say what is more than a passive load can do, louder or quieter than one of 0 ohm, or refuse it."""
    bands = given.bands()
    if not len(bands):
        return []
    f = given.plan.frequency_hz
    R, R_0 = given.added_ohm[:, np.newaxis], np.maximum(given.source_ohm.real, _LEAST_OHM)
    change, noise = band_levels(f, given.change_db, bands), band_levels(f, given.noise_db, bands)
    variance = np.maximum(np.sum(noise**2, axis=1) / max(noise.shape[1], 1), _LEAST_SD_DB**2)
    lowest = band_levels(f, 20 * np.log10(R_0 / (R + R_0)), bands)
    share = np.hypot(given.added_tolerance[:, np.newaxis], given.source_spread_ohm / R_0)
    spread = band_levels(f, share * R / (R + R_0) / NEPER_PER_DB, bands)
    quieter = (lowest - change) / np.sqrt(variance + spread**2)
    said = []
    for beyond, (moves, rule, mend, doubt) in zip((change / np.sqrt(variance), quieter), _WAYS, strict=True):
        row, band = np.unravel_index(int(np.argmax(beyond)), beyond.shape)
        ohm, at = f"{R[row, 0]:g} ohm", f"{bands.mid_hz[band]:.0f} Hz"
        if beyond[row, band] > _SIGMAS_TO_REFUSE:
            raise CurveError(where, rule, f"with {ohm} the third octave at {at} {moves} by far more than noise", mend)
        if beyond[row, band] > _SIGMAS_TO_SAY:
            said.append(f"At {at} the response {moves} with {ohm} by more than noise: {doubt}.")
    return said
