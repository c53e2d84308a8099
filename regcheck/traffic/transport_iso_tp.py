"""ISO-TP (ISO 15765-2:2016, network layer protocol; from memory): messages in single frames, or a first frame and consecutive ones.

The first byte (the second, behind an address byte, with extended addressing) tells the kind of frame: 0 single, 1 first, 2 consecutive,
3 flow control, which is never data. CAN FD has escapes for longer single frames, and any frame one for messages of more than 4095 bytes.
A whole message has the key of the frames that carry it; with extended addressing the address byte is the key's command.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.transports import IMPOSSIBLE, LONGEST, Reassembler, Session

TIMEOUT_NS = 1_000_000_000
"""N_Bs and N_Cr: the longest time until the flow control, and until the next consecutive frame (ISO 15765-2:2016, table of timing)."""

TOO_LONG = "message too long to be held"
_SINGLE, _FIRST, _CONSECUTIVE, _FLOW = range(4)
_WAIT, _OVERFLOW = 1, 2
_CLASSIC = 8


@dataclass(frozen=True, slots=True)
class IsoTpLink:
    """The id whose frames carry messages, and the one on which their receiver sends its flow control (None: not told)."""

    id: int
    flow_id: int | None = None
    extended: bool = False
    has_address: bool = False  # extended addressing: an address byte stands first
    bus: int | None = None  # None: on every bus


@dataclass(slots=True)
class _Reception(Session):
    next: int = 1
    width: int = _CLASSIC  # of the first frame: every consecutive one but the last is as long
    left: int = 0  # bytes that are still to come
    is_held: bool = True  # False: too long; passed over

    def take(self, content: bytes) -> None:
        """Take the next bytes."""
        self.left -= len(content)
        if self.is_held:
            self.data += content


class IsoTpReassembler(Reassembler):
    """Puts ISO-TP messages of the given links together."""

    def __init__(self, links: Iterable[IsoTpLink], file: str = "", *, by_line: bool = True) -> None:
        super().__init__(file, by_line=by_line)
        self._links = tuple(links)

    def _select(self, batch: Batch) -> NDArray[np.bool_]:
        found = np.zeros(len(batch), np.bool_)
        of_bus, number = batch.key >> np.uint64(48), batch.key & np.uint64((1 << 48) - 1)
        for link in self._links:
            for identifier in {link.id, link.flow_id} - {None}:
                is_its = number == MessageKey(Kind.FRAME, identifier or 0, extended=link.extended).pack()
                found |= is_its if link.bus is None else is_its & (of_bus == link.bus)
        return found

    def _take(self, key: int, data: bytes, time_ns: int, place: int, flags: Flag) -> None:
        message = MessageKey.unpack(key)
        for link in self._links:
            if link.extended != message.extended or link.bus not in (None, message.bus):
                continue
            skipped = int(link.has_address)
            if len(data) <= skipped:
                if message.number == link.id:
                    self._complain(IMPOSSIBLE, f"a frame of {len(data)} bytes has no room for its kind", place)
                continue
            kind = data[skipped] >> 4
            if message.number == link.id:
                whose = replace(message, command=data[0] if skipped else 0)
                if kind == _SINGLE:
                    self._single(whose, data[skipped:], len(data), time_ns, place, flags)
                elif kind == _FIRST:
                    self._first(whose, data[skipped:], len(data), time_ns, place, flags)
                elif kind == _CONSECUTIVE:
                    self._consecutive(whose, data[skipped:], len(data), time_ns, place)
                elif kind != _FLOW:
                    self._complain(IMPOSSIBLE, f"first nibble {kind} of a frame is none; expected 0 to 3", place)
            if message.number == link.flow_id and kind == _FLOW:
                self._flow(replace(message, number=link.id), data[skipped], time_ns)

    def _single(self, whose: MessageKey, data: bytes, width: int, time_ns: int, place: int, flags: Flag) -> None:
        size, at = data[0] & 0xF, 1
        is_long = bool(flags & Flag.FD) and width > _CLASSIC
        if is_long:
            if size or len(data) < 2:
                self._complain(IMPOSSIBLE, f"a single frame of {width} bytes without the escape 00; its length is not told", place)
                return
            size, at = data[1], 2
        shortest = _CLASSIC - (width - len(data)) if is_long else 1
        if not shortest <= size <= len(data) - at:
            self._complain(IMPOSSIBLE, f"a single frame of {width} bytes says that it carries {size}", place)
            return
        self._break_off(whose, "a single frame comes in its place")
        self._known.add(whose)
        content = bytearray(data[at : at + size])
        self._begin(whose, _Reception(whose.pack(), place, time_ns, size, time_ns, flags & ~Flag.RATE_SWITCH, time_ns, content))
        self._complete(whose)

    def _first(self, whose: MessageKey, data: bytes, width: int, time_ns: int, place: int, flags: Flag) -> None:
        size, at = (data[0] & 0xF) << 8 | (data[1] if len(data) > 1 else 0), 2
        if size == 0 and len(data) >= 6:
            size, at = int.from_bytes(data[2:6], "big"), 6
        self._break_off(whose, "another one begins in its place")
        self._known.add(whose)
        if width < _CLASSIC or size <= len(data) - at or (at == 6 and size <= 0xFFF):
            self._complain(IMPOSSIBLE, f"a first frame of {width} bytes says that the message has {size}", place)
            return
        is_held = size <= LONGEST
        if not is_held:
            self._complain(TOO_LONG, f"a message of {size} bytes; at most {LONGEST} can be held", place)
        session = _Reception(whose.pack(), place, time_ns, size, time_ns + TIMEOUT_NS, flags & ~Flag.RATE_SWITCH, time_ns)
        session.width, session.is_held, session.left = width, is_held, size
        session.take(data[at:])
        self._begin(whose, session)

    def _consecutive(self, whose: MessageKey, data: bytes, width: int, time_ns: int, place: int) -> None:
        session = self._sessions.get(whose)
        number = data[0] & 0xF
        if not isinstance(session, _Reception):
            self._stray(whose, f"consecutive frame {number} belongs to no message", place)
            return
        if number != session.next:
            self._break_off(whose, f"consecutive frame {number} where {session.next} is due")
            return
        content = data[1 : 1 + session.left]
        if len(content) < session.left and width != session.width:
            self._break_off(whose, f"a consecutive frame of {width} bytes where {session.width} are due")
            return
        session.take(content)
        session.next = (session.next + 1) & 0xF
        session.end_ns = time_ns
        session.deadline_ns = time_ns + TIMEOUT_NS
        if not session.left and session.is_held:
            self._complete(whose)
        elif not session.left:
            del self._sessions[whose]

    def _flow(self, whose: MessageKey, status: int, time_ns: int) -> None:
        named = [name for name in self._sessions if isinstance(name, MessageKey) and replace(name, command=0) == whose]
        for name in named:
            if status & 0xF == _OVERFLOW:
                self._break_off(name, "its receiver has no room for it")
            elif status & 0xF <= _WAIT:
                self._sessions[name].deadline_ns = time_ns + TIMEOUT_NS
