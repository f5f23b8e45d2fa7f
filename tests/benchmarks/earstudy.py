"""Whole studies of simulated earphones with known impedances, opened as the kit opens a study but for the reading."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from earsim import Earphone, F, Rig, listen, make_earphone, sit, stay

from ohmshift.chain.divider import divider_change_db
from ohmshift.curves.values import Impedance, Provenance, Response
from ohmshift.study.folder import Study
from ohmshift.study.rows import StudySettings

if TYPE_CHECKING:
    from collections.abc import Mapping

COLUMNS = ("file", "earphone", "channel", "quantity", "added_ohm", "source_ohm", "seat", "level_reference", "flags")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """How a study is measured."""

    added_ohm: tuple[float, ...] = (15.0,)
    source_ohm: float = 0.5
    seats: int = 3
    reseated: bool = True
    reference: str = "absolute"
    off: float = 0.01
    rig: Rig = field(default_factory=Rig)


def make_study(rng: np.random.Generator, impedances: Mapping[str, np.ndarray], plan: Plan) -> Study:
    """One earphone an impedance, each added resistance off by its tolerance, both channels alike."""
    rows: list[tuple[object, ...]] = []
    curves: dict[str, Response | Impedance] = {}
    for label, Z in impedances.items():
        for name, level_db in measure(rng, make_earphone(rng), Z, plan):
            channel, added_ohm, seat = name
            file = f"responses/{label}_{channel}_{added_ohm:g}_{seat}.csv"
            rows.append((file, label, channel, "response", added_ohm, plan.source_ohm, seat, plan.reference, ""))
            curves[file] = Response(
                frequency_hz=F,
                level_db=level_db,
                level_reference=plan.reference,
                provenance=Provenance(source=file),
            )
    table = pd.DataFrame(rows, columns=COLUMNS)
    earphones = pd.DataFrame({"earphone": list(impedances), "driver_class": "any", "rated_ohm": np.nan})
    settings = StudySettings(title="simulated", question="", licence="", source_ohm=plan.source_ohm, cable_ohm=0.0)
    return Study(
        folder=Path(),
        settings=settings,
        earphones=earphones,
        measurements=table,
        meter=pd.DataFrame(),
        problems=(),
        curves=curves,
    )


def measure(
    rng: np.random.Generator, earphone: Earphone, Z: np.ndarray, plan: Plan
) -> list[tuple[tuple[str, float, str], np.ndarray]]:
    """Levels by channel, resistance and seat."""
    changes = {0.0: np.zeros(F.size)}
    for R in plan.added_ohm:
        true_ohm = R * (1 + plan.off * rng.standard_normal())
        changes[R] = divider_change_db(Z, added_ohm=true_ohm, source_ohm=plan.source_ohm)
    found = []
    for channel, side in zip(("left", "right"), earphone.sides, strict=True):
        first = sit(rng, plan.rig, earphone, plan.seats)
        for k, (R, change_db) in enumerate(changes.items()):
            seats = first
            if k and plan.reseated:
                seats = sit(rng, plan.rig, earphone, plan.seats)
            elif k:
                seats = stay(rng, plan.rig, earphone, first)
            letter = "abcdefgh"[k] if plan.reseated else "a"
            levels = listen(rng, plan.rig, side, seats, change_db)
            found += [((channel, R, f"{letter}{i}"), row) for i, row in enumerate(levels)]
    return found
