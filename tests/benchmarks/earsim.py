"""Simulated earphones on an ear simulator, with the truth known: what the operating characteristics are measured on.

A measurement is driver + ear-canal modes + leak + seat's own smooth deviation + noise:

- canal modes: bumps at f_c, 1.62 f_c and 2.05 f_c that move with insertion depth (4.5 % standard deviation);
- leak: a first-order high-pass, most seats at about 5 Hz; each earphone has its own chance of 5 to 30 % of a bad seat,
  about 35 Hz, so that bass is heavy-tailed;
- smooth deviation: normal, correlated over a third of an octave, 0.12 dB below 2 kHz rising to 0.5 dB at 16 kHz, times
  the earphone's own factor (log-normal, 25 %);
- level 0.2 dB a seat, height of the canal mode 0.4 dB a seat, and 0.03 dB of independent noise a point.

Without reseating all of that stays but for 15 % of it. The numbers are choices, not measurements of any rig.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.optimize import brentq

from ohmshift.curves.grids import fractional_octave_bands, octave_grid
from ohmshift.curves.smoothing import band_levels
from ohmshift.curves.values import ResponseSet

F = octave_grid()
BANDS = fractional_octave_bands(3)
OCTAVE = np.log2(F / 1000)
MODES = (1.0, 1.62, 2.05)
LOADS = ("bass lift", "treble cut", "both ends")
DRIFT = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    depth: float = 0.045
    level_db: float = 0.2
    height_db: float = 0.4
    noise_db: float = 0.03
    leaks: bool = True
    loudness_of_noise: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One channel of one earphone."""

    driver_db: np.ndarray
    canal_hz: float
    sharpness: np.ndarray
    height_db: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Earphone:
    sides: tuple[Side, Side]
    repeatability: float
    leak_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Seats:
    """What each of n seats does: depth, leak, level, height of the mode, smooth deviation."""

    depth: np.ndarray
    leak_hz: np.ndarray
    level_db: np.ndarray
    height_db: np.ndarray
    smooth_db: np.ndarray


@cache
def _root(octaves: float) -> np.ndarray:
    distance = (OCTAVE[:, None] - OCTAVE) / octaves
    return np.linalg.cholesky(np.exp(-0.5 * distance**2) + 1e-6 * np.eye(F.size))


def smooth_noise(rng: np.random.Generator, n: int, octaves: float) -> np.ndarray:
    return rng.standard_normal((n, F.size)) @ _root(octaves).T


_PROFILE = np.interp(np.log(F), np.log([20, 2000, 5000, 8000, 16000, 20000]), [0.12, 0.12, 0.228, 0.30, 0.50, 0.55])


def bump(f_c: np.ndarray, sharpness: np.ndarray, height_db: np.ndarray) -> np.ndarray:
    """A resonance in dB: height at f_c, 0 far away; arguments broadcast against frequency in the last axis."""
    ratio = F / f_c
    return 10 * np.log10(1 + (10 ** (height_db / 10) - 1) / (1 + (sharpness * (ratio - 1 / ratio)) ** 2))


def make_earphone(rng: np.random.Generator) -> Earphone:
    driver = 100 + rng.uniform(0, 9) / (1 + (F / rng.uniform(80, 300)) ** 1.5)
    driver += bump(rng.uniform(2400, 3600), rng.uniform(0.9, 1.6), rng.uniform(6, 12))
    driver += bump(rng.uniform(4200, 5600), rng.uniform(3, 6), rng.uniform(0, 5))
    driver -= rng.uniform(3, 12) * np.maximum(np.log2(F / 9000), 0)
    driver += 0.8 * smooth_noise(rng, 1, 0.9)[0]
    height = rng.uniform(7, 13)
    left = Side(
        driver_db=driver,
        canal_hz=8000 * np.exp(rng.normal(0, 0.05)),
        sharpness=np.array([rng.uniform(6, 12), rng.uniform(6, 10), rng.uniform(5, 9)]),
        height_db=height * np.array([1, rng.uniform(0.3, 0.7), rng.uniform(0.2, 0.6)]),
    )
    right = replace(
        left,
        driver_db=driver + 0.6 * smooth_noise(rng, 1, 0.7)[0] + rng.normal(0, 0.5),
        canal_hz=left.canal_hz * np.exp(rng.normal(0, 0.01)),
        height_db=left.height_db + np.array([rng.normal(0, 0.8), 0, 0]),
    )
    return Earphone(sides=(left, right), repeatability=np.exp(rng.normal(0, 0.25)), leak_chance=rng.uniform(0.05, 0.3))


def sit(rng: np.random.Generator, rig: Rig, earphone: Earphone, n: int) -> Seats:
    leak_hz = np.exp(rng.normal(np.log(5), 0.5, n))
    bad = (rng.random(n) < earphone.leak_chance) & rig.leaks
    leak_hz[bad] = np.exp(rng.normal(np.log(35), 0.4, n))[bad]
    size = rig.loudness_of_noise
    return Seats(
        depth=rng.normal(0, rig.depth, n),
        leak_hz=leak_hz if rig.leaks else np.full(n, 5.0) * np.exp(rng.normal(0, 0.1, n)),
        level_db=rng.normal(0, rig.level_db, n) * size,
        height_db=rng.normal(0, rig.height_db, n) * size,
        smooth_db=smooth_noise(rng, n, 1 / 3) * _PROFILE * earphone.repeatability * size,
    )


def stay(rng: np.random.Generator, rig: Rig, earphone: Earphone, seats: Seats) -> Seats:
    """The same seats a little later, untouched."""
    n = seats.depth.size
    size = DRIFT * rig.loudness_of_noise
    return Seats(
        depth=seats.depth + rng.normal(0, 0.3 * DRIFT * rig.depth, n),
        leak_hz=seats.leak_hz * np.exp(rng.normal(0, 0.08, n)),
        level_db=seats.level_db + rng.normal(0, size * rig.level_db, n),
        height_db=seats.height_db + rng.normal(0, size * rig.height_db, n),
        smooth_db=seats.smooth_db + size * smooth_noise(rng, n, 1 / 3) * _PROFILE * earphone.repeatability,
    )


def listen(rng: np.random.Generator, rig: Rig, side: Side, seats: Seats, change_db: np.ndarray) -> np.ndarray:
    """Measured levels, shape (n, frequencies)."""
    level = np.tile(side.driver_db + change_db, (seats.depth.size, 1))
    for i, mode in enumerate(MODES):
        f_c = side.canal_hz * mode * np.exp(seats.depth)
        height = np.maximum(side.height_db[i] + seats.height_db * (1 if i == 0 else 0.5), 0)
        level += bump(f_c[:, None], side.sharpness[i], height[:, None])
    level -= 10 * np.log10(1 + (seats.leak_hz[:, None] / F) ** 2)
    return level + (seats.level_db[:, None] + seats.smooth_db) + rng.normal(0, rig.noise_db, level.shape)


def measure_pair(
    rng: np.random.Generator, rig: Rig, earphone: Earphone, n: int, change_db: np.ndarray, *, label: str, reseated: bool
) -> tuple[ResponseSet, ResponseSet]:
    """Both conditions, both channels, n seats each."""
    rows: tuple[list[np.ndarray], list[np.ndarray]] = ([], [])
    for side in earphone.sides:
        first = sit(rng, rig, earphone, n)
        second = sit(rng, rig, earphone, n) if reseated else stay(rng, rig, earphone, first)
        rows[0].append(listen(rng, rig, side, first, np.zeros(F.size)))
        rows[1].append(listen(rng, rig, side, second, change_db))
    channel = ("left",) * n + ("right",) * n
    names = [tuple(f"{condition if reseated else ''}{i}" for i in range(n)) * 2 for condition in "ab"]
    without, with_added = (
        ResponseSet(
            frequency_hz=F,
            level_db=np.concatenate(levels),
            channel=channel,
            seat=seat,
            added_ohm=added_ohm,
            label=label,
        )
        for levels, seat, added_ohm in zip(rows, names, (0.0, 15.0), strict=True)
    )
    return without, with_added


def make_impedance(rng: np.random.Generator, kind: str) -> np.ndarray:
    s = 2j * np.pi * F
    if kind == "bass lift":
        R, f_0, q = rng.uniform(14, 34), rng.uniform(30, 120), rng.uniform(0.5, 1.2)
        return R + R * rng.uniform(0.3, 1.2) / (1 + 1j * q * (F / f_0 - f_0 / F)) + s * 2e-5
    if kind == "treble cut":
        R, f_0 = rng.uniform(16, 40), rng.uniform(1200, 4500)
        low = rng.uniform(0.15, 0.5) * R
        notch = low * rng.uniform(0, 0.6) / (1 + 4j * (F / (2.2 * f_0) - 2.2 * f_0 / F))
        return low + (R - low) / (1 + 1j * F / f_0) + notch
    R, f_0 = rng.uniform(10, 25), rng.uniform(40, 150)
    hump = R * rng.uniform(0.3, 1) / (1 + 0.7j * (F / f_0 - f_0 / F))
    return R + hump + s * R * rng.uniform(0.3, 1.5) / (2 * np.pi * 6000)


def make_change(rng: np.random.Generator, size_db: float) -> np.ndarray:
    """A divider's change whose largest band change, level removed, is `size_db`; only a level drop for 0."""
    if size_db == 0:
        return np.full(F.size, 20 * np.log10(20 / 30))
    while True:
        Z = make_impedance(rng, rng.choice(LOADS))
        if largest_band(divide(np.log(1000.0), Z)) > size_db:
            log_r = brentq(lambda x, Z: largest_band(divide(x, Z)) - size_db, np.log(1e-3), np.log(1000.0), args=(Z,))
            return divide(log_r, Z)


def divide(log_r: float, Z: np.ndarray) -> np.ndarray:
    return -20 * np.log10(np.abs(1 + np.exp(log_r) / Z))


def largest_band(change_db: np.ndarray) -> float:
    window = replace(BANDS, low_hz=np.array([200.0]), mid_hz=np.array([632.0]), high_hz=np.array([2000.0]))
    return float(np.abs(band_levels(F, change_db, BANDS) - band_levels(F, change_db, window)).max())
