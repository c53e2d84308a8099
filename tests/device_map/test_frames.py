"""Frames in the model: ids of like devices and of repeated frames, J1939 groups and codes, layouts inside layouts, numbers of examples."""

from pathlib import Path

import pytest

from regcheck.device_map.compile import load_map
from regcheck.device_map.exclusion import excludes
from regcheck.device_map.expression_tree import Name
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.frames import FrameId, GroupId, group_of, message_ids, number_at
from regcheck.device_map.model import Message, RegisterMap, Status
from regcheck.device_map.places import Order, bit_numbers
from regcheck.device_map.protection import PROFILES
from regcheck.device_map.scope import MapScope, UnknownNameError

HEAD = "regcheck: 1\ndevice: {name: sample}\n"


def load(folder: Path, text: str) -> RegisterMap:
    path = folder / "map.yaml"
    path.write_text(HEAD + text, encoding="utf-8")
    return load_map(path)


def only(register_map: RegisterMap) -> Message:
    (message,) = register_map.messages
    return message


# ids


def test_a_frame_of_like_devices_on_like_buses_has_an_id_each(tmp_path: Path) -> None:
    text = "instances: {string: {bus: [left, right]}, rack: [1, 2, 5]}\nframes:\n  state: {id: 0x200 + rack * 16}\n"
    found = load(tmp_path, text)
    assert message_ids(found, only(found)) == [
        FrameId(f"string[{bus}].rack[{rack}]", {"rack": rack}, bus, 0x200 + 16 * rack, False)
        for bus in ("left", "right")
        for rack in (1, 2, 5)
    ]


def test_only_what_is_fitted_is_counted_in_the_order_of_the_head(tmp_path: Path) -> None:
    text = "instances: {rack: 1..8, string: {bus: [left, right]}}\nframes:\n  state: {id: 0x200 + rack * 16}\n"
    found = load(tmp_path, text)
    fitted = message_ids(found, only(found), {"rack": (7, 2), "string": ("right",)})
    assert [(one.instance, one.bus, one.id) for one in fitted if isinstance(one, FrameId)] == [
        ("rack[2].string[right]", "right", 0x220),
        ("rack[7].string[right]", "right", 0x270),
    ]
    assert len(message_ids(found, only(found), {"string": ("left",)})) == 8
    assert message_ids(found, only(found), {"rack": ()}) == []


def test_a_frame_that_names_no_instance_belongs_to_all_of_them(tmp_path: Path) -> None:
    found = load(tmp_path, "instances: {rack: 1..8}\nframes:\n  state: {id: 0x200 + rack}\n  clear: {id: 0x0F0, from: host}\n")
    assert message_ids(found, found.messages[1]) == [FrameId("", {}, "", 0x0F0, False)]
    assert found.messages[1].sender == "host"


def test_a_frame_of_one_bus_of_several_is_on_that_one(tmp_path: Path) -> None:
    found = load(tmp_path, "instances: {string: {bus: [left, right]}}\nframes:\n  a: {id: 1, bus: right}\n  b: {id: 2, bus: string}\n")
    assert [(one.instance, one.bus) for one in message_ids(found, found.messages[0])] == [("string[right]", "right")]
    assert [one.bus for one in message_ids(found, found.messages[1])] == ["left", "right"]


def test_a_repeated_frame_has_its_ids_and_its_fields_are_numbered(tmp_path: Path) -> None:
    found = load(tmp_path, "frames:\n  cells: {id: 0x400 + n, each: {n: 0..7}, fields: {voltage: {bytes: 0..1}}}\n")
    message = only(found)
    assert [one.id for one in message_ids(found, message) if isinstance(one, FrameId)] == list(range(0x400, 0x408))
    assert [one.numbers for one in message_ids(found, message)][3] == {"n": 3}
    (field,) = message.fields
    assert field.each is not None
    assert field.each.number is not None
    assert (field.each.step, field.each.number.text) == (0, "n")


@pytest.mark.parametrize(
    ("keys", "extended"),
    [("id: 0x7FF", False), ("id: 0x800", True), ("id: 0x123, extended: true", True), ("id: 0x7FF, extended: false", False)],
)
def test_the_size_of_an_id_is_that_of_its_number_unless_it_is_said(tmp_path: Path, keys: str, extended: bool) -> None:
    found = load(tmp_path, f"frames:\n  one: {{{keys}}}\n")
    (one,) = message_ids(found, only(found))
    assert isinstance(one, FrameId)
    assert one.extended is extended


def test_segments_have_the_id_that_they_come_on_and_the_one_that_asks(tmp_path: Path) -> None:
    text = (
        "instances: {rack: 3..4}\nframes:\n"
        "  record: {carrier: {iso_tp: 0x7A0 + rack, asked_by: 0x780 + rack}, begins: 62 4B 01, after: 3 bytes}\n"
    )
    found = load(tmp_path, text)
    assert [(one.id, one.asked_by) for one in message_ids(found, only(found)) if isinstance(one, FrameId)] == [
        (0x7A3, 0x783),
        (0x7A4, 0x784),
    ]
    assert (only(found).begins, only(found).after) == (b"\x62\x4b\x01", 3)


@pytest.mark.parametrize(("text", "number"), [("0x200 + rack * 16", 0x230), ("-rack ^ 2", -9), ("rack / 2", None), ("rack + other", None)])
def test_a_formula_of_instance_names_gives_a_whole_number_or_none(text: str, number: int | None) -> None:
    assert number_at(parse_expression(text), {"rack": 3}) == number


# J1939: ids of SAE J1939-21 from memory of it; the table is one of worked ids, by the definition of PDU1 and PDU2


@pytest.mark.parametrize(
    ("id", "pgn", "destination"),
    [
        (0x18FEF100, 0xFEF1, None),
        (0x0CF00400, 0xF004, None),
        (0x18EAFFF9, 0xEA00, 0xFF),
        (0x18ECFF00, 0xEC00, 0xFF),
        (0x1CEBFF00, 0xEB00, 0xFF),
        (0x18EF20FF, 0xEF00, 0x20),
        (0x19F21180, 0x1F211, None),  # data page 1
    ],
)
def test_parameter_groups_of_ids(id: int, pgn: int, destination: int | None) -> None:
    assert group_of(id) == (pgn, destination)


def test_a_group_matches_any_priority_and_source_unless_it_says_one(tmp_path: Path) -> None:
    text = (
        "instances: {unit: 1..2}\nframes:\n"
        "  a: {pgn: 0xFEF1}\n  b: {pgn: 0xEA00, destination: 0x17}\n  c: {pgn: 0xF004, source: unit + 1}\n"
    )
    found = load(tmp_path, text)
    ((a,), (b,), (c, d)) = (message_ids(found, message) for message in found.messages)
    assert a == GroupId("", {}, "", 0xFEF1, None, None)
    assert isinstance(a, GroupId)
    assert isinstance(b, GroupId)
    assert isinstance(c, GroupId)
    assert [a.matches(id) for id in (0x18FEF100, 0x0CFEF1E2, 0x18FEF200)] == [True, True, False]
    assert [b.matches(id) for id in (0x18EA17F9, 0x18EAFFF9)] == [True, False]
    assert [c.matches(id) for id in (0x0CF00402, 0x0CF00403)] == [True, False]
    assert d == GroupId("unit[2]", {"unit": 2}, "", 0xF004, 3, None)


# SAE J1939-71, table 1 (from memory of it): first and last raw value of each range
J1939 = {
    2: {(2, 2): "error", (3, 3): "not available"},
    8: {(0xFB, 0xFB): "special", (0xFC, 0xFD): "reserved", (0xFE, 0xFE): "error", (0xFF, 0xFF): "not available"},
    16: {(0xFB00, 0xFBFF): "special", (0xFC00, 0xFDFF): "reserved", (0xFE00, 0xFEFF): "error", (0xFF00, 0xFFFF): "not available"},
    32: {
        (0xFB000000, 0xFBFFFFFF): "special",
        (0xFC000000, 0xFDFFFFFF): "reserved",
        (0xFE000000, 0xFEFFFFFF): "error",
        (0xFF000000, 0xFFFFFFFF): "not available",
    },
}


@pytest.mark.parametrize("width", J1939)
@pytest.mark.parametrize("by_map", [False, True])
def test_codes_of_j1939_by_field_and_by_map(tmp_path: Path, width: int, by_map: bool) -> None:
    head = "can: {codes: J1939}\n" if by_map else ""
    own = "" if by_map else ", codes: J1939"
    field = only(load(tmp_path, f"{head}frames:\n  a: {{pgn: 0xFEF1, fields: {{v: {{bits: 0..{width - 1}{own}}}}}}}\n")).fields[0]
    assert {(code.first, code.last): code.word for code in field.codes} == J1939[width]
    assert {code.word: code.status for code in field.codes}["not available"] is Status.NOT_AVAILABLE
    assert {code.word: code.status for code in field.codes}["error"] is Status.DEVICE_ERROR


def test_codes_of_the_map_are_for_numbers_that_say_none_themselves(tmp_path: Path) -> None:
    text = """can: {codes: J1939}
frames:
  a:
    pgn: 0xFEF1
    length: 8
    fields:
      own: {bytes: 0, codes: {0xFF: open}}
      free: {bytes: 1, codes: {}}
      odd: {bits: 16..21}
      text: {bytes: 3, type: text}
      alive: {bytes: 4, counter: 0..255}
      fixed: {bytes: 5, must_be: 255}
"""
    found = load(tmp_path, text)
    assert [(field.name, [code.word for code in field.codes]) for field in only(found).fields if field.codes] == [("own", ["open"])]


# orders, layouts, examples, protection


def test_the_order_of_the_map_holds_for_fields_that_say_none(tmp_path: Path) -> None:
    text = """can: {order: big}
frames:
  a: {id: 1, fields: {x: {bytes: 0..1}, y: {bytes: 2..3, order: little}}}
  b: {id: 2, order: little, fields: {z: {bytes: 0..1}}}
"""
    a, b = load(tmp_path, text).messages
    assert [bit_numbers(field.where, 8)[0] for field in (*a.fields, *b.fields)] == [8, 16, 0]
    assert (a.order, b.order) == (Order.BIG, Order.LITTLE)


def test_layouts_inside_a_layout_are_written_flat_with_the_rest_behind(tmp_path: Path) -> None:
    text = """frames:
  page:
    id: 1
    length: 8
    fields: {a: {bytes: 0}}
    layouts:
      - when: a = 2
        fields: {b: {bytes: 1}}
        layouts:
          - {when: b = 3, length: 4, fields: {c: {bytes: 2}}}
          - {when: b = 4, every: 2 s, fields: {c: {bytes: 3}}}
      - {when: a = 3, fields: {d: {bytes: 1..2}}}
"""
    layouts = only(load(tmp_path, text)).layouts
    assert [(layout.when.text, [field.name for field in layout.fields], layout.is_rest) for layout in layouts] == [
        ("(a = 2) and (b = 3)", ["b", "c"], False),
        ("(a = 2) and (b = 4)", ["b", "c"], False),
        ("a = 2", ["b"], True),
        ("a = 3", ["d"], False),
    ]
    assert [layout.length.high if layout.length else None for layout in layouts] == [4, None, None, None]
    assert [len(layout.every) for layout in layouts] == [0, 1, 0, 0]
    assert excludes(layouts[0].when, layouts[1].when)
    assert excludes(layouts[0].when, layouts[3].when)


def test_an_example_fills_instance_names(tmp_path: Path) -> None:
    text = """instances: {rack: 1..8}
frames:
  a: {id: 0x200 + rack, length: 1, fields: {v: {bytes: 0}}, examples: [{rack: 3, data: 05, values: {v: 5}}]}
"""
    (example,) = only(load(tmp_path, text)).examples
    assert (example.numbers, example.data, example.is_transfer) == ({"rack": 3}, b"\x05", False)


def test_instance_names_are_numbers_in_a_frames_formulas_and_nowhere_else(tmp_path: Path) -> None:
    text = "instances: {rack: 1..8}\nframes:\n  a: {id: 0x200 + rack * 2 + n, each: {n: 0..1}, fields: {v: {bytes: 0}}}\n"
    found = load(tmp_path, text)
    scope = MapScope(found, only(found))
    assert [scope.unit_of(Name((name,))) for name in ("rack", "n")] == [None, None]
    with pytest.raises(UnknownNameError, match="the map has no field 'rack'"):
        MapScope(found).resolve(Name(("rack",)))


def test_data_ids_of_profile_2_are_sixteen_by_counter(tmp_path: Path) -> None:
    every = ", ".join(map(str, range(16)))
    text = (
        "frames:\n  a: {id: 1, protect: {e2e: AUTOSAR P02, data_id: 7}}\n"
        f"  b: {{id: 2, protect: {{e2e: AUTOSAR P02, data_id: [{every}]}}}}\n"
    )
    a, b = load(tmp_path, text).messages
    assert a.protect is not None
    assert b.protect is not None
    assert [one.text for one in a.protect.data_ids] == ["7"] * 16
    assert [one.text for one in b.protect.data_ids] == [str(number) for number in range(16)]


def test_the_bits_of_each_profile() -> None:
    # AUTOSAR PRS E2E Protocol, header layouts (from memory of it): CRC first, then the counter; worked frames of profiles 1 and 2
    # in tests/standards hold the same bytes
    assert PROFILES["P01"].bits("both") == tuple(range(12))
    assert PROFILES["P01"].bits("nibble") == tuple(range(16))
    assert PROFILES["P02"].bits("both") == tuple(range(12))
    assert PROFILES["P05"].bits("both") == tuple(range(24))
    assert [PROFILES[name].last_count for name in ("P01", "P02", "P05")] == [14, 15, 255]


def test_a_joined_value_keeps_its_characters(tmp_path: Path) -> None:
    text = (
        "frames:\n  a: {id: 1, fields: {part: {bytes: 0}, piece: {bytes: 1..7, type: text, number: part}}}\n"
        "values: {serial: {join: [piece], type: text, characters: latin-1, pad: 0x20}}\n"
    )
    joined = load(tmp_path, text).values["serial"]
    assert (joined.characters, joined.pad) == ("latin-1", 0x20)
