"""Opening a PDF from a stranger: nothing in it can fill the memory, and nothing is repaired, run or fetched.

Streams are unpacked once, piece by piece, only to count their bytes, before a PDF library sees the file.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from lineside.verify.findings import UnusablePdf

MAX_PDF_BYTES = 300_000_000
MAX_STREAM_BYTES = 200_000_000
MAX_UNPACKED_BYTES = 1_500_000_000
MAX_TAKEN_BYTES = 3_000_000_000
MAX_STREAMS = 200_000
#: The first piece of a stream is small: what is none at all is found out by it.
FIRST_PIECE_BYTES, PIECE_BYTES = 4_000, 1_000_000
#: Names with escaped letters; chance makes a few short ones in packed data.
MAX_NAME_BYTES, MAX_ESCAPED_NAMES = 500, 20_000

_STREAM = re.compile(rb"(?<!end)stream(?:\r\n|\n)")
_FILTER = re.compile(rb"/Filter(?=[\s/\[<>(){}%])")
_OURS = re.compile(
    rb"/Filter\s*(?:/(?:FlateDecode|DCTDecode|Standard)|\[\s*/(?:FlateDecode|DCTDecode)?\s*\])(?=[\s/>\]])"
)
_ESCAPED = re.compile(rb"/[^\s/<>\[\](){}%]*#[0-9a-fA-F]{2}[^\s/<>\[\](){}%]*")
_DISGUISED = ("Filter", "Decode", "ObjStm", "XRef")


@contextmanager
def opened(path: Path) -> Iterator[Any]:
    """A PDF of bounded size, as a ``pikepdf.Pdf``.

    Raises
    ------
    UnusablePdf
        If it is no PDF, is encrypted or damaged, or unpacks to more than a report could need.
    """
    import pikepdf

    with path.open("rb") as stream:
        data = stream.read(MAX_PDF_BYTES + 1)
    if len(data) > MAX_PDF_BYTES:
        raise UnusablePdf(f"{path} is larger than {MAX_PDF_BYTES / 1e6:g} MB; no report is")
    if not data.startswith(b"%PDF-"):
        raise UnusablePdf(f"{path} is not a PDF")
    _bounded(data, path)
    try:
        with pikepdf.open(path, attempt_recovery=False, suppress_warnings=True) as pdf:
            if pdf.is_encrypted:
                raise UnusablePdf(f"{path} is encrypted; lineside writes no encrypted PDF. Ask for the original file")
            yield pdf
    except pikepdf.PasswordError:
        raise UnusablePdf(f"{path} is encrypted and asks for a password; ask for the original file") from None
    except (
        pikepdf.PdfError,
        pikepdf.DataDecodingError,
        pikepdf.DeletedObjectError,
        pikepdf.ForeignObjectError,
    ) as error:
        raise UnusablePdf(f"{path} is damaged or incomplete: {_short(error)}; ask for the file again") from None
    except (TypeError, AttributeError, LookupError, ValueError, ArithmeticError, RuntimeError) as error:
        # objects of other types than a report has, in any place of the file
        raise UnusablePdf(f"{path} is not built like a report of lineside: {_short(error)}") from None


def _short(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text if len(text) <= 200 else text[:199] + "…"


def _bounded(data: bytes, path: Path) -> None:
    """Refuse what could unpack without bounds."""
    for n, found in enumerate(_ESCAPED.finditer(data)):
        if found.end() - found.start() > MAX_NAME_BYTES or n >= MAX_ESCAPED_NAMES:
            raise UnusablePdf(f"{path} has longer or more names with escaped letters than any report; it is not opened")
        name = re.sub(rb"#([0-9a-fA-F]{2})", lambda m: bytes([int(m[1], 16)]), found[0]).decode("latin-1")
        if any(word in name for word in _DISGUISED):
            raise UnusablePdf(f"{path} disguises names of its structure; it is not opened")
    for found in _FILTER.finditer(data):
        if not _OURS.match(data, found.start()):
            raise UnusablePdf(f"{path} is compressed in a way that lineside does not write; it is not opened")
    total = taken = 0
    for n, found in enumerate(_STREAM.finditer(data)):
        if n >= MAX_STREAMS:
            raise UnusablePdf(f"{path} has more than {MAX_STREAMS} streams; no report has")
        size = 0
        for n_taken, piece in _unpacked(memoryview(data)[found.end() :]):
            size += len(piece)
            taken += n_taken
            if size > MAX_STREAM_BYTES or total + size > MAX_UNPACKED_BYTES or taken > MAX_TAKEN_BYTES:
                raise UnusablePdf(f"{path} unpacks to more than any report holds; it is not opened")
        total += size


def unpacked(data: bytes | memoryview) -> Iterator[bytes]:
    """Pieces of what was deflated, up to its end or to where it is damaged."""
    return (piece for _, piece in _unpacked(data))


def _unpacked(data: bytes | memoryview) -> Iterator[tuple[int, bytes]]:
    """How many bytes were taken, and what they unpack to, piece by piece."""
    inflate, at, step = zlib.decompressobj(), 0, FIRST_PIECE_BYTES
    try:
        while at < len(data) and not inflate.eof:
            packed = bytes(data[at : at + step])
            yield len(packed), inflate.decompress(packed, PIECE_BYTES)
            while inflate.unconsumed_tail and not inflate.eof:
                yield 0, inflate.decompress(inflate.unconsumed_tail, PIECE_BYTES)
            at, step = at + step, min(4 * step, PIECE_BYTES)
    except zlib.error:
        return


def content_of(stream: Any, limit: int) -> bytes | None:
    """The bytes of a stream; None if there are more than ``limit``, or if they are packed in an odd way or damaged."""
    import pikepdf

    if stream.get("/DecodeParms") is not None:
        return None
    raw = bytes(stream.read_raw_bytes())
    packed = stream.get("/Filter")
    names = (
        [str(n) for n in packed] if isinstance(packed, pikepdf.Array) else [str(packed)] if packed is not None else []
    )
    if not names:
        return raw if len(raw) <= limit else None
    if names != ["/FlateDecode"]:
        return None
    inflate = zlib.decompressobj()
    try:
        content = inflate.decompress(raw, limit + 1)
    except zlib.error:
        return None
    return content if inflate.eof and len(content) <= limit else None
