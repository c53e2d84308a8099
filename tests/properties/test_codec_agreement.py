"""The reference parser and the column plan say the same, to the last bit, on random maps and payloads; bitstruct agrees on raw bits."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import bitstruct
import numpy as np
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from regcheck.codec.builder import RawCode, Value
from regcheck.codec.checksums import CRCS, crc_function, pec
from regcheck.codec.columns import STATUSES, Check, MessageColumns
from regcheck.codec.field_plan import extract
from regcheck.codec.framing import Fault, frame_rows, frame_transfer
from regcheck.codec.parser import MessageParser
from regcheck.codec.payload import placed_runs
from regcheck.codec.plan import ColumnPlan, survey_states
from regcheck.codec.readings import Reading, rows
from regcheck.codec.states import States, Timeline
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import Message, Pec, RegisterMap, Status, TransferKind
from regcheck.device_map.places import BitsPlace, ByteNumber, BytesPlace, EndPlace, Order, bit_numbers
from regcheck.traffic.batch import NO_BYTE, Batch
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.shapes import Transfer


def quiet(examples: int) -> settings:
    return settings(max_examples=examples, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


HEAD = "regcheck: 1\ndevice: {name: any, source: own}\nsmbus: {address: 0x0B, pec: optional}\nregisters:\n"


def load_text(text: str) -> RegisterMap:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.yaml"
        path.write_text(text, encoding="utf-8")
        return load_map(path)


def batch_of(transfers: Sequence[Transfer]) -> Batch:
    builder = BatchBuilder("own", batch_size=1 << 20)
    for number, transfer in enumerate(transfers):
        builder.add(transfer, number)
    (batch,) = builder.finish()
    return batch


def block(payload: bytes, command: int = 0x20, *, time_ns: int = 0, with_pec: bool = True) -> Transfer:
    wire = bytes([0x16, command]), bytes([0x17, len(payload)]) + payload
    end = bytes([pec(wire[0] + wire[1])]) if with_pec else b""
    return Transfer(time_ns, (wire[0], wire[1] + end))


def columns_as_readings(columns: MessageColumns, index: int) -> dict[str, tuple[object, ...]]:
    found: dict[str, tuple[object, ...]] = {}
    for key, column in columns.fields.items():
        at = index if column.rows is None else int(np.searchsorted(column.rows, index))
        if column.rows is not None and (at >= len(column.rows) or column.rows[at] != index):
            continue
        status = STATUSES[column.status[at]]
        held = status is not Status.ABSENT and (column.held is None or bool(column.held[at]))
        number = column.values()[at]
        meaning = column.meanings[column.meaning[at]] if column.meanings else None
        wordy = column.texts is not None
        exact = meaning.exact(int(column.raw[at])) if status is Status.GOOD and not wordy and meaning is not None else None
        found[str(key)] = (
            int(column.raw[at]) if held else None,
            int(column.bits[at]) if held else None,
            status,
            exact,
            None if exact is None else float(number),
            column.texts[at] if column.texts is not None and status is Status.GOOD else None,
            column.field.codes[column.code[at] - 1].word if column.code[at] and status not in (Status.ABSENT, Status.BAD_CHECK) else None,
        )
    return found


def readings_as_dict(readings: Sequence[Reading]) -> dict[str, tuple[object, ...]]:
    wordy = {one.field for one in readings if one.status is Status.GOOD and one.value is None}
    return {
        str(one.id): (
            one.raw,
            one.bits,
            one.status,
            one.value,
            one.number,
            one.text if one.field in wordy and one.status is Status.GOOD else None,
            one.text if one.status not in (Status.GOOD, Status.ABSENT, Status.BAD_CHECK) else None,
        )
        for one in readings
    }


def given_at(states: States, time_ns: int) -> dict[str, Fraction]:
    found = {}
    for path in states.timelines:
        exact = states.at(path, np.array([time_ns]))
        value = exact.values[exact.codes[0]]
        if value is not None:
            found[path] = value
    return found


def assert_agreement(register_map: RegisterMap, batch: Batch, states: States) -> None:
    decoded = ColumnPlan(register_map, states).decode(batch)
    for columns in decoded.messages:
        parser = MessageParser(register_map, columns.message)
        for at, index in enumerate(columns.index.tolist()):
            parsed = parser.parse_transfer(
                batch.message(index),
                given_at(states, int(batch.time[index])),
                split=int(batch.split[index]),
                nack=int(batch.nack[index]),
                flags=int(batch.flags[index]),
            )
            assert columns_as_readings(columns, at) == readings_as_dict(parsed.readings)
            assert (int(columns.check[at]), int(columns.fault[at])) == (int(parsed.check), int(parsed.fault))
            assert int(columns.layout[at]) == parsed.layout or parsed.fault in (Fault.ADDRESS_REFUSED, Fault.COMMAND_REFUSED)
    assert sum(1 for _ in rows(batch, decoded)) == sum(len(column.raw) for one in decoded.messages for column in one.fields.values())


PLACES = st.one_of(
    st.tuples(st.integers(0, 5), st.integers(1, 3)).map(lambda one: ("bytes", f"{one[0]}..{one[0] + one[1] - 1}", 8 * one[1])),
    st.integers(0, 63).map(lambda bit: ("bit", str(bit), 1)),
    st.tuples(st.integers(0, 50), st.integers(2, 13)).map(lambda one: ("bits", f"{one[0]}..{one[0] + one[1] - 1}", one[1])),
    st.tuples(st.integers(0, 3), st.integers(0, 7), st.integers(1, 20)).map(lambda one: ("msb", f"byte {one[0]} bit {one[1]}", one[2])),
)
SCALES = ("1", "0.1", "0.025", "1/16", "1/3", "-0.5", "1e-6", "10 ^ first", "2")
OFFSETS = ("0", "-40", "2731.5", "0.05")


@st.composite
def fields(draw: st.DrawFn, name: str) -> str:
    key, where, width = draw(PLACES)
    parts = [f"{key}: {where}"]
    if key == "msb":
        parts += [f"width: {width}", f"order: {draw(st.sampled_from(['big', 'little']))}"]
        if parts[-1].endswith("little"):
            parts[0] = parts[0].replace("msb", "lsb")
    elif key == "bytes":
        parts.append(f"order: {draw(st.sampled_from(['big', 'little']))}")
    kinds = ["unsigned", "signed", "sign-magnitude"] if width > 1 else ["unsigned"]
    if width % 4 == 0:
        kinds.append("bcd")
    if key == "bytes" and width == 16:
        kinds += ["float", "linear11", "date", "version"]
    if key == "bytes":
        kinds += ["text", "bytes"]
    kind = draw(st.sampled_from(kinds))
    parts.append(f"type: {kind}")
    if kind not in ("text", "bytes", "date", "version"):
        parts += [f"scale: {draw(st.sampled_from(SCALES))}", f"offset: {draw(st.sampled_from(OFFSETS))}"]
        if width > 3 and draw(st.booleans()):
            low = draw(st.integers(0, (1 << width) - 2))
            parts.append(f"codes: {{{low}..{low + 1}: error, 0: not available}}" if low else "codes: {0..1: error}")
        if draw(st.integers(0, 4)) == 0:
            parts.append("negative_when: flag = 1")
        if draw(st.integers(0, 4)) == 0:
            parts.append("valid_when: flag = 0 and first < 3")
    return f"      {name}: {{{', '.join(parts)}, overlaps: [{', '.join(one for one in NAMES if one != name)}]}}\n"


NAMES = ("flag", "first", "one", "two", "three")


@st.composite
def maps(draw: st.DrawFn) -> str:
    text = HEAD + "  thing:\n    command: 0x20\n    transfer: block\n    fields:\n"
    text += f"      flag: {{bit: 7, overlaps: [{', '.join(NAMES[1:])}]}}\n"
    text += f"      first: {{bits: 0..2, range: 0..6, overlaps: [flag, {', '.join(NAMES[2:])}]}}\n"
    for name in NAMES[2 : 2 + draw(st.integers(1, 3))]:
        text += draw(fields(name))
    return text


def keep_known(text: str) -> str:
    """Take names out of `overlaps` that this map does not have."""
    here = [name for name in NAMES if f"      {name}: " in text]
    for name in NAMES:
        if name not in here:
            text = text.replace(f", {name}", "").replace(f"[{name}, ", "[").replace(f"[{name}]", "[first]")
    return text


@quiet(60)
@given(st.data(), maps())
def test_parser_and_plan_agree_on_random_fields(data: st.DataObject, text: str) -> None:
    register_map = load_text(keep_known(text))
    payloads = data.draw(st.lists(st.binary(min_size=1, max_size=9), min_size=1, max_size=12))
    payloads += [bytes(8), b"\xff" * 8]
    transfers = []
    for number, payload in enumerate(payloads):
        transfer = block(payload, time_ns=number * 1000, with_pec=data.draw(st.booleans()))
        wire = transfer.parts[1]
        match data.draw(st.integers(0, 9)):
            case 0:
                wire = wire[: data.draw(st.integers(1, len(wire)))]
            case 1:
                wire += data.draw(st.binary(min_size=1, max_size=2))
            case 2:
                wire = wire[:-1] + bytes([wire[-1] ^ 1])
        transfers.append(Transfer(number * 1000, (transfer.parts[0], wire)))
    assert_agreement(register_map, batch_of(transfers), States())


STATEFUL = (
    HEAD
    + """
  mode: {command: 0x10, transfer: word, access: [read, write],
    fields: {kind: {bits: 0..1, names: {0: off, 1: on, 2: test}}, shift: {bits: 4..7, range: 0..9}}}
  level:
    command: 0x11
    transfer: word
    type: signed
    meanings:
      - {when: mode.kind = on, unit: mA, scale: 10 ^ mode.shift}
      - {when: mode.kind = off and raw < 300, unit: mW, scale: 0.1}
  cells:
    command: 0x20
    transfer: block
    length: 2 + 2 * fill
    fields:
      fill: {bytes: 0, range: 0..6}
      page: {bytes: 1}
    layouts:
      - {when: mode.kind = on and page < 3,
         fields: {cell: {bytes: 2..3, each: {k: 1..fill, step: 2 bytes}, number: page * 8 + k, unit: mV, codes: {0xFFFF: not fitted}}}}
      - {when: mode.kind = off, fields: {text: {bytes: 2..last, type: text, characters: ascii, pad: 0x00}}}
      - {when: page = 3 and mode.kind = test,
         fields: {cell: {bytes: 2..3, each: {k: 1.., step: 2 bytes}, order: big, unit: mV}, check: {bytes: last, overlaps: cell}}}
  lone: {command: 0x12, transfer: word,
    fields: {at: {bits: 0..2}, temp: {bytes: 1, number: at + 1, type: signed, unit: degC, valid_when: mode.kind = on for 3 us}}}
  summed: {command: 0x21, transfer: block,
    fields: {one: {bytes: 0..1, points: [[0, 0], [1000, 50.5], [60000, 7]]},
      check: {bytes: last, checksum: inverted sum, over: bytes 0..last - 1}}}
  sent: {command: 0x13, transfer: process call, unit: V, scale: 1/1000}
  tell: {command: 0x14, transfer: send byte, access: [write]}
"""
)


ODD = (
    HEAD
    + """
  odd:
    command: 0x20
    transfer: block
    fields:
      fill: {bytes: 0, range: 0..4}
      cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}, type: signed, overlaps: [half, flags, name, size, single]}
      flags: {bits: 8..11, type: signed, codes: {0x7: error}, names: {0: none, 1: one, 3: three}, overlaps: cell,
        valid_when: raw(fill) < 200 or fill = 1}
      half: {bytes: 1..2, type: float, unit: V, scale: 0.1, overlaps: cell, valid_when: "cell[2] > 0 or flags = one"}
      size: {bytes: 3, overlaps: cell,
        meanings: [{when: length > 6 and last < 12 and not fill = 3, scale: length / 3}, {when: raw in 10 .. 20}]}
      name: {bytes: 4..5, type: text, characters: ascii, pad: 0x20, codes: {0x0000: error}, overlaps: cell, valid_when: fill < 3}
      single: {bytes: 2..5, type: float, overlaps: [cell, size, name], scale: 3}
  dated: {command: 0x21, transfer: block,
    fields: {day: {bytes: 0..1, type: date}, at: {bytes: 2..5, type: unix time}, rev: {bytes: 6..7, type: version, order: little}}}
  curved: {command: 0x22, transfer: word, bits: 0..11, unit: degC,
    convert: "ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)"}
  scaled: {command: 0x23, transfer: word, type: linear11, unit: A, scale: 1/3, offset: 0.5, negative_when: raw < 100}
  direct: {command: 0x24, transfer: word, type: direct, m: 5, b: odd.fill, R: 1}
  guarded: {command: 0x25, transfer: block,
    fields: {it: {bytes: 0}, check: {bytes: last, crc: CRC-8/SAE-J1850, over: bytes 0..last - 1, before: 23 01}}}
  real: {command: 0x26, transfer: 64-bit, type: float, scale: 3}
"""
)


@quiet(40)
@given(st.data())
def test_parser_and_plan_agree_on_every_kind_of_field(data: st.DataObject) -> None:
    register_map = load_text(ODD)
    transfers: list[Transfer] = []
    small = st.one_of(st.sampled_from([0, 1, 2, 3, 7, 0x20, 0x41, 0x7C, 0x7F, 0xFF]), st.integers(0, 255))
    for number in range(data.draw(st.integers(1, 25))):
        command = data.draw(st.sampled_from([0x20, 0x20, 0x20, 0x21, 0x22, 0x23, 0x24, 0x25, 0x26]))
        size = {0x22: 2, 0x23: 2, 0x24: 2, 0x26: 8}.get(command)
        payload = bytes(data.draw(st.lists(small, min_size=size or 1, max_size=size or 12)))
        if command == 0x25 and data.draw(st.booleans()):
            payload += bytes([crc_function(CRCS["CRC-8/SAE-J1850"])(b"\x23\x01" + payload)])
        if size is None:
            transfers.append(block(payload, command, time_ns=number * 1000))
        else:
            parts = bytes([0x16, command]), b"\x17" + payload
            transfers.append(Transfer(number * 1000, (parts[0], parts[1] + bytes([pec(b"".join(parts))]))))
    batch = batch_of(transfers)
    assert_agreement(register_map, batch, survey_states(register_map, lambda: [batch]))


def word(command: int, value: int, time_ns: int, *, written: bool = False, good: bool = True) -> Transfer:
    data = bytes([value & 0xFF, value >> 8])
    parts = (bytes([0x16, command]) + data,) if written else (bytes([0x16, command]), b"\x17" + data)
    return Transfer(time_ns, (*parts[:-1], parts[-1] + bytes([pec(b"".join(parts)) ^ (not good)])))


MOVES = st.one_of(
    st.tuples(st.sampled_from([0x10, 0x11, 0x12]), st.integers(0, 0xFFFF), st.booleans(), st.sampled_from([True, True, True, False])),
    st.tuples(st.just(0x10), st.sampled_from([0, 1, 0x11, 0x31, 2, 0xA0]), st.booleans(), st.just(True)),
)
BLOCKS = st.tuples(st.sampled_from([0x20, 0x20, 0x21]), st.binary(min_size=1, max_size=20))


@quiet(60)
@given(st.lists(st.one_of(MOVES, BLOCKS), min_size=1, max_size=25), st.data())
def test_parser_and_plan_agree_where_other_messages_decide(moves: list[Any], data: st.DataObject) -> None:
    register_map = load_text(STATEFUL)
    transfers = []
    for number, move in enumerate(moves):
        time_ns = number * 1000
        if len(move) == 2:
            command, payload = move
            if data.draw(st.booleans()) and command == 0x20 and len(payload) > 2:
                payload = bytes([(len(payload) - 2) // 2, payload[1] % 5]) + payload[2:]
            transfers.append(block(bytes(payload), command, time_ns=time_ns))
        else:
            command, value, written, good = move
            transfers.append(word(command, value, time_ns, written=bool(written) and command == 0x10, good=bool(good)))
    batch = batch_of(transfers)
    states = survey_states(register_map, lambda: [batch])
    assert_without_time(register_map, batch, states)


def assert_without_time(register_map: RegisterMap, batch: Batch, states: States) -> None:
    """Compare as `assert_agreement` does; the parser takes every `for` as lasted, so where it may not have is left out."""
    lasted = word_states(states, batch)
    decoded = ColumnPlan(register_map, states).decode(batch)
    for columns in decoded.messages:
        parser = MessageParser(register_map, columns.message)
        for at, index in enumerate(columns.index.tolist()):
            parsed = parser.parse_transfer(batch.message(index), given_at(states, int(batch.time[index])), split=int(batch.split[index]))
            fast, slow = columns_as_readings(columns, at), readings_as_dict(parsed.readings)
            if columns.message.name == "lone" and not lasted[index]:
                assert {key: one[0] for key, one in fast.items()} == {key: one[0] for key, one in slow.items()}
                assert not any(one[2] is Status.GOOD for key, one in fast.items() if "temp" in key)
                continue
            assert fast == slow
            assert (int(columns.check[at]), int(columns.fault[at])) == (int(parsed.check), int(parsed.fault))


def word_states(states: States, batch: Batch) -> list[bool]:
    """Whether the mode had been `on` for 3 us at each message: looked up one by one."""
    out = []
    for time in batch.time.tolist():
        moments = list(range(0, time + 1, 1000))
        kinds = [given_at(states, moment).get("mode.kind") for moment in moments]
        tail = 0
        while tail < len(kinds) and kinds[-1 - tail] == 1:
            tail += 1
        out.append(tail > 0 and (tail - 1) * 1000 >= 3000)
    return out


@quiet(40)
@given(st.lists(st.one_of(MOVES, BLOCKS), min_size=2, max_size=20), st.integers(1, 19))
def test_states_of_two_stretches_are_those_of_one(moves: list[Any], cut: int) -> None:
    register_map = load_text(STATEFUL)
    transfers = []
    for number, move in enumerate(moves):
        if len(move) == 2:
            transfers.append(block(bytes(move[1]), move[0], time_ns=number * 1000))
        else:
            transfers.append(word(move[0], move[1], number * 1000, written=bool(move[2]) and move[0] == 0x10, good=bool(move[3])))
    assume(cut < len(transfers))
    whole = survey_states(register_map, lambda: [batch_of(transfers)])
    parts = survey_states(register_map, lambda: [batch_of(transfers[:cut]), batch_of(transfers[cut:])])
    assert whole.timelines.keys() == parts.timelines.keys()
    for path, timeline in whole.timelines.items():
        assert told(timeline) == told(parts.timelines[path])


def told(timeline: Timeline) -> list[tuple[int, Fraction | None]]:
    pairs = zip(timeline.time.tolist(), timeline.value.tolist(), timeline.known.tolist(), strict=True)
    return [(time, timeline.numbers[value] if known else None) for time, value, known in pairs]


SIMPLE = {
    kind: HEAD.replace("optional", "required")
    + f"  thing: {{command: 0x20, transfer: {kind.value}, access: [read], unit: V, scale: 0.001}}\n"
    for kind in (TransferKind.BYTE, TransferKind.WORD, TransferKind.BITS_32, TransferKind.BITS_64, TransferKind.PROCESS_CALL)
}


@quiet(100)
@given(st.sampled_from(list(TransferKind)), st.sampled_from(list(Pec)), st.data())
def test_framing_of_one_and_of_many_agree(kind: TransferKind, rule: Pec, data: st.DataObject) -> None:
    message = register(kind, rule)
    written = kind is TransferKind.SEND_BYTE or (kind is not TransferKind.RECEIVE_BYTE and data.draw(st.booleans()))
    transfers = []
    for number in range(data.draw(st.integers(1, 6))):
        body = data.draw(st.binary(max_size=12))
        sent = data.draw(st.sampled_from([b"", b"\x01\x02", b"\x01\x05", b"\x02\x05\x06", b"\x02\x05"]))
        parts: tuple[bytes, ...]
        if kind is TransferKind.RECEIVE_BYTE:
            parts = (b"\x17" + body,)
        elif written:
            parts = (b"\x16\x20" + body,)
        else:
            parts = (b"\x16\x20" + sent, b"\x17" + body)
        if data.draw(st.booleans()):
            parts = (*parts[:-1], parts[-1] + bytes([pec(b"".join(parts))]))
        size = sum(map(len, parts))
        nack = data.draw(st.sampled_from([None, None, None, NO_BYTE, 1, 2, len(parts[0]), size - 1]))
        flags = data.draw(st.sampled_from([0, 0, 0, 2, 4, 8, 64]))
        transfers.append(Transfer(number, parts, nack=nack, flags=type(Transfer(0, ()).flags)(flags)))
    batch = batch_of(transfers)
    framed = frame_rows(batch, np.arange(len(batch)), message, written=written)
    for index in range(len(batch)):
        one = frame_transfer(
            message,
            batch.message(index),
            int(batch.split[index]),
            written=written,
            nack=int(batch.nack[index]),
            flags=int(batch.flags[index]),
        )
        first = int(framed.first[index])
        assert batch.data[first : first + int(framed.came[index])].tobytes() == one.payload
        assert (framed.check[index], framed.fault[index], framed.verified[index]) == (one.check, one.fault, one.verified)
        assert framed.declared[index] == one.declared


def register(kind: TransferKind, rule: Pec) -> Message:
    transfer = "3 bytes" if kind is TransferKind.PLAIN else kind.value
    access = "[write]" if kind is TransferKind.SEND_BYTE else "[read]" if kind is TransferKind.RECEIVE_BYTE else "[read, write]"
    extra = "" if kind in (TransferKind.SEND_BYTE, TransferKind.BITS_64) else ", type: bytes"
    text = HEAD.replace("optional", rule.value) + f"  thing: {{command: 0x20, transfer: {transfer}, access: {access}{extra}}}\n"
    return load_text(text).messages[0]


@quiet(100)
@given(st.binary(min_size=1, max_size=24), st.data())
def test_bitstruct_agrees_on_raw_bits(payload: bytes, data: st.DataObject) -> None:
    total = 8 * len(payload)
    width = data.draw(st.integers(1, min(64, total)))
    skip = data.draw(st.integers(0, total - width))
    # big-endian, by bitstruct's default: a run of bits in order of transmission
    big = EndPlace(skip // 8 * 8 + 7 - skip % 8, width, Order.BIG, most_significant=True)
    # little-endian: the bit order within bytes turned round, so bitstruct is given the whole message turned round
    little = EndPlace(skip, width, Order.LITTLE, most_significant=False)
    (expected_big,) = bitstruct.unpack(f"p{skip}u{width}" if skip else f"u{width}", payload)
    lead = total - skip - width
    (expected_little,) = bitstruct.unpack(f"p{lead}u{width}" if lead else f"u{width}", payload[::-1])
    for place, expected in ((big, expected_big), (little, expected_little), (BitsPlace(tuple(range(skip, skip + width))), expected_little)):
        bits = bit_numbers(place, len(payload))
        pattern, (part,) = placed_runs(len(payload), (bits,))
        runs = pattern.parse(payload)
        assert sum(runs[run] << weight for run, weight in part) == expected
        matrix = np.frombuffer(payload * 2, np.uint8).reshape(2, -1)
        assert extract(matrix, bits).tolist() == [expected, expected]


@quiet(100)
@given(st.binary(min_size=8, max_size=8), st.sampled_from([1, 2, 4, 8]), st.integers(0, 7), st.sampled_from(list(Order)))
def test_bitstruct_agrees_on_whole_bytes(payload: bytes, size: int, first: int, order: Order) -> None:
    assume(first + size <= 8)
    bits = bit_numbers(BytesPlace(ByteNumber(first), ByteNumber(first + size - 1), order), 8)
    (expected,) = bitstruct.unpack(f"u{8 * size}", payload[first : first + size][:: 1 if order is Order.BIG else -1])
    assert extract(np.frombuffer(payload, np.uint8).reshape(1, 8), bits).tolist() == [expected]


@quiet(80)
@given(maps(), st.binary(min_size=8, max_size=8))
def test_building_what_was_parsed_reads_the_same(text: str, payload: bytes) -> None:
    register_map = load_text(keep_known(text))
    parser = MessageParser(register_map, register_map.messages[0])
    before = parser.parse(payload)
    values: dict[str, Value] = {}
    kinds = {one.name: one.type.value for one in register_map.messages[0].all_fields()}
    for one in before:
        if one.field in ("flag", "first") or one.status is not Status.GOOD:
            values[one.field] = RawCode(one.bits or 0) if one.bits is not None else one.text or ""
            if one.bits is None:
                del values[one.field]
        elif one.value is None:
            values[one.field] = one.text or ""
        elif kinds[one.field] in ("linear11", "float") or (kinds[one.field] == "sign-magnitude" and one.raw == 0):
            values[one.field] = RawCode(one.bits or 0)  # several codes bear one value; which of them came cannot be told from it
        else:
            values[one.field] = one.value
    assert parser.build(values, base=payload) == payload
    assert readings_as_dict(parser.parse(parser.build(values, base=payload))) == readings_as_dict(before)


CUT = (
    HEAD.replace("optional", "required")
    + """  cells:
    command: 0x20
    transfer: block
    length: 1 + 2 * fill
    fields: {fill: {bytes: 0}, cell: {bytes: 1..2, each: {k: 1..fill, step: 2 bytes}, unit: mV}}
"""
)


@quiet(100)
@given(st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=8), st.data())
def test_every_prefix_and_extension_is_a_fault_with_whole_fields_right(cells: list[int], data: st.DataObject) -> None:
    register_map = load_text(CUT)
    parser = MessageParser(register_map, register_map.messages[0])
    values: Mapping[str, Value] = {"fill": len(cells)} | {f"cell[{index}]": value for index, value in enumerate(cells, 1)}
    wire, split = parser.build_transfer(values)
    whole = parser.parse_transfer(wire, split=split)
    assert (whole.check, whole.fault) == (Check.GOOD, Fault.NONE)
    assert [one.value for one in whole.readings] == [len(cells), *cells]
    for size in range(split + 1, len(wire)):
        cut = parser.parse_transfer(wire[:size], split=split)
        assert cut.fault is not Fault.NONE or cut.check is Check.MISSING
        payload = max(min(size, len(wire) - 1) - split - 2, 0)
        raws = [one.raw for one in cut.readings if one.raw is not None]
        assert raws == [len(cells), *cells][: 0 if payload < 1 else 1 + (payload - 1) // 2]
        assert not any(one.status is Status.GOOD for one in cut.readings)
    longer = parser.parse_transfer(wire + data.draw(st.binary(min_size=1, max_size=1)), split=split)
    assert longer.fault is Fault.COUNT_DISAGREES
    assert [one.raw for one in longer.readings] == [len(cells), *cells]
    batch = batch_of([Transfer(size, (wire[:split], wire[split:size])) for size in range(split + 1, len(wire) + 1)])
    assert_agreement(register_map, batch, States())


@quiet(100)
@given(st.integers(0, 0xFFFF), st.data())
def test_any_flipped_bit_breaks_the_pec(value: int, data: st.DataObject) -> None:
    wire = bytes([0x16, 0x09, 0x17, value & 0xFF, value >> 8])
    whole = wire + bytes([pec(wire)])
    bit = data.draw(st.integers(0, 8 * len(whole) - 1))
    broken = bytearray(whole)
    broken[bit // 8] ^= 1 << bit % 8
    assert pec(bytes(broken[:-1])) != broken[-1]


@quiet(100)
@given(st.integers(0, (1 << 64) - 1), st.sampled_from(["1", "0.1", "1/3"]))
def test_64_bits_without_a_sign_stay_exact(code: int, scale: str) -> None:
    register_map = load_text(HEAD + f"  thing: {{command: 0x20, transfer: 64-bit, scale: {scale}}}\n")
    parts = (b"\x16\x20", b"\x17" + code.to_bytes(8, "little"))
    batch = batch_of([Transfer(0, parts), Transfer(1, parts)])
    assert_agreement(register_map, batch, States())
    (columns,) = ColumnPlan(register_map).decode(batch).messages
    (column,) = columns.fields.values()
    assert column.values()[0] == float(code * Fraction(scale))
    assert not math.isnan(column.values()[1])
