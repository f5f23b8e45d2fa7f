"""From a file on disk to checked text: size, encoding, line ends.

Everything that needs no idea of what the text says is settled here, in bounded memory and time, so
that the modules after it see one form only: UTF-8 bytes with a line feed at each line's end.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from dataclasses import dataclass

from ohmshift.errors import FileMissingError, FileRefusedError

SIZE_LIMIT_BYTES = 32 * 2**20
"""Largest file read. A linear grid of a million rows stays below it."""

LINE_LIMIT_BYTES = 2**16
"""Longest line read."""

_CONTROL = bytes(set(range(32)) - set(b"\t\n"))
_BYTE_ORDER_MARKS = (
    (b"\xef\xbb\xbf", "utf-8-sig", "UTF-8"),
    (b"\xff\xfe", "utf-16", "UTF-16, little end first"),
    (b"\xfe\xff", "utf-16", "UTF-16, big end first"),
)
_GROUPING_BLANK = re.compile("(?<=\\d)[\u00a0\u2009\u202f](?=\\d{3})")
_MINUS = re.compile("\u2212(?=[\\d.,])")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TextFile:
    """The text of one file, and how it was told to be text.

    Parameters
    ----------
    source : str
        What to call the file in messages and in the curve's provenance.
    sha256 : str
        Hash of the file's bytes in hexadecimal.
    encoding : str
        Encoding of the file, and how it was found.
    text : bytes
        The text in UTF-8, each line ended by a line feed.
    """

    source: str
    sha256: str
    encoding: str
    text: bytes

    def refusal(self, rule: str, found: str, mend: str, *, line: int | None = None) -> FileRefusedError:
        """Make the error that refuses this file.

        Parameters
        ----------
        rule : str
            The rule, as a clause.
        found : str
            What was found instead.
        mend : str
            What the user can do.
        line : int, optional
            Number of the line, counted from 1.

        Returns
        -------
        FileRefusedError
            The error, to be raised.
        """
        where = self.source if line is None else f"{self.source}, line {line}"
        return FileRefusedError(where, rule, found, mend)


def read_text(path: str | os.PathLike[str], *, source: str | None = None, encoding: str | None = None) -> TextFile:
    """Read a file as text.

    Parameters
    ----------
    path : str or path
        The file.
    source : str, optional
        What to call it in messages; its name where not given.
    encoding : str, optional
        Encoding; found from the bytes where not given.

    Returns
    -------
    TextFile
        Its text.

    Raises
    ------
    FileMissingError
        There is no such file.
    FileRefusedError
        It is too large, cannot be opened, or is not text.

    Notes
    -----
    A byte order mark decides the encoding; else zero bytes at second places alone mean UTF-16;
    else the bytes are UTF-8 where they can be, and Windows-1252 (which holds every printable
    character of Latin-1) where they cannot. Typographic minus signs before a digit become "-", and
    narrow or unbreakable blanks between groups of digits become "'".

    Paths stay as they are given: turning each into an object and back takes a twentieth of the time
    of a whole file.
    """
    name = source if source is not None else os.path.basename(path) or str(path)  # noqa: PTH119 - see Notes
    raw = _read_bytes(path, name, source or str(path))
    digest = hashlib.sha256(raw).hexdigest()
    found, text = _decode(raw, name, encoding)
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    file = TextFile(source=name, sha256=digest, encoding=found, text=text)
    if text.isspace() or not text:
        raise file.refusal("a curve needs rows of numbers", "the file is empty", "export the curve again")
    return file


def _read_bytes(path: str | os.PathLike[str], name: str, place: str) -> bytes:
    try:
        status = os.stat(path)  # noqa: PTH116 - see read_text
        _check_status(status, name)
        with open(path, "rb", buffering=0) as handle:  # noqa: PTH123 - see read_text
            raw = handle.read(min(status.st_size + 1, LINE_LIMIT_BYTES))
            if len(raw) == LINE_LIMIT_BYTES:
                if b"\n" not in raw and b"\r" not in raw:
                    raise long_line(name, 1)
                raw += handle.readall()
    except (FileNotFoundError, NotADirectoryError):
        raise FileMissingError(
            place, "the file must be there", "there is none of that name", "check the folder and the spelling"
        ) from None
    except FileRefusedError:
        raise
    except (OSError, ValueError) as error:
        raise FileRefusedError(
            name,
            "it must be possible to open the file",
            f"the system says: {getattr(error, 'strerror', None) or error}",
            "check its name and whether you may read it",
        ) from None
    return raw


def _check_status(status: os.stat_result, name: str) -> None:
    rule = "a curve is read from a plain file"
    if stat.S_ISDIR(status.st_mode):
        raise FileRefusedError(name, rule, "this is a folder", "name one file in it")
    if not stat.S_ISREG(status.st_mode):
        raise FileRefusedError(name, rule, "this is a device or a pipe", "save the text as a file")
    if status.st_size > SIZE_LIMIT_BYTES:
        raise FileRefusedError(
            name,
            f"a text file may hold up to {SIZE_LIMIT_BYTES // 2**20} MB",
            f"it holds {status.st_size / 2**20:,.0f} MB",
            "export fewer points, or check that this is the file you mean",
        )


def long_line(source: str, line: int) -> FileRefusedError:
    """Make the error that refuses a line for its length.

    Parameters
    ----------
    source : str
        What to call the file.
    line : int
        Number of the line, counted from 1.

    Returns
    -------
    FileRefusedError
        The error, to be raised.
    """
    return FileRefusedError(
        f"{source}, line {line}",
        f"a line may hold up to {LINE_LIMIT_BYTES:,} bytes",
        "this one is longer",
        "export one row a line, or check that this is the file you mean",
    )


def _decode(raw: bytes, name: str, encoding: str | None) -> tuple[str, bytes]:
    """Give the encoding, with how it was found, and the text in UTF-8."""
    if encoding is None and raw.isascii() and b"\0" not in raw:
        return "UTF-8 (content)", raw
    codec, shown = (encoding, f"{encoding} (given)") if encoding else _guess_encoding(raw)
    try:
        text = raw.decode(codec)
    except LookupError:
        raise FileRefusedError(
            name, "the encoding must be one Python knows", f"it is {codec!r}", 'give for example encoding="cp1252"'
        ) from None
    except ValueError:  # most are UnicodeError; some codecs raise others, and so does a name with a zero in it
        raise FileRefusedError(
            name,
            "the file must be text",
            f"its bytes cannot be read as {shown}",
            "export the curve as plain text (pictures, archives and spreadsheets are not read), or give its encoding",
        ) from None
    text = _MINUS.sub("-", _GROUPING_BLANK.sub("'", text.removeprefix("\ufeff")))
    return shown, text.encode("utf-8", "replace")


def _guess_encoding(raw: bytes) -> tuple[str, str]:
    """Give the codec, and its name with how it was found."""
    for mark, codec, name in _BYTE_ORDER_MARKS:
        if raw.startswith(mark):
            return codec, f"{name} (byte order mark)"
    even, odd = raw[:64:2], raw[1:64:2]  # of signs beyond Latin-1, as an ohm sign, neither byte is zero
    if all(even) and 2 * odd.count(0) > len(odd):
        return "utf-16-le", "UTF-16, little end first (content)"
    if all(odd) and 2 * even.count(0) > len(even):
        return "utf-16-be", "UTF-16, big end first (content)"
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252", "Windows-1252 (content)"
    return "utf-8", "UTF-8 (content)"


def check_characters(file: TextFile, end: int | None = None) -> None:
    """Refuse text that holds control characters.

    Parameters
    ----------
    file : TextFile
        The file.
    end : int, optional
        Where to stop looking; at the end of the text where not given.

    Raises
    ------
    FileRefusedError
        A control character is in it.
    """
    text = file.text[:end]
    if len(text.translate(None, _CONTROL)) == len(text):
        return
    first = next(i for i, byte in enumerate(text) if byte in _CONTROL)
    raise file.refusal(
        "the file must be text",
        f"byte {text[first]:#04x} is a control character",
        "export the curve as plain text; pictures, archives and spreadsheets are not read",
        line=text.count(b"\n", 0, first) + 1,
    )
