"""A map as the datasheet would print it: the table, one message with its bits, nothing left out, 79 columns."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.syntax import FieldEntry
from regcheck.errors import UsageError
from regcheck.report.show_bits import letter
from regcheck.report.show_map import show_map, show_message
from regcheck.report.show_words import time_text
from regcheck.report.words import cell_width

MAPS = Path(__file__).parents[2] / "maps"


@pytest.fixture(scope="module")
def every() -> RegisterMap:
    return load_map(Path(__file__).parent / "every_key.yaml")


@pytest.fixture(scope="module")
def ridge() -> RegisterMap:
    return load_map(MAPS / "ridge_4s.yaml")


def bits(register_map: RegisterMap, name: str, *, ascii: bool = False) -> list[str]:
    lines = show_message(register_map, name, ascii=ascii)
    start = next(index for index, line in enumerate(lines) if line.startswith("bits"))
    return lines[start + 1 : lines.index("", start)]


# the table


def test_the_head_says_device_source_address_pec_and_speed(ridge: RegisterMap) -> None:
    assert show_map(ridge)[:4] == [
        "Ridge 4s smart pack (invented): ridge-4s",
        "  source       data sheet R4S, revision C",
        "  bus          SMBus address 0x0B, PEC required, 100 kHz",
        "  builds on    smart_battery.yaml",
    ]


def test_the_table_is_in_order_of_command_and_says_ranges_twice_where_kelvin(ridge: RegisterMap) -> None:
    lines = show_map(ridge)
    start = next(index for index, line in enumerate(lines) if line.startswith("0x08"))
    assert lines[start : start + 6] == [
        "0x08 temperature            r  word        K       0.1",
        "       range 233.15 .. 358.15 K (-40 .. 85 degC)",
        "       accuracy 1 K when applied in 0 .. 60 degC; else 3 K",
        "0x09 voltage                r  word        mV                          25 mV",
        "       scale 10 ^ specification_info.v_scale",
        "       range 10000 .. 18000",
    ]
    codes = [int(line[2:4], 16) for line in lines if line.startswith("0x")]
    own = codes[: codes.index(0xB6) + 1]
    assert own == sorted(own)
    assert codes[len(own) :] == [0x14, 0x15, 0x16, 0x16]  # what the battery itself sends


@pytest.mark.parametrize("ascii", [False, True])
def test_every_message_and_field_is_in_the_table_and_no_line_is_wider_than_79(every: RegisterMap, ridge: RegisterMap, ascii: bool) -> None:
    for register_map in (every, ridge):
        lines = show_map(register_map, ascii=ascii)
        words = set(re.findall(r"\w+", "\n".join(lines)))
        for message in register_map.messages:
            assert {message.name, *(field.name for field in message.all_fields())} <= words
        for name in (message.name for message in register_map.messages):
            lines += show_message(register_map, name, ascii=ascii)
        assert max(map(cell_width, lines)) <= 79
        assert [line for line in lines if line != line.rstrip()] == []


def test_ascii_only_when_asked(every: RegisterMap) -> None:
    def whole(*, ascii: bool) -> str:
        shown = [show_map(every, ascii=ascii), *(show_message(every, message.name, ascii=ascii) for message in every.messages)]
        return "\n".join(line for lines in shown for line in lines)

    assert whole(ascii=True).isascii()
    assert {sign for sign in whole(ascii=False) if not sign.isascii()} == {"µ", "…"}


def test_values_and_rules_are_listed(every: RegisterMap) -> None:
    assert [line for line in show_map(every)[-3:] if line] == ["  values       total", "  rules        two of them"]


# one message


def test_each_fact_of_a_field_is_told(every: RegisterMap) -> None:
    shown = {message.name: re.sub(r"\n {15}", " ", "\n".join(show_message(every, message.name))) for message in every.messages}
    facts = {
        "type": ("mode", "type         signed"),
        "unit": ("current", "unit         mA"),
        "scale": ("current", "value        raw x 2.5 - 7"),
        "offset": ("current", "raw x 2.5 - 7"),
        "zero": ("filtered", "value        (raw - 0x8000)"),
        "points": ("curve", "straight between (0, 120), (128, 25)"),
        "convert": ("formula", "ntc(10 kohm * raw / (65536 - raw), r25 = 10 kohm, beta = 3435 K)"),
        "exponent": ("output", "raw x 2 ^ mode.n"),
        "m": ("input", ") / 5"),
        "b": ("input", " + 100)"),
        "R": ("input", "raw x 10 ^ -1"),
        "meanings": ("capacity", "value        mWh, raw x 10, when mode.way = back"),
        "positive": ("current", "positive     charge"),
        "negative_when": ("current", "negative     when mode.way = back"),
        "codes": ("filtered", "codes        0xFFFF not available, 0xFF00..0xFFFE error"),
        "names": ("mode", "names        0 out, 1 back"),
        "range": ("current", "range        -6000 .. 6000 mA"),
        "accuracy": ("current", "accuracy     0.5 % of reading + 10 mA when applied in 0 .. 5 A; else not judged"),
        "reserved": ("flags", "reserved     always reads 5"),
        "must_be": ("packet", "must be      length - 1"),
        "raised": ("flags", "raised       when 0"),
        "fitted": ("packed", "fitted       page"),
        "granularity": ("current", "granularity  4 mA"),
        "update": ("current", "update       every 250 ms"),
        "filter": ("filtered", "filter       first order, 1.5 s"),
        "averages": ("current", "averages     over 60 s"),
        "sensor": ("probe", "sensor       ntc(r25 = 10 kohm, beta = 3435 K)"),
        "valid_when": ("current", "valid when   mode.n = 1 for 2 s"),
        "characters": ("name_plate", "characters   latin-1"),
        "pad": ("name_plate", "0x20 stripped from the end"),
        "see": ("mode", "see          field page"),
        "note": ("mode", "note         field note"),
        "bytes": ("packet", "place        bytes 2..last - 2"),
        "bit": ("flags", "place        bit 15, 1 bit"),
        "bits": ("flags", "place        bits 8..11, 3, 5 bits"),
        "msb": ("packed", "msb at byte 1 bit 7, 12 bits, big-endian"),
        "lsb": ("flags", "lsb at byte 1 bit 4, 3 bits, little-endian"),
        "width": ("flags", "3 bits"),
        "order": ("packet", "bytes last - 1..last, big-endian, 16 bits"),
        "each": ("packed", "each         k 0..3, 12 bits apart in order of transmission"),
        "number": ("packed", "number page * 4 + k"),
        "overlaps": ("flags", "overlaps     a"),
        "crc": ("packet", "check        CRC-16/IBM-3740 over bytes 0..last - 2"),
        "over": ("packet", "over bytes 0..last - 2"),
        "before": ("packet", "after 16 34"),
    }
    assert [key for key, (name, text) in facts.items() if text not in shown[name]] == []
    assert set(FieldEntry.model_fields) - set(facts) == {"like", "checksum", "counter"}
    # like is filled in, a checksum is told as a CRC is, counters with the frames


def test_the_facts_of_a_message_are_told(every: RegisterMap) -> None:
    assert show_message(every, "far")[:13] == [
        "far, a register of Sample µ (invented)",
        "  through      word 0xA001 written to command 0xC0, then command 0xC1 read",
        "               within 1 s",
        "  transfer     6 bytes, without a count",
        "  length       6 bytes",
        "  access       read",
        "  address      0x0B",
        "  PEC          required",
        "  poll         every 250 ms",
        "  comes        every 100 ms +/- 10 ms",
        "  holds        current: reading this freezes it",
        "",
        "bits:",
    ]
    current = show_message(every, "current")
    assert "  see          table 3" in current
    assert "  note         message note" in current
    assert "  to           address 0x09, sent by the device itself" in show_message(every, "sent")
    assert "  comes        5 s .. 60 s apart" in show_message(every, "sent")


def test_examples_are_told(ridge: RegisterMap) -> None:
    assert "  example      on the wire 16 08 17 A6 0B 2A gives temperature 25.05 degC" in show_message(ridge, "temperature")


def test_a_joined_value_is_told(every: RegisterMap) -> None:
    assert show_message(every, "total") == [
        "total, a value of several messages",
        "  joins        current, filtered (most significant first)",
        "  within       100 ms",
        "  value        mAh",
    ]


@pytest.mark.parametrize("name", ["protection.cell_level", "cell_level"])
def test_a_field_is_found_with_and_without_its_message(ridge: RegisterMap, name: str) -> None:
    lines = show_message(ridge, name)
    assert lines[0].startswith("protection, a register")
    assert "cell_level" in lines
    assert "temp_level" not in lines


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("volage", "has no message or field 'volage'; did you mean 'voltage'?"),
        ("protection.cel_level", "has no message or field 'protection.cel_level'; did you mean 'protection.cell_level'?"),
        ("a.b.c", "has no message or field 'a.b.c'"),
        ("over_temperature", "'over_temperature' is a field of battery_status and of alarm_to_charger and of alarm_to_host; say which"),
    ],
)
def test_a_name_that_is_unknown_or_means_several_is_refused(ridge: RegisterMap, name: str, words: str) -> None:
    with pytest.raises(UsageError, match=re.escape(words)):
        show_message(ridge, name)


# the bits: ^ stands under the most significant bit of each field or element


def test_bits_of_a_little_endian_word_with_bits_that_no_field_claims(ridge: RegisterMap) -> None:
    assert bits(ridge, "protection") == [
        "          7 6 5 4 3 2 1 0    a  cell_level: bits 0..1",
        "  byte 0  c c c c b b a a    b  temp_level: bits 2..3",
        "          ^       ^   ^      c  spare_4: bits 4..7",
        "  byte 1  e e e e e e e d    d  cell_trouble: bit 8",
        "          ^             ^    e  spare: bits 9..15",
    ]


def test_bits_of_a_big_endian_array_walk_in_the_order_of_transmission(every: RegisterMap) -> None:
    # starts at bits 15, 19, 39, 43 as a step of 12 bits walks: the map language's own worked case
    assert [line[:26].rstrip() for line in bits(every, "packed")] == [
        "          7 6 5 4 3 2 1 0",
        "  byte 0  a a a a a a a a",
        "          ^",
        "  byte 1  b b b b b b b b",
        "          ^",
        "  byte 2  b b b b b b b b",
        "                  ^",
        "  byte 3  b b b b b b b b",
        "  byte 4  b b b b b b b b",
        "          ^",
        "  byte 5  b b b b b b b b",
        "                  ^",
        "  byte 6  b b b b b b b b",
    ]


def test_what_runs_to_the_last_byte_is_shown_as_a_mark(every: RegisterMap) -> None:
    assert [line[:28].rstrip() for line in bits(every, "packet")] == [
        "            7 6 5 4 3 2 1 0",
        "  byte 0    a a a a a a a a",
        "            ^",
        "  byte 1    b b b b b b b b",
        "            ^",
        "  byte 2    c c c c c c c c",
        "            ^",
        "            … … … … … … … …",
        "  last - 2  c c c c c c c c",
        "  last - 1  d d d d d d d d",
        "            ^",
        "  last      d d d d d d d d",
    ]
    assert "            ~ ~ ~ ~ ~ ~ ~ ~" in bits(every, "packet", ascii=True)[7]


def test_an_array_that_another_field_counts_says_how_it_repeats(ridge: RegisterMap) -> None:
    lines = bits(ridge, "cells")
    assert "b  cell_voltage: bytes 1..2; cell 1..cell_count, 2" in lines[1]
    assert lines[2].split("^")[1].split() == ["bytes", "apart"]
    assert lines[-1].strip() == "… … … … … … … …"


def test_shared_and_scattered_bits(every: RegisterMap) -> None:
    assert bits(every, "flags") == [
        "          7 6 5 4 3 2 1 0    a  a: bits 8..11, 3; shares bits with b",
        "  byte 0  . . . . a b b b    b  b: bits 0..3; shares bits with a",
        "                  ^          c  c: bit 15",
        "  byte 1  c d d d a a a a    d  end: lsb at byte 1 bit 4, 3 bits, little-endian",
        "          ^ ^                .  no field",
    ]


def test_layouts_are_drawn_each_and_long_runs_are_left_out(every: RegisterMap) -> None:
    lines = show_message(every, "paged")
    drawn = lines[lines.index("bits while page = 1:") :]
    assert [line[:26].rstrip() for line in drawn[1:11]] == [
        "           7 6 5 4 3 2 1 0",
        "  byte 0   a a a a a a a a",
        "           ^",
        "  byte 1   b b b b b b b b",
        "           ^",
        "  byte 2   b b b b b b b b",
        "           … … … … … … … …",
        "  byte 30  b b b b b b b b",
        "  byte 31  . . . . . . . .",
        "           … … … … … … … …",
    ]
    assert "bits while page = 0:" in lines


def test_a_message_without_data_has_no_bits(every: RegisterMap) -> None:
    assert show_message(every, "go")[-1] == "  no data bytes"


def test_letters_go_on_after_the_alphabet() -> None:
    assert [letter(index) for index in (0, 25, 26, 51, 52, 53, 104)] == ["a", "z", "A", "Z", "aa", "ab", "ba"]


@pytest.mark.parametrize(
    ("time_ns", "text"), [(250_000_000, "250 ms"), (60 * 10**9, "60 s"), (1_500_000_000, "1.5 s"), (0, "0 s"), (1500, "1.5 us")]
)
def test_times_are_said_in_a_unit_that_suits(time_ns: int, text: str) -> None:
    assert time_text(time_ns) == text
