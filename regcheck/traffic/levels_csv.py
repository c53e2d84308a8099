"""Reads a plain CSV of levels (a line for each sample or change: time, clock, data) as transfers.

The first line that is no comment (``#``) may name the columns; ``time_s``, ``scl`` and ``sda`` are found by name, others are told, by
name or by number from 1. Separators are comma, semicolon or tab (with the latter two, a decimal comma is read). Levels are 0, 1, x, z.
Places are line numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.segments import Seam, SeamError, Segment, file_segments
from regcheck.traffic.source import Source
from regcheck.traffic.stream import line_blocks
from regcheck.traffic.times import format_seconds, parse_time
from regcheck.traffic.vcd_header import SCL_WORDS, SDA_WORDS
from regcheck.traffic.wires import HIGH, LOW, SPIKE_NS, UNKNOWN, LevelRecord, Levels, Wires, idle_rows

_POWERS = {"s": 9, "ms": 6, "us": 3, "µs": 3, "ns": 0}
_TIME_NAME = re.compile(r"(time|t|timestamp)[ _]*(?:[\[(]?(s|ms|us|µs|ns)[\])]?)?")
_NUMBER = re.compile(r"[+-]?[0-9.,]+(e[+-]?[0-9]+)?", re.IGNORECASE)
_HEAD_LINES = 100
_HEAD_BYTES = 1 << 12  # a file is not cut within so many bytes: its head may stand there
_REMEDY = "name the columns time_s, scl and sda, or tell them with --columns TIME,SCL,SDA (names, or numbers from 1)"


@dataclass(frozen=True, slots=True)
class LevelsCsvReader:
    """A CSV whose columns have been found; ``batches`` reads the levels, from the start each time."""

    source: Source
    separator: str
    columns: tuple[int, int, int]
    power: int  # the unit of the time column is 10**power ns
    head: int  # the number of the line that names the columns, 0 if none does
    pull_up: bool
    spike_ns: int

    @classmethod
    def open(
        cls, source: Source, columns: tuple[str, str, str] | None, *, pull_up: bool = True, spike_ns: int = SPIKE_NS
    ) -> LevelsCsvReader:
        """Find the columns; CaptureError: they are not there."""
        number, line = _first_line(source)
        place = Place(source.file, line=number)
        separator = next((mark for mark in "\t;," if mark in line), ",")
        cells = [_bare(cell) for cell in line.split(separator)]
        is_head = not _NUMBER.fullmatch(cells[0]) or any(cell.isidentifier() and cell.lower() not in ("x", "z") for cell in cells)
        names = [cell.lower() for cell in cells] if is_head else []
        if columns is None and not is_head:
            raise CaptureError(place, f"the CSV has no line that names its columns; it has {len(cells)} of them", _REMEDY)
        found = [_told(name, names, len(cells), place) for name in columns] if columns else _guessed(names, place)
        if len(set(found)) < 3:
            raise CaptureError(place, "time, SCL and SDA must stand in three columns", _REMEDY)
        unit = _TIME_NAME.fullmatch(names[found[0]]) if names else None
        power = _POWERS[unit[2] or "s"] if unit else _unit_at_end(names[found[0]] if names else "")
        return cls(source, separator, (found[0], found[1], found[2]), power, number if is_head else 0, pull_up, spike_ns)

    def batches(self) -> Iterator[Batch]:
        """Yield the transfers in batches."""
        builder = self.source.builder(by_line=True)
        body = _Body(self, builder, Wires(builder, spike_ns=self.spike_ns))
        stream = self.source.stream()
        for first, lines in line_blocks(stream, self.source.first_line):
            body.take(first, lines)
            yield from builder.ready()
        if self.source.segment.until is None:
            body.finish()
        else:
            body.pause()
        if stream.damage:
            builder.complain("damaged gzip stream", stream.damage, 0)
        yield from builder.finish()

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches that can be read apart, at most ``parts``."""
        return file_segments(self.source.path, _HEAD_BYTES, parts, self._seam, by_line=True)

    def _seam(self, text: bytes) -> Seam | None:
        """Return a seam of a window: the line of a change that follows a stop."""
        record, builder = LevelRecord(), self.source.builder(by_line=True)
        body = _Body(self, builder, record)
        lines = text.split(b"\n")[:-1]
        bare = [line.removesuffix(b"\r") for line in lines]
        body.take(self.head + 1, bare)
        levels = record.levels()
        if levels is None or any(batch.complained for batch in builder.finish()):
            return None
        numbers = levels.place[idle_rows(levels, self.spike_ns)] - self.head - 1
        for number in numbers[np.argsort(np.abs(numbers - len(lines) // 2), kind="stable")].tolist():
            before = _Body(self, self.source.builder(by_line=True), LevelRecord())
            before.take(self.head + 1, bare[:number])
            if before.now_ns is not None:
                return Seam(sum(map(len, lines[:number])) + number, before.now_ns)
        return None


def _first_line(source: Source) -> tuple[int, str]:
    for first, lines in line_blocks(source.stream()):
        for number, line in enumerate(lines, first):
            text = line.decode("utf-8-sig" if number == 1 else "utf-8", "replace").strip()
            if text and not text.startswith("#"):
                return number, text
    raise CaptureError(Place(source.file), "the CSV holds no line of levels", _REMEDY)


def _bare(cell: str) -> str:
    return cell.strip(' \t"')


def _told(name: str, names: list[str], count: int, place: Place) -> int:
    if name.lower() in names:
        return names.index(name.lower())
    if name.isdecimal() and 1 <= int(name) <= count:
        return int(name) - 1
    listed = ", ".join(names) if names else f"1 to {count}"
    raise CaptureError(place, f"the CSV has no column {name!r}; its columns are {listed}", _REMEDY)


def _guessed(names: list[str], place: Place) -> list[int]:
    wanted = (
        ("time", [i for i, name in enumerate(names) if _TIME_NAME.fullmatch(name)]),
        ("SCL", [i for i, name in enumerate(names) if name in SCL_WORDS]),
        ("SDA", [i for i, name in enumerate(names) if name in SDA_WORDS]),
    )
    for what, found in wanted:
        if len(found) != 1:
            text = f"the CSV has {'several columns' if found else 'no column'} for {what}; its columns are {', '.join(names)}"
            raise CaptureError(place, text, _REMEDY)
    return [found[0] for _, found in wanted]


def _unit_at_end(name: str) -> int:
    unit = re.search(r"[ _\[(](s|ms|us|µs|ns)[\])]?$", name)
    return _POWERS[unit[1]] if unit else 9


class _Body:
    """The lines of levels: carries the levels and the time from one block of lines to the next."""

    def __init__(self, reader: LevelsCsvReader, builder: BatchBuilder, wires: Wires | LevelRecord) -> None:
        self._reader = reader
        self._builder = builder
        self._wires = wires
        self.now_ns: int | None = None
        released = HIGH if reader.pull_up else UNKNOWN
        self._level_of = {"0": LOW, "1": HIGH, "x": UNKNOWN, "X": UNKNOWN, "z": released, "Z": released}
        self._last = (-1, -1)
        self._rows: list[tuple[int, int, int, int]] = []
        start = reader.source.segment.start
        if start is not None and isinstance(wires, Wires):
            self._last, self.now_ns = (HIGH, HIGH), start.now_ns
            wires.resume()

    def take(self, first: int, lines: list[bytes]) -> None:
        """Take a block of lines."""
        reader = self._reader
        for number, line in enumerate(lines, first):
            if number <= reader.head or not line.strip() or line.startswith(b"#"):
                continue
            try:
                time_ns, scl, sda = self._parse(line)
            except ValueError as error:
                self._builder.complain("damaged line", str(error), number)
                continue
            if self.now_ns is not None and time_ns < self.now_ns:
                text = (
                    f"time goes backwards, from {format_seconds(self.now_ns)} s to {format_seconds(time_ns)} s; a new stretch begins here"
                )
                self._builder.complain("time goes backwards", text, number)
                self.finish()
                self._builder.new_epoch()
                self._last = (-1, -1)
            if (scl, sda) != self._last:
                if self._rows and self._rows[-1][0] == time_ns:
                    self._rows.pop()
                self._rows.append((time_ns, scl, sda, number))
                self._last = (scl, sda)
            if self.now_ns is None:
                self._builder.advance(time_ns)
            self.now_ns = time_ns
        self._feed()

    def finish(self) -> None:
        """End the capture, or an epoch of it."""
        self._feed()
        if self.now_ns is not None:
            self._wires.finish(self.now_ns)
        self.now_ns = None

    def pause(self) -> None:
        """End a stretch that another one follows; SeamError: not between two transfers."""
        self._feed()
        if self.now_ns is None or not self._wires.pause(self.now_ns):
            raise SeamError

    def _feed(self) -> None:
        if self.now_ns is None:
            return
        table = np.array(self._rows, np.int64).reshape(-1, 4)
        levels = Levels(table[:, 0].copy(), table[:, 1].astype(np.uint8), table[:, 2].astype(np.uint8), table[:, 3].copy())
        self._rows = []
        self._wires.feed(levels, self.now_ns)

    def _parse(self, line: bytes) -> tuple[int, int, int]:
        reader = self._reader
        try:
            cells = line.decode("utf-8-sig").split(reader.separator)
        except UnicodeDecodeError:
            raise ValueError("the line is no text") from None
        time_at, scl_at, sda_at = reader.columns
        if len(cells) <= max(reader.columns):
            raise ValueError(f"the line has {len(cells)} columns; expected at least {max(reader.columns) + 1}")
        time = _bare(cells[time_at])
        time_ns = parse_time(time.replace(",", ".") if reader.separator != "," else time, reader.power)
        scl, sda = (self._level_of.get(_bare(cells[at])) for at in (scl_at, sda_at))
        if scl is None or sda is None:
            raise ValueError(f"levels are {_bare(cells[scl_at])[:20]!r} and {_bare(cells[sda_at])[:20]!r}; expected 0, 1, x or z")
        return time_ns, scl, sda
