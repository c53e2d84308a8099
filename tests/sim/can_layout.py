"""The frames of the invented rack, read by hand from its interface sheet SC-96: an independent decoder for tests."""

from __future__ import annotations

import crcmod

from regcheck.traffic.frames import Frame

STATE, CELLS, SUPERVISION, ALARMS, IDENTITY = 0xFF10, 0xFF11, 0xFF12, 0xFF13, 0xFF14

plain_1d = crcmod.mkCrcFun(0x11D, initCrc=0, rev=False)
"""AUTOSAR E2E profile 1: polynomial 0x1D, start 0, no final inversion (check values of the project's CAN table: zeros give 0xCC)."""

j1850 = crcmod.mkCrcFun(0x11D, initCrc=0, rev=False, xorOut=0xFF)
"""CRC-8/SAE-J1850: polynomial 0x1D, start 0xFF, inverted; 123456789 gives 0x4B."""

autosar = crcmod.mkCrcFun(0x12F, initCrc=0, rev=False, xorOut=0xFF)
"""CRC-8/AUTOSAR: polynomial 0x2F, start 0xFF, inverted; 123456789 gives 0xDF."""


def of_group(frames: list[Frame], pgn: int, rack: int = 3) -> list[Frame]:
    """Return the frames of one parameter group and rack (SAE J1939-21: the source address is the id's lowest byte)."""
    return [frame for frame in frames if frame.id & 0x3FFFFFF == pgn << 8 | 0xA0 + rack]


def cell_codes(data: bytes) -> list[int]:
    """Return the four 12-bit numbers of a page of cells, most significant bit first from byte 1 on."""
    run = int.from_bytes(data[1:7], "big")
    return [run >> shift & 0xFFF for shift in (36, 24, 12, 0)]


def check_is_right(frame: Frame, rack: int = 3) -> bool:
    """Return whether the check of a frame holds."""
    data = frame.data
    pgn = frame.id >> 8 & 0x3FFFF
    if pgn == STATE:
        return bool(data[0] == plain_1d(bytes([rack, 0x5C]) + data[1:]))
    if pgn == CELLS:
        return bool(data[7] == autosar(data[:7]))
    return pgn != SUPERVISION or bool(data[7] == j1850(bytes.fromhex("5C 12") + data[:7]))


def count_of(frame: Frame) -> int:
    """Return the counter of a frame that has one."""
    first_bit, width = {STATE: (8, 4), CELLS: (5, 3), SUPERVISION: (48, 4), ALARMS: (12, 4)}[frame.id >> 8 & 0x3FFFF]
    return int.from_bytes(frame.data, "little") >> first_bit & (1 << width) - 1
