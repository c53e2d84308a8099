"""Boards that send frames by themselves: which message is due when, what it looks like on the bus, and when it has passed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from heapq import heapify, heappop, heappush
from zlib import crc32

import numpy as np

from regcheck.device_map.frames import FrameId, GroupId, message_ids
from regcheck.device_map.model import Message, RegisterMap
from regcheck.errors import UsageError
from regcheck.sim.board import Board
from regcheck.sim.front_end import even_draws
from regcheck.traffic.frames import CLASSIC_LENGTH, Frame

PRIORITY = 6
"""Of every message with a pgn (SAE J1939-71 gives 6 to what is no control message; from memory of it)."""

TRANSPORT_PRIORITY, ANNOUNCEMENT, PACKETS, ALL = 7, 0xEC00, 0xEB00, 0xFF
"""SAE J1939-21, transport protocol: TP.CM and TP.DT, sent to all (from memory of it)."""

BROADCAST, PACKET_BYTES, PACKET_GAP_NS = 32, 7, 60_000_000
"""The control byte of a broadcast's announcement, bytes in a packet, time between packets (SAE J1939-21: 50 to 200 ms)."""

OVERHEAD_BITS = {False: 47, True: 67}
"""Bits of a data frame beside its payload, with the three bits between frames, without stuff bits (ISO 11898-1, frame formats)."""


@dataclass(frozen=True, slots=True)
class Sent:
    """How often a message is sent; ``pages`` are the values that the field ``selector`` takes in turn."""

    every_ns: int
    selector: str = ""
    pages: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class SendPlan:
    """What boards send: each message by name, from ``begin_ns`` on, each frame late by up to ``jitter_ns`` (evenly drawn).

    ``clock_ns`` is what the recorder's clock shows at the bench's time 0; ``seed`` fixes the jitter.
    """

    sends: Mapping[str, Sent]
    begin_ns: int
    jitter_ns: int = 0
    bus: str = "can0"
    bitrate: int = 250_000
    clock_ns: int = 0
    seed: int = 0


@dataclass(frozen=True, slots=True)
class _Piece:
    """One frame without its time."""

    id: int
    extended: bool
    data: bytes


_Due = tuple[int, int, Callable[[int], Sequence[_Piece]]]
"""When something is due, its place among what is due at once, and what then makes its frames."""


def frames(boards: Sequence[Board], register_map: RegisterMap, plan: SendPlan, end_ns: int) -> Iterator[Frame]:
    """Yield the frames of a run in order of time, none of which is under way after ``end_ns``.

    A frame's time is that of its end, in whole microseconds. Those due at once are sent in the order of boards and plan; a frame
    waits for the one before it. Raises UsageError where the map lacks a message, or its id cannot be told.
    """
    waiting: list[_Due] = []
    for board in boards:
        for name, sent in plan.sends.items():
            message = register_map.message(name)
            if message is None or message.kind != "frame":
                raise UsageError(f"the board is to send '{name}', which is no frame of {register_map.name}")
            known = _known_by(board, message)
            times = np.arange(plan.begin_ns, end_ns, sent.every_ns, dtype=np.int64)
            due, counts = board.schedule(message, times)
            late = even_draws(plan.seed, crc32(f"late {board.instance} {name}".encode()), len(times), plan.jitter_ns)
            for number, (time, count) in enumerate(zip((due + late).tolist(), counts.tolist(), strict=True)):
                page = {sent.selector: sent.pages[number % len(sent.pages)]} if sent.pages else {}
                waiting.append((time, len(waiting), partial(_made, board, message, known, count, page)))
    order = len(waiting)
    heapify(waiting)
    free_ns = 0
    while waiting:
        due_ns, _, make = heappop(waiting)
        start_ns = max(due_ns, free_ns)
        first, *others = make(start_ns) or (None,)
        if first is None:
            continue
        for number, piece in enumerate(others, 1):
            later: _Due = (start_ns + number * PACKET_GAP_NS, order, partial(_given, piece))
            heappush(waiting, later)
            order += 1
        bits = OVERHEAD_BITS[first.extended] + 8 * len(first.data)
        free_ns = start_ns + bits * 1_000_000_000 // plan.bitrate
        if free_ns >= end_ns:
            return
        yield Frame((plan.clock_ns + free_ns) // 1000 * 1000, first.id, first.data, first.extended, bus=plan.bus)


def _known_by(board: Board, message: Message) -> FrameId | GroupId:
    """Return the id of a board's message; UsageError where the map does not tell it from those of other boards."""
    found = message_ids(board.register_map, message, {name: (number,) for name, number in board.numbers.items()})
    if len(found) != 1:
        who = board.instance or "the board"
        raise UsageError(f"'{message.name}' of {who} has {len(found)} ids in {board.register_map.name}; expected one")
    return found[0]


def _given(piece: _Piece, _: int) -> list[_Piece]:
    return [piece]


def _made(board: Board, message: Message, known: FrameId | GroupId, count: int, page: Mapping[str, int], time_ns: int) -> list[_Piece]:
    """Return the frames of a message that is sent at a time: none, one, or an announcement and its packets."""
    data = board.frame(message, time_ns, count, page)
    if data is None:
        return []
    if isinstance(known, FrameId):
        return [_Piece(known.id, known.extended, data)]
    source, destination = known.source or 0, known.destination
    low = known.pgn if destination is None else known.pgn | destination
    if len(data) <= CLASSIC_LENGTH:
        return [_Piece(PRIORITY << 26 | low << 8 | source, True, data)]
    return _broadcast(known.pgn, source, data)


def _broadcast(pgn: int, source: int, data: bytes) -> list[_Piece]:
    """Return a message longer than a frame as an announcement to all and its packets (SAE J1939-21, transport protocol, BAM)."""
    chunks = [data[at : at + PACKET_BYTES] for at in range(0, len(data), PACKET_BYTES)]
    size = len(data).to_bytes(2, "little")
    announced = bytes([BROADCAST]) + size + bytes([len(chunks), 0xFF]) + pgn.to_bytes(3, "little")
    announcement, packets = (TRANSPORT_PRIORITY << 26 | (group | ALL) << 8 | source for group in (ANNOUNCEMENT, PACKETS))
    pieces = [_Piece(announcement, True, announced)]
    pieces += [_Piece(packets, True, bytes([number]) + chunk.ljust(PACKET_BYTES, b"\xff")) for number, chunk in enumerate(chunks, 1)]
    return pieces
