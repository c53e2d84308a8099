"""Checks over bytes: CRCs described as data, one message at a time (the reference) and over columns; the inverted sum."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import crcmod
import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.crc_catalogue import CRC_CATALOGUE, CrcAlgorithm

SMBUS_PEC = CRC_CATALOGUE["CRC-8/SMBUS"]
"""The packet error code: x^8 + x^2 + x + 1 (System Management Bus Specification 3.1, clause 6.4)."""

CRCS = CRC_CATALOGUE
"""By the names that maps use."""

_BY_LIBRARY = frozenset({8, 16, 24, 32, 64})


@cache
def crc_function(crc: CrcAlgorithm) -> Callable[[bytes], int]:
    """Return what computes a CRC of bytes, one message at a time.

    >>> hex(crc_function(SMBUS_PEC)(b"123456789"))
    '0xf4'
    """
    if crc.width in _BY_LIBRARY and crc.refin == crc.refout:
        start = mirrored(crc.init, crc.width) if crc.refin else crc.init
        made = crcmod.mkCrcFun(1 << crc.width | crc.poly, initCrc=start ^ crc.xorout, rev=crc.refin, xorOut=crc.xorout)
        return lambda data: int(made(data))
    return lambda data: _bit_by_bit(crc, data)


def _bit_by_bit(crc: CrcAlgorithm, data: bytes) -> int:
    """Return a CRC by its definition: a register shifted left, a bit at a time."""
    register, top, mask = crc.init, 1 << (crc.width - 1), (1 << crc.width) - 1
    for byte in data:
        for bit in range(8) if crc.refin else reversed(range(8)):
            leaving = bool(register & top) ^ (byte >> bit & 1)
            register = (register << 1 & mask) ^ (crc.poly if leaving else 0)
    return (mirrored(register, crc.width) if crc.refout else register) ^ crc.xorout


def mirrored(number: int, width: int) -> int:
    """Return the lowest ``width`` bits of a number the other way round."""
    return int(f"{number:0{width}b}"[::-1], 2)


def pec(data: bytes) -> int:
    """Return the packet error code of a transfer's bytes, both address bytes included."""
    return crc_function(SMBUS_PEC)(data)


CHUNK_ROWS = 8192
"""Rows at a time, so that what is between stays in the processor's cache."""


@cache
def _tables(crc: CrcAlgorithm) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
    """Return the CRC register after one byte, after two, and after two that are followed by two zero bytes, from a register of 0.

    A pair of bytes indexes as a little-endian 16-bit word. A CRC without init is linear: what two pairs do adds up.
    """
    one = np.arange(256, dtype=np.uint8)
    for _ in range(8):
        if crc.refin:
            one = np.where(one & 1, one >> 1 ^ mirrored(crc.poly, 8), one >> 1).astype(np.uint8)
        else:
            one = np.where(one & 0x80, one << 1 ^ crc.poly, one << 1).astype(np.uint8)
    word = np.arange(1 << 16)
    two = one[one[word & 0xFF] ^ (word >> 8).astype(np.uint8)]
    return one, two, one[one[two]]


def crc_column(data: NDArray[np.uint8], crc: CrcAlgorithm = SMBUS_PEC) -> NDArray[np.uint64]:
    """Return a CRC of each row: ``data`` u1[n, k] -> u8[n]."""
    if crc.width == 8 and crc.refin == crc.refout:
        return crc8_column(data, crc).astype(np.uint64)
    out = np.empty(len(data), np.uint64)
    for first in range(0, len(data), CHUNK_ROWS):
        rows = slice(first, first + CHUNK_ROWS)
        out[rows] = _wide_rows(data[rows], crc)
    return out


def crc8_column(data: NDArray[np.uint8], crc: CrcAlgorithm = SMBUS_PEC) -> NDArray[np.uint8]:
    """Return an 8-bit CRC of each row: ``data`` u1[n, k] -> u1[n].

    Raises ValueError for a CRC of another width, or one that is mirrored at one end alone.
    """
    if crc.width != 8 or crc.refin != crc.refout:
        raise ValueError(f"{crc.name} has {crc.width} bits; expected 8, the same way round at both ends")
    if data.strides[1] != 1:
        data = np.ascontiguousarray(data)
    out = np.empty(len(data), np.uint8)
    for first in range(0, len(data), CHUNK_ROWS):
        rows = slice(first, first + CHUNK_ROWS)
        _crc8_rows(data[rows], crc, out[rows])
    return out


@cache
def _wide_table(crc: CrcAlgorithm) -> NDArray[np.uint64]:
    """Return what each byte does to an empty register: mirrored ones at the low end, others at the top of at least 8 bits."""
    register = max(crc.width, 8)
    table = []
    for byte in range(256):
        one = byte if crc.refin else byte << (register - 8)
        for _ in range(8):
            if crc.refin:
                one = one >> 1 ^ (mirrored(crc.poly, crc.width) if one & 1 else 0)
            else:
                one = (one << 1 & ((1 << register) - 1)) ^ (crc.poly << (register - crc.width) if one >> (register - 1) else 0)
        table.append(one)
    return np.array(table, np.uint64)


def _wide_rows(data: NDArray[np.uint8], crc: CrcAlgorithm) -> NDArray[np.uint64]:
    table, eight, low = _wide_table(crc), np.uint64(8), np.uint64(0xFF)
    register = max(crc.width, 8)
    start = mirrored(crc.init, crc.width) if crc.refin else crc.init << (register - crc.width)
    mask, top = np.uint64((1 << register) - 1), np.uint64(register - 8)
    out = np.full(len(data), start, np.uint64)
    for column in range(data.shape[1]):
        if crc.refin:
            out = table[(out ^ data[:, column]) & low] ^ (out >> eight)
        else:
            out = table[(out >> top ^ data[:, column]) & low] ^ (out << eight & mask)
    if not crc.refin:
        out >>= np.uint64(register - crc.width)
    if crc.refin != crc.refout:
        turned = np.zeros_like(out)
        for bit in range(crc.width):
            turned |= (out >> np.uint64(bit) & np.uint64(1)) << np.uint64(crc.width - 1 - bit)
        out = turned
    return out ^ np.uint64(crc.xorout)


def _crc8_rows(data: NDArray[np.uint8], crc: CrcAlgorithm, out: NDArray[np.uint8]) -> None:
    one, two, four = _tables(crc)
    length = data.shape[1]
    head = length % 4
    out[:] = mirrored(crc.init, 8) if crc.refin else crc.init

    def pairs(at: int) -> NDArray[np.uint16]:
        # a view of two neighbouring bytes a row, wherever it stands: copying rows of a few bytes would cost more than the CRC
        return data[:, at : at + 2].view("<u2")[:, 0]

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
