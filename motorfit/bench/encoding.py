"""From the bytes of a file to its text, whatever program wrote it."""

from __future__ import annotations

import codecs
import hashlib
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from motorfit.errors import LocatedError

LARGEST = 50_000_000  # bytes; a day's log at ten readings a second is a tenth of it
_FIRST_PIECE = 65_536
_LONGEST_LINE = 64_000_000  # bytes

_TABLE = "a table saved as CSV"
_SAVE_AS_CSV = "Save the table as CSV from the spreadsheet program."
_SIGNATURES = (
    (b"PK\x03\x04", "a packed spreadsheet or archive"),
    (b"\xd0\xcf\x11\xe0", "an old binary spreadsheet"),
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a compressed file"),
)
_BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
#: Controls and broken characters; tabs, line ends and page feeds stand in texts for good reasons.
_CONTROL = re.compile("[\x00-\x08\x0e-\x1f\x7f-\x84\x86-\x9f\ud800-\udfff]")


def read_bytes(path: Path, *, largest: int = LARGEST) -> bytes:
    """Read a file that ought to hold text, refusing quickly what cannot be one.

    Only the first piece of a file that is too large or plainly binary is read.

    Raises
    ------
    LocatedError
        If there is no such file, it cannot be read, is too large or is binary.
    """
    with _told(path):
        size = _size(path)
        with path.open("rb") as file:
            first = file.read(_FIRST_PIECE)
            _refuse_binary(path, first)
            if size > largest:
                raise LocatedError(
                    path=path,
                    found=f"{size / 1e6:.0f} MB",
                    expected=f"{_TABLE} of at most {largest / 1e6:.0f} MB",
                    remedy="Keep the part with the readings, or move the file away.",
                )
            return first + file.read()


def read_beginning(path: Path, length: int) -> bytes:
    """Read the whole lines at the beginning of a file that ought to hold text.

    Raises
    ------
    LocatedError
        If there is no such file, it cannot be read or is binary.
    """
    with _told(path):
        _size(path)
        with path.open("rb") as file:
            first = file.read(max(length, _FIRST_PIECE))
    _refuse_binary(path, first[:_FIRST_PIECE])
    first = first[:length]
    return first[: first.rfind(b"\n") + 1]


def read_pieces(path: Path, start: int, length: int) -> Iterator[bytes]:
    """Read whole lines of a file, about so many bytes at a time; a piece of zeros as it is.

    Raises
    ------
    LocatedError
        If the file cannot be read, or has no lines.
    """
    rest = b""
    with _told(path), path.open("rb") as file:
        file.seek(start)
        while content := file.read(length):
            end = content.rfind(b"\n") + 1
            if end:
                yield rest + content[:end]
                rest = content[end:]
            elif not rest.strip(b"\x00") and not content.strip(b"\x00"):
                yield rest + content
                rest = b""
            else:
                rest += content
                if len(rest) > _LONGEST_LINE:
                    raise _binary(path, f"a line of more than {_LONGEST_LINE / 1e6:.0f} MB")
    if rest:
        yield rest


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Turn what the system says of a file into a message with a remedy."""
    try:
        yield
    except FileNotFoundError:
        raise LocatedError(
            path=path, found="no such file", expected=_TABLE, remedy="Check its name and folder."
        ) from None
    except PermissionError:
        raise LocatedError(
            path=path,
            found="a file that may not be read",
            expected="permission to read it",
            remedy="Change its permissions, or copy it to a folder of your own.",
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise LocatedError(
            path=path,
            found=f"a file that cannot be read ({reason})",
            expected=_TABLE,
            remedy="Copy it to this computer's own disk and try again.",
        ) from None


def _size(path: Path) -> int:
    """Size of a file in bytes; folders and devices are refused."""
    status = path.stat()
    if not stat.S_ISREG(status.st_mode):
        found = "a folder" if stat.S_ISDIR(status.st_mode) else "something that is not a file"
        raise LocatedError(
            path=path, found=found, expected=_TABLE, remedy="Rename it or move it away."
        )
    return status.st_size


def decode(path: Path, content: bytes) -> str:
    r"""Turn the bytes of a text file into text with ``\n`` line ends.

    UTF-8 and UTF-16 with or without a byte-order mark; anything else is taken as
    Windows-1252, or Latin-1 where that has no character.

    Raises
    ------
    LocatedError
        If what comes out holds characters that no typed table has.
    """
    try:
        text = content.decode(_encoding(content))
    except UnicodeDecodeError as error:
        if error.encoding.startswith("utf-16") or error.encoding.startswith("utf-32"):
            raise _binary(path, "text that breaks off inside a character") from None
        try:
            text = content.decode("cp1252")
        except UnicodeDecodeError:
            text = content.decode("latin-1")
    text = text.lstrip("\ufeff").rstrip("\x1a\x00")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    control = _CONTROL.search(text)
    if control:
        raise LocatedError(
            path=path,
            row=text.count("\n", 0, control.start()) + 1,
            found=f"the control character U+{ord(control[0]):04X}",
            expected="readable text",
            remedy=_SAVE_AS_CSV,
        )
    return text


def fingerprint(content: bytes) -> str:
    """Tell a file apart from every other: ``sha256:`` and its digest in hexadecimal."""
    return f"sha256:{hashlib.sha256(content).hexdigest()}"


def _encoding(content: bytes) -> str:
    for mark, encoding in _BYTE_ORDER_MARKS:
        if content.startswith(mark):
            return encoding
    return _utf_16_without_mark(content[:_FIRST_PIECE]) or "utf-8"


def _utf_16_without_mark(piece: bytes) -> str | None:
    """Name the byte order if every other byte is nearly always zero, as in Western UTF-16."""
    half = len(piece) // 2
    zeros_first, zeros_second = piece[0::2].count(0), piece[1::2].count(0)
    if half >= 2 and zeros_second > 0.9 * half and zeros_first == 0:
        return "utf-16-le"
    if half >= 2 and zeros_first > 0.9 * half and zeros_second == 0:
        return "utf-16-be"
    return None


def _refuse_binary(path: Path, piece: bytes) -> None:
    for signature, found in _SIGNATURES:
        if piece.startswith(signature):
            raise LocatedError(path=path, found=found, expected=_TABLE, remedy=_SAVE_AS_CSV)
    if b"\x00" in piece.rstrip(b"\x00") and _encoding(piece) == "utf-8":
        raise _binary(path, "a binary file")
    if piece and not piece.strip(b"\x00"):
        raise _binary(path, "nothing but zero bytes")


def _binary(path: Path, found: str) -> LocatedError:
    return LocatedError(path=path, found=found, expected=_TABLE, remedy=_SAVE_AS_CSV)
