"""SAE J1939-71: engine values of one frame, and the ranges that are no values, by the width of a field.

Frame and values: SPN 190, 512 and 513 of PGN 61444 as a public example shows them. Ranges: J1939-71, table of transmitted signal
ranges; the low bytes of 2- and 4-byte codes are free (from memory of it).
"""

from __future__ import annotations

import pytest

from regcheck.codec.columns import STATUSES
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan
from tests.codec.can_frames import decode, frame, map_of, seen

ENGINE = """  engine:
    pgn: 0xF004
    length: 8
    fields:
      demand: {bytes: 1, unit: '%', offset: -125, codes: J1939}
      torque: {bytes: 2, unit: '%', offset: -125, codes: J1939}
      speed: {bytes: 3..4, unit: 1/min, scale: 0.125, codes: J1939}
"""

RANGES = {
    1: [(0x00, "good"), (0xFA, "good"), (0xFB, "special"), (0xFE, "device_error"), (0xFF, "not_available")],
    2: [
        (0x0000, "good"),
        (0xFAFF, "good"),
        (0xFB00, "special"),
        (0xFBFF, "special"),
        (0xFE00, "device_error"),
        (0xFE12, "device_error"),
        (0xFF00, "not_available"),
        (0xFFFF, "not_available"),
    ],
    4: [
        (0x00000000, "good"),
        (0xFAFFFFFF, "good"),
        (0xFB000000, "special"),
        (0xFE000001, "device_error"),
        (0xFEFFFFFF, "device_error"),
        (0xFF000000, "not_available"),
        (0xFFFFFFFF, "not_available"),
    ],
}
STATES = [(0, "good"), (1, "good"), (2, "device_error"), (3, "not_available")]


def test_engine_values() -> None:
    plan = ColumnPlan(map_of(ENGINE.replace(", unit: 1/min", "")))
    values = seen(decode(plan, [frame(0, 0x0CF00400, "F0 7D 85 9B 0F FF FF 85")]).messages)
    assert values == {"engine.demand": [(0, "good", 0.0)], "engine.torque": [(0, "good", 8.0)], "engine.speed": [(0, "good", 499.375)]}


@pytest.mark.parametrize(("size", "code", "status"), [(size, *one) for size, all_of_them in RANGES.items() for one in all_of_them])
def test_ranges_that_are_no_values(size: int, code: int, status: str) -> None:
    register_map = map_of(f"  a: {{pgn: 0xFF01, length: 8, fields: {{x: {{bytes: 0..{size - 1}, codes: J1939}}}}}}\n")
    data = code.to_bytes(size, "little").ljust(8, b"\0")
    (column,) = decode(ColumnPlan(register_map), [frame(0, 0x18FF0101, data.hex())]).messages[0].fields.values()
    assert STATUSES[column.status[0]].value == status
    assert MessageParser(register_map, register_map.messages[0]).parse(data)[0].status.value == status


@pytest.mark.parametrize(("code", "status"), STATES)
def test_states_of_two_bits(code: int, status: str) -> None:
    register_map = map_of("  a: {pgn: 0xFF01, length: 8, fields: {x: {bits: 2..3, codes: J1939}}}\n")
    data = bytes([code << 2]).ljust(8, b"\0")
    (column,) = decode(ColumnPlan(register_map), [frame(0, 0x18FF0101, data.hex())]).messages[0].fields.values()
    assert STATUSES[column.status[0]].value == status
