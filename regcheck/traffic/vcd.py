"""Reads a value change dump (VCD, IEEE 1364-2001, clause 18) of clock and data as transfers, about a megabyte at a time.

Times count from the dump's own time 0. A level z reads as high, for an SMBus line has a pull-up (SMBus 3.1, clause 3; unless ``pull_up``
is false: then it is unknown, as x is). Places are byte offsets in the unpacked file. Other signals are checked for form and passed over.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.segments import Seam, SeamError, Segment, file_segments
from regcheck.traffic.source import Source
from regcheck.traffic.times import FS_PER_NS, round_ratio
from regcheck.traffic.vcd_header import Header, Signal, find_signals, parse_header
from regcheck.traffic.vcd_tokens import IdentifierTable, Tokenizer, Tokens
from regcheck.traffic.wires import HIGH, LOW, NO_LEVELS, SPIKE_NS, UNKNOWN, LevelRecord, Levels, Wires, idle_rows

_HEADER_LIMIT = 256 << 20
_TOKEN_LIMIT = 1 << 20
_BEGINS_PAIR = (b"b", b"B", b"r", b"R", b"s", b"S")  # a value whose code stands behind it


@dataclass(frozen=True, slots=True)
class VcdReader:
    """A dump whose declarations have been read; ``batches`` reads the value changes, from the start each time."""

    source: Source
    header: Header
    signals: tuple[Signal, Signal]
    pull_up: bool
    spike_ns: int

    @classmethod
    def open(cls, source: Source, names: tuple[str, str] | None, *, pull_up: bool = True, spike_ns: int = SPIKE_NS) -> VcdReader:
        """Read the declarations and find the two signals; CaptureError: they are not whole, or the signals are not there."""
        header = _read_header(source)
        return cls(source, header, find_signals(header, names, source.file), pull_up, spike_ns)

    def batches(self) -> Iterator[Batch]:
        """Yield the transfers in batches."""
        builder = self.source.builder()
        body = _Body(self, builder)
        for offset, text in self._pieces(builder):
            if text[-1] > 32 and body.is_cut_stamp(text):
                builder.complain("VCD cut short", "the file ends inside a time stamp; it is left out", offset)
            else:
                body.take(offset, text)
            yield from builder.ready()
        if self.source.segment.until is None:
            body.finish()
        else:
            body.pause()
        yield from builder.finish()

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches that can be read apart, at most ``parts``."""
        return file_segments(self.source.path, self.header.length, parts, self._seam, by_line=False)

    def _seam(self, text: bytes) -> Seam | None:
        """Return a seam of a window: the time stamp of a change that follows a stop."""
        record = LevelRecord()
        body = _Body(self, self.source.builder(), wires=record)
        body.take(0, text)
        levels = record.levels()
        if levels is None or any(batch.complained for batch in body.builder.finish()):
            return None
        places = levels.place[idle_rows(levels, self.spike_ns)]
        for place in places[np.argsort(np.abs(places - len(text) // 2), kind="stable")].tolist():
            at = text.rfind(b"\n#", 0, place) + 1
            line = text.rfind(b"\n", 0, max(at - 1, 0)) + 1
            if at and text[at + 1 : at + 2].isdigit() and text[line : line + 1] not in _BEGINS_PAIR:
                before = _Body(self, self.source.builder(), wires=LevelRecord())
                before.take(0, text[:at])
                if before.now_ns is not None:
                    return Seam(at, before.now_ns)
        return None

    def _pieces(self, builder: BatchBuilder) -> Iterator[tuple[int, bytes]]:
        """Yield stretches of the value changes that end between two tokens, each with the offset at which it begins."""
        stream = self.source.stream()
        skip = max(self.header.length - self.source.begin, 0)
        offset, rest = self.source.begin + skip, b""
        for chunk in stream:
            if skip:
                skip, chunk = max(0, skip - len(chunk)), chunk[skip:]
                if not chunk:
                    continue
            text = rest + chunk
            cut = max(text.rfind(b"\n"), text.rfind(b" "), text.rfind(b"\t")) + 1
            if cut:
                yield offset, text[:cut]
                offset += cut
            rest = text[cut:]
            if len(rest) > _TOKEN_LIMIT:
                builder.complain("VCD record too long", f"a record of more than {_TOKEN_LIMIT} bytes; it is left out", offset)
                offset, rest = offset + len(rest) - 1, b"\xff"
        if rest:
            yield offset, rest
        if stream.damage:
            builder.complain("damaged gzip stream", stream.damage, stream.damage_offset)


def _read_header(source: Source) -> Header:
    text = b""
    stream = source.stream()
    is_near = False
    for chunk in stream:
        text += chunk
        is_near = is_near or b"$enddefinitions" in text[-len(chunk) - 16 :]
        if is_near and (header := parse_header(text, source.file)) is not None:
            return header
        if len(text) > _HEADER_LIMIT:
            raise CaptureError(Place(source.file), f"the VCD's declarations are longer than {_HEADER_LIMIT >> 20} MiB")
    header = parse_header(text + b"\n", source.file)
    if header is None:
        raise CaptureError(
            Place(source.file, offset=len(text)), "the VCD ends inside its declarations: no $enddefinitions", "record it anew"
        )
    return header


@dataclass(frozen=True, slots=True, eq=False)
class _Changes:
    """Changes of the two signals: token, line (0 SCL, 1 SDA), level, and how many time stamps stand before it."""

    token: NDArray[np.int64]
    line: NDArray[np.uint8]
    level: NDArray[np.uint8]
    stamps: NDArray[np.int32]


class _Body:
    """The value changes: carries levels, time and half-read sections from one stretch to the next."""

    def __init__(self, reader: VcdReader, builder: BatchBuilder, *, wires: LevelRecord | None = None) -> None:
        self._reader = reader
        self.builder = builder
        self._wires = Wires(builder, spike_ns=reader.spike_ns) if wires is None else wires
        table = IdentifierTable(variable.code for variable in reader.header.variables)
        self._tokenizer = Tokenizer(table, reader.header.scale_fs, builder)
        self._levels = [UNKNOWN, UNKNOWN]
        self.now_ns: int | None = None
        self._carry = (0, b"")
        self._in_comment = False
        start = reader.source.segment.start
        if start is not None and isinstance(self._wires, Wires):
            self._levels, self.now_ns = [HIGH, HIGH], start.now_ns
            self._wires.resume()
        self._level_of = np.full(256, UNKNOWN, np.uint8)
        self._level_of[list(b"0")] = LOW
        self._level_of[list(b"1")] = HIGH
        self._level_of[list(b"zZ")] = HIGH if reader.pull_up else UNKNOWN

    def take(self, offset: int, text: bytes, *, is_last: bool = False) -> None:
        """Take the next stretch of whole tokens."""
        if self._carry[1]:
            offset, text = self._carry[0], self._carry[1] + text
        if self._in_comment or b"$comment" in text:
            text = self._without_comments(text)
        tokens, used = self._tokenizer.tokenize(text, offset, is_last=is_last)
        self._carry = (offset + used, text[used:])
        if tokens is not None:
            self._take_tokens(tokens)

    def is_cut_stamp(self, text: bytes) -> bool:
        """Tell whether the file's last token is a time stamp that can only be the front of a later one."""
        if self._in_comment or self._carry[1] or not text.startswith(b"#") or self.now_ns is None:
            return False
        digits = text[1:]
        return not digits or (digits.isdigit() and round_ratio(int(digits[:1000]), self._reader.header.scale_fs, FS_PER_NS) < self.now_ns)

    def finish(self) -> None:
        """Take what is left and end the last transfer."""
        if self._carry[1]:
            self.take(self._carry[0], b"", is_last=True)
        if self._in_comment:
            self.builder.complain("VCD cut short", "the file ends inside a $comment", self._carry[0])
        if self.now_ns is not None:
            self._wires.finish(self.now_ns)

    def pause(self) -> None:
        """End a stretch that another one follows; SeamError: not between two transfers."""
        if self._carry[1] or self._in_comment or self.now_ns is None or not self._wires.pause(self.now_ns):
            raise SeamError

    def _without_comments(self, text: bytes) -> bytes:
        """Blank out every $comment section; it may have begun in an earlier stretch or end in a later one."""
        kept = bytearray(text)
        at = 0
        while True:
            if not self._in_comment:
                at = _find_word(kept, b"$comment", at)
                if at < 0:
                    return bytes(kept)
            end = _find_word(kept, b"$end", at)
            self._in_comment = end < 0
            until = len(kept) if end < 0 else end + len(b"$end")
            kept[at:until] = b" " * (until - at)
            if end < 0:
                return bytes(kept)
            at = until

    def _take_tokens(self, tokens: Tokens) -> None:
        times, stamped = tokens.times_ns, tokens.stamped
        falls = np.flatnonzero(times[1:] < times[:-1]) + 1
        if len(times) and self.now_ns is not None and times[0] < self.now_ns:
            falls = np.concatenate((np.zeros(1, np.int64), falls))
        scl, sda = self._reader.signals
        index, line, values = tokens.changes_of(((scl.code, scl.bit), (sda.code, sda.bit)))
        is_plain = len(values) and values.max() == ord("1") and values.min() == ord("0")
        level = values - np.uint8(ord("0")) if is_plain else self._level_of[values]
        changes = _Changes(index, line, level, tokens.stamps_before()[index])
        at = 0
        for fall in [*falls.tolist(), None]:
            until = len(tokens.starts) if fall is None else int(stamped[fall])
            self._segment(tokens, changes, at, until)
            if fall is not None:
                offset = tokens.offset + int(tokens.starts[until])
                text = f"time goes backwards, from {self.now_ns} ns to {int(times[fall])} ns; a new stretch begins here"
                self.builder.complain("time goes backwards", text, offset)
                self._end_epoch()
                at = until

    def _end_epoch(self) -> None:
        if self.now_ns is not None:
            self._wires.finish(self.now_ns)
        self.builder.new_epoch()
        self.now_ns = None

    def _segment(self, tokens: Tokens, changes: _Changes, at: int, until: int) -> None:
        """Feed the wires with the changes of tokens ``at`` up to ``until``, in which time does not go backwards."""
        times, stamped = tokens.times_ns, tokens.stamped
        first, last = np.searchsorted(stamped, (at, until)).tolist()
        first_change, last_change = np.searchsorted(changes.token, (at, until)).tolist()
        index, line, level = (
            changes.token[first_change:last_change],
            changes.line[first_change:last_change],
            changes.level[first_change:last_change],
        )
        if self.now_ns is None:
            if first == last and not len(index):
                return
            is_stamped = first < last and not (len(index) and index[0] < stamped[first])
            self.now_ns = int(times[first]) if is_stamped else 0  # values before any time stamp hold from time 0
            self.builder.advance(self.now_ns)
        begin_ns = self.now_ns
        self.now_ns = int(times[last - 1]) if last > first else begin_ns
        levels = NO_LEVELS
        if len(index):
            known = np.concatenate((np.array([begin_ns], np.int64), times[first:last]))
            time = known[changes.stamps[first_change:last_change] - first]
            scl, sda = (_filled(line == which, level, self._levels[which]) for which in (0, 1))
            self._levels = [int(scl[-1]), int(sda[-1])]
            place = tokens.starts[index] + tokens.offset
            is_last = time[1:] != time[:-1]
            if is_last.all():
                levels = Levels(time, scl, sda, place)
            else:
                keep = np.append(np.flatnonzero(is_last), len(time) - 1)
                levels = Levels(time[keep], scl[keep], sda[keep], place[keep])
        self._wires.feed(levels, self.now_ns)


def _filled(is_own: NDArray[np.bool_], level: NDArray[np.uint8], first: int) -> NDArray[np.uint8]:
    """Return the level of one line after each change: its own latest one, ``first`` before any."""
    return np.concatenate((np.array([first], np.uint8), level[is_own]))[np.cumsum(is_own, dtype=np.intp)]


def _find_word(text: bytearray, word: bytes, at: int) -> int:
    """Return where ``word`` stands as a whole token from ``at`` on, or -1."""
    while (at := text.find(word, at)) >= 0:
        end = at + len(word)
        if (at == 0 or text[at - 1] <= 32) and (end == len(text) or text[end] <= 32):
            return at
        at = end
    return -1
