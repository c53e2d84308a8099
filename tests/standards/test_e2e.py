"""AUTOSAR PRS E2E Protocol, profiles 1, 2 and 5: protected frames of 8 bytes, and which bytes of a frame each protection covers.

Profile 1, data id 0x123, zero data, counters 0 and 1, and profile 2: as a public library of these profiles computes them (its test
suite). Profile 5, data id 0x1234, zero data, counter 0: the standard's own example, from memory of it.
"""

from __future__ import annotations

import numpy as np
import pytest

from regcheck.codec.columns import Check
from regcheck.codec.end_to_end import Guard
from regcheck.codec.framing import Fault
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan
from tests.codec.can_frames import decode, frame, map_of

P01 = {"both": ("CC00", "9101"), "alternating": ("CE00", "0201"), "low": ("CE00", "9301"), "nibble": ("2A10", "7711")}
P02 = [((0,) * 16, "45 01 00 00 00 00 00 00"), (tuple(range(16)), "BC 02 02 03 04 05 06 07"), (tuple(range(16)), "61 01 02 03 04 05 06 07")]
GUARDS = [Guard("P01", (0x123,), mode) for mode in P01] + [Guard("P02", tuple(range(3, 19))), Guard("P05", (0xBEEF,))]


def holds(guard: Guard, payload: bytes) -> bool:
    (by_column,) = guard.column(np.frombuffer(payload, np.uint8).reshape(1, -1)).tolist()
    assert by_column == guard.holds(payload)
    return guard.holds(payload)


@pytest.mark.parametrize("mode", P01)
@pytest.mark.parametrize("counter", [0, 1])
def test_profile_1(mode: str, counter: int) -> None:
    guard, expected = Guard("P01", (0x123,), mode), bytes.fromhex(P01[mode][counter]) + bytes(6)
    assert guard.filled(bytes([0, counter]) + bytes(6)) == expected
    assert holds(guard, expected)


@pytest.mark.parametrize(("ids", "text"), P02)
def test_profile_2(ids: tuple[int, ...], text: str) -> None:
    guard, expected = Guard("P02", ids), bytes.fromhex(text)
    assert guard.filled(b"\0" + expected[1:]) == expected
    assert holds(guard, expected)


def test_a_swapped_counter_nibble_fails() -> None:
    # cases.md: 45 01 ... holds, 45 10 ... must not
    assert not holds(Guard("P02", (0,) * 16), bytes.fromhex("4510000000000000"))


def test_profile_5() -> None:
    assert Guard("P05", (0x1234,)).filled(bytes(8)) == bytes.fromhex("1CCA000000000000")
    assert holds(Guard("P05", (0x1234,)), bytes.fromhex("1CCA000000000000"))


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: f"{guard.profile} {guard.mode}")
def test_any_changed_bit_is_found(guard: Guard) -> None:
    rng = np.random.default_rng(5)
    for length in (3, 8, 9, 12, 64):
        payload = guard.filled(rng.integers(0, 256, length, np.uint8).tobytes())
        assert holds(guard, payload)
        changed = np.frombuffer(payload * (8 * length), np.uint8).reshape(8 * length, length).copy()
        for bit in range(8 * length):
            changed[bit, bit // 8] ^= 1 << bit % 8
        found = guard.column(changed)
        assert [guard.holds(row.tobytes()) for row in changed] == found.tolist()
        assert not found.any()


@pytest.mark.parametrize("guard", GUARDS, ids=lambda guard: f"{guard.profile} {guard.mode}")
def test_a_frame_that_is_too_short_does_not_hold(guard: Guard) -> None:
    assert not holds(guard, b"")
    assert not holds(guard, b"\0")


@pytest.mark.parametrize(
    ("protect", "data"),
    [
        ("{e2e: AUTOSAR P01, data_id: 0x123, mode: nibble}", "7711000000000000"),
        ("{e2e: AUTOSAR P02, data_id: [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15]}", "BC02020304050607"),
        ("{e2e: AUTOSAR P05, data_id: 0x1234}", "1CCA000000000000"),
    ],
)
def test_a_map_asks_for_it(protect: str, data: str) -> None:
    register_map = map_of(f"  a: {{id: 0x1, length: 8, protect: {protect}, fields: {{x: {{bytes: 7}}}}}}\n")
    spoilt = data[:-2] + f"{int(data[-2:], 16) ^ 0x40:02X}"
    decoded = decode(ColumnPlan(register_map), [frame(0, 1, data), frame(1, 1, spoilt), frame(2, 1, data[:8])])
    (one,) = decoded.messages
    assert one.check.tolist() == [Check.GOOD, Check.BAD, Check.BAD]
    assert one.fault.tolist() == [Fault.NONE, Fault.NONE, Fault.LENGTH]
    parser = MessageParser(register_map, register_map.messages[0])
    x, counter = parser.parse(bytes.fromhex(data))
    assert counter.field == "counter"
    bare = bytes(3) + bytes.fromhex(data)[3:]
    if "P05" not in protect:
        bare = bytes(2) + bytes.fromhex(data)[2:]
    assert parser.build({"x": x.value or 0, "counter": counter.value or 0}, base=bare) == bytes.fromhex(data)
