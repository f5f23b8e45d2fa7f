"""Notebooks that run beside other work, a few at a time, each in a kernel of its own."""

from __future__ import annotations

import asyncio
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

from ohmshift.errors import StudyError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from concurrent.futures import Future
    from pathlib import Path

    from nbformat import NotebookNode

_TIMEOUT_S = 900


@contextmanager
def running_notebooks(paths: Iterable[Path], folder: Path, *, at_once: int) -> Iterator[list[Future[NotebookNode]]]:
    """Run notebooks from fresh kernels while the block does something else.

    Parameters
    ----------
    paths : iterable of Path
        Notebooks; the files are not touched.
    folder : Path
        Folder they run in.
    at_once : int
        How many may run at the same time.

    Yields
    ------
    list of Future
        One a notebook, in the same order; its result is the notebook with its outputs. It fails with a StudyError where
        a cell fails. Those not done when the block ends are stopped.
    """
    loop = asyncio.SelectorEventLoop()
    thread = threading.Thread(target=loop.run_forever, name="notebooks", daemon=True)
    thread.start()
    try:
        slots = asyncio.Semaphore(at_once)
        futures = [asyncio.run_coroutine_threadsafe(_run(path, folder, slots), loop) for path in paths]
        yield futures
    finally:
        asyncio.run_coroutine_threadsafe(_stop_all(), loop).result()
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


async def _run(path: Path, folder: Path, slots: asyncio.Semaphore) -> NotebookNode:
    async with slots:
        notebook: NotebookNode = nbformat.read(path, as_version=4)  # type: ignore[no-untyped-call]
        client = NotebookClient(
            notebook,
            timeout=_TIMEOUT_S,
            startup_timeout=_TIMEOUT_S,
            store_widget_state=False,
            resources={"metadata": {"path": str(folder)}},
            extra_arguments=["--IPKernelApp.log_level=ERROR"],  # on the terminal its warnings help nobody
        )
        try:
            await client.async_execute()
        except CellExecutionError as error:
            raise StudyError(
                path.name,
                "a notebook must run from a fresh kernel",
                f"{error.ename}: {error.evalue}",
                "open it with ohmshift lab and mend it, or delete the study's copy to get a fresh one",
            ) from error
        except RuntimeError as error:  # the kernel did not start, or died
            raise StudyError(
                path.name,
                "a notebook needs a Python that keeps running",
                str(error),
                "close other programs to free memory, then try again",
            ) from error
        return notebook


async def _stop_all() -> None:
    others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
    for task in others:
        task.cancel()
    await asyncio.gather(*others, return_exceptions=True)
