"""Reads any other CAN log that python-can reads, through it; which one a file is shows in its name alone, as python-can wants it.

The library hands times over as floating-point seconds: they are taken to the microsecond. It keeps no place either: places are the
number of the frame, from 1. The mark that a device is error passive (ESI) is not kept.
"""

from __future__ import annotations

import gzip
import sqlite3
import struct
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import TextIOWrapper
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.frames import CLASSIC_LENGTH, RAW_DLC_NOTE, Frame, FrameBuilder, check_frame
from regcheck.traffic.source import Source
from regcheck.traffic.times import NS_LIMIT

if TYPE_CHECKING:
    from can import Message

_OWN = (".csv", ".log", ".mf4")
"""What we read ourselves."""

_FAULTS = (OSError, ValueError, LookupError, EOFError, ArithmeticError, TypeError, AttributeError, AssertionError, struct.error, zlib.error)
_GZIP = b"\x1f\x8b"


def suffix_of(path: Path) -> str:
    """Return the ending of a file's name that tells python-can its kind, in lower case."""
    name = path.with_suffix("") if path.suffix.lower() == ".gz" else path
    return name.suffix.lower()


def is_read_by_library(path: Path) -> bool:
    """Tell whether python-can has a reader for the name of this file, other than for a kind that is read here anyway."""
    suffix = suffix_of(path)
    return bool(suffix) and suffix not in _OWN and suffix in _readers()


def is_library_csv(line: str) -> bool:
    """Tell whether a line heads the CSV that python-can writes: its data are in base 64, as no other's are."""
    return line.strip() == "timestamp,arbitration_id,extended,remote,error,dlc,data"


def _readers() -> dict[str, Any]:
    from can.io import player

    player._update_reader_plugins()
    return dict(player.MESSAGE_READERS)


@dataclass(frozen=True, slots=True)
class LibraryReader:
    """A log that python-can reads; ``batches`` reads it, from the start each time."""

    source: Source

    @classmethod
    def open(cls, source: Source) -> LibraryReader:
        """Read the first frames; CaptureError: python-can has no reader for the name, or can make nothing of the file."""
        readers = _readers()
        if suffix_of(source.path) not in readers:
            text = f"python-can has no reader for a name that ends with {suffix_of(source.path)!r}"
            raise CaptureError(Place(source.file), text, f"it reads {', '.join(sorted(readers))}; the ending tells the kind")
        reader = cls(source)
        for _ in islice(reader._messages(None), 1):
            pass
        return reader

    def batches(self) -> Iterator[Batch]:
        """Yield the frames in batches."""
        builder = FrameBuilder(self.source.file, self.source.number, self.source.batch_size, by_line=True)
        for number, message in enumerate(self._messages(builder), 1):
            try:
                frame, note = frame_of(message)
            except (ValueError, TypeError) as error:  # what it makes of a damaged log may be of any type
                builder.complain("impossible frame", str(error), number)
                continue
            if note:
                builder.complain(RAW_DLC_NOTE, note, number)
            builder.add_frame(frame, number)
            yield from builder.ready()
        yield from builder.finish()

    def _messages(self, builder: FrameBuilder | None) -> Iterator[Message]:
        """Yield what python-can reads; where it gives up after some frames that is a complaint, before the first a CaptureError."""
        from can import CanError
        from can.io.blf import BLFParseError

        path = self.source.path
        count = 0
        try:
            with self._opened() as messages:
                for message in messages:
                    count += 1
                    yield message
        except FileNotFoundError:
            raise CaptureError(Place(self.source.file), "there is no such file", "give the path of a capture") from None
        except (*_FAULTS, sqlite3.Error, CanError, BLFParseError) as error:
            said = f"python-can cannot read {'on' if count else 'it'}: {type(error).__name__}: {error}"
            if not count:
                raise CaptureError(Place(self.source.file), said, f"the name says {suffix_of(path)!r}; is it of that kind?") from None
            if builder is not None:
                builder.complain("log damaged", said, count + 1)

    @contextmanager
    def _opened(self) -> Iterator[Iterable[Message]]:
        """Open the file ourselves where the reader takes one: a reader that refuses a file leaves it open."""
        from can.io.generic import BinaryIOMessageReader, TextIOMessageReader

        path = self.source.path
        reader = _readers()[suffix_of(path)]
        with path.open("rb") as plain:
            is_packed = plain.read(2) == _GZIP
            plain.seek(0)
            if not issubclass(reader, TextIOMessageReader | BinaryIOMessageReader):
                if is_packed:
                    raise CaptureError(Place(self.source.file), "this kind of log cannot be read while it is packed", "unpack it first")
                with reader(str(path)) as messages:
                    yield messages
                return
            unpacked = gzip.GzipFile(fileobj=plain) if is_packed else plain
            is_text = issubclass(reader, TextIOMessageReader)
            with TextIOWrapper(unpacked, encoding="utf-8", errors="replace") if is_text else unpacked as file, reader(file) as messages:
                yield messages


def frame_of(message: Message) -> tuple[Frame, str]:
    """Return what python-can read as a frame, and a note where it is odd; ValueError: no bus could carry it."""
    flags = Flag(0)
    marks = (
        (message.is_fd, Flag.FD),
        (message.bitrate_switch, Flag.RATE_SWITCH),
        (message.is_remote_frame, Flag.REMOTE),
        (message.is_error_frame, Flag.ERROR),
        (not message.is_rx, Flag.SENT_HERE),
    )
    for is_set, flag in marks:
        if is_set:
            flags |= flag
    data = b"" if message.is_remote_frame else bytes(message.data)
    note = ""
    if not message.is_fd and CLASSIC_LENGTH < message.dlc <= 15 and (message.is_remote_frame or len(data) >= CLASSIC_LENGTH):
        note = f"DLC {message.dlc} of a classic frame; it stands for {CLASSIC_LENGTH} bytes"
        data = data[:CLASSIC_LENGTH]
    check_frame(message.arbitration_id, extended=message.is_extended_id, length=len(data), flags=flags)
    if not abs(message.timestamp) < NS_LIMIT / 1e9:
        raise ValueError(f"its time, {message.timestamp} s, is beyond what can be held")
    time_ns = round(message.timestamp * 1e6) * 1000
    bus = "" if message.channel is None else str(message.channel)
    return Frame(time_ns, message.arbitration_id, data, message.is_extended_id or bool(flags & Flag.ERROR), flags, bus), note
