"""Audio files of every kind are read to the last bit; bad ones give one clear error, and none is changed."""

from __future__ import annotations

import hashlib
import tracemalloc
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from ohmshift.chain.sweeps import Sweep, make_sweep
from ohmshift.errors import CurveError, FileMissingError, FileRefusedError, StudyError
from ohmshift.study.recordings import BLOCK, read_recording, stream_recording, write_sweep

if TYPE_CHECKING:
    from pathlib import Path

RATE = 48_000
SIGNAL = 0.5 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)
STEP = {"PCM_16": 2.0**-15, "PCM_24": 2.0**-23, "PCM_32": 2.0**-31, "FLOAT": 2.0**-24, "DOUBLE": 0.0}


def channels(n: int) -> np.ndarray:
    return np.array([SIGNAL / k for k in range(1, n + 1)])


@pytest.mark.source("analytic", ref="values come back within one step of the format")
@pytest.mark.parametrize(
    ("kind", "subtype"),
    [(kind, subtype) for kind in ("WAV", "WAVEX", "RF64", "W64", "AIFF") for subtype in STEP]
    + [("FLAC", "PCM_16"), ("FLAC", "PCM_24")],
)
@pytest.mark.parametrize("count", [1, 2, 6])
def test_every_format_and_number_of_channels(tmp_path: Path, kind: str, subtype: str, count: int) -> None:
    path = tmp_path / "recording"
    soundfile.write(path, channels(count).T, RATE, subtype=subtype, format=kind)
    before = path.read_bytes()
    wanted = tuple(range(count, 0, -1))
    found = read_recording(path, channels=wanted)
    assert found.sampling_rate_hz == RATE
    assert found.channels == wanted
    np.testing.assert_allclose(found.samples, channels(count)[::-1], atol=1.01 * STEP[subtype])
    assert not found.samples.flags.writeable
    assert path.read_bytes() == before
    assert found.provenance.sha256 == hashlib.sha256(before).hexdigest()


@pytest.mark.source("independent", ref="scipy.io.wavfile, which reads and writes WAV on its own")
@pytest.mark.parametrize("dtype", [np.int16, np.int32, np.float32])
def test_wav_files_of_scipy(tmp_path: Path, dtype: type) -> None:
    scale = 1 if dtype is np.float32 else np.iinfo(dtype).max + 1
    written = (channels(2).T * scale).astype(dtype)
    wavfile.write(tmp_path / "a.wav", RATE, written)
    found = read_recording(tmp_path / "a.wav", channels=(1, 2))
    np.testing.assert_array_equal(found.samples.T, written / scale)


def test_blocks_are_bounded_and_whole(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    n = 8 * BLOCK + 17
    samples = np.tile(np.random.default_rng(0).standard_normal((n, 1)).astype(np.float32) / 10, 4)
    samples *= np.array([1, 2, 3, 4], dtype=np.float32)
    soundfile.write(path, samples, RATE, subtype="FLOAT")
    tracemalloc.start()
    total, seen = np.zeros(2), 0
    for block in stream_recording(path, channels=(4, 2)):
        total += block.sum(axis=1)
        seen += block.shape[1]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert seen == n
    np.testing.assert_allclose(total, samples.astype(float).sum(axis=0)[[3, 1]], rtol=1e-6)
    assert peak < 3 * BLOCK * 4 * 8 < samples.size * 8 / 2


def spoil(path: Path, kind: str) -> None:
    good = channels(2).T
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "no audio":
        path.write_text("frequency,level\n20,90\n" * 100)
    elif kind == "no samples":
        soundfile.write(path, good[:0], RATE)
    elif kind in {"cut WAV", "cut header"}:
        soundfile.write(path, good, RATE, subtype="PCM_24")
        path.write_bytes(path.read_bytes()[: 100_000 if kind == "cut WAV" else 44])
    elif kind == "cut FLAC":
        soundfile.write(path, np.random.default_rng(0).standard_normal((RATE, 2)) / 9, RATE, format="FLAC")
        path.write_bytes(path.read_bytes()[:100_000])
    elif kind == "nan":
        soundfile.write(path, np.where(np.arange(RATE) == 700, np.nan, SIGNAL), RATE, subtype="FLOAT")
    elif kind == "infinite":
        soundfile.write(path, np.where(np.arange(RATE) == 700, np.inf, SIGNAL), RATE, subtype="DOUBLE")
    elif kind == "damaged":
        soundfile.write(path, np.where(np.arange(RATE) == 700, -1e300, SIGNAL), RATE, subtype="DOUBLE")
    elif kind == "lossy":
        soundfile.write(path, good, RATE, format="OGG")
    elif kind == "eight bits":
        soundfile.write(path, good, RATE, subtype="PCM_U8")
    elif kind == "silent":
        soundfile.write(path, np.full((RATE, 2), 0.125), RATE)


@pytest.mark.parametrize(
    ("kind", "found"),
    [
        ("empty", "is an audio file"),
        ("no audio", "is an audio file"),
        ("no samples", "it is empty"),
        ("cut WAV", "is whole, but its header promises 288000 bytes"),
        ("cut header", "header|empty|whole"),
        ("cut FLAC", "cannot be read|it ends after"),
        ("nan", "sample 701, at 0.015 s"),
        ("infinite", "sample 701"),
        ("damaged", "up to 1e\\+06 times full scale, but sample 701"),
        ("lossy", "without lossy coding"),
        ("eight bits", "PCM_U8"),
        ("silent", "it is silent"),
    ],
)
def test_a_bad_file_gives_one_clear_error(tmp_path: Path, kind: str, found: str) -> None:
    path = tmp_path / "bad.wav"
    spoil(path, kind)
    before = path.read_bytes()
    with pytest.raises(FileRefusedError, match=found) as caught:
        read_recording(path, source="recordings/bad.wav")
    assert str(caught.value).startswith("recordings/bad.wav")
    assert path.read_bytes() == before


def test_a_raw_file_says_nothing_of_itself(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", SIGNAL, RATE)
    (tmp_path / "a.wav").rename(tmp_path / "a.RAW")
    with pytest.raises(FileRefusedError, match="a raw file does not say what is in it"):
        read_recording(tmp_path / "a.RAW")


def test_a_block_is_bounded_however_many_channels_there_are(tmp_path: Path) -> None:
    path = tmp_path / "many.wav"
    soundfile.write(path, np.full((40_000, 128), 0.25), RATE)
    blocks = [block.shape for block in stream_recording(path, channels=(128,))]
    assert max(length for _, length in blocks) <= 8 * BLOCK // 128
    assert sum(length for _, length in blocks) == 40_000


def test_a_missing_file_or_channel(tmp_path: Path) -> None:
    with pytest.raises(FileMissingError):
        read_recording(tmp_path / "none.wav")
    with pytest.raises(FileMissingError):
        read_recording(tmp_path)
    soundfile.write(tmp_path / "a.wav", channels(2).T, RATE)
    for wanted in (0, 3):
        with pytest.raises(FileRefusedError, match="channels are 1 to 2"):
            read_recording(tmp_path / "a.wav", channels=(wanted,))


def test_clipping_and_an_offset_are_caveats(tmp_path: Path) -> None:
    loud = np.clip(channels(2) * [[3], [1]], -1, 1)
    loud[1] += 0.1
    soundfile.write(tmp_path / "loud.wav", loud.T, RATE, subtype="PCM_16")
    found = read_recording(tmp_path / "loud.wav", channels=(1, 2), source="recordings/loud.wav")
    assert len(found.caveats) == 2
    assert found.caveats[0].startswith("recordings/loud.wav, channel 1, is clipped")
    assert "offset of 10 %" in found.caveats[1]
    soundfile.write(tmp_path / "float.wav", 3 * SIGNAL, RATE, subtype="FLOAT")
    assert read_recording(tmp_path / "float.wav").caveats == ()


@pytest.mark.source("analytic", ref="24 bits: the nearest multiple of 2^-23")
def test_the_sweep_is_written_once_and_as_made(tmp_path: Path) -> None:
    sweep = Sweep(duration_s=2, lead_in_s=0.1, lead_out_s=0.1, sampling_rate_hz=96_000)
    path = write_sweep(tmp_path / "sweep.wav", sweep)
    found = read_recording(path)
    assert found.sampling_rate_hz == 96_000
    np.testing.assert_allclose(found.samples[0], make_sweep(sweep), rtol=2e-7, atol=2.0**-24 * 1.001)
    assert not read_recording(path).caveats
    before = path.read_bytes()
    with pytest.raises(StudyError, match="never written over"):
        write_sweep(path, Sweep(duration_s=3))
    assert path.read_bytes() == before
    with pytest.raises(CurveError, match=r"\.wav"):
        write_sweep(tmp_path / "sweep.mp3", sweep)
    with pytest.raises(StudyError, match="it must be possible to write the file"):
        write_sweep(tmp_path / "none/sweep.wav", sweep)
    with pytest.raises(CurveError, match="a sweep has at most 30000000 samples"):
        write_sweep(tmp_path / "endless.wav", Sweep(duration_s=1e7))
    assert [found.name for found in tmp_path.iterdir()] == ["sweep.wav"]
