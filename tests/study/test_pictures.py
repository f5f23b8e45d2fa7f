"""Pictures: read within bounds, refused with one clear error otherwise."""

from __future__ import annotations

import io
import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from ohmshift.errors import FileMissingError, FileRefusedError
from ohmshift.study.pictures import LARGEST_FILE, find_background, pick_colour, read_picture

if TYPE_CHECKING:
    from pathlib import Path


def png(width: int = 200, height: int = 150, mode: str = "RGB", colour: object = "white") -> bytes:
    stream = io.BytesIO()
    Image.new(mode, (width, height), colour).save(stream, format="png")
    return stream.getvalue()


def bomb(width: int, height: int) -> bytes:
    """A small file whose header promises very many pixels."""
    chunks = b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in (
            (b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)),
            (b"IDAT", zlib.compress(b"\0" * 1000)),
            (b"IEND", b""),
        )
    )
    return b"\x89PNG\r\n\x1a\n" + chunks


def test_reads_what_is_there(tmp_path: Path):
    file = tmp_path / "chart.png"
    file.write_bytes(png(210, 160, colour=(10, 20, 30)))
    picture = read_picture(file, source="published/chart.png")
    assert (picture.width, picture.height, picture.name) == (210, 160, "chart.png")
    assert picture.rgb[5, 7].tolist() == [10, 20, 30]
    assert picture.provenance.source == "published/chart.png"
    assert len(picture.provenance.sha256) == 64
    assert not picture.rgb.flags.writeable


def test_what_is_transparent_shows_white_and_a_palette_its_colours(tmp_path: Path):
    file = tmp_path / "clear.png"
    file.write_bytes(png(mode="RGBA", colour=(0, 0, 0, 0)))
    assert read_picture(file).rgb[0, 0].tolist() == [255, 255, 255]
    file.write_bytes(png(mode="P", colour=0))
    assert read_picture(file).rgb.shape == (150, 200, 3)


@pytest.mark.source("analytic", ref="sixteen bits over eight: 25 700 / 257 = 100, and 65 535 / 257 = 255")
def test_grey_of_sixteen_bits_keeps_its_shades(tmp_path: Path):
    grey = np.full((120, 200), 65_535, dtype=np.uint16)
    grey[60] = 25_700
    Image.fromarray(grey).save(tmp_path / "grey.png")
    assert read_picture(tmp_path / "grey.png").rgb[59:61, 7].tolist() == [[255] * 3, [100] * 3]


@pytest.mark.source("analytic", ref="full cyan takes all red out of white")
def test_a_printers_colours_are_read(tmp_path: Path):
    Image.new("CMYK", (200, 120), (255, 0, 0, 0)).save(tmp_path / "print.jpg")
    red, green, blue = read_picture(tmp_path / "print.jpg").rgb[60, 100].tolist()
    assert red < 10
    assert min(green, blue) > 245


def test_a_photograph_is_turned_upright(tmp_path: Path):
    file = tmp_path / "photo.jpg"
    exif = Image.Exif()
    exif[0x0112] = 6
    Image.new("RGB", (300, 120)).save(file, exif=exif)
    assert (read_picture(file).width, read_picture(file).height) == (120, 300)


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "not empty"),
        (b"no picture at all", "PNG or JPEG"),
        (b"GIF89a" + bytes(200), "PNG or JPEG"),
        (png()[:60], "whole"),
        (png()[:-30], "whole"),
        (png(90, 200), "at least 100 pixels"),
        (bomb(6000, 6000), "at most 12 million pixels"),
        (bomb(60_000, 60_000), "at most 12 million pixels"),
        (bomb(1000, 1000), "whole"),
    ],
    ids=["empty", "text", "gif", "header only", "cut off", "too small", "large", "bomb", "too little data"],
)
def test_bad_files_give_one_clear_error(tmp_path: Path, data: bytes, match: str):
    file = tmp_path / "chart.png"
    file.write_bytes(data)
    with pytest.raises(FileRefusedError, match=match) as caught:
        read_picture(file)
    assert str(caught.value).startswith("chart.png: ")


def test_too_many_bytes_are_not_even_read(tmp_path: Path):
    file = tmp_path / "large.png"
    with file.open("wb") as handle:
        handle.truncate(LARGEST_FILE + 1)
    with pytest.raises(FileRefusedError, match="up to 30 MB"):
        read_picture(file)
    with pytest.raises(FileMissingError, match="there is none"):
        read_picture(tmp_path / "none.png")
    with pytest.raises(FileRefusedError, match="this is a folder or a device"):
        read_picture(tmp_path)
    with pytest.raises(FileRefusedError, match=r"the system says: (stat: )?embedded null"):
        read_picture("a\0b.png")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.integers(8, 400), value=st.integers(0, 255), cut=st.integers(0, 300))
def test_damage_never_gets_through_as_a_traceback(tmp_path: Path, place: int, value: int, cut: int):
    data = bytearray(png())
    data[place % len(data)] = value
    file = tmp_path / "damaged.png"
    file.write_bytes(bytes(data[: max(len(data) - cut, 20)]))
    try:
        picture = read_picture(file)
    except FileRefusedError:
        return
    assert picture.rgb.ndim == 3


def test_the_background_is_the_most_common_colour_and_a_click_near_a_line_takes_its_colour(tmp_path: Path):
    rgb = np.full((150, 200, 3), (250, 250, 245), dtype=np.uint8)
    rgb[70] = (30, 90, 170)
    file = tmp_path / "line.png"
    Image.fromarray(rgb).save(file)
    picture = read_picture(file)
    assert find_background(picture.rgb) == pytest.approx([250, 250, 245])
    assert pick_colour(picture, 100.5, 71.9) == (30, 90, 170)
    with pytest.raises(FileRefusedError, match="inside the picture"):
        pick_colour(picture, 200.5, 10)
