"""Saved tracings: how a curve was read off a picture, kept so that it can be read again."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

from pydantic import ValidationError

from ohmshift.errors import FileRefusedError, StudyError
from ohmshift.study.picture_axes import Calibration, PictureAxis
from ohmshift.study.pictures import read_picture
from ohmshift.study.published_rows import TRACING, Tracing
from ohmshift.study.spellings import fold_name
from ohmshift.study.tracing import trace_curve

if TYPE_CHECKING:
    from pathlib import Path

    from ohmshift.study.tracing import TracedCurve

_MOST_BYTES = 200_000


def read_tracing(path: Path) -> Tracing:
    """Read a saved tracing.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    Tracing
        What it says.

    Raises
    ------
    FileRefusedError
        It is no tracing, or a value in it breaks a rule.
    """
    mend = "trace the picture again in 80_published_findings"
    try:
        data = path.read_bytes() if path.stat().st_size <= _MOST_BYTES else b""
        return Tracing.model_validate(json.loads(data.decode("utf-8")))
    except ValidationError as error:
        found = error.errors()[0]
        where = f"{path.name}, {'.'.join(str(part) for part in found['loc'])}"
        raise FileRefusedError(where, "a tracing is whole", f"this says: {found['msg']}", mend) from error
    except (OSError, UnicodeDecodeError, ValueError, RecursionError) as error:
        raise FileRefusedError(path.name, "a tracing is JSON", "this cannot be read as that", mend) from error


def replay_tracing(folder: Path, tracing: Tracing) -> TracedCurve:
    """Read a curve off its picture again.

    Parameters
    ----------
    folder : Path
        The folder that holds the picture.
    tracing : Tracing
        How it is read.

    Returns
    -------
    TracedCurve
        The curve and its reading error.

    Raises
    ------
    FileMissingError
        The picture is gone.
    FileRefusedError
        It is another picture than the one traced.
    CurveError
        An axis or colour that makes no curve.
    """
    picture = read_picture(folder / tracing.picture, source=f"published/{tracing.picture}")
    if picture.provenance.sha256 != tracing.sha256:
        rule, mend = "a tracing belongs to one picture", "trace the new picture again"
        raise FileRefusedError(tracing.picture, rule, "the picture was changed since", mend)
    calibration = Calibration(
        x=PictureAxis(name="frequency", **tracing.frequency_axis.model_dump()),
        y=PictureAxis(name="level", **tracing.level_axis.model_dump()),
    )
    return trace_curve(
        picture,
        calibration,
        tracing.rgb,
        corrections=tracing.corrections,
        label=f"{tracing.party}, {tracing.earphone}, {tracing.shows}",
    )


def save_tracing(folder: Path, tracing: Tracing) -> Path:
    """Save a tracing into a study, never over one that is there.

    Parameters
    ----------
    folder : Path
        The study.
    tracing : Tracing
        What is saved.

    Returns
    -------
    Path
        The file, in published/.

    Raises
    ------
    StudyError
        One of the same party, model, resistance and kind is there already.
    """
    stem = "_".join(fold_name(part) or "x" for part in (tracing.party, tracing.earphone))
    ohm = re.sub(r"[^0-9]+", "p", f"{tracing.added_ohm:g}")
    path = folder / "published" / f"{stem}_{ohm}ohm_{tracing.shows}{TRACING}"
    text = json.dumps(tracing.model_dump(mode="json"), indent=2, ensure_ascii=False) + "\n"
    try:
        with path.open("x", encoding="utf-8", newline="") as handle:
            handle.write(text)
    except FileExistsError as error:
        rule, mend = "a file of yours is never written over", "move or delete it first"
        raise StudyError(str(path.relative_to(folder)), rule, "it is there already", mend) from error
    return path
