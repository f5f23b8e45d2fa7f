"""Names in any letters: drawn with the kit's font, else with one of the computer, else as a box; no warnings."""

from __future__ import annotations

import io
import shutil
from dataclasses import replace
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.font_manager import FontEntry, fontManager
from PIL import Image, features
from show.kitchen import change_chart
from show.shelf import shelf

from ohmshift.show import fonts
from ohmshift.show.fonts import BOX, OtherFont, drawable, font_file, letters_of, other_fonts, say_boxes
from ohmshift.show.frames import write_frames
from ohmshift.show.review_sheet import compose_sheet
from ohmshift.show.room import text_px
from ohmshift.show.sheet_picture import _head, draw_sheet_picture
from ohmshift.show.stills import draw_still

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

RARE = "ℊ⅊"
"""Letters that STIX has and DejaVu has not."""

NOWHERE = "\U000f0000"


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let no font of this computer's be known but those that come with matplotlib."""
    shipped = [font for font in fontManager.ttflist if font.fname.startswith(mpl.get_data_path())]
    monkeypatch.setattr(fontManager, "ttflist", shipped)
    forget()
    yield
    forget()


def forget() -> None:
    for known in (other_fonts, drawable, fonts._cover, text_px):
        known.cache_clear()


@pytest.fixture
def other(alone: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> OtherFont:  # noqa: ARG001
    """Make one font of the computer's known."""
    file = shutil.copy(f"{mpl.get_data_path()}/fonts/ttf/STIXGeneral.ttf", tmp_path / "other.ttf")
    entry = FontEntry(fname=str(file), name="Other", style="normal", weight=400, size="scalable")
    monkeypatch.setattr(fontManager, "ttflist", [*fontManager.ttflist, entry])
    return OtherFont(family="Other", file=str(file))


def ink(content: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(content)).convert("L")) < 128


def test_a_font_of_the_computer_draws_what_the_kits_lacks(other: OtherFont) -> None:
    assert other_fonts(f"Ladle {RARE}") == (other,)
    assert other_fonts("Ladle, Löffel, كأس, כף") == ()
    assert drawable(f"Ladle {RARE}") == f"Ladle {RARE}"
    named, boxed = (draw_still(change_chart(10, title=title)) for title in (RARE, BOX * 2))
    assert (ink(named)[:50] != ink(boxed)[:50]).sum() > 50, "they are drawn, and the tests let no warning pass"
    sheet = compose_sheet(shelf().study, shelf().facts["Skewer"])
    named, boxed = (draw_sheet_picture(replace(sheet, name=name)) for name in (RARE, BOX * 2))
    assert (ink(named)[:160] != ink(boxed)[:160]).sum() > 100


def test_what_no_font_has_is_a_box() -> None:
    assert other_fonts(RARE + NOWHERE) == ()
    assert drawable(f"{RARE} {NOWHERE}\U000e0001{NOWHERE}") == f"{BOX}{BOX} {BOX}{BOX}"
    assert draw_still(change_chart(10, title=NOWHERE)) == draw_still(change_chart(10, title=BOX))
    assert text_px(NOWHERE) == text_px(BOX)
    assert ord(BOX) in letters_of(font_file()) & letters_of(font_file(bold=True))


@pytest.mark.source("published", ref="Unicode Character Database: U+1FAD6 is named TEAPOT")
def test_the_text_beside_says_what_a_box_stands_for(tmp_path: Path) -> None:
    said = "□ stands for 🫖 (teapot)"
    assert said in say_boxes("Kettle 🫖\u200d")
    for written in write_frames(change_chart(10, title="Kettle 🫖"), tmp_path, "kettle"):
        assert written.suffix != ".txt" or said in written.read_text(encoding="utf-8")
    plain = {path.name: path for path in write_frames(change_chart(10, title="Kettle"), tmp_path, "kettle")}
    assert BOX not in plain["kettle.txt"].read_text(encoding="utf-8")


@pytest.mark.skipif(not features.check("raqm"), reason="Pillow came without the library that shapes letters")
def test_letters_that_join_and_run_from_the_right_do_so() -> None:
    sheet = compose_sheet(shelf().study, shelf().facts["Skewer"])
    joined, apart = (draw_sheet_picture(replace(sheet, name=name)) for name in ("كأس كأس", "ك أ س ك أ س"))
    widths = [np.flatnonzero(ink(picture)[80:135].any(axis=0)).max() for picture in (joined, apart)]
    assert widths[0] < 0.8 * widths[1]


def test_a_long_name_ends_in_dots() -> None:
    sheet = compose_sheet(shelf().study, shelf().facts["Skewer"])
    lines = [line.text for line in _head(replace(sheet, name="word " * 60))]
    assert lines[0].endswith("word")
    assert lines[1].endswith("word…")
    assert lines[2].startswith("Review sheet. ")
