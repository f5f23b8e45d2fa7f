"""Items worked on by any executor come back whole, in order, and never too many at once."""

from __future__ import annotations

import math
import threading
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ohmshift.errors import StudyError
from ohmshift.study.running import run_items

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def square(value: int) -> int:
    return value * value


class Counting(Executor):
    """Runs at once, and counts the batches that were asked for and not yet taken."""

    def __init__(self) -> None:
        self.sizes: list[int] = []

    def submit(self, function: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:  # type: ignore[override]
        self.sizes.append(len(args[1]))
        future: Future[Any] = Future()
        future.set_result(function(*args, **kwargs))
        return future


@given(st.lists(st.integers(-1000, 1000), max_size=60), st.integers(1, 9), st.integers(0, 5))
def test_results_keep_order_whatever_the_batches(values: list[int], batch: int, ahead: int) -> None:
    executor = Counting()
    expected = [value * value for value in values]
    assert list(run_items(square, values)) == expected
    assert list(run_items(square, values, executor=executor, batch=batch, ahead=ahead)) == expected
    assert sum(executor.sizes) == len(values)


@pytest.mark.parametrize("kind", [ThreadPoolExecutor, ProcessPoolExecutor])
def test_executors_of_the_standard_library_agree(kind: type[Executor]) -> None:
    with kind(2) as executor:  # type: ignore[call-arg]
        found = run_items(math.isqrt, range(101), executor=executor, batch=7)  # a new process finds it by its module
        assert list(found) == [math.isqrt(i) for i in range(101)]


def test_no_more_batches_are_out_than_asked_for() -> None:
    taken: list[int] = []

    def items() -> Iterator[int]:
        for i in range(1000):
            taken.append(i)
            yield i

    results = run_items(square, items(), executor=Counting(), batch=10, ahead=2)
    assert next(results) == 0
    assert len(taken) == 30


def test_an_error_reaches_the_caller_and_cancels_the_rest() -> None:
    gate = threading.Event()
    done: list[int] = []

    def work(value: int) -> int:
        if value == 0:
            raise StudyError("item", "it must work", "it is 0", "leave it out")
        gate.wait(10)
        done.append(value)
        return value

    with ThreadPoolExecutor(1) as executor:
        with pytest.raises(StudyError, match="it is 0"):
            list(run_items(work, range(5), executor=executor, batch=1))
        gate.set()
    assert len(done) <= 1  # the one that had begun


def test_a_batch_holds_something() -> None:
    with pytest.raises(StudyError, match="at least one item"):
        list(run_items(square, [1], batch=0))
