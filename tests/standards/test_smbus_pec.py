"""Packet error codes of every SMBus transfer (System Management Bus Specification 3.1, clauses 6.4 and 6.5; numbering from memory).

The rows for address 0x0B are recomputed from the definition (CRC-8, x^8 + x^2 + x + 1, both address bytes covered); the published ones
come from the tests of smbus-pec-rs, embedded-crc-macros-rs and of an RTOS's SMBus driver.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from regcheck.codec.checksums import pec
from regcheck.codec.columns import Check
from regcheck.codec.framing import Fault
from regcheck.codec.parser import MessageParser
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap

OWN = [
    ("16 01", 0x2E),  # send byte
    ("17 5A", 0xBD),  # receive byte
    ("16 10 55", 0x24),  # write byte
    ("16 0C 17 05", 0xCE),  # read byte
    ("16 03 00 80", 0x27),  # write word
    ("16 08 17 A6 0B", 0x2A),  # read word
    ("16 09 17 D0 39", 0x7E),
    ("16 0A 17 24 FA", 0x43),
    ("16 0D 17 64 00", 0x92),
    ("16 16 17 C0 00", 0x33),
    ("16 1A 17 31 00", 0xDA),
    ("16 1B 17 79 5D", 0xAB),
    ("16 44 34 12 17 78 56", 0x44),  # process call
    ("16 23 02 AA 55", 0x6D),  # block write
    ("16 22 17 04 4C 49 4F 4E", 0x31),  # block read
    ("16 45 02 01 02 17 03 0A 0B 0C", 0xDB),  # block write - block read process call
    ("16 50 17 78 56 34 12", 0xE4),  # read 32
    ("19 16", 0x88),  # alert response, answered by 0x0B
]

PUBLISHED = [
    ("B4 06 AB CD", 0x5F),
    ("B4 06 B5 26 3A", 0x66),
    ("B4 06 B5 6B 3A", 0xD4),
    ("B4 06 B5 61 3A", 0x56),
    ("B4 06 B5 E1 39", 0xE9),
    ("84 73 04 DE AD BE EF", 0x12),
    ("14 10 15 05", 0x90),
    ("14 10 15 05 0A", 0xCF),
    ("14 10 15 06 05 00 00 00 00 00", 0x99),
]

MAP = """
regcheck: 1
device: {name: pec-rows, source: "this test"}
smbus: {address: 0x0B, pec: required}
registers:
  send: {command: 0x01, transfer: send byte, access: [write]}
  receive: {transfer: receive byte}
  write_byte: {command: 0x10, transfer: byte, access: [write]}
  read_byte: {command: 0x0C, transfer: byte}
  write_word: {command: 0x03, transfer: word, access: [read, write]}
  temperature: {command: 0x08, transfer: word}
  voltage: {command: 0x09, transfer: word}
  current: {command: 0x0A, transfer: word, type: signed}
  call: {command: 0x44, transfer: process call}
  block_write: {command: 0x23, transfer: block, access: [read, write], type: bytes}
  chemistry: {command: 0x22, transfer: block, type: text}
  block_call: {command: 0x45, transfer: block process call, type: bytes}
  wide: {command: 0x50, transfer: 32-bit}
  wider: {command: 0x51, transfer: 64-bit}
"""

TRANSFERS = [
    ("send", 0, "16 01 2E", None),
    ("receive", 0, "17 5A BD", 0x5A),
    ("write_byte", 0, "16 10 55 24", 0x55),
    ("read_byte", 2, "16 0C 17 05 CE", 5),
    ("write_word", 0, "16 03 00 80 27", 0x8000),
    ("temperature", 2, "16 08 17 A6 0B 2A", 0x0BA6),
    ("voltage", 2, "16 09 17 D0 39 7E", 0x39D0),
    ("current", 2, "16 0A 17 24 FA 43", -1500),
    ("call", 4, "16 44 34 12 17 78 56 44", 0x5678),
    ("block_write", 0, "16 23 02 AA 55 6D", "AA 55"),
    ("chemistry", 2, "16 22 17 04 4C 49 4F 4E 31", "LION"),
    ("block_call", 5, "16 45 02 01 02 17 03 0A 0B 0C DB", "0A 0B 0C"),
    ("wide", 2, "16 50 17 78 56 34 12 E4", 0x12345678),
]


@pytest.fixture(scope="module")
def register_map(tmp_path_factory: pytest.TempPathFactory) -> RegisterMap:
    path: Path = tmp_path_factory.mktemp("map") / "pec.yaml"
    path.write_text(MAP, encoding="utf-8")
    return load_map(path)


@pytest.mark.parametrize(("text", "expected"), OWN + PUBLISHED)
def test_packet_error_codes(text: str, expected: int) -> None:
    assert pec(bytes.fromhex(text)) == expected


@pytest.mark.parametrize(
    ("text", "wrong"),
    [("16 09 D0 39", 0x3C), ("0B 09 0B D0 39", 0xE0)],
    ids=["without the second address byte", "7-bit addresses"],
)
def test_the_usual_slips_give_another_code(text: str, wrong: int) -> None:
    assert pec(bytes.fromhex(text)) == wrong
    assert pec(bytes.fromhex("16 09 17 D0 39")) == 0x7E


@pytest.mark.parametrize(("name", "split", "text", "value"), TRANSFERS)
def test_transfers_parse_and_build(register_map: RegisterMap, name: str, split: int, text: str, value: int | str | None) -> None:
    message = register_map.message(name)
    assert message is not None
    parser = MessageParser(register_map, message)
    wire = bytes.fromhex(text)
    parsed = parser.parse_transfer(wire, split=split)
    assert (parsed.check, parsed.fault) == (Check.GOOD, Fault.NONE)
    assert [one.value if one.value is not None else one.text for one in parsed.readings] == ([] if value is None else [value])
    written = "read" not in message.access or (split == 0 and name != "receive")
    sent = {"call": b"\x34\x12", "block_call": b"\x01\x02"}.get(name, b"")
    values = {} if value is None else {name: value}
    assert parser.build_transfer(values, written=written, sent=sent) == (wire, split)
    assert parsed.sent == sent


def test_a_process_call_has_no_code_in_its_middle(register_map: RegisterMap) -> None:
    message = register_map.message("call")
    assert message is not None
    wire = bytes.fromhex("16 44 34 12")
    in_the_middle = wire + bytes([pec(wire)]) + bytes.fromhex("17 78 56")
    parsed = MessageParser(register_map, message).parse_transfer(in_the_middle + bytes([pec(in_the_middle)]), split=5)
    assert parsed.fault is Fault.SENT_WRONG


def test_the_count_byte_is_no_data(register_map: RegisterMap) -> None:
    # the naive text of this reply is "\\x04LION1": the PEC 0x31 is the ASCII digit 1
    message = register_map.message("chemistry")
    assert message is not None
    (reading,) = MessageParser(register_map, message).parse_transfer(bytes.fromhex("16 22 17 04 4C 49 4F 4E 31")).readings
    assert reading.text == "LION"
