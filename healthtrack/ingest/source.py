"""From a file's bytes to text: decompression within limits, encodings, line ends, binary files."""

from __future__ import annotations

import codecs
import io
import struct
import zipfile
import zlib
from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from healthtrack.errors import LogError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MAXIMUM_BYTES = 24 * 1024 * 1024
"""Longest content of a log, decompressed: 280 000 rows of twelve columns. [byte]

Reading it, finding the operating points and storing them bring a process that holds a full store to
520 to 580 MB, whatever the layout, also for one such log behind the other (measured).
"""

MAXIMUM_RATIO = 200
"""A member of a zip archive may unpack to so many times its packed size; logs reach 30."""

_BOMS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_PIECE = 2**20
_CONTROL = bytes(set(range(32)) - {9, 10, 12, 13, 26, 27})


@dataclass(frozen=True, slots=True)
class Content:
    """A log's bytes as they are to be decoded, and what was noticed on the way.

    ``cut`` says that the end is missing; ``inner_name`` is the file's name inside an archive.
    """

    data: bytes
    cut: bool = False
    inner_name: str = ""


def read_content(path: Path) -> Content:
    """Read a file, unpacking gzip and zip; what a cut gzip still gives is kept.

    Raises
    ------
    LogError
        ``unreadable``, ``too_large``, ``empty`` or ``damaged``.
    """
    try:
        size = path.stat().st_size
        if size > MAXIMUM_BYTES:
            raise _too_large(str(path))
        data = path.read_bytes()
    except OSError as error:
        raise LogError(
            "unreadable",
            f"{path} cannot be opened: {error.strerror}. Check that the file is there and "
            "may be read.",
        ) from None
    content = _unpacked(data, str(path))
    if not content.data.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise LogError(
            "empty",
            f"{path} holds nothing ({size} bytes on disk). Copy it from the logger again; if "
            "it is empty there too, the logger never wrote it.",
        )
    stripped = content.data.rstrip(b"\x00")
    if len(content.data) - len(stripped) > 1 and not _is_binary_form(stripped):
        return replace(content, data=stripped, cut=True)
    return content


def _is_binary_form(data: bytes) -> bool:
    return data[:4] in {b"PAR1", b"MDF ", b"UnFi"}


def _unpacked(data: bytes, name: str) -> Content:
    if data[:2] == b"\x1f\x8b":
        return _gunzip(data, name)
    if data[:4] == b"PK\x03\x04":
        return _unzip(data, name)
    return Content(data)


def _unzip(data: bytes, name: str) -> Content:
    """Return the one log inside a zip archive; nothing is ever written to disk."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = [entry for entry in archive.infolist() if _is_log(entry)]
            if len(members) != 1:
                raise LogError(
                    "archive",
                    f"{name} holds {len(members)} files; expected one log. Unpack it and bring "
                    "the logs one by one, or as .csv.gz.",
                )
            member = members[0]
            if member.file_size > MAXIMUM_BYTES:
                raise _too_large(name)
            if member.file_size > MAXIMUM_RATIO * max(member.compress_size, 1000):
                raise LogError(
                    "archive",
                    f"{name} would unpack to more than {MAXIMUM_RATIO} times its size, which no "
                    "log does. It was not unpacked.",
                )
            with archive.open(member) as stream:
                unpacked = stream.read(MAXIMUM_BYTES + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, struct.error) as error:
        raise LogError(
            "damaged", f"{name} is a zip archive that cannot be unpacked ({error}). Copy it again."
        ) from None
    except (RuntimeError, NotImplementedError) as error:
        raise LogError(
            "archive", f"{name} cannot be unpacked: {error}. Pack it again without a password."
        ) from None
    if len(unpacked) > MAXIMUM_BYTES:
        raise _too_large(name)
    if unpacked[:4] == b"PK\x03\x04":
        raise LogError("archive", f"{name} holds another archive. Unpack it first.")
    inner = member.filename.replace("\\", "/").rsplit("/", 1)[-1]
    return replace(_unpacked(unpacked, name), inner_name=inner)


def _is_log(entry: zipfile.ZipInfo) -> bool:
    parts = entry.filename.split("/")
    hidden = any(part.startswith((".", "__MACOSX")) and part != ".." for part in parts)
    return not entry.is_dir() and not hidden


def _gunzip(data: bytes, name: str) -> Content:
    pieces: list[bytes] = []
    room = MAXIMUM_BYTES
    while data:
        stream = zlib.decompressobj(wbits=31)
        try:
            piece = stream.decompress(data, room + 1)
        except zlib.error as error:
            if pieces:
                return Content(b"".join(pieces), cut=True)
            raise LogError(
                "damaged",
                f"{name} is a compressed file that cannot be unpacked ({error}). Copy it again.",
            ) from None
        room -= len(piece)
        if room < 0:
            raise _too_large(name)
        pieces.append(piece)
        if not stream.eof:
            return Content(b"".join(pieces), cut=True)
        data = stream.unused_data.lstrip(b"\x00")
    return Content(b"".join(pieces))


def _too_large(name: str) -> LogError:
    return LogError(
        "too_large",
        f"{name} holds more than {MAXIMUM_BYTES // 2**20} MiB, and reading it would take more "
        "than 600 MB of memory. It was not read and is as it was. Have the logger begin a file "
        "with each drive. To bring this one, split it at its pauses; each part needs the lines "
        "above the first row, and the date in its name if the date stands there.",
    )


def decode(content: Content, encoding: str, name: str) -> bytes:
    r"""Return the text as UTF-8 with every line end as ``\n``.

    ``auto`` takes the byte-order mark, else UTF-16 where every other byte is zero, else UTF-8,
    else Windows-1252 with Latin-1 for what that leaves open. Most logs are UTF-8 already, and then
    nothing is copied; as a text of Python's they would take up to four times the memory.

    Raises
    ------
    LogError
        ``binary`` where the bytes are no text, ``encoding`` where they are not in the stated one.
    """
    data = content.data
    for mark, found in _BOMS:
        if data.startswith(mark):
            return _lines(_as_utf8(data[len(mark) :], found, errors="replace"))
    head = data[:4096]
    if encoding == "auto":
        wide = _wide(head)
        if wide:
            return _lines(_as_utf8(data, wide, errors="replace"))
    elif encoding == "utf-16":
        return _lines(_as_utf8(data, _wide(head) or "utf-16-le", errors="replace"))
    _refuse_binary(head, name)
    if encoding in {"auto", "utf-8"}:
        if _is_utf8(data):
            return _lines(data)
        if encoding == "utf-8":
            raise _not_utf8(data, name)
    try:
        return _lines(_as_utf8(data, "cp1252"))
    except UnicodeDecodeError:
        return _lines(_as_utf8(data, "latin-1"))


def _texts(data: bytes, encoding: str, errors: str) -> Iterator[str]:
    """Yield a text piece by piece."""
    decoder = codecs.getincrementaldecoder(encoding)(errors)
    for at in range(0, len(data), _PIECE):
        yield decoder.decode(data[at : at + _PIECE])
    yield decoder.decode(b"", final=True)


def _as_utf8(data: bytes, encoding: str, errors: str = "strict") -> bytes:
    return b"".join(text.encode() for text in _texts(data, encoding, errors))


def _is_utf8(data: bytes) -> bool:
    if data.isascii():
        return True
    try:
        deque(_texts(data, "utf-8", "strict"), maxlen=0)
    except UnicodeDecodeError:
        return False
    return True


def _not_utf8(data: bytes, name: str) -> LogError:
    line = 0
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
    return LogError(
        "encoding",
        f"{name} is not UTF-8 at line {line}. Set file.encoding of its pipeline to "
        '"auto" or to what the logger writes.',
    )


def _refuse_binary(head: bytes, name: str) -> None:
    control = len(head) - len(head.translate(None, _CONTROL))
    if control > len(head) // 50 or b"\x00" in head:
        raise LogError(
            "binary",
            f"{name} is no text: {control} of its first {len(head)} bytes are control codes. "
            "Expected a log in delimited text, optionally compressed. Export it as text from the "
            "logger's program.",
        )


def _wide(head: bytes) -> str:
    """Return the UTF-16 flavour that the zero bytes point to, or nothing."""
    if len(head) < 8:
        return ""
    half = len(head) // 2
    if head[1::2].count(0) > 0.7 * half and head[0::2].count(0) < 0.1 * half:
        return "utf-16-le"
    if head[0::2].count(0) > 0.7 * half and head[1::2].count(0) < 0.1 * half:
        return "utf-16-be"
    return ""


def _lines(text: bytes) -> bytes:
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text
