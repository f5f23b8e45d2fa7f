"""Work on many items one after another, or spread over any executor, with the same results in the same order."""

from __future__ import annotations

from collections import deque
from functools import lru_cache
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

from threadpoolctl import ThreadpoolController

from ohmshift.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from concurrent.futures import Executor, Future

Item = TypeVar("Item")
Result = TypeVar("Result")

_AHEAD = 4
"""Batches handed out beyond the one that is waited for: enough for two workers never to stand idle."""


def run_items(
    function: Callable[[Item], Result],
    items: Iterable[Item],
    *,
    executor: Executor | None = None,
    batch: int = 50,
    ahead: int = _AHEAD,
) -> Iterator[Result]:
    """Apply a function to each item.

    Parameters
    ----------
    function : callable
        Works on one item; at the top of a module where the executor runs other processes.
    items : iterable
        Items, taken only as they are needed.
    executor : Executor, optional
        Of `concurrent.futures`, or what behaves like one, as that of a cluster; without one the items are worked on
        here.
    batch : int
        Items handed out at once, 1 or more.
    ahead : int
        Batches handed out beyond the one that is waited for, 0 or more; twice the number of workers keeps them busy.

    Yields
    ------
    object
        The results, in the order of the items, whatever the executor.

    Raises
    ------
    StudyError
        A batch below 1.

    Notes
    -----
    No more than `ahead` + 1 batches are out at a time, so that memory stays bounded however many items there are.

    Examples
    --------
    >>> list(run_items(abs, [-1, 2, -3], batch=2))
    [1, 2, 3]
    """
    if batch < 1 or ahead < 0:
        rule, found = "a batch holds at least one item", f"batch is {batch}, ahead {ahead}"
        raise StudyError("run_items", rule, found, "give 1 or more, and 0 or more ahead")
    if executor is None:
        for item in items:
            yield _work(function, [item])[0]
        return
    source = iter(items)
    out: deque[Future[list[Result]]] = deque()
    try:
        while True:
            while len(out) <= ahead and (some := list(islice(source, batch))):
                out.append(executor.submit(_work, function, some))
            if not out:
                return
            yield from out.popleft().result()
    finally:
        for future in out:
            future.cancel()


def _work(function: Callable[[Item], Result], items: list[Item]) -> list[Result]:
    """Work on one thread of linear algebra: more of them stand in each other's way, and change last digits."""
    with _libraries().limit(limits=1):
        return [function(item) for item in items]


@lru_cache
def _libraries() -> ThreadpoolController:
    return ThreadpoolController()
