"""Parties put together: which names, facts and curves are one, and which resistance they are brought to."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ohmshift.curves.values import Provenance, Response
from ohmshift.errors import StudyError
from ohmshift.study import forests
from ohmshift.study.merging import FACTS, MergedStudies, merge_studies

F = np.geomspace(20, 20_000, 961)
OCTAVE = np.log2(F / 1000)


def party(name: str, *, curves: dict[str, np.ndarray], ohm: tuple[float, ...] = (15.0,), **facts: object) -> Any:
    """Make what merging reads of a party: one response a model, and what it says of the first."""
    rows = [{"earphone": model, **dict.fromkeys(FACTS)} for model in curves]
    rows[0] |= facts
    return SimpleNamespace(
        party=name,
        contribution=SimpleNamespace(permitted=True, answers=()),
        comparison=SimpleNamespace(
            changes=dict.fromkeys((model, one) for model in curves for one in ohm),
            resistances=lambda _: ohm,
            change=lambda *_: SimpleNamespace(seats=(3, 3)),
            aligned={(model, 0.0): SimpleNamespace(source_ohm=1.0) for model in curves},
            common_ohm=ohm[0],
            floor=None,
        ),
        study=SimpleNamespace(
            folder=Path("published") / name,
            earphones=pd.DataFrame(rows),
            measurements=pd.DataFrame({"file": list(curves), "earphone": list(curves), "quantity": "response"}),
            curves={model: curve(name + model, level) for model, level in curves.items()},
        ),
    )


def curve(name: str, level_db: np.ndarray) -> Response:
    provenance = Provenance(source=name, sha256=name)
    return Response(frequency_hz=F, level_db=level_db, provenance=provenance)


def merge(first: Any, *others: Any) -> MergedStudies:
    return merge_studies(first.study, first.comparison, others)


@pytest.mark.source(
    "analytic",
    ref="d sin(3 pi octaves) is d, 0 or -d on the sixth octaves from 125 Hz to 8 kHz, and 0 in the mean: curves are "
    "one where d is below 0.05 dB, whatever their level",
)
@pytest.mark.parametrize(("d", "twice"), [(0.045, True), (0.06, False)])
def test_a_curve_measured_once_is_found_at_another_level(d: float, *, twice: bool) -> None:
    level = 90 + 5 * np.sin(OCTAVE)
    merged = merge(
        party("own", curves={"Ladle": level}),
        party("theirs", curves={"Ladle": level - 7 + d * np.sin(3 * np.pi * OCTAVE)}),
    )
    assert merged.left_out == ({("theirs", "Ladle")} if twice else set())


def test_what_one_party_does_not_say_contradicts_nobody() -> None:
    merged = merge(
        party("own", curves={"Ladle": 90 + OCTAVE}, rated_ohm=32.0, driver_class="not stated"),
        party("theirs", curves={"Ladle": 90 - OCTAVE}, rated_ohm=np.nan, driver_class="hybrid"),
    )
    row = merged.facts.set_index("earphone").loc["Ladle"]
    assert (row["rated_ohm"], row["driver_class"]) == (32.0, "hybrid")
    assert merged.problems == ()


def test_names_nearly_the_same_are_two_models_and_listed() -> None:
    merged = merge(party("own", curves={"Saucepan": 90 + OCTAVE}), party("theirs", curves={"Sauce pans": 90 - OCTAVE}))
    assert list(merged.models) == ["Saucepan", "Sauce pans"]
    (problem,) = merged.problems
    assert "count as two models" in problem.rule


@pytest.mark.source(
    "analytic",
    ref="others at 15 and 68 ohm: geometric mean 31.9, in ratio nearest to 33; one other at 18: 30 / 18 is less than "
    "18 / 10, though 10 lies nearer in ohms",
)
@pytest.mark.parametrize(
    ("own", "others", "ohm"), [((10.0, 33.0, 120.0), (15.0, 68.0), 33.0), ((10.0, 30.0), (18.0,), 30.0)]
)
def test_parties_are_brought_to_the_resistance_nearest_to_all(
    monkeypatch: pytest.MonkeyPatch, own: tuple[float, ...], others: tuple[float, ...], ohm: float
) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise StudyError("Ladle", "an impedance is known", "none is", "measure it")

    monkeypatch.setattr(forests, "estimate_change", lambda *_, **__: None)
    monkeypatch.setattr(forests, "bring_to", refuse)
    parties = [party(f"at {one:g}", curves={"Ladle": 90 + i * OCTAVE}, ohm=(one,)) for i, one in enumerate(others)]
    merged = merge(party("own", curves={"Ladle": 90 - OCTAVE}, ohm=own), *parties)
    forest = forests.grow_forest(merged, "Ladle", None)  # type: ignore[arg-type]
    assert forest.added_ohm == ohm
    assert forest.pooled is None
    assert all("an impedance is known, but none is" in text for text in forest.left_out)
    assert len(forest.left_out) == 1 + len(others)
