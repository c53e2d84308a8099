"""The bytes of a capture file in chunks: plain or gzip, told apart by the first two bytes."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Iterator
from pathlib import Path

from regcheck.errors import CaptureError, Place

CHUNK = 1 << 20
LINE_LIMIT = 1 << 20
_GZIP = b"\x1f\x8b"
_GZIP_WINDOW = 31  # zlib: a window of 2**15 within a gzip wrapper


class ByteStream:
    """The unpacked bytes of one file, read once from its start in chunks of at most ``chunk_size``.

    ``begin`` and ``until`` leave a stretch of a file that is not packed.
    ``damage`` and ``damage_offset`` tell, once the chunks are used up, how a gzip stream is damaged ("": it is not) and after how
    many unpacked bytes; what could be unpacked before the damage has been handed over. CaptureError: the file cannot be opened or read.
    """

    def __init__(self, path: Path, chunk_size: int = CHUNK, *, begin: int = 0, until: int | None = None) -> None:
        self.path = path
        self.chunk_size = chunk_size
        self.begin, self.until = begin, until
        self.damage = ""
        self.damage_offset = 0

    def __iter__(self) -> Iterator[bytes]:
        """Yield the chunks, none of them empty."""
        raw = raw_chunks(self.path, self.chunk_size, begin=self.begin, until=self.until)
        if self.begin:
            yield from raw
            return
        first = b""
        for chunk in raw:
            first += chunk
            if len(first) >= len(_GZIP):
                break
        if first.startswith(_GZIP):
            yield from self._unpacked(first, raw)
        elif first:
            yield first
            yield from raw

    def _unpacked(self, first: bytes, raw: Iterator[bytes]) -> Iterator[bytes]:
        unpacker = zlib.decompressobj(_GZIP_WINDOW)
        given = 0
        waiting = first
        try:
            while True:
                if unpacker.eof:
                    while len(waiting) < len(_GZIP) and (more := next(raw, b"")):
                        waiting += more
                    if not waiting.strip(b"\0"):
                        break
                    if not waiting.startswith(_GZIP):
                        self.damage = "other bytes follow the end of the gzip stream"
                        break
                    unpacker = zlib.decompressobj(_GZIP_WINDOW)
                if not waiting and not (waiting := next(raw, b"")):
                    self.damage = "the gzip stream is cut short"
                    break
                before = unpacker.copy()
                try:
                    piece = unpacker.decompress(waiting, self.chunk_size)
                except zlib.error:
                    piece = _before_damage(before, waiting, self.chunk_size)
                    given += len(piece)
                    if piece:
                        yield piece
                    raise
                waiting = unpacker.unused_data if unpacker.eof else unpacker.unconsumed_tail
                if piece:
                    given += len(piece)
                    yield piece
        except zlib.error as error:
            self.damage = f"the gzip stream is damaged ({error})"
        self.damage_offset = given


def _before_damage(unpacker: zlib._Decompress, packed: bytes, most: int) -> bytes:
    """Return what can be unpacked before the byte that is wrong: a whole piece fails at once, so it is fed byte by byte."""
    pieces: list[bytes] = []
    size = 0
    try:
        for at in range(len(packed)):
            pieces.append(unpacker.decompress(packed[at : at + 1], most))
            size += len(pieces[-1])
            if size >= most:
                break
    except zlib.error:
        pass
    return b"".join(pieces)


def is_packed(path: Path) -> bool:
    """Tell whether a file is a packed one, which can only be read from its start; CaptureError: it cannot be read."""
    return next(raw_chunks(path, len(_GZIP)), b"").startswith(_GZIP)


def raw_chunks(path: Path, chunk_size: int = CHUNK, *, begin: int = 0, until: int | None = None) -> Iterator[bytes]:
    """Yield the bytes of ``path`` as they stand on the disk; CaptureError where they cannot be had."""
    try:
        with path.open("rb") as file:
            file.seek(begin)
            left = -1 if until is None else until - begin
            while chunk := file.read(chunk_size if until is None else min(chunk_size, left)):
                left -= len(chunk)
                yield chunk
    except FileNotFoundError:
        raise CaptureError(Place(str(path)), "there is no such file", "give the path of a capture") from None
    except IsADirectoryError:
        raise CaptureError(Place(str(path)), "is a folder, not a capture", "give the path of a file in it") from None
    except OSError as error:
        raise CaptureError(Place(str(path)), f"cannot be read: {error.strerror}", "check the file and its permissions") from None


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of the file as it stands on the disk, in hexadecimal."""
    digest = hashlib.sha256()
    for chunk in raw_chunks(path):
        digest.update(chunk)
    return digest.hexdigest()


def line_blocks(stream: ByteStream, number: int = 1) -> Iterator[tuple[int, list[bytes]]]:
    """Yield blocks of lines with the number of the first (``number`` for the stream's first), without their line ends (LF or CR LF).

    A line longer than ``LINE_LIMIT`` comes as its first 100 bytes and a byte 0xFF, which no format here takes for a record.
    """
    rest = b""
    overlong = False
    for chunk in stream:
        lines = (rest + chunk).split(b"\n")
        rest = lines.pop()
        if overlong and lines:
            lines[0] = lines[0][:100] + b"\xff"
            overlong = False
        if len(rest) > LINE_LIMIT or (overlong and len(rest) > 100):
            rest, overlong = rest[:100], True
        if lines:
            yield number, [line[:-1] if line.endswith(b"\r") else line for line in lines]
            number += len(lines)
    if rest:
        yield number, [rest + b"\xff" if overlong else rest.removesuffix(b"\r")]
