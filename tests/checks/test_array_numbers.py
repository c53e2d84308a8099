"""`fitted`, `granularity` and `holds`: which numbers must appear, how finely a field moves, what stays while another is read."""

from __future__ import annotations

import pytest

from regcheck.checks.array_numbers import device_findings
from regcheck.checks.finding import Finding, Verdict
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import bench, check, log, read, register_map, word, words

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

CELLS = """
cells:
  command: 0x34
  transfer: block
  fields:
    cell_count: {bytes: 0}
    cell_voltage: {bytes: 1..2, each: {k: 1.., step: 2 bytes}, unit: mV, fitted: cell_count, codes: {0xFFFF: not fitted}}
paged:
  command: 0x35
  transfer: block
  fields:
    page: {bytes: 0}
    temperature: {bytes: 1, number: page + 1, unit: degC, fitted: 3}
"""


def cells(time_s: float, count: int, *values: int) -> Transfer:
    return read(time_s, 0x34, bytes((count,)) + b"".join(one.to_bytes(2, "little") for one in values), block=True)


def fitted(*transfers: Transfer, field: str = "cells.cell_voltage") -> Finding:
    return check(register_map(CELLS), transfers)[f"fitted/{field}"]


def test_every_fitted_number_must_appear() -> None:
    found = fitted(cells(1, 3, 3700, 3700, 3700))
    assert (found.verdict, found.says) == (PASS, "cells.cell_voltage has all of its 3 elements")
    found = fitted(cells(1, 4, 3700, 3700, 3700))
    assert (found.verdict, found.evidence["missing"]) == (FAIL, [4])
    found = fitted(cells(1, 3, 3700, 0xFFFF, 3700))
    assert (found.verdict, found.evidence["said_not_fitted"]) == (FAIL, [2])
    assert fitted(cells(1, 2, 3700, 3700, 0xFFFF)).verdict is PASS


def test_fitted_is_untested_without_a_reading_and_of_pages_undecided_in_a_short_capture() -> None:
    found = fitted()
    assert (found.verdict, found.reason) == (UNTESTED, "no_reading")
    pages = [read(number, 0x35, bytes((number % 2, 25)), block=True) for number in range(4)]
    found = fitted(*pages, field="paged.temperature")
    assert (found.verdict, found.evidence["missing"]) == (FAIL, [3])
    found = fitted(*pages[:2], field="paged.temperature")
    assert (found.verdict, found.reason) == (UNDECIDED, "too_short")
    third = read(9, 0x35, bytes((2, 25)), block=True)
    assert fitted(*pages[:2], third, field="paged.temperature").verdict is PASS


def test_a_device_that_the_trial_says_is_fitted_must_be_heard() -> None:
    found = list(device_findings(["rack[1]", "rack[2]"], frozenset(["rack[1]"]), anything=True))
    assert [(one.id, one.verdict) for one in found] == [("fitted/rack[1]", PASS), ("fitted/rack[2]", FAIL)]
    (found_none,) = device_findings(["rack[1]"], frozenset(), anything=False)
    assert (found_none.verdict, found_none.reason) == (UNTESTED, "no_reading")


# granularity

FINE = "voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 50 mV, granularity: 4 mV}"


def finest(*values: int, registers: str = FINE) -> Finding:
    found = check(register_map(registers), words(0x09, enumerate(values)))
    return found["granularity/voltage"]


def test_two_values_that_lie_no_farther_apart_than_the_granularity_pass() -> None:
    found = finest(1000, 2000, 2004)
    assert (found.verdict, found.evidence["finest_step"]) == (PASS, 4)
    assert finest(1000, 2000, 2005).verdict is UNTESTED
    share = FINE.replace("4 mV", "0.2 % of design") + "\ndesign: {command: 0x19, transfer: word, unit: mV}"
    found = finest(1000, 2000, 2001, registers=share)
    assert (found.verdict, found.reason) == (UNTESTED, "limit_unknown")
    found = check(register_map(share), [word(0, 0x19, 14400), *words(9, [(1, 1000), (2, 1028)])])["granularity/voltage"]
    assert (found.verdict, found.evidence["granularity"]) == (PASS, 28.8)


def test_a_field_that_hardly_moved_shows_no_granularity() -> None:
    found = finest(*[1000] * 20)
    assert (found.verdict, found.reason) == (UNTESTED, "not_moved")
    found = check(register_map(FINE), [])["granularity/voltage"]
    assert (found.verdict, found.reason) == (UNTESTED, "no_reading")
    found = finest(1000, 1005, 1011, 1018, 1026, 1035, 1045, 1056)  # steps of 5 mV and more, but on no grid
    assert (found.verdict, found.reason) == (UNTESTED, "not_moved")


def test_values_on_a_coarse_grid_are_undecided_and_fail_where_what_was_applied_was_not_on_it() -> None:
    coarse = [1000 + 16 * number for number in range(10)]
    found = finest(*coarse)
    assert (found.verdict, found.reason) == (UNDECIDED, "applied_on_grid")
    device = register_map(FINE)
    supply = bench(device, "source: {unit: mV, uncertainty: 0.1 mV, resolution: included}", "voltage: source")
    for step, expected in ((16.0, UNDECIDED), (17.3, FAIL)):  # 17.3 mV is no multiple of 16 mV
        rows = "time_s,source\n" + "".join(f"{10 * n},{1000 + step * n}\n" for n in range(10)) + "100,end\n"
        readings = words(9, [(10 * n + 5, 1000 + 16 * round(step * n / 16)) for n in range(10)])
        found = check(device, readings, bench=supply, log=log(rows, supply))["granularity/voltage"]
        assert found.verdict is expected, found.says


# holds

HELD = "high: {command: 0xB2, transfer: word, holds: low}\nlow: {command: 0xB3, transfer: word}"


@pytest.mark.parametrize(
    ("lows", "verdict", "reason"),
    [
        ([(1.1, 7), (1.2, 7), (2.1, 9), (2.2, 9)], PASS, ""),
        ([(1.1, 7), (1.2, 8), (2.1, 9), (2.2, 9)], FAIL, ""),
        ([(1.1, 7), (1.2, 7), (2.1, 7), (2.2, 7)], UNTESTED, "not_moved"),
        ([(1.1, 7), (2.1, 9)], UNTESTED, "never_compared"),
        ([(0.1, 7), (0.2, 8), (1.1, 9), (1.2, 9)], PASS, ""),  # before the first read nothing is held
    ],
)
def test_what_a_register_holds_stays_until_it_is_read_again(lows: list[tuple[float, int]], verdict: Verdict, reason: str) -> None:
    transfers = sorted([*words(0xB2, [(1, 0), (2, 0)]), *words(0xB3, lows)], key=lambda one: one.time_ns)
    found = check(register_map(HELD), transfers)["holds/high"]
    assert (found.verdict, found.reason) == (verdict, reason)
    if verdict is FAIL:
        assert "reading high must freeze low, but it changed once before high was read again, first at 1.2 s" in found.says
