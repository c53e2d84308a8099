"""What other messages said last: latest good value, writes that count, selectors of indirect reads."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.plan import ColumnPlan, survey_states
from regcheck.codec.readings import rows, time_text
from regcheck.codec.states import NO_STATES, state_levels, state_paths
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.model import RegisterMap
from regcheck.traffic.batch import Batch
from regcheck.traffic.shapes import Transfer

MakeMap = Callable[[str], RegisterMap]
MakeBatch = Callable[[list[Transfer]], Batch]
Wire = Callable[..., Transfer]

MODED = """  mode: {command: 0x03, transfer: word, access: [read, write],
    fields: {unit_bit: {bit: 15, names: {0: mAh, 1: ten_mWh}}, spare: {bits: 0..3}}}
  capacity:
    command: 0x0F
    transfer: word
    meanings: [{when: mode.unit_bit = mAh, unit: mAh}, {when: mode.unit_bit = ten_mWh, unit: mWh, scale: 10}]
"""

INDIRECT = """  version:
    through: {write: 0xC0, word: 0xA001, then: 0xC1}
    transfer: block
    fields: {number: {bytes: 0..1, type: version}}
  history:
    through: {write: 0xC0, word: 0xA014, then: 0xC1, within: 1 us}
    transfer: block
    fields: {hottest: {bytes: 0, unit: degC}}
    layouts:
      - {when: version.number < v2.0, fields: {cycles: {bytes: 1..2}}}
      - {when: version.number >= v2.0, fields: {cycles: {bytes: 2..3}}}
"""


def told(register_map: RegisterMap, batch: Batch) -> list[tuple[str, str | None, str, str | None]]:
    """Return (field, value, status, unit) of every reading, in order."""
    states = survey_states(register_map, lambda: [batch])
    decoded = ColumnPlan(register_map, states).decode(batch)
    return [(row.field, row.value, row.status, row.unit) for row in rows(batch, decoded)]


def capacity(told_rows: list[tuple[str, str | None, str, str | None]]) -> list[tuple[str | None, str, str | None]]:
    return [row[1:] for row in told_rows if row[0] == "capacity"]


def test_only_what_is_asked_for_is_state(make_map: MakeMap) -> None:
    assert state_paths(make_map(MODED)) == {"mode.unit_bit"}
    register_map = make_map(INDIRECT)
    assert state_paths(register_map) == {"version.number", "selector 0xc0 of 0x0b"}
    assert state_levels(register_map) == (frozenset({"version"}),)


def test_the_latest_good_value_at_or_before_counts(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    transfers = [
        wire(0, "16 0F", "17 B8 0B"),
        wire(10, "16 03", "17 00 00"),
        wire(20, "16 0F", "17 B8 0B"),
        wire(30, "16 03", "17 00 80"),
        wire(40, "16 0F", "17 B8 0B"),
        wire(50, "16 03", "17 00 00", pec_error=1),
        wire(60, "16 0F", "17 B8 0B"),
    ]
    assert capacity(told(make_map(MODED), make_batch(transfers))) == [
        (None, "unselected", None),
        ("3000", "good", "mAh"),
        ("30000", "good", "mWh"),
        (None, "unselected", None),
    ]


@pytest.mark.parametrize(
    ("write", "expected"),
    [
        ({}, ("30000", "good", "mWh")),
        ({"pec_error": 1}, (None, "unselected", None)),
        ({"nack": 3}, (None, "unselected", None)),
    ],
    ids=["acknowledged", "bad PEC", "refused"],
)
def test_an_acknowledged_write_counts_until_the_next_read(
    make_map: MakeMap, make_batch: MakeBatch, wire: Wire, write: dict[str, int], expected: tuple[str | None, str, str | None]
) -> None:
    transfers = [
        wire(0, "16 03", "17 00 00"),
        wire(10, "16 03 00 80", **write),
        wire(20, "16 0F", "17 B8 0B"),
        wire(30, "16 03", "17 00 00"),
        wire(40, "16 0F", "17 B8 0B"),
    ]
    assert capacity(told(make_map(MODED), make_batch(transfers))) == [expected, ("3000", "good", "mAh")]


def test_reads_and_writes_of_one_register_stand_apart(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    batch = make_batch([wire(0, "16 03", "17 00 00"), wire(10, "16 03 00 80")])
    decoded = ColumnPlan(make_map(MODED)).decode(batch)
    assert [(one.message.name, one.written, one.index.tolist()) for one in decoded.messages] == [("mode", False, [0]), ("mode", True, [1])]


def decode_indirect(register_map: RegisterMap, batch: Batch) -> DecodedBatch:
    return ColumnPlan(register_map, survey_states(register_map, lambda: [batch])).decode(batch)


def test_indirect_reads_are_told_apart_by_the_word_written(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    transfers = [
        wire(0, "16 C0 01 A0"),
        wire(500, "16 C1", "17 02 01 09"),
        wire(1000, "16 C0 14 A0"),
        wire(1500, "16 C1", "17 04 65 23 01 00"),
        wire(2000, "16 C1", "17 04 65 23 01 00"),
        wire(3000, "16 C0 14 A0"),
        wire(4500, "16 C1", "17 04 65 23 01 00"),
        wire(5000, "16 C0 14 A0", pec_error=1),
        wire(5500, "16 C1", "17 04 65 23 01 00"),
        wire(6000, "16 C0 77 A0"),
        wire(6500, "16 C1", "17 04 65 23 01 00"),
    ]
    register_map, batch = make_map(INDIRECT), make_batch(transfers)
    decoded = decode_indirect(register_map, batch)
    assert [(row.time_ns, row.message, row.field, row.value or row.text, row.status) for row in rows(batch, decoded)] == [
        (500, "version", "number", "v1.9", "good"),
        (1500, "history", "hottest", "101", "good"),
        (1500, "history", "cycles", "291", "good"),
        (2000, "version", "number", None, "unselected"),  # the selector is used up; which register this is cannot be known
        (4500, "history", "hottest", None, "unselected"),  # later than `within`
        (5500, "version", "number", None, "unselected"),  # the write had a bad PEC
    ]
    assert [(index, Unexplained(why)) for index, why in zip(decoded.unexplained.tolist(), decoded.why, strict=True)] == [
        (10, Unexplained.UNKNOWN_SELECTOR)
    ]
    assert [one.index.tolist() for one in decoded.selectors] == [[0, 2, 5, 7, 9]]


def test_a_sticky_selector_is_not_used_up(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    register_map = make_map(
        INDIRECT.replace("word: 0xA001,", "word: 0xA001, sticky: true,").replace("word: 0xA014,", "word: 0xA014, sticky: true,")
    )
    batch = make_batch([wire(0, "16 C0 01 A0"), wire(500, "16 C1", "17 02 01 09"), wire(900, "16 C1", "17 02 01 0A")])
    found = [(row.text, row.status) for row in rows(batch, decode_indirect(register_map, batch))]
    assert found == [("v1.9", "good"), ("v1.10", "good")]


def test_without_states_nothing_is_guessed(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    batch = make_batch([wire(0, "16 C0 01 A0"), wire(500, "16 C1", "17 02 01 09")])
    decoded = ColumnPlan(make_map(INDIRECT), NO_STATES).decode(batch)
    assert [row.status for row in rows(batch, decoded)] == ["unselected"]


def test_a_condition_must_have_lasted(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    register_map = make_map(
        "  state: {command: 1, transfer: byte, names: {0: open, 1: closed}}\n"
        "  current: {command: 2, transfer: word, unit: mA, valid_when: state = closed for 200 ns}\n"
    )
    transfers = [wire(0, "16 02", "17 01 00"), wire(100, "16 01", "17 00"), wire(150, "16 02", "17 01 00"), wire(200, "16 01", "17 01")]
    transfers += [wire(300, "16 01", "17 01"), wire(350, "16 02", "17 01 00"), wire(400, "16 02", "17 01 00")]
    found = [row[2] for row in told(register_map, make_batch(transfers)) if row[0] == "current"]
    assert found == ["unselected", "not_valid", "not_valid", "good"]


def test_rows_print_exactly(make_map: MakeMap, make_batch: MakeBatch, wire: Wire) -> None:
    register_map = make_map(
        "  temperature: {command: 0x08, transfer: word, unit: K, scale: 0.1}\n"
        "  cells: {command: 0x20, transfer: block, fields: {fill: {bytes: 0}, "
        "cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}, unit: mV, codes: {0xFFFF: not fitted}}}}\n"
        "  maker: {command: 0x21, transfer: block, type: text}\n"
    )
    batch = make_batch(
        [
            wire(1_500_000_001, "16 08", "17 9E 0B"),
            wire(2_000_000_000, "16 20", "17 05 02 74 0E FF FF"),
            wire(3_000_000_000, "16 21", "17 03 41 22 42"),
            wire(4_000_000_000, "16 08", "17 9E 0B", pec_error=1),
        ]
    )
    lines = [row.json() for row in rows(batch, ColumnPlan(register_map).decode(batch))]
    assert lines[0] == (
        '{"time": 1.500000001, "bus": "", "instance": null, "message": "temperature", "field": "temperature", '
        '"raw": 2974, "value": 297.4, "unit": "K", "status": "good", "text": null}'
    )
    found = [json.loads(line) for line in lines]
    assert [(one["field"], one["raw"], one["value"], one["status"], one["text"]) for one in found[1:]] == [
        ("fill", 2, 2, "good", None),
        ("cell[1]", 3700, 3700, "good", None),
        ("cell[2]", 65535, None, "not_fitted", "not fitted"),
        ("maker", None, None, "good", 'A"B'),
        ("temperature", 2974, None, "bad_check", None),
    ]


def test_times_before_the_epoch() -> None:
    assert [time_text(value) for value in (-1, -1_000_000_000, 1_750_000_000_123_456_789)] == ["-0.000000001", "-1", "1750000000.123456789"]
