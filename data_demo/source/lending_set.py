"""The invented lending set: its earphones, how each was measured, what went wrong, and what the meter was put to."""

from __future__ import annotations

import math
from dataclasses import dataclass

STUDY_TOML = """\
# An invented study: no such library, earphone or measurement exists. See README.md.
title = "What a 15-ohm plug does to the earphones of a tool library"
question = "Members say that the in-line resistor plug changes how some earphones sound. Does it, and which ones?"
licence = "CC0-1.0"
source_ohm = 0.6
cable_ohm = 0.25

[rig]
ear_simulator = "occluded-ear simulator, simulated"
alignment_hz = 8000

[margins]
change_db = 1.0

[[meters]]
meter = "bench meter A"
range_ohm = 100
percent = 0.2
digits = 3
resolution_ohm = 0.01

[[meters]]
meter = "bench meter A"
range_ohm = 1000
percent = 0.2
digits = 3
resolution_ohm = 0.1
"""

SOURCE_OHM = 0.6
CABLE_OHM = 0.25
DRIVE_V = 0.1

GRIDS = {
    "48 an octave": "oct 48 20 20000",
    "24 an octave": "oct 24 20 20000",
    "160 a decade": "dec 160 19.952623149688797 20000",
    "linear": "lin 1700 11.71875 19921.875",
}
"""Frequency grids, as arguments of ngspice's ``ac``."""


@dataclass(frozen=True)
class Earphone:
    """One earphone of the set, and how it was measured.

    `sensitivity` is (level [dB], reference). `impedance` names the style of its impedance files, None where nobody
    measured them, and `impedance_channels` those that were. `resonance_db` 0 leaves the ear canal's resonances out.
    """

    name: str
    driver_class: str
    driver_count: int
    rated_ohm: float
    sensitivity: tuple[float, str]
    style: str
    grid: str
    impedance: str | None
    notes: str
    impedance_channels: tuple[str, ...] = ("left", "right")
    more_ohm: tuple[float, ...] = ()
    reseated: bool = True
    relative: bool = False
    resonance_db: float | None = None
    noisiness: float = 1.0
    leak_hz: float = 5.0
    leak_spread: float = 0.4
    source_ohm: float | None = None

    @property
    def total_source_ohm(self) -> float:
        """Resistance of amplifier and cable."""
        return (SOURCE_OHM if self.source_ohm is None else self.source_ohm) + CABLE_OHM

    @property
    def level_db(self) -> float:
        """Level at 1 kHz at the drive voltage, straight at the earphone's terminals."""
        level, reference = self.sensitivity
        at_one_volt = level if reference == "dB/V" else level + 10 * math.log10(1000 / self.rated_ohm)
        return at_one_volt + 20 * math.log10(DRIVE_V)


MP, RI = "magnitude and phase, comma", "real and imaginary, tab"
MP_COMMA, RI_16, MP_BLANK = (
    "magnitude and phase, semicolon, decimal comma",
    "real and imaginary, UTF-16",
    "magnitude and phase, blanks",
)
MW, V = "dB/mW", "dB/V"
OCT48, OCT24, DEC160 = "48 an octave", "24 an octave", "160 a decade"

EARPHONES = (
    Earphone("Ladle", "single dynamic", 1, 18, (104, MW), "comma", OCT48, MP, "in-ear, 10 mm", more_ohm=(5, 33, 120)),
    Earphone(
        "Kettle", "single dynamic", 1, 32, (112, V), "semicolon, decimal comma, cp1252", OCT24, MP_COMMA,
        "earbud that does not seal the canal", resonance_db=0.0, leak_hz=60.0, leak_spread=0.12,
    ),
    Earphone(
        "Cauldron", "single dynamic", 1, 300, (103, V), "blanks, percent marks", DEC160, MP_BLANK,
        "full-size headphone, measured at another amplifier", source_ohm=2.0,
    ),
    Earphone("Spoon", "single dynamic", 1, 24, (101, MW), "quoted cells in kHz", OCT24, MP, "in-ear, damped driver"),
    Earphone(
        "Whisk", "single balanced armature", 1, 34, (108, MW), "tab with phase and comment lines", OCT48, RI,
        "in-ear, no filter", more_ohm=(5, 33, 120),
    ),
    Earphone(
        "Sieve", "single balanced armature", 1, 44, (105, MW), "descending, byte order mark", OCT24, RI,
        "in-ear, with a passive filter; levels were normalised at 1 kHz", relative=True,
    ),
    Earphone("Skewer", "single balanced armature", 1, 12, (111, MW), "no heading", OCT24, None, "in-ear, no filter"),
    Earphone("Skillet", "planar", 1, 16, (98, MW), "UTF-16", OCT24, RI_16, "in-ear, 14 mm"),
    Earphone(
        "Griddle", "planar", 1, 36, (109, V), "linear grid from 0 Hz, trailing delimiter", "linear", MP_BLANK,
        "in-ear; impedance of the left channel only", impedance_channels=("left",),
    ),
    Earphone(
        "Colander", "dual dynamic", 2, 14, (106, MW), "carriage returns", OCT24, MP_COMMA,
        "in-ear, tips slip easily", noisiness=2.0,
    ),
    Earphone(
        "Grater", "multi-armature", 5, 8, (113, MW), "scientific notation", OCT48, RI,
        "in-ear, five armatures, very low minimum impedance", more_ohm=(5, 33, 120),
    ),
    Earphone("Tongs", "multi-armature", 2, 30, (110, MW), "thousands separators", OCT24, None, "in-ear, two armatures"),
    Earphone("Trivet", "multi-armature", 3, 12, (109, MW), "comma", DEC160, MP, "in-ear, flat impedance by its filter"),
    Earphone(
        "Saucepan", "hybrid", 3, 14, (107, MW), "semicolon, decimal comma, cp1252", OCT24, MP_COMMA,
        "1 dynamic, 2 armatures",
    ),
    Earphone(
        "Mortar", "hybrid", 2, 28, (105, MW), "level column first", OCT48, MP,
        "1 dynamic, 1 armature; plug added without reseating", reseated=False,
    ),
    Earphone("Thermos", "hybrid", 2, 9, (102, MW), "blanks, percent marks", OCT24, None, "1 dynamic, 1 bone conductor"),
    Earphone(
        "Tureen", "tribrid", 4, 12, (104, MW), "tab with phase and comment lines", OCT24, RI_16,
        "1 dynamic, 1 armature, 2 electrostatic cells behind a step-up transformer",
    ),
    Earphone("Wok", "tribrid", 3, 14, (106, MW), "comma", OCT24, MP_BLANK, "1 dynamic, 1 armature, 1 small planar"),
)  # fmt: skip

SEATS = 3
SEAT_LETTER = {0: "a", 15: "b", 5: "c", 33: "d", 120: "e"}
"""First letter of a seat's name at each added resistance."""

# What went wrong: (earphone, channel, added ohm, number of the seat from 1).
LEAKY = ("Tongs", "left", 0, 3)
LEAKY_HZ = 150.0
WRONG_LEVEL = ("Skillet", "right", 0, 2)
WRONG_LEVEL_DB = 11.0
DUPLICATE = ("Wok", "left", 15, 3)
DUPLICATE_OF = ("Wok", "left", 15, 2)

METER = "bench meter A"
METER_ITEMS = (
    # item, sample, conductor, true resistance [ohm], readings, range [ohm], resolution [ohm], notes
    ("cable", "1", "left", 0.13, 5, 100, 0.01, ""),
    ("cable", "1", "right", 0.13, 5, 100, 0.01, ""),
    ("cable", "1", "return", 0.12, 5, 100, 0.01, ""),
    ("15-ohm plug", "A", "left", 14.98, 5, 100, 0.01, "the one used for the measurements"),
    ("15-ohm plug", "A", "right", 14.99, 5, 100, 0.01, "the one used for the measurements"),
    ("15-ohm plug", "A", "return", 0.01, 5, 100, 0.01, "the one used for the measurements"),
    ("15-ohm plug", "B", "left", 14.66, 5, 100, 0.01, ""),
    ("15-ohm plug", "B", "right", 14.71, 5, 100, 0.01, ""),
    ("15-ohm plug", "B", "return", 0.02, 5, 100, 0.01, ""),
    ("two 15-ohm plugs in series", "A and B", "left", 29.64, 5, 100, 0.01, "no cable between them"),
    ("two 15-ohm plugs in series", "A and B", "right", 29.70, 5, 100, 0.01, "no cable between them"),
    ("5-ohm plug", "A", "left", 5.01, 3, 100, 0.01, ""),
    ("5-ohm plug", "A", "right", 4.98, 3, 100, 0.01, ""),
    ("33-ohm plug", "A", "left", 32.97, 3, 100, 0.01, ""),
    ("33-ohm plug", "A", "right", 33.04, 3, 100, 0.01, ""),
    ("120-ohm plug", "A", "left", 119.8, 3, 1000, 0.1, ""),
    ("120-ohm plug", "A", "right", 120.1, 3, 1000, 0.1, ""),
)
