"""From starts, bits and stops to transfers in columns: nine bits a byte, parts by start, everything at once."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import NO_BYTE, Flag
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.shapes import LONGEST, TransferColumns

BIT, START, STOP, TIMEOUT, SPIKE, UNKNOWN_CLOCK, NO_BEGIN, CUT = 1, 2, 4, 8, 16, 32, 64, 128
BEGIN, END = START, STOP | TIMEOUT
_BITS = 9  # eight of data and the acknowledge bit
_MOST_BITS = LONGEST * _BITS


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """What happened on the wires, in order, as columns of length n: ``code`` is a union of the words above, ``bit`` the level of SDA."""

    time: NDArray[np.int64]
    code: NDArray[np.uint8]
    bit: NDArray[np.uint8]
    place: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.time)

    @classmethod
    def none(cls) -> Events:
        """Return no events."""
        return cls(np.zeros(0, np.int64), np.zeros(0, np.uint8), np.zeros(0, np.uint8), np.zeros(0, np.int64))

    @classmethod
    def single(cls, time_ns: int, code: int) -> Events:
        """Return one event."""
        return cls(np.array([time_ns], np.int64), np.array([code], np.uint8), np.zeros(1, np.uint8), np.zeros(1, np.int64))

    def rows(self, at: int, until: int) -> Events:
        """Return events ``at`` up to ``until``."""
        return Events(*(getattr(self, item.name)[at:until] for item in fields(self)))

    def then(self, later: Events) -> Events:
        """Return these events and the later ones."""
        if not len(self):
            return later
        return Events(*(np.concatenate((getattr(self, item.name), getattr(later, item.name))) for item in fields(self)))


def cut_overlong(events: Events, builder: BatchBuilder) -> Events:
    """Return the events with a timeout put where a transfer reaches more bits than a batch can hold; each is a complaint."""
    if len(events) <= _MOST_BITS:
        return events
    code = events.code.copy()
    while True:
        bits = np.cumsum(code & BIT, dtype=np.int64)
        marks = np.flatnonzero(code & (BEGIN | END))
        begins = marks[(code[marks] & BEGIN != 0) & (np.append(END, code[marks][:-1]) & END != 0)] if len(marks) else marks
        ends = marks[code[marks] & END != 0]
        following = np.append(ends, len(code) - 1)[np.searchsorted(ends, begins)]
        overlong = np.flatnonzero(bits[following] - bits[begins] > _MOST_BITS)
        if not len(overlong):
            return Events(events.time, code, events.bit, events.place)
        begin = int(begins[overlong[0]])
        at = int(np.searchsorted(bits, bits[begin] + _MOST_BITS + 1))
        code[at] = TIMEOUT
        text = f"a transfer of more than {LONGEST} bytes: what follows up to the next start is left out"
        builder.complain("transfer too long", text, int(events.place[begin]))


def assemble(events: Events, builder: BatchBuilder) -> Events:
    """Give the builder every transfer that has ended; return the events of the one that has not."""
    code = events.code
    marks = np.flatnonzero(code & (BEGIN | END))
    is_start = code[marks] & BEGIN != 0
    opens = is_start.copy()
    opens[1:] &= ~is_start[:-1]
    rest = Events.none()
    if len(marks) and is_start[-1]:
        begin = int(np.flatnonzero(opens)[-1])
        rest = events.rows(int(marks[begin]), len(events))
        closed = begin
    else:
        closed = len(marks)
    parts = np.flatnonzero(is_start[:closed])
    if len(parts):
        builder.add_columns(_columns(events, marks, parts, np.flatnonzero(opens[parts])))
    return rest


def _columns(events: Events, marks: NDArray[np.int64], parts: NDArray[np.int64], firsts: NDArray[np.int64]) -> TransferColumns:
    """Return the columns of the transfers.

    ``marks`` are the events that are starts and ends, ``parts`` the starts among them, ``firsts`` the first part of each transfer.
    """
    code = events.code
    bit_rows = code & BIT
    seen = np.cumsum(bit_rows, dtype=np.int64)
    levels = events.bit[bit_rows != 0]
    first_bit = seen[marks[parts]]
    bits = seen[marks[parts + 1]] - first_bit
    bits -= (bits > 0) & (code[marks[parts + 1]] & TIMEOUT == 0)
    whole = bits // _BITS

    count = int(whole.sum())
    base = np.repeat(first_bit - _BITS * (np.cumsum(whole) - whole), whole) + _BITS * np.arange(count)
    grid = levels[base[:, None] + np.arange(_BITS)]
    data = np.packbits(grid[:, :8] != 0, axis=1).reshape(-1)
    refused = np.flatnonzero(grid[:, 8])

    transfers = len(firsts)
    length = np.add.reduceat(whole, firsts)
    data_start = np.cumsum(length) - length
    part_count = np.diff(np.append(firsts, len(parts)))
    second = np.minimum(firsts + 1, len(parts) - 1)
    split = np.where((part_count > 1) & (whole[second] > 0), whole[firsts], 0)
    nack = np.full(transfers, NO_BYTE, np.int64)
    owner = np.searchsorted(data_start, refused[::-1], "right") - 1
    nack[owner] = refused[::-1] - data_start[owner]

    last = np.append(firsts[1:], len(parts)) - 1
    begin_row, end_row = marks[parts[firsts]], marks[parts[last] + 1]
    flags = np.where(np.logical_or.reduceat(bits % _BITS != 0, firsts), int(Flag.PARTIAL_BYTE), 0)
    flags |= np.where(code[end_row] & TIMEOUT != 0, int(Flag.NO_STOP), 0)
    flags |= np.where(code[end_row] & CUT != 0, int(Flag.CUT), 0)
    flags |= np.where(code[begin_row] & NO_BEGIN != 0, int(Flag.NO_START), 0)
    for mark, flag in ((SPIKE, Flag.GLITCH), (UNKNOWN_CLOCK, Flag.UNKNOWN_LEVEL)):
        marked = np.flatnonzero(code & mark)
        if len(marked):
            flags |= np.where(np.searchsorted(marked, begin_row) < np.searchsorted(marked, end_row), int(flag), 0)
    if len(levels) and levels.max() > 1:
        unknown = np.concatenate((np.zeros(1, np.int64), np.cumsum(levels > 1)))
        is_unknown = unknown[first_bit + bits] > unknown[first_bit]
        flags |= np.where(np.logical_or.reduceat(is_unknown, firsts), int(Flag.UNKNOWN_LEVEL), 0)
    return TransferColumns(
        time=events.time[begin_row],
        end=events.time[end_row],
        bus=np.zeros(transfers, np.uint64),
        flags=flags.astype(np.uint16),
        place=events.place[begin_row],
        parts=part_count,
        split=split,
        nack=nack,
        length=length,
        data=data,
    )
