"""Stills and films: the measured values, large words, calm pictures, the same bytes each time."""

from __future__ import annotations

import io
from itertools import pairwise
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import av
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image
from show.kitchen import change_chart, ohm_chart

from ohmshift.chain.divider import divider_change_db
from ohmshift.evidence.wording import name_frequency
from ohmshift.show import stills
from ohmshift.show.frames import SIZES, draw_frame, fit_chart, write_frames
from ohmshift.show.motion import FRAMES_A_SECOND, Sweep, draw_pair, film_frames, sweep_resistance, write_motion
from ohmshift.show.room import make_room, text_px, wrap
from ohmshift.study.batch import StudyComparison, compare_study
from ohmshift.study.folder import Study, open_study
from ohmshift.study.impedances import measured_impedance
from ohmshift.study.places import shipped_folder

if TYPE_CHECKING:
    from pathlib import Path

SMALL = (640, 360)


@pytest.fixture(scope="module")
def study() -> Study:
    return open_study(shipped_folder("data_demo"))


@pytest.fixture(scope="module")
def comparison(study: Study) -> StudyComparison:
    return compare_study(study)


@pytest.fixture(scope="module")
def sweep(study: Study, comparison: StudyComparison) -> Sweep:
    found = sweep_resistance(study, comparison, "Grater")
    assert found is not None
    return found


@pytest.fixture(scope="module")
def film(sweep: Sweep, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path, _ = write_motion(sweep, tmp_path_factory.mktemp("film") / "grater.mp4", size_px=SMALL)
    return path


@pytest.fixture
def sheets(monkeypatch: pytest.MonkeyPatch) -> list[Figure]:
    made: list[Figure] = []

    def record(*args: object, **options: object) -> Figure:
        made.append(Figure(*args, **options))
        return made[-1]

    monkeypatch.setattr(stills, "Figure", record)
    return made


@pytest.mark.source("published", ref="IEC 60263:2020, 4.1 and 4.2, within 1 %")
@pytest.mark.parametrize("draw", [change_chart, ohm_chart])
def test_a_still_for_a_video_keeps_the_proportion(sheets: list[Figure], draw: object) -> None:
    picture = Image.open(io.BytesIO(draw_frame(draw(10))))
    assert picture.size == SIZES[0]
    (axes,) = sheets[0].axes
    box = axes.get_position()
    low, high = axes.get_ylim()
    db = high - low if draw is change_chart else 20 * np.log10(high / low)
    ratio = (box.width * picture.width / 3) / (box.height * picture.height / db)
    assert min(abs(ratio / allowed - 1) for allowed in (10, 20, 25, 50)) < 0.01


@pytest.mark.source("practice", ref="subtitles of a picture 1080 px high are about 48 px, some 4 % of its height")
def test_words_are_as_large_as_subtitles_and_stay_inside(sheets: list[Figure]) -> None:
    long = change_chart(10, title="The long name of an earphone that was lent: change with 15 ohm added, level apart")
    for chart in (long, ohm_chart(10)):
        draw_frame(chart)
        sheet = sheets[-1]
        renderer = FigureCanvasAgg(sheet).get_renderer()
        texts = [text for text in sheet.findobj(match=lambda part: hasattr(part, "get_text")) if text.get_text()]
        assert len(texts) > 10
        for text in texts:
            assert text.get_fontsize() * sheet.dpi / 72 >= 47
            box = text.get_window_extent(renderer)
            assert -1 <= box.x0 <= box.x1 <= SIZES[0][0] + 1, text.get_text()
            assert -1 <= box.y0 <= box.y1 <= SIZES[0][1] + 1, text.get_text()


def test_a_still_shows_the_charts_values(sheets: list[Figure]) -> None:
    chart = change_chart(25)
    draw_frame(chart, format="svg", theme="transparent")
    drawn = [line.get_ydata() for line in sheets[0].axes[0].lines]
    for line in chart.lines:
        assert any(np.array_equal(line.y, y) for y in drawn)
    assert fit_chart(chart).lines == chart.lines


def test_all_sizes_and_grounds_with_words_beside(tmp_path: Path) -> None:
    chart = change_chart(10)
    written = write_frames(chart, tmp_path, "ladle")
    assert len(written) == 3 * (len(SIZES) + 1) + 1
    assert (tmp_path / "ladle.txt").read_text(encoding="utf-8").strip() == chart.alt_text
    for ground, corner in (("light", (255, 255, 255, 255)), ("dark", (22, 24, 27, 255))):
        for width, height in SIZES:
            with Image.open(tmp_path / f"ladle_{ground}_{height}.png") as picture:
                assert picture.size == (width, height)
                assert picture.convert("RGBA").getpixel((3, 3)) == corner
    with Image.open(tmp_path / "ladle_transparent_1080.png") as picture:
        assert picture.mode == "RGBA"
        assert picture.getpixel((3, 3))[3] == 0
        solid = np.asarray(picture)[..., 3] == 255
    assert 0.02 < solid.mean() < 0.5
    for path in tmp_path.glob("*.svg"):
        root = ET.fromstring(path.read_bytes())  # noqa: S314
        assert (root.get("width"), root.get("height")) == ("1920px", "1080px")
        assert root.get("aria-label") == chart.alt_text


@pytest.mark.source("published", ref="WCAG 2.2, 1.4.3: text has a contrast of 4.5 to 1 at least, 1.4.11: parts 3 to 1")
def test_words_of_a_transparent_still_are_legible_on_anything() -> None:
    def luminance(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))

    def contrast(one: str, other: str) -> float:
        high, low = sorted((luminance(one), luminance(other)), reverse=True)
        return (high + 0.05) / (low + 0.05)

    looks = stills.THEMES["transparent"]
    assert contrast(looks.ink, looks.halo) >= 4.5
    assert contrast(stills.THEMES["dark"].ink, stills.THEMES["dark"].paper) >= 4.5
    assert contrast(stills.THEMES["light"].ink, stills.THEMES["light"].paper) >= 4.5
    assert all(contrast(colour, looks.halo) >= 3 for colour in looks.palette[:4])


def test_names_are_no_formulas(sheets: list[Figure]) -> None:
    draw_frame(change_chart(10, title="$\\frac{1}$ & $x$"))
    assert any(text.get_text() == "$\\frac{1}$ & $x$" for text in sheets[0].axes[0].texts)


def test_wrapping_keeps_every_word() -> None:
    text = "a name that is far too long for one line of a picture"
    lines = wrap(text, 120.0)
    assert " ".join(lines) == text
    assert len(lines) > 2
    assert all(text_px(line) <= 120 for line in lines)
    assert make_room([change_chart(10)], text_size=1.0)[0].width == 600


@pytest.mark.source("analytic", ref="divider: 20 log10 |(Z + R_0)/(Z + R_0 + R)|, which has outside checks")
def test_the_film_shows_what_the_divider_predicts(sweep: Sweep, study: Study, comparison: StudyComparison) -> None:
    Z = measured_impedance(study, "Grater").ohms
    source_ohm = comparison.aligned["Grater", 0.0].source_ohm
    assert sweep.added_ohm[0] == 0
    assert sweep.added_ohm[-1] == pytest.approx(120)
    assert np.all(np.diff(sweep.added_ohm) > 0)
    for i in (40, -1):
        change = divider_change_db(Z, added_ohm=float(sweep.added_ohm[i]), source_ohm=source_ohm)
        moved = sweep.with_db[i] - sweep.without_db
        np.testing.assert_allclose(moved + sweep.level_drop_db[i], change, atol=1e-9)
    np.testing.assert_allclose(sweep.with_db[0], sweep.without_db, atol=1e-9)
    assert abs(sweep.measured_db - sweep.with_db[-1])[sweep.frequency_hz < 8000].max() < 1.5


def test_before_and_after_share_their_axes(sweep: Sweep) -> None:
    before, after = draw_pair(sweep)
    assert before.y_ends == after.y_ends
    first, second = (make_room([chart], text_size=1.4)[0] for chart in (before, after))
    assert (first.width, first.top, first.bottom) == (second.width, second.top, second.bottom)
    np.testing.assert_array_equal(before.lines[0].y, after.lines[0].y)
    np.testing.assert_array_equal(after.lines[1].y, sweep.measured_db)
    assert "with" not in before.alt_text.replace("without", "")


def test_words_count_in_third_octaves_as_the_verdict_does(sweep: Sweep, comparison: StudyComparison) -> None:
    change = comparison.change("Grater", 120.0)
    i = int(np.nanargmax(np.abs(change.band_change_db)))
    wanted = f"up to {change.band_change_db[i]:+.1f} dB, at {name_frequency(change.bands.mid_hz[i])}"
    _, after = draw_pair(sweep)
    assert wanted in after.alt_text
    assert sweep.say_most(sweep.without_db) == "less than 0.05 dB in every third octave"


def test_no_film_without_an_impedance_or_a_resistance(study: Study, comparison: StudyComparison) -> None:
    recovered = sweep_resistance(study, comparison, "Skewer")
    assert recovered is not None
    assert "recovered" in recovered.sentence


@pytest.mark.source("published", ref="WCAG 2.2, 2.3.1: at most three flashes (10 % of luminance) a second")
def test_nothing_flashes_and_the_curve_moves_gently(sweep: Sweep) -> None:
    frames = [pixels for pixels, _ in film_frames(sweep, size_px=SMALL)]
    brightness = np.array([frame.mean() / 255 for frame in frames])
    assert abs(np.diff(brightness)).max() < 0.002
    step_db = abs(np.diff(sweep.with_db, axis=0)).max()
    assert step_db * FRAMES_A_SECOND < 12  # dB a second, of an axis some 40 dB high
    changed = [np.mean(one != two) for one, two in pairwise(frames)]
    assert 0 < np.max(changed) < 0.08


def test_the_film_can_be_watched(film: Path, sweep: Sweep) -> None:
    with av.open(str(film)) as opened:
        stream = opened.streams.video[0]
        assert (stream.codec_context.name, stream.codec_context.pix_fmt) == ("h264", "yuv420p")
        assert (stream.width, stream.height, stream.average_rate) == (*SMALL, FRAMES_A_SECOND)
        frames = [frame.to_ndarray(format="rgb24") for frame in opened.decode(stream)]
    assert 10 <= len(frames) / FRAMES_A_SECOND <= 15
    drawn = [pixels for pixels, count in film_frames(sweep, size_px=SMALL) for _ in range(count)]
    assert len(drawn) == len(frames)
    for i in (0, len(frames) // 2, -1):
        assert abs(frames[i].astype(float) - drawn[i]).mean() < 4
    words = film.with_suffix(".txt").read_text(encoding="utf-8")
    assert words.strip() == sweep.sentence
    assert "e+" not in sweep.sentence
    assert "Predicted by the voltage divider; impedance measured" in words


def test_the_same_sweep_gives_the_same_film(film: Path, sweep: Sweep, tmp_path: Path) -> None:
    again, _ = write_motion(sweep, tmp_path / "again.mp4", size_px=SMALL)
    assert again.read_bytes() == film.read_bytes()
