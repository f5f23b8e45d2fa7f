"""Pictures of charts: opened within bounds, as pixels on white."""

from __future__ import annotations

import hashlib
import io
import struct
import warnings
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.curves.values import Provenance
from ohmshift.errors import FileMissingError, FileRefusedError

if TYPE_CHECKING:
    import os

    import numpy.typing as npt
    from PIL import Image

    from ohmshift.curves.values import FloatArray

LARGEST_FILE = 30_000_000
"""Bytes a picture may have."""

MOST_PIXELS = 12_000_000
"""Pixels a picture may have; a screen has 2 to 8 million."""

LEAST_SIDE = 100
"""Pixels that each side needs."""

ENDINGS = (".png", ".jpg", ".jpeg")
"""Endings of the pictures that can be read."""

_BROKEN = (OSError, SyntaxError, ValueError, EOFError, struct.error, zlib.error, IndexError)
"""What a decoder raises on a broken file."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Picture:
    """A picture of a chart.

    Parameters
    ----------
    name : str
        File name.
    rgb : ndarray of uint8, shape (h, w, 3)
        Pixels, on white where the picture is transparent; row 0 is the top.
    provenance : Provenance
        File and hash.
    """

    name: str
    rgb: npt.NDArray[np.uint8]
    provenance: Provenance

    def __post_init__(self) -> None:
        """Lock the pixels."""
        self.rgb.setflags(write=False)

    @property
    def width(self) -> int:
        """Number of columns."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """Number of rows."""
        return int(self.rgb.shape[0])


def read_picture(path: str | os.PathLike[str], *, source: str | None = None) -> Picture:
    """Read a picture of a chart.

    Parameters
    ----------
    path : str or path-like
        PNG or JPEG file.
    source : str, optional
        What to call the file in messages and provenance; its name where not given.

    Returns
    -------
    Picture
        Its pixels.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        Another format, a broken file, or one too large or too small. A file that would unpack into more pixels than
        allowed is refused by its header, before it is unpacked.
    """
    file = Path(path)
    where = source or file.name
    try:
        size, plain = file.stat().st_size, file.is_file()
        data = file.read_bytes() if plain and size <= LARGEST_FILE else b""
    except FileNotFoundError as error:
        raise FileMissingError(where, "a picture is a file", "there is none of this name", "check its name") from error
    except (OSError, ValueError) as error:  # ValueError: a name that no system can hold
        found = f"the system says: {getattr(error, 'strerror', None) or error}"
        raise FileRefusedError(where, "a picture must be readable", found, "check the file") from error
    if not data:
        rule = f"a picture is a file, not empty, of up to {LARGEST_FILE // 1_000_000} MB"
        found = f"this has {size} bytes" if plain else "this is a folder or a device"
        raise FileRefusedError(where, rule, found, "save a screenshot as PNG")
    rgb = _decode(data, where)
    digest = hashlib.sha256(data).hexdigest()
    kept = Provenance(source=where, sha256=digest, decisions=(("picture", f"{rgb.shape[1]} x {rgb.shape[0]} pixels"),))
    return Picture(name=file.name, rgb=rgb, provenance=kept)


def pick_colour(picture: Picture, x_px: float, y_px: float) -> tuple[int, int, int]:
    """Give the colour of the line next to a point.

    Parameters
    ----------
    picture : Picture
        The picture.
    x_px, y_px : float
        Where [px], from the left and from the top; the middle of the first pixel is at 0.5.

    Returns
    -------
    tuple of int
        Red, green and blue, 0 to 255: of the pixel within two pixels that stands out most from the background.

    Raises
    ------
    FileRefusedError
        The point lies outside the picture.
    """
    column, row = int(np.floor(x_px)), int(np.floor(y_px))
    if not (0 <= column < picture.width and 0 <= row < picture.height):
        found = f"{x_px:g}, {y_px:g} does not, which has {picture.width} x {picture.height} pixels"
        raise FileRefusedError(picture.name, "a point lies inside the picture", found, "click on the curve")
    near = picture.rgb[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3].reshape(-1, 3)
    apart = np.linalg.norm(near.astype(np.float64) - find_background(picture.rgb), axis=1)
    red, green, blue = near[int(np.argmax(apart))]
    return int(red), int(green), int(blue)


def find_background(rgb: npt.NDArray[np.uint8]) -> FloatArray:
    """Find the background colour: the most common one.

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
        Pixels.

    Returns
    -------
    ndarray, shape (3,)
        Red, green and blue, 0 to 255.
    """
    red, green, blue = (rgb[..., i].astype(np.uint16) >> 4 for i in range(3))
    code = red << 8 | green << 4 | blue
    counts = np.zeros(4096, dtype=np.int64)
    for row in code:
        counts += np.bincount(row, minlength=4096)
    common = int(counts.argmax())
    return np.asarray(np.median(rgb[code == common].reshape(-1, 3), axis=0), dtype=np.float64)


def _decode(data: bytes, where: str) -> npt.NDArray[np.uint8]:
    from PIL import Image, ImageOps, UnidentifiedImageError  # noqa: PLC0415 - heavy, and only a picture needs it

    mend = "save it as PNG or JPEG, for example as a screenshot"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as opened:
                _check_size(opened, where)
                on_white = _on_white(ImageOps.exif_transpose(opened))
    except UnidentifiedImageError as error:
        raise FileRefusedError(where, "a picture is PNG or JPEG", "it is neither", mend) from error
    except Image.DecompressionBombError as error:
        raise _too_many(where, "more") from error
    except FileRefusedError:
        raise
    except _BROKEN as error:
        raise FileRefusedError(
            where, "a picture must be whole", f"it breaks off or is damaged ({error})", mend
        ) from error
    return np.array(on_white)


def _on_white(picture: Image.Image) -> Image.Image:
    """Convert any kind of picture; grey of 16 bits keeps its upper eight, which the library would clip."""
    from PIL import Image  # noqa: PLC0415 - as above

    if picture.mode.startswith("I"):
        picture = Image.fromarray((np.asarray(picture) >> 8).astype(np.uint8))
    if not picture.has_transparency_data:
        return picture.convert("RGB")
    white = Image.new("RGBA", picture.size, "white")
    return Image.alpha_composite(white, picture.convert("RGBA")).convert("RGB")


def _check_size(opened: Image.Image, where: str) -> None:
    width, height = opened.size
    if width * height > MOST_PIXELS:
        raise _too_many(where, f"{width} x {height}")
    if min(width, height) < LEAST_SIDE:
        rule = f"a picture of a chart has at least {LEAST_SIDE} pixels either way"
        raise FileRefusedError(where, rule, f"it has {width} x {height}", "save it larger")


def _too_many(where: str, found: str) -> FileRefusedError:
    rule = f"a picture has at most {MOST_PIXELS // 1_000_000} million pixels"
    return FileRefusedError(where, rule, f"it has {found}", "cut it to the chart, or scale it down")
