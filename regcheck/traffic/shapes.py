"""The shape of a transfer (which bytes are addresses, what was acknowledged) and the message key that follows from it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import NO_BYTE, Flag, Kind

LONGEST = NO_BYTE - 1
"""Bytes that one transfer may hold: an index of a byte must stay below ``NO_BYTE``."""


@dataclass(frozen=True, slots=True)
class Transfer:
    """One transfer as a writer takes it and as the message readers make it.

    ``parts`` has one item for each start: the bytes on the wire, address byte first. ``nack`` is the index over all bytes of the
    first byte that was not acknowledged; None is the ordinary way (every byte, but for the last one of a read), NO_BYTE every byte.
    A transfer without a stop carries ``Flag.NO_STOP``. Times are nanoseconds; ``end_ns`` None: not told.
    """

    time_ns: int
    parts: tuple[bytes, ...]
    end_ns: int | None = None
    nack: int | None = None
    flags: Flag = Flag(0)  # noqa: RUF009 (an IntFlag's member, immutable)
    bus: str = ""

    @property
    def first_refused(self) -> int:
        """The index of the first byte that was not acknowledged, or NO_BYTE."""
        return ordinary_nack(self.parts) if self.nack is None else self.nack

    @property
    def split(self) -> int:
        """The index of the second address byte, 0 where there is none."""
        return len(self.parts[0]) if len(self.parts) > 1 and self.parts[1] else 0


def ordinary_nack(parts: tuple[bytes, ...]) -> int:
    """Return the index of the byte that a host refuses in the ordinary way: the last one of the first part that reads, else NO_BYTE.

    I2C-bus specification UM10204, clause 3.1.6: a controller that receives ends the transfer with a NACK.
    """
    index = 0
    for part in parts:
        index += len(part)
        if len(part) > 1 and part[0] & 1:
            return index - 1
    return NO_BYTE


@dataclass(frozen=True, slots=True, eq=False)
class TransferColumns:
    """Many transfers as columns of length n, before they have keys; ``data`` holds their bytes one after the other."""

    time: NDArray[np.int64]
    end: NDArray[np.int64]
    bus: NDArray[np.uint64]
    flags: NDArray[np.uint16]
    place: NDArray[np.int64]
    parts: NDArray[np.int64]
    split: NDArray[np.int64]
    nack: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time)


def message_keys(columns: TransferColumns, start: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return the packed ``MessageKey`` of every transfer; ``start`` holds the n + 1 offsets of their bytes.

    A 10-bit address (first byte 11110xx0, the low eight bits in the second: I2C-bus specification UM10204, clause 3.1.11) counts as
    0x400 + address. A first part that was refused, alone or before a read of the same address, is REFUSED.
    """
    length, split, nack = columns.length, columns.split, columns.nack
    bytes_ = np.concatenate((columns.data, np.zeros(1, np.uint8)))
    last = len(bytes_) - 1

    def byte(index: NDArray[np.int64]) -> NDArray[np.int64]:
        return np.where(index < length, bytes_[np.minimum(start[:-1] + index, last)], 0).astype(np.int64)

    first, second = byte(np.zeros_like(length)), byte(np.ones_like(length))
    reads = first & 1
    ten_bit = (first & 0xF9 == 0xF0) & (length > 1) & (nack != 0)
    head = np.where(ten_bit, 2, 1)
    number = np.where(ten_bit, 0x400 | (first >> 1 & 3) << 8 | second, first >> 1)
    command = byte(head)

    refused = nack < head
    alone = columns.parts == 1
    same = (columns.parts == 2) & (split > 0) & (reads == 0) & (byte(split) == first | 1)
    stray = (length == 0) | ~(alone | same) | (columns.flags & Flag.NO_START != 0)
    cases = [stray, refused, alone & (length == head), alone & (reads == 1), alone, split > head, ten_bit]
    kinds = [Kind.STRAY, Kind.REFUSED, Kind.QUICK, Kind.RECEIVE, Kind.WRITE, Kind.READ, Kind.RECEIVE]
    kind = np.select(cases, [np.int64(kind) for kind in kinds], np.int64(Kind.STRAY))
    with_command = (kind == Kind.WRITE) | (kind == Kind.READ)
    with_direction = (kind == Kind.REFUSED) | (kind == Kind.QUICK)
    command = np.where(with_command, command, np.where(with_direction, reads, 0))
    return columns.bus << np.uint64(48) | (kind << 41 | number << 8 | command).astype(np.uint64)
