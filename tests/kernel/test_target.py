"""The emulated target, byte by byte; its PEC against an independent library and the bus standard's own example of a check."""

from __future__ import annotations

import pytest
from crccheck.crc import Crc8Smbus
from hypothesis import given
from hypothesis import strategies as st

from tests.kernel.target import Target, Transfer, pec


def target(**more: object) -> Target:
    return Target(0x0B, {0x09: b"\xa6\x3a", 0x20: b"RIDGE"}, blocks=frozenset({0x20}), **more)  # type: ignore[arg-type]


def read(device: Target, command: int, count: int) -> bytes:
    device.start()
    assert device.addressed(0x16)
    assert device.put(command)
    device.start()
    assert device.addressed(0x17)
    data = bytes(device.get() for _ in range(count))
    device.stop()
    return data


def write(device: Target, *data: int) -> list[bool]:
    device.start()
    acknowledged = [device.addressed(0x16), *(device.put(byte) for byte in data)]
    device.stop()
    return acknowledged


@given(st.binary())
def test_pec_is_the_crc_of_the_bus_standard(data: bytes) -> None:
    assert pec(data) == Crc8Smbus.calc(data)


def test_a_word_is_read_with_its_pec_and_then_the_wire_floats() -> None:
    device = target()
    assert read(device, 0x09, 4) == bytes([0xA6, 0x3A, pec(bytes.fromhex("16 09 17 A6 3A")), 0xFF])
    assert device.log == [Transfer((b"\x16\x09", bytes.fromhex("17 A6 3A") + bytes([pec(bytes.fromhex("16 09 17 A6 3A")), 0xFF])), True)]
    assert not device.log[0].is_write


def test_a_block_is_read_with_its_count() -> None:
    assert read(target(), 0x20, 6) == b"\x05RIDGE"


@pytest.mark.parametrize(("kind", "wrong"), [("true", 0), ("false", 0xFF)])
def test_a_false_pec_differs_in_every_bit(kind: str, wrong: int) -> None:
    assert read(target(pec=kind), 0x09, 3)[2] == pec(bytes.fromhex("16 09 17 A6 3A")) ^ wrong


def test_without_pec_the_wire_floats_after_the_data() -> None:
    assert read(target(pec="none"), 0x09, 3) == b"\xa6\x3a\xff"


def test_a_write_is_kept_where_its_pec_is_right_and_refused_where_it_is_not() -> None:
    device = target()
    assert write(device, 0x09, 1, 2, pec(bytes([0x16, 0x09, 1, 2]))) == [True] * 5
    assert device.registers[0x09] == b"\x01\x02"
    assert write(device, 0x09, 3, 4, 0) == [True, True, True, True, False]
    assert device.registers[0x09] == b"\x01\x02"
    assert write(device, 0x20, 2, 65, 66) == [True] * 5
    assert device.registers[0x20] == b"AB"
    assert all(transfer.is_write for transfer in device.log)
    device.reset()
    assert device.registers == target().registers


def test_it_refuses_as_it_is_told() -> None:
    device = target(nacks=1, refused=frozenset({0x09}))
    assert write(device, 0x20) == [False, False]
    assert write(device, 0x09) == [True, False]
    assert write(device, 0x20) == [True, True]
    device.present = False
    assert not device.addressed(0x16)
    assert not device.addressed(0x18)
