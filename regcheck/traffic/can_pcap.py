"""Reads and writes packet captures of CAN frames (LINKTYPE_CAN_SOCKETCAN, tcpdump.org): one packet is one frame.

A packet is the id and its marks (32 bits, big-endian), the length, the FD marks, two further bytes and the payload. Places are byte
offsets in the unpacked file. The mark that a device is error passive (ESI) is not kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from struct import pack, unpack_from
from typing import BinaryIO

from regcheck.errors import EncodeError
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.frames import CLASSIC_LENGTH, RAW_DLC_NOTE, Frame, FrameBuilder, check_frame
from regcheck.traffic.pcap import LINKTYPE_CAN_SOCKETCAN, Packet, packets, require_link_type
from regcheck.traffic.source import Source

_EXTENDED, _REMOTE, _ERROR, _ID = 0x8000_0000, 0x4000_0000, 0x2000_0000, 0x1FFF_FFFF
_RATE_SWITCH, _FD = 1, 4
_XL = 0x80  # in the fifth byte: the header of a CAN XL frame
_HEADER, _CLASSIC_PACKET, _FD_PACKET = 8, 16, 72  # sizes of the header and of Linux's structures can_frame and canfd_frame
_SECONDS_END = 1 << 32


class _Refused(ValueError):
    """A packet that gives no frame; ``kind`` is what it is counted by."""

    def __init__(self, kind: str, text: str) -> None:
        self.kind = kind
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class CanPacketReader:
    """A packet capture that holds CAN frames; ``batches`` reads them, from the start each time."""

    source: Source

    @classmethod
    def open(cls, source: Source) -> CanPacketReader:
        """Look at the first packet; CaptureError: no packet capture, or one of another link type."""
        require_link_type(source, LINKTYPE_CAN_SOCKETCAN, "CAN frames", "capture the CAN interface itself")
        return cls(source)

    def batches(self) -> Iterator[Batch]:
        """Yield the frames in batches."""
        builder = FrameBuilder(self.source.file, self.source.number, self.source.batch_size)
        for packet in packets(self.source.stream(), builder.complain):
            try:
                frame, note = _frame(packet)
            except _Refused as error:
                builder.complain(error.kind, str(error), packet.offset)
                continue
            if note:
                builder.complain(RAW_DLC_NOTE, note, packet.offset)
            builder.add_frame(frame, packet.offset)
            yield from builder.ready()
        yield from builder.finish()


def _frame(packet: Packet) -> tuple[Frame, str]:
    """Return the frame of one packet and what is odd about it ("": nothing)."""
    data = packet.data
    if packet.link_type != LINKTYPE_CAN_SOCKETCAN:
        raise _Refused("not a CAN packet", f"a packet of link type {packet.link_type}; it is left out")
    if len(data) < _HEADER:
        raise _Refused("CAN packet too short", f"a packet of {len(data)} bytes; its header alone has {_HEADER}")
    word, length, marks = unpack_from(">IBB", data)
    if length & _XL:
        raise _Refused("CAN XL frame", "a CAN XL frame; it is left out")
    flags = Flag(0)
    number = word & _ID
    extended = bool(word & _EXTENDED)
    if word & _ERROR:
        flags, extended = Flag.ERROR, True
    elif marks & _FD or packet.full_length == _FD_PACKET:
        flags = Flag.FD | Flag.RATE_SWITCH if marks & _RATE_SWITCH else Flag.FD
    if word & _REMOTE:
        flags |= Flag.REMOTE
    note = ""
    if CLASSIC_LENGTH < length <= 15 and not flags & Flag.FD:
        note = f"DLC {length} of a classic frame; it stands for {CLASSIC_LENGTH} bytes"
        length = CLASSIC_LENGTH
    if word & _REMOTE:
        length = 0
    try:
        check_frame(number, extended=extended, length=length, flags=flags)
    except ValueError as error:
        raise _Refused("impossible frame", str(error)) from None
    payload = data[_HEADER : _HEADER + length]
    if len(payload) < length:
        raise _Refused("packet kept in part", f"a frame of {length} bytes; the packet holds {len(payload)} of them")
    return Frame(packet.time_ns, number, payload, extended, flags, packet.interface), note


class CanPcapWriter:
    """Writes a pcap file (nanoseconds, little-endian) of CAN frames to an open binary file. The container names no bus: one bus a file."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        file.write(pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 0x40000, LINKTYPE_CAN_SOCKETCAN))

    def write(self, frame: Frame) -> None:
        """Write one frame; EncodeError: no bus could carry it, or its time is outside 1970 to 2106."""
        seconds, part = divmod(frame.time_ns, 1_000_000_000)
        if not 0 <= seconds < _SECONDS_END:
            raise EncodeError(f"a time of {frame.time_ns} ns cannot be written; expected one from 1970 to 2106")
        data = packet_of(frame)
        self._file.write(pack("<IIII", seconds, part, len(data), len(data)) + data)


def packet_of(frame: Frame) -> bytes:
    """Return the packet that says ``frame``, padded to the size of Linux's structure; EncodeError: no bus could carry it.

    >>> packet_of(Frame(0, 0x18FEF100, b"", extended=True))[:5].hex(" ")
    '98 fe f1 00 00'
    """
    try:
        check_frame(frame.id, extended=frame.extended, length=len(frame.data), flags=frame.flags)
    except ValueError as error:
        raise EncodeError(str(error)) from None
    word = frame.id
    if frame.flags & Flag.ERROR:
        word |= _ERROR
    elif frame.extended:
        word |= _EXTENDED
    if frame.flags & Flag.REMOTE:
        word |= _REMOTE
    is_fd = bool(frame.flags & Flag.FD)
    marks = (_FD if is_fd else 0) | (_RATE_SWITCH if frame.flags & Flag.RATE_SWITCH else 0)
    return (pack(">IBBxx", word, len(frame.data), marks) + frame.data).ljust(_FD_PACKET if is_fd else _CLASSIC_PACKET, b"\0")
