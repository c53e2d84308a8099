"""The project's cases that trip decoders, those of CAN frames: each by the reference parser and by the column plan."""

from __future__ import annotations

import pytest

from regcheck.codec.columns import LAYOUT_UNKNOWN, NO_LAYOUT
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan
from regcheck.traffic.batch import Flag
from tests.codec.can_frames import decode, frame, ints, map_of, seen
from tests.codec.test_can_carried import bam


def both(field: str, data: str) -> tuple[str, object]:
    """Return status and value of one field of one frame, which both decoders agree on."""
    payload = bytes.fromhex(data)
    register_map = map_of(f"  a: {{id: 0x1, length: {len(payload)}, fields: {{x: {field}}}}}\n")
    ((_, status, value),) = seen(decode(ColumnPlan(register_map), [frame(0, 1, data)]).messages)["a.x"]
    (reading,) = MessageParser(register_map, register_map.messages[0]).parse(payload)
    assert (reading.status.value, reading.number if reading.status.value == "good" else None) == (status, value)
    return status, value


CASES = [
    ("{msb: byte 1 bit 3, width: 12, order: big}", "01 A2 B3 C4 05 06 07 08", 0x2B3),
    ("{lsb: byte 1 bit 3, width: 12, order: little}", "01 A2 B3 C4 05 06 07 08", 0x674),
    ("{bytes: 0..1, order: big, type: signed, scale: 0.1, unit: A}", "FF FE", -0.2),
    ("{bytes: 0..1, type: signed, scale: 0.1, unit: A}", "FF FE", -25.7),
    ("{bits: 17..32, type: signed}", "00 00 5C F6 01 00 00 00", -1234),
    ("{bits: 0..11, type: signed}", "00 08", -2048),
    ("{bytes: 0..2, order: big, type: signed}", "FF FF FE", -2),
    ("{bytes: 0..1, order: big, scale: 0.1}", "80 32", 3281.8),
    ("{bytes: 0..1, order: big, type: signed, scale: 0.1}", "80 32", -3271.8),
    ("{bytes: 0..1, order: big, type: sign-magnitude, scale: 0.1}", "80 32", -5.0),
    ("{bytes: 0, scale: 0.5, offset: -40}", "FA", 85),
]
CODED = [("FF FF", "not_available"), ("12 FE", "device_error"), ("00 FB", "special")]


@pytest.mark.parametrize(("field", "data", "value"), CASES)
def test_values(field: str, data: str, value: float) -> None:
    assert both(field, data) == ("good", value)


@pytest.mark.parametrize(("data", "status"), CODED)
def test_codes_are_no_values(data: str, status: str) -> None:
    assert both("{bytes: 0..1, scale: 0.05, unit: V, codes: J1939}", data) == (status, None)


def test_values_are_built_by_rounding() -> None:
    register_map = map_of("  a: {id: 0x1, length: 4, fields: {x: {bytes: 0..1, scale: 0.025}, y: {bytes: 2..3, scale: 0.01}}}\n")
    built = MessageParser(register_map, register_map.messages[0]).build({"x": 52.8, "y": 9.2})
    assert (int.from_bytes(built[:2], "little"), int.from_bytes(built[2:], "little")) == (2112, 920)


NESTED = """  a:
    id: 0x1
    length: 4
    fields: {kind: {bytes: 0}, part: {bytes: 1}}
    layouts:
      - when: kind = 0
        fields: {cell_mv: {bytes: 2}}
      - when: kind = 1
        fields: {cell_mv: {bytes: 3}}
      - when: kind = 2
        fields: {inner: {bits: 16..19}}
        layouts:
          - when: inner = 3
            fields: {deep: {bits: 20..27}}
          - when: inner = 4
            fields: {deep: {bits: 24..31}}
"""


def test_selectors_nested_unknown_and_one_name_on_two_pages() -> None:
    register_map = map_of(NESTED)
    data = ["00 00 07 09", "01 00 07 09", "02 00 A3 0B", "02 00 A4 0B", "02 00 A5 0B", "0D 00 07 09", "02 00"]
    decoded = decode(ColumnPlan(register_map), [frame(at, 1, one) for at, one in enumerate(data)])
    values = seen(decoded.messages)
    assert values["a.cell_mv"] == [(0, "good", 7.0), (1, "good", 9.0), (6, "unselected", None)]
    assert [one for one in values["a.deep"] if one[1] == "good"] == [(2, "good", float(0xBA)), (3, "good", 11.0)]
    assert [at for at, status, _ in values["a.kind"] if status == "good"] == list(range(7))
    (columns,) = decoded.messages
    parser = MessageParser(register_map, register_map.messages[0])
    parsed = [parser.parse_frame(bytes.fromhex(one)) for one in data]
    assert ints(columns.layout) == [one.layout for one in parsed]
    layouts = register_map.messages[0].layouts
    rest = [index for index, one in enumerate(layouts) if one.is_rest]
    assert ints(columns.layout)[4:6] == [rest[0], NO_LAYOUT]  # 2 with an unknown inner value; 0x0D at the outer one
    assert ints(columns.layout)[6] == LAYOUT_UNKNOWN  # the inner selector is not in the frame


def test_packets_of_two_messages_are_not_merged() -> None:
    # BAM of 20 bytes in 3 packets; packets 1 and 3 of it, then 2 and 3 of another one: incomplete, no values
    register_map = map_of("  a: {pgn: 0xFECA, length: 20, fields: {x: {bytes: 0}}}\n")
    first, second = bam(0, bytes([1]) * 20), bam(250, bytes([2]) * 20)
    decoded = decode(ColumnPlan(register_map), [first[0], first[1], first[3], second[2], second[3]])
    assert decoded.messages == ()
    assert decoded.batch.complained["incomplete message"] == 1


@pytest.mark.parametrize(("data", "length"), [("00 08 01 02 03 04 05 06 07 08 00 00", 8), ("07 01 02 03 04 05 06 07", 7)])
def test_single_frames_with_and_without_the_fd_escape(data: str, length: int) -> None:
    register_map = map_of("  a: {carrier: {iso_tp: 0x7A8}, length: 7..8, fields: {x: {bytes: last}}}\n")
    decoded = decode(ColumnPlan(register_map), [frame(0, 0x7A8, data, flags=Flag.FD if length == 8 else Flag(0))])
    assert ints(decoded.messages[0].length) == [length]
    assert seen(decoded.messages)["a.x"] == [(0, "good", float(length))]


def test_samples_that_are_no_values_do_not_vanish() -> None:
    register_map = map_of("  a: {id: 0x1, length: 1, fields: {x: {bytes: 0, codes: {0xFF: not available}}}}\n")
    sent = [0xFF if at in (3, 4, 9) else at for at in range(12)]
    values = seen(decode(ColumnPlan(register_map), [frame(at, 1, f"{one:02X}") for at, one in enumerate(sent)]).messages)["a.x"]
    assert (len(values), sum(status != "good" for _, status, _ in values)) == (12, 3)
