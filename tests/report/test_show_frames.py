"""A map of frames as the datasheet would print it: ids, instances, times, protection, layouts inside layouts."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.syntax import FrameEntry
from regcheck.report.show_map import show_map, show_message
from regcheck.report.words import cell_width


@pytest.fixture(scope="module")
def frames() -> RegisterMap:
    return load_map(Path(__file__).parent / "every_frame_key.yaml")


def test_the_head_says_bus_rates_and_instances(frames: RegisterMap) -> None:
    assert show_map(frames)[:3] == [
        "Frames (invented): frames",
        "  bus          CAN, 500 kbit/s, 2 Mbit/s for FD data",
        "  instances    string on left, right; rack 1..12; spare 1, 3",
    ]


def test_the_table_says_id_length_sender_and_cadence(frames: RegisterMap) -> None:
    lines = show_map(frames)
    start = lines.index("          state          r  FD 16 bytes")
    assert lines[start + 1 : start + 4] == [
        "            id 0x200 + rack * 16 + spare",
        "            every 100 ms +/- 10 ms",
        "            optional need not come",
    ]
    assert "0x7F0     ask            w  1 byte" in lines
    assert "            pgn 0xEF00 from 3 to 4 + rack" in lines
    assert "            segments on 0x7A0 + rack" in lines


def test_every_key_of_a_frame_is_told(frames: RegisterMap) -> None:
    shown = {message.name: re.sub(r"\n {15}", " ", "\n".join(show_message(frames, message.name))) for message in frames.messages}
    facts = {
        "id": ("state", "id           0x200 + rack * 16 + spare, 29 bits"),
        "extended": ("state", ", 29 bits"),
        "pgn": ("engine", "pgn          0xEF00 from 3 to 4 + rack"),
        "source": ("engine", "from 3"),
        "destination": ("engine", "to 4 + rack"),
        "each": ("cells", "each         n 0..7"),
        "order": ("state", "byte order   little"),
        "length": ("state", "length       16 bytes"),
        "fd": ("state", "format       CAN FD"),
        "every": ("state", "comes        every 100 ms +/- 10 ms"),
        "late_after": ("state", "late         after 1 s"),
        "not_before": ("state", "not before   20 ms"),
        "sender": ("ask", "from         host"),
        "answers": ("cells", "answers      ask within 50 ms, with the same item"),
        "optional": ("state", "optional     need not come"),
        "carrier": ("record", "carrier      segments on 0x7A0 + rack"),
        "begins": ("record", "begins       with 62 4B"),
        "after": ("record", "after        2 bytes, which are not counted"),
        "protect": ("state", "protection   AUTOSAR E2E P01, data id 0x0B10 + rack, mode nibble"),
        "bus": ("engine", "bus          left"),
        "fields": ("state", "\nlevel\n"),
        "layouts": ("page", "bits while group = 2:"),
        "examples": ("state", "example      rack 3, string left: 21 00 05"),
        "see": ("state", "see          table 4"),
        "note": ("state", "note         frame note"),
    }
    assert [key for key, (name, text) in facts.items() if text not in shown[name]] == []
    assert set(FrameEntry.model_fields) - set(facts) == {"like"}  # filled in before
    assert "asked by     0x780 + rack" in shown["record"]
    assert "addressing   extended, 0xF1" in shown["record"]
    assert "counter      0..14, then again" in shown["state"]
    assert "check        CRC-8, poly 0x2F, init 0xFF, xorout 0x0, refin over bytes 2..14" in shown["state"]
    assert not {"PEC", "access"} & set(re.findall(r"\w+", "\n".join(shown.values())))


def test_ids_are_counted_out_with_the_middle_left_out(frames: RegisterMap) -> None:
    told = " ".join(" ".join(show_message(frames, "cells")).split())
    assert "ids 0x400, 0x401, 0x402, 0x403, 0x404, 0x405, 0x406, 0x407 (8 ids)" in told
    told = " ".join(" ".join(show_message(frames, "state")).split())
    assert "ids 0x211, 0x213, 0x221, 0x223, … 0x2B1, 0x2B3, 0x2C1, 0x2C3 (24 ids)".replace("…", "…,") in told


def test_the_bits_that_protection_takes_are_drawn(frames: RegisterMap) -> None:
    lines = show_message(frames, "state")
    start = lines.index("bits:")
    assert lines[start + 1 : start + 6] == [
        "           7 6 5 4 3 2 1 0    a  protection's CRC: bits 0..7",
        "  byte 0   a a a a a a a a    b  protection's counter: bits 8..11",
        "           ^                  c  protection's data id: bits 12..15",
        "  byte 1   c c c c b b b b    d  level: byte 2",
        "           ^       ^          e  alive: bits 24..27",
    ]


def test_a_layout_inside_another_stands_behind_it_and_repeats_nothing(frames: RegisterMap) -> None:
    lines = show_message(frames, "page")
    heads = [line for line in lines if line and not line.startswith(" ")]
    assert heads[1:] == ["bits while (group = 2) and (part = 3):", "bits while group = 2:", "group", "part", "deep"]
    table = "\n".join(show_map(frames))
    assert table.index("while group = 2:") < table.index("part ") < table.index("while (group = 2) and (part = 3):") < table.index("deep ")


@pytest.mark.parametrize("ascii", [False, True])
def test_no_line_is_wider_than_79(frames: RegisterMap, ascii: bool) -> None:
    lines = show_map(frames, ascii=ascii)
    for message in frames.messages:
        lines += show_message(frames, message.name, ascii=ascii)
    assert max(map(cell_width, lines)) <= 79
    assert [line for line in lines if line != line.rstrip()] == []
    assert not ascii or "\n".join(lines).isascii()
