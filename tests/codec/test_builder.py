"""Values to payloads: rounding, refusals, words, checks."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from fractions import Fraction

import pytest

from regcheck.codec.builder import RawCode, Value
from regcheck.codec.number_formats import exact_decimal, nearest_integer
from regcheck.codec.parser import MessageParser, build_transfer
from regcheck.device_map.model import RegisterMap
from regcheck.errors import EncodeError, UsageError

MakeMap = Callable[[str], RegisterMap]


def build(register_map: RegisterMap, values: dict[str, Value], **given: int) -> str:
    paths = {key.replace("__", "."): value for key, value in given.items()}
    return MessageParser(register_map, register_map.messages[0]).build(values, paths).hex(" ").upper()


@pytest.mark.parametrize(
    ("value", "scale", "code"),
    [("52.8", "0.025", 2112), ("9.2", "0.01", 920), ("0.0125", "0.025", 1), ("0.0374", "0.025", 1), ("0.0375", "0.025", 2)],
)
def test_encoding_rounds_to_the_nearest_code(make_map: MakeMap, value: str, scale: str, code: int) -> None:
    register_map = make_map(f"  thing: {{command: 1, transfer: word, unit: V, scale: {scale}}}\n")
    assert build(register_map, {"thing": Fraction(value)}) == code.to_bytes(2, "little").hex(" ").upper()


def test_a_half_goes_away_from_zero() -> None:
    assert [nearest_integer(Fraction(value, 2)) for value in (-5, -3, -1, 1, 3, 5)] == [-3, -2, -1, 1, 2, 3]


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("unit: V, scale: 0.025", 2000, "2000 V does not fit 'thing', whose codes reach from 0 to 1638.375 V"),
        ("unit: mA, type: signed", -32769, "-32769 mA does not fit 'thing', whose codes reach from -32768 to 32767 mA"),
        ("type: bcd", 10000, "10000 does not fit 'thing', whose codes reach from 0 to 9999"),
        ("codes: {0xFFFF: not available}", 65535, "65535 would be the code 0xffff of 'thing', which means 'not available'"),
        ("names: {0: idle, 1: charge}", "rest", "'rest' is no value of 'thing'; its words are idle, charge"),
        ("type: version", "v1.2.3", "'v1.2.3' is no version that fits 'thing'"),
    ],
)
def test_what_does_not_fit_is_refused(make_map: MakeMap, field: str, value: Value, text: str) -> None:
    register_map = make_map(f"  thing: {{command: 1, transfer: word, {field}}}\n")
    with pytest.raises(EncodeError) as caught:
        build(register_map, {"thing": value})
    assert text in str(caught.value)


@pytest.mark.parametrize(
    ("field", "value", "expected"),
    [
        ("type: signed, unit: mA", -1500, "24 FA"),
        ("type: sign-magnitude, scale: 0.1", -5, "32 80"),
        ("type: date", datetime.date(2026, 11, 25), "79 5D"),
        ("type: date", "2026-11-25", "79 5D"),
        ("type: version", "v1.9", "01 09"),
        ("codes: {0xFFFF: not fitted}", "not fitted", "FF FF"),
        ("names: {0: idle, 1: charge}", "charge", "01 00"),
        ("type: linear11", Fraction("5.25"), "A0 CA"),
        ("type: float", Fraction(-2), "00 C0"),
        ("points: [[0, 120], [128, 25], [250, -40]]", 25, "80 00"),
        ("convert: 'ntc(10 kohm * raw / (65534 - raw), r25 = 10 kohm, beta = 3435 K)', unit: degC", 25, "FF 7F"),
        ("scale: 0.1", RawCode(0xABCD), "CD AB"),
    ],
)
def test_every_kind_of_value(make_map: MakeMap, field: str, value: Value, expected: str) -> None:
    assert build(make_map(f"  thing: {{command: 1, transfer: word, {field}}}\n"), {"thing": value}) == expected


def test_the_first_meaning_that_the_code_then_meets(make_map: MakeMap) -> None:
    field = "unit: kohm, meanings: [{when: raw < 200, scale: 10}, {when: raw >= 200, scale: 100, offset: -18000}]"
    register_map = make_map(f"  thing: {{command: 1, transfer: byte, {field}}}\n")
    assert [build(register_map, {"thing": value}) for value in (1000, 1990, 2000, 7400)] == ["64", "C7", "C8", "FE"]


CELLS = """  thing:
    command: 0x20
    transfer: block
    length: 2 + 2 * fill
    fields:
      fill: {bytes: 0}
      cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}, unit: mV, scale: 0.5}
      check: {bytes: last, checksum: inverted sum, over: bytes 0..last - 1}
"""


def test_length_elements_and_check(make_map: MakeMap) -> None:
    register_map = make_map(CELLS)
    values: dict[str, Value] = {"fill": 2, "cell[1]": 100, "cell[2]": 2}
    assert build(register_map, values) == "02 C8 00 04 00 31"
    with pytest.raises(EncodeError, match=r"'cell\[3\]' does not fit a payload of 6 bytes"):
        build(register_map, values | {"cell[3]": 1})
    with pytest.raises(EncodeError, match=r"the length of 'thing', 2 \+ 2 \* fill, is not known"):
        build(register_map, {"cell[1]": 100})
    with pytest.raises(EncodeError, match="'cell' is an array: name an element, such as cell"):
        build(register_map, values | {"cell": 1})
    with pytest.raises(EncodeError, match="'volt' cannot be given: 'thing' has no such field"):
        build(register_map, values | {"volt": 1})


def test_what_the_map_demands_is_filled_in(make_map: MakeMap) -> None:
    register_map = make_map(
        "  thing: {command: 0x20, transfer: block, length: 4, fields: "
        "{echo: {bytes: 0..1, must_be: 0xA014}, size: {bytes: 2, must_be: length - 3}, it: {bytes: 3}}}\n"
    )
    assert build(register_map, {"it": 7}) == "14 A0 01 07"


def test_fields_that_share_bits_must_agree(make_map: MakeMap) -> None:
    register_map = make_map(
        "  thing: {command: 1, transfer: word, fields: {low: {bits: 0..7}, all: {bytes: 0..1, overlaps: low}}}\n".replace("all:", "whole:")
    )
    assert build(register_map, {"low": 0x34, "whole": 0x1234}) == "34 12"
    with pytest.raises(EncodeError, match="'whole' and 'low' share bit 0 and want different values in it"):
        build(register_map, {"low": 0x35, "whole": 0x1234})


def test_a_base_keeps_what_is_not_given(make_map: MakeMap) -> None:
    register_map = make_map("  thing: {command: 1, transfer: word, fields: {low: {bits: 0..3}, high: {bits: 12..15}}}\n")
    assert MessageParser(register_map, register_map.messages[0]).build({"low": 1}, base=b"\xff\xff") == b"\xf1\xff"


def test_a_scale_that_is_not_known_refuses(make_map: MakeMap) -> None:
    register_map = make_map(
        "  thing: {command: 1, transfer: word, scale: 10 ^ other.power}\n"
        "  other: {command: 2, transfer: word, fields: {power: {bits: 0..3}}}\n"
    )
    assert build(register_map, {"thing": 1500}, other__power=2) == "0F 00"
    with pytest.raises(EncodeError, match="which meaning is in force is not known"):
        build(register_map, {"thing": 1500})


def test_build_transfer_by_name(make_map: MakeMap) -> None:
    register_map = make_map("  thing: {command: 0x09, transfer: word, unit: mV}\n")
    assert build_transfer(register_map, "thing", {"thing": 14800}) == (bytes.fromhex("160917D0397E"), 2)
    with pytest.raises(UsageError, match="the map has no register 'voltage'; it has thing"):
        build_transfer(register_map, "voltage", {})


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("297.4", "297.4"),
        ("-0.1", "-0.1"),
        ("1/3", "0.3333333333333333"),
        ("13.19921875", "13.19921875"),
        ("0", "0"),
        ("1e20", "1" + "0" * 20),
    ],
)
def test_exact_decimals(value: str, text: str) -> None:
    assert exact_decimal(Fraction(value)) == text
