"""One line of the SocketCAN text log, in any of its forms: the log form and the view form (captures/README.md)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from regcheck.traffic.batch import Flag
from regcheck.traffic.frames import CLASSIC_LENGTH, RAW_DLC_NOTE, check_frame
from regcheck.traffic.times import NS_LIMIT, parse_time

NO_FRAME, DAMAGED, NO_LENGTH = "line that is no frame", "damaged frame", "impossible length"
UNTIMED_NOTE = "line without a time"

ERROR_BIT = 0x2000_0000
"""CAN_ERR_FLAG of the Linux kernel (linux/can.h)."""
_ID_MASK = 0x1FFF_FFFF
_RATE_SWITCH, _FD_RATE = 1, Flag.FD | Flag.RATE_SWITCH

_HEAD = r"\s*(?:\((?P<time>[^()]*)\)\s+)?(?P<bus>[!-~]+)\s+"
_LOG = re.compile(_HEAD + r"(?P<id>[0-9A-Fa-f]+)#(?P<rest>\S*)(?:\s+(?P<way>[RT]))?\s*", re.ASCII)
_VIEW = re.compile(
    _HEAD
    + r"(?:(?P<way>[RT]X)\s+(?P<rate>[-B])\s+[-E]\s+)?(?P<id>[0-9A-Fa-f]+)\s+"
    + r"(?:\[(?P<length>\d+)\]|\{(?P<code>[9A-Fa-f])\})(?P<rest>.*)",
    re.ASCII,
)
_REMOTE = re.compile(r"[Rr](?P<length>[0-8])?(?:_(?P<code>[9A-Fa-f]))?")
_DATA = re.compile(r"(?P<data>(?:[0-9A-Fa-f]{2}\.?)*)(?:_(?P<code>[9A-Fa-f]))?")
_BYTE = r"(?:[01]{8}|[0-9A-Fa-f]{2})(?![^ `])"  # binary, or hexadecimal
_VIEWED = re.compile(rf"\s*(?P<data>{_BYTE}(?:[ `]{_BYTE})*)?\s*(?P<rest>.*)", re.ASCII)  # ` stands between bytes in reversed order
_DATE = re.compile(r"(\d{4})-(\d\d)-(\d\d)[ T](\d\d):(\d\d):(\d\d(?:\.\d+)?)(?:Z|[+-]00:?00)?", re.ASCII)
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")


class LineError(ValueError):
    """A line that gives no frame; ``kind`` is what it is counted by."""

    def __init__(self, kind: str, text: str) -> None:
        self.kind = kind
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class LineFrame:
    """What one line says. ``time_ns`` None: it has no time. ``notes`` are kinds and texts of what is odd but can be read."""

    time_ns: int | None
    bus: str
    id: int
    extended: bool
    flags: Flag
    data: bytes
    notes: tuple[tuple[str, str], ...] = ()


def parse_line(line: bytes) -> LineFrame:
    """Return the frame of one line; LineError: it is none.

    >>> parse_line(b"(1436509052.249713) vcan0 123#1122").data.hex()
    '1122'
    >>> parse_line(b"  vcan0  123   [2]  11 22").time_ns is None
    True
    """
    try:
        text = line.decode("ascii")
    except UnicodeDecodeError:
        raise LineError(NO_FRAME, "the line is no ASCII text") from None
    if "\x1b" in text:
        text = _COLOUR.sub("", text)
    if match := _LOG.fullmatch(text):
        return _log_form(match)
    if match := _VIEW.fullmatch(text):
        return _view_form(match)
    raise LineError(NO_FRAME, f"{text.strip()[:40]!r} is no frame; expected '(time) bus id#data' or '(time) bus id [length] bytes'")


def _log_form(match: re.Match[str]) -> LineFrame:
    number, extended, flags = _id(match["id"])
    if match["way"] == "T":
        flags |= Flag.SENT_HERE
    rest = match["rest"]
    code = None
    if rest[:1] in ("R", "r"):
        remote = _REMOTE.fullmatch(rest)
        if remote is None or flags & Flag.ERROR:
            raise LineError(DAMAGED, f"{rest[:40]!r} is no remote frame; expected R and a digit 0 to 8")
        code = remote["code"]
        return _checked(match, number, extended, flags | Flag.REMOTE, b"", code)
    if rest.startswith("#"):
        if not re.fullmatch(r"#[0-9A-Fa-f]", rest[:2]):
            raise LineError(DAMAGED, f"{rest[:40]!r} has no digit of FD flags behind ##")
        flags |= _FD_RATE if int(rest[1], 16) & _RATE_SWITCH else Flag.FD
        rest = rest[2:]
    data = _DATA.fullmatch(rest)
    if data is None:
        raise LineError(DAMAGED, f"data {rest[:40]!r} are no pairs of hexadecimal digits")
    return _checked(match, number, extended, flags, bytes.fromhex(data["data"].replace(".", "")), data["code"])


def _view_form(match: re.Match[str]) -> LineFrame:
    number, extended, flags = _id(match["id"])
    if match["way"] == "TX":
        flags |= Flag.SENT_HERE
    length = CLASSIC_LENGTH if match["length"] is None else int(match["length"])
    if match["length"] is not None and len(match["length"]) > 1:
        flags |= _FD_RATE if match["rate"] == "B" else Flag.FD
    found = _VIEWED.fullmatch(match["rest"])
    tail = "" if found is None else found["rest"].strip()
    digits = "" if found is None else found["data"] or ""
    if tail == "remote request" and not digits:
        return _checked(match, number, extended, flags | Flag.REMOTE, b"", match["code"])
    if not flags & Flag.FD and match["length"] == "9":
        raise LineError(NO_LENGTH, "a classic frame of 9 bytes; it holds at most 8")
    if flags & Flag.ERROR and tail.startswith("ERRORFRAME"):
        tail = ""
    items = re.split("[ `]", digits) if digits else []
    is_ascii_column = tail.startswith("'") and tail.endswith("'") and len(tail) > 1
    if len(items) != length or (tail and not is_ascii_column):
        raise LineError(DAMAGED, f"the line says {length} bytes and has {len(items)}" + (f", then {tail[:20]!r}" if tail else ""))
    data = bytes(int(item, 2) if len(item) == 8 else int(item, 16) for item in items)
    return _checked(match, number, extended, flags, data[::-1] if "`" in digits else data, match["code"])


def _id(digits: str) -> tuple[int, bool, Flag]:
    number = int(digits, 16) if len(digits) in (3, 8) else -1
    if len(digits) == 8 and number & ERROR_BIT and number < 2 * ERROR_BIT:
        return number & _ID_MASK, True, Flag.ERROR
    if number < 0 or number > _ID_MASK or (len(digits) == 3 and number > 0x7FF):
        raise LineError(DAMAGED, f"id {digits[:20]} is none; expected three digits up to 7FF or eight up to 1FFFFFFF")
    return number, len(digits) == 8, Flag(0)


def _checked(match: re.Match[str], number: int, extended: bool, flags: Flag, data: bytes, code: str | None) -> LineFrame:
    try:
        check_frame(number, extended=extended, length=len(data), flags=flags)
    except ValueError as error:
        raise LineError(NO_LENGTH, str(error)) from None
    notes: tuple[tuple[str, str], ...] = ()
    if code is not None:
        if flags & Flag.FD or (len(data) != CLASSIC_LENGTH and not flags & Flag.REMOTE):
            raise LineError(NO_LENGTH, f"a DLC of {int(code, 16)} stands beside {len(data)} bytes; only a classic frame of 8 can have it")
        notes = ((RAW_DLC_NOTE, f"DLC {int(code, 16)} of a classic frame; it stands for 8 bytes"),)
    time_ns = None
    if match["time"] is not None:
        try:
            time_ns = parse_stamp(match["time"])
        except ValueError as error:
            raise LineError(DAMAGED, f"its time is none: {error}") from None
    else:
        notes = (*notes, (UNTIMED_NOTE, "the line has no time; that of the frame before is taken"))
    return LineFrame(time_ns, match["bus"], number, extended, flags, data, notes)


def parse_stamp(text: str) -> int:
    """Return the nanoseconds of a time stamp: seconds, or a date and time of day, taken as UTC whatever zone this host is in.

    ValueError: it is neither, no such day or time exists, or it is beyond what can be held.

    >>> parse_stamp("2026-11-25 00:00:00.000001") - parse_stamp("2026-11-24 23:59:59")
    1000001000
    """
    match = _DATE.fullmatch(text)
    if match is None:
        return parse_time(text)
    year, month, day, hour, minute = (int(match[group]) for group in range(1, 6))
    second_ns = parse_time(match[6])
    if hour > 23 or minute > 59 or second_ns >= 60_000_000_000:
        raise ValueError(f"{text!r} is no time of day")
    days = date(year, month, day).toordinal() - date(1970, 1, 1).toordinal()
    time_ns = ((days * 24 + hour) * 60 + minute) * 60_000_000_000 + second_ns
    if abs(time_ns) >= NS_LIMIT:
        raise ValueError(f"{text!r} is beyond the times that can be held")
    return time_ns
