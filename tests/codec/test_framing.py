"""What each fault of framing looks like, and what is still decoded with it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regcheck.codec.columns import Check
from regcheck.codec.framing import FAULT_TEXT, Fault, frame_transfer
from regcheck.codec.parser import MessageParser
from regcheck.codec.plan import ColumnPlan
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.model import RegisterMap, Status
from regcheck.traffic.batch import NO_BYTE, Batch, Flag
from regcheck.traffic.shapes import Transfer

MakeMap = Callable[[str], RegisterMap]

WORD = "  thing: {command: 0x09, transfer: word, unit: mV}\n"
BLOCK = "  thing: {command: 0x22, transfer: block, fields: {first: {bytes: 0}, second: {bytes: 1..2}}}\n"
LONG = "  thing: {command: 0x22, transfer: block, length: 0..40, type: bytes}\n"


def parsed(
    register_map: RegisterMap, text: str, split: int = 2, nack: int | None = None, flags: int = 0
) -> tuple[Check, Fault, list[object]]:
    found = MessageParser(register_map, register_map.messages[0]).parse_transfer(bytes.fromhex(text), split=split, nack=nack, flags=flags)
    return found.check, found.fault, [one.raw if one.status is not Status.ABSENT else "absent" for one in found.readings]


@pytest.mark.parametrize(
    ("text", "nack", "flags", "check", "fault", "raws"),
    [
        ("16 09 17 D0 39 7E", None, 0, Check.GOOD, Fault.NONE, [0x39D0]),
        ("16 09 17 D0 39 7F", None, 0, Check.BAD, Fault.NONE, [0x39D0]),
        ("16 09 17 D0 39", None, 0, Check.MISSING, Fault.NONE, [0x39D0]),
        ("16 09 17 D0", None, 0, Check.UNKNOWN, Fault.TOO_FEW, ["absent"]),
        ("16 09 17 D0 39 7E 00", None, 0, Check.UNKNOWN, Fault.TOO_MANY, [0x39D0]),
        ("16 09 17", 2, 0, Check.UNKNOWN, Fault.ADDRESS_REFUSED, []),
        ("16 09 17", 1, 0, Check.UNKNOWN, Fault.COMMAND_REFUSED, []),
        ("16 09 17 D0 39 7E", NO_BYTE, 0, Check.GOOD, Fault.HOST_END, [0x39D0]),
        ("16 09 17 D0 39 7E", 4, 0, Check.GOOD, Fault.HOST_END, [0x39D0]),
        ("16 09 17 D0 39", None, Flag.NO_STOP, Check.UNKNOWN, Fault.NO_STOP, [0x39D0]),
        ("16 09 17 D0", None, Flag.PARTIAL_BYTE, Check.UNKNOWN, Fault.PARTIAL_BYTE, ["absent"]),
        ("16 09 17 D0 39 7E", None, Flag.UNKNOWN_LEVEL, Check.GOOD, Fault.UNKNOWN_LEVEL, [0x39D0]),
        ("16 09 17 D0 39", None, Flag.PEC_BY_ADAPTER, Check.UNKNOWN, Fault.NONE, [0x39D0]),
    ],
)
def test_a_word_read(make_map: MakeMap, text: str, nack: int | None, flags: int, check: Check, fault: Fault, raws: list[object]) -> None:
    assert parsed(make_map(WORD), text, nack=nack, flags=flags) == (check, fault, raws)


def test_data_before_the_repeated_start_of_a_word_read(make_map: MakeMap) -> None:
    assert parsed(make_map(WORD), "16 09 55 17 D0 39", split=3)[1] is Fault.SENT_WRONG
    assert parsed(make_map(WORD), "16 09 55 17 D0 39", split=3, nack=2)[1] is Fault.DATA_REFUSED


@pytest.mark.parametrize(
    ("text", "fault", "raws"),
    [
        ("16 22 17", Fault.TOO_FEW, ["absent", "absent"]),
        ("16 22 17 03 01 02 03", Fault.NONE, [1, 0x0302]),
        ("16 22 17 03 01 02 03 55", Fault.NONE, [1, 0x0302]),
        ("16 22 17 03 01 02", Fault.COUNT_DISAGREES, [1, "absent"]),
        ("16 22 17 03 01 02 03 55 66", Fault.COUNT_DISAGREES, [1, 0x0302]),
        ("16 22 17 00", Fault.COUNT_ILLEGAL, ["absent", "absent"]),
        ("16 22 17 21" + " 01" * 33, Fault.COUNT_ILLEGAL, [1, 0x0101]),
        ("16 22 17 02 01 02", Fault.LENGTH, [1, "absent"]),
        ("16 22 17 05 01 02 03 04 05", Fault.NONE, [1, 0x0302]),
    ],
)
def test_a_block_read(make_map: MakeMap, text: str, fault: Fault, raws: list[object]) -> None:
    assert parsed(make_map(BLOCK), text)[1:] == (fault, raws)


@pytest.mark.parametrize("count", [0, 33, 40])
def test_a_length_in_the_map_allows_other_counts(make_map: MakeMap, count: int) -> None:
    wire = bytes([0x16, 0x22, 0x17, count]) + bytes(count)
    message = make_map(LONG).messages[0]
    assert frame_transfer(message, wire, 2).fault is Fault.NONE
    assert frame_transfer(message, bytes([0x16, 0x22, 0x17, 41]) + bytes(41), 2).fault is Fault.COUNT_ILLEGAL


def test_where_a_pec_is_never_sent_an_extra_byte_is_a_fault(make_map: MakeMap) -> None:
    register_map = make_map(WORD.replace("unit: mV", "unit: mV, pec: never"))
    assert parsed(register_map, "16 09 17 D0 39") == (Check.NONE, Fault.NONE, [0x39D0])
    assert parsed(register_map, "16 09 17 D0 39 7E") == (Check.NONE, Fault.TOO_MANY, [0x39D0])


def test_the_pec_is_judged_by_length_never_by_luck(make_map: MakeMap) -> None:
    # the two data bytes end in what would be the PEC of one: it is data all the same
    register_map = make_map("  thing: {command: 0x0C, transfer: word, pec: optional}\n")
    assert parsed(register_map, "16 0C 17 05 CE") == (Check.NONE, Fault.NONE, [0xCE05])


def test_only_verified_readings_are_good(make_map: MakeMap) -> None:
    register_map = make_map(WORD)
    parser = MessageParser(register_map, register_map.messages[0])
    statuses = {
        "16 09 17 D0 39 7E": Status.GOOD,
        "16 09 17 D0 39 7F": Status.BAD_CHECK,
        "16 09 17 D0 39": Status.BAD_CHECK,
        "16 09 17 D0": Status.ABSENT,
    }
    for text, status in statuses.items():
        (reading,) = parser.parse_transfer(bytes.fromhex(text), split=2).readings
        assert reading.status is status
        assert (reading.value is None) == (status is not Status.GOOD)


def test_a_pec_that_is_sent_but_not_required_is_still_judged(make_map: MakeMap) -> None:
    register_map = make_map(WORD.replace("unit: mV", "unit: mV, pec: optional"))
    assert parsed(register_map, "16 09 17 D0 39")[0] is Check.NONE
    assert parsed(register_map, "16 09 17 D0 39 7E")[0] is Check.GOOD
    assert parsed(register_map, "16 09 17 D0 39 00")[0] is Check.BAD


def test_what_no_register_explains_is_told_apart(
    make_map: MakeMap, make_batch: Callable[[list[Transfer]], Batch], wire: Callable[..., Transfer]
) -> None:
    register_map = make_map(WORD)
    batch = make_batch(
        [
            wire(0, "16 09", "17 D0 39"),
            wire(1, "16 44", "17 D0 39"),
            wire(2, "12 14 D0 39"),
            wire(3, "16 09 D0 39"),
            wire(4, "16", with_pec=False, nack=0),
            wire(5, "16", with_pec=False, nack=NO_BYTE),
            wire(6, "16 09", "17 00", "17 00"),
        ]
    )
    decoded = ColumnPlan(register_map).decode(batch)
    assert [one.message.name for one in decoded.messages] == ["thing"]
    assert decoded.unexplained.tolist() == [1, 2, 3, 4, 5, 6]
    assert [Unexplained(code) for code in decoded.why] == [
        Unexplained.UNKNOWN_COMMAND,
        Unexplained.OTHER_DEVICE,
        Unexplained.WRONG_DIRECTION,
        Unexplained.ADDRESS_REFUSED,
        Unexplained.QUICK,
        Unexplained.STRAY,
    ]


def test_every_fault_has_words() -> None:
    assert set(FAULT_TEXT) == set(Fault)
