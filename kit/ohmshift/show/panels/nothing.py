"""What a panel shows where the study does not hold what its question needs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ohmshift.show.charts import Chart, Line
from ohmshift.show.panels.base import View

NO_RESPONSES = (
    "The study holds no responses yet: put your curve files into its folder, list them in measurements.csv, and run "
    "ohmshift check on it."
)
"""What to say where a study is still empty."""

UNKNOWN = (
    "Nothing can be predicted, since no impedance is known: measure one, or responses with and without a known "
    "resistance at the same drive voltage (level_reference absolute)."
)
"""What to say where no earphone's impedance was measured or can be recovered."""


def nothing_to_show(title: str, sentence: str) -> View:
    """Give a view that says what is missing and what to do about it.

    Parameters
    ----------
    title : str
        What would have been shown.
    sentence : str
        What is missing, and what to do.

    Returns
    -------
    View
        An empty chart, the sentence, an empty table, and nothing to record.
    """
    chart = Chart(
        title=f"{title}: no data",
        alt_text=sentence,
        lines=(Line(x=np.array([20.0]), y=np.array([np.nan])),),
        y_label="Level",
        y_unit="dB",
        y_range=(-5.0, 5.0),
    )
    return View(charts=(chart,), sentence=sentence, table=pd.DataFrame())
