"""Checks over bytes: CRCs described as data, one message at a time (the reference) and over columns; the inverted sum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import crcmod
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Crc:
    """A cyclic redundancy check: ``poly`` without its top bit, ``init`` as the register starts, ``xorout`` applied at the end.

    ``reflected`` CRCs take and give the least significant bit first.
    """

    name: str
    width: int
    poly: int
    init: int = 0
    xorout: int = 0
    reflected: bool = False


SMBUS_PEC = Crc("CRC-8/SMBUS", 8, 0x07)
"""The packet error code: x^8 + x^2 + x + 1 (System Management Bus Specification 3.1, clause 6.4)."""

CRCS: dict[str, Crc] = {
    crc.name: crc
    for crc in (
        SMBUS_PEC,
        Crc("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, 0xFF),  # SAE J1850; AUTOSAR CRC8
        Crc("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, 0xFF),  # AUTOSAR CRC8H2F
    )
}
"""By the names that maps use."""


@cache
def crc_function(crc: Crc) -> Callable[[bytes], int]:
    """Return what computes a CRC of bytes, one message at a time.

    >>> hex(crc_function(SMBUS_PEC)(b"123456789"))
    '0xf4'
    """
    made = crcmod.mkCrcFun(1 << crc.width | crc.poly, initCrc=crc.init ^ crc.xorout, rev=crc.reflected, xorOut=crc.xorout)
    return lambda data: int(made(data))


def pec(data: bytes) -> int:
    """Return the packet error code of a transfer's bytes, both address bytes included."""
    return crc_function(SMBUS_PEC)(data)


CHUNK_ROWS = 8192
"""Rows at a time, so that what is between stays in the processor's cache."""


@cache
def _tables(crc: Crc) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Return the CRC register after one byte, after two, and after two that are followed by two zero bytes, from a register of 0.

    A pair of bytes indexes as a little-endian 16-bit word. A CRC without init is linear: what two pairs do adds up.
    """
    one = np.arange(256, dtype=np.uint8)
    for _ in range(8):
        if crc.reflected:
            mirrored = int(f"{crc.poly:08b}"[::-1], 2)
            one = np.where(one & 1, one >> 1 ^ mirrored, one >> 1).astype(np.uint8)
        else:
            one = np.where(one & 0x80, one << 1 ^ crc.poly, one << 1).astype(np.uint8)
    word = np.arange(1 << 16)
    two = one[one[word & 0xFF] ^ (word >> 8).astype(np.uint8)]
    return one, two, one[one[two]]


def crc8_column(data: NDArray[np.uint8], crc: Crc = SMBUS_PEC) -> NDArray[np.uint8]:
    """Return an 8-bit CRC of each row: ``data`` u1[n, k] -> u1[n].

    Raises ValueError for a CRC of another width.
    """
    if crc.width != 8:
        raise ValueError(f"{crc.name} has {crc.width} bits; columns are checked by CRCs of 8")
    data = np.ascontiguousarray(data)
    out = np.empty(len(data), np.uint8)
    for first in range(0, len(data), CHUNK_ROWS):
        rows = slice(first, first + CHUNK_ROWS)
        _crc8_rows(data[rows], crc, out[rows])
    return out


def _crc8_rows(data: NDArray[np.uint8], crc: Crc, out: NDArray[np.uint8]) -> None:
    one, two, four = _tables(crc)
    length = data.shape[1]
    head = length % 4
    out[:] = crc.init

    def pairs(at: int) -> NDArray[np.uint16]:
        # a view of two neighbouring bytes a row, wherever it stands: copying rows of a few bytes would cost more than the CRC
        return np.ndarray((len(data),), np.dtype("<u2"), buffer=data.data, offset=at, strides=(length,))

    if head & 1:
        one.take(out ^ data[:, 0], out=out, mode="clip")
    if head & 2:
        two.take(pairs(head & 1) ^ out, out=out, mode="clip")
    for at in range(head, length, 4):
        four.take(pairs(at) ^ out, out=out, mode="clip")
        out ^= two.take(pairs(at + 2), mode="clip")
    out ^= np.uint8(crc.xorout)


def inverted_sum(data: bytes, width: int = 8) -> int:
    """Return the ones' complement of the sum of all bytes, in ``width`` bits.

    >>> hex(inverted_sum(bytes.fromhex("14A00465342301")))
    '0x8a'
    """
    return ~sum(data) & ((1 << width) - 1)


def inverted_sum_column(data: NDArray[np.uint8], width: int = 8) -> NDArray[np.uint64]:
    """Return ``inverted_sum`` of each row: u1[n, k] -> u8[n]."""
    total: NDArray[np.uint64] = data.sum(axis=1, dtype=np.uint64)
    return ~total & np.uint64((1 << width) - 1)
