"""Recordings: read block by block, checked, never changed; and the sweep to play."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import soundfile

from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.chain.waveforms import inspect_waveform
from ohmshift.curves.values import FloatArray, Provenance, read_only
from ohmshift.errors import CurveError, FileMissingError, FileRefusedError, StudyError

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator

    from ohmshift.chain.waveforms import WaveformReport

FORMATS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "FLAC")
"""Kinds of audio file that are read, by the names of libsndfile."""

SUBTYPES = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 24, "DOUBLE": 53}
"""Kinds of samples that are read, and their significant bits."""

LONGEST_SAMPLES = 30_000_000
"""Samples a channel that is read whole may have: some 5 min at 96 kHz, 240 MB. `stream_recording` has no such limit."""

BLOCK = 2**18
"""Frames read at once, of up to eight channels; fewer where there are more."""

LARGEST_SAMPLE = 1e6
"""Samples beyond this many times full scale are damage: no recorder of floating-point samples goes 120 dB over."""

_BOUNDED = ("PCM_16", "PCM_24", "PCM_32")
_SHORTER = re.compile(r"^\s*(?:data|SSND)\s*:\s*(\d+)\s*\(should be (\d+)\)", re.MULTILINE)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Recording:
    """Channels of a recording.

    Parameters
    ----------
    samples : ndarray, shape (c, n)
        One row a channel that was asked for, in that order; 1 is full scale.
    sampling_rate_hz : int
        Sampling rate [Hz].
    channels : tuple of int, length c
        Their numbers in the file, from 1.
    reports : tuple of WaveformReport, length c
        What each looks like.
    provenance : Provenance
        Where it came from, and what kind of file that is.
    """

    samples: FloatArray
    sampling_rate_hz: int
    channels: tuple[int, ...]
    reports: tuple[WaveformReport, ...]
    provenance: Provenance

    def __post_init__(self) -> None:
        """Lock the samples."""
        samples = np.asarray(self.samples, dtype=np.float64)
        object.__setattr__(self, "samples", samples if not samples.flags.writeable else read_only(samples))

    @property
    def caveats(self) -> tuple[str, ...]:
        """What the waveforms warn of."""
        named = zip(self.channels, self.reports, strict=True)
        return tuple(text for k, report in named for text in report.caveats(f"{self.provenance.source}, channel {k},"))


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingFormat:
    """What a recording's header says.

    Parameters
    ----------
    sampling_rate_hz : int
        Sampling rate [Hz].
    channels : int
        Channels.
    frames : int
        Samples a channel.
    kind : str
        Kind of file and of samples.
    bounded : bool
        Whether samples cannot exceed full scale.
    """

    sampling_rate_hz: int
    channels: int
    frames: int
    kind: str
    bounded: bool


def read_recording(
    path: str | os.PathLike[str], *, channels: tuple[int, ...] = (1,), source: str | None = None
) -> Recording:
    """Read channels of an audio file, whole.

    Parameters
    ----------
    path : str or path
        WAV (plain, extensible or 64-bit), AIFF or FLAC, of 16, 24 or 32 bits or floating point.
    channels : tuple of int
        Numbers of the channels wanted, from 1.
    source : str, optional
        What to call the file in messages and provenance; its name where not given.

    Returns
    -------
    Recording
        With a report on each channel; clipping and offsets are caveats, not errors.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        No audio file, one that is cut short, empty, silent or too long, of a lossy kind, without the channel, or with a
        sample that is no finite number.

    Notes
    -----
    Read block by block: memory holds the channels wanted and one block of the file.
    """
    name = Path(path).name if source is None else source
    layout = inspect_format(path, source=name)
    if layout.frames > LONGEST_SAMPLES:
        found = f"it has {layout.frames}"
        raise FileRefusedError(name, f"a recording has at most {LONGEST_SAMPLES} samples", found, "cut what is needed")
    samples = np.empty((len(channels), layout.frames))
    at = 0
    for block in stream_recording(path, channels=channels, source=name):
        samples[:, at : at + block.shape[1]] = block
        at += block.shape[1]
    reports = tuple(inspect_waveform([row], bounded=layout.bounded) for row in samples)
    for k, report in zip(channels, reports, strict=True):
        if report.silent:
            mend = "check which channel was recorded"
            raise FileRefusedError(f"{name}, channel {k}", "a recording holds a signal", "it is silent", mend)
    samples.setflags(write=False)
    decisions = (("kind", layout.kind), ("sampling_rate_hz", str(layout.sampling_rate_hz)))
    return Recording(
        samples=samples,
        sampling_rate_hz=layout.sampling_rate_hz,
        channels=channels,
        reports=reports,
        provenance=Provenance(source=name, sha256=hash_file(path), decisions=decisions),
    )


def stream_recording(
    path: str | os.PathLike[str], *, channels: tuple[int, ...] = (1,), source: str | None = None
) -> Iterator[FloatArray]:
    """Read channels of an audio file block by block.

    Parameters
    ----------
    path : str or path
        As for `read_recording`.
    channels : tuple of int
        Numbers of the channels wanted, from 1.
    source : str, optional
        What to call the file in messages; its name where not given.

    Yields
    ------
    ndarray, shape (c, k)
        Next block, 1 being full scale.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        As for `read_recording`, length and silence apart.
    """
    name = Path(path).name if source is None else source
    layout = inspect_format(path, source=name)
    _check_channels(name, channels, layout)
    places = [k - 1 for k in channels]
    seen = 0
    try:
        with soundfile.SoundFile(path) as file:
            while seen < layout.frames:
                block = file.read(min(BLOCK, 8 * BLOCK // layout.channels), dtype="float64", always_2d=True)
                if not len(block):
                    break
                wanted = np.ascontiguousarray(block[:, places].T)
                _check_finite(name, wanted, seen, layout)
                seen += len(block)
                yield wanted
    except soundfile.LibsndfileError as error:
        found = f"it cannot be read beyond {seen / layout.sampling_rate_hz:.2f} s ({error.error_string})"
        raise _cut_short(name, found) from error
    if seen < layout.frames:
        raise _cut_short(name, f"it ends after {seen} of {layout.frames} samples")


def inspect_format(path: str | os.PathLike[str], *, source: str | None = None) -> RecordingFormat:
    """Read what an audio file's header says, and refuse what cannot be measured with.

    Parameters
    ----------
    path : str or path
        The file.
    source : str, optional
        What to call it in messages; its name where not given.

    Returns
    -------
    RecordingFormat
        Rate, channels, length, kind.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        No audio file, of a lossy kind, empty, or cut short.
    """
    name = Path(path).name if source is None else source
    if not Path(path).is_file():
        raise FileMissingError(name, "the recording must be there", "there is no such file", "check its name")
    rule, mend = "a recording is an audio file", "export it anew as WAV or FLAC"
    if Path(path).suffix.lower() == ".raw":  # the library would ask for rate and channels
        raise FileRefusedError(name, rule, "a raw file does not say what is in it", mend)
    try:
        with soundfile.SoundFile(path) as file:
            rate, count, frames = file.samplerate, file.channels, len(file)
            kind, subtype, log = file.format, file.subtype, file.extra_info
    except soundfile.LibsndfileError as error:
        raise FileRefusedError(name, rule, f"it cannot be read ({error.error_string})", mend) from error
    if kind not in FORMATS or subtype not in SUBTYPES:
        rule = "a recording is WAV, AIFF or FLAC with samples of 16, 24 or 32 bits or floating point"
        mend = "record without lossy coding, with 24 bits where possible"
        raise FileRefusedError(name, rule, f"it is {kind} with {subtype}", mend)
    short = _SHORTER.search(log)
    if short and int(short[1]) > int(short[2]):
        raise _cut_short(name, f"its header promises {short[1]} bytes of samples and it holds {short[2]}")
    if frames == 0:
        raise FileRefusedError(name, "a recording holds samples", "it is empty", "record it anew")
    return RecordingFormat(
        sampling_rate_hz=int(rate),
        channels=int(count),
        frames=int(frames),
        kind=f"{kind}, {subtype}",
        bounded=subtype in _BOUNDED,
    )


def hash_file(path: str | os.PathLike[str]) -> str:
    """Give the SHA-256 of a file's bytes.

    Parameters
    ----------
    path : str or path
        The file.

    Returns
    -------
    str
        In hexadecimal.
    """
    digest = hashlib.sha256()
    with Path(path).open("rb") as handle:
        while piece := handle.read(2**20):
            digest.update(piece)
    return digest.hexdigest()


def write_sweep(path: str | os.PathLike[str], sweep: Sweep) -> Path:
    """Write a sweep as a WAV file of 24 bits, never over one that is there.

    Parameters
    ----------
    path : str or path
        The file, ending in .wav.
    sweep : Sweep
        The sweep; show `ohmshift.chain.sweeps.say_caution` before it is played.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CurveError
        Another ending, or a sweep longer than a recording of it could be.
    StudyError
        There is a file, or none can be written.

    Notes
    -----
    Rounded to 24 bits without dither: the error is 120 dB below a sweep of -20 dBFS.
    """
    target = Path(path)
    if target.suffix.lower() != ".wav":
        raise CurveError(
            target.name, "a sweep is a .wav file", f"it would be {target.suffix!r}", "end its name in .wav"
        )
    if sweep.samples > LONGEST_SAMPLES:
        found, mend = f"it would have {sweep.samples}", "make it shorter, or its sampling rate lower"
        raise CurveError(target.name, f"a sweep has at most {LONGEST_SAMPLES} samples", found, mend)
    if target.exists():
        mend = "choose another name, or delete it first"
        raise StudyError(target.name, "a file is never written over", "it is there already", mend)
    whole = np.rint(make_sweep(sweep) * (2**23 - 1)).astype(np.int32) << 8  # rounded here: the library would cut off
    try:
        soundfile.write(target, whole, sweep.sampling_rate_hz, subtype="PCM_24", format="WAV")
    except soundfile.LibsndfileError as error:
        target.unlink(missing_ok=True)  # what there is of it
        rule, mend = "it must be possible to write the file", "check its folder, its name and the space on the disk"
        raise StudyError(target.name, rule, f"the system says: {error.error_string}", mend) from error
    return target


def _check_channels(name: str, channels: tuple[int, ...], layout: RecordingFormat) -> None:
    for k in channels:
        if not 1 <= k <= layout.channels:
            rule = f"its channels are 1 to {layout.channels}"
            raise FileRefusedError(name, rule, f"channel {k} is asked for", "ask for one of these")


def _check_finite(name: str, block: FloatArray, seen: int, layout: RecordingFormat) -> None:
    sound = (np.abs(block) <= LARGEST_SAMPLE).all(axis=0)  # false for what is no number
    if not sound.all():
        at = seen + int(np.argmin(sound))
        found = f"sample {at + 1}, at {at / layout.sampling_rate_hz:.3f} s, is not"
        rule = f"every sample is a finite number, up to {LARGEST_SAMPLE:g} times full scale"
        raise FileRefusedError(name, rule, found, "record it anew")


def _cut_short(name: str, found: str) -> FileRefusedError:
    return FileRefusedError(name, "a recording is whole", found, "copy or export it anew")
