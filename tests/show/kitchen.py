"""Charts of an invented earphone, for tests and for the notebooks that tests write."""

from __future__ import annotations

import numpy as np

from ohmshift.show.charts import Band, Chart, Level, Line, Span

F = np.geomspace(20, 20_000, 479)
REASON = "not readable: half-width above the margin"


def lift(added_ohm: float) -> np.ndarray:
    """Give the change behind an added resistance, level removed at 1 kHz [dB]."""
    Z = 8 + 2j * np.pi * F * 60e-6 + 40 / (1 + 3j * (F / 90 - 90 / F))
    H = np.abs(Z / (Z + added_ohm))
    return 20 * np.log10(H / H[F.searchsorted(1000)])


def change_chart(added_ohm: float, **options: object) -> Chart:
    """Draw the change with everything that a chart can hold."""
    y = lift(added_ohm)
    parts = {
        "title": f"Ladle behind {added_ohm:g} Ω",
        "alt_text": f"Behind {added_ohm:g} Ω the bass of the ladle rises by {y.max():.2f} dB.",
        "lines": (Line(x=F, y=y, label="left"), Line(x=F, y=y + 0.5, label="right", colour=1)),
        "bands": (Band(x=F, low=y - 1, high=y + 1, label="spread"),),
        "spans": (Span(low=12_000, high=20_000, reason=REASON),),
        "levels": (Level(y=1, label="margin, 1 dB"), Level(y=-1)),
        "y_label": "Change",
        "y_unit": "dB",
        "y_range": (-10, 15),
    }
    return Chart(**{**parts, **options})


def ohm_chart(added_ohm: float, **options: object) -> Chart:
    """Draw an impedance that rises with frequency."""
    parts = {
        "title": "Chain",
        "alt_text": f"The chain has {added_ohm + 8:g} Ω.",
        "lines": (Line(x=F, y=8 + added_ohm + F / 2000, label="chain"),),
        "y_label": "Impedance",
        "y_unit": "Ω",
        "scale": "ohm",
        "y_range": (5, 200),
    }
    return Chart(**{**parts, **options})


def charts(added_ohm: float) -> tuple[Chart, Chart]:
    """Give both, one below the other."""
    return change_chart(added_ohm), ohm_chart(added_ohm)
