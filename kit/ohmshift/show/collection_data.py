"""The collection's numbers as the page carries them: text, and arrays in single precision as base64."""

from __future__ import annotations

import base64
import json
from typing import TYPE_CHECKING, Any

import numpy as np

from ohmshift.chain.prediction import LEVEL_HZ, readable_frequencies
from ohmshift.chain.recovery import RecoveredImpedance
from ohmshift.curves.smoothing import band_levels, mean_levels
from ohmshift.evidence.repeats import default_bands
from ohmshift.show.earphone_facts import file_names
from ohmshift.show.earphone_wording import cautions, fact_rows, say_word
from ohmshift.units import nominal_frequency

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from ohmshift.curves.values import FloatArray
    from ohmshift.show.earphone_facts import Condition, EarphoneFacts
    from ohmshift.study.batch import StudyComparison
    from ohmshift.study.folder import Study
    from ohmshift.study.impedances import KnownImpedance

_BREAKS_OUT = {"<": "\\u003c", ">": "\\u003e", "&": "\\u0026", "\u2028": "\\u2028", "\u2029": "\\u2029"}

_SPREAD_POINTS_PER_OCTAVE = 6
_SPREAD_PARTS = 6
_ROUNDING = 1e-12


class _Grids:
    """Frequency grids, each kept once, with the weights that make levels and band means of a curve on it."""

    def __init__(self) -> None:
        self._places: dict[bytes, int] = {}
        self.grids: list[dict[str, Any]] = []

    def place(self, frequency_hz: FloatArray) -> int:
        """Give the number of a grid, kept from now on.

        Parameters
        ----------
        frequency_hz : ndarray, shape (n,)
            Frequency [Hz].

        Returns
        -------
        int
            Its number.
        """
        key = frequency_hz.tobytes()
        if key not in self._places:
            self._places[key] = len(self.grids)
            self.grids.append(_pack_grid(frequency_hz))
        return self._places[key]


def pack_collection(study: Study, comparison: StudyComparison, facts: Sequence[EarphoneFacts]) -> dict[str, Any]:
    """Give all that the page's script needs.

    Parameters
    ----------
    study : Study
        The study.
    comparison : StudyComparison
        Its changes.
    facts : sequence of EarphoneFacts
        Every earphone.

    Returns
    -------
    dict
        Values that JSON can hold.

    Notes
    -----
    Impedances, responses and changes are stored in single precision; the page computes in double precision from them.
    The mean level and the means of bands are linear in a curve, so the weights that the package's own functions give
    each frequency are stored with the grid, and the page only adds up.
    """
    bands, store = default_bands(), _Grids()
    names = file_names(one.name for one in facts)
    earphones = [
        {"id": f"earphone-{names[one.name]}", "file": names[one.name], **_pack_earphone(one, store)} for one in facts
    ]
    return {
        "amplifier_ohm": study.settings.source_ohm,
        "cable_ohm": study.settings.cable_ohm,
        "added_ohm": comparison.common_ohm,
        "margin_db": comparison.margin_db,
        "bands": {
            "names": [nominal_frequency(value) for value in bands.mid_hz],
            "mid_hz": _plain(bands.mid_hz),
            "low_hz": _plain(bands.low_hz),
            "high_hz": _plain(bands.high_hz),
        },
        "earphones": earphones,
        "grids": store.grids,
    }


def script_json(value: Any) -> str:
    r"""Write a value as JSON that can stand inside a script element.

    Parameters
    ----------
    value : any JSON value
        Value.

    Returns
    -------
    str
        JSON without a letter that could end the element or a line; nan is refused.

    Examples
    --------
    >>> script_json({"name": "</script>"})
    '{"name":"\\u003c/script\\u003e"}'
    """
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for letter, escaped in _BREAKS_OUT.items():
        text = text.replace(letter, escaped)
    return text


def _pack_earphone(facts: EarphoneFacts, store: _Grids) -> dict[str, Any]:
    packed: dict[str, Any] = {
        "name": facts.name,
        "source_ohm": facts.source_ohm,
        "facts": [list(row) for row in fact_rows(facts)],
        "cautions": list(cautions(facts)),
        "conditions": [_pack_condition(one, store) for one in facts.conditions],
        "without": None,
        "impedance": None,
    }
    if facts.frequency_hz.size:
        packed["without"] = {"grid": store.place(facts.frequency_hz), "db": _pack(facts.without_db)}
    impedance = facts.known.impedance
    if impedance is not None:
        Z = impedance.impedance_ohm
        packed["impedance"] = {
            "grid": store.place(impedance.frequency_hz),
            "real": _pack(Z.real),
            "imaginary": _pack(Z.imag),
            "origin": facts.known.origin,
            "readable_high_hz": _readable_high_hz(facts.known),
            "spread": _pack_spread(impedance, facts.source_ohm) if isinstance(impedance, RecoveredImpedance) else None,
        }
    return packed


def _pack_condition(condition: Condition, store: _Grids) -> dict[str, Any]:
    change, verdict = condition.change, condition.verdict
    judged = verdict.judged & np.isfinite(verdict.half_width_db)
    return {
        "added_ohm": condition.added_ohm,
        "grid": store.place(change.frequency_hz),
        "change_db": _pack(change.change_db),
        "level_db": _number(change.level_drop_db, digits=9),
        "verdict": say_word(verdict),
        "sentence": verdict.sentence,
        "band_db": _plain(np.where(judged, verdict.change_db, np.nan)),
        "half_db": _plain(np.where(judged, verdict.half_width_db, np.nan)),
        "readable": verdict.readable.tolist(),
        "judged": verdict.judged.tolist(),
    }


def _pack_spread(impedance: RecoveredImpedance, source_ohm: float) -> dict[str, Any]:
    """Pack how the admittance behind the source may stray: a few parts whose squares add, and the rest point by point.

    The change behind any source is nearly linear in Y = 1/(Z + R_0), so that a band of the prediction follows from how
    Y strays, whatever the slider says. The few parts hold what strays together over a wide range, and with it the
    mean level; the rest counts as independent from point to point.
    """
    f = impedance.frequency_hz
    step = max(1, round(f.size / (np.log2(f[-1] / f[0]) * _SPREAD_POINTS_PER_OCTAVE)))
    some = np.unique(np.append(np.arange(0, f.size, step), f.size - 1))
    Y = 1 / (impedance.draws_ohm[:, some].astype(np.complex128) + source_ohm)
    stray = Y - 1 / (impedance.impedance_ohm[some] + source_ohm)
    both = np.concatenate([stray.real, stray.imag], axis=1) / np.sqrt(len(Y))
    draws, size, parts = np.linalg.svd(both, full_matrices=False)
    kept = size[:_SPREAD_PARTS, None] * parts[:_SPREAD_PARTS]
    kept *= np.sign(kept[np.arange(len(kept)), np.abs(kept).argmax(axis=1)])[:, None]  # of two signs, one
    rest = both - (draws[:, :_SPREAD_PARTS] * size[:_SPREAD_PARTS]) @ parts[:_SPREAD_PARTS]
    real, imaginary = rest[:, : some.size], rest[:, some.size :]
    level = mean_levels(f[some], np.eye(some.size), low_hz=[LEVEL_HZ[0]], high_hz=[LEVEL_HZ[1]])[:, 0]
    return {
        "places": some.tolist(),
        "parts": [_pack(part) for part in kept],
        "rest": [_pack((a * b).sum(axis=0)) for a, b in ((real, real), (imaginary, imaginary), (real, imaginary))],
        "level": _pack_weights(level),
        "low_ohm": _pack(impedance.low_ohm[some]),
        "high_ohm": _pack(impedance.high_ohm[some]),
    }


def _readable_high_hz(known: KnownImpedance) -> float | None:
    """Give the frequency above which the impedance may not be read; None where all of it may."""
    if known.impedance is None or readable_frequencies(known.impedance).all():
        return None
    read = known.frequency_hz[readable_frequencies(known.impedance)]
    return _number(float(read[-1]) if read.size else float(known.frequency_hz[0]))


def _pack_grid(f: FloatArray) -> dict[str, Any]:
    unit = np.eye(f.size)
    return {
        "hz": _pack(f),
        "level": _pack_weights(mean_levels(f, unit, low_hz=[LEVEL_HZ[0]], high_hz=[LEVEL_HZ[1]])[:, 0]),
        "bands": [_pack_weights(weights) for weights in band_levels(f, unit, default_bands()).T],
    }


def _pack_weights(weights: FloatArray) -> dict[str, Any] | None:
    """Pack the weights from the first to the last that counts; None where the data do not cover the range."""
    if not np.isfinite(weights).all():
        return None
    used = np.flatnonzero(np.abs(weights) > _ROUNDING)
    return {"first": int(used[0]), "weights": _pack(weights[used[0] : used[-1] + 1])}


def _pack(values: npt.NDArray[Any]) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f4").tobytes()).decode("ascii")


def _plain(values: FloatArray) -> list[float | None]:
    return [_number(float(value)) for value in values]


def _number(value: float, *, digits: int = 6) -> float | None:
    return float(f"{value:.{digits}g}") if np.isfinite(value) else None
