"""The transfer log (JSON Lines): our own text form of SMBus traffic, read here and written by whatever records.

The first line is a head, every other one a transfer or a tick; captures/README.md describes them. Places are line numbers.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TextIO

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import NO_BYTE, Batch, Flag
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.heard import ERRORS, Event, Tried, take
from regcheck.traffic.segments import Said, Segment, file_segments, line_seam
from regcheck.traffic.shapes import LONGEST, Transfer, ordinary_nack
from regcheck.traffic.source import Source
from regcheck.traffic.stream import line_blocks
from regcheck.traffic.times import format_seconds, parse_time

VERSION = 1
HEAD_KEY = "regcheck_transfers"
CLOCKS = ("capture", "epoch")
WORDS = {
    "no_start": Flag.NO_START,
    "partial_byte": Flag.PARTIAL_BYTE,
    "unknown_level": Flag.UNKNOWN_LEVEL,
    "glitch": Flag.GLITCH,
    "combined": Flag.COMBINED,
    "pec_by_adapter": Flag.PEC_BY_ADAPTER,
    "sent_here": Flag.SENT_HERE,
    "cut": Flag.CUT,
}
"""The words of ``flags``; that a stop is missing has a key of its own."""

_KEYS = frozenset({"time", "end", "parts", "nack", "stop", "flags", "bus", "error", "errno", "try"})
_EVENT_KEYS = frozenset({"time", "event", "bus"})
_TICK_KEYS = frozenset({"time", "tick"})


class _Number(str):
    """A number's own text, so that times stay exact."""

    __slots__ = ()


_decode = json.JSONDecoder(parse_float=_Number, parse_int=_Number, parse_constant=lambda word: word).decode


@dataclass(frozen=True, slots=True)
class TransferLogReader:
    """A transfer log whose head has been read; ``batches`` reads the transfers, from the start each time."""

    source: Source

    @classmethod
    def open(cls, source: Source) -> TransferLogReader:
        """Read the head; CaptureError: there is none, or it is of another version."""
        for _, lines in line_blocks(source.stream()):
            _check_head(lines[0], Place(source.file, line=1))
            return cls(source)
        raise CaptureError(Place(source.file), "the transfer log is empty")

    def batches(self) -> Iterator[Batch]:
        """Yield the transfers in batches; a head further down (a log continued) and time going backwards begin a new epoch."""
        builder = self.source.builder(by_line=True)
        stream = self.source.stream()
        last_ns: int | None = None
        if self.source.segment.start is not None:
            last_ns = self.source.segment.start.now_ns
        for first, lines in line_blocks(stream, self.source.first_line):
            for number, line in enumerate(lines, first):
                if number == 1 or not line.strip():
                    continue
                try:
                    record = _object(line)
                    if HEAD_KEY in record:
                        _check_head(line, Place(builder.file, line=number))
                        builder.new_epoch()
                        last_ns = None
                        continue
                    record_ns = _time(record, "time")
                    heard = _heard(record, record_ns)
                except ValueError as error:
                    builder.complain("damaged line", str(error), number)
                    continue
                known = _TICK_KEYS if heard is None else _EVENT_KEYS if isinstance(heard, Event) else _KEYS
                _check_keys(record, known, builder, number)
                if last_ns is not None and record_ns < last_ns:
                    text = (
                        f"time goes backwards, from {format_seconds(last_ns)} s to {format_seconds(record_ns)} s; a new stretch begins here"
                    )
                    builder.complain("time goes backwards", text, number)
                    builder.new_epoch()
                builder.advance(record_ns)
                last_ns = record_ns
                if heard is not None:
                    take(builder, heard, number)
            yield from builder.ready()
        if stream.damage:
            builder.complain("damaged gzip stream", stream.damage, 0)
        yield from builder.finish()

    def segments(self, parts: int) -> Iterator[Segment]:
        """Yield stretches that can be read apart, at most ``parts``."""
        return file_segments(self.source.path, 1, parts, lambda text: line_seam(text, _ordinary), by_line=True)


def _ordinary(line: bytes) -> Said | None:
    """Return what a line says that is a transfer with nothing odd about it."""
    try:
        record = _object(line)
        transfer = _transfer(record, _time(record, "time"))
    except ValueError:
        return None
    return (
        (transfer.time_ns, transfer.time_ns if transfer.end_ns is None else transfer.end_ns, transfer.bus)
        if record.keys() <= _KEYS - {"error", "errno", "try"}
        else None
    )


def _object(line: bytes) -> dict[str, Any]:
    try:
        record = _decode(line.decode("utf-8"))
    except UnicodeDecodeError:
        raise ValueError("the line is no text") from None
    except RecursionError:
        raise ValueError("the line is nested too deeply") from None
    except json.JSONDecodeError as error:
        found = error.msg.removesuffix(" at")
        raise ValueError(f"the line is no whole JSON object: {found} at column {error.colno}") from None
    if not isinstance(record, dict):
        raise ValueError("the line is no JSON object")
    return record


def _check_head(line: bytes, place: Place) -> None:
    hint = f'begin it with {{"{HEAD_KEY}": {VERSION}, "bus": "smbus", "clock": "epoch"}}'
    try:
        head = _object(line.removeprefix(b"\xef\xbb\xbf"))
    except ValueError as error:
        raise CaptureError(place, f"the transfer log has no head: {error}", hint) from None
    if head.get(HEAD_KEY) != str(VERSION):
        raise CaptureError(place, f"the transfer log is of version {head.get(HEAD_KEY, 'none')!s}; version {VERSION} can be read", hint)
    if head.get("bus", "smbus") != "smbus":
        raise CaptureError(place, f"the log is of bus {head['bus']!r}; expected 'smbus'", hint)
    if head.get("clock", "capture") not in CLOCKS:
        raise CaptureError(place, f"the log's clock is {head['clock']!r}; expected 'capture' or 'epoch'", hint)


def _check_keys(record: dict[str, Any], known: frozenset[str], builder: BatchBuilder, number: int) -> None:
    if not record.keys() <= known:
        strange = ", ".join(sorted(record.keys() - known))
        builder.complain("unknown key", f"unknown key: {strange}; expected {', '.join(sorted(known))}", number)


def _time(record: dict[str, Any], key: str) -> int:
    text = record.get(key)
    if not isinstance(text, _Number):
        raise ValueError(f"{key} is {text!r}; expected a number of seconds")
    return parse_time(text)


def _heard(record: dict[str, Any], time_ns: int) -> Transfer | Tried | Event | None:
    """Return what a line says, None for a tick."""
    if "tick" in record:
        return None
    if "event" in record:
        text = record["event"]
        if type(text) is not str or not text:
            raise ValueError(f"event is {text!r}; expected a few words")
        return Event(time_ns, text, _bus(record))
    transfer = _transfer(record, time_ns)
    if "error" not in record:
        return transfer
    word = record["error"]
    if not isinstance(word, str) or word not in ERRORS:
        raise ValueError(f"error is {word!r}; expected one of {', '.join(ERRORS)}")
    return Tried(transfer, word, str(record.get("errno", "")))


def _bus(record: dict[str, Any]) -> str:
    bus = record.get("bus", "")
    if type(bus) is not str:
        raise ValueError(f"bus is {bus!r}; expected a name")
    return bus


def _transfer(record: dict[str, Any], time_ns: int) -> Transfer:
    end_ns = _time(record, "end") if "end" in record else time_ns
    if end_ns < time_ns:
        raise ValueError("end lies before time")
    texts = record.get("parts")
    if not isinstance(texts, list) or not texts or not all(type(text) is str for text in texts):
        raise ValueError(f"parts is {texts!r}; expected a list of byte texts, one for each start")
    try:
        parts = tuple(map(bytes.fromhex, texts))
    except ValueError:
        raise ValueError(f"parts is {texts!r}; expected bytes as pairs of hexadecimal digits") from None
    length = sum(map(len, parts))
    if length > LONGEST:
        raise ValueError(f"the transfer has {length} bytes; at most {LONGEST} can be held")
    flags = Flag(0)
    if "flags" in record:
        words = record["flags"]
        if not isinstance(words, list) or not all(isinstance(word, str) and word in WORDS for word in words):
            raise ValueError(f"flags is {words!r}; expected a list of {', '.join(WORDS)}")
        for word in words:
            flags |= WORDS[word]
    if record.get("stop", True) not in (True, False):
        raise ValueError(f"stop is {record['stop']!r}; expected true or false")
    if not record.get("stop", True):
        flags |= Flag.NO_STOP
    return Transfer(time_ns, parts, end_ns, _nack(record, length), flags, _bus(record))


def _nack(record: dict[str, Any], length: int) -> int | None:
    if "nack" not in record:
        return None
    nack = record["nack"]
    if nack is None:
        return NO_BYTE
    if not isinstance(nack, _Number) or not nack.isdecimal() or int(nack) >= length:
        raise ValueError(f"nack is {nack}; expected the index of one of {length} bytes, or null where all were acknowledged")
    return int(nack)


class TransferLogWriter:
    """Writes a transfer log to an open text file, a line a transfer; transfers come in order of their start.

    ``clock`` is "capture" (times count from the recording's own zero) or "epoch" (from 1970-01-01 UTC); ``about`` are further keys of
    the head.
    """

    def __init__(self, file: TextIO, *, clock: str, about: Mapping[str, object] | None = None) -> None:
        self._file = file
        file.write(head_line(clock=clock, about=about))

    def write(self, transfer: Transfer) -> None:
        """Write one transfer."""
        self._file.write(transfer_line(transfer))

    def tick(self, time_ns: int) -> None:
        """Tell that nothing more has happened up to ``time_ns``."""
        self._file.write(tick_line(time_ns))


def head_line(*, clock: str, about: Mapping[str, object] | None = None) -> str:
    """Return the first line of a transfer log, as ``TransferLogWriter`` writes it."""
    if clock not in CLOCKS:
        raise ValueError(f"clock is {clock!r}; expected one of {CLOCKS}")
    return json.dumps({HEAD_KEY: VERSION, "bus": "smbus", "clock": clock} | dict(about or {})) + "\n"


def tick_line(time_ns: int) -> str:
    """Return the line that tells that nothing more has happened up to a time."""
    return f'{{"time": {format_seconds(time_ns)}, "tick": true}}\n'


def heard_line(heard: Transfer | Tried | Event) -> str:
    r"""Return the line that says what was heard.

    >>> heard_line(Tried(Transfer(5_000_000, (b"\x16\x09",), 6_000_000), "timeout", "ETIMEDOUT", 2)).rstrip()
    '{"time": 0.005000000, "end": 0.006000000, "parts": ["16 09"], "error": "timeout", "errno": "ETIMEDOUT", "try": 2}'
    """
    if isinstance(heard, Transfer):
        return transfer_line(heard)
    if isinstance(heard, Event):
        bus = f', "bus": {json.dumps(heard.bus)}' if heard.bus else ""
        return f'{{"time": {format_seconds(heard.time_ns)}, "event": {json.dumps(heard.text)}{bus}}}\n'
    words = f', "error": "{heard.error}"' if heard.error else ""
    words += f', "errno": "{heard.errno}"' if heard.errno else ""
    words += f', "try": {heard.attempt}' if heard.attempt > 1 else ""
    return f"{transfer_line(heard.transfer)[:-2]}{words}}}\n"


def transfer_line(transfer: Transfer) -> str:
    r"""Return the line of a transfer log that says ``transfer``.

    >>> transfer_line(Transfer(12_345_678_901, (b"\x16\x09", b"\x17\xd0\x39\x7e"), 12_346_012_345)).rstrip()
    '{"time": 12.345678901, "end": 12.346012345, "parts": ["16 09", "17 D0 39 7E"]}'
    """
    line = [f'"time": {format_seconds(transfer.time_ns)}']
    if transfer.end_ns is not None:
        line.append(f'"end": {format_seconds(transfer.end_ns)}')
    line.append('"parts": [' + ", ".join(f'"{part.hex(" ").upper()}"' for part in transfer.parts) + "]")
    refused = transfer.first_refused
    if refused != ordinary_nack(transfer.parts):
        line.append(f'"nack": {"null" if refused == NO_BYTE else refused}')
    if transfer.flags & Flag.NO_STOP:
        line.append('"stop": false')
    words = [word for word, flag in WORDS.items() if transfer.flags & flag]
    if words:
        line.append(f'"flags": {json.dumps(words)}')
    if transfer.bus:
        line.append(f'"bus": {json.dumps(transfer.bus)}')
    return "{" + ", ".join(line) + "}\n"
