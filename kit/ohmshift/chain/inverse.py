"""The divider turned round: from changes of level to the impedance that makes them.

Everything here works on stacks: leading axes are draws, then one axis for the resistances added, then frequency.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.gainphase import LEAST_LOSS, Continuation, GainPhase, minimum_phase

if TYPE_CHECKING:
    import numpy.typing as npt

    from ohmshift.curves.values import ComplexArray

NEPER_PER_DB = float(np.log(10) / 20)


def transfer_from_change(
    plan: GainPhase,
    change_db: npt.ArrayLike,
    *,
    added_ohm: npt.ArrayLike,
    source_ohm: npt.ArrayLike = 0.0,
    edge_slope: npt.ArrayLike | None = None,
    continuation: Continuation = "divider",
    passive: bool = True,
) -> ComplexArray:
    """Give the complex divider ratio that changes of level belong to.

    Parameters
    ----------
    plan : GainPhase
        Gain-phase integral on the frequency grid.
    change_db : array_like, shape (..., n)
        Change of level [dB].
    added_ohm : array_like, broadcasts against (..., n)
        Resistance added [ohm].
    source_ohm : array_like, broadcasts against (..., n)
        Resistive part of the source impedance [ohm].
    edge_slope : array_like, shape (..., 2), optional
        Further slope of the logarithm of gain beyond the band's edges [neper per neper].
    continuation : {"divider", "slope"}
        How the gain goes on outside the band; "slope" where the level is not known.
    passive : bool
        Whether to hold gain and phase to what a passive load can do.

    Returns
    -------
    ndarray of complex, shape (..., n)
        Ratio H of the earphone's voltages, with to without.

    Notes
    -----
    H = W / (W + R) with W = Z + R_0 is minimum phase for a passive load: W is positive real, so H has neither zeros nor
    poles in the right half-plane. With Re W >= R_0 and k = R_0 / (R + R_0), 1 / (1 - H) = (W + R) / R has a real part
    of at least 1 / (1 - k). That puts H into the disk of radius (1 - k)/2 around (1 + k)/2, so k <= |H| <= 1 and
    cos(arg H) >= (|H|^2 + k) / (|H| (1 + k)); for R_0 = 0 this is cos(arg H) >= |H|.
    """
    A = np.asarray(change_db, dtype=np.float64) * NEPER_PER_DB
    k = np.asarray(source_ohm) / (np.asarray(added_ohm) + np.asarray(source_ohm))
    if passive:
        with np.errstate(divide="ignore"):
            A = np.minimum(np.maximum(A, np.log(k)), -LEAST_LOSS)
    phase = minimum_phase(plan, A, continuation=continuation, edge_slope=edge_slope)
    gain = np.exp(A)
    if passive:
        limit = np.arccos(np.minimum((gain**2 + k) / (gain * (1 + k)), 1.0))
        phase = np.clip(phase, -limit, limit)
    return np.asarray(gain * np.exp(1j * phase))


def impedance_from_transfer(
    transfer: npt.ArrayLike,
    *,
    added_ohm: npt.ArrayLike,
    source_ohm: npt.ArrayLike = 0.0,
    weights: npt.ArrayLike | None = None,
) -> ComplexArray:
    """Give the one impedance behind the divider ratios of one or several resistances.

    Parameters
    ----------
    transfer : array_like of complex, shape (..., m, n)
        Divider ratios, one row a resistance.
    added_ohm : array_like, broadcasts against (..., m, n)
        Resistance added [ohm].
    source_ohm : array_like of complex, broadcasts against (..., n)
        Impedance of amplifier and cable [ohm].
    weights : array_like, broadcasts against (..., m, n), optional
        Weights of the rows; by default (R |H|)^2, which suits equal errors of level.

    Returns
    -------
    ndarray of complex, shape (..., n)
        Impedance [ohm].

    Notes
    -----
    1/H = 1 + R Y with Y = 1 / (Z + R_0): each resistance gives Y, their weighted mean gives Z. An error of ln H makes
    one of Y of dlnH / (R H), hence the weights. With one resistance this is Z = R H / (1 - H) - R_0.

    Examples
    --------
    >>> impedance_from_transfer([[0.5]], added_ohm=16.0).real
    array([16.])
    """
    H, R = np.asarray(transfer), np.asarray(added_ohm)
    share = (R * np.abs(H)) ** 2 if weights is None else np.broadcast_to(weights, H.shape)
    Y = np.sum(share * (1 / H - 1) / R, axis=-2) / np.sum(share, axis=-2)
    return np.asarray(1 / Y - np.asarray(source_ohm))
