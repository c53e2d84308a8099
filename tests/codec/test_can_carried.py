"""Messages in parts, put back together on the way: J1939 transport for a long `pgn`, ISO-TP for a `carrier`; wherever batches are cut."""

from __future__ import annotations

import pytest

from regcheck.codec.carried import iso_tp_links
from regcheck.codec.framing import Fault
from regcheck.codec.plan import ColumnPlan, survey_states
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.compile import load_map
from regcheck.traffic.frames import Frame
from tests.codec.can_frames import BECK, all_seen, batches_of, columns_of, decode, frame, ints, map_of, seen

DM = """  faults: {pgn: 0xFECA, source: 0x21, length: 9..1785,
    fields: {lamp: {bytes: 0}, total: {bytes: 1..2}, rest: {bytes: 3..last, type: bytes}}}
"""


def bam(time_ms: float, data: bytes, pgn: int = 0xFECA, source: int = 0x21, gap_ms: float = 60) -> list[Frame]:
    """Return a broadcast announcement and its packets (SAE J1939-21, transport protocol: see check-values, TP)."""
    count = -(-len(data) // 7)
    head = bytes([32]) + len(data).to_bytes(2, "little") + bytes([count, 0xFF]) + pgn.to_bytes(3, "little")
    packets = [bytes([number + 1]) + data[7 * number : 7 * number + 7].ljust(7, b"\xff") for number in range(count)]
    frames = [frame(time_ms, 0x1CECFF00 | source, head.hex())]
    return frames + [frame(time_ms + gap_ms * (at + 1), 0x1CEBFF00 | source, one.hex()) for at, one in enumerate(packets)]


def iso_tp(time_ms: float, id: int, data: bytes, bus: str = "can0") -> list[Frame]:
    """Return a first frame and its consecutive ones (ISO 15765-2, protocol control information)."""
    parts = [bytes([0x10 | len(data) >> 8, len(data) & 0xFF]) + data[:6]]
    parts += [bytes([0x20 | (at // 7 + 1) & 0xF]) + data[6 + at : 13 + at].ljust(7, b"\x55") for at in range(0, len(data) - 6, 7)]
    return [frame(time_ms + 5 * at, id, part.hex(), bus=bus) for at, part in enumerate(parts)]


def test_a_long_group_is_one_message() -> None:
    data = bytes([0x44, 0x10, 0x27, *range(20)])
    frames = [*bam(0, data), frame(500, 0x18FEF121, "00 00 00 00 00 00 00 00")]
    decoded = decode(ColumnPlan(map_of(DM)), frames)
    (one,) = decoded.messages
    assert seen([one]) == {
        "faults.lamp": [(0, "good", 68.0)],
        "faults.total": [(0, "good", 10000.0)],
        "faults.rest": [(0, "good", bytes(range(20)).hex(" ").upper())],
    }
    assert (ints(one.end), ints(one.length), ints(one.fault)) == ([240_000_000], [23], [Fault.NONE])
    assert ints(one.index) == [len(frames)]  # behind the frames of its batch
    assert decoded.batch.message(len(frames)) == data
    assert [(int(at), Unexplained(why)) for at, why in zip(decoded.unexplained, decoded.why, strict=True)] == [(5, Unexplained.UNKNOWN_ID)]


def test_a_group_that_the_map_lacks_is_counted_once_it_is_whole() -> None:
    frames = bam(0, bytes(20), pgn=0xFEDA)
    decoded = decode(ColumnPlan(map_of(DM)), frames)
    assert [(int(at), Unexplained(why)) for at, why in zip(decoded.unexplained, decoded.why, strict=True)] == [
        (len(frames), Unexplained.UNKNOWN_ID)
    ]


def test_a_lost_packet_is_told() -> None:
    frames = bam(0, bytes(23))
    decoded = decode(ColumnPlan(map_of(DM), file="own.log"), [*frames[:2], *frames[3:]])
    assert decoded.messages == ()
    assert sum(decoded.batch.complained.values()) >= 1
    assert decoded.batch.complaints[0].place.file == "own.log"


def test_records_of_the_rack_by_iso_tp() -> None:
    register_map = load_map(BECK)
    buses = {"string_a": "can0", "string_b": "can1"}
    summary = frame(0, 0x231, "20 0C 0D 00 01 0C 00 02", bus="can0")  # 12 cells
    values = b"".join((33000 + number).to_bytes(2, "big") for number in range(12))
    frames = [
        summary,
        frame(9, 0x783, "03 22 4B 01 00 00 00 00", bus="can0"),
        *iso_tp(10, 0x7A3, bytes.fromhex("624B01") + values)[:1],
        frame(12, 0x783, "30 00 00 00 00 00 00 00", bus="can0"),
        *iso_tp(10, 0x7A3, bytes.fromhex("624B01") + values)[1:],
        *iso_tp(60, 0x7A3, bytes.fromhex("624B02") + values),
        *iso_tp(90, 0x7A3, bytes.fromhex("624B01") + values[:-2]),
    ]
    states = survey_states(register_map, lambda: batches_of(frames), buses=buses)
    decoded = decode(ColumnPlan(register_map, states, buses=buses), frames)
    one = columns_of(decoded, "records", "string[string_a].rack[3]")
    assert ints(one.fault) == [Fault.NONE, Fault.LENGTH]
    readings = seen([one])
    for number in range(12):
        found = readings[f"string[string_a].rack[3].records.record_voltage[{number + 1}]"]
        assert found[0] == (10, "good", pytest.approx(3300.0 + number / 10))
    assert [Unexplained(why) for why in decoded.why] == [Unexplained.OTHER_BEGINNING]
    assert [link.flow_id for link in iso_tp_links(register_map, [register_map.messages[-1]], {"rack": (3,)})] == [0x783]


def test_extended_addressing_tells_devices_of_one_id_apart() -> None:
    text = """  one: {carrier: {iso_tp: 0x600, extended_address: 0x11}, length: 2, fields: {x: {bytes: 0..1, order: big}}}
  two: {carrier: {iso_tp: 0x600, extended_address: 0x22}, length: 2, fields: {y: {bytes: 0..1, order: big}}}
"""
    frames = [frame(0, 0x600, "11 02 00 07"), frame(1, 0x600, "22 02 00 09"), frame(2, 0x600, "33 02 00 0B")]
    decoded = decode(ColumnPlan(map_of(text)), frames)
    assert seen(decoded.messages) == {"one.x": [(0, "good", 7.0)], "two.y": [(1, "good", 9.0)]}


@pytest.mark.parametrize("size", [1, 2, 3, 5])
def test_batches_may_be_cut_anywhere(size: int) -> None:
    register_map = map_of(DM + "  scale: {pgn: 0xFF10, length: 1, fields: {x: {bytes: 0, scale: faults.lamp}}}\n")
    frames = sorted(
        [*bam(0, bytes([3]) + bytes(12)), *bam(400, bytes([5]) + bytes(30))]
        + [frame(at, 0x18FF1021, "02") for at in (30, 200, 390, 460, 900)],
        key=lambda one: one.time_ns,
    )
    states = survey_states(register_map, lambda: batches_of(frames, size))
    whole = survey_states(register_map, lambda: batches_of(frames))
    assert all_seen(ColumnPlan(register_map, states), frames, size) == all_seen(ColumnPlan(register_map, whole), frames, 1 << 20)
    assert all_seen(ColumnPlan(register_map, states), frames, size)["scale.x"][-1] == (900, "good", 10.0)


def test_the_end_of_a_capture_tells_what_it_cut() -> None:
    plan = ColumnPlan(map_of(DM))
    (batch,) = batches_of(bam(0, bytes(23))[:2])
    assert plan.decode(batch).messages == ()
    rest = plan.finish()
    assert rest is not None
    assert sum(rest.batch.complained.values()) == 1
    assert plan.finish() is None
