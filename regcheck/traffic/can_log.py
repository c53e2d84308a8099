"""Reads and writes the text log of Linux SocketCAN: the log form and the view form, line by line (captures/README.md).

The common line is read in columns (``can_log_columns``), any other by itself (``can_log_lines``). Places are line numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, fields, replace
from itertools import islice, pairwise
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import CaptureError, EncodeError, Place, UsageError
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.can_log_columns import CommonRows, Lines, is_name, read_common
from regcheck.traffic.can_log_lines import DAMAGED, ERROR_BIT, LineError, LineFrame, parse_line
from regcheck.traffic.frames import Frame, FrameBuilder, FrameColumns, check_frame, columns_of, frame_keys
from regcheck.traffic.segments import WHOLE, Said, Segment, file_segments, line_seam
from regcheck.traffic.source import Source
from regcheck.traffic.stream import LINE_LIMIT, ByteStream
from regcheck.traffic.times import NS_LIMIT

TIMES = ("absolute", "delta")
"""What the times of a log are: their own (since 1970, or since the first frame), or each the time since the line before."""

CUT_NOTE = "last line without its end"
_LONG_STAMP = re.compile(rb"\([0-9]{9,}\.|\([0-9]{4}-")  # of the epoch, or a date; other forms begin at three digits
_HEAD_LINES = 1000
_HEAD_BYTES = 1 << 18
_NO_TIME = -NS_LIMIT  # no time that can be held


@dataclass(frozen=True, slots=True)
class CanLogReader:
    """A text log of CAN frames; ``batches`` reads it, from the start each time."""

    source: Source
    is_delta: bool

    @classmethod
    def open(cls, source: Source, times: str | None = None) -> CanLogReader:
        """Look at the first lines; ``times`` is one of ``TIMES``, None to look: they are deltas where they keep falling back.

        CaptureError: none of the first lines is a frame.
        """
        if times is not None and times not in TIMES:
            raise UsageError(f"times is {times!r}; expected one of {', '.join(TIMES)}")
        head = b""
        for block in text_blocks(source.stream()):
            head += block
            if len(head) >= _HEAD_BYTES:
                break
        frames = head_frames(head)
        if not frames:
            hint = "expected '(time) bus id#data' or '(time) bus id [length] bytes'"
            raise CaptureError(Place(source.file, line=1), "none of the first lines is a CAN frame", hint)
        is_delta = not _LONG_STAMP.search(head) and _are_deltas(frames) if times is None else times == "delta"
        return cls(source, is_delta)

    def batches(self) -> Iterator[Batch]:
        """Yield the frames in batches."""
        source = self.source
        builder = FrameBuilder(source.file, source.number, source.batch_size, by_line=True)
        builder.resume(source.segment.start)
        body = _Body(builder, is_delta=self.is_delta, line=source.first_line)
        stream = source.stream()
        for block in text_blocks(stream):
            body.take(block)
            yield from builder.ready()
        if stream.damage:
            builder.complain("damaged gzip stream", stream.damage, 0)
        yield from builder.finish()

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches that can be read apart, at most ``parts``; one where each time hangs on all before it."""
        if self.is_delta:
            return iter((WHOLE,))
        return file_segments(self.source.path, 0, parts, lambda text: line_seam(text, _ordinary), by_line=True)


def _ordinary(line: bytes) -> Said | None:
    """Return what a line says that is a frame with nothing odd about it."""
    try:
        frame = parse_line(line.rstrip(b"\r"))
    except LineError:
        return None
    return None if frame.time_ns is None or frame.notes else (frame.time_ns, frame.time_ns, frame.bus)


def text_blocks(stream: ByteStream) -> Iterator[bytes]:
    """Yield blocks of whole lines.

    Every block ends with LF, but for the last where the file does not. A line longer than ``LINE_LIMIT`` comes as its first 100 bytes
    and a byte 0xFF.
    """
    rest: list[bytes] = []
    size = 0
    for chunk in stream:
        cut = chunk.rfind(b"\n") + 1
        if cut:
            first = chunk.find(b"\n")
            is_overlong = size + first > LINE_LIMIT
            yield b"".join((b"".join((*rest, chunk[:first]))[:100], b"\xff", chunk[first:cut]) if is_overlong else (*rest, chunk[:cut]))
            rest, size = [], 0
        if cut < len(chunk):
            rest.append(chunk[cut:])
            size += len(chunk) - cut
            if size > LINE_LIMIT:
                rest = [b"".join(rest)[:100]]
    if rest:
        line = b"".join(rest)
        yield line[:100] + b"\xff" if size > LINE_LIMIT else line


def head_frames(head: bytes) -> list[LineFrame]:
    """Return the frames among the first lines of a log, at most ``_HEAD_LINES`` of them looked at."""
    frames = []
    for line in islice((line for line in head.split(b"\n") if line.strip()), _HEAD_LINES):
        try:
            frames.append(parse_line(line.rstrip(b"\r")))
        except LineError:
            continue
    return frames


def _are_deltas(frames: list[LineFrame]) -> bool:
    """Tell whether times are each since the line before: then a quarter of them or more do not rise, in a capture next to none."""
    times = [frame.time_ns for frame in frames if frame.time_ns is not None]
    falls = sum(later <= earlier for earlier, later in pairwise(times))
    return len(times) > 2 and any(times) and 4 * falls >= len(times) - 1


class _Body:
    """Turns blocks of lines into frames; carries the time of the last frame from block to block."""

    def __init__(self, builder: FrameBuilder, *, is_delta: bool, line: int = 1) -> None:
        self._builder = builder
        self._is_delta = is_delta
        self._last_ns = 0
        self._line = line

    def take(self, block: bytes) -> None:
        """Take the next block of lines."""
        first = self._line
        is_cut = not block.endswith(b"\n")
        lines = read_common(block + b"\n" if is_cut else block, with_common=not self._is_delta)
        self._line += len(lines.begin)
        others = self._others(first, block, lines)
        if is_cut and block.strip():
            text = "the last line has no line end; what stands behind it may be missing"
            self._builder.complain(CUT_NOTE, text, first + len(lines.begin) - 1)
        common = lines.common
        self._number_buses(common, others)
        if common is None:
            columns = self._single(first, others)
        else:
            columns = self._many(first, common)
            if others:
                columns = _merged(columns, self._single(first, others), common.line, np.array([number for number, _ in others], np.int64))
        if len(columns):
            self._builder.add_frames(self._timed(columns) if others else columns)
            self._last_ns = int(columns.time[-1])

    def _others(self, first: int, block: bytes, lines: Lines) -> list[tuple[int, LineFrame]]:
        """Return the frames of the lines that are not common, each with the number of its line in the block."""
        is_other = np.ones(len(lines.begin), np.bool_)
        if lines.common is not None:
            is_other[lines.common.line] = False
        frames = []
        others = np.flatnonzero(is_other)
        for number, begin, end in zip(others.tolist(), lines.begin[others].tolist(), lines.end[others].tolist(), strict=True):
            line = block[begin:end].rstrip(b"\r")
            if not line.strip():
                continue
            try:
                frame = self._summed(parse_line(line)) if self._is_delta else parse_line(line)
            except LineError as error:
                self._builder.complain(error.kind, str(error), first + number)
                continue
            for kind, text in frame.notes:
                self._builder.complain(kind, text, first + number)
            frames.append((number, frame))
        return frames

    def _summed(self, frame: LineFrame) -> LineFrame:
        if frame.time_ns is None:
            return frame
        if self._last_ns + frame.time_ns >= NS_LIMIT:
            raise LineError(DAMAGED, "the sum of the times is beyond what can be held")
        self._last_ns += frame.time_ns
        return replace(frame, time_ns=self._last_ns)

    def _number_buses(self, common: CommonRows | None, others: list[tuple[int, LineFrame]]) -> None:
        """Number the buses in order of appearance."""
        line_of: dict[str, int] = {}
        for number, frame in others:
            line_of.setdefault(frame.bus, number)
        if common is not None:
            for index, name in enumerate(common.names):
                line = int(common.line[np.argmax(common.bus == index)])
                line_of[name] = min(line_of.get(name, line), line)
        for name in sorted(line_of, key=line_of.__getitem__):
            self._builder.bus_number(name)

    def _single(self, first: int, others: list[tuple[int, LineFrame]]) -> FrameColumns:
        frames = []
        for number, said in others:
            time_ns = _NO_TIME if said.time_ns is None else said.time_ns
            frames.append((Frame(time_ns, said.id, said.data, said.extended, said.flags, said.bus), number + first))
        return columns_of(frames, self._builder)

    def _many(self, first: int, common: CommonRows) -> FrameColumns:
        bus = np.array([self._builder.bus_number(name) for name in common.names], np.uint64)[common.bus]
        data = common.word.astype("<u8", copy=False).view(np.uint8)
        if not (common.length == 8).all():
            data = data[(np.arange(8) < common.length[:, np.newaxis]).ravel()]
        return FrameColumns(
            time=common.time,
            key=frame_keys(bus, common.is_extended, common.id),
            flags=np.where(common.is_sent, np.uint16(Flag.SENT_HERE), np.uint16(0)),
            place=common.line + first,
            length=common.length,
            data=data,
        )

    def _timed(self, columns: FrameColumns) -> FrameColumns:
        """Give frames without a time that of the frame before."""
        is_timed = columns.time != _NO_TIME
        if is_timed.all():
            return columns
        source = np.maximum.accumulate(np.where(is_timed, np.arange(len(columns)), -1))
        columns.time[:] = np.where(source < 0, self._last_ns, columns.time[source])
        return columns


def _merged(many: FrameColumns, single: FrameColumns, many_line: NDArray[np.int64], single_line: NDArray[np.int64]) -> FrameColumns:
    """Put the frames of two kinds of line together in the order of their lines."""
    is_single = np.zeros(len(many) + len(single), np.bool_)
    is_single[np.searchsorted(many_line, single_line) + np.arange(len(single))] = True

    def joined(name: str) -> NDArray[Any]:
        first, second = getattr(many, name), getattr(single, name)
        both = np.empty(len(is_single), first.dtype)
        both[~is_single], both[is_single] = first, second
        return both

    parts = {item.name: joined(item.name) for item in fields(FrameColumns)[:-1]}
    of_single = np.repeat(is_single, parts["length"])
    data = np.empty(len(of_single), np.uint8)
    data[~of_single], data[of_single] = many.data, single.data
    return FrameColumns(**parts, data=data)


class CanLogWriter:
    r"""Writes the log form to an open text file, a line a frame, with six or more places of seconds as the time needs.

    >>> from io import StringIO
    >>> file = StringIO()
    >>> CanLogWriter(file).write(Frame(1_436_509_052_249_713_000, 0x12345678, b"\x11\x22", extended=True, bus="vcan0"))
    >>> file.getvalue()
    '(1436509052.249713) vcan0 12345678#1122\n'
    """

    def __init__(self, file: TextIO) -> None:
        self._file = file

    def write(self, frame: Frame) -> None:
        """Write one frame; EncodeError: the form cannot say it."""
        self._file.write(frame_line(frame))


def frame_line(frame: Frame) -> str:
    """Return the line of a log that says ``frame``; EncodeError: no bus could carry it, or its bus or time cannot be written."""
    try:
        check_frame(frame.id, extended=frame.extended, length=len(frame.data), flags=frame.flags)
    except ValueError as error:
        raise EncodeError(str(error)) from None
    if not is_name(frame.bus.encode("ascii", "replace")) or not 0 <= frame.time_ns < NS_LIMIT:
        raise EncodeError(f"bus {frame.bus!r} at {frame.time_ns} ns cannot be written: expected a name without blanks, a time from 1970 on")
    seconds, part = divmod(frame.time_ns, 1_000_000_000)
    places = f"{part:09d}" if part % 1000 else f"{part // 1000:06d}"
    number = f"{frame.id | ERROR_BIT:08X}" if frame.flags & Flag.ERROR else f"{frame.id:08X}" if frame.extended else f"{frame.id:03X}"
    if frame.flags & Flag.REMOTE:
        content = "R"
    elif frame.flags & Flag.FD:
        content = f"#{1 if frame.flags & Flag.RATE_SWITCH else 0}{frame.data.hex().upper()}"
    else:
        content = frame.data.hex().upper()
    return f"({seconds:010d}.{places}) {frame.bus} {number}#{content}{' T' if frame.flags & Flag.SENT_HERE else ''}\n"
