"""Earphone drivers as their two terminals show them: dynamic, balanced armature, planar, capacitive.

The models are those of the open literature. No element value comes with them: what a given earphone is made of has to
be measured or fitted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.circuits import Series, parallel, series
from ohmshift.chain.elements import Capacitor, Circuit, Inductor, Resistor, Resonator, check_number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ohmshift.curves.values import ComplexArray


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DynamicDriver(Circuit):
    """A moving coil with its mechanical resonance, by its small-signal parameters.

    Parameters
    ----------
    dc_ohm : float
        Resistance of the coil, R_e [ohm], above 0.
    resonance_hz : float
        Resonance frequency f_s [Hz], above 0.
    mechanical_q, electrical_q : float
        Q of the resonance from mechanical losses alone, Q_ms, and from the coil's resistance alone, Q_es; above 0.
    coil : Circuit, optional
        What the coil adds to its resistance: an `Inductor`, a `LossyInductor`, or anything else; none by default.

    Notes
    -----
    Z = R_e + Z_coil + Z_mot, where Z_mot is a parallel resonator of R_es = R_e Q_ms / Q_es at f_s with Q_ms. Radiation
    load, breakup and the acoustics of the housing are not in it; add a `Resonator` for each with `series`.

    References
    ----------
    .. [1] A. N. Thiele, "Loudspeakers in vented boxes", J. Audio Eng. Soc. 19 (1971) 382-392, 471-483.
    .. [2] R. H. Small, "Direct-radiator loudspeaker system analysis", J. Audio Eng. Soc. 20 (1972) 383-395.

    Examples
    --------
    >>> driver = DynamicDriver(dc_ohm=32, resonance_hz=100, mechanical_q=2.5, electrical_q=1.25)
    >>> driver.motional.peak_ohm, abs(driver.impedance_ohm(100)).round(6).item()
    (64.0, 96.0)
    """

    dc_ohm: float
    resonance_hz: float
    mechanical_q: float
    electrical_q: float
    coil: Circuit | None = None

    def __post_init__(self) -> None:
        """Check the values."""
        for name in ("dc_ohm", "resonance_hz", "mechanical_q", "electrical_q"):
            check_number(f"DynamicDriver, {name}", getattr(self, name))

    @property
    def motional(self) -> Resonator:
        """The resonator that the moving mass, its suspension and its losses are to the terminals."""
        peak_ohm = self.dc_ohm * self.mechanical_q / self.electrical_q  # R_es = R_e Q_ms / Q_es, in [2]
        return Resonator(peak_ohm=peak_ohm, resonance_hz=self.resonance_hz, quality=self.mechanical_q)

    @property
    def total_q(self) -> float:
        """Q of the resonance on a source without impedance, Q_ts."""
        return self.mechanical_q * self.electrical_q / (self.mechanical_q + self.electrical_q)

    def behind(self, source_ohm: float) -> DynamicDriver:
        """Count a source resistance as part of the coil's.

        Parameters
        ----------
        source_ohm : float
            Resistance of everything before the driver [ohm], 0 or more.

        Returns
        -------
        DynamicDriver
            R_e + R with Q_es (R_e + R) / R_e: the damping that the source leaves; the resonator stays as it is.

        Raises
        ------
        CurveError
            A negative resistance.

        Examples
        --------
        >>> driver = DynamicDriver(dc_ohm=32, resonance_hz=100, mechanical_q=2.5, electrical_q=1.25)
        >>> round(driver.behind(75).total_q, 5)
        1.56433
        """
        check_number("behind, source_ohm", source_ohm, may_be_zero=True)
        dc_ohm = self.dc_ohm + source_ohm
        return replace(self, dc_ohm=dc_ohm, electrical_q=self.electrical_q * dc_ohm / self.dc_ohm)

    def in_closed_box(self, compliance_ratio: float) -> DynamicDriver:
        """Close a volume behind the driver.

        Parameters
        ----------
        compliance_ratio : float
            V_as / V_b, how many times stiffer the enclosed air is than the suspension; 0 or more.

        Returns
        -------
        DynamicDriver
            Resonance and both Q times sqrt(1 + V_as / V_b); the peak stays as high.

        Raises
        ------
        CurveError
            A negative ratio.
        """
        check_number("in_closed_box, compliance_ratio", compliance_ratio, may_be_zero=True)
        rise = float(np.sqrt(1 + compliance_ratio))
        return replace(
            self,
            resonance_hz=self.resonance_hz * rise,
            mechanical_q=self.mechanical_q * rise,
            electrical_q=self.electrical_q * rise,
        )

    def _at(self, s: ComplexArray) -> ComplexArray:
        Z = self.dc_ohm + self.motional._at(s)
        return Z if self.coil is None else Z + self.coil._at(s)


def dynamic_driver_from_mechanics(
    *,
    dc_ohm: float,
    force_factor_tm: float,
    moving_mass_kg: float,
    compliance_m_per_n: float,
    mechanical_resistance_kg_per_s: float,
    coil: Circuit | None = None,
) -> DynamicDriver:
    """Give the dynamic driver that a coil, a magnet and a moving mass make.

    Parameters
    ----------
    dc_ohm : float
        Resistance of the coil, R_e [ohm].
    force_factor_tm : float
        Bl [T m], which is N/A.
    moving_mass_kg : float
        M_ms [kg].
    compliance_m_per_n : float
        C_ms [m/N].
    mechanical_resistance_kg_per_s : float
        R_ms [kg/s].
    coil : Circuit, optional
        What the coil adds to its resistance.

    Returns
    -------
    DynamicDriver
        With f_s = 1 / (2 pi sqrt(M_ms C_ms)), Q_ms = w_s M_ms / R_ms and Q_es = w_s M_ms R_e / (Bl)^2.

    Raises
    ------
    CurveError
        A value that is not above 0.
    """
    given = {
        "force_factor_tm": force_factor_tm,
        "moving_mass_kg": moving_mass_kg,
        "compliance_m_per_n": compliance_m_per_n,
        "mechanical_resistance_kg_per_s": mechanical_resistance_kg_per_s,
    }
    for name, value in given.items():
        check_number(f"dynamic_driver_from_mechanics, {name}", value)
    w_s = float(1 / np.sqrt(moving_mass_kg * compliance_m_per_n))
    return DynamicDriver(
        dc_ohm=dc_ohm,
        resonance_hz=w_s / (2 * np.pi),
        mechanical_q=w_s * moving_mass_kg / mechanical_resistance_kg_per_s,
        electrical_q=w_s * moving_mass_kg * dc_ohm / force_factor_tm**2,
        coil=coil,
    )


def balanced_armature(*, dc_ohm: float, coil: Circuit, resonances: Sequence[Resonator] = ()) -> Series:
    """Give the impedance of a balanced armature: coil resistance, lossy inductance, motional resonances.

    Parameters
    ----------
    dc_ohm : float
        Resistance of the coil [ohm], above 0.
    coil : Circuit
        Its inductance with the eddy currents of the armature: a `LossyInductor`, or an `Inductor` with resistances.
    resonances : sequence of Resonator
        What armature, reed and the acoustics before and behind them show at the terminals.

    Returns
    -------
    Series
        The driver.

    Raises
    ------
    CurveError
        A resistance that is not above 0.

    Notes
    -----
    In [1] a gyrator turns mechanical impedance into motional impedance T^2 / Z_m, so that a mass, a stiffness and a
    loss appear as a parallel resonator in series with the coil and its semi-inductance. The element values printed
    there have been disputed, and none are given here.

    References
    ----------
    .. [1] N. Kim, J. B. Allen, "Two-port network analysis and modeling of a balanced armature receiver", Hear. Res. 301
       (2013) 156-167.
    """
    check_number("balanced_armature, dc_ohm", dc_ohm)
    return series(Resistor(resistance_ohm=dc_ohm), coil, *resonances)


def planar(*, dc_ohm: float, inductance_h: float = 0.0, resonances: Sequence[Resonator] = ()) -> Series:
    """Give the impedance of a planar driver: a resistance with little else.

    Parameters
    ----------
    dc_ohm : float
        Resistance of the trace on the membrane [ohm], above 0.
    inductance_h : float
        Its inductance [H].
    resonances : sequence of Resonator
        Motional resonances, small since the force factor is.

    Returns
    -------
    Series
        The driver.

    Raises
    ------
    CurveError
        A resistance that is not above 0, or a negative inductance.
    """
    check_number("planar, dc_ohm", dc_ohm)
    return series(Resistor(resistance_ohm=dc_ohm), Inductor(inductance_h=inductance_h), *resonances)


def capacitive(
    *,
    capacitance_f: float,
    turns_ratio: float,
    magnetising_h: float,
    primary_ohm: float = 0.0,
    secondary_ohm: float = 0.0,
    leakage_h: float = 0.0,
    core_ohm: float | None = None,
) -> Series:
    """Give the impedance of a capacitive driver behind a step-up transformer, at the primary.

    Parameters
    ----------
    capacitance_f : float
        Capacitance of the driver [F].
    turns_ratio : float
        Secondary over primary turns, n.
    magnetising_h : float
        Inductance of the primary with the secondary open, less the leakage [H].
    primary_ohm, secondary_ohm : float
        Resistances of the windings, each on its own side [ohm]; the secondary's with anything in series to the driver.
    leakage_h : float
        Leakage inductance seen at the primary [H].
    core_ohm : float, optional
        Core loss as a resistance across the primary [ohm]; no loss by default.

    Returns
    -------
    Series
        The primary: R_p + j w L_leak + (j w L_m || R_core || (R_s + 1 / (j w C)) / n^2).

    Raises
    ------
    CurveError
        A value that is out of range.
    """
    check_number("capacitive, turns_ratio", turns_ratio)
    reflected = series(
        Resistor(resistance_ohm=secondary_ohm / turns_ratio**2), Capacitor(capacitance_f=capacitance_f * turns_ratio**2)
    )
    across = [Inductor(inductance_h=magnetising_h), reflected]
    if core_ohm is not None:
        across.append(Resistor(resistance_ohm=core_ohm))
    return series(Resistor(resistance_ohm=primary_ohm), Inductor(inductance_h=leakage_h), parallel(*across))
