"""Columns of messages: the one form in which every reader hands over recorded traffic."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum, IntFlag

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import Place

NO_BYTE = 0xFFFF
"""In ``Batch.nack``: every byte was acknowledged."""


class Kind(IntEnum):
    """What a message key names: an SMBus transfer by its shape, or a CAN frame."""

    WRITE = 0  # address, command, data
    READ = 1  # address, command[, data], repeated start, address, data
    RECEIVE = 2  # address, data: no command
    QUICK = 3  # address alone, acknowledged; the direction bit stands as the command
    REFUSED = 4  # the address was not acknowledged; the direction bit stands as the command
    STRAY = 5  # no whole address byte, or more than one repeated start: no SMBus transfer
    FRAME = 8  # CAN


class Flag(IntFlag):
    """What a reader saw of one message beside its bytes."""

    NO_START = 1  # the capture begins inside it
    NO_STOP = 2  # the capture ends inside it, or a start came before its stop
    PARTIAL_BYTE = 4  # it ended between two byte boundaries; the bits of the last one are not in data
    UNKNOWN_LEVEL = 8  # a line was x or z while a bit was sampled
    GLITCH = 16  # a pulse too short to be a bit was passed over
    COMBINED = 32  # write and read were recorded apart and joined by the reader
    PEC_BY_ADAPTER = 64  # the recorder's adapter checked the PEC and kept it to itself
    BAD_PEC = 128  # the recorder's adapter found the PEC wrong, and kept it and the data to itself
    FD = 256
    RATE_SWITCH = 512
    REMOTE = 1024
    ERROR = 2048
    SENT_HERE = 4096  # the recorder's own transmission
    CUT = 8192  # the recording ends inside it: what is missing is nobody's fault


@dataclass(frozen=True, slots=True)
class MessageKey:
    """Which message: a transfer's shape, 7-bit address and command, or a CAN id; and the bus that it was on."""

    kind: Kind
    number: int  # SMBus: the 7-bit address (10-bit: 0x400 + address); CAN: the id
    command: int = 0
    extended: bool = False
    bus: int = 0

    def pack(self) -> int:
        """Return the key as the integer that stands in ``Batch.key``: bus, kind, extended, number, command."""
        return self.bus << 48 | self.kind << 41 | self.extended << 40 | self.number << 8 | self.command

    @classmethod
    def unpack(cls, key: int) -> MessageKey:
        """Return the key that ``pack`` made ``key`` from."""
        return cls(Kind(key >> 41 & 0x7F), key >> 8 & 0xFFFF_FFFF, key & 0xFF, bool(key >> 40 & 1), key >> 48)


@dataclass(frozen=True, slots=True)
class Complaint:
    """A damaged record: where it stands, what is wrong; the rest of the capture is still read."""

    place: Place
    text: str
    kind: str  # a few words that are the same for every record damaged alike; complaints are counted by it


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """One stretch of one capture. Every per-message array has length n; times are integer nanoseconds.

    ``time`` is the start, ``end`` the stop of a transfer (equal for a frame). ``data`` holds the bytes of all messages,
    message i at ``data[start[i]:start[i + 1]]``: for SMBus every byte on the wire, address bytes and PEC included; for CAN the payload.
    ``split`` is the index, within the message, of the second address byte (0: none); ``nack`` that of the first byte
    that was not acknowledged (NO_BYTE: none; a read's last byte is refused by the host in the ordinary way).
    ``place`` is a byte offset or a line number, as the source counts. The bus is known to be silent but for these
    messages from ``begin_ns`` up to ``end_ns``: a silent bus still ticks. ``epoch`` rises when the recorder's clock went backwards.
    Complaints are this stretch's own: the first few of each kind in full, all of them counted in ``complained``; ``complained_at`` has
    the places of each kind, in the order of the source, unless there were too many to keep.
    """

    source: int
    epoch: int
    begin_ns: int
    end_ns: int
    time: NDArray[np.int64]
    end: NDArray[np.int64]
    key: NDArray[np.uint64]
    flags: NDArray[np.uint16]
    length: NDArray[np.uint16]
    place: NDArray[np.int64]
    split: NDArray[np.uint16]
    nack: NDArray[np.uint16]
    start: NDArray[np.int64]
    data: NDArray[np.uint8]
    buses: tuple[str, ...] = ("",)
    complaints: tuple[Complaint, ...] = ()
    complained: dict[str, int] = field(default_factory=dict)
    complained_at: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.time)

    def message(self, index: int) -> bytes:
        """Return the bytes of message ``index``."""
        return self.data[self.start[index] : self.start[index + 1]].tobytes()
