"""What a transfer must look like on the wire, and where its payload is: System Management Bus Specification 3.1, clause 6.5.

The block count byte and the PEC are never part of a payload. Whether a PEC is there is judged by length alone, never by its value.
``frame_transfer`` takes one transfer apart, ``frame_rows`` those of one register in a batch; both say the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.checksums import crc8_column, pec
from regcheck.codec.columns import Check
from regcheck.device_map.model import FIXED_BYTES, Message, Pec, TransferKind
from regcheck.traffic.batch import NO_BYTE, Batch, Flag

LARGEST_COUNT = 32
"""Bytes of a block unless the register's `length` says more: clause 5.5.7 of version 2.0, and the limit of common host drivers.

Version 3.1 (6.5.7) allows 0 to 255; a map asks for that with a `length` that starts at 0 or ends above 32.
"""

NOT_WHOLE = Flag.NO_START | Flag.CUT | Flag.BAD_PEC  # of a PEC that an adapter found wrong, the adapter kept the bytes
DAMAGED = NOT_WHOLE | Flag.NO_STOP | Flag.PARTIAL_BYTE | Flag.UNKNOWN_LEVEL
COUNTED = frozenset({TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL})


class Fault(IntEnum):
    """The first thing wrong with how a transfer is framed."""

    NONE = 0
    ADDRESS_REFUSED = 1  # the second address byte of a read was not acknowledged
    COMMAND_REFUSED = 2
    DATA_REFUSED = 3  # a byte that the host sent after the command was not acknowledged
    UNKNOWN_LEVEL = 4
    PARTIAL_BYTE = 5
    NO_STOP = 6
    SENT_WRONG = 7  # what the host sent before the repeated start is not what this transfer takes
    COUNT_ILLEGAL = 8
    COUNT_DISAGREES = 9  # the block's count is not the number of bytes that came
    TOO_FEW = 10
    TOO_MANY = 11
    LENGTH = 12  # not the map's `length`, or too short for its fields
    CUT = 14  # the recording begins or ends inside it: nobody's fault
    HOST_END = 13  # the host did not refuse the last byte of a read, or one before it


FAULT_TEXT: dict[Fault, str] = {
    Fault.NONE: "none",
    Fault.ADDRESS_REFUSED: "the second address byte was not acknowledged",
    Fault.COMMAND_REFUSED: "the command was not acknowledged",
    Fault.DATA_REFUSED: "a data byte was not acknowledged",
    Fault.UNKNOWN_LEVEL: "a bit was sampled at no valid level",
    Fault.PARTIAL_BYTE: "it ended inside a byte",
    Fault.NO_STOP: "it had no stop",
    Fault.CUT: "the recording begins or ends inside it",
    Fault.SENT_WRONG: "the host sent other bytes before the repeated start than this transfer takes",
    Fault.COUNT_ILLEGAL: "the block count is not allowed",
    Fault.COUNT_DISAGREES: "the block count is not the number of bytes that came",
    Fault.TOO_FEW: "too few bytes came",
    Fault.TOO_MANY: "too many bytes came",
    Fault.LENGTH: "the length is not the map's",
    Fault.HOST_END: "the host did not end the read by refusing its last byte",
}
"""How a person is told."""

REFUSED = frozenset({Fault.ADDRESS_REFUSED, Fault.COMMAND_REFUSED, Fault.DATA_REFUSED})
"""Faults after which there is no reading."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One transfer taken apart.

    ``declared`` is the payload length that its count byte or kind says, ``payload`` what of it came; ``sent`` the data
    of a process call that the host sent. ``verified`` is False where a required check is bad, missing or cannot be seen.
    """

    payload: bytes
    declared: int
    sent: bytes
    check: Check
    fault: Fault
    verified: bool


def fixed_bytes(message: Message) -> int:
    """Return the payload bytes of a transfer without a count byte."""
    assert message.transfer is not None  # noqa: S101 - every register has one
    return message.plain_bytes if message.transfer is TransferKind.PLAIN else FIXED_BYTES[message.transfer]


def count_limits(message: Message) -> tuple[int, int]:
    """Return the smallest and largest legal count of a block."""
    lengths = [
        length
        for length in (message.length, *(layout.length for layout in message.layouts))
        if length is not None and length.expression is None
    ]
    low = 0 if any(length.low == 0 for length in lengths) else 1
    return low, max([LARGEST_COUNT] + [length.high for length in lengths if length.high is not None])


def frame_transfer(message: Message, wire: bytes, split: int, *, written: bool = False, nack: int | None = None, flags: int = 0) -> Frame:
    """Return one transfer taken apart.

    ``wire`` holds every byte, addresses and PEC too; ``split`` is the second address byte's index (0: none). ``nack`` is as in
    a batch; None means that the bytes ended in the ordinary way.
    """
    kind, by_adapter = message.transfer, bool(flags & Flag.PEC_BY_ADAPTER)
    damaged = bool(flags & DAMAGED)
    start = 2 if written else split + 1
    sent = b"" if written or not split else wire[2:split]
    sent_wrong = False
    if not written and kind is not TransferKind.RECEIVE_BYTE:
        if kind is TransferKind.PROCESS_CALL:
            sent_wrong = len(sent) != 2
        elif kind is TransferKind.BLOCK_PROCESS_CALL:
            sent_wrong = len(sent) < 2 or sent[0] != len(sent) - 1
            sent = sent[1:]
        else:
            sent_wrong = split != 2
    tail = wire[start:]
    illegal = False
    if kind in COUNTED:
        low, high = count_limits(message)
        declared = tail[0] if tail else 0
        illegal = bool(tail) and not low <= declared <= high
        body = tail[1:]
        extra = len(body) - declared if tail else -1
    else:
        declared = fixed_bytes(message)
        body = tail
        extra = len(body) - declared
    has_pec = extra == 1 and message.pec is not Pec.NEVER
    too_many = extra > 0 and not has_pec

    fault = Fault.NONE
    if nack is None:
        nack = len(wire) - 1 if not written and len(wire) > split + 1 else NO_BYTE
    if not written and nack == split and split:
        fault = Fault.ADDRESS_REFUSED
    elif nack == 1 and (written or split):
        fault = Fault.COMMAND_REFUSED
    elif nack != NO_BYTE and (written or nack < split):
        fault = Fault.DATA_REFUSED
    elif flags & NOT_WHOLE:
        fault = Fault.CUT
    elif flags & Flag.UNKNOWN_LEVEL:
        fault = Fault.UNKNOWN_LEVEL
    elif flags & Flag.PARTIAL_BYTE:
        fault = Fault.PARTIAL_BYTE
    elif flags & Flag.NO_STOP:
        fault = Fault.NO_STOP
    elif sent_wrong:
        fault = Fault.SENT_WRONG
    elif illegal:
        fault = Fault.COUNT_ILLEGAL
    elif kind in COUNTED and tail and (extra < 0 or too_many):
        fault = Fault.COUNT_DISAGREES
    elif extra < 0:
        fault = Fault.TOO_FEW
    elif too_many:
        fault = Fault.TOO_MANY
    elif not written and nack != len(wire) - 1:
        fault = Fault.HOST_END

    required = message.pec is Pec.REQUIRED
    if fault in REFUSED:
        check = Check.UNKNOWN
    elif flags & Flag.BAD_PEC:
        check = Check.BAD
    elif has_pec:
        check = Check.GOOD if pec(wire[:-1]) == wire[-1] else Check.BAD
    elif message.pec is Pec.NEVER:
        check = Check.NONE
    elif by_adapter or damaged or too_many or extra < 0:
        check = Check.UNKNOWN
    else:
        check = Check.MISSING if required else Check.NONE
    verified = check in (Check.GOOD, Check.NONE) or (check is Check.UNKNOWN and (by_adapter or not required))
    return Frame(bytes(body[:declared]), declared, bytes(sent), check, fault, verified)


@dataclass(frozen=True, slots=True, eq=False)
class Framed:
    """The transfers of one register and direction in a batch, n of them, taken apart.

    ``rows`` i8[n] are indexes of the batch; ``first`` i8[n] where each payload starts in its ``data``; ``came`` and ``declared``
    u2[n] the payload bytes that came and that should have; ``check``, ``fault`` u1[n]; ``verified``, ``refused`` bool[n].
    """

    rows: NDArray[np.int64]
    first: NDArray[np.int64]
    came: NDArray[np.int64]
    declared: NDArray[np.int64]
    check: NDArray[np.uint8]
    fault: NDArray[np.uint8]
    verified: NDArray[np.bool_]
    refused: NDArray[np.bool_]


def matrix(batch: Batch, first: NDArray[np.int64], length: int) -> NDArray[np.uint8]:
    """Return the bytes at ``first`` .. ``first + length`` of a batch's data as rows, u1[n, length]."""
    if len(first) > 1 and length:
        step = int(first[1] - first[0])
        if step >= length and (np.diff(first) == step).all():
            return (
                np.ndarray((len(first), length), np.uint8, buffer=batch.data.data, offset=int(first[0]), strides=(step, 1))
                if batch.data.flags.c_contiguous
                else batch.data[first[:, None] + np.arange(length)]
            )
    if length < 8 and (not len(first) or int(first.max()) + 8 > len(batch.data)):
        out = np.empty((len(first), length), np.uint8)
        for column in range(length):
            batch.data.take(first + column, out=out[:, column], mode="clip")
        return out
    # eight bytes at a time, wherever they stand: a row is copied in a few steps, not byte by byte; the last eight may overlap
    out = np.empty((len(first), max(length, 8)), np.uint8)
    starts = [*range(0, length - 7, 8), *([length - 8] if length > 8 and length % 8 else [])] or [0]
    for start in starts:
        out[:, start : start + 8].view("<u8")[:, 0] = _words(batch.data, first + start if start else first)
    return out[:, :length]


def _words(data: NDArray[np.uint8], at: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return the eight bytes at each place, as numbers of any place's alignment."""
    if not (at & 7).any() and data.flags.c_contiguous and data.ctypes.data % 8 == 0:
        aligned: NDArray[np.uint64] = data[: len(data) // 8 * 8].view("<u8")
        return aligned.take(at >> 3)
    data = np.ascontiguousarray(data)
    return np.ndarray((len(data) - 7,), np.dtype("<u8"), buffer=data.data, strides=(1,))[at]


def same_keys(keys: NDArray[np.int64]) -> list[tuple[int, NDArray[np.int64]]]:
    """Return (key, indexes) for each distinct key of few, indexes in order."""
    if not len(keys):
        return []
    if (keys == keys[0]).all():
        return [(int(keys[0]), np.arange(len(keys)))]
    low = keys.min()
    near = keys.max() - low <= 0xFFFF
    order = np.argsort((keys - low).astype(np.uint16) if near else keys, kind="stable")  # 16 bits are sorted by their bytes, much faster
    ordered = keys[order]
    cuts = np.flatnonzero(np.diff(ordered)) + 1
    return [(int(keys[part[0]]), part) for part in np.split(order, cuts)]


def frame_rows(batch: Batch, rows: NDArray[np.int64], message: Message, *, written: bool = False) -> Framed:
    """Return the transfers ``rows`` i8[n] of a batch, all of one register and direction, taken apart as ``frame_transfer`` does."""
    kind = message.transfer
    origin = batch.start[rows]
    length = batch.start[rows + 1] - origin
    split = batch.split[rows].astype(np.int64)
    nack = batch.nack[rows].astype(np.int64)
    flags = batch.flags[rows]
    start = np.full(len(rows), 2, np.int64) if written else split + 1
    last = max(len(batch.data) - 1, 0)

    def byte_at(index: NDArray[np.int64]) -> NDArray[np.int64]:
        return (
            batch.data.take(np.minimum(origin + index, last), mode="clip").astype(np.int64)
            if len(batch.data)
            else np.zeros(len(rows), np.int64)
        )

    if written or kind is TransferKind.RECEIVE_BYTE:
        sent_wrong = np.zeros(len(rows), np.bool_)
    elif kind is TransferKind.PROCESS_CALL:
        sent_wrong = split != 4
    elif kind is TransferKind.BLOCK_PROCESS_CALL:
        sent_wrong = (split < 4) | (byte_at(np.full(len(rows), 2)) != split - 3)
    else:
        sent_wrong = split != 2
    tail = np.maximum(length - start, 0)
    illegal = np.zeros(len(rows), np.bool_)
    if kind in COUNTED:
        low, high = count_limits(message)
        counted = tail > 0
        declared = np.where(counted, byte_at(start), 0)
        illegal = counted & ((declared < low) | (declared > high))
        body, first = np.maximum(tail - 1, 0), origin + start + 1
        extra = np.where(counted, body - declared, -1)
        disagrees = counted
    else:
        declared = np.full(len(rows), fixed_bytes(message), np.int64)
        body, first = tail, origin + start
        extra = body - declared
        disagrees = np.zeros(len(rows), np.bool_)
    has_pec = (extra == 1) & (message.pec is not Pec.NEVER)
    too_many = (extra > 0) & ~has_pec
    misfit = (extra < 0) | too_many

    by_adapter = (flags & Flag.PEC_BY_ADAPTER) != 0
    read = not written
    address_refused = read & (nack == split) & (split > 0)
    command_refused = (nack == 1) & (written | (split > 0))
    data_refused = (nack != NO_BYTE) & (written | (nack < split))
    fault = np.select(
        [
            address_refused,
            command_refused,
            data_refused,
            (flags & NOT_WHOLE) != 0,
            (flags & Flag.UNKNOWN_LEVEL) != 0,
            (flags & Flag.PARTIAL_BYTE) != 0,
            (flags & Flag.NO_STOP) != 0,
            sent_wrong,
            illegal,
            disagrees & misfit,
            extra < 0,
            too_many,
            read & (nack != length - 1),
        ],
        [
            Fault.ADDRESS_REFUSED,
            Fault.COMMAND_REFUSED,
            Fault.DATA_REFUSED,
            Fault.CUT,
            Fault.UNKNOWN_LEVEL,
            Fault.PARTIAL_BYTE,
            Fault.NO_STOP,
            Fault.SENT_WRONG,
            Fault.COUNT_ILLEGAL,
            Fault.COUNT_DISAGREES,
            Fault.TOO_FEW,
            Fault.TOO_MANY,
            Fault.HOST_END,
        ],
        Fault.NONE,
    ).astype(np.uint8)
    refused = address_refused | command_refused | data_refused

    required = message.pec is Pec.REQUIRED
    check = np.full(len(rows), Check.MISSING if required else Check.NONE, np.uint8)
    if message.pec is not Pec.NEVER:
        check[by_adapter | ((flags & DAMAGED) != 0) | misfit] = Check.UNKNOWN
        protected = np.flatnonzero(has_pec)
        for size, group in same_keys(length[protected]):
            chosen = protected[group]
            wire = matrix(batch, origin[chosen], size)
            check[chosen] = np.where(crc8_column(wire[:, :-1]) == wire[:, -1], np.uint8(Check.GOOD), np.uint8(Check.BAD))
    check[(flags & Flag.BAD_PEC) != 0] = Check.BAD
    check[refused] = Check.UNKNOWN
    verified = (check == Check.GOOD) | (check == Check.NONE) | ((check == Check.UNKNOWN) & (by_adapter | (not required)))
    return Framed(rows, first, np.minimum(body, declared), declared, check, fault, verified, refused)
