"""Packet captures: the pcap and pcapng containers, and I2C messages (LINKTYPE_I2C_LINUX, tcpdump.org)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.open import open_capture
from regcheck.traffic.pcap import Packet, packets
from regcheck.traffic.stream import ByteStream

WRITE = bytes.fromhex("01 00 00 00 00 16 09")
READ = bytes.fromhex("01 00 00 00 01 17 D0 39 7E")
SECOND = 10**9


def pcap(rows: list[tuple[int, bytes]], order: str = "<", magic: int = 0xA1B2C3D4, link: int = 209) -> bytes:
    tick = 1 if magic == 0xA1B23C4D else 1000
    text = struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 65535, link)
    for time, data in rows:
        text += struct.pack(order + "IIII", time // SECOND, time % SECOND // tick, len(data), len(data)) + data
    return text


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    body += bytes(-len(body) % 4)
    length = struct.pack(order + "I", len(body) + 12)
    return struct.pack(order + "I", kind) + length + body + length


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(options: bytes = b"", order: str = "<", link: int = 209) -> bytes:
    return block(1, struct.pack(order + "HHI", link, 0, 0) + options, order)


def enhanced(ticks: int, data: bytes, order: str = "<", number: int = 0) -> bytes:
    return block(6, struct.pack(order + "IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, len(data), len(data)) + data, order)


def read(tmp_path: Path, content: bytes, chunk_size: int = 1 << 20) -> list[Batch]:
    path = tmp_path / "bus.pcap"
    path.write_bytes(content)
    return list(open_capture(path, chunk_size=chunk_size).batches())


def messages(found: list[Batch]) -> list[bytes]:
    return [batch.message(i) for batch in found for i in range(len(batch))]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(("magic", "time"), [(0xA1B2C3D4, 12_345_678_000), (0xA1B23C4D, 12_345_678_901)])
@pytest.mark.parametrize("address", [0x16, 0x17])
def test_a_write_and_the_read_behind_it_are_one_transfer(tmp_path, order, magic, time, address):
    """The flags decide the direction; the low bit of the address byte is unspecified."""
    later = READ[:5] + bytes([address]) + READ[6:]
    batch = read(tmp_path, pcap([(time, WRITE), (time + 1_000_000, later)], order, magic))[0]
    assert batch.message(0) == bytes.fromhex("16 09 17 D0 39 7E")
    assert MessageKey.unpack(int(batch.key[0])) == MessageKey(Kind.READ, 0x0B, 9)
    assert (batch.time[0], batch.end[0], batch.split[0], batch.nack[0]) == (time, time + 1_000_000, 2, 5)
    assert (batch.flags[0], batch.place[0], batch.buses) == (Flag.COMBINED, 24, ("i2c-1",))


@pytest.mark.parametrize(
    ("later", "wait"),
    [
        (READ, 35_000_001),  # too late
        (bytes.fromhex("01 00 00 00 01 19 D0 39"), 1_000),  # another address
        (bytes.fromhex("02 00 00 00 01 17 D0 39"), 1_000),  # another bus
        (WRITE, 1_000),
    ],
)
def test_what_is_not_joined(tmp_path, later, wait):
    batch = read(tmp_path, pcap([(SECOND, WRITE), (SECOND + wait, later)], magic=0xA1B23C4D))[0]
    assert messages([batch]) == [WRITE[5:], later[5:]]
    assert not (batch.flags & Flag.COMBINED).any()


def test_buses_stay_apart_and_transfers_in_order(tmp_path):
    other = bytes([2]) + WRITE[1:]
    rows = [(SECOND, WRITE), (SECOND + 1000, other), (SECOND + 2000, bytes([2]) + READ[1:]), (SECOND + 3000, READ)]
    batch = read(tmp_path, pcap(rows))[0]
    assert batch.buses == ("i2c-1", "i2c-2")
    assert [MessageKey.unpack(int(key)).bus for key in batch.key] == [0, 1]
    assert batch.time.tolist() == [SECOND, SECOND + 1000]
    assert messages([batch]) == [bytes.fromhex("16 09 17 D0 39 7E")] * 2


@pytest.mark.parametrize(
    ("flags", "kind"),
    [
        ("00 00 00 04", "bus event: online"),
        ("00 10 00 08", "bus event: offline"),  # the cause stands above: a clock-low timeout
        ("00 00 01 00", "bus event: receive buffer full"),
        ("00 00 00 00", "bus event: unknown"),
    ],
)
def test_bus_events_are_counted_and_part_no_transfer_from_another(tmp_path, flags, kind):
    event = bytes.fromhex("81" + flags)
    found = read(tmp_path, pcap([(SECOND, WRITE), (SECOND + 1000, event), (SECOND + 2000, READ)]))
    assert found[0].complained == {kind: 1}
    assert "i2c-1" in found[0].complaints[0].text
    assert messages(found) == [WRITE[5:], READ[5:]], "a read behind an event belongs to no write before it"


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"", "I2C packet too short"),
        (bytes(4), "I2C packet too short"),
        (bytes(5), "I2C packet too short"),
        (bytes.fromhex("01 00 00 40 00 16 09"), "message without a start"),
    ],
)
def test_a_strange_packet_is_told_and_the_rest_is_read(tmp_path, data, kind):
    found = read(tmp_path, pcap([(SECOND, data), (2 * SECOND, WRITE)]))
    assert found[0].complained == {kind: 1}
    assert found[0].complaints[0].place.offset == 24
    assert messages(found) == [WRITE[5:]]


def test_a_packet_kept_in_part_is_told(tmp_path):
    content = bytearray(pcap([(SECOND, WRITE)]))
    content[24 + 12 : 24 + 16] = struct.pack("<I", 40)
    batch = read(tmp_path, bytes(content))[0]
    assert batch.complained == {"packet kept in part": 1}
    assert batch.flags[0] == Flag.NO_STOP | Flag.CUT


def test_time_that_goes_backwards_begins_a_new_epoch(tmp_path):
    found = read(tmp_path, pcap([(5 * SECOND, WRITE), (SECOND, READ)]))
    assert [(batch.epoch, messages([batch])) for batch in found] == [(0, [WRITE[5:]]), (1, [READ[5:]])]
    assert [(batch.begin_ns, batch.end_ns) for batch in found] == [(5 * SECOND, 5 * SECOND), (SECOND, SECOND)]


def test_the_next_record_that_fits_is_found_behind_a_damaged_one(tmp_path):
    rows = [(number * SECOND, WRITE) for number in range(1, 8)]
    content = bytearray(pcap(rows))
    content[24 + 2 * 23 + 8 : 24 + 2 * 23 + 12] = b"\xff\xff\xff\xff"  # the length of the third
    for size in (1 << 20, 5):
        found = read(tmp_path, bytes(content), chunk_size=size)
        assert found[0].complained == {"damaged packet record": 1}
        assert found[0].complaints[0].place.offset == 24 + 2 * 23
        assert found[0].time.tolist() == [SECOND, 2 * SECOND, 4 * SECOND, 5 * SECOND, 6 * SECOND, 7 * SECOND]


def test_the_next_block_that_fits_is_found_behind_a_damaged_one(tmp_path):
    content = bytearray(section() + interface() + b"".join(enhanced(number * 1_000_000, WRITE) for number in range(1, 6)))
    first = len(section() + interface())
    size = len(enhanced(0, WRITE))
    content[first + size + 4] = 7
    found = read(tmp_path, bytes(content))
    assert found[0].complained == {"damaged packet record": 1}
    assert found[0].time.tolist() == [SECOND, 3 * SECOND, 4 * SECOND, 5 * SECOND]


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("option", "ticks", "time"),
    [
        ((9, b"\x06"), 1_500_000, 1_500_000_000),
        ((9, b"\x09"), 1_764_028_800_123_456_789, 1_764_028_800_123_456_789),
        ((9, b"\x8a"), 1025, 1_000_976_562),  # 1/1024 s: 1.0009765625 s, rounded half-even
        ((9, b"\x03"), 1_500, 1_500_000_000),
        ((14, struct.pack("<q", 100)), 1_500_000, 101_500_000_000),
        ((2, b"i2c"), 1_500_000, 1_500_000_000),
    ],
)
def test_pcapng_time_resolutions(tmp_path, order, option, ticks, time):
    code, value = option
    if code == 14 and order == ">":
        value = value[::-1]
    options = struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4) + bytes(4)
    found = read(tmp_path, section(order) + interface(options, order) + enhanced(ticks, WRITE, order))
    assert found[0].time.tolist() == [time]
    assert found[0].complained == {}


def test_pcapng_blocks_of_other_kinds(tmp_path):
    """Name resolution is passed over, the old packet block read, a simple packet block has no time; sections may differ in order."""
    old = block(2, struct.pack("<HHIIII", 0, 0, 0, 2_000_000, len(WRITE), len(WRITE)) + WRITE)
    simple = block(3, struct.pack("<I", len(WRITE)) + WRITE)
    text = section() + block(4, bytes(8)) + interface() + old + simple + section(">") + interface(b"", ">") + enhanced(3_000_000, READ, ">")
    found = read(tmp_path, text)
    assert found[0].complained == {"packet without a time": 1}
    assert messages(found) == [WRITE[5:], READ[5:]]


def test_packets_of_another_interface_are_counted(tmp_path):
    text = (
        section() + interface() + interface(link=1) + enhanced(10, WRITE) + enhanced(20, b"abc", number=1) + enhanced(30, WRITE, number=2)
    )
    found = read(tmp_path, text)
    assert found[0].complained == {"damaged packet record": 1, "not an I2C packet": 1}
    assert messages(found) == [WRITE[5:]]


def test_a_capture_of_another_link_type_is_refused(tmp_path):
    with pytest.raises(CaptureError, match=r"link type 1; expected 209 \(I2C messages\)"):
        read(tmp_path, pcap([(1, b"abc")], link=1))


@pytest.mark.parametrize("content", [pcap([])[:20], section()[:10], section()[:27]])
def test_a_file_that_ends_inside_its_first_header(tmp_path, content):
    with pytest.raises(CaptureError, match="header"):
        read(tmp_path, content)


def test_a_capture_without_packets(tmp_path):
    assert read(tmp_path, pcap([])) == []


def test_the_container_knows_no_link_type(tmp_path):
    """It hands over whatever it holds: here a CAN frame (LINKTYPE_CAN_SOCKETCAN, 227), 18FEF100 with its bit for extended."""
    path = tmp_path / "can.pcap"
    frame = bytes.fromhex("98 FE F1 00 02 00 00 00 AB CD")
    path.write_bytes(pcap([(SECOND, frame)], link=227))
    complaints: list[str] = []
    found = list(packets(ByteStream(path), lambda kind, text, offset: complaints.append(kind)))
    assert found == [Packet(24, SECOND, 227, frame, 10)]
    assert complaints == []
