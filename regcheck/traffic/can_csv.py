"""Reads a plain CSV of CAN frames, a line a frame; the columns are found by their names or told.

The first line that is no comment (``#``) may name the columns. A time, an id and the data (one column, or ``data0``, ``data1`` ...) must
be there; ``COLUMN_WORDS`` has the others. Ids and data are hexadecimal. Places are line numbers.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.can_log import CUT_NOTE, text_blocks
from regcheck.traffic.can_log_lines import parse_stamp
from regcheck.traffic.frames import CLASSIC_LENGTH, FD_LENGTHS, RAW_DLC_NOTE, Frame, FrameBuilder, check_frame
from regcheck.traffic.segments import Said, Segment, file_segments, line_seam
from regcheck.traffic.source import Source
from regcheck.traffic.stream import line_blocks
from regcheck.traffic.times import parse_time

COLUMN_WORDS: dict[str, tuple[str, ...]] = {
    "time": ("time", "timestamp", "t"),
    "id": ("id", "can_id", "canid", "arbitration_id", "identifier", "frame_id", "message_id"),
    "data": ("data", "payload", "data_bytes", "databytes", "bytes"),
    "bus": ("bus", "channel", "interface", "can_bus"),
    "extended": ("extended", "ext", "ide", "is_extended", "is_extended_id"),
    "length": ("length", "len", "dlc", "data_length", "datalength"),
    "fd": ("fd", "edl", "is_fd"),
    "rate_switch": ("brs", "rate_switch", "bitrate_switch"),
    "remote": ("remote", "rtr", "is_remote", "is_remote_frame"),
    "error": ("error", "is_error", "is_error_frame"),
    "direction": ("direction", "dir"),
}
"""What a column holds, as it is told, and the names by which it is found."""

_UNITS = {"s": 9, "ms": 6, "us": 3, "µs": 3, "ns": 0}
_UNIT = re.compile(r"(.*?)[ _]*[\[(_ ](s|ms|us|µs|ns|hex)[\])]?")
_ID = re.compile(r"(?:0[xX])?([0-9A-Fa-f]{1,8})([xXhH]?)", re.ASCII)
_DATA_COLUMN = re.compile(r"(?:data|d|b|byte|data_byte)[ _\[]*(\d{1,2})\]?")
_NUMBER = re.compile(r"[+-]?[0-9.,]+(e[+-]?[0-9]+)?", re.IGNORECASE)
_YES, _NO = ("1", "true", "yes", "y", "x", "ext", "t"), ("", "0", "false", "no", "n", "std", "f", "-")
_SENT, _RECEIVED = ("tx", "t", "sent", "out"), ("rx", "r", "received", "in", "")
_HEAD_BYTES = 1 << 12  # a file is not cut within so many bytes: its head may stand there
_REMEDY = "name the columns time_s, id and data, or tell them with --columns time=NAME,id=NAME,data=NAME (names, or numbers from 1)"


@dataclass(frozen=True, slots=True)
class CanCsvReader:
    """A CSV whose columns have been found; ``batches`` reads the frames, from the start each time."""

    source: Source
    separator: str
    columns: Mapping[str, int]
    bytes_at: tuple[int, ...]  # the columns of single bytes, in order; none where there is a column of all
    power: int  # the unit of the time column is 10**power ns
    head: int  # the number of the line that names the columns, 0 if none does

    @classmethod
    def open(cls, source: Source, told: Mapping[str, str] | None = None) -> CanCsvReader:
        """Find the columns; CaptureError: they are not there, or told by a word that is no key of ``COLUMN_WORDS``."""
        number, line = _first_line(source)
        place = Place(source.file, line=number)
        separator = next((mark for mark in "\t;," if mark in line), ",")
        cells = [cell.strip().strip('"').strip().lower() for cell in line.split(separator)]
        names = [] if _NUMBER.fullmatch(cells[0]) or cells[0][:4].isdecimal() else cells
        found, bytes_at = _guessed(names)
        if told:
            strange = [what for what in told if what not in COLUMN_WORDS]
            if strange:
                raise CaptureError(place, f"there is no column {strange[0]!r} to tell; expected {', '.join(COLUMN_WORDS)}", _REMEDY)
            found |= {what: _told(name, names, len(cells), place) for what, name in told.items()}
            if "data" in told:
                bytes_at = ()
        for what in ("time", "id", "data"):
            if what not in found and not (what == "data" and bytes_at):
                listed = f"its columns are {', '.join(names)}" if names else f"it has {len(cells)} columns without names"
                raise CaptureError(place, f"the CSV has no column for {what}; {listed}", _REMEDY)
        unit = _UNIT.fullmatch(names[found["time"]]) if names else None
        power = _UNITS.get(unit[2], 9) if unit else 9
        return cls(source, separator, found, bytes_at, power, number if names else 0)

    def batches(self) -> Iterator[Batch]:
        """Yield the frames in batches."""
        builder = FrameBuilder(self.source.file, self.source.number, self.source.batch_size, by_line=True)
        builder.resume(self.source.segment.start)
        stream = self.source.stream()
        number = self.source.first_line - 1
        for block in text_blocks(stream):
            for number, line in enumerate(block.removesuffix(b"\n").split(b"\n"), number + 1):  # noqa: B020 (counts on from block to block)
                if number <= self.head or not line.strip() or line.startswith(b"#"):
                    continue
                try:
                    frame, note = self._frame(line)
                except ValueError as error:
                    builder.complain("damaged line", str(error), number)
                    continue
                if note:
                    builder.complain(RAW_DLC_NOTE, note, number)
                builder.add_frame(frame, number)
            if not block.endswith(b"\n"):
                builder.complain(CUT_NOTE, "the last line has no line end; what stands behind it may be missing", number)
            yield from builder.ready()
        if stream.damage:
            builder.complain("damaged gzip stream", stream.damage, 0)
        yield from builder.finish()

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches that can be read apart, at most ``parts``."""
        return file_segments(self.source.path, _HEAD_BYTES, parts, lambda text: line_seam(text, self._ordinary), by_line=True)

    def _ordinary(self, line: bytes) -> Said | None:
        try:
            frame, note = self._frame(line)
        except ValueError:
            return None
        return None if note or line.startswith(b"#") else (frame.time_ns, frame.time_ns, frame.bus)

    def _frame(self, line: bytes) -> tuple[Frame, str]:
        try:
            cells = [cell.strip().strip('"').strip() for cell in line.decode("utf-8-sig").split(self.separator)]
        except UnicodeDecodeError:
            raise ValueError("the line is no text") from None
        needed = max(self.columns[what] for what in ("time", "id", "data", "length") if what in self.columns)
        if self.bytes_at and "length" not in self.columns:
            needed = max(needed, *self.bytes_at)
        if len(cells) <= needed:
            raise ValueError(f"the line has {len(cells)} columns; expected at least {needed + 1}")
        given = {what: cells[at] if at < len(cells) else "" for what, at in self.columns.items()}
        number, extended = _id(given["id"], given.get("extended"))
        flags = Flag(0)
        for what, flag in (("fd", Flag.FD), ("rate_switch", Flag.RATE_SWITCH), ("remote", Flag.REMOTE), ("error", Flag.ERROR)):
            if _is_set(given.get(what, ""), what):
                flags |= flag
        if given.get("direction", "").lower() in _SENT:
            flags |= Flag.SENT_HERE
        elif given.get("direction", "").lower() not in _RECEIVED:
            raise ValueError(f"direction is {given['direction'][:20]!r}; expected Rx or Tx")
        data = b"" if flags & Flag.REMOTE else self._data(cells)
        if len(data) > CLASSIC_LENGTH and "fd" not in self.columns:
            flags |= Flag.FD
        check_frame(number, extended=extended, length=len(data), flags=flags)
        note = _check_length(given.get("length", ""), len(data), flags)
        return Frame(self._time(given["time"]), number, data, extended, flags, given.get("bus", "")), note

    def _time(self, text: str) -> int:
        text = text.replace(",", ".") if self.separator != "," else text
        return parse_stamp(text) if "-" in text[1:] and ":" in text else parse_time(text, self.power)

    def _data(self, cells: list[str]) -> bytes:
        if not self.bytes_at:
            text = cells[self.columns["data"]]
            pairs = text[2:] if text[:2] in ("0x", "0X") else re.sub("[ .:-]", "", text)
        else:
            items = [cells[at] if at < len(cells) else "" for at in self.bytes_at]
            while items and not items[-1]:
                items.pop()
            pairs = "".join(item.removeprefix("0x").rjust(2, "0") if item else "?" for item in items)
        if not re.fullmatch(r"(?:[0-9A-Fa-f]{2})*", pairs, re.ASCII):
            raise ValueError(f"data {pairs[:40]!r} are no pairs of hexadecimal digits")
        return bytes.fromhex(pairs)


def looks_like_frames(line: str) -> bool:
    """Tell whether a line names the columns of a CSV of CAN frames."""
    separator = next((mark for mark in "\t;," if mark in line), ",")
    found, bytes_at = _guessed([cell.strip().strip('"').strip().lower() for cell in line.split(separator)])
    return {"time", "id"} <= found.keys() and ("data" in found or bool(bytes_at))


def _first_line(source: Source) -> tuple[int, str]:
    for first, lines in line_blocks(source.stream()):
        for number, line in enumerate(lines, first):
            text = line.decode("utf-8-sig" if number == 1 else "utf-8", "replace").strip()
            if text and not text.startswith("#"):
                return number, text
    raise CaptureError(Place(source.file), "the CSV holds no line of frames", _REMEDY)


def _guessed(names: list[str]) -> tuple[dict[str, int], tuple[int, ...]]:
    bare = [match[1] if (match := _UNIT.fullmatch(name)) else name.replace(" ", "_") for name in names]
    found = {}
    for what, words in COLUMN_WORDS.items():
        at = [index for index, name in enumerate(bare) if name in words]
        if len(at) == 1:
            found[what] = at[0]
    numbered = [(int(match[1]), index) for index, name in enumerate(names) if (match := _DATA_COLUMN.fullmatch(name))]
    return found, () if "data" in found else tuple(index for _, index in sorted(numbered))


def _told(name: str, names: list[str], count: int, place: Place) -> int:
    if name.lower() in names:
        return names.index(name.lower())
    if name.isdecimal() and 1 <= int(name) <= count:
        return int(name) - 1
    raise CaptureError(place, f"the CSV has no column {name!r}; its columns are {', '.join(names) if names else f'1 to {count}'}", _REMEDY)


def _id(text: str, mark: str | None) -> tuple[int, bool]:
    """Return the id and whether it has 29 bits: by the column that says so, a closing x, else by its digits (eight: 29, three: 11)."""
    match = _ID.fullmatch(text)
    if match is None:
        raise ValueError(f"id {text[:20]!r} is no hexadecimal number")
    number = int(match[1], 16)
    if mark is not None:
        return number, _is_set(mark, "extended")
    if match[2] in ("x", "X"):
        return number, True
    if len(match[1]) not in (1, 2, 3, 8):
        raise ValueError(f"id {text[:20]!r} may have 11 or 29 bits; write 29-bit ids with eight digits, or give a column 'extended'")
    return number, len(match[1]) == 8


def _is_set(text: str, what: str) -> bool:
    if text.lower() not in _YES + _NO:
        raise ValueError(f"{what} is {text[:20]!r}; expected 1 or 0, true or false")
    return text.lower() in _YES


def _check_length(text: str, length: int, flags: Flag) -> str:
    """Compare the length, or DLC, that a line says with its data; return what is odd ("": nothing)."""
    if not text or flags & (Flag.REMOTE | Flag.ERROR):
        return ""
    if not text.isdecimal():
        raise ValueError(f"length is {text[:20]!r}; expected a number")
    said = int(text)
    if said == length or (flags & Flag.FD and said < len(FD_LENGTHS) and FD_LENGTHS[said] == length):
        return ""
    if not flags & Flag.FD and CLASSIC_LENGTH < said <= 15 and length == CLASSIC_LENGTH:
        return f"DLC {said} of a classic frame; it stands for {CLASSIC_LENGTH} bytes"
    raise ValueError(f"the line says {said} bytes and has {length}")
