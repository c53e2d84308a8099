"""Packet captures of CAN frames: LINKTYPE_CAN_SOCKETCAN (227), the page of tcpdump.org on it, and Linux's can_frame and canfd_frame."""

from __future__ import annotations

import struct
from io import BytesIO
from pathlib import Path

import pytest

from regcheck.errors import CaptureError, EncodeError
from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.can_pcap import CanPacketReader, CanPcapWriter, packet_of
from regcheck.traffic.frames import Frame
from regcheck.traffic.open import open_capture
from regcheck.traffic.source import Source

SECOND = 10**9
EIGHT = "11 22 33 44 55 66 77 88"


def pcap(*packets: str, link: int = 227) -> bytes:
    text = struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 65535, link)
    for number, packet in enumerate(packets):
        data = bytes.fromhex(packet)
        text += struct.pack("<IIII", number, 7, len(data), len(data)) + data
    return text


def read(tmp_path: Path, content: bytes) -> list[Batch]:
    path = tmp_path / "can"
    path.write_bytes(content)
    capture = open_capture(path)
    assert isinstance(capture.reader, CanPacketReader)
    return list(capture.batches())


@pytest.mark.parametrize(
    ("packet", "number", "extended", "flags", "data"),
    [
        ("98 FE F1 00 02 00 00 00 AB CD", 0x18FEF100, True, Flag(0), "AB CD"),  # check value: 18FEF100 with its bit for extended
        ("00 00 01 23 08 00 00 00" + EIGHT, 0x123, False, Flag(0), EIGHT),
        ("80 00 01 23 08 00 00 00" + EIGHT, 0x123, True, Flag(0), EIGHT),
        ("00 00 01 23 02 00 00 00" + EIGHT, 0x123, False, Flag(0), "11 22"),  # padded to 16 bytes
        ("00 00 01 23 02 04 00 00 11 22", 0x123, False, Flag.FD, "11 22"),
        ("00 00 01 23 02 05 00 00 11 22", 0x123, False, Flag.FD | Flag.RATE_SWITCH, "11 22"),
        ("00 00 01 23 0C 00 00 00" + "11" * 64, 0x123, False, Flag.FD, "11" * 12),  # no mark, but 72 bytes: a canfd_frame
        ("40 00 01 23 08 00 00 00", 0x123, False, Flag.REMOTE, ""),
        ("C0 00 01 23 00 00 00 00" + "00" * 8, 0x123, True, Flag.REMOTE, ""),
        ("20 00 00 04 08 00 00 00 00 01 00 00 00 00 00 00", 4, True, Flag.ERROR, "00 01 00 00 00 00 00 00"),
    ],
)
def test_a_packet(tmp_path, packet, number, extended, flags, data):
    batch = read(tmp_path, pcap(packet))[0]
    key = MessageKey.unpack(int(batch.key[0]))
    assert (key.number, key.extended, Flag(int(batch.flags[0])), batch.message(0)) == (number, extended, flags, bytes.fromhex(data))
    assert (batch.time[0], batch.end[0], batch.place[0], batch.buses) == (7, 7, 24, ("",))
    assert batch.complained == {}


@pytest.mark.parametrize(
    ("packet", "kind", "count"),
    [
        ("00 00 01 23 0C 00 00 00" + EIGHT, "classic DLC above 8", 2),  # read as eight bytes, with a note
        ("00 00 01 23 0D 04 00 00" + "11" * 64, "impossible frame", 1),
        ("00 00 01 23 40 00 00 00" + EIGHT, "impossible frame", 1),
        ("00 00 08 00 00 00 00 00", "impossible frame", 1),  # more than 11 bits without the bit for 29
        ("00 00 01 23 08 00 00 00 11 22", "packet kept in part", 1),
        ("00 00 01 23 08 00 00", "CAN packet too short", 1),
        ("00 00 01 23 80 00 00 00 00 00 00 00", "CAN XL frame", 1),
    ],
)
def test_a_strange_packet_is_told_and_the_rest_is_read(tmp_path, packet, kind, count):
    batch = read(tmp_path, pcap(packet, "00 00 01 23 01 00 00 00 11"))[0]
    assert batch.complained == {kind: 1}
    assert batch.complaints[0].place.offset == 24
    assert len(batch) == count
    assert batch.message(count - 1) == b"\x11"
    assert all(batch.message(i) == bytes.fromhex(EIGHT) for i in range(count - 1))


def test_interfaces_of_a_pcapng_are_buses_named_or_not(tmp_path):
    def block(kind: int, body: bytes) -> bytes:
        body += bytes(-len(body) % 4)
        return struct.pack("<II", kind, len(body) + 12) + body + struct.pack("<I", len(body) + 12)

    frame = bytes.fromhex("00 00 01 23 01 00 00 00 11")
    text = block(0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))
    for options in (b"", b"", struct.pack("<HH4sHH", 2, 4, b"can1", 0, 0)):
        text += block(1, struct.pack("<HHI", 227, 0, 0) + options)
    text += block(1, struct.pack("<HHI", 1, 0, 0))  # a network card beside them
    for number in (0, 1, 2, 0, 3):
        text += block(6, struct.pack("<IIIII", number, 0, 5, len(frame), len(frame)) + frame)
    found = read(tmp_path, text)
    assert found[0].buses == ("", "interface 1", "can1")
    assert [MessageKey.unpack(int(key)).bus for key in found[0].key] == [0, 1, 2, 0]
    assert found[0].complained == {"not a CAN packet": 1}
    assert open_capture(tmp_path / "can").buses == ("", "interface 1", "can1")


def test_a_capture_of_another_link_type_is_refused(tmp_path):
    path = tmp_path / "lan"
    path.write_bytes(pcap("00", link=1))
    with pytest.raises(CaptureError, match=r"link type 1; expected 227 \(CAN frames\)"):
        CanPacketReader.open(Source(path))


def test_what_cannot_be_written():
    writer = CanPcapWriter(BytesIO())
    with pytest.raises(EncodeError, match="expected one from 1970 to 2106"):
        writer.write(Frame(-1, 1))
    with pytest.raises(EncodeError, match="expected one from 1970 to 2106"):
        writer.write(Frame(2**32 * SECOND, 1))
    with pytest.raises(EncodeError, match="a classic frame of 9 bytes"):
        packet_of(Frame(0, 1, bytes(9)))
