"""Open the study a notebook lies in, and show how far longer work has come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import ipywidgets as widgets
import pandas as pd
from IPython.core.getipython import get_ipython
from IPython.display import display

from ohmshift.study.folder import open_study
from ohmshift.study.places import study_folder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from ohmshift.study.folder import Study


class Progress(widgets.HBox):  # type: ignore[misc]
    """A bar that fills while work is done, and a sentence that stays.

    Parameters
    ----------
    doing : str
        What is being done, as a sentence.
    within : bool
        Whether it is part of a panel: there it is seen only while work is done.

    Notes
    -----
    It wraps the things that are worked on: ``for item in progress(items)``. Outside a notebook it shows nothing.
    """

    def __init__(self, doing: str, *, within: bool = False) -> None:
        self.doing = doing
        self.within = within
        self.bar = widgets.IntProgress(description="", layout={"width": "320px"})
        super().__init__([self.bar, widgets.Label(doing)], layout={"display": "none"} if within else {})

    def __call__(self, items: Iterable[Any]) -> Iterator[Any]:
        """Pass the items on, filling the bar.

        Parameters
        ----------
        items : iterable
            What is worked on.

        Yields
        ------
        object
            Each item.
        """
        listed = list(items)
        self.bar.value, self.bar.max = 0, max(len(listed), 1)
        self.bar.layout.display = self.layout.display = None
        if get_ipython() is not None and not self.within:
            display(self)  # type: ignore[no-untyped-call]
        try:
            for item in listed:
                yield item
                self.bar.value += 1
        finally:  # whoever works through the items may end early
            (self if self.within else self.bar).layout.display = "none"

    def __repr__(self) -> str:
        """Say what was done."""
        return f"<{self.doing}>"

    def _repr_mimebundle_(self, **kwargs: Any) -> dict[str, Any]:
        """Add the sentence for readers without a kernel."""
        return {**super()._repr_mimebundle_(**kwargs), "text/plain": self.doing}


def open_here() -> Study:
    """Open the study that the notebook lies in, or a temporary copy of the demo study.

    Returns
    -------
    Study
        The study.

    Raises
    ------
    StudyError
        The study cannot be used as it stands.

    Notes
    -----
    From then on pandas shows whole sentences in the kernel's tables, since a problem cut short cannot be mended.
    """
    pd.set_option("display.max_colwidth", None)
    return open_study(study_folder(), progress=Progress("Reading the study's curves."))
