"""Values joined from several messages, as `decode` prints them: the order of parts, how far apart they may come, what is not good."""

from __future__ import annotations

from pathlib import Path

from regcheck.checks.run import decoded_batches
from regcheck.codec.joined import Joiner
from regcheck.codec.readings import Row, rows
from regcheck.device_map.compile import load_map
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import capture, word

MAP = """
regcheck: 1
device: {name: probe-1, title: "Probe 1 (invented)"}
smbus: {address: 0x0B, pec: optional}
registers:
  high: {command: 0x10, transfer: word, codes: {0xFFFF: not available}}
  low: {command: 0x11, transfer: word}
  first: {command: 0x12, transfer: word}
  second: {command: 0x13, transfer: word}
values:
  total: {join: [high, low], within: 100 ms, unit: mAh, scale: 0.1}
  signed_total: {join: [high, low], within: 100 ms, type: signed, unit: mAh}
  part_number: {join: [first, second], within: 1 s, type: text, pad: 0x00}
"""


def joined(tmp_path: Path, *transfers: Transfer) -> list[tuple[float, str, str | None, str, str | None]]:
    path = tmp_path / "map.yaml"
    path.write_text(MAP, encoding="utf-8")
    register_map = load_map(path)
    joiner = Joiner(register_map)
    found: list[Row] = []
    for decoded in decoded_batches(register_map, capture(transfers, batch_size=1)):
        found += joiner.rows(rows(decoded.batch, decoded))
    return [(row.time_ns / 1e9, row.field, row.value, row.status, row.text) for row in found if row.message in register_map.values]


def test_the_parts_stand_most_significant_first_at_the_time_of_the_last(tmp_path: Path) -> None:
    assert joined(tmp_path, word(1, 0x10, 0x8001), word(1.05, 0x11, 0x0002)) == [
        (1.05, "total", "214754918.6", "good", None),
        (1.05, "signed_total", str(0x80010002 - (1 << 32)), "good", None),
    ]
    backwards = joined(tmp_path, word(1, 0x11, 2), word(1.05, 0x10, 1))
    assert backwards[0] == (1.05, "total", "6553.8", "good", None)


def test_parts_too_far_apart_are_no_value_and_each_serves_once(tmp_path: Path) -> None:
    assert joined(tmp_path, word(1, 0x10, 1), word(1.2, 0x11, 2)) == []
    twice = joined(tmp_path, word(1, 0x10, 1), word(1.05, 0x11, 2), word(1.08, 0x11, 3))
    assert [one[0] for one in twice if one[1] == "total"] == [1.05]
    again = joined(tmp_path, word(1, 0x10, 1), word(1.2, 0x10, 0), word(1.25, 0x11, 3))
    assert [one[2] for one in again if one[1] == "total"] == ["0.3"]


def test_a_part_that_is_not_good_makes_the_value_none(tmp_path: Path) -> None:
    found = joined(tmp_path, word(1, 0x10, 0xFFFF), word(1.05, 0x11, 2))
    assert [(one[2], one[3]) for one in found] == [(None, "not_available")] * 2


def test_a_text_of_several_words(tmp_path: Path) -> None:
    found = joined(tmp_path, word(1, 0x12, 0x5234), word(1.5, 0x13, 0x5300))
    assert found == [(1.5, "part_number", None, "good", "R4S")]


def test_time_that_goes_backwards_starts_anew(tmp_path: Path) -> None:
    assert joined(tmp_path, word(1, 0x10, 1), word(0.98, 0x11, 2)) == []
