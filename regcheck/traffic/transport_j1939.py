"""J1939 transport (SAE J1939-21, transport protocol functions; from memory): messages of 9 to 1785 bytes in packets of seven.

TP.CM (PGN 0xEC00) announces: to all (BAM) or to one address (RTS, answered by CTS and an end-of-message acknowledgement, or an abort
from either side). TP.DT (PGN 0xEB00) carries a sequence number from 1 and seven bytes. A whole message gets the key of the one frame
that would carry it, had it room: its PGN, its source, its destination below PF 240, the announcement's priority.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.j1939 import ALL, PGN_LARGEST, J1939Id, is_addressed
from regcheck.traffic.transports import IMPOSSIBLE, INCOMPLETE, Reassembler, Session

CM_PGN, DT_PGN = 0xEC00, 0xEB00
SHORTEST, LONGEST_J1939 = 9, 1785
PACKET_NS = 750_000_000
"""T1: the longest time from one packet to the next."""
ANSWER_NS = 1_250_000_000
"""T2 and T3: the longest time from a clear-to-send to its packet, and from a packet to the answer it asks for."""
HOLD_NS = 1_050_000_000
"""T4: the longest time that a clear-to-send for no packets holds the connection."""

_RTS, _CTS, _END, _BAM, _ABORT = 16, 17, 19, 32, 255
_PACKET = 7
ABORT_REASONS = {
    1: "already in a connection",
    2: "resources needed for another task",
    3: "a timeout",
}


@dataclass(slots=True)
class _Connection(Session):
    pgn: int = 0
    packets: int = 0
    next: int = 1  # the sequence number that must come
    until: int = 255  # the last one that was cleared to be sent
    is_for_all: bool = False


class J1939Reassembler(Reassembler):
    """Puts J1939 transport messages together; ``bus`` None: on every bus."""

    def __init__(self, file: str = "", *, by_line: bool = True, bus: int | None = None) -> None:
        super().__init__(file, by_line=by_line)
        self._bus = bus

    def _select(self, batch: Batch) -> NDArray[np.bool_]:
        format_ = batch.key >> np.uint64(24) & np.uint64(0x3FF)  # extended data page, data page, PF
        head = batch.key >> np.uint64(40) & np.uint64(0xFF)
        is_transport = (format_ == CM_PGN >> 8) | (format_ == DT_PGN >> 8)
        found: NDArray[np.bool_] = is_transport & (head == (Kind.FRAME << 1 | 1))
        return found if self._bus is None else found & (batch.key >> np.uint64(48) == self._bus)

    def _take(self, key: int, data: bytes, time_ns: int, place: int, flags: Flag) -> None:
        message = MessageKey.unpack(key)
        parts = J1939Id.split(message.number)
        if parts.pgn == DT_PGN:
            self._packet((message.bus, parts.source, parts.destination), data, time_ns, place)
            return
        if len(data) != 8:
            self._complain(IMPOSSIBLE, f"a connection management frame of {len(data)} bytes; expected 8", place)
            return
        there, back = (message.bus, parts.source, parts.destination), (message.bus, parts.destination, parts.source)
        control = data[0]
        if control in (_BAM, _RTS):
            self._announced(there, message.bus, parts, data, time_ns, place, flags)
        elif control == _CTS:
            self._cleared(back, data, time_ns, place)
        elif control == _END:
            self._acknowledged(back, place)
        elif control == _ABORT:
            said = f"it was aborted (reason {data[1]}{': ' + ABORT_REASONS[data[1]] if data[1] in ABORT_REASONS else ''})"
            pgn = int.from_bytes(data[5:8], "little")
            for name in (there, back):
                session = self._sessions.get(name)
                if isinstance(session, _Connection) and session.pgn == pgn and not session.is_for_all:
                    self._abandon(name, said)
        else:
            self._complain(IMPOSSIBLE, f"control byte {control} of a connection management frame is none", place)

    def _announced(self, name: tuple[int, int, int], bus: int, parts: J1939Id, data: bytes, time_ns: int, place: int, flags: Flag) -> None:
        is_for_all = data[0] == _BAM
        size, packets, pgn = int.from_bytes(data[1:3], "little"), data[3], int.from_bytes(data[5:8], "little")
        self._break_off(name, "another one begins in its place")
        self._known.add(name)
        if is_for_all != (parts.destination == ALL):
            self._complain(IMPOSSIBLE, f"{'a broadcast' if is_for_all else 'a request to send'} goes to address {parts.destination}", place)
            return
        if not SHORTEST <= size <= LONGEST_J1939 or packets != -(-size // _PACKET):
            text = f"{size} bytes in {packets} packets are announced; expected {SHORTEST} to {LONGEST_J1939} bytes, seven a packet"
            self._complain(IMPOSSIBLE, text, place)
            return
        if pgn > PGN_LARGEST or (is_addressed(pgn) and pgn & 0xFF):
            self._complain(IMPOSSIBLE, f"PGN 0x{pgn:X} is announced, which is none", place)
            return
        number = J1939Id(parts.priority, pgn, parts.source, parts.destination).join()
        self._begin(
            name,
            _Connection(
                key=MessageKey(Kind.FRAME, number, extended=True, bus=bus).pack(),
                place=place,
                time_ns=time_ns,
                size=size,
                deadline_ns=time_ns + (PACKET_NS if is_for_all else ANSWER_NS),
                flags=flags & Flag.SENT_HERE,
                pgn=pgn,
                packets=packets,
                is_for_all=is_for_all,
            ),
        )

    def _cleared(self, name: Hashable, data: bytes, time_ns: int, place: int) -> None:
        session = self._sessions.get(name)
        if not isinstance(session, _Connection) or session.is_for_all:
            self._stray(name, "a clear-to-send for no message that is under way", place)
            return
        count, following = data[1], data[2]
        if count == 0:
            session.deadline_ns = time_ns + HOLD_NS
            return
        if not 1 <= following <= session.next or following + count - 1 > session.packets:
            self._break_off(
                name, f"packets {following} to {following + count - 1} of {session.packets} are asked for, after {session.next - 1}"
            )
            return
        del session.data[(following - 1) * _PACKET :]
        session.next, session.until = following, following + count - 1
        session.deadline_ns = time_ns + ANSWER_NS

    def _acknowledged(self, name: Hashable, place: int) -> None:
        session = self._sessions.get(name)
        if session is None:
            self._stray(name, "an acknowledgement of no message that is under way", place)
        elif len(session.data) < session.size:
            self._break_off(name, "it is acknowledged all the same: packets are missing from the capture")
        else:
            self._complete(name)

    def _packet(self, name: tuple[int, int, int], data: bytes, time_ns: int, place: int) -> None:
        session = self._sessions.get(name)
        if not isinstance(session, _Connection):
            self._stray(name, f"packet {data[0] if data else '?'} from address {name[1]} to {name[2]} belongs to no message", place)
            return
        needed = min(_PACKET, session.size - len(session.data))
        if len(data) < 1 + needed or not needed:
            self._break_off(name, f"a packet of {len(data)} bytes where {1 + needed if needed else 'none'} is due")
            return
        if data[0] != session.next or data[0] > session.until:
            self._break_off(name, f"packet {data[0]} where {session.next} is due")
            return
        session.data += data[1 : 1 + needed]
        session.next += 1
        session.end_ns = time_ns
        is_answer_due = not session.is_for_all and (session.next > session.until or session.next > session.packets)
        session.deadline_ns = time_ns + (ANSWER_NS if is_answer_due else PACKET_NS)
        if session.is_for_all and session.next > session.packets:
            self._complete(name)

    def _abandon(self, name: Hashable, text: str) -> None:
        session = self._sessions.pop(name)
        self._complain(INCOMPLETE, f"a message of {session.size} bytes, {len(session.data)} of them there: {text}", session.place)
