from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from ohmshift.curves.values import Impedance, Provenance, Response, ResponseSet, Step, read_only
from ohmshift.errors import CurveError

F = [100.0, 1000.0, 10_000.0]


def response(**changes) -> Response:
    return Response(**{"frequency_hz": F, "level_db": [1, 2, 3], "label": "ladle", **changes})


def impedance(**changes) -> Impedance:
    return Impedance(**{"frequency_hz": F, "impedance_ohm": [16, 17 + 1j, 20], "label": "ladle", **changes})


def response_set(**changes) -> ResponseSet:
    fields = {"frequency_hz": F, "level_db": [[1, 2, 3], [4, 5, 6]], "channel": ("left", "right"), "seat": ("1", "1")}
    return ResponseSet(**{**fields, "label": "ladle", **changes})


MAKERS = [(response, "level_db"), (impedance, "impedance_ohm"), (response_set, "level_db")]


@pytest.mark.parametrize(("make", "name"), MAKERS)
def test_fields_cannot_be_set(make, name):
    with pytest.raises(FrozenInstanceError):
        setattr(make(), name, [0, 0, 0])


@pytest.mark.parametrize(("make", "name"), MAKERS)
def test_arrays_cannot_be_written_to(make, name):
    curve = make()
    for array in (curve.frequency_hz, getattr(curve, name)):
        with pytest.raises(ValueError, match="read-only"):
            array[..., 0] = 5


def test_a_curve_keeps_its_values_when_the_callers_array_changes():
    level = np.array([1.0, 2.0, 3.0])
    curve = response(level_db=level)
    level[0] = 99
    assert curve.level_db.tolist() == [1, 2, 3]


def test_numbers_become_double_precision():
    assert response(level_db=np.float32([1, 2, 3])).level_db.dtype == np.float64
    assert impedance(impedance_ohm=[16, 17, 18]).impedance_ohm.dtype == np.complex128


@pytest.mark.parametrize(
    ("make", "name", "values", "found"),
    [
        (response, "level_db", [1, 2, 3j], "real numbers, but they are complex128"),
        (response, "phase_deg", [None, 2, 3], "real numbers, but they are object"),
        (response_set, "level_db", [["1", "2", "3"]] * 2, "real numbers, but they are <U1"),
        (impedance, "frequency_hz", [1, 2, 3 + 0j], "real numbers, but they are complex128"),
        (impedance, "impedance_ohm", ["16", "17", "20"], "numbers, but they are <U2"),
    ],
)
def test_what_is_no_number_of_its_kind_is_refused_and_not_cast(make, name, values, found):
    with pytest.raises(CurveError, match=f"ladle, {name}: values must be {found}"):
        make(**{name: values})


@pytest.mark.parametrize("make", [make for make, _ in MAKERS])
@pytest.mark.parametrize(
    ("frequency_hz", "rule"),
    [
        ([100, 1000, 1000], "frequency must rise at every row, but it goes from 1000 Hz to 1000 Hz at row 3"),
        ([100, 50, 1000], "frequency must rise at every row, but it goes from 100 Hz to 50 Hz at row 2"),
        ([0, 50, 1000], "above 0 Hz"),
        ([-1, 50, 1000], "above 0 Hz"),
        ([100, np.nan, 1000], "every value must be a finite number, but value 2 is nan"),
        ([100, 1000, np.inf], "every value must be a finite number, but value 3 is inf"),
        ([[100, 1000, 2000]], "shape"),
        ([100, 1000], "shape"),
    ],
)
def test_frequencies_are_checked(make, frequency_hz, rule):
    with pytest.raises(CurveError, match=rule):
        make(frequency_hz=frequency_hz)


@pytest.mark.parametrize("frequency_hz", [[], [100]])
def test_a_curve_needs_two_points(frequency_hz):
    with pytest.raises(CurveError, match="at least two points"):
        response(frequency_hz=frequency_hz, level_db=frequency_hz)


@pytest.mark.parametrize(
    ("make", "changes"),
    [
        (response, {"level_db": [1, 2]}),
        (response, {"level_db": [[1, 2, 3]]}),
        (response, {"phase_deg": [1, 2]}),
        (impedance, {"impedance_ohm": [1, 2]}),
        (response_set, {"level_db": [[1, 2, 3]]}),
        (response_set, {"level_db": [[1, 2], [3, 4]]}),
        (response_set, {"level_db": [1, 2, 3]}),
    ],
)
def test_shapes_are_checked(make, changes):
    with pytest.raises(CurveError, match=r"ladle.*shape"):
        make(**changes)


@pytest.mark.parametrize(
    ("make", "changes", "found"),
    [
        (response, {"level_db": [1, np.nan, 3]}, "value 2 is nan"),
        (response, {"phase_deg": [1, 2, -np.inf]}, "value 3 is -inf"),
        (impedance, {"impedance_ohm": [1, complex(0, np.inf), 3]}, "value 2 is"),
        (response_set, {"level_db": [[1, 2, 3], [4, np.nan, 6]]}, "value 5 is nan"),
    ],
)
def test_values_must_be_finite(make, changes, found):
    with pytest.raises(CurveError, match=found):
        make(**changes)


@pytest.mark.parametrize("make", [response, response_set])
def test_level_reference_is_one_of_two(make):
    assert make(level_reference="relative").level_reference == "relative"
    with pytest.raises(CurveError, match='"absolute" or "relative"'):
        make(level_reference="loud")


@pytest.mark.parametrize(
    ("changes", "rule"),
    [
        ({"channel": (), "seat": (), "level_db": np.zeros((0, 3))}, "at least one response"),
        ({"seat": ("1",)}, "one seat a row is needed, 2 in all, but there are 1"),
        ({"provenance": (Provenance(),)}, "one provenance a row"),
    ],
)
def test_a_sets_rows_are_checked(changes, rule):
    with pytest.raises(CurveError, match=rule):
        response_set(**changes)


def test_a_set_may_come_without_provenance_or_with_one_a_row():
    assert response_set().provenance == ()
    assert len(response_set(provenance=(Provenance(), Provenance(source="ladle.txt"))).provenance) == 2


def test_rows_of_a_channel():
    curves = response_set()
    assert curves.rows("right") == (1,)
    assert curves.rows("centre") == ()


def test_a_changed_copy_is_checked_again():
    with pytest.raises(CurveError, match="shape"):
        replace(response(), level_db=[1])


def test_a_step_reads_as_a_call():
    step = Step(name="align_level", options=(("low_hz", 200.0), ("use", "display")))
    assert str(step) == "align_level(low_hz=200.0, use='display')"


def test_read_only_copies_and_locks():
    source = np.arange(3.0)
    copy = read_only(source)
    assert copy is not source
    assert not copy.flags.writeable
    assert source.flags.writeable
