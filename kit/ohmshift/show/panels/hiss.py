"""Ask how loud the hiss is, and what a resistance takes away from it at equal loudness."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ohmshift.chain.divider import divider_change_db
from ohmshift.chain.hiss import Hiss, HissBenefit, compare_hiss, predict_hiss
from ohmshift.chain.loudness import weighted_change_db
from ohmshift.show.drawings import ohms
from ohmshift.show.listening_drawings import draw_hiss
from ohmshift.show.panels.base import Draft, Panel, View, choice, slider
from ohmshift.show.panels.loudness import FLAT_CAVEAT, NO_SENSITIVITY, choose_usable, stated_sensitivity
from ohmshift.show.panels.nothing import nothing_to_show
from ohmshift.show.panels.pieces import ohm_slider, usual_ohm
from ohmshift.study.findings import Quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ohmshift.study.folder import Study
    from ohmshift.study.listening import KnownEarphone

AFTER, BEFORE = "after the volume control", "before the volume control"
"""Where noise arises."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HissSettings:
    """What the hiss panel asks.

    Parameters
    ----------
    earphone : str
        The earphone.
    noise_uv : float
        Noise of the amplifier, 20 Hz to 20 kHz, unweighted [µV r.m.s.].
    arises : str
        Where the noise arises: after or before the volume control.
    added_ohm : float
        Resistance added [ohm].
    output_ohm : float
        Amplifier output impedance [ohm]; the study's cable comes on top.
    """

    earphone: str
    noise_uv: float = 3.0
    arises: str = AFTER
    added_ohm: float = 15.0
    output_ohm: float = 0.6


class HissPanel(Panel[HissSettings]):
    """Say what a resistance takes away from hiss at equal loudness.

    Parameters
    ----------
    study : Study
        The study.
    earphones : mapping of str to KnownEarphone
        What is known of its earphones.
    earphone : str, optional
        Earphone to start with; by default the most sensitive.
    """

    def __init__(self, study: Study, earphones: Mapping[str, KnownEarphone], *, earphone: str | None = None) -> None:
        self.study, self.earphones = study, earphones
        names = choose_usable(earphones, sensitivity=True)
        if not names:
            nothing = HissSettings(earphone="")
            super().__init__(lambda _: nothing_to_show("Hiss", NO_SENSITIVITY), nothing, {})
            return
        first = earphone or max(names, key=lambda name: stated_sensitivity(earphones[name]).per_volt_db)
        added_ohm, output_ohm = usual_ohm(study), study.settings.source_ohm
        settings = HissSettings(earphone=first, added_ohm=added_ohm, output_ohm=output_ohm)
        controls = {
            "earphone": choice("Earphone", names, help_text="The earphone to listen with."),
            "noise_uv": slider("Amplifier's noise", "µV", 0.1, 50.0, 0.1, help_text="20 Hz to 20 kHz, unweighted."),
            "arises": choice("It arises", [AFTER, BEFORE], help_text="Noise before it is turned up with the music."),
            "added_ohm": ohm_slider("Added resistance", 1.0, added_ohm, help_text="In series."),
            "output_ohm": ohm_slider("Amplifier output impedance", 0.2, output_ohm, help_text="The amplifier."),
        }
        super().__init__(self._view, settings, controls)

    def hisses(self) -> pd.DataFrame:
        """Say of every earphone how loud the hiss is, and what the resistance does to it.

        Returns
        -------
        DataFrame
            One row an earphone: A-weighted level without and with, and the change at equal loudness for noise after
            and before the volume control.
        """
        rows = []
        for name in choose_usable(self.earphones, sensitivity=True):
            (without, with_added), benefit = self._pair(name, self.settings, weighted=True)
            rows.append(
                {
                    "earphone": name,
                    "hiss without (dB(A))": f"{without.level_db:.0f}",
                    "with (dB(A))": f"{with_added.level_db:.0f}",
                    "at equal loudness, after (dB)": f"{benefit.after_db:+.1f}",
                    "before (dB)": f"{benefit.before_db:+.1f}",
                    "resistances alone (dB(A))": f"{with_added.thermal_db:.0f}",
                }
            )
        return pd.DataFrame(rows)

    def _pair(self, name: str, settings: HissSettings, *, weighted: bool) -> tuple[tuple[Hiss, Hiss], HissBenefit]:
        earphone = self.earphones[name]
        f, Z = earphone.frequency_hz, earphone.known.ohms
        source = settings.output_ohm + self.study.settings.cable_ohm
        without, with_added = (
            predict_hiss(
                f,
                Z,
                sensitivity=stated_sensitivity(earphone),
                noise_v=settings.noise_uv * 1e-6,
                output_ohm=source,
                added_ohm=added,
                weighting="A" if weighted else "none",
            )
            for added in (0.0, settings.added_ohm)
        )
        change = divider_change_db(Z, added_ohm=settings.added_ohm, source_ohm=source)
        loudness = float(weighted_change_db(f, change))
        return (without, with_added), compare_hiss(without, with_added, loudness_db=loudness)

    def _view(self, settings: HissSettings) -> View:
        earphone = self.earphones[settings.earphone]
        sensitivity = stated_sensitivity(earphone)
        (without, with_added), benefit = self._pair(settings.earphone, settings, weighted=True)
        sentence = _say_hiss(settings, (without, with_added), benefit)
        (plain, divided), _ = self._pair(settings.earphone, settings, weighted=False)
        equal = divided if settings.arises == AFTER else _turned_up(divided, benefit.loudness_db)
        hisses = {"without": plain, "equal loudness": equal}
        return View(
            charts=(draw_hiss(hisses, sensitivity=sensitivity, label=settings.earphone, alt_text=sentence),),
            sentence=sentence,
            table=pd.DataFrame(
                [
                    {"": "amplifier (dB(A))", **_levels(settings, (without.amplifier_db, with_added.amplifier_db))},
                    {"": "resistances (dB(A))", **_levels(settings, (without.thermal_db, with_added.thermal_db))},
                    {"": "together (dB(A))", **_levels(settings, (without.level_db, with_added.level_db))},
                ]
            ),
            draft=Draft(
                statement=sentence,
                quantities=(
                    Quantity(name="hiss without", value=without.level_db, unit="dB(A)"),
                    Quantity(name="change at equal loudness, after", value=benefit.after_db, unit="dB"),
                    Quantity(name="change at equal loudness, before", value=benefit.before_db, unit="dB"),
                ),
                data=self.study.data_hashes(settings.earphone),
                earphone=settings.earphone,
                caveats=(
                    *earphone.known.caveats,
                    FLAT_CAVEAT,
                    "Whether hiss is heard depends on the room and the ear: no threshold of hearing is built in.",
                    "The amplifier's noise is taken as white, and as the same at every volume setting.",
                ),
            ),
        )


def _turned_up(hiss: Hiss, loudness_db: float) -> Hiss:
    """Give the noise with the amplifier's part turned up to make good a loss of loudness."""
    gain = 10 ** (-loudness_db / 20)
    turned = hiss.amplifier_db - loudness_db
    return replace(
        hiss,
        amplifier_density_v=hiss.amplifier_density_v * gain,
        amplifier_v=hiss.amplifier_v * gain,
        amplifier_db=turned,
        level_db=float(10 * np.log10(10 ** (turned / 10) + 10 ** (hiss.thermal_db / 10))),
    )


def _levels(settings: HissSettings, pair: tuple[float, float]) -> dict[str, str]:
    said = ["none" if math.isinf(level) else f"{level:.1f}" for level in pair]
    return {"without": said[0], f"with {ohms(settings.added_ohm)}, same setting": said[1]}


def _say_hiss(settings: HissSettings, pair: tuple[Hiss, Hiss], benefit: HissBenefit) -> str:
    without, with_added = pair
    change = benefit.after_db if settings.arises == AFTER else benefit.before_db
    what = f"{abs(change):.1f} dB {'less' if change < 0 else 'more'} hiss"
    if round(abs(change), 1) == 0:
        what = "the same hiss"
    means = {
        AFTER: "the volume control goes up and the noise behind it does not",
        BEFORE: "the noise is turned up with the music",
    }
    return (
        f"{settings.earphone}, {settings.noise_uv:g} µV of noise: {without.level_db:.0f} dB(A) at the ear, "
        f"{with_added.level_db:.0f} dB(A) with {ohms(settings.added_ohm)} added and nothing else changed. At equal "
        f"loudness, with noise that arises {settings.arises}, {what}: {means[settings.arises]}. The resistances alone "
        f"make {with_added.thermal_db:.0f} dB(A)."
    )
