"""An earphone's impedance from what a known resistance does to its response, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from ohmshift.chain.denoising import smooth_by_noise
from ohmshift.chain.inputs import check_inputs, say_limits
from ohmshift.chain.solving import judge_rows, perturb, solve_impedance
from ohmshift.curves.values import ComplexArray, FloatArray, Impedance, Provenance, Step, read_only
from ohmshift.errors import CurveError

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.consistency import Agreement
    from ohmshift.chain.inputs import Inputs
    from ohmshift.chain.levels import AnchorImpedance
    from ohmshift.chain.solving import Solution

BandMethod: TypeAlias = Literal["ensemble", "linear"]
Smoothing: TypeAlias = Literal["by noise", "none"]

MOST_ERROR = 0.25
"""Half-width of the band of |Z|, as a share of |Z|, beyond which only its lower end is a statement."""

MOST_LEVEL_SPREAD_DB = 0.3
"""Standard deviation of a level found from several resistances, beyond which it is refused [dB]."""

_TAILS = (2.5, 97.5)
_STEEP_DB = 0.5
_LATEST_START_HZ = 50.0
_EARLIEST_END_HZ = 16_000.0
_FEWEST_PER_OCTAVE = 12
_DISAGREEMENT = 0.05
_LEVEL_SLACK_DB = 0.3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RecoveredImpedance:
    """Impedance recovered from changes of response, with 95 % bands.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        Frequency [Hz].
    impedance_ohm : ndarray of complex, shape (n,)
        Impedance [ohm].
    low_ohm, high_ohm : ndarray, shape (n,)
        95 % band of its magnitude [ohm], each frequency by itself.
    phase_low_deg, phase_high_deg : ndarray, shape (n,)
        95 % band of its phase [degree].
    draws_ohm : ndarray of complex, shape (N, n)
        Impedances that the data allow [ohm]: what predictions take their bands from.
    readable : ndarray of bool, shape (n,)
        False above the frequency up to which the responses were certain to be aligned.
    lower_bound_only : ndarray of bool, shape (n,)
        True where the band of |Z| is wider than 25 % either way: there |Z| is large beside the resistance, and
        `low_ohm` is what can be said.
    added_ohm : tuple of float, length m
        Resistances added [ohm].
    source_ohm : complex
        Impedance of amplifier and cable [ohm]; the first, where it depends on frequency.
    level_db : tuple of float, length m
        What was added to each change because its level was lost [dB]; 0 where it was known.
    level_spread_db : tuple of float, length m
        Its standard deviation [dB].
    level_limit_db : tuple of float, length m
        The most that a passive load allows to be added [dB].
    level_condition : float
        Condition number of finding the levels from several resistances; nan where they came otherwise.
    agreement : Agreement or None
        Whether several resistances agree with one load; None with one, or without noise.
    caveats : tuple of str
        What to keep in mind.
    options : tuple of (str, value) pairs
        Options of the recovery.
    seed : int
        Seed of the draws.
    label : str
        The earphone.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    low_ohm: FloatArray
    high_ohm: FloatArray
    phase_low_deg: FloatArray
    phase_high_deg: FloatArray
    draws_ohm: npt.NDArray[np.complex64]
    readable: npt.NDArray[np.bool_]
    lower_bound_only: npt.NDArray[np.bool_]
    added_ohm: tuple[float, ...]
    source_ohm: complex
    level_db: tuple[float, ...]
    level_spread_db: tuple[float, ...]
    level_limit_db: tuple[float, ...]
    level_condition: float
    agreement: Agreement | None
    caveats: tuple[str, ...]
    options: tuple[tuple[str, str | float | int | bool | None], ...]
    seed: int
    label: str = ""

    def __post_init__(self) -> None:
        """Lock the arrays."""
        for name in ("frequency_hz", "low_ohm", "high_ohm", "phase_low_deg", "phase_high_deg"):
            object.__setattr__(self, name, read_only(getattr(self, name)))
        object.__setattr__(self, "impedance_ohm", read_only(self.impedance_ohm, np.complex128))
        object.__setattr__(self, "draws_ohm", read_only(self.draws_ohm, np.complex64))
        for name in ("readable", "lower_bound_only"):
            object.__setattr__(self, name, read_only(getattr(self, name), np.bool_))

    def as_impedance(self) -> Impedance:
        """Give the recovered impedance as a curve, without its band.

        Returns
        -------
        Impedance
            The curve; its history says that it was recovered, and how.
        """
        return Impedance(
            frequency_hz=self.frequency_hz,
            impedance_ohm=self.impedance_ohm,
            label=self.label,
            provenance=Provenance(source="recovered from changes of response"),
            history=(Step(name="recover_impedance", options=self.options),),
        )


def recover_impedance(
    frequency_hz: npt.ArrayLike,
    change_db: npt.ArrayLike,
    *,
    added_ohm: npt.ArrayLike,
    source_ohm: npt.ArrayLike = 0.0,
    added_tolerance: npt.ArrayLike = 0.0,
    source_spread_ohm: float = 0.0,
    noise_db: npt.ArrayLike | None = None,
    level_known: bool = True,
    anchor: AnchorImpedance | None = None,
    readable_high_hz: float | None = None,
    smoothing: Smoothing = "by noise",
    band: BandMethod = "ensemble",
    draws: int = 300,
    seed: int = 0,
    label: str = "",
) -> RecoveredImpedance:
    """Recover an earphone's impedance from the change that a known resistance makes to its response.

    Parameters
    ----------
    frequency_hz : array_like, shape (n,)
        Frequency [Hz], rising; 12 points an octave or more.
    change_db : array_like, shape (n,) or (m, n)
        Change of response [dB], with the resistance minus without: one row for each resistance. Not smoothed, or no
        coarser than 1/12 octave: a third octave costs up to 1.2 dB of prediction.
    added_ohm : float or array_like, shape (m,)
        Resistances added [ohm].
    source_ohm : complex or array_like of complex, shape (n,)
        Impedance of amplifier and cable [ohm].
    added_tolerance : float or array_like, shape (m,)
        Standard uncertainty of each resistance as a share of it: 0.01 is 1 %.
    source_spread_ohm : float
        Standard uncertainty of the source resistance [ohm].
    noise_db : array_like, shape (k, n) or (m, k, n), optional
        Curves of noise [dB] whose second moments are the covariance of the change as given: noise.T @ noise / k. Rows
        of the same number belong together across resistances, as when these share the response without.
    level_known : bool
        Whether the change holds its true level. If not, an anchor or a second resistance must bring it back.
    anchor : AnchorImpedance, optional
        Impedance known at one frequency; used only where the level is lost.
    readable_high_hz : float, optional
        Up to where the responses were certain to be aligned [Hz].
    smoothing : {"by noise", "none"}
        "by noise" takes out of the changes what is more noise than feature, region by region (`smooth_by_noise`);
        without noise curves nothing is smoothed.
    band : {"ensemble", "linear"}
        How errors are carried: each draw solved anew, or to first order, which is faster.
    draws : int
        Number of draws, 50 or more.
    seed : int
        Seed of the draws.
    label : str
        The earphone.

    Returns
    -------
    RecoveredImpedance
        Impedance, bands, draws and caveats.

    Raises
    ------
    CurveError
        Input that breaks a rule; a change beyond what a passive load does, above 0 dB or below that of 0 ohm, by more
        than noise; a level that cannot be brought back.

    Notes
    -----
    H = (Z + R_0) / (Z + R_0 + R) is minimum phase because Z is passive, so the phase follows from the level [1]_, and
    Z = R H / (1 - H) - R_0. Several resistances give a weighted mean of 1 / (Z + R_0). An error of ln H makes a
    relative error of Z of (Z + R_0)(Z + R_0 + R) / (R Z) times as much: large where |Z| is large beside R, which is
    where the prediction for a similar or smaller resistance does not need it.

    The bands hold correlated noise, an unknown further slope of ln|H| beyond each end of the data, the resistance's
    tolerance and the source's spread, all normal. What smoothing takes away of features is not in them; in simulations
    that was too little to show. Without the unknown slopes the phase near the ends would be claimed
    far too well. Set aside after comparison: rational fits and other parametric forms (worse on earphones with several
    drivers), ignoring the phase (up to 1.8 dB off), and data cut at 5 kHz before the integral.

    References
    ----------
    .. [1] H. W. Bode, Network Analysis and Feedback Amplifier Design, Van Nostrand 1945, chapter 14.

    Examples
    --------
    A resistance of 16 ohm behind 16 ohm is halved at every frequency:

    >>> f = np.geomspace(20, 20000, 240)
    >>> recovered = recover_impedance(f, np.full(240, -6.0206), added_ohm=16)
    >>> round(float(recovered.impedance_ohm[120].real), 2)
    16.0
    """
    given = check_inputs(
        frequency_hz,
        change_db,
        added_ohm=added_ohm,
        source_ohm=source_ohm,
        added_tolerance=added_tolerance,
        source_spread_ohm=source_spread_ohm,
        noise_db=noise_db,
        level_known=level_known,
        anchor=anchor,
        readable_high_hz=readable_high_hz,
        label=label,
    )
    _check_choices(smoothing, band, draws)
    if smoothing == "by noise":
        given = _smooth(given)
    centre = solve_impedance(given)
    drawn = perturb(given, centre, draws=draws, seed=seed, linear=band == "linear")
    return _describe(given, centre, drawn, smoothing=smoothing, band=band, seed=seed)


def _check_choices(smoothing: str, band: str, draws: int) -> None:
    if band not in {"ensemble", "linear"} or smoothing not in {"by noise", "none"} or draws < 50:  # noqa: PLR2004 - fewer leave the tails to chance
        raise CurveError(
            "recover_impedance",
            'smoothing is "by noise" or "none", band is "ensemble" or "linear", with 50 draws or more',
            f"{smoothing!r}, {band!r} and {draws}",
            "mend it",
        )


def _smooth(given: Inputs) -> Inputs:
    f = given.plan.frequency_hz
    rows = [smooth_by_noise(f, *pair) for pair in zip(given.change_db, given.noise_db, strict=True)]
    return replace(given, change_db=np.array([row for row, _ in rows]), noise_db=np.array([left for _, left in rows]))


def _describe(
    given: Inputs, centre: Solution, drawn: Solution, *, smoothing: str, band: str, seed: int
) -> RecoveredImpedance:
    Z, cloud = centre.impedance_ohm, drawn.impedance_ohm
    magnitude = np.abs(Z)
    low, high = np.percentile(np.abs(cloud), _TAILS, axis=0)
    turned = np.degrees(np.angle(Z) + np.percentile(np.angle(cloud * np.conj(Z)), _TAILS, axis=0))
    spread_db = drawn.level_db.std(axis=0)
    _refuse_level(given, centre, spread_db)
    agreement = judge_rows(given, centre, drawn)
    wide = (high - low) / 2 > MOST_ERROR * np.minimum(magnitude, high)  # noise can take the change to none at all
    options = (
        ("added_ohm", ", ".join(f"{ohm:g}" for ohm in given.added_ohm)),
        ("source_ohm", f"{complex(given.source_ohm[0]):g}"),
        ("level_known", given.level_known),
        ("anchor", given.anchor.what if given.anchor else None),
        ("readable_high_hz", given.readable_high_hz),
        ("smoothing", smoothing),
        ("band", band),
        ("draws", int(cloud.shape[0])),
    )
    return RecoveredImpedance(
        frequency_hz=given.plan.frequency_hz,
        impedance_ohm=Z,
        low_ohm=low,
        high_ohm=high,
        phase_low_deg=turned[0],
        phase_high_deg=turned[1],
        draws_ohm=cloud.astype(np.complex64),
        readable=given.readable,
        lower_bound_only=wide,
        added_ohm=tuple(given.added_ohm.tolist()),
        source_ohm=complex(given.source_ohm[0]),
        level_db=tuple(centre.level_db.tolist()),
        level_spread_db=tuple(spread_db.tolist()),
        level_limit_db=tuple(centre.limit_db.tolist()),
        level_condition=centre.condition,
        agreement=agreement,
        caveats=_caveats(given, centre, wide, agreement),
        options=options,
        seed=seed,
        label=given.label,
    )


def _refuse_level(given: Inputs, centre: Solution, spread_db: FloatArray) -> None:
    if given.level_known or given.anchor is not None or spread_db.max() <= MOST_LEVEL_SPREAD_DB:
        return
    raise CurveError(
        given.label or "recover_impedance",
        f"a level found from several resistances must be certain to {MOST_LEVEL_SPREAD_DB:g} dB (standard deviation)",
        f"it is to {spread_db.max():.2g} dB: the load is too flat, or the data too noisy; all that is known is that "
        f"{say_limits(centre.limit_db)} is the most a passive load allows to add",
        "give the impedance at one frequency as an anchor, or keep the drive voltage and measure anew",
    )


def _caveats(
    given: Inputs, centre: Solution, wide: npt.NDArray[np.bool_], agreement: Agreement | None
) -> tuple[str, ...]:
    f = given.plan.frequency_hz
    slope_db = np.abs(centre.slope_db)
    said = [*given.caveats]
    if f[0] > _LATEST_START_HZ and slope_db[..., 0].max() > _STEEP_DB:
        said.append(
            f"The data start at {f[0]:.0f} Hz, where the change is steep: impedance and phase near there are uncertain."
        )
    if f[-1] < _EARLIEST_END_HZ and slope_db[..., 1].max() > _STEEP_DB:
        said.append(
            f"The data end at {f[-1]:.0f} Hz, where the change is steep: impedance and phase near there are uncertain."
        )
    if (f.size - 1) / np.log2(f[-1] / f[0]) < _FEWEST_PER_OCTAVE:
        said.append("There are fewer than 12 points an octave: peaks may be lost, and with them some phase.")
    if np.any(wide & given.readable):
        share = 100 * np.mean(wide[given.readable])
        said.append(
            f"Over {share:.0f} % of the frequencies |Z| is known to no better than 25 %: read its lower end there. "
            "Predictions for similar or smaller resistances may still be fine; look at their own band."
        )
    if not np.all(given.readable):
        said.append(
            f"Above {given.readable_high_hz:.0f} Hz the responses were not certain to be aligned: do not read it."
        )
    if agreement is not None and agreement.p_value < _DISAGREEMENT:
        said.append(
            f"The resistances do not agree with one load (chance {100 * agreement.p_value:.1g} %): with "
            f"{agreement.worst_ohm:g} ohm the change at {agreement.worst_hz:.0f} Hz is {agreement.worst_db:+.2f} dB "
            "off."
        )
    if np.any(centre.level_db > centre.limit_db + _LEVEL_SLACK_DB):
        said.append("The level found is above what a passive load allows: check the anchor and the seatings.")
    return tuple(said)
