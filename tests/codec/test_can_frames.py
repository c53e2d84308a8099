"""Frames to readings: which message of which device a frame is, what hangs on what it said before, what is wrong with it."""

from __future__ import annotations

import pytest

from regcheck.codec.carried import no_messages
from regcheck.codec.columns import Check
from regcheck.codec.examples import prove_examples
from regcheck.codec.framing import Fault
from regcheck.codec.parser import FrameParser, MessageParser
from regcheck.codec.plan import ColumnPlan, survey_states
from regcheck.codec.readings import rows
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.compile import load_map
from regcheck.errors import EncodeError
from regcheck.traffic.batch import Flag, Kind, MessageKey
from tests.codec.can_frames import BECK, batches_of, columns_of, decode, frame, ints, map_of, seen

BUSES = {"string_a": "can0", "string_b": "can1"}


def test_the_rack_proves_its_examples() -> None:
    assert prove_examples(load_map(BECK)) == []


def test_the_rack_by_hand() -> None:
    # values worked by hand from the map: BF is the CRC of the map's own example; 1D3A = 7482 x 0.1 V; 0032 = 50 x 0.1 A; 64 = 100 x 10 kohm
    plan = ColumnPlan(load_map(BECK), buses=BUSES)
    state, cells = "BF B5 1D 3A 00 32 64 80", "02 CE 4C E5 CE 3F FF 00"
    decoded = decode(plan, [frame(0, 0x230, state, bus="can0"), frame(1, 0x231, cells, bus="can0"), frame(2, 0x230, state, bus="can1")])
    one = columns_of(decoded, "rack_state", "string[string_a].rack[3]")
    assert ints(one.check) == [Check.GOOD]
    values = seen(decoded.messages)
    assert values["string[string_a].rack[3].rack_state.voltage"] == [(0, "good", 748.2)]
    assert values["string[string_b].rack[3].rack_state.voltage"] == [(2, "good", 748.2)]
    assert values["string[string_a].rack[3].rack_state.insulation"] == [(0, "good", 1000.0)]
    assert values["string[string_a].rack[3].rack_state.coolant"] == [(0, "good", 25.0)]
    assert values["string[string_a].rack[3].rack_state.counter"] == [(0, "good", 5.0)]
    cell = "string[string_a].rack[3].rack_cells.cell_voltage"  # 0xCE4 = 3300, 0xCE5 = 3301, 0xCE3 = 3299, 0xFFF
    numbered = [values[f"{cell}[{number}]"][0][1:] for number in (9, 10, 11, 12)]
    assert numbered == [("good", 3300.0), ("good", 3301.0), ("good", 3299.0), ("not_fitted", None)]
    assert not len(decoded.unexplained)


def test_pages_are_told_apart_row_by_row() -> None:
    plan = ColumnPlan(load_map(BECK), buses=BUSES)
    frames = [
        frame(0, 0x211, "00 00 10 02 00 30 04 00", bus="can0"),  # voltages, page 0: cells 1 to 4 of 1, 2, 3, 4 mV
        frame(1, 0x211, "01 00 50 06 00 70 08 00", bus="can0"),  # page 1: cells 5 to 8 of 5 to 8 mV
        frame(2, 0x211, "11 00 FB 3F 00 00 00 00", bus="can0"),  # temperatures, page 1: 0x300, 0x3FE, 3 of sensors 4, 5, 6
        frame(3, 0x211, "20 60 0D 00 01 0C 00 02", bus="can0"),  # summary
        frame(4, 0x211, "50 00 00 00 00 00 00 00", bus="can0"),  # content 5: no layout
        frame(5, 0x211, "30 05 00 00 80 00 00 00", bus="can0"),  # balancing: cells 1, 3, 32
    ]
    decoded = decode(plan, frames)
    one = columns_of(decoded, "rack_cells", "string[string_a].rack[1]")
    assert ints(one.layout) == [0, 0, 1, 2, -1, 3]
    values = {key.removeprefix("string[string_a].rack[1].rack_cells."): value for key, value in seen([one]).items()}
    assert [values[f"cell_voltage[{number}]"] for number in range(1, 9)] == [
        [(0 if number < 5 else 1, "good", float(number))] for number in range(1, 9)
    ]
    assert values["temperature[4]"] == [(2, "good", 0x300 * 0.25 - 50)]
    assert values["temperature[5]"] == [(2, "special", None)]
    assert values["temperature[6]"] == [(2, "good", 3 * 0.25 - 50)]
    assert values["cell_count"] == [(3, "good", 96.0)]
    assert values["highest"] == [(3, "good", 0x0D00)]
    assert [number for number in range(1, 33) if values[f"balancing[{number}]"] == [(5, "good", 1.0)]] == [1, 3, 32]
    assert ints(one.fault) == [Fault.NONE] * 6


def test_state_is_each_devices_own() -> None:
    text = """  mode: {id: 0x100 + rack, length: 1, fields: {high: {bit: 0}}}
  level:
    id: 0x200 + rack
    length: 1
    fields: {voltage: {bytes: 0, unit: V, meanings: [{when: mode.high = 1, scale: 10}, {when: mode.high = 0, scale: 1}]}}
"""
    register_map = map_of(text, "can: {bitrate: 250 kbit/s}\ninstances: {rack: 1..3}\n")
    frames = [frame(0, 0x101, "00"), frame(1, 0x102, "01"), frame(2, 0x201, "07"), frame(3, 0x202, "07"), frame(4, 0x203, "07")]
    states = survey_states(register_map, lambda: batches_of(frames))
    assert sorted(states.timelines) == ["rack[1].mode.high", "rack[2].mode.high"]
    values = seen(decode(ColumnPlan(register_map, states), frames).messages)
    assert values["rack[1].level.voltage"] == [(2, "good", 7.0)]
    assert values["rack[2].level.voltage"] == [(3, "good", 70.0)]
    assert values["rack[3].level.voltage"] == [(4, "unselected", None)]


def test_a_message_of_all_devices_selects_for_each() -> None:
    text = """  mode: {id: 0x100, length: 1, fields: {high: {bit: 0}}}
  level: {id: 0x200 + rack, length: 1, fields: {voltage: {bytes: 0, meanings: [{when: mode.high = 1, scale: rack}, {when: mode.high = 0}]}}}
"""
    register_map = map_of(text, "can: {bitrate: 250 kbit/s}\ninstances: {rack: 1..3}\n")
    frames = [frame(0, 0x100, "01"), frame(1, 0x202, "07"), frame(2, 0x203, "07"), frame(3, 0x100, "00"), frame(4, 0x203, "07")]
    states = survey_states(register_map, lambda: batches_of(frames))
    values = seen(decode(ColumnPlan(register_map, states), frames).messages)
    assert values["rack[2].level.voltage"] == [(1, "good", 14.0)]
    assert values["rack[3].level.voltage"] == [(2, "good", 21.0), (4, "good", 7.0)]


def test_for_some_time_counts_from_what_was_seen() -> None:
    register_map = load_map(BECK)
    parser = MessageParser(register_map, register_map.messages[0], numbers={"rack": 3})
    sent = [(0, "ready"), (100, "closed"), (200, "closed"), (290, "closed"), (300, "closed"), (400, "ready"), (500, "closed")]
    frames = [
        frame(at, 0x230, parser.build_frame({"state": state, "current": 5, "charging": 1}, count=number).hex(), bus="can0")
        for number, (at, state) in enumerate(sent)
    ]
    states = survey_states(register_map, lambda: batches_of(frames), buses=BUSES)
    values = seen(decode(ColumnPlan(register_map, states, buses=BUSES), frames).messages)
    current = values["string[string_a].rack[3].rack_state.current"]
    assert [status for _, status, _ in current] == ["not_valid"] * 4 + ["good"] + ["not_valid"] * 2
    assert {value for _, status, value in current if status == "good"} == {5.0}


def test_the_same_number_in_both_sizes_is_two_messages() -> None:
    # cases.md: 11- and 29-bit ids
    register_map = map_of(
        "  short: {id: 0x123, length: 1, fields: {a: {bytes: 0}}}\n"
        "  long: {id: 0x123, extended: true, length: 1, fields: {b: {bytes: 0}}}\n"
    )
    values = seen(decode(ColumnPlan(register_map), [frame(0, 0x123, "01"), frame(1, 0x123, "02", extended=True)]).messages)
    assert values == {"short.a": [(0, "good", 1.0)], "long.b": [(1, "good", 2.0)]}


def test_a_group_from_any_source_and_an_id_before_it() -> None:
    # cases.md: 18FEF100 and 0CFEF1E2 are both PGN FEF1; 18EA17F9 and 18EAFFF9 are PGN EA00 to 0x17 and to all (J1939-21, 29-bit id)
    register_map = map_of(
        "  speed: {pgn: 0xFEF1, length: 8, fields: {a: {bytes: 0}}}\n"
        "  own: {id: 0x18FEF155, length: 8, fields: {b: {bytes: 0}}}\n"
        "  request: {pgn: 0xEA00, destination: 0x17, length: 3, fields: {c: {bytes: 0..2}}}\n"
    )
    ids = [0x18FEF100, 0x0CFEF1E2, 0x18FEF155, 0x18EA17F9, 0x18EAFFF9, 0x18FEF200]
    frames = [frame(at, id, "01 00 00" if at in (3, 4) else "01 00 00 00 00 00 00 00") for at, id in enumerate(ids)]
    decoded = decode(ColumnPlan(register_map), [*frames, frame(9, 0x7F1, "00")])
    assert {(one.message.name, int(at)) for one in decoded.messages for at in one.index} == {
        ("speed", 0),
        ("speed", 1),
        ("own", 2),
        ("request", 3),
    }
    assert [(index, Unexplained(why)) for index, why in zip(ints(decoded.unexplained), decoded.why, strict=True)] == [
        (4, Unexplained.UNKNOWN_ID),
        (5, Unexplained.UNKNOWN_ID),
        (6, Unexplained.UNKNOWN_ID),
    ]


def test_what_gives_no_reading_is_counted_by_its_reason() -> None:
    # cases.md: a remote frame is counted and has no values; so is an error frame
    plan = ColumnPlan(load_map(BECK), buses=BUSES, fitted={"rack": (1, 2)})
    frames = [
        frame(0, 0x211, flags=Flag.REMOTE, bus="can0"),
        frame(1, 0x211, "00 00 00 00 00 00 00 00", flags=Flag.ERROR, bus="can0"),
        frame(2, 0x231, "00 00 00 00 00 00 00 00", bus="can0"),
        frame(3, 0x211, "00 00 00 00 00 00 00 00", bus="can7"),
        frame(4, 0x666, "00", bus="can0"),
        frame(5, 0x0F0, "03", bus="can1"),
    ]
    decoded = decode(plan, frames)
    reasons = [Unexplained.REMOTE, Unexplained.ERROR, Unexplained.NOT_FITTED, Unexplained.OTHER_BUS, Unexplained.UNKNOWN_ID]
    assert [Unexplained(why) for why in decoded.why] == reasons
    assert ints(decoded.unexplained) == [0, 1, 2, 3, 4]
    assert [one.message.name for one in decoded.messages] == ["clear_alarms"]
    assert decoded.without_reading()["remote frames carry no data"] == 1


def test_a_capture_of_one_bus_without_a_name_serves_a_map_of_one_bus() -> None:
    single = map_of("  a: {id: 0x1, bus: main, length: 1, fields: {x: {bytes: 0}}}\n")
    assert seen(decode(ColumnPlan(single), [frame(0, 1, "05")]).messages) == {"a.x": [(0, "good", 5.0)]}


@pytest.mark.parametrize(("data", "fault", "statuses"), [("01", 1, "ga"), ("01 02 03", 0, "gg"), ("01 02 03 04", 1, "gg"), ("", 1, "aa")])
def test_another_length_is_a_fault_and_whole_fields_decode(data: str, fault: int, statuses: str) -> None:
    register_map = map_of("  a: {id: 0x1, length: 3, fields: {x: {bytes: 0}, y: {bytes: 1..2}}}\n")
    decoded = decode(ColumnPlan(register_map), [frame(0, 1, data)])
    assert ints(decoded.messages[0].fault) == [Fault.LENGTH if fault else Fault.NONE]
    assert "".join(status[0] for values in seen(decoded.messages).values() for _, status, _ in values) == statuses


def test_fd_frames_up_to_64_bytes() -> None:
    register_map = map_of("  a: {id: 0x1, fd: true, length: 64, fields: {x: {bytes: 62..63, order: big}, y: {bits: 250..262}}}\n")
    payload = bytes(range(64))
    decoded = decode(ColumnPlan(register_map), [frame(0, 1, payload.hex(), flags=Flag.FD)])
    expected = int.from_bytes(payload, "little") >> 250 & 0x1FFF
    assert seen(decoded.messages) == {"a.x": [(0, "good", 0x3E3F)], "a.y": [(0, "good", float(expected))]}


def test_first_bytes_tell_messages_of_one_id_apart() -> None:
    register_map = map_of(
        "  one: {id: 0x1, begins: 01, after: 1 byte, length: 1, fields: {x: {bytes: 0}}}\n"
        "  two: {id: 0x1, begins: 02 03, after: 1 byte, length: 2, fields: {y: {bytes: 1}}}\n"
    )
    frames = [frame(0, 1, "01 07"), frame(1, 1, "02 03 09"), frame(2, 1, "02 04 09"), frame(3, 1, "02")]
    decoded = decode(ColumnPlan(register_map), frames)
    assert seen(decoded.messages) == {"one.x": [(0, "good", 7.0)], "two.y": [(1, "good", 9.0)]}
    assert [(index, Unexplained(why)) for index, why in zip(ints(decoded.unexplained), decoded.why, strict=True)] == [
        (2, Unexplained.OTHER_BEGINNING),
        (3, Unexplained.OTHER_BEGINNING),
    ]
    parser = MessageParser(register_map, register_map.messages[1])
    assert parser.build_frame({"y": 9}) == bytes.fromhex("02 03 09")


def test_a_frame_repeated_over_ids_numbers_its_elements() -> None:
    register_map = map_of(
        "  cells: {id: 0x400 + n, each: {n: 0..7}, length: 4, fields: "
        "{voltage: {bytes: 0..1, each: {k: 0..1, step: 2 bytes}, number: n * 2 + k + 1}}}\n"
    )
    frames = [frame(n, 0x400 + n, f"{2 * n + 1:02X} 00 {2 * n + 2:02X} 00") for n in range(8)]
    values = seen(decode(ColumnPlan(register_map), frames).messages)
    assert values == {f"cells.voltage[{number}]": [((number - 1) // 2, "good", float(number))] for number in range(1, 17)}


def test_a_damaged_frame_is_not_read() -> None:
    plan = ColumnPlan(load_map(BECK), buses=BUSES)
    decoded = decode(plan, [frame(0, 0x230, "BF B5 1D 3B 00 32 64 80", bus="can0")])
    assert ints(decoded.messages[0].check) == [Check.BAD]
    assert {status for values in seen(decoded.messages).values() for _, status, _ in values} == {"bad_check"}
    # the right bytes under another rack's id: its data id is another one
    decoded = decode(plan, [frame(0, 0x240, "BF B5 1D 3A 00 32 64 80", bus="can0")])
    assert ints(decoded.messages[0].check) == [Check.BAD]


def test_rows_name_device_and_bus() -> None:
    (batch,) = batches_of([frame(0.5, 0x0F0, "03", bus="can0"), frame(1, 0x212, "05 01", bus="can1")])
    decoded = ColumnPlan(load_map(BECK), buses=BUSES).decode(batch)
    first, second, *_ = rows(batch, decoded)
    assert (first.bus, first.instance, first.field, first.value) == ("can0", "string[string_a]", "target", "3")
    assert (second.bus, second.instance, second.field, second.text) == ("can1", "string[string_b].rack[1]", "over_voltage", "warning")


def test_the_parser_of_a_map_finds_the_device() -> None:
    parser = FrameParser(load_map(BECK), buses=BUSES)
    parsed = parser.parse(MessageKey(Kind.FRAME, 0x230), bytes.fromhex("BFB51D3A00326480"), bus="can1")
    assert parsed is not None
    assert (parsed.instance, parsed.check, parsed.fault) == ("string[string_b].rack[3]", Check.GOOD, Fault.NONE)
    assert str(parsed.readings[2].id) == "string[string_b].rack[3].rack_state.voltage"
    assert parser.parse(MessageKey(Kind.FRAME, 0x666), b"", bus="can1") is None
    data, given = bytes.fromhex("624B01 ED80"), {"rack_cells.cell_count": 1}
    records = parser.parse(MessageKey(Kind.FRAME, 0x7A3), data, given, "can0", is_carried=True)
    assert records is not None
    assert (records.fault, float(records.readings[0].value or 0)) == (Fault.NONE, 6080.0)


def test_built_frames_count_and_are_protected() -> None:
    register_map = load_map(BECK)
    parser = MessageParser(register_map, register_map.messages[0], numbers={"rack": 3})
    counts = [parser.build_frame({"voltage": 700}, count=number)[1] & 0xF for number in (0, 1, 14, 15, 16)]
    assert counts == [0, 1, 14, 0, 1]  # AUTOSAR E2E profile 1 counts 0 to 14
    assert all(parser.parse_frame(parser.build_frame({"voltage": 700}, count=number)).check is Check.GOOD for number in range(16))
    with pytest.raises(EncodeError, match=r"its data id 0x0B10 \+ rack is not known"):
        MessageParser(register_map, register_map.messages[0]).build_frame({"voltage": 700})


def test_counters_are_read_and_a_map_may_read_the_protections_own() -> None:
    protect, fields = "{e2e: AUTOSAR P01, data_id: 0x123}", "{alive: {bits: 8..11, counter: 0..14}, x: {bytes: 2}}"
    register_map = map_of(f"  a: {{id: 0x1, length: 4, protect: {protect}, fields: {fields}}}\n")
    parser = MessageParser(register_map, register_map.messages[0])
    data = parser.build_frame({"x": 7}, count=16)
    values = seen(decode(ColumnPlan(register_map), [frame(0, 1, data.hex())]).messages)
    assert values == {"a.alive": [(0, "good", 1.0)], "a.x": [(0, "good", 7.0)]}


def test_a_long_pass_asks_for_each_key_once_and_batches_change_nothing() -> None:
    register_map = map_of("  a: {pgn: 0xFEF1, length: 1, fields: {x: {bytes: 0}}}\n")
    frames = [frame(at, 0x18FEF100 + at % 200, f"{at % 256:02X}") for at in range(600)]
    plan = ColumnPlan(register_map)
    whole = seen(plan.decode(batches_of(frames)[0]).messages)
    cut: list[object] = []
    for batch in batches_of(frames, 7):
        cut += seen(ColumnPlan.decode(plan, batch).messages)["a.x"]
    assert cut == whole["a.x"]
    assert len(cut) == 600


def test_a_lone_field_of_a_repeated_frame_is_the_element_of_its_frame() -> None:
    register_map = map_of(
        "  module:\n    id: 0x400 + n\n    each: {n: 1..3}\n    length: 3\n"
        "    protect: {e2e: AUTOSAR P01, data_id: 0x200 + n}\n    fields: {temperature: {bytes: 2, unit: degC, offset: -40}}\n"
    )
    (message,) = register_map.messages
    parsers = [MessageParser(register_map, message, numbers={"n": n}) for n in (1, 2, 3)]
    frames = [frame(n, 0x401 + n, parsers[n].build_frame({f"temperature[{n + 1}]": 20 + n}).hex()) for n in range(3)]
    decoded = decode(ColumnPlan(register_map), frames)
    values = seen(decoded.messages)
    assert [values[f"module.temperature[{n + 1}]"] for n in range(3)] == [[(n, "good", 20.0 + n)] for n in range(3)]
    assert [ints(one.check) for one in decoded.messages] == [[Check.GOOD]] * 3
    assert str(parsers[1].parse_frame(frames[1].data).readings[0].id) == "module.temperature[2]"


def test_thousands_of_unknown_ids_hide_none_that_is_known() -> None:
    register_map = map_of("  a: {id: 0x18FF0000, length: 1, fields: {x: {bytes: 0}}}\n  b: {id: 0x7, length: 1, fields: {y: {bytes: 0}}}\n")
    frames = [frame(at, 0x18FF0000 + (0 if at % 10 == 0 else at), "01") for at in range(5000)]
    frames += [frame(5000 + at, 0x7, "02") for at in range(3)]
    plan = ColumnPlan(register_map)
    counts = {"a": 0, "b": 0, "unknown": 0}
    for batch in batches_of(frames, 1500):
        decoded = plan.decode(batch)
        for one in decoded.messages:
            counts[one.message.name] += len(one.time)
        counts["unknown"] += len(decoded.unexplained)
    assert counts == {"a": 500, "b": 3, "unknown": 4500}


def test_an_empty_batch_says_nothing() -> None:
    (batch,) = batches_of([frame(0, 0x230, "BF B5 1D 3A 00 32 64 80", bus="can0")])
    decoded = ColumnPlan(load_map(BECK), buses=BUSES).decode(no_messages(batch))
    assert (decoded.messages, len(decoded.unexplained)) == ((), 0)
