"""Words of the Smart Battery Data Specification 1.1 (1998-12-11): packed dates, temperatures, scaled currents. Clauses from memory."""

from __future__ import annotations

import datetime
from fractions import Fraction
from pathlib import Path

import pytest

from regcheck.codec.number_formats import packed_date, packed_date_code
from regcheck.codec.parser import MessageParser
from regcheck.codec.readings import Reading
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap, Status
from regcheck.device_map.units import TABLE, convert
from regcheck.errors import EncodeError

# (year - 1980) x 512 + month x 32 + day: ManufactureDate(), clause 5.1.27
DATES = [(0x5D79, "2026-11-25"), (0x305D, "2004-02-29"), (0x258B, "1998-12-11"), (0xFF9F, "2107-12-31")]

# 0.1 K a count: Temperature(), clause 5.1.9. No code is 25.00 degC: 2731.5 tenths lie between two codes
TEMPERATURES = [(2982, "25.05"), (2732, "0.05"), (2332, "-39.95"), (3332, "60.05")]

MAP = """
regcheck: 1
device: {name: words, source: "this test"}
smbus: {address: 0x0B, pec: required}
registers:
  battery_mode: {command: 0x03, transfer: word, access: [read, write], fields: {capacity_mode: {bit: 15, names: {0: mAh, 1: ten_mWh}}}}
  specification: {command: 0x1A, transfer: word,
    fields: {revision: {bits: 0..3}, version: {bits: 4..7}, v_scale: {bits: 8..11}, ip_scale: {bits: 12..15}}}
  temperature: {command: 0x08, transfer: word, unit: K, scale: 0.1}
  voltage: {command: 0x09, transfer: word, unit: mV, scale: 10 ^ specification.v_scale}
  current: {command: 0x0A, transfer: word, type: signed, unit: mA, scale: 10 ^ specification.ip_scale}
  charging_current: {command: 0x14, transfer: word, unit: mA}
  remaining_capacity:
    command: 0x0F
    transfer: word
    meanings: [{when: battery_mode.capacity_mode = mAh, unit: mAh}, {when: battery_mode.capacity_mode = ten_mWh, unit: mWh, scale: 10}]
  manufacture_date: {command: 0x1B, transfer: word, type: date}
"""


@pytest.fixture(scope="module")
def register_map(tmp_path_factory: pytest.TempPathFactory) -> RegisterMap:
    path: Path = tmp_path_factory.mktemp("map") / "words.yaml"
    path.write_text(MAP, encoding="utf-8")
    return load_map(path)


def read(register_map: RegisterMap, name: str, word: int, **given: int) -> Reading:
    message = register_map.message(name)
    assert message is not None
    paths = {key.replace("__", "."): value for key, value in given.items()}
    return MessageParser(register_map, message).parse(word.to_bytes(2, "little"), paths)[0]


@pytest.mark.parametrize(("code", "text"), DATES)
def test_packed_dates(register_map: RegisterMap, code: int, text: str) -> None:
    date = datetime.date.fromisoformat(text)
    assert packed_date(code) == date
    assert packed_date_code(date, name="date") == code
    reading = read(register_map, "manufacture_date", code)
    assert (reading.status, reading.text, reading.value, reading.raw) == (Status.GOOD, text, None, code)


@pytest.mark.parametrize("code", [0x0000, 0x0001, 0x5D60, 0x5C5E])
def test_words_that_are_no_dates(register_map: RegisterMap, code: int) -> None:
    # month 0, day 0, 2026-02-30: flagged, never shown as a day
    assert read(register_map, "manufacture_date", code).status is Status.DEVICE_ERROR


@pytest.mark.parametrize("year", [1979, 2108])
def test_dates_out_of_reach_are_refused(year: int) -> None:
    with pytest.raises(EncodeError, match="whose dates reach from 1980-01-01 to 2107-12-31"):
        packed_date_code(datetime.date(year, 1, 1), name="date")


@pytest.mark.parametrize(("code", "celsius"), TEMPERATURES)
def test_temperatures(register_map: RegisterMap, code: int, celsius: str) -> None:
    reading = read(register_map, "temperature", code)
    assert reading.value is not None
    assert convert(reading.value, TABLE["K"], TABLE["degC"]) == Fraction(celsius)


def test_scaling_by_the_specification_word(register_map: RegisterMap) -> None:
    # SpecificationInfo 0x2131 = version 3, VScale 1, IPScale 2 (clause 5.1.25): both are powers of ten
    values = {one.field: one.raw for one in MessageParser(register_map, register_map.messages[1]).parse(b"\x31\x21")}
    assert values == {"revision": 1, "version": 3, "v_scale": 1, "ip_scale": 2}
    assert read(register_map, "voltage", 1480, specification__v_scale=1).value == 14_800
    assert read(register_map, "current", -15 & 0xFFFF, specification__ip_scale=2).value == -1500
    assert read(register_map, "charging_current", 3000).value == 3000
    assert read(register_map, "voltage", 1480).status is Status.UNSELECTED


def test_current_is_low_byte_first_and_signed(register_map: RegisterMap) -> None:
    # charge is positive, discharge negative; swapped bytes would be a plausible +9466
    reading = read(register_map, "current", int.from_bytes(b"\x24\xfa", "little"), specification__ip_scale=0)
    assert (reading.value, reading.raw, reading.bits) == (Fraction(-1500), -1500, 0xFA24)


def test_capacity_mode_changes_the_unit(register_map: RegisterMap) -> None:
    # bit 15 of BatteryMode(), clause 5.1.4
    in_charge = read(register_map, "remaining_capacity", 3000, battery_mode__capacity_mode=0)
    in_energy = read(register_map, "remaining_capacity", 3000, battery_mode__capacity_mode=1)
    unseen = read(register_map, "remaining_capacity", 3000)
    assert (in_charge.value, str(in_charge.unit)) == (Fraction(3000), "mAh")
    assert (in_energy.value, str(in_energy.unit)) == (Fraction(30_000), "mWh")
    assert (unseen.value, unseen.unit, unseen.status, unseen.raw) == (None, None, Status.UNSELECTED, 3000)
