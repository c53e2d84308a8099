"""Alarms against what the bench applied, else against what the device reports (verdicts, rule 19)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from regcheck.checks.alarm_bands import FOREVER
from regcheck.checks.alarm_times import crossings
from regcheck.checks.alarm_times import expected as stretches
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import at_once, bench, check, log, read, word, write
from tests.checks.rules import ruled

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED
SECOND = 1_000_000_000

REGISTERS = """
cells:
  command: 0xB0
  transfer: block
  length: 8
  fields: {cell_voltage: {bytes: 0..1, each: {cell: 1..4, step: 2 bytes}, unit: mV, accuracy: 5 mV}}
level: {command: 0xB6, transfer: word, names: severity}
named: {command: 0xB7, transfer: word}
clear_protection: {command: 0xB8, transfer: send byte, access: [write]}
"""
OVER = "{alarm: level, levels: [{state: warning, set: max(cell_voltage) > 4.25 V, clear: max(cell_voltage) < 4.15 V, react_within: 2 s}]}"


def polled(
    until_s: float, changes: dict[float, int], *, every_s: float = 0.5, command: int = 0xB6, begin_s: float = 0.25
) -> list[Transfer]:
    """Return polls of a register that holds each value from its time on."""
    found = []
    for number in range(int((until_s - begin_s) / every_s) + 1):
        at = begin_s + number * every_s
        found.append(word(at, command, next((value for time, value in reversed(changes.items()) if at >= time), 0)))
    return found


def driven(
    rule: str,
    rows: str,
    transfers: list[Transfer],
    *,
    clock: str = "shared",
    timing: str = "{settle: 0 s, latency: 0 s}",
    u: str = "1.3 mV",
) -> dict[str, Finding]:
    """Check an alarm against cells that the bench drives; ``u`` expanded, so that u is 0.65 mV by default."""
    device = ruled(REGISTERS, f"over: {rule}")
    supply = bench(
        device,
        f"cell[1..4]: {{unit: V, uncertainty: {u} (each), resolution: included}}",
        "cell_voltage[c]: cell[c]",
        clock=clock,
        timing=timing,
    )
    head = "time_s,cell_1,cell_2,cell_3,cell_4\n"
    return check(device, sorted(transfers, key=lambda one: one.time_ns), bench=supply, log=log(head + rows, supply))


def steps(*rows: tuple[float, float], end: float) -> str:
    """Return rows of a stimulus log in which cell 2 alone is moved."""
    return "".join(f"{time},4.0,{value},4.0,4.0\n" for time, value in rows) + f"{end},end,,,"


def over(rows: str, transfers: list[Transfer], **keys: str) -> Finding:
    return driven(OVER, rows, transfers, **keys)["alarm/over"]


# rule 19


@pytest.mark.parametrize(
    ("volts", "reported", "expected"),
    [
        (4.25608, True, PASS),  # must be set above 4256.07 mV
        (4.25608, False, FAIL),
        (4.25606, True, UNTESTED),  # free between: a hold only there proves nothing
        (4.25606, False, UNTESTED),
        (4.25, True, UNTESTED),
        (4.24394, True, UNTESTED),
        (4.24392, True, FAIL),  # must not be set below 4243.93 mV
        (4.24392, False, UNTESTED),
    ],
)
def test_rule_19_the_threshold_has_the_fields_accuracy_and_the_benchs_guard(volts: float, reported: bool, expected: Verdict) -> None:
    found = over(steps((0, 4.0), (10, volts), end=30), polled(30, {11: 1} if reported else {}))
    assert found.verdict is expected, found.says
    assert found.reason == ("never_provoked" if expected is UNTESTED else "")


@pytest.mark.parametrize(("clear_s", "set_s", "verdict"), [(100.8, 101.8, "pass"), (101.4, 102.4, "undecided"), (102.2, 103.2, "fail")])
def test_rule_19_the_reaction_is_known_to_within_the_polling(clear_s: float, set_s: float, verdict: str) -> None:
    times = np.array([round(one * SECOND) for one in (99.0, clear_s, set_s)])
    held = [(100 * SECOND, 200 * SECOND)]
    (found,) = crossings(
        times, times, np.full(3, SECOND // 10), np.array([False, False, True]), held, held,
        (0, 2 * SECOND), (0, 2 * SECOND), "fault", "",
    )  # fmt: skip
    assert found.verdict == verdict


@pytest.mark.parametrize(("clear_s", "set_s", "verdict"), [(100.8, 101.8, PASS), (101.4, 102.4, UNDECIDED), (102.2, 103.2, FAIL)])
def test_rule_19_the_same_in_a_whole_check(clear_s: float, set_s: float, verdict: Verdict) -> None:
    """The bench's clock is told to 0.1 s; the cells step at 100 s."""
    reads = [word(99, 0xB6, 0), word(clear_s, 0xB6, 0), word(set_s, 0xB6, 1), word(set_s + 1, 0xB6, 1)]
    found = over(steps((0, 4.0), (100, 4.3), end=110), [at_once(one) for one in reads], clock="0 s +/- 0.1 s")
    assert found.verdict is verdict, found.says
    (crossing,) = found.evidence["crossings"]
    assert (crossing["met_s"], crossing["last_clear_s"], crossing["first_set_s"], crossing["limit_s"]) == (
        [100, 100],
        clear_s,
        set_s,
        [0, 2],
    )
    assert crossing["delay_s"] == pytest.approx([clear_s - 100.1, set_s - 99.9])
    assert (found.reason == "polled_too_slowly") is (verdict is UNDECIDED)


def test_rule_19_a_ramp_crosses_the_thresholds_edges_at_two_times() -> None:
    """At 10 mV/s the cell is 6.07 mV below its threshold at 104.393 s and as much above at 105.607 s (4.2 V at 100 s)."""
    device = ruled(REGISTERS, f"over: {OVER}")
    channels = "cell[1..4]: {unit: V, uncertainty: 1.3 mV (each), resolution: included, between: line}"
    supply = bench(device, channels, "cell_voltage[c]: cell[c]")
    rows = "time_s,cell_1,cell_2,cell_3,cell_4\n0,4.0,4.2,4.0,4.0\n100,4.0,4.2,4.0,4.0\n120,4.0,4.4,4.0,4.0\n130,end,,,"
    found = check(device, polled(129, {105.0: 1}), bench=supply, log=log(rows, supply))["alarm/over"]
    (crossing,) = found.evidence["crossings"]
    assert crossing["met_s"] == pytest.approx([104.393, 105.607], abs=0.002)
    assert found.verdict is PASS


def test_rule_19_too_early_is_a_fail_too() -> None:
    rule = OVER.replace("react_within: 2 s", "react_within: 2 s .. 4 s")
    rows = steps((0, 4.0), (10, 4.3), end=40)
    for set_s, expected in ((11.0, FAIL), (12.3, PASS), (13.4, PASS), (15.0, FAIL)):
        assert driven(rule, rows, polled(39, {set_s: 1}))["alarm/over"].verdict is expected, set_s
    assert driven(rule, rows, polled(39, {12.0: 1}))["alarm/over"].verdict is UNDECIDED  # clear at 11.75 s, set at 12.25 s
    assert over(rows, polled(39, {5.0: 1})).verdict is FAIL  # before anything was applied


def test_rule_19_for_is_part_of_the_reaction() -> None:
    rule = OVER.replace("> 4.25 V,", "> 4.25 V for 2 s,").replace("react_within: 2 s", "react_within: 2 s .. 3 s")
    rows = steps((0, 4.0), (10, 4.3), (11.5, 4.0), (20, 4.3), end=40)
    assert driven(rule, rows, polled(39, {22.4: 1}))["alarm/over"].verdict is PASS
    assert driven(rule, rows, polled(39, {12.0: 1, 14: 0, 22.4: 1}))["alarm/over"].verdict is FAIL  # it lasted 1.5 s only
    assert driven(rule, rows, polled(39, {20.9: 1}))["alarm/over"].verdict is FAIL


def test_rule_19_between_clear_and_set_the_state_stays() -> None:
    rows = steps((0, 4.0), (10, 4.3), (20, 4.2), (30, 4.0), end=40)
    assert over(rows, polled(39, {10.6: 1, 30.6: 0})).verdict is PASS
    found = over(rows, polled(39, {10.6: 1, 24.0: 0}))
    assert (found.verdict, found.evidence["wrong"][0]["what"]) == (FAIL, "did not report it")
    rising = steps((0, 4.0), (10, 4.2), (20, 4.3), end=40)
    found = over(rising, polled(39, {15.0: 1}))
    assert (found.verdict, found.evidence["wrong"][0]["what"]) == (FAIL, "reported it where it must not")


def test_rule_19_what_is_not_cleared_is_a_fail() -> None:
    rows = steps((0, 4.0), (10, 4.3), (20, 4.0), end=40)
    assert over(rows, polled(39, {10.6: 1, 21.0: 0})).verdict is PASS
    assert over(rows, polled(39, {10.6: 1})).verdict is FAIL


def test_rule_19_a_latched_level_stays_until_its_message() -> None:
    rule = OVER.replace("clear: max(cell_voltage) < 4.15 V, ", "").replace(
        "react_within: 2 s", "react_within: 2 s, latched_until: clear_protection"
    )
    rows = steps((0, 4.0), (10, 4.3), (15, 4.0), end=60)
    release = write(30, 0xB8, b"")
    assert driven(rule, rows, [*polled(59, {10.6: 1, 30.5: 0}), release])["alarm/over"].verdict is PASS
    assert driven(rule, rows, [*polled(59, {10.6: 1, 20.0: 0}), release])["alarm/over"].verdict is FAIL
    assert driven(rule, rows, [*polled(59, {10.6: 1}), release])["alarm/over"].verdict is FAIL  # it was released


def test_rule_19_missing_readings_widen_the_bracket() -> None:
    rows = steps((0, 4.0), (10, 4.3), end=40)
    reads = polled(39, {11.0: 1})
    assert over(rows, reads).verdict is PASS
    found = over(rows, [one for one in reads if not 10 * SECOND < one.time_ns < 13 * SECOND])
    assert (found.verdict, found.reason) == (UNDECIDED, "polled_too_slowly")


def test_rule_12_an_estimated_clock_never_clears_a_reaction() -> None:
    moves = [(0, 3.7), (11.3, 4.1), (23.9, 3.8), (37.2, 4.3), (52.4, 3.9)]
    rows = "".join(f"{time},{3.6 + 0.1 * number},{value},3.9,3.9\n" for number, (time, value) in enumerate(moves))
    device = ruled(REGISTERS, f"over: {OVER}")
    cells = []
    for at in np.arange(0.1, 60, 0.4).tolist():
        number, volts = [(number, value) for number, (time, value) in enumerate(moves) if at >= time][-1]
        values = (3.6 + 0.1 * number, volts, 3.9, 3.9)
        cells.append(read(at, 0xB0, b"".join(round(value * 1000).to_bytes(2, "little") for value in values), block=True))
    transfers = sorted([*cells, *polled(60, {37.8: 1, 53.0: 0})], key=lambda one: one.time_ns)
    for clock, expected in (("shared", PASS), ("estimate", UNDECIDED)):
        supply = bench(
            device, "cell[1..4]: {unit: V, uncertainty: 1.3 mV (each), resolution: included}", "cell_voltage[c]: cell[c]", clock=clock
        )
        stimulus = log("time_s,cell_1,cell_2,cell_3,cell_4\n" + rows + "65,end,,,", supply)
        found = check(device, transfers, bench=supply, log=stimulus)["alarm/over"]
        assert (found.verdict, found.reason) == (expected, "estimated_clock" if expected is UNDECIDED else ""), found.says


# untested


def test_untested_says_what_is_missing() -> None:
    rows = steps((0, 4.0), (10, 4.3), end=40)
    assert over(steps((0, 4.0), (10, 4.1), end=40), polled(39, {})).reason == "never_provoked"
    assert over(rows, []).reason == "no_reading"
    assert over(steps((0, 4.0), (10, 4.3), (11, 4.0), end=40), polled(39, {})).reason == "held_too_short"
    assert over(rows, polled(39, {10.6: 1}), clock="estimate").reason == "no_clock"


def test_a_level_that_nothing_provoked_stands_beside_one_that_was() -> None:
    rule = OVER.replace(
        "react_within: 2 s}]",
        "react_within: 2 s}, {state: fault, set: max(cell_voltage) > 4.4 V, clear: max(cell_voltage) < 4.3 V, react_within: 1 s}]",
    )
    found = driven(rule, steps((0, 4.0), (10, 4.3), end=40), polled(39, {10.6: 1}))
    assert (found["alarm/over"].verdict, found["alarm/over.fault"].verdict, found["alarm/over.fault"].reason) == (
        PASS,
        UNTESTED,
        "never_provoked",
    )
    graver = driven(rule, steps((0, 4.0), (10, 4.3), (20, 4.5), end=40), polled(39, {10.6: 1, 20.4: 3}))
    assert graver["alarm/over"].verdict is PASS  # a fault is a warning, too
    assert "alarm/over.fault" not in graver


# against what is reported


def reported(rule: str, cells: dict[float, int], level: dict[float, int]) -> Finding:
    device = ruled(REGISTERS, f"over: {rule}")
    reads = [
        read(
            at,
            0xB0,
            b"".join(value.to_bytes(2, "little") for value in (4000, next(v for t, v in reversed(cells.items()) if at >= t), 4000, 4000)),
            block=True,
        )
        for at in np.arange(0.1, 40, 0.5).tolist()
    ]
    return check(device, sorted([*reads, *polled(40, level)], key=lambda one: one.time_ns))["alarm/over"]


def test_where_the_bench_applies_nothing_the_device_is_held_to_what_it_reports_itself() -> None:
    assert (found := reported(OVER, {0: 4000, 10: 4251}, {10.6: 1})).verdict is PASS
    assert "against what the device itself reports" in found.says
    assert reported(OVER, {0: 4000, 10: 4251}, {}).verdict is FAIL
    assert reported(OVER, {0: 4000, 10: 4250}, {12.0: 1}).verdict is FAIL
    assert reported(OVER, {0: 4000, 10: 4250}, {}).reason == "never_provoked"
    assert reported(OVER, {0: 4000, 10: 4251}, {11.8: 1}).verdict is UNDECIDED  # seen between 9.6 and 10.1 s, set between 11.75 and 12.25 s


def test_the_element_that_an_alarm_names_must_itself_meet_set() -> None:
    rule = (
        OVER.replace("{alarm: level,", '{alarm: level, which: "cell_voltage[named]",')
        .replace("max(cell_voltage) >", "any(cell_voltage >")
        .replace("4.25 V,", "4.25 V),")
    )
    rows = steps((0, 4.0), (10, 4.3), end=40)
    for number, expected in ((2, PASS), (3, FAIL)):
        found = driven(rule, rows, [*polled(39, {10.6: 1}), *polled(39, {0: number}, command=0xB7, begin_s=0.1)])["alarm/over"]
        assert found.verdict is expected, found.says


# the arithmetic of times


def test_expected_stretches() -> None:
    held, never = [(100, 200)], [(-FOREVER, 100), (200, FOREVER)]
    must, must_not = stretches(held, held, never, never, 0, (0, 20), None)
    assert must == [(120, 200)]
    assert must_not == [(-FOREVER, 100), (220, FOREVER)]
    must, must_not = stretches(held, held, never, never, 0, (10, 20), [(300, 301)])
    assert must == [(120, 300)]
    assert must_not == [(-FOREVER, 110), (321, FOREVER)]
    assert stretches([(100, 115)], [(100, 115)], [], [], 0, (0, 20), None)[0] == []  # shorter than the reaction
    assert stretches([(100, 115)], [(100, 115)], [], [], 16, (16, 20), None)[1] == [(-FOREVER, FOREVER)]  # shorter than its `for`


def test_temperatures_are_points_on_their_scale() -> None:
    """As a storage rack's map says it: any sensor above 50 degC, cleared when all are below 47, with a `for`."""
    registers = """
    sensors:
      command: 0xC0
      transfer: block
      length: 3
      fields: {temperature: {bytes: 0, each: {s: 1..3, step: 1 byte}, unit: degC, offset: -40}}
    hot: {command: 0xC1, transfer: word, names: severity}
    """
    level = "{state: warning, set: any(temperature > 323.15 K) for 1 s, clear: all(temperature < 47 degC), react_within: 1 s .. 2.2 s}"
    device = ruled(registers, f"over: {{alarm: hot, levels: [{level}]}}")
    for degrees, set_s, expected in ((51, 11.3, PASS), (50, 11.3, FAIL), (51, 99, FAIL), (50, 99, UNTESTED), (51, 10.3, FAIL)):
        reads = [read(at, 0xC0, bytes((60, 60 if at < 10 else degrees + 40, 60)), block=True) for at in np.arange(0.05, 30, 0.1).tolist()]
        transfers = sorted([*reads, *polled(30, {set_s: 1}, command=0xC1, every_s=0.1)], key=lambda one: one.time_ns)
        found = check(device, transfers)["alarm/over"]
        assert found.verdict is expected, (degrees, set_s, found.says)


def test_the_alarms_of_the_shipped_rack_hold() -> None:
    found = {finding.id: finding for finding in check_trial(load_trial(Path(__file__).parents[2] / "captures" / "scarp-96-good")).findings}
    for name in ("cell-over-voltage", "cell-under-voltage", "over-temperature", "low-insulation"):
        one = found[f"alarm/rack[3].{name}"]
        assert one.verdict is PASS, one.says
        assert one.evidence["judged"] == "against what the bench applied"
        assert all(crossing["delay_s"][1] < crossing["limit_s"][1] for crossing in one.evidence["crossings"])


# conditions and reports of other forms


def judged(rule: str, transfers: list[Transfer], registers: str = "") -> Finding:
    device = ruled(REGISTERS + registers, f"over: {rule}")
    return check(device, sorted(transfers, key=lambda one: one.time_ns))["alarm/over"]


CURRENT = """current: {command: 0x0A, transfer: word, type: signed, unit: mA}
other: {command: 0xB9, transfer: word, names: severity}
numbers: {command: 0xBA, transfer: block, length: 4, bytes: 0, each: {n: 1..4, step: 1 byte}, names: severity}
"""


def test_a_for_in_clear_counts_before_the_alarm_may_be_taken_back() -> None:
    rule = "{alarm: level, levels: [{state: warning, set: current > 100 mA, clear: current < 50 mA for 5 s, react_within: 2 s}]}"
    currents = polled(30, {0: 0, 10: 200, 15: 0}, command=0x0A, begin_s=0.1)
    assert judged(rule, [*currents, *polled(30, {10.5: 1, 20.9: 0})], CURRENT).verdict is PASS
    early = judged(rule, [*currents, *polled(30, {10.5: 1, 17: 0})], CURRENT)
    assert early.verdict is FAIL  # between clear and set the state stays
    assert "did not report it" in early.says
    late = judged(rule, [*currents, *polled(30, {10.5: 1})], CURRENT)
    assert (late.verdict, "where it must not" in late.says) == (FAIL, True)


def test_a_for_inside_set() -> None:
    rule = (
        "{alarm: level, levels: [{state: warning, set: current > 100 mA for 5 s and named = 1, clear: current < 50 mA, react_within: 2 s}]}"
    )
    base = [*polled(30, {0: 0, 10: 200, 25: 0}, command=0x0A, begin_s=0.1), *polled(30, {0: 1}, command=0xB7, begin_s=0.15)]
    assert judged(rule, [*base, *polled(30, {15.7: 1, 25.5: 0})], CURRENT).verdict is PASS
    assert judged(rule, [*base, *polled(30, {11: 1, 25.5: 0})], CURRENT).verdict is FAIL
    assert judged(rule, [*base, *polled(30, {})], CURRENT).verdict is FAIL
    idle = [*polled(30, {0: 0}, command=0x0A, begin_s=0.1), *polled(30, {0: 1}, command=0xB7, begin_s=0.15)]
    assert judged(rule, [*idle, *polled(30, {})], CURRENT).verdict is UNTESTED


def test_an_alarm_that_is_the_graver_of_two_fields() -> None:
    rule = (
        '{alarm: "max(level, other)", levels: [{state: warning, set: current > 100 mA, clear: current < 50 mA, react_within: 2 s},'
        " {state: fault, set: current > 500 mA, clear: current < 50 mA, react_within: 2 s}]}"
    )
    base = polled(30, {0: 0, 10: 200, 20: 600, 25: 0}, command=0x0A, begin_s=0.1)
    warned = polled(30, {10.5: 1, 25.5: 0})
    found = judged(rule, [*base, *warned, *polled(30, {20.5: 3, 25.5: 0}, command=0xB9, begin_s=0.3)], CURRENT)
    assert found.verdict is PASS, found.says
    assert {one["level"] for one in found.evidence["crossings"]} == {"warning", "fault"}
    assert judged(rule, [*base, *warned, *polled(30, {}, command=0xB9, begin_s=0.3)], CURRENT).verdict is FAIL
    assert judged(rule, [*base, *warned], CURRENT).verdict is UNTESTED  # the other field was never read


def test_an_alarm_that_is_a_condition() -> None:
    levels = "[{state: raised, set: current > 100 mA, clear: current < 50 mA, react_within: 2 s}]"
    rule = f'{{alarm: "level = fault or other = fault", levels: {levels}}}'
    base = polled(30, {0: 0, 10: 200, 25: 0}, command=0x0A, begin_s=0.1)
    told = [*polled(30, {10.5: 3, 25.5: 0}), *polled(30, {}, command=0xB9, begin_s=0.3)]
    assert judged(rule, [*base, *told], CURRENT).verdict is PASS
    assert judged(rule, [*base, *polled(30, {10.5: 2, 25.5: 0}), *polled(30, {}, command=0xB9, begin_s=0.3)], CURRENT).verdict is FAIL


@pytest.mark.parametrize(
    ("alarm", "condition", "why"),
    [
        ("applied(level)", "current > 1 mA", "of what the bench applies"),
        ("level", '"mean(current, 1 min) > 1 mA"', "a mean, a change or an integral"),
        ("numbers[named]", "current > 1 mA", "whose element is named by a formula"),
    ],
)
def test_an_alarm_of_another_form_says_so(alarm: str, condition: str, why: str) -> None:
    rule = f'{{alarm: "{alarm}", levels: [{{state: warning, set: {condition}, clear: current < 1 mA}}]}}'
    found = judged(rule, [*polled(5, {}), *polled(5, {}, command=0x0A, begin_s=0.1)], CURRENT)
    assert (found.verdict, found.reason) == (UNTESTED, "not_judged_yet")
    assert why in found.says
