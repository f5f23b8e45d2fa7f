"""Make the demo study's recordings, their list and what is true of them, from fixed seeds.

    python data_demo/source/make_recordings.py                  rewrites those of the study this script lies in
    python data_demo/source/make_recordings.py --out FOLDER     makes them in a new folder instead

Needs numpy, soundfile and ngspice, nothing of the kit. The samples are always the same; the files are the same to the
byte with the libsndfile that `CODEC` names.
"""

from __future__ import annotations

import argparse
import csv
import io
import tempfile
from pathlib import Path

import ears
import networks
import numpy as np
import soundfile

SEED = 20_251_104
CODEC = "1.2.2"
"""libsndfile that made the files in this repository."""

RATE_HZ = 48_000
OVERSAMPLING = 4
SIZE = 2**18
START_HZ, STOP_HZ = 10.0, 22_000.0
FADE_IN_S, FADE_OUT_S = 0.05, 0.005
SILENCE_S = 0.35

EARPHONE, CHANNEL = "Skewer", "left"
AMPLIFIER_OHM, CABLE_OHM = 0.6, 0.25
FULL_SCALE_PA = 150.0
SECOND, THIRD = 0.01, 0.003
"""Amplitudes of the second and the third harmonic that the driver adds, re the fundamental."""

SENSE_OHM, KNOWN_OHM = 21.87, 33.05
LEADS_OHM, LEADS_H = 0.18, 1.5e-6
INPUT_OHM, INPUT_F = 10_000.0, 220e-12
GRID_HZ = 1000 * 10 ** (0.3 * np.arange(-270, 210) / 48)
HEADING = (
    "file", "holds", "earphone", "channel", "added_ohm", "seat", "measured_channel", "reference_channel",
    "reference_file", "start_hz", "stop_hz", "sweep_s", "sense_ohm", "known_ohm", "correction_file", "full_scale_pa",
    "notes",
)  # fmt: skip


def sweep(duration_s: float, rate_hz: int) -> np.ndarray:
    """Give an exponential sweep of amplitude 1, its rate rounded to a whole number of periods of the start."""
    rate_s = round(START_HZ * duration_s / np.log(STOP_HZ / START_HZ)) / START_HZ
    t = np.arange(OVERSAMPLING * int(np.ceil(rate_s * np.log(STOP_HZ / START_HZ) * RATE_HZ))) / rate_hz
    x = np.sin(2 * np.pi * START_HZ * rate_s * np.exp(t / rate_s))
    up, down = round(FADE_IN_S * rate_hz), round(FADE_OUT_S * rate_hz)
    x[:up] *= np.sin(np.pi / 2 * np.arange(up) / up) ** 2
    x[-down:] *= np.cos(np.pi / 2 * np.arange(1, down + 1) / down) ** 2
    return x


def spectrum(signal: np.ndarray) -> np.ndarray:
    """Give the spectrum of an oversampled signal at the bins of the recording's own rate."""
    padded = np.zeros(OVERSAMPLING * SIZE)
    start = OVERSAMPLING * round(SILENCE_S * RATE_HZ)
    padded[start : start + signal.size] = signal
    return np.fft.rfft(padded)[: SIZE // 2 + 1] / OVERSAMPLING


def minimum_phase(magnitude: np.ndarray) -> np.ndarray:
    """Give the minimum-phase transfer function of a magnitude at all bins."""
    cepstrum = np.fft.irfft(np.log(magnitude))
    cepstrum[1 : SIZE // 2] *= 2
    cepstrum[SIZE // 2 + 1 :] = 0
    return np.exp(np.fft.rfft(cepstrum))


def noise(rng: np.random.Generator, samples: int, level_dbfs: float) -> np.ndarray:
    """Give noise that is white above 200 Hz and rises below."""
    f = np.fft.rfftfreq(samples, 1 / RATE_HZ)
    shape = np.sqrt(1 + 200 / np.maximum(f, 5))
    coloured = np.fft.irfft(np.fft.rfft(rng.standard_normal(samples)) * shape, samples)
    return 10 ** (level_dbfs / 20) * coloured


class Bench:
    """What the recordings have in common: frequencies, the earphone's impedance, and the parts of the chain."""

    def __init__(self, circuits: Path) -> None:
        self.f = np.fft.rfftfreq(SIZE, 1 / RATE_HZ)
        text = (circuits / f"{EARPHONE.lower()}_{CHANNEL}.cir").read_text(encoding="ascii")
        step = RATE_HZ / SIZE
        with tempfile.TemporaryDirectory() as scratch:
            bins = f"lin {SIZE // 2} {step!r} {RATE_HZ / 2!r}"
            _, Z = networks.solve(text, {"bins": bins}, Path(scratch))["bins"]
        self.Z = np.concatenate([Z[:1].real, Z])
        rng = np.random.default_rng([SEED, 0])
        design = ears.invent(rng, level_db=112.0, resonance_db=None, noisiness=0.0)
        seat = ears.take_seat(rng, design)
        table = np.geomspace(1, RATE_HZ / 2, 2000)
        level = ears.measure(rng, design, seat, table, np.ones(table.size))
        self.level_db = np.interp(np.log(np.maximum(self.f, 1)), np.log(table), level)
        self.ear = minimum_phase(10 ** (self.level_db / 20))
        x = np.log10(np.maximum(self.f, 1) / 1000)
        self.microphone_db = 0.6 * x**2 - 1.8 / (1 + (np.maximum(self.f, 1) / 9000 - 1) ** 2 * 40)
        s = 2j * np.pi * self.f
        coupling = (s / (s + 2 * np.pi * 3.5)) ** 2
        self.interface = coupling / (1 + s / (2 * np.pi * 60_000)) * np.exp(-0.012 * s)

    def divider(self, added_ohm: float) -> np.ndarray:
        """Give what reaches the earphone of the amplifier's voltage."""
        return self.Z / (self.Z + AMPLIFIER_OHM + CABLE_OHM + added_ohm)

    def voltages(self, load_ohm: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """Give the voltages after and before the sense resistor, as both inputs record them."""
        s = 2j * np.pi * self.f
        branch = load_ohm + LEADS_OHM + s * LEADS_H
        across = 1 / (1 / branch + 1 / INPUT_OHM + s * INPUT_F)
        source = (SENSE_OHM + across) / (AMPLIFIER_OHM + SENSE_OHM + across)
        after = across / (AMPLIFIER_OHM + SENSE_OHM + across)
        return 0.966 * after * self.interface, source * self.interface / (1 + s / (2 * np.pi * 400_000))


def record(parts: list[np.ndarray], samples: int, level_dbfs: float, *, seed: int, gain: float = 1.0) -> np.ndarray:
    """Turn spectra into channels with noise, as an interface of 16 bits records them."""
    rng = np.random.default_rng([SEED, seed])
    channels = [np.fft.irfft(part)[:samples] + noise(rng, samples, level_dbfs) for part in parts]
    whole = np.rint(gain * np.array(channels).T * 2**15)
    return np.clip(whole, -(2**15), 2**15 - 1).astype(np.int16)


def acoustic(bench: Bench, added_ohm: float) -> tuple[np.ndarray, int]:
    """Give the spectrum of the microphone's signal, and how long its recording is."""
    x = sweep(2.0, OVERSAMPLING * RATE_HZ)
    # a sine becomes itself, and cos(2 phi) and sin(3 phi) of the amplitudes wanted
    driven = x + 2 * SECOND * x**2 + 4 * THIRD * (0.75 * x - x**3)
    scale = 2**0.5 * 20e-6 / FULL_SCALE_PA
    ear = scale * bench.ear * minimum_phase(10 ** (bench.microphone_db / 20))
    samples = x.size // OVERSAMPLING + 2 * round(SILENCE_S * RATE_HZ)
    return spectrum(driven) * bench.interface * bench.divider(added_ohm) * ear, samples


def make_responses(bench: Bench, out: Path) -> list[dict[str, object]]:
    """Record the earphone without and with the plug, once with too much gain, and the loopback."""
    wire = "recordings/loopback.flac"
    x = sweep(2.0, OVERSAMPLING * RATE_HZ)
    samples = x.size // OVERSAMPLING + 2 * round(SILENCE_S * RATE_HZ)
    write(out / wire, record([0.2 * spectrum(x) * bench.interface], samples, -96, seed=1))
    rows = []
    for number, (added_ohm, seat, gain, notes) in enumerate(
        ((0, "r1", 1.0, ""), (15, "r1", 1.0, "plug added without reseating"), (0, "r2", 6.0, "gain set too high"))
    ):
        signal, samples = acoustic(bench, added_ohm)
        file = f"recordings/{EARPHONE.lower()}_{CHANNEL}_{added_ohm}ohm_{seat}.flac"
        write(out / file, record([signal], samples, -86, seed=2 + number, gain=gain))
        rows.append(
            {
                "file": file, "holds": "response", "earphone": EARPHONE, "channel": CHANNEL, "added_ohm": added_ohm,
                "seat": seat, "measured_channel": 1, "reference_channel": 1, "reference_file": wire,
                "start_hz": f"{START_HZ:g}", "stop_hz": f"{STOP_HZ:g}", "sweep_s": 2,
                "correction_file": "recordings/microphone.txt", "full_scale_pa": f"{FULL_SCALE_PA / gain:g}",
                "notes": notes,
            }
        )  # fmt: skip
    return rows


def make_impedances(bench: Bench, out: Path) -> list[dict[str, object]]:
    """Record the voltages at a sense resistor: with the earphone, a known resistor, nothing, and the wires joined."""
    x = 0.25 * sweep(1.2, OVERSAMPLING * RATE_HZ)
    samples = x.size // OVERSAMPLING + 2 * round(SILENCE_S * RATE_HZ)
    loads = {"impedance": bench.Z, "known_resistor": KNOWN_OHM, "open": 1e12, "short": 0.0}
    rows = []
    for number, (holds, load_ohm) in enumerate(loads.items()):
        after, before = bench.voltages(load_ohm)
        file = f"recordings/sense_{EARPHONE.lower() if holds == 'impedance' else holds}.flac"
        write(out / file, record([spectrum(x) * after, spectrum(x) * before], samples, -90, seed=10 + number))
        row = {"file": file, "holds": holds, "measured_channel": 1, "reference_channel": 2, "sense_ohm": SENSE_OHM}
        if holds == "impedance":
            row |= {"earphone": EARPHONE, "channel": CHANNEL}
        if holds == "known_resistor":
            row |= {"known_ohm": KNOWN_OHM}
        rows.append(row)
    return rows


def write(path: Path, samples: np.ndarray) -> None:
    """Write a recording."""
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16", format="FLAC")


def write_csv(path: Path, heading: tuple[str, ...], rows: list[dict[str, object]]) -> None:
    """Write a table with plain line ends."""
    text = io.StringIO()
    writer = csv.DictWriter(text, heading, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_bytes(text.getvalue().encode("utf-8"))


def write_microphone(bench: Bench, out: Path) -> None:
    """Write the microphone's response as its maker would."""
    f = np.geomspace(5, 24_000, 160)
    level = np.interp(f, bench.f, bench.microphone_db)
    rows = "".join(f"{x:.2f}\t{y + 0.0:.3f}\n" for x, y in zip(f, level, strict=True))
    text = f"Microphone of the ear simulator, invented\nFrequency (Hz)\tLevel (dB)\n{rows}"
    (out / "recordings/microphone.txt").write_bytes(text.encode("ascii"))


def write_truth(bench: Bench, out: Path) -> None:
    """Write levels at the ear [dB], the impedance [ohm], and the harmonics re the fundamental [dB]."""

    def at(values: np.ndarray, f: np.ndarray = GRID_HZ) -> np.ndarray:
        return np.interp(f, bench.f, values)

    columns = {"frequency_hz": GRID_HZ}
    for added_ohm in (0, 15):
        columns[f"level_{added_ohm}ohm_db"] = at(bench.level_db + 20 * np.log10(np.abs(bench.divider(added_ohm))))
    columns |= {"real_ohm": at(bench.Z.real), "imaginary_ohm": at(bench.Z.imag)}
    through = np.maximum(np.abs(bench.divider(0) * bench.interface), 1e-9)
    level = bench.level_db + 20 * np.log10(through) + bench.microphone_db
    for order, amplitude in ((2, SECOND), (3, THIRD)):
        known = order * GRID_HZ < RATE_HZ / 2
        ratio = 20 * np.log10(amplitude) + at(level, order * GRID_HZ) - at(level)
        columns[f"harmonic_{order}_db"] = np.where(known, ratio, np.nan)
    rows = [{name: f"{values[i]:.9g}" for name, values in columns.items()} for i in range(GRID_HZ.size)]
    write_csv(out / "source/recordings_truth.csv", tuple(columns), rows)


def make(out: Path, circuits: Path) -> None:
    """Make everything in a folder."""
    for folder in ("recordings", "source"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    bench = Bench(circuits)
    rows = make_responses(bench, out) + make_impedances(bench, out)
    write_csv(out / "recordings.csv", HEADING, rows)
    write_microphone(bench, out)
    write_truth(bench, out)
    size = sum(path.stat().st_size for path in (out / "recordings").iterdir())
    print(f"{len(rows)} recordings and a loopback, {size / 1e6:.2f} MB in {out}, libsndfile {CODEC} wanted")


def main() -> None:
    parser = argparse.ArgumentParser(description="Make the demo study's recordings from fixed seeds.")
    parser.add_argument(
        "--out", type=Path, help="folder to make them in; without it, those of this study are rewritten"
    )
    here = Path(__file__).resolve().parent
    make(parser.parse_args().out or here.parents[0], here / "networks")


if __name__ == "__main__":
    main()
