"""Reads packet captures of I2C messages (LINKTYPE_I2C_LINUX, tcpdump.org) as transfers: one packet is one message, without a stop.

A write that the next message of its bus follows within ``JOIN_NS`` as a read of the same address becomes one read (``Flag.COMBINED``):
the format tells a repeated start from a stop and start by nothing else. Acknowledge bits are not recorded; the ordinary ones are taken.
Places are byte offsets in the unpacked file.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace

from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.pcap import LINKTYPE_I2C_LINUX, Packet, packets, require_link_type
from regcheck.traffic.shapes import LONGEST, Transfer
from regcheck.traffic.source import Source
from regcheck.traffic.times import format_seconds

JOIN_NS = 35_000_000
"""The longest time from a write to the read that belongs to it: t_TIMEOUT max of SMBus 3.1, table of AC specifications."""

_EVENT = 0x80
_READ = 1
_NO_START = 0x4000  # I2C_M_NOSTART of the Linux kernel: the message continues the one before it
EVENTS = {
    0x1: "promiscuous mode on",
    0x2: "promiscuous mode off",
    0x4: "online",
    0x8: "offline",
    0x10: "attached",
    0x20: "detached",
    0x40: "promiscuous buffer full",
    0x80: "promiscuous buffer free",
    0x100: "receive buffer full",
    0x200: "receive buffer free",
}


@dataclass(frozen=True, slots=True)
class I2cPacketReader:
    """A packet capture that holds I2C messages; ``batches`` reads them, from the start each time."""

    source: Source

    @classmethod
    def open(cls, source: Source) -> I2cPacketReader:
        """Look at the first packet; CaptureError: no packet capture, or one of another link type."""
        require_link_type(source, LINKTYPE_I2C_LINUX, "I2C messages", "capture the I2C adapter itself")
        return cls(source)

    def batches(self) -> Iterator[Batch]:
        """Yield the transfers in batches; time going backwards begins a new epoch."""
        builder = self.source.builder()
        joiner = _Joiner(builder)
        for packet in packets(self.source.stream(), builder.complain):
            if packet.link_type == LINKTYPE_I2C_LINUX:
                joiner.take(packet)
            else:
                builder.complain("not an I2C packet", f"a packet of link type {packet.link_type}; it is left out", packet.offset)
            yield from builder.ready()
        joiner.flush()
        yield from builder.finish()


class _Joiner:
    """Holds messages back, in order, until it is known whether a read follows."""

    def __init__(self, builder: BatchBuilder) -> None:
        self._builder = builder
        self._waiting: deque[list[tuple[Transfer, int]]] = deque()  # one-item lists, so that a join changes the item in its place
        self._last_on: dict[str, list[tuple[Transfer, int]]] = {}
        self._now_ns: int | None = None

    def take(self, packet: Packet) -> None:
        """Take the next packet."""
        if self._now_ns is not None and packet.time_ns < self._now_ns:
            now, then = format_seconds(self._now_ns), format_seconds(packet.time_ns)
            self._builder.complain(
                "time goes backwards", f"time goes backwards, from {now} s to {then} s; a new stretch begins here", packet.offset
            )
            self.flush()
            self._builder.new_epoch()
        self._now_ns = packet.time_ns
        self._builder.advance(packet.time_ns)
        transfer = self._transfer(packet)
        if transfer is not None and not self._join(transfer):
            item = [(transfer, packet.offset)]
            self._last_on[transfer.bus] = item
            self._waiting.append(item)
        while self._waiting and self._is_settled(self._waiting[0]):
            self._builder.add(*self._waiting.popleft()[0])

    def flush(self) -> None:
        """Hand over what is held back."""
        while self._waiting:
            self._builder.add(*self._waiting.popleft()[0])
        self._last_on.clear()

    def _is_settled(self, item: list[tuple[Transfer, int]]) -> bool:
        transfer = item[0][0]
        return self._last_on.get(transfer.bus) is not item or not _may_go_on(transfer) or (self._now_ns or 0) - transfer.time_ns > JOIN_NS

    def _join(self, read: Transfer) -> bool:
        item = self._last_on.get(read.bus)
        if item is None:
            return False
        write, offset = item[0]
        if not (_may_go_on(write) and read.parts[0][0] == write.parts[0][0] | 1 and read.time_ns - write.time_ns <= JOIN_NS):
            return False
        if len(write.parts[0]) + len(read.parts[0]) > LONGEST:
            return False
        item[0] = (
            replace(write, parts=write.parts + read.parts, end_ns=read.time_ns, flags=write.flags | read.flags | Flag.COMBINED),
            offset,
        )
        return True

    def _transfer(self, packet: Packet) -> Transfer | None:
        data = packet.data
        if len(data) < 5:
            self._complain("I2C packet too short", f"a packet of {len(data)} bytes; expected 5 and an address", packet)
            return None
        bus = f"i2c-{data[0] & 0x7F}"
        flags = int.from_bytes(data[1:5], "big")
        if data[0] & _EVENT:
            for bit, name in EVENTS.items():
                if flags & bit:
                    self._complain(f"bus event: {name}", f"{bus}: {name}, flags 0x{flags:08X}", packet)
            if not flags & sum(EVENTS):
                self._complain("bus event: unknown", f"{bus}: flags 0x{flags:08X}", packet)
            self._last_on.pop(bus, None)
            return None
        if len(data) < 6:
            self._complain("I2C packet too short", f"a message of {bus} without an address byte", packet)
            return None
        if flags & _NO_START:
            self._complain("message without a start", f"a message of {bus} goes on without a start of its own; it is left out", packet)
            return None
        if len(data) - 5 > LONGEST:
            self._complain("message too long", f"a message of {len(data) - 5} bytes; at most {LONGEST} can be held", packet)
            return None
        message = bytes((data[5] & 0xFE | flags & _READ,)) + data[6:]
        is_cut = packet.full_length > len(data)
        if is_cut:
            self._complain("packet kept in part", f"{len(data)} of {packet.full_length} bytes were kept", packet)
        return Transfer(packet.time_ns, (message,), packet.time_ns, flags=Flag.NO_STOP | Flag.CUT if is_cut else Flag(0), bus=bus)

    def _complain(self, kind: str, text: str, packet: Packet) -> None:
        self._builder.complain(kind, text, packet.offset)


def _may_go_on(transfer: Transfer) -> bool:
    return len(transfer.parts) == 1 and len(transfer.parts[0]) > 1 and not transfer.parts[0][0] & 1
