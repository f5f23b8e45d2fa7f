"""Ask what is in a study, and whether what loaded can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.prediction import predict_change
from ohmshift.curves.grids import pick_channel, resample
from ohmshift.curves.values import Impedance
from ohmshift.show.charts import Chart, Line
from ohmshift.show.drawings import ohms
from ohmshift.show.explaining import draw_impedances
from ohmshift.show.panels.base import Draft, Panel, View, choice
from ohmshift.show.panels.nothing import NO_RESPONSES, nothing_to_show
from ohmshift.show.panels.pieces import ohm_slider
from ohmshift.study.findings import Quantity
from ohmshift.study.impedances import measured_impedance
from ohmshift.study.problems import problems_table

if TYPE_CHECKING:
    from ohmshift.curves.values import FloatArray, ResponseSet
    from ohmshift.study.folder import Study

_ROOM_DB = 5.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class StartSettings:
    """What the panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    added_ohm : float
        Resistance to imagine in the chain [ohm].
    """

    earphone: str
    added_ohm: float


class StartPanel(Panel[StartSettings]):
    """Look at each earphone of a study, and at what a resistance would do to it.

    Parameters
    ----------
    study : Study
        The study.
    earphone : str, optional
        Earphone to start with; by default the first.
    """

    def __init__(self, study: Study, *, earphone: str | None = None) -> None:
        self.study = study
        names = [name for name in study.names if study.resistances(name)]
        settings = StartSettings(earphone=earphone or next(iter(names), ""), added_ohm=15.0)
        if not settings.earphone:
            super().__init__(lambda _: nothing_to_show("Frequency response", NO_RESPONSES), settings, {})
            return
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to look at."),
            "added_ohm": ohm_slider(
                "Added resistance", 1.0, settings.added_ohm, help_text="A resistance to imagine in the chain."
            ),
        }
        super().__init__(self._view, settings, controls)

    def problems(self) -> pd.DataFrame:
        """List what was left out or looks doubtful.

        Returns
        -------
        DataFrame
            One row a problem: where, what rule, what was found, what to do, and what the kit did about it.
        """
        table = problems_table(self.study.problems)
        where = [problem.where for problem in self.study.problems]
        columns = {
            "found": table["value"],
            "rule": table["rule"],
            "what to do": table["mend"],
            "so it is": table["effect"],
        }
        return pd.DataFrame({"where": where, **columns})

    def _view(self, settings: StartSettings) -> View:
        name = settings.earphone
        responses = self.study.responses(name, added_ohm=self.study.resistances(name)[0])
        known = measured_impedance(self.study, name)
        lines = [Line(x=responses.frequency_hz, y=_mean(responses), label=_name_condition(responses), colour=0)]
        sentence = f"{name}: {self._describe(name)}."
        x, y = responses.frequency_hz, np.full(responses.frequency_hz.size, np.nan)
        if isinstance(known.impedance, Impedance):
            impedance = known.impedance
            inside = (x >= impedance.frequency_hz[0]) & (x <= impedance.frequency_hz[-1])
            x = x[inside]
            Z = resample(impedance, x).impedance_ohm
            R_0 = responses.source_ohm
            y = _mean(responses)[inside] + divider_change_db(Z, added_ohm=settings.added_ohm, source_ohm=R_0)
            change = predict_change(impedance, added_ohm=settings.added_ohm, source_ohm=R_0)
            spread = float(np.ptp(change.tonal_change_db))
            sentence += (
                f" By its impedance, {ohms(settings.added_ohm)} added makes it {abs(change.level_drop_db):.1f} dB "
                f"quieter, and the change differs by {spread:.1f} dB between its highest and lowest point."
            )
        else:
            sentence += " Nobody measured its impedance, so nothing is predicted here."
        lines.append(Line(x=x, y=y, label="predicted", colour=1))
        chart = Chart(
            title=f"{name}: frequency response, mean over seats and channels",
            alt_text=sentence,
            y_label="Level",
            y_unit="dB re 20 µPa" if responses.level_reference == "absolute" else "dB, relative",
            y_range=_level_range(_mean(responses)),
            lines=tuple(lines),
        )
        charts = (chart, draw_impedances(known))
        return View(charts=charts, sentence=sentence, table=_table(charts), draft=self._draft())

    def _draft(self) -> Draft:
        study = self.study
        left_out = sum(problem.effect == "left out" for problem in study.problems)
        flagged = len(study.problems) - left_out
        statement = (
            f"The study holds {len(study.names)} earphones and {len(study.curves)} usable curves; "
            f"left out: {left_out}, used but flagged: {flagged}."
        )
        counts = {"earphones": len(study.names), "usable curves": len(study.curves), "left out": left_out}
        return Draft(
            statement=statement,
            quantities=tuple(
                Quantity(name=name, value=value, unit="1") for name, value in {**counts, "flagged": flagged}.items()
            ),
            data=study.data_hashes(),
        )

    def _describe(self, name: str) -> str:
        row = self.study.earphones.set_index("earphone").loc[name]
        resistances = ", ".join(f"{ohm:g}" for ohm in self.study.resistances(name))
        channels = dict.fromkeys(self.study.responses(name, added_ohm=self.study.resistances(name)[0]).channel)
        seats = min(
            len(self.study.responses(name, added_ohm=ohm).rows(channel))
            for ohm in self.study.resistances(name)
            for channel in channels
        )
        return f"{row['driver_class']}, {' and '.join(channels)}, at least {seats} seats at {resistances} ohm added"


def _mean(responses: ResponseSet) -> FloatArray:
    """Average over the seats of each channel, then over channels."""
    channels = dict.fromkeys(responses.channel)
    return np.asarray(np.mean([pick_channel(responses, name).level_db.mean(axis=0) for name in channels], axis=0))


def _name_condition(responses: ResponseSet) -> str:
    return "without" if responses.added_ohm == 0 else f"with {ohms(responses.added_ohm)}"


def _level_range(level_db: FloatArray) -> tuple[float, float]:
    """Give a range that holds a response and what a large resistance leaves of it, in steps of 5 dB."""
    top = _ROOM_DB * np.ceil((level_db.max() + 1) / _ROOM_DB)
    return (float(top - 10 * _ROOM_DB), float(top))


def _table(charts: tuple[Chart, Chart]) -> pd.DataFrame:
    """Put levels and impedance side by side."""
    levels, impedance = (chart.table() for chart in charts)
    return levels.merge(impedance, on=levels.columns[0], how="left")
