"""SAE J1939-21: the 29-bit id. Ids and meanings as the Linux kernel's j1939 documentation lays them out (checked by hand)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.traffic.j1939 import ALL, J1939Columns, J1939Id, is_addressed

IDS = [
    # id, priority, PGN, source, destination
    (0x18FEF100, 6, 0xFEF1, 0x00, ALL),  # PGN 65265
    (0x0CFEF1E2, 3, 0xFEF1, 0xE2, ALL),  # the same from another source, with another priority
    (0x0CF00400, 3, 0xF004, 0x00, ALL),  # PGN 61444
    (0x18EAFFF9, 6, 0xEA00, 0xF9, ALL),  # a request to all
    (0x18EA17F9, 6, 0xEA00, 0xF9, 0x17),  # a request to one
    (0x18ECFF00, 6, 0xEC00, 0x00, ALL),  # TP.CM
    (0x1CEBFF00, 7, 0xEB00, 0x00, ALL),  # TP.DT
    (0x18EF20FF, 6, 0xEF00, 0xFF, 0x20),  # proprietary A
    (0x00EFFF00, 0, 0xEF00, 0x00, ALL),  # PF 239, the last with a destination
    (0x00F0FF00, 0, 0xF0FF, 0x00, ALL),  # PF 240, the first without
    (0x1FFFFFFF, 7, 0x3FFFF, 0xFF, ALL),  # the largest: both data pages, PF and PS 255
    (0x01EA1700, 0, 0x1EA00, 0x00, 0x17),  # data page 1
]


@pytest.mark.parametrize(("number", "priority", "pgn", "source", "destination"), IDS)
def test_an_id_and_its_parts(number, priority, pgn, source, destination):
    parts = J1939Id(priority, pgn, source, destination)
    assert J1939Id.split(number) == parts
    assert parts.join() == number
    assert is_addressed(pgn) == (pgn >> 8 & 0xFF < 240)


def test_columns_say_the_same():
    columns = J1939Columns.split(np.array([row[0] for row in IDS], np.uint32))
    assert columns.priority.tolist() == [row[1] for row in IDS]
    assert columns.pgn.tolist() == [row[2] for row in IDS]
    assert columns.source.tolist() == [row[3] for row in IDS]
    assert columns.destination.tolist() == [row[4] for row in IDS]
    assert columns.join().tolist() == [row[0] for row in IDS]


@given(st.lists(st.integers(0, 0x1FFFFFFF)))
def test_one_and_many_agree_and_every_id_comes_back(numbers):
    columns = J1939Columns.split(np.array(numbers, np.uint32))
    assert columns.join().tolist() == numbers
    for i, number in enumerate(numbers):
        parts = J1939Id.split(number)
        assert parts.join() == number
        assert parts == J1939Id(int(columns.priority[i]), int(columns.pgn[i]), int(columns.source[i]), int(columns.destination[i]))


@pytest.mark.parametrize("number", [-1, 0x20000000, 0x98FEF100])
def test_an_id_of_more_than_29_bits_is_refused(number):
    with pytest.raises(ValueError, match="no 29-bit id"):
        J1939Id.split(number)


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (J1939Id(8, 0xFEF1, 0), "priority is 8; expected 0 to 7"),
        (J1939Id(6, 0x40000, 0), "pgn is 262144"),
        (J1939Id(6, 0xFEF1, 256), "source is 256"),
        (J1939Id(6, 0xEA00, 0, 256), "destination is 256"),
        (J1939Id(6, 0xEA17, 0), "PGN 0xEA17 has a low byte"),
    ],
)
def test_parts_that_make_no_id(parts, words):
    with pytest.raises(ValueError, match=words):
        parts.join()
