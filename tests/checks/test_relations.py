"""Rules between what a device reports: pairing in time, folds, changes and integrals (verdicts, rules 15, 17 and 23)."""

from __future__ import annotations

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.checks.alarms import Clocks
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.pairing import Driven
from regcheck.checks.rule_findings import rule_findings
from regcheck.checks.rule_record import RuleRecord
from regcheck.checks.run import check_trial
from regcheck.checks.running import worst_pair
from regcheck.checks.trial import load_trial
from regcheck.codec.plan import ColumnPlan
from regcheck.device_map.compile import load_map
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import bench, capture, check, log, read, word, words, write
from tests.checks.frames import MS, Sent, decoded, part
from tests.checks.rules import FOLDER, ruled

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

PACK = """
voltage: {command: 0x09, transfer: word, unit: mV}
current: {command: 0x0A, transfer: word, type: signed, unit: mA, codes: {0x7FFF: not available}}
remaining: {command: 0x0F, transfer: word, unit: mAh}
highest_cell: {command: 0x30, transfer: word}
state: {command: 0x31, transfer: word, names: {0: open, 1: closed}}
limit_temp: {command: 0x32, transfer: word, unit: degC}
temperature: {command: 0x08, transfer: word, unit: K, scale: 0.1}
cells:
  command: 0xB0
  transfer: block
  length: 1 + 2 * cell_count
  fields:
    cell_count: {bytes: 0, range: 1..4}
    cell_voltage: {bytes: 1..2, each: {cell: 1..cell_count, step: 2 bytes}, unit: mV, codes: {0xFFFF: not fitted, 0xFFFE: error}}
"""
SHARE = "{require: voltage = sum(cell_voltage), within: 1 % of reading, age: 1 s}"
NAMED = '{require: "cell_voltage[highest_cell] = max(cell_voltage)", age: 1 s}'
SUM = "{require: voltage = sum(cell_voltage), within: 50 mV, age: 2 s}"


def cells(time_s: float, *millivolts: int) -> Transfer:
    data = bytes((len(millivolts),)) + b"".join(value.to_bytes(2, "little") for value in millivolts)
    return read(time_s, 0xB0, data, block=True)


def judged(rule: str, *transfers: Transfer, more: str = "", registers: str = PACK) -> Finding:
    found = check(ruled(registers, f"one rule: {rule}", more=more), sorted(transfers, key=lambda one: one.time_ns))
    return found["rule/one-rule"]


def verdict(rule: str, *transfers: Transfer) -> tuple[Verdict, str]:
    found = judged(rule, *transfers)
    return found.verdict, found.reason


# rule 15


def test_rule_15_four_cells_of_3_7_and_a_pack_of_14_9_fail_within_50_mv() -> None:
    found = judged(SUM, cells(0, 3700, 3700, 3700, 3700), word(0.1, 0x09, 14900), cells(1, 3700, 3700, 3700, 3700))
    assert found.verdict is FAIL
    worst = found.evidence["worst"]
    assert (worst["left"], worst["right"], worst["difference"], worst["unit"]) == (14900, 14800, 100, "mV")
    assert worst["ages_s"]["cell_voltage[1]"] == pytest.approx(0.1)
    assert found.strip is not None
    assert (found.strip.worst, found.strip.high) == (100, 50)


def test_rule_15_the_bench_is_no_side_of_a_rule_unless_it_is_asked() -> None:
    """The cells report 3.7 V where 3.6 V is applied: what is reported agrees with itself, not with what was applied."""
    for rule, expected in (("voltage = sum(cell_voltage)", PASS), ("applied(voltage) = sum(reported(cell_voltage))", FAIL)):
        device = ruled(PACK, f"one rule: {{require: {rule}, within: 50 mV, age: 2 s}}")
        supply = bench(device, "source: {unit: V, uncertainty: 0.1 mV}", "voltage: 4 * source")
        transfers = [cells(1, 3700, 3700, 3700, 3700), word(1.1, 0x09, 14800), cells(2, 3700, 3700, 3700, 3700)]
        found = check(device, transfers, bench=supply, log=log("time_s,source\n0,3.6\n9,end", supply))
        assert found["rule/one-rule"].verdict is expected, rule


def test_rule_15_a_partner_older_than_its_age_is_no_partner() -> None:
    right = cells(0, 3700, 3700, 3700, 3700)
    assert verdict(SUM, right, word(2, 0x09, 14800)) == (PASS, "")
    assert verdict(SUM, right, word(2.001, 0x09, 14800)) == (UNTESTED, "never_paired")


@pytest.mark.parametrize(("keys", "period_s"), [("every: 1 s", 1), ("poll: 2 s", 2), ("", 3)])
def test_rule_15_the_age_is_1_5_periods_of_every_else_of_poll_else_of_the_median_seen(keys: str, period_s: float) -> None:
    more = ", " + keys if keys else ""
    registers = f"voltage: {{command: 0x09, transfer: word, unit: mV}}\nother: {{command: 0x10, transfer: word, unit: mV{more}}}"
    polls = words(0x10, [(3 * number, 5000) for number in range(5)])
    for late, expected in ((0.0, PASS), (0.001, UNTESTED)):
        at = 12 + 1.5 * period_s + late
        found = judged("{require: voltage = other}", *polls, word(at, 0x09, 5000), registers=registers)
        assert found.verdict is expected, found.says


def test_rule_15_a_partner_that_changed_inside_the_doubt_counts_with_its_extremes() -> None:
    """The sum went from 14800 to 14840: a pack within 50 mV of both passes, of one is undecided, of none fails."""
    around = cells(0, 3700, 3700, 3700, 3700), cells(1, 3710, 3710, 3710, 3710)
    for millivolts, expected in ((14790, PASS), (14850, PASS), (14789, UNDECIDED), (14851, UNDECIDED), (14749, FAIL), (14891, FAIL)):
        assert judged(SUM, around[0], word(0.5, 0x09, millivolts), around[1]).verdict is expected, millivolts


def test_rule_15_an_instant_at_which_the_partners_changed_by_more_than_the_limit_is_left_out() -> None:
    step = cells(0, 3700, 3700, 3700, 3700), word(0.5, 0x09, 14000), cells(1, 3300, 3300, 3300, 3300)
    assert verdict(SUM, *step) == (UNTESTED, "partners_changed")
    found = judged(SUM, *step, word(1.5, 0x09, 13200), cells(2, 3300, 3300, 3300, 3300))
    assert (found.verdict, found.evidence["instants"]["partners_changed"], found.evidence["instants"]["pass"]) == (PASS, 1, 1)


def test_rule_15_instants_in_doubt_decide_only_where_nothing_passed_outside_doubt() -> None:
    """One instant whose partners stood still is worth more than many whose partners changed: those show neither."""
    around = [cells(0, 3700, 3700, 3700, 3700), cells(1, 3710, 3710, 3710, 3710)]
    doubtful = [word(0.1 * number, 0x09, 14789) for number in range(1, 6)]
    assert verdict(SUM, *around, *doubtful) == (UNDECIDED, "partners_changed")
    found = judged(SUM, *around, *doubtful, word(1.1, 0x09, 14840))
    assert (found.verdict, found.evidence["instants"]["pass"], found.evidence["instants"]["undecided"]) == (PASS, 1, 5)
    assert "what it pairs changed at the others" in found.says
    assert judged(SUM, *around, *doubtful, word(1.1, 0x09, 14891)).verdict is FAIL


def test_a_step_beyond_every_value_on_its_way_still_fails() -> None:
    step = cells(0, 3700, 3700, 3700, 3700), word(0.5, 0x09, 15900), cells(1, 3300, 3300, 3300, 3300)
    assert judged(SUM, *step).verdict is FAIL


# what is missing


def test_a_sum_needs_every_fitted_cell_and_names_the_missing_ones() -> None:
    found = judged(SUM, cells(0, 3700, 0xFFFE, 3700, 3700), word(0.1, 0x09, 14800), cells(1, 3700, 0xFFFE, 3700, 3700))
    assert (found.verdict, found.reason, found.evidence["missing"]) == (UNTESTED, "never_paired", ["cell_voltage[2]"])
    assert "cell_voltage[2]" in found.says


def test_a_cell_that_is_not_fitted_is_no_part_of_the_sum() -> None:
    assert verdict(SUM, cells(0, 3700, 3700, 3700, 0xFFFF), word(0.1, 0x09, 11100)) == (PASS, "")


def test_of_an_array_of_fixed_length_only_what_is_fitted_is_summed() -> None:
    registers = """
    voltage: {command: 0x09, transfer: word, unit: mV}
    cells:
      command: 0xB0
      transfer: block
      length: 6
      fields: {cell_voltage: {bytes: 0..1, each: {cell: 1..3, step: 2 bytes}, unit: mV, codes: {0xFFFF: not fitted}%s}}
    """
    block = read(0, 0xB0, bytes((0x10, 0x0E, 0x10, 0x0E, 0xFF, 0xFF)), block=True)
    for more, expected in (("", (PASS, "")), (", fitted: 3", (UNTESTED, "never_paired"))):
        found = judged(SUM, block, word(0.1, 0x09, 7200), registers=registers % more)
        assert (found.verdict, found.reason) == expected


def test_untested_without_a_reading_and_where_when_never_held() -> None:
    assert verdict(SUM, cells(0, 3700, 3700)) == (UNTESTED, "no_reading")
    rule = "{when: state = closed, require: voltage <= 5 V}"
    assert verdict(rule, word(0, 0x31, 0), word(1, 0x09, 6000)) == (UNTESTED, "when_never_held")
    assert verdict(rule, word(0, 0x31, 1), word(1, 0x09, 6000)) == (FAIL, "")
    assert verdict(rule, word(0, 0x31, 1), word(1, 0x09, 6000), word(2, 0x31, 0)) == (
        UNTESTED,
        "when_never_held",
    )  # it may have ended before


def test_count_counts_what_is_good_and_waits_for_nothing() -> None:
    rule = "{require: count(cell_voltage) = 4, age: 2 s}"
    assert verdict(rule, cells(0, 3700, 3700, 3700, 3700)) == (PASS, "")
    assert verdict(rule, cells(0, 3700, 3700, 0xFFFE, 3700)) == (FAIL, "")
    assert verdict("{require: count(cell_voltage) = cell_count}", cells(0, 3700, 3700, 0xFFFF, 3700)) == (FAIL, "")


# forms


@pytest.mark.parametrize(
    ("rule", "transfers", "expected"),
    [
        ("{require: max(cell_voltage) <= 4.2 V}", [cells(0, 4200, 4100)], PASS),
        ("{require: max(cell_voltage) <= 4.2 V}", [cells(0, 4201, 4100)], FAIL),
        ("{require: max(cell_voltage) < 4.2 V}", [cells(0, 4200, 4100)], FAIL),
        ("{require: mean(cell_voltage) in 3 .. 4 V}", [cells(0, 4001, 3999)], PASS),
        ("{require: mean(cell_voltage) in 3 .. 4 V}", [cells(0, 4001, 4000)], FAIL),
        ("{require: min(cell_voltage) in 3 .. 4 V, within: 5 mV}", [cells(0, 2995, 3000)], PASS),
        ("{require: min(cell_voltage) in 3 .. 4 V, within: 5 mV}", [cells(0, 2994, 3000)], FAIL),
        ("{require: all(cell_voltage > 3 V)}", [cells(0, 3001, 3002)], PASS),
        ("{require: all(cell_voltage > 3 V)}", [cells(0, 3001, 3000)], FAIL),
        ("{require: none(cell_voltage > 4 V)}", [cells(0, 3001, 4001)], FAIL),
        ("{require: any(cell_voltage > 3 V) and cell_count = 2}", [cells(0, 3001, 2000)], PASS),
        ("{require: cell_voltage < 4 V}", [cells(0, 3001, 4001)], FAIL),  # each element on its own
        ("{require: abs(raw(current)) <= 2}", [word(0, 0x0A, -2)], PASS),
        ("{require: abs(raw(current)) <= 2}", [word(0, 0x0A, 0x7FFF)], FAIL),  # whatever its status
        ("{require: abs(current) <= 2 mA}", [word(0, 0x0A, 0x7FFF)], UNTESTED),
        ("{require: state = closed}", [word(0, 0x31, 1)], PASS),
        ("{require: state = closed}", [word(0, 0x31, 0)], FAIL),
        ("{require: temperature < 60 degC}", [word(0, 0x08, 3331)], PASS),  # 59.95 degC
        ("{require: temperature < 60 degC}", [word(0, 0x08, 3332)], FAIL),  # 60.05 degC
        (NAMED, [cells(0, 3000, 3100), word(0.1, 0x30, 2), cells(1, 3000, 3100)], PASS),
        (NAMED, [cells(0, 3000, 3100), word(0.1, 0x30, 1), cells(1, 3000, 3100)], FAIL),
        (SHARE, [cells(0, 5000, 5000), word(0.1, 0x09, 10100)], PASS),
        (SHARE, [cells(0, 5000, 5000), word(0.1, 0x09, 10101)], FAIL),
    ],
)  # fmt: skip
def test_forms(rule: str, transfers: list[Transfer], expected: Verdict) -> None:
    assert judged(rule, *transfers).verdict is expected


def test_a_decimal_limit_is_met_exactly() -> None:
    """4.105 - 4.1 is more than 0.005 in doubles (verdicts, rule 5)."""
    registers = "one: {command: 0x10, transfer: word, unit: V, scale: 0.001}\nother: {command: 0x11, transfer: word, unit: V, scale: 0.1}"
    for raw, expected in ((4105, PASS), (4106, FAIL), (4095, PASS), (4094, FAIL)):
        rule = "{require: one = other, within: 0.005 V, age: 1 s}"
        assert judged(rule, word(0, 0x11, 41), word(0.1, 0x10, raw), registers=registers).verdict is expected
    assert 4.105 - 4.1 > 0.005


def test_for_asks_that_a_condition_has_lasted() -> None:
    rule = "{when: state = open for 1 s, require: abs(current) <= 2 mA}"
    opened = words(0x31, [(0, 1), (1, 0), (2, 0), (3, 0)])
    assert verdict(rule, *opened, word(1.5, 0x0A, 500)) == (UNTESTED, "when_never_held")
    assert verdict(rule, *opened, word(2.5, 0x0A, 500)) == (FAIL, "")
    assert verdict(rule, *opened, word(2.5, 0x0A, 1)) == (PASS, "")


def test_none_of_a_message_while_when_holds() -> None:
    registers = """
    silent: {command: 0x31, transfer: word}
    broadcast: {to: 0x09, command: 0x14, transfer: word, access: [write], unit: mA}
    """
    rule = "{when: silent = 1 for 2 s, require: none(broadcast)}"
    told = words(0x31, [(number, 1) for number in range(6)])
    sent = write(3.5, 0x14, b"\x01\x02", address=0x09)
    early = write(0.5, 0x14, b"\x01\x02", address=0x09)
    assert judged(rule, *told, registers=registers).verdict is PASS
    assert judged(rule, *told, early, registers=registers).verdict is PASS
    assert judged(rule, *told, sent, registers=registers).verdict is FAIL
    assert judged(rule, *words(0x31, [(0, 0), (5, 0)]), sent, registers=registers).reason == "when_never_held"


# over time

FALLS = "{require: change(remaining) >= 0 mAh}"


def test_change_over_every_two_readings() -> None:
    assert verdict(FALLS, *words(0x0F, [(0, 10), (1, 10), (2, 12)])) == (PASS, "")
    found = judged(FALLS, *words(0x0F, [(0, 10), (1, 14), (2, 13), (3, 12), (4, 20)]))
    assert found.verdict is FAIL
    assert (found.evidence["worst"]["since_s"], found.evidence["worst"]["time_s"], found.evidence["worst"]["difference"]) == (1, 3, -2)
    assert verdict(FALLS, word(0, 0x0F, 10)) == (UNTESTED, "never_paired")


def test_change_is_not_judged_across_a_break_of_when() -> None:
    rule = "{when: state = closed, require: change(remaining) >= 0 mAh}"
    broken = [
        word(0, 0x31, 1),
        word(1, 0x0F, 10),
        word(2, 0x0F, 11),
        word(3, 0x31, 0),
        word(4, 0x31, 1),
        word(5, 0x0F, 5),
        word(6, 0x0F, 6),
    ]
    found = judged(rule, *broken, word(7, 0x31, 1))
    assert (found.verdict, found.evidence["stretches"]["pass"]) == (UNTESTED, 0) or found.verdict is PASS


def charge(current: int, hours: int, gained: float, *, every_s: int = 60) -> list[Transfer]:
    """Return a pack charged at a steady current, its remaining capacity in whole mAh."""
    found = []
    for number in range(hours * 3600 // every_s + 1):
        found += [
            word(number * every_s, 0x0A, current),
            word(number * every_s + 0.1, 0x0F, int(1000 + gained * number * every_s / hours / 3600)),
        ]
    return [*found, word(hours * 3600 + every_s, 0x0A, current)]


def test_rule_23_between_reported_values_u_is_0_but_for_pairing() -> None:
    rule = "{require: change(remaining) = integral(current), within: 5 mAh}"
    assert verdict(rule, *charge(1000, 2, 2000)) == (PASS, "")
    assert verdict(rule, *charge(1000, 2, 2004)) == (PASS, "")
    found = judged(rule, *charge(1000, 2, 2008))
    assert found.verdict is FAIL
    assert 7 <= found.evidence["worst"]["difference"] <= 9  # whole mAh
    share = "{require: change(remaining) = integral(current), within: 1 % of reading + 5 mAh}"
    assert verdict(share, *charge(1000, 2, 2022)) == (PASS, "")
    assert verdict(share, *charge(1000, 2, 2028)) == (FAIL, "")


def test_rule_23_a_systematic_error_grows_with_time_where_the_rule_names_what_was_applied() -> None:
    """u 0.575 mA over 10 h is 5.75 mAh, and 1.645 times that is 9.46 mAh of guard: of 20 mAh allowed 8 pass, 15 are undecided, 31 fail."""
    registers = PACK.replace("unit: mA, codes", "unit: mA, accuracy: 10 mA, codes")
    device = ruled(registers, "one rule: {require: change(remaining) = integral(applied(current)), within: 20 mAh}")
    supply = bench(device, "source: {unit: mA, uncertainty: 1.15 mA, resolution: included}", "current: source")
    stimulus = log("time_s,source\n0,100.0\n40000,end", supply)
    for gained, expected in ((1008, PASS), (1015, UNDECIDED), (1031, FAIL)):
        found = check(device, charge(100, 10, gained), bench=supply, log=stimulus)["rule/one-rule"]
        assert found.verdict is expected, (gained, found.says)


@pytest.mark.parametrize(("settle", "expected"), [("0 s", FAIL), ("3 s", PASS), ("30 s", UNTESTED)])
def test_what_may_still_be_settling_is_left_out_by_the_declared_time(settle: str, expected: Verdict) -> None:
    """A filtered pack voltage beside cells that follow at once: 400 mV apart just after a step of 400 mV, and then no longer."""
    registers = PACK.replace("0x09, transfer: word, unit: mV", "0x09, transfer: word, unit: mV, accuracy: 5 mV")
    device = ruled(registers, f"one rule: {SUM}")
    supply = bench(device, "source: {unit: mV, resolution: included}", "voltage: source", timing=f"{{settle: {settle}, latency: 0 s}}")
    stimulus = log("time_s,source\n0,14000\n10,14400\n25,end", supply)
    reported = [(time, 14000 if time < 10 else 14000 + round(400 * (1 - math.exp(-2 * (time - 10.0))))) for time in range(1, 24)]
    transfers = [word(time + 0.006, 0x09, value) for time, value in reported]
    transfers += [cells(time, *[3500 if time < 10 else 3600] * 4) for time, _ in reported]
    found = check(device, sorted(transfers, key=lambda one: one.time_ns), bench=supply, log=stimulus)["rule/one-rule"]
    assert (found.verdict, found.reason) == (expected, "settling" if expected is UNTESTED else "")
    if expected is PASS:
        assert found.evidence["settling"] == 5  # readings of the voltage within 3 s of the log's first row, 2, and of the step, 3


def test_a_step_of_the_current_between_two_readings_is_doubt_not_a_fail() -> None:
    rule = "{require: change(remaining) = integral(current), within: 5 mAh}"
    moved = [word(0, 0x0A, 0), word(600, 0x0A, 600), word(1200, 0x0A, 600)]  # 0 to 100 mAh may have come in the first ten minutes
    for gained in (0, 100):
        assert judged(rule, *moved, word(1, 0x0F, 1000), word(601, 0x0F, 1000 + gained)).verdict is UNTESTED
    assert judged(rule, *moved, word(1, 0x0F, 1000), word(601, 0x0F, 1120)).verdict is FAIL


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=2, max_size=40), st.sampled_from([0.0, 0.125, 0.5, 2.0]))
def test_the_worst_pair_is_that_of_all_pairs(points: list[tuple[int, int]], share: float) -> None:
    import regcheck.checks.running as running

    g, h = (np.array(part, np.float64) for part in zip(*points, strict=True))
    every = [(g[j] - g[i]) - share * abs(h[j] - h[i]) for j in range(len(g)) for i in range(j)]
    whole, running.SMALL = running.SMALL, 3
    try:
        excess, i, j = worst_pair(g, h, share)
    finally:
        running.SMALL = whole
    assert excess == max(every) == (g[j] - g[i]) - share * abs(h[j] - h[i])
    assert i < j


# joined values


def test_a_joined_value_is_put_together_most_significant_first() -> None:
    registers = "high: {command: 0xB2, transfer: word, holds: low}\nlow: {command: 0xB3, transfer: word}"
    more = "values: {throughput: {join: [high, low], within: 100 ms, unit: mAh}}"
    rule = "{require: change(throughput) >= 0 mAh}"

    def polled(*values: int, gap_s: float = 0.05) -> list[Transfer]:
        return [
            one
            for number, value in enumerate(values)
            for one in (word(number, 0xB2, value >> 16), word(number + gap_s, 0xB3, value & 0xFFFF))
        ]

    assert judged(rule, *polled(0xFFFF, 0x10000, 0x10001), registers=registers, more=more).verdict is PASS
    found = judged(rule, *polled(0xFFFF, 0x10000, 0xFFFE), registers=registers, more=more)
    assert (found.verdict, found.evidence["worst"]["difference"]) == (FAIL, -2)
    assert judged(rule, *polled(1, 2, 3, gap_s=0.2), registers=registers, more=more).reason == "no_reading"


# the record


RECORDED = ruled(
    PACK,
    """
    sum: {require: voltage = sum(cell_voltage), within: 50 mV, age: 2 s}
    falls: {when: state = closed, require: change(remaining) >= 0 mAh}
    over-voltage:
      alarm: state
      levels: [{state: closed, set: max(cell_voltage) > 3.8 V, clear: max(cell_voltage) < 3.7 V, react_within: 2 s}]
    """,
)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([1, 300, 900]), st.sampled_from("vcrs"), st.integers(0, 3)), min_size=1, max_size=40),
    st.integers(1, 9),
    st.lists(st.integers(0, 50), max_size=50),
)
def test_however_a_capture_is_cut_and_merged_the_findings_are_the_same(
    events: list[tuple[int, str, int]], size: int, splits: list[int]
) -> None:
    time, transfers = 0.0, []
    for gap_ms, kind, number in events:
        time += gap_ms / 1000 + 0.01
        made = {"v": word(time, 0x09, 14760 + 20 * number), "r": word(time, 0x0F, number), "s": word(time, 0x31, number & 1)}
        transfers.append(made.get(kind, cells(time, *(3690 + 200 * (number == 3),) * 4)))
    plan = ColumnPlan(RECORDED)

    def folded(batch_size: int) -> list[RuleRecord]:
        parts = []
        for batch in capture(transfers, 0, batch_size).batches():
            one = RuleRecord(RECORDED, 0)
            one.update(plan.decode(batch))
            one.tick(batch.end_ns)
            parts.append(one)
        return parts

    def said(record: RuleRecord) -> str:
        return json.dumps([one.as_json() for one in rule_findings(RECORDED, record.books(), Clocks(Driven({}, ()), {}))])

    (whole,) = folded(1000)
    parts = folded(size)
    for split in splits:
        if len(parts) > 1:
            at = split % (len(parts) - 1)
            parts[at].then(parts.pop(at + 1))
    while len(parts) > 1:
        parts[0].then(parts.pop(1))
    assert said(parts[0]) == said(whole)
    assert said(parts[0]) == said(whole)  # asking changes nothing


def test_pairing_in_slices_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    transfers = [one for at in range(40) for one in (cells(at, *(3700 + at % 7,) * 4), word(at + 0.5, 0x09, 14800 + at))]
    whole = judged(SUM, *transfers)
    monkeypatch.setattr("regcheck.checks.relations.AT_ONCE", 7)
    assert judged(SUM, *transfers).as_json() == whole.as_json()


def test_each_of_several_devices_is_paired_with_itself() -> None:
    """Two racks on one bus: the second reports a sum that would fit the first."""
    text = """
regcheck: 1
device: {name: racks, title: "Two racks (invented)"}
instances: {rack: 1..2}
frames:
  state: {id: 0x200 + rack, length: 1, fields: {total: {bytes: 0}}}
  cells: {id: 0x210 + rack, length: 2, fields: {cell: {bytes: 0, each: {k: 1..2, step: 1 byte}}}}
rules:
  the sum: {require: total = sum(cell), age: 1 s}
"""
    file = Path(FOLDER.name) / "racks.yaml"
    file.write_text(text, encoding="utf-8")
    register_map = load_map(file)
    for total, expected in ((7, PASS), (3, FAIL)):
        sent = []
        for number, (own, first) in enumerate(((3, 1), (total, 3))):
            rack = f"rack[{number + 1}]"
            sent += [Sent(number * MS, "cells", {"cell": first + element - 1}, rack, 0x211 + number, element=element) for element in (1, 2)]
            sent.append(Sent((10 + number) * MS, "state", {"total": own}, rack, 0x201 + number))
        record = RuleRecord(register_map, 0)
        stretch = part(*sorted(sent, key=lambda one: one.time_ns))
        record.update(decoded(register_map, stretch))
        one, other = rule_findings(register_map, record.books(), Clocks(Driven({}, ()), {}))
        assert (one.id, one.verdict) == ("rule/rack[1].the-sum", PASS), one.says
        assert (other.id, other.verdict) == ("rule/rack[2].the-sum", expected), other.says
        assert (one.evidence["instants"]["judged"], other.evidence["instants"]["judged"]) == (1, 1)
        if expected is FAIL:
            assert other.evidence["worst"]["difference"] == -4
            assert other.says.startswith("'the sum' of rack[2] does not hold at 1 of 1 instant")
        found = rule_findings(register_map, [], Clocks(Driven({}, ()), {}), {"cells": ("rack[1]",)})
        assert [(finding.id, finding.verdict, finding.reason) for finding in found] == [("rule/the-sum", UNTESTED, "no_reading")]


def test_the_rules_of_the_shipped_rack_hold() -> None:
    found = {finding.id: finding for finding in check_trial(load_trial(Path(__file__).parents[2] / "captures" / "scarp-96-good")).findings}
    for id in ("rule/rack[3].the-highest-cell", "rule/rack[3].the-sum-of-the-cells"):
        assert found[id].verdict is PASS, found[id].says
        assert found[id].evidence["instants"]["pass"] > 150
    # the sum is of whole millivolts and printed in hundredths of a volt: half a step of each at most
    assert abs(found["rule/rack[3].the-sum-of-the-cells"].evidence["worst"]["difference"]) <= Fraction(1, 200) + 96 * Fraction(1, 2000)
