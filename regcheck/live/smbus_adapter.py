"""Reads registers through one I2C adapter as smbus2 offers it, in the way that the adapter can.

What the kernel's errors mean is from memory of its documentation (I2C/SMBus fault codes) and drivers. Raw transfers show every byte on
the wire, PEC included; the kernel's own SMBus calls keep the PEC, and check it where that is asked for. Nothing here writes data to a
device but ``write_selector``, which takes a ``WritePermit``; the command byte that names a register is part of its read.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from regcheck.codec.checksums import pec
from regcheck.device_map.model import Pec, TransferKind
from regcheck.live.poll_plan import Read, Selector
from regcheck.traffic.batch import Flag
from regcheck.traffic.heard import BAD_PEC

RECV_LEN = 0x0400
"""I2C_M_RECV_LEN of the Linux kernel (uapi/linux/i2c.h): the first byte that comes says how many follow."""

RAW, PEC_CALL, READ_BLOCK, READ_I2C_BLOCK = 0x1, 0x8, 0x0100_0000, 0x0400_0000
BYTE_CALL, BYTE_DATA_CALL, WORD_DATA_CALL, WRITE_WORD_CALL = 0x0002_0000, 0x0008_0000, 0x0020_0000, 0x0040_0000
"""Bits of I2C_FUNCS (uapi/linux/i2c.h)."""

KERNEL_MOST = 32
"""Bytes that one of the kernel's block calls can hold (I2C_SMBUS_BLOCK_MAX)."""

NACK = "nack"
WORDS = {
    errno.ENXIO: NACK,
    errno.ENODEV: NACK,  # unless the adapter itself is gone
    errno.EREMOTEIO: "refused",
    errno.EIO: "bus",
    errno.EAGAIN: "arbitration",
    errno.ETIMEDOUT: "timeout",
    errno.EBADMSG: BAD_PEC,
    errno.EPROTO: "count",
    errno.EBUSY: "busy",
    errno.EOPNOTSUPP: "unsupported",
    errno.ENOSYS: "unsupported",
    errno.EINVAL: "unsupported",
    errno.ESHUTDOWN: "adapter",
    errno.EBADF: "adapter",
}
"""What an adapter's error means; any other one is a fault of the bus."""

Parts = tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class WritePermit:
    """The user's leave to make exactly these writes; only ``permit_writes`` makes one."""

    selectors: frozenset[Selector]
    key: object = None


_KEY = object()


def permit_writes(selectors: Sequence[Selector], *, allowed: bool) -> WritePermit | None:
    """Return the permit for the writes that the map asks for where the user has said ``--allow-writes``, else None."""
    return WritePermit(frozenset(selectors), _KEY) if allowed and selectors else None


@dataclass(frozen=True, slots=True)
class Way:
    """How one register is read here: ``call`` does it and returns the parts of the transfer, or raises OSError.

    ``sees_pec``: the PEC is the last byte of the parts. ``flags`` go with what was read.
    """

    read: Read
    call: Callable[[], Parts]
    sees_pec: bool
    flags: Flag
    asked: bytes
    """The address byte, and the command byte where there is one: what is known to have been tried if the call fails."""


class SmbusAdapter:
    """One opened adapter: ``bus`` has the methods of ``smbus2.SMBus``."""

    def __init__(self, bus: Any) -> None:
        self._bus = bus
        self._funcs = int(bus.funcs)

    @property
    def is_raw(self) -> bool:
        """Whether transfers are composed here, byte by byte."""
        return bool(self._funcs & RAW)

    @property
    def says(self) -> str:
        """How registers are read, for the head of the file and the user."""
        if self.is_raw:
            blocks = "blocks by the device's count" if self._funcs & READ_BLOCK else "blocks read long and kept up to the device's count"
            return f"raw transfers: every byte on the wire is kept, PEC too; {blocks}"
        checks = "which checks the PEC and keeps it" if self._funcs & PEC_CALL else "which checks no PEC; a required one is read as a byte"
        return f"the kernel's SMBus calls through the adapter, {checks}"

    def close(self) -> None:
        """Close the adapter."""
        self._bus.close()

    def way(self, read: Read, *, with_pec: bool) -> Way | None:
        """Return how a register is read, None where the adapter offers nothing for it."""
        if self.is_raw:
            return self._raw(read, with_pec=with_pec)
        call = self._kernel_call(read)
        by_kernel = with_pec and bool(self._funcs & PEC_CALL)
        if call is not None and (by_kernel or not with_pec):
            flags = Flag.PEC_BY_ADAPTER if by_kernel else Flag(0)
            return Way(read, self._checked(read, call, int(by_kernel)), False, flags, _asked(read))
        if self._funcs & READ_I2C_BLOCK and read.command is not None:
            return self._plain(read, with_pec=with_pec)
        return None

    def write_selector(self, selector: Selector, permit: WritePermit, *, with_pec: bool) -> Parts:
        """Write a selector word, the one write there is. PermissionError: the permit does not cover it. OSError: it failed."""
        if permit.key is not _KEY or selector not in permit.selectors:
            raise PermissionError(f"not permitted: {selector}")
        wire = bytes([selector.address << 1, selector.command, selector.word & 0xFF, selector.word >> 8])
        if not self.is_raw:
            if self._funcs & PEC_CALL:
                self._bus.pec = int(with_pec)
            self._bus.write_word_data(selector.address, selector.command, selector.word)
            return (wire,)
        from smbus2 import i2c_msg

        wire += bytes([pec(wire)]) if with_pec else b""
        self._bus.i2c_rdwr(i2c_msg.write(selector.address, wire[1:]))
        return (wire,)

    def can_write(self) -> bool:
        """Whether the adapter could write a selector at all."""
        return self.is_raw or bool(self._funcs & WRITE_WORD_CALL)

    def _raw(self, read: Read, *, with_pec: bool) -> Way:
        from ctypes import string_at

        from smbus2 import i2c_msg

        extra = int(with_pec)
        head, second = _asked(read), bytes([read.address << 1 | 1])
        asks = [] if read.command is None else [i2c_msg.write(read.address, [read.command])]
        by_count = read.is_counted and bool(self._funcs & READ_BLOCK) and read.least > 0 and read.most <= KERNEL_MOST
        size = 1 + extra + KERNEL_MOST if by_count else (1 + read.most if read.is_counted else read.size) + extra
        gets = i2c_msg.read(read.address, size)
        if by_count:
            gets.flags |= RECV_LEN
        messages = (*asks, gets)
        transfer, buffer = self._bus.i2c_rdwr, gets.buf
        if not read.is_counted:

            def fixed() -> Parts:
                transfer(*messages)
                came = second + string_at(buffer, size)
                return (head, came) if asks else (came,)

            return Way(read, fixed, with_pec, Flag(0), head)
        first = bytes([1 + extra])

        def counted() -> Parts:
            if by_count:
                buffer[0] = first  # how many bytes come beside the data: the count, and the PEC
            transfer(*messages)
            came = string_at(buffer, size)
            kept = 1 + came[0] + extra if came[0] <= read.most else size
            return head, second + came[:kept]

        return Way(read, counted, with_pec, Flag(0), head)

    def _kernel_call(self, read: Read) -> Callable[[], bytes] | None:
        bus, address, command = self._bus, read.address, read.command or 0
        if read.kind is TransferKind.RECEIVE_BYTE and self._funcs & BYTE_CALL:
            return lambda: bytes([bus.read_byte(address)])
        if read.kind is TransferKind.BYTE and self._funcs & BYTE_DATA_CALL:
            return lambda: bytes([bus.read_byte_data(address, command)])
        if read.kind is TransferKind.WORD and self._funcs & WORD_DATA_CALL:
            return lambda: bus.read_word_data(address, command).to_bytes(2, "little")
        if read.kind is TransferKind.BLOCK and self._funcs & READ_BLOCK:

            def block() -> bytes:
                data = bytes(bus.read_block_data(address, command))
                return bytes([len(data)]) + data

            return block
        return None

    def _checked(self, read: Read, call: Callable[[], bytes], wanted: int) -> Callable[[], Parts]:
        """Return a kernel call that sets the kernel's PEC before it, and what it gives as parts of a transfer."""
        bus, head, second = self._bus, _asked(read), bytes([read.address << 1 | 1])
        can = bool(self._funcs & PEC_CALL)
        is_alone = read.command is None

        def parts() -> Parts:
            if can and bus.pec != wanted:
                bus.pec = wanted
            came = second + call()
            return (came,) if is_alone else (head, came)

        return parts

    def _plain(self, read: Read, *, with_pec: bool) -> Way | None:
        """Return a read of so many bytes without a count of the kernel's: it has no PEC in it but the one that is read as a byte."""
        extra = int(with_pec)
        size = min(1 + read.most + extra, KERNEL_MOST) if read.is_counted else read.size + extra
        if size > KERNEL_MOST:
            return None
        bus, head, second = self._bus, _asked(read), bytes([read.address << 1 | 1])

        def parts() -> Parts:
            if self._funcs & PEC_CALL and bus.pec:
                bus.pec = 0
            came = bytes(bus.read_i2c_block_data(read.address, read.command, size))
            if not read.is_counted or came[0] > read.most:
                return head, second + came
            if 1 + came[0] + extra > size:
                raise OSError(errno.EOPNOTSUPP, f"a block of {came[0]} bytes is longer than the adapter can read")
            return head, second + came[: 1 + came[0] + extra]

        return Way(read, parts, with_pec, Flag(0), head)


def _asked(read: Read) -> bytes:
    """Return the bytes before the repeated start; of a receive byte its only address byte."""
    return bytes([read.address << 1 | 1]) if read.command is None else bytes([read.address << 1, read.command])


def wants_pec(read: Read, seen: bool | None) -> bool:
    """Return whether a PEC is asked for: ``seen`` is whether the device is known to send one, None while that is not known."""
    return read.pec is Pec.REQUIRED or (read.pec is Pec.OPTIONAL and seen is not False)
