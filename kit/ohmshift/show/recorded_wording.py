"""What recordings give, in sentences and in the numbers of a finding."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.sense_resistor import best_sense_ohm
from ohmshift.evidence.wording import name_frequency
from ohmshift.show.drawings import ohms
from ohmshift.study.findings import Quantity

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.chain.gating import SweptResponse
    from ohmshift.chain.harmonics import Distortion
    from ohmshift.chain.sense_resistor import SensedImpedance
    from ohmshift.curves.values import FloatArray

_KILOHERTZ = 1000.0


def say_response(swept: SweptResponse) -> str:
    """Say what a response out of a sweep shows.

    Parameters
    ----------
    swept : SweptResponse
        The response.

    Returns
    -------
    str
        Level at 1 kHz, readable band, distance from the noise, and what the gate forbids.
    """
    f, readable = swept.response.frequency_hz, swept.readable
    limit = f"A gate of {swept.gate_ms:.0f} ms and this sweep let nothing below {swept.lowest_hz:.0f} Hz be read."
    if not readable.any():
        return f"nothing can be read. {limit}"
    unit = level_unit(swept)
    level = np.interp(_KILOHERTZ, f, swept.response.level_db)
    gaps = int(np.count_nonzero(~readable[np.argmax(readable) : readable.size - np.argmax(readable[::-1])]))
    inside = f", except {gaps} of its points" if gaps else ""
    low, high = f[readable][0], f[readable][-1] / 1e3
    text = f"{level:.1f} {unit} at 1 kHz, readable from {low:.0f} Hz to {high:.1f} kHz{inside}. "
    if np.isfinite(swept.snr_db).any():
        snr = swept.snr_db[(f >= 20) & (f <= 20_000)]  # noqa: PLR2004 - the audible band
        text += f"It stands {snr.min():.0f} dB above the noise at least, {np.median(snr):.0f} dB in the middle. "
    return text + limit


def say_distortion(distortion: Distortion) -> str:
    """Say how large the harmonics are.

    Parameters
    ----------
    distortion : Distortion
        Harmonics.

    Returns
    -------
    str
        Those that can be read at 1 kHz; empty where none can.
    """
    said = []
    for order, level in zip(distortion.orders, distortion.level_db, strict=True):
        here = np.interp(_KILOHERTZ, distortion.frequency_hz, level)
        if np.isfinite(here):
            said.append(f"{100 * 10 ** (here / 20):.2g} % of harmonic {order}")
    return f"At 1 kHz: {', '.join(said)}." if said else ""


def response_quantities(swept: SweptResponse, distortion: Distortion) -> tuple[Quantity, ...]:
    """Give the numbers of a finding on a response out of a sweep.

    Parameters
    ----------
    swept : SweptResponse
        The response.
    distortion : Distortion
        Its harmonics.

    Returns
    -------
    tuple of Quantity
        Level at 1 kHz, lowest frequency, and the harmonics at 1 kHz.
    """
    level = float(np.interp(_KILOHERTZ, swept.response.frequency_hz, swept.response.level_db))
    found = [
        Quantity(name="level at 1 kHz", value=level, unit=level_unit(swept)),
        Quantity(name="lowest readable frequency", value=swept.lowest_hz, unit="Hz"),
    ]
    for order, values in zip(distortion.orders, distortion.level_db, strict=True):
        here = float(np.interp(_KILOHERTZ, distortion.frequency_hz, values))
        if np.isfinite(here):
            found.append(Quantity(name=f"harmonic {order} at 1 kHz", value=here, unit="dB"))
    return tuple(found)


def say_impedance(sensed: SensedImpedance) -> str:
    """Say what an impedance by a sense resistor shows.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.

    Returns
    -------
    str
        Its extremes, its corrections and its errors.
    """
    f = sensed.impedance.frequency_hz
    kept = sensed.readable & _audible(f)
    if not kept.any():
        return "nothing can be read: the two channels have too little in common."
    Z = np.abs(sensed.impedance.impedance_ohm[kept])
    low, high = int(np.argmin(Z)), int(np.argmax(Z))
    return (
        f"from {Z[low]:.2f} ohm at {name_frequency(f[kept][low])} to {Z[high]:.2f} ohm at "
        f"{name_frequency(f[kept][high])}, corrected by {sensed.corrected_by}. {say_errors(sensed)}"
    )


def say_errors(sensed: SensedImpedance) -> str:
    """Say what errs in an impedance by a sense resistor.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.

    Returns
    -------
    str
        Noise, the error of one channel, and the sense resistor that would serve best.
    """
    f = sensed.impedance.frequency_hz
    kept = sensed.readable & _audible(f)
    if not kept.any():
        return "No error can be given."
    noise = 196 * float(np.nanmax(sensed.random_error[kept])) if np.isfinite(sensed.random_error[kept]).any() else None
    best = best_sense_ohm(sensed.impedance.impedance_ohm[kept])
    text = "" if noise is None else f"Noise moves it by up to {noise:.2g} % (95 %). "
    return text + (
        f"With a sense resistor of {ohms(sensed.sense_ohm)} an error of 0.1 % of full scale in one channel becomes up "
        f"to {100 * float(sensed.voltage_error[kept].max()):.2g} %; one of {best:.0f} ohm would serve best."
    )


def impedance_quantities(sensed: SensedImpedance) -> tuple[Quantity, ...]:
    """Give the numbers of a finding on an impedance by a sense resistor.

    Parameters
    ----------
    sensed : SensedImpedance
        The impedance.

    Returns
    -------
    tuple of Quantity
        Magnitude at 1 kHz with its 95 % interval by noise, and the extremes of the readable band.
    """
    f, Z = sensed.impedance.frequency_hz, np.abs(sensed.impedance.impedance_ohm)
    here, half = (float(np.interp(_KILOHERTZ, f, values)) for values in (Z, sensed.half_width_ohm))
    known = np.isfinite(half)
    kept = sensed.readable & _audible(f)
    found = [
        Quantity(
            name="|Z| at 1 kHz",
            value=here,
            unit="ohm",
            low=here - half if known else None,
            high=here + half if known else None,
        )
    ]
    if kept.any():
        found += [
            Quantity(name="lowest |Z|", value=float(Z[kept].min()), unit="ohm"),
            Quantity(name="highest |Z|", value=float(Z[kept].max()), unit="ohm"),
        ]
    return tuple(found)


def level_unit(swept: SweptResponse) -> str:
    """Give the unit of a response's level.

    Parameters
    ----------
    swept : SweptResponse
        The response.

    Returns
    -------
    str
        "dB re 20 µPa" where a calibration was given, else "dBFS".
    """
    calibrated = any(dict(step.options).get("full_scale_pa") for step in swept.response.history)
    return "dB re 20 µPa" if calibrated else "dBFS"


def _audible(f: FloatArray) -> npt.NDArray[np.bool_]:
    return np.asarray((f >= 20) & (f <= 20_000))  # noqa: PLR2004 - the audible band
