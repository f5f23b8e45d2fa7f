"""From the recordings that a study lists to responses and impedances."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ohmshift.chain.deconvolution import ImpulseResponse, Noise, deconvolve, estimate_noise, plan_deconvolution
from ohmshift.chain.gating import GATE_MS, LEAST_SNR_DB, SweptResponse, gate_response
from ohmshift.chain.sense_resistor import Corrections, SensedImpedance, sense_impedance
from ohmshift.chain.two_channel import CrossSpectra, accumulate_spectra, estimate_transfer, gather_bins
from ohmshift.chain.waveforms import inspect_waveform
from ohmshift.curves.grids import POINTS_PER_OCTAVE
from ohmshift.curves.values import Provenance
from ohmshift.errors import CurveError, EvidenceError, StudyError
from ohmshift.study.recordings import hash_file, inspect_format, read_recording, stream_recording
from ohmshift.study.textfiles import read_response

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ohmshift.chain.two_channel import Estimator, TransferFunction
    from ohmshift.curves.values import Response
    from ohmshift.study.recording_rows import RecordingRow


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RecordedSweep:
    """A sweep's recording, deconvolved: what a gate is put on.

    Parameters
    ----------
    row : RecordingRow
        Its row.
    impulse : ImpulseResponse
        Impulse response.
    noise : Noise or None
        Noise in the silence around the sweep.
    correction : Response or None
        The microphone's response.
    provenance : Provenance
        The file.
    caveats : tuple of str
        What the waveforms warn of.
    data : mapping of str to str
        SHA-256 of each file used, by its name in recordings.csv.
    """

    row: RecordingRow
    impulse: ImpulseResponse
    noise: Noise | None
    correction: Response | None
    provenance: Provenance
    caveats: tuple[str, ...]
    data: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RecordedVoltages:
    """Spectra of the two voltages at a sense resistor, with the corrections taken there.

    Parameters
    ----------
    row : RecordingRow
        Row of the earphone.
    spectra : CrossSpectra
        With the earphone.
    corrections : mapping of str to CrossSpectra
        With what stood in its place: known_resistor, open, short.
    known_ohm : float or None
        The known resistor [ohm].
    provenance : Provenance
        The file.
    caveats : tuple of str
        What the waveforms warn of.
    data : mapping of str to str
        SHA-256 of each file used, by its name in recordings.csv.
    """

    row: RecordingRow
    spectra: CrossSpectra
    corrections: Mapping[str, CrossSpectra]
    known_ohm: float | None
    provenance: Provenance
    caveats: tuple[str, ...]
    data: Mapping[str, str]


def open_sweep(folder: Path | str, row: RecordingRow) -> RecordedSweep:
    """Read and deconvolve the recording of a sweep.

    Parameters
    ----------
    folder : Path or str
        The study.
    row : RecordingRow
        A row that holds a response.

    Returns
    -------
    RecordedSweep
        For `read_off_response`.

    Raises
    ------
    StudyError
        A row that holds something else, or a loopback of another sampling rate.
    FileMissingError
        A file is missing.
    FileRefusedError
        A file cannot be read.
    CurveError
        A sweep that the recording cannot hold.
    EvidenceError
        The sweep is not found.
    """
    _demand_row(row, "response")
    root = Path(folder)
    together = row.reference_channel is not None and not row.reference_file
    channels = (row.measured_channel, row.reference_channel) if together else (row.measured_channel,)
    recording = read_recording(root / row.file, channels=tuple(k for k in channels if k), source=row.file)
    rate, caveats = recording.sampling_rate_hz, recording.caveats
    data = {row.file: recording.provenance.sha256}
    loopback = recording.samples[1] if together else None
    if row.reference_file:
        wire = read_recording(
            root / row.reference_file, channels=(row.reference_channel or 1,), source=row.reference_file
        )
        if wire.sampling_rate_hz != rate:
            found = f"one has {wire.sampling_rate_hz} Hz and the other {rate} Hz"
            raise StudyError(row.reference_file, "loopback and recording share a sampling rate", found, "record anew")
        loopback, caveats = wire.samples[0], caveats + wire.caveats
        data[row.reference_file] = wire.provenance.sha256
    y = recording.samples[0] - recording.reports[0].offset
    impulse = deconvolve(plan_deconvolution(row.sweep(rate), y.size, loopback=loopback), y)
    correction = None
    if row.correction_file:
        correction = read_response(root / row.correction_file, level_reference="relative", source=row.correction_file)
        data[row.correction_file] = correction.provenance.sha256
    return RecordedSweep(
        row=row,
        impulse=impulse,
        noise=estimate_noise(impulse, y),
        correction=correction,
        provenance=recording.provenance,
        caveats=caveats,
        data=data,
    )


def read_off_response(
    sweep: RecordedSweep, *, gate_ms: float = GATE_MS, least_snr_db: float = LEAST_SNR_DB
) -> SweptResponse:
    """Give the response that a recording holds.

    Parameters
    ----------
    sweep : RecordedSweep
        From `open_sweep`.
    gate_ms : float
        Length of the gate after the arrival [ms].
    least_snr_db : float
        Signal-to-noise ratio from which on a level counts as readable [dB].

    Returns
    -------
    SweptResponse
        Loopback, correction and calibration applied as the row says.

    Raises
    ------
    CurveError
        A gate that does not fit.
    """
    row = sweep.row
    return gate_response(
        sweep.impulse,
        gate_ms=gate_ms,
        noise=sweep.noise,
        least_snr_db=least_snr_db,
        correction=sweep.correction,
        full_scale_pa=row.full_scale_pa,
        level_reference=row.level_reference,
        label=f"{row.earphone} {row.channel}",
        provenance=sweep.provenance,
    )


def open_voltages(
    folder: Path | str, rows: Sequence[RecordingRow], row: RecordingRow, *, segment_s: float | None = None
) -> RecordedVoltages:
    """Read the two voltages at a sense resistor, and the corrections recorded with the same one.

    Parameters
    ----------
    folder : Path or str
        The study.
    rows : sequence of RecordingRow
        All rows; those that hold a known resistor, an open or a short with this row's sense resistor are used.
    row : RecordingRow
        A row that holds an impedance.
    segment_s : float, optional
        Length of a segment, about [s]; 0.7 s where not given.

    Returns
    -------
    RecordedVoltages
        For `read_off_impedance`.

    Raises
    ------
    StudyError
        A row that holds something else, two corrections of one kind, or one of another sampling rate.
    FileMissingError
        A file is missing.
    FileRefusedError
        A file cannot be read.
    CurveError
        A segment that is no length of time.
    EvidenceError
        A recording shorter than a segment, or a silent channel.
    """
    _demand_row(row, "impedance")
    root = Path(folder)
    found: dict[str, RecordingRow] = {}
    for other in rows:
        if other.holds in {"known_resistor", "open", "short"} and other.sense_ohm == row.sense_ohm:
            if other.holds in found:
                rule = f"one recording of a kind corrects those with one sense resistor, {row.sense_ohm:g} ohm"
                raise StudyError(other.file, rule, f"{found[other.holds].file} holds {other.holds} too", "keep one")
            found[other.holds] = other
    rate = inspect_format(root / row.file, source=row.file).sampling_rate_hz
    spectra, caveats = _voltages(root, row, rate, segment_s)
    corrections = {}
    for name, other in found.items():
        corrections[name], more = _voltages(root, other, rate, segment_s)
        caveats += more if name == "known_resistor" else ()  # an open or a short is loud, but not judged as a waveform
    files = [row.file, *(other.file for other in found.values())]
    data = {file: hash_file(root / file) for file in files}
    return RecordedVoltages(
        row=row,
        spectra=spectra,
        corrections=corrections,
        known_ohm=found["known_resistor"].known_ohm if "known_resistor" in found else None,
        provenance=Provenance(source=row.file, sha256=data[row.file], decisions=(("sampling_rate_hz", str(rate)),)),
        caveats=caveats,
        data=data,
    )


def read_off_impedance(
    voltages: RecordedVoltages,
    *,
    sense_ohm: float | None = None,
    use: Sequence[str] = ("known_resistor", "open", "short"),
    estimator: Estimator = "H1",
    points_per_octave: int = POINTS_PER_OCTAVE,
) -> SensedImpedance:
    """Give the impedance that two voltages hold.

    Parameters
    ----------
    voltages : RecordedVoltages
        From `open_voltages`.
    sense_ohm : float, optional
        Sense resistor [ohm]; the row's where not given.
    use : sequence of str
        Corrections to use, of those there are.
    estimator : {"H1", "H2", "Hv"}
        Estimator of the transfer function.
    points_per_octave : int
        Bands an octave over which spectra are added up.

    Returns
    -------
    SensedImpedance
        The impedance with its errors.

    Raises
    ------
    CurveError
        A resistance that is not above 0.
    EvidenceError
        The voltages do not differ, or share nothing.
    """
    row = voltages.row
    used = {name: spectra for name, spectra in voltages.corrections.items() if name in use}
    named = {name: _transfer(spectra, estimator, points_per_octave) for name, spectra in used.items()}
    known = named.get("known_resistor")
    return sense_impedance(
        _transfer(voltages.spectra, estimator, points_per_octave),
        sense_ohm=row.sense_ohm or 0.0 if sense_ohm is None else sense_ohm,
        corrections=Corrections(
            known=known,
            known_ohm=None if known is None else voltages.known_ohm,
            open=named.get("open"),
            short=named.get("short"),
        ),
        label=f"{row.earphone} {row.channel}",
        provenance=voltages.provenance,
    )


def _voltages(
    root: Path, row: RecordingRow, rate: int, segment_s: float | None
) -> tuple[CrossSpectra, tuple[str, ...]]:
    """Give the spectra from the voltage before the sense resistor to the one at the earphone, and caveats."""
    layout = inspect_format(root / row.file, source=row.file)
    if layout.sampling_rate_hz != rate:
        found = f"this one has {layout.sampling_rate_hz} Hz and the earphone's {rate} Hz"
        raise StudyError(row.file, "corrections share the earphone's sampling rate", found, "record it anew")
    if segment_s is not None and not 0 < segment_s <= layout.frames / rate:
        rule, mend = "a segment is as long as the recording or shorter", "take a shorter one"
        raise CurveError("segment_s", rule, f"it is {segment_s:g} s of {layout.frames / rate:.2f} s", mend)
    channels = (row.reference_channel or 2, row.measured_channel)
    names = ("the voltage before the sense resistor", "the voltage at the earphone")
    reports = [
        inspect_waveform(
            (block[0] for block in stream_recording(root / row.file, channels=(k,), source=row.file)),
            bounded=layout.bounded,
        )
        for k in channels
    ]
    for name, report in zip(names, reports, strict=True):
        if report.silent and row.holds != "short":
            mend = "check which channel was recorded, and the wiring"
            raise EvidenceError(f"{row.file}, {name}", "it holds a signal", "it is silent", mend)
    named = zip(names, reports, strict=True)
    caveats = tuple(text for name, report in named for text in report.caveats(f"{row.file}, {name},"))
    offsets = np.array([[report.offset] for report in reports])
    blocks = (block - offsets for block in stream_recording(root / row.file, channels=channels, source=row.file))
    segment = None if segment_s is None else 2 ** round(np.log2(segment_s * rate))
    return accumulate_spectra(blocks, sampling_rate_hz=rate, segment=segment), caveats


def _transfer(spectra: CrossSpectra, estimator: Estimator, points_per_octave: int) -> TransferFunction:
    return estimate_transfer(gather_bins(spectra, points_per_octave=points_per_octave), estimator=estimator)


def _demand_row(row: RecordingRow, wanted: str) -> None:
    if row.holds != wanted:
        raise StudyError(row.file, f"this needs a row that holds {wanted}", f"it holds {row.holds}", "take another row")
