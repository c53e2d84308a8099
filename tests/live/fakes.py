"""A clock that is moved by hand, and an I2C adapter at the level of smbus2 that fails as it is told."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from ctypes import memmove
from typing import Any

RAW, PEC, BYTE, BYTE_DATA, WORD_DATA = 0x1, 0x8, 0x6_0000, 0x18_0000, 0x60_0000
READ_BLOCK, I2C_BLOCK = 0x0100_0000, 0x0400_0000
KERNEL = PEC | BYTE | BYTE_DATA | WORD_DATA | READ_BLOCK | I2C_BLOCK
"""Bits of I2C_FUNCS: Linux uapi/linux/i2c.h, as smbus2.I2cFunc has them."""


def crc8(data: bytes) -> int:
    """The PEC, bit by bit (SMBus 3.1, clause 6.4), independently of the code under test."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 7) & 0xFF if crc & 0x80 else crc << 1
    return crc


class FakeClock:
    def __init__(self, wall_ns: int = 1_800_000_000_000_000_000) -> None:
        self.now = 5_000_000_000
        self.offset = wall_ns - self.now

    def monotonic_ns(self) -> int:
        return self.now

    def wall_ns(self) -> int:
        return self.now + self.offset

    def wait(self, seconds: float) -> None:
        self.now += max(round(seconds * 1e9), 1)


class FakeAdapter:
    """Registers by (address, command); a block register holds its data without the count. ``fails`` is asked before each call."""

    def __init__(
        self,
        registers: dict[tuple[int, int | None], bytes],
        blocks: set[int] | None = None,
        *,
        funcs: int = RAW | READ_BLOCK,
        sends_pec: bool = True,
        bad_pec: Callable[[int], bool] = lambda number: False,
        fails: Callable[[int], int] = lambda number: 0,
        on_call: Callable[[], None] = lambda: None,
    ) -> None:
        self.registers, self.blocks, self.funcs = registers, blocks or set(), funcs
        self.sends_pec, self.bad_pec, self.fails, self.on_call = sends_pec, bad_pec, fails, on_call
        self.pec = 0
        self.calls = 0
        self.writes: list[bytes] = []
        self.reads: list[tuple[int, int | None]] = []
        self.closed = False

    def close(self) -> None:
        self.closed = True

    def _begin(self) -> int:
        self.calls += 1
        self.on_call()
        code = self.fails(self.calls)
        if code:
            raise OSError(code, os.strerror(code))
        return self.calls

    def _payload(self, address: int, command: int | None) -> bytes:
        self.reads.append((address, command))
        if (address, command) not in self.registers:
            raise OSError(errno.ENXIO, os.strerror(errno.ENXIO))
        data = self.registers[address, command]
        return bytes([len(data)]) + data if command in self.blocks else data

    def _wire(self, address: int, command: int | None, number: int) -> bytes:
        data = self._payload(address, command)
        if not self.sends_pec:
            return data
        asked = b"" if command is None else bytes([address << 1, command])
        return data + bytes([crc8(asked + bytes([address << 1 | 1]) + data) ^ (0xFF if self.bad_pec(number) else 0)])

    def i2c_rdwr(self, *messages: Any) -> None:
        number = self._begin()
        asked = b""
        for message in messages[:-1]:
            assert not message.flags & 1
            asked += bytes(message)
        last = messages[-1]
        if not last.flags & 1:
            self.writes.append(bytes([last.addr << 1]) + asked + bytes(last))
            return
        if len(asked) > 1:
            self.writes.append(bytes([last.addr << 1]) + asked)
        wire = self._wire(last.addr, asked[0] if asked else None, number)
        size = last.len
        if last.flags & 0x400:  # I2C_M_RECV_LEN: the kernel wants room for 32 more than the extra bytes that the first byte tells
            extra = last.buf[0][0]
            assert extra >= 1
            assert last.len >= extra + 32
            if not 1 <= wire[0] <= 32:
                raise OSError(errno.EPROTO, os.strerror(errno.EPROTO))
            size = extra + wire[0]
        memmove(last.buf, wire[:size].ljust(size, b"\xff"), size)

    def _kernel(self, address: int, command: int | None) -> bytes:
        number = self._begin()
        data = self._payload(address, command)
        if self.pec and (not self.sends_pec or self.bad_pec(number)):
            raise OSError(errno.EBADMSG, os.strerror(errno.EBADMSG))
        return data

    def read_byte(self, address: int) -> int:
        return self._kernel(address, None)[0]

    def read_byte_data(self, address: int, command: int) -> int:
        return self._kernel(address, command)[0]

    def read_word_data(self, address: int, command: int) -> int:
        return int.from_bytes(self._kernel(address, command)[:2], "little")

    def read_block_data(self, address: int, command: int) -> list[int]:
        return list(self._kernel(address, command)[1:])

    def read_i2c_block_data(self, address: int, command: int, size: int) -> list[int]:
        number = self._begin()
        assert size <= 32
        assert not self.pec
        return list(self._wire(address, command, number)[:size].ljust(size, b"\xff"))

    def write_word_data(self, address: int, command: int, word: int) -> None:
        self._begin()
        wire = bytes([address << 1, command, word & 0xFF, word >> 8])
        self.writes.append(wire + (bytes([crc8(wire)]) if self.pec else b""))
