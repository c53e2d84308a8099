"""Faults that trip decoders, each with its input and the value that must come out; both decoders give it."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest

from regcheck.codec.columns import STATUSES
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan
from regcheck.codec.readings import Reading
from regcheck.device_map.model import RegisterMap, Status
from regcheck.traffic.batch import Batch
from regcheck.traffic.shapes import Transfer

MakeMap = Callable[[str], RegisterMap]
MakeBatch = Callable[[list[Transfer]], Batch]


def block_of(fields: str) -> str:
    return f"  thing: {{command: 0x20, transfer: block, pec: optional, fields: {{{fields}}}}}\n"


def read(register_map: RegisterMap, make_batch: MakeBatch, data: str, name: str) -> Reading:
    """Return a reading as the parser gives it, once the columns were seen to agree."""
    payload = bytes.fromhex(data)
    readings = {str(one.id): one for one in MessageParser(register_map, register_map.messages[0]).parse(payload)}
    transfer = Transfer(0, (b"\x16\x20", bytes([0x17, len(payload)]) + payload))
    (columns,) = ColumnPlan(register_map).decode(make_batch([transfer])).messages
    assert {str(key) for key in columns.fields} == set(readings)
    for key, column in columns.fields.items():
        one = readings[str(key)]
        assert STATUSES[column.status[0]] is one.status
        assert column.values()[0] == one.number or one.number is None
    return readings[f"thing.{name}"]


@pytest.mark.parametrize(
    ("field", "data", "value"),
    [
        ("{msb: byte 1 bit 3, width: 12, order: big}", "01 A2 B3 C4 05 06 07 08", 0x2B3),
        ("{lsb: byte 1 bit 3, width: 12, order: little}", "01 A2 B3 C4 05 06 07 08", 0x674),
        ("{bytes: 0..1, order: big, type: signed, scale: 0.1}", "FF FE", Fraction(-2, 10)),
        ("{bytes: 0..1, type: signed, scale: 0.1}", "FF FE", Fraction(-257, 10)),
        ("{lsb: byte 2 bit 1, width: 16, order: little, type: signed}", "00 00 5C F6 01 00 00 00", -1234),
        ("{bits: 17..32, type: signed}", "00 00 5C F6 01 00 00 00", -1234),
        ("{bits: 0..11, type: signed}", "00 08", -2048),
        ("{bytes: 0..2, order: big, type: signed}", "FF FF FE", -2),
        ("{bytes: 0..1, order: big, type: signed, scale: 0.1}", "80 32", Fraction("-3271.8")),
        ("{bytes: 0..1, order: big, type: sign-magnitude, scale: 0.1}", "80 32", -5),
        ("{bytes: 0..1, scale: 0.5, offset: -40}", "FA 00", 85),
        ("{bytes: 0..1, zero: 0x8000, type: unsigned}", "05 80", 5),
        ("{bits: [0..3, 12..15]}", "05 A0", 0xA5),
        ("{bytes: last}", "01 02 03", 3),
        ("{bytes: last - 1}", "01 02 03", 2),
        ("{bytes: 0..1, type: bcd, order: big}", "12 34", 1234),
        ("{bytes: 0..3, unit: W, scale: 1e-6}", "00 00 0C 8F", Fraction(0x8F0C0000, 10**6)),
        ("{bytes: 0, points: [[0, 120], [40, 85], [128, 25], [215, -10], [250, -40]]}", "80", 25),
        ("{bit: 3, raised: 0}", "08", 0),
        ("{bit: 3, raised: 0}", "F7", 1),
    ],
)
def test_values(make_map: MakeMap, make_batch: MakeBatch, field: str, data: str, value: int | Fraction) -> None:
    reading = read(make_map(block_of(f"it: {field}")), make_batch, data, "it")
    assert reading.status is Status.GOOD
    assert reading.value == value


@pytest.mark.parametrize(
    ("data", "status", "text"),
    [("FF FF", Status.NOT_AVAILABLE, "not available"), ("12 FE", Status.DEVICE_ERROR, "error"), ("00 FB", Status.SPECIAL, "special")],
)
def test_codes_are_no_numbers(make_map: MakeMap, make_batch: MakeBatch, data: str, status: Status, text: str) -> None:
    reading = read(make_map(block_of("it: {bytes: 0..1, unit: V, scale: 0.05, codes: J1939}")), make_batch, data, "it")
    assert (reading.status, reading.text, reading.value, reading.number) == (status, text, None, None)


def test_codes_compare_bits_before_the_sign(make_map: MakeMap, make_batch: MakeBatch) -> None:
    reading = read(make_map(block_of("it: {bytes: 0..1, type: signed, codes: {0xFFFF: not available}}")), make_batch, "FF FF", "it")
    assert (reading.status, reading.raw, reading.bits) == (Status.NOT_AVAILABLE, -1, 0xFFFF)


@pytest.mark.parametrize(
    ("field", "data"),
    [("{bytes: 0, type: bcd}", "1A"), ("{bytes: 0..1, type: date}", "00 00"), ("{bytes: 0, points: [[10, 1], [20, 2]]}", "09")],
)
def test_what_is_no_number_is_a_device_error(make_map: MakeMap, make_batch: MakeBatch, field: str, data: str) -> None:
    assert read(make_map(block_of(f"it: {field}")), make_batch, data, "it").status is Status.DEVICE_ERROR


def test_an_open_and_a_shorted_thermistor_are_no_temperatures(make_map: MakeMap, make_batch: MakeBatch) -> None:
    field = "{bytes: 0..1, unit: degC, convert: 'ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)', codes: {0: short}}"
    register_map = make_map(block_of(f"it: {field}"))
    assert read(register_map, make_batch, "FF 0F", "it").status is Status.DEVICE_ERROR  # a division by zero, and no word for it
    assert read(register_map, make_batch, "00 00", "it").text == "short"
    middle = read(register_map, make_batch, "00 08", "it")  # 2048 of 4095: R = 10 004.9 ohm, T = 24.987 degC by the beta equation
    assert middle.status is Status.GOOD
    assert middle.number == pytest.approx(24.987, abs=5e-4)


def test_labels_and_values_without_one(make_map: MakeMap, make_batch: MakeBatch) -> None:
    register_map = make_map(block_of("it: {bits: 0..1, names: {0: idle, 1: charge}}"))
    assert [read(register_map, make_batch, data, "it").text for data in ("00", "01", "02")] == ["idle", "charge", "unlabelled"]
    assert read(register_map, make_batch, "02", "it").value == 2


def test_text_strips_only_its_pad(make_map: MakeMap, make_batch: MakeBatch) -> None:
    register_map = make_map(block_of("it: {bytes: 0..last, type: text, pad: 0x00}, raw_bytes: {bytes: 0..1, type: bytes, overlaps: it}"))
    assert read(register_map, make_batch, "41 42 20 00 00", "it").text == "AB "
    assert read(register_map, make_batch, "41 42 20 00 00", "raw_bytes").text == "41 42"
    assert read(register_map, make_batch, "41 C3 20 00 00", "it").status is Status.DEVICE_ERROR


def test_versions_are_as_transmitted(make_map: MakeMap, make_batch: MakeBatch) -> None:
    register_map = make_map(block_of("it: {bytes: 0..1, type: version}"))
    assert read(register_map, make_batch, "01 09", "it").text == "v1.9"


def test_counted_elements(make_map: MakeMap, make_batch: MakeBatch) -> None:
    register_map = make_map(block_of("fill: {bytes: 0, range: 1..16}, cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}}"))
    message = register_map.messages[0]
    parser = MessageParser(register_map, message)

    def statuses(data: str) -> list[tuple[str, str]]:
        read(register_map, make_batch, data, "fill")
        return [(str(one.id), one.status.value) for one in parser.parse(bytes.fromhex(data))[1:]]

    assert statuses("02 01 00 02 00 03 00") == [("thing.cell[1]", "good"), ("thing.cell[2]", "good")]
    assert statuses("03 01 00 02 00") == [("thing.cell[1]", "good"), ("thing.cell[2]", "good"), ("thing.cell[3]", "absent")]
    assert statuses("11 01 00") == [("thing.cell", "unselected")]  # a count outside its range counts nothing


def test_an_unknown_selector_is_survived(make_map: MakeMap, make_batch: MakeBatch) -> None:
    text = (
        "  thing:\n    command: 0x20\n    transfer: block\n    pec: optional\n    fields: {which: {bytes: 0}}\n    layouts:\n"
        "      - {when: which = 2, fields: {inner: {bytes: 1}, mv: {bytes: 2..3}}}\n"
        "      - {when: which = 3, fields: {mv: {bytes: 1..2}}}\n"
    )
    register_map = make_map(text)
    parser = MessageParser(register_map, register_map.messages[0])
    unknown = parser.decode(bytes.fromhex("0D 01 02 03"))
    assert [one.field for one in unknown.readings] == ["which"]
    assert unknown.layout == -1
    assert read(register_map, make_batch, "02 03 0A 00", "mv").value == 10
    assert read(register_map, make_batch, "03 0B 00 00", "mv").value == 11


def test_meanings_by_raw(make_map: MakeMap, make_batch: MakeBatch) -> None:
    field = "{bytes: 0, unit: kohm, codes: {0xFF: not available}, "
    field += "meanings: [{when: raw < 200, scale: 10}, {when: raw >= 200, scale: 100, offset: -18000}]}"
    register_map = make_map(block_of(f"it: {field}"))
    assert [read(register_map, make_batch, data, "it").value for data in ("64", "C7", "C8", "FE", "FF")] == [1000, 1990, 2000, 7400, None]


def test_negative_when(make_map: MakeMap, make_batch: MakeBatch) -> None:
    register_map = make_map(block_of("charging: {bit: 0}, current: {bytes: 1, unit: A, scale: 0.1, negative_when: charging = 0}"))
    assert read(register_map, make_batch, "01 0A", "current").value == 1
    assert read(register_map, make_batch, "00 0A", "current").value == -1


@pytest.mark.parametrize("missing", range(4))
def test_a_check_in_the_payload(make_map: MakeMap, make_batch: MakeBatch, missing: int) -> None:
    register_map = make_map(block_of("it: {bytes: 0}, check: {bytes: last, checksum: inverted sum, over: bytes 0..last - 1}"))
    payload = bytearray(bytes.fromhex("14 A0 04 47"))  # 0x14 + 0xA0 + 0x04 = 0xB8, inverted 0x47
    assert read(register_map, make_batch, payload.hex(), "it").status is Status.GOOD
    payload[missing] ^= 1
    assert read(register_map, make_batch, payload.hex(), "it").status is Status.BAD_CHECK
