"""The text styles of the files: what the members' programs write.

A table is a dict of columns, quantity to values: ``frequency`` [Hz] with ``level`` [dB] and perhaps ``phase``
[degree], or with ``magnitude`` [ohm] and ``phase``, or with ``real`` and ``imaginary`` [ohm].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Style:
    """How a program writes a table.

    `columns` are (quantity, heading, format) in the order of the file. A `preamble` line may hold ``{title}``. `mark`
    stands before the heading line. `zero_row` puts a row at 0 Hz first, as programs with a linear grid do.
    """

    name: str
    extension: str
    columns: tuple[tuple[str, str, str], ...]
    delimiter: str = ","
    preamble: tuple[str, ...] = ()
    heading: bool = True
    mark: str = ""
    quote: str = ""
    decimal: str = "."
    trailing: bool = False
    kilohertz: bool = False
    descending: bool = False
    zero_row: bool = False
    encoding: str = "utf-8"
    newline: str = "\n"


HZ = "{:.2f}"
DB = "{:.2f}"

RESPONSE_STYLES = {
    style.name: style
    for style in (
        Style("comma", "csv", (("frequency", "Frequency (Hz)", HZ), ("level", "Level (dB)", DB))),
        Style(
            "tab with phase and comment lines",
            "txt",
            (("frequency", "frequency_hz", HZ), ("level", "level_db", DB), ("phase", "phase_deg", "{:.1f}")),
            delimiter="\t",
            preamble=("# {title}", "# tool library bench, simulated", "# drive 100 mV, no smoothing"),
        ),
        Style(
            "semicolon, decimal comma, cp1252",
            "csv",
            (("frequency", "Frequency [Hz]", HZ), ("level", "Level [dB re 20 µPa]", DB)),
            delimiter=";",
            preamble=("{title}", "Bench at 21 °C"),
            decimal=",",
            encoding="cp1252",
            newline="\r\n",
        ),
        Style(
            "blanks, percent marks",
            "txt",
            (("frequency", "Frequency/Hz", "{:10.3f}"), ("level", "Level/dB", "{:9.2f}")),
            delimiter="  ",
            preamble=("% {title}",),
            mark="% ",
        ),
        Style(
            "quoted cells in kHz",
            "csv",
            (("frequency", "Frequency (kHz)", "{:.6f}"), ("level", "Sound pressure level (dB)", DB)),
            quote='"',
            kilohertz=True,
            newline="\r\n",
        ),
        Style(
            "descending, byte order mark",
            "tsv",
            (("frequency", "Frequency [Hz]", HZ), ("level", "Level [dB]", DB)),
            delimiter="\t",
            preamble=("// {title}", "// dB re 20 µPa, highest frequency first"),
            descending=True,
            encoding="utf-8-sig",
        ),
        Style(
            "UTF-16",
            "txt",
            (("frequency", "Frequency (Hz)", HZ), ("level", "Level (dB)", DB)),
            delimiter="\t",
            encoding="utf-16",
            newline="\r\n",
        ),
        Style(
            "carriage returns",
            "txt",
            (("frequency", "Frequency, Hz", HZ), ("level", "Level, dB", DB)),
            delimiter="\t",
            preamble=("* {title}",),
            newline="\r",
        ),
        Style(
            "linear grid from 0 Hz, trailing delimiter",
            "csv",
            (
                ("frequency", "Frequency (Hz)", "{:.3f}"),
                ("level", "Level (dB)", DB),
                ("phase", "Phase (deg)", "{:.1f}"),
            ),
            trailing=True,
            zero_row=True,
        ),
        Style(
            "scientific notation",
            "dat",
            (("frequency", "frequency/Hz", "{:.5E}"), ("level", "level/dB", "{:.6E}")),
            delimiter=" ",
            preamble=("! {title}",),
            mark="! ",
        ),
        Style(
            "thousands separators",
            "csv",
            (("frequency", "Frequency (Hz)", "{:,.2f}"), ("level", "Level (dB)", DB)),
            delimiter=";",
            quote='"',
        ),
        Style(
            "level column first",
            "csv",
            (("level", "Level (dB)", "{:.3f}"), ("frequency", "Frequency (Hz)", HZ)),
        ),
        Style(
            "no heading", "txt", (("frequency", "", "{:.3f}"), ("level", "", "{:.3f}")), delimiter="\t", heading=False
        ),
    )
}

IMPEDANCE_STYLES = {
    style.name: style
    for style in (
        Style(
            "magnitude and phase, comma",
            "csv",
            (
                ("frequency", "Frequency (Hz)", "{:.3f}"),
                ("magnitude", "Impedance (ohm)", "{:.4f}"),
                ("phase", "Phase (deg)", "{:.3f}"),
            ),
        ),
        Style(
            "real and imaginary, tab",
            "tsv",
            (
                ("frequency", "Frequency (Hz)", "{:.3f}"),
                ("real", "Real part (ohm)", "{:.4f}"),
                ("imaginary", "Imaginary part (ohm)", "{:.4f}"),
            ),
            delimiter="\t",
            preamble=("# {title}",),
        ),
        Style(
            "magnitude and phase, semicolon, decimal comma",
            "csv",
            (
                ("frequency", "Frequency [Hz]", "{:.3f}"),
                ("magnitude", "Magnitude [Ω]", "{:.4f}"),
                ("phase", "Phase [°]", "{:.3f}"),
            ),
            delimiter=";",
            decimal=",",
            encoding="utf-8-sig",
            newline="\r\n",
        ),
        Style(
            "real and imaginary, UTF-16",
            "txt",
            (
                ("frequency", "Frequency (Hz)", "{:.3f}"),
                ("real", "Re Z (Ω)", "{:.4f}"),
                ("imaginary", "Im Z (Ω)", "{:.4f}"),
            ),
            delimiter="\t",
            encoding="utf-16",
            newline="\r\n",
        ),
        Style(
            "magnitude and phase, blanks",
            "txt",
            (
                ("frequency", "frequency_hz", "{:10.3f}"),
                ("magnitude", "impedance_ohm", "{:13.4f}"),
                ("phase", "phase_deg", "{:9.3f}"),
            ),
            delimiter=" ",
            preamble=("# {title}",),
            mark="# ",
        ),
    )
}


def _cells(style: Style, quantity: str, pattern: str, values: np.ndarray) -> list[str]:
    if quantity == "frequency" and style.kilohertz:
        values = values / 1000
    # Adding zero turns a rounded minus nought into nought, so that no file holds "-0.00".
    texts = [pattern.format(value) for value in values + 0.0]
    if style.decimal != ".":
        texts = [text.replace(".", style.decimal) for text in texts]
    return [f"{style.quote}{text}{style.quote}" for text in texts]


def write_table(style: Style, table: dict[str, np.ndarray], title: str) -> bytes:
    """Write a table the way a style does."""
    if style.zero_row:
        first = {"frequency": 0.0, "phase": 0.0}
        table = {name: np.concatenate([[first.get(name, values[0])], values]) for name, values in table.items()}
    if style.descending:
        table = {name: values[::-1] for name, values in table.items()}
    columns = [_cells(style, quantity, pattern, table[quantity]) for quantity, _, pattern in style.columns]
    end = style.delimiter if style.trailing else ""
    lines = [line.format(title=title) for line in style.preamble]
    if style.heading:
        names = [f"{style.quote}{heading}{style.quote}" for _, heading, _ in style.columns]
        lines.append(style.mark + style.delimiter.join(names) + end)
    lines += [style.delimiter.join(row) + end for row in zip(*columns, strict=True)]
    text = "".join(line + style.newline for line in lines)
    if style.encoding == "utf-16":
        return b"\xff\xfe" + text.encode("utf-16-le")
    return text.encode(style.encoding)
