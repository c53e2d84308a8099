"""Rules that take more than one instant: means, several fields under a change or an integral, none() among conditions, `for` inside."""

from __future__ import annotations

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import bench, check, log, read, word, words, write
from tests.checks.rules import ruled

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

PACK = """
voltage: {command: 0x09, transfer: word, unit: mV}
current: {command: 0x0A, transfer: word, type: signed, unit: mA}
average: {command: 0x0B, transfer: word, type: signed, unit: mA}
energy: {command: 0x0C, transfer: word, unit: W*h, scale: 0.01}
used: {command: 0x0D, transfer: word, unit: mAh}
left: {command: 0x0E, transfer: word, unit: mAh}
state: {command: 0x31, transfer: word, names: {0: open, 1: closed}}
broadcast: {to: 0x09, command: 0x14, transfer: word, access: [write], unit: mA}
cells: {command: 0xB0, transfer: block, fields: {charge: {bytes: 0..1, each: {k: 1..2, step: 2 bytes}, unit: mAh}}}
"""


def judged(rule: str, *transfers: Transfer) -> Finding:
    return check(ruled(PACK, f"one rule: {rule}"), sorted(transfers, key=lambda one: one.time_ns))["rule/one-rule"]


def verdict(rule: str, *transfers: Transfer) -> tuple[Verdict, str]:
    found = judged(rule, *transfers)
    assert found.says
    return found.verdict, found.reason


# means

MEAN = '{require: "average = mean(current, 1 min)", within: 5 mA}'


def test_a_mean_over_time_is_that_of_the_readings_in_the_time_before() -> None:
    steady = words(0x0A, [(number, 1000 if number < 90 else 2000) for number in range(151)])
    assert verdict(MEAN, *steady, word(80, 0x0B, 1005)) == (PASS, "")
    assert verdict(MEAN, *steady, word(80, 0x0B, 1006)) == (FAIL, "")
    # at 120 s half of the minute before lies behind the step, which came between 89 and 90 s: u 500 / sqrt(3) / 60 = 4.8 mA
    wide = MEAN.replace("5 mA", "40 mA")
    for millivolts, expected in ((1508, PASS), (1539, PASS), (1545, UNDECIDED), (1557, FAIL), (1000, FAIL)):
        assert judged(wide, *steady, word(120, 0x0B, millivolts)).verdict is expected, millivolts


def test_a_mean_is_in_doubt_by_a_step_between_two_readings() -> None:
    """1000 mA to 2000 mA within 4 s of the minute: a rectangle of 4 s times 1000 mA, u 500 * 4 / sqrt(3) / 60 = 19.2 mA."""
    coarse = words(0x0A, [(4 * number, 1000 if number < 23 else 2000) for number in range(40)])
    assert verdict(MEAN.replace("5 mA", "40 mA"), *coarse, word(120, 0x0B, 1500)) == (PASS, "")
    assert verdict(MEAN, *coarse, word(120, 0x0B, 1500)) == (UNTESTED, "partners_changed")
    assert verdict(MEAN.replace("5 mA", "40 mA"), *coarse, word(120, 0x0B, 1450)) == (UNDECIDED, "partners_changed")


def test_a_mean_needs_the_whole_of_its_time() -> None:
    steady = words(0x0A, [(number, 1000) for number in range(100)])
    assert verdict(MEAN, *steady, word(30, 0x0B, 1000))[0] is UNTESTED
    broken = [one for one in steady if not 40 < one.time_ns / 1e9 < 50]
    assert verdict(MEAN, *broken, word(80, 0x0B, 1000))[0] is UNTESTED


# several fields

POWER = "{require: change(energy) = integral(voltage * current), within: 0.05 W*h}"


def powered(gained_wh: float, *, hours: int = 2, step_s: int = 20) -> list[Transfer]:
    """10 V and 2 A for hours: 20 W."""
    found = []
    for number in range(hours * 3600 // step_s + 1):
        at = number * step_s
        found += [word(at, 0x09, 10_000), word(at + 5, 0x0A, 2000)]
        found.append(word(at + 6, 0x0C, round(100 * gained_wh * at / hours / 3600)))
    return found


def test_power_over_time_is_energy() -> None:
    assert verdict(POWER, *powered(40.0)) == (PASS, "")
    found = judged(POWER, *powered(41.0))
    assert found.verdict is FAIL
    assert found.evidence["worst"]["unit"] == "W*h"
    assert 0.9 < found.evidence["worst"]["difference"] < 1.1


def test_power_is_in_doubt_where_current_and_voltage_leap_between_readings() -> None:
    leaping = [*powered(40.0, hours=1), word(3700, 0x09, 10_000), word(3701, 0x0A, 2000)]
    rough = [
        word(one.time_ns / 1e9 + 0.5, 0x0A, 12_000) if n % 2 else one for n, one in enumerate(t for t in leaping if t.parts[0][1] == 0x0A)
    ]
    rest = [one for one in leaping if one.parts[0][1] != 0x0A]
    assert verdict(POWER, *rest, *rough)[0] in (UNDECIDED, UNTESTED)
    assert verdict(POWER, *[one for one in powered(40.0) if one.parts[0][1] != 0x09])[0] is UNTESTED


def test_changes_of_several_fields() -> None:
    rule = "{require: change(used) = -change(left), within: 1 mAh}"

    def told(*pairs: tuple[int, int]) -> list[Transfer]:
        both = [[word(n, 0x0D, one), word(n + 0.1, 0x0E, other), word(n + 0.2, 0x0D, one)] for n, (one, other) in enumerate(pairs)]
        return [transfer for three in both for transfer in three]

    assert verdict(rule, *told((0, 100), (10, 90), (25, 75))) == (PASS, "")
    assert verdict(rule, *told((0, 100), (10, 90), (25, 77))) == (FAIL, "")
    assert verdict(rule, *told((0, 100))[:2])[0] is UNTESTED


def test_a_change_of_every_element_and_of_the_largest_of_them() -> None:
    def block(at: float, one: int, other: int) -> Transfer:
        return read(at, 0xB0, one.to_bytes(2, "little") + other.to_bytes(2, "little"), block=True)

    rising = "{require: change(charge) >= 0 mAh}"
    assert verdict(rising, block(0, 1, 5), block(1, 2, 6)) == (PASS, "")
    found = judged(rising, block(0, 1, 5), block(1, 2, 4))
    assert (found.verdict, found.evidence["stretches"]["fail"], found.evidence["stretches"]["pass"]) == (FAIL, 1, 1)
    largest = "{require: change(max(charge)) >= 0 mAh}"
    assert verdict(largest, block(0, 1, 5), block(1, 6, 4)) == (PASS, "")
    assert verdict(largest, block(0, 1, 5), block(1, 3, 4)) == (FAIL, "")


@pytest.mark.parametrize(
    ("rule", "why"),
    [
        ("{require: change(used) = integral(applied(current) * voltage) / (1 V), within: 5 mAh}", "applies and of another field"),
        ("{require: change(used) * change(left) >= 0 mAh^2}", "more than sums of changes"),
        ('{when: "mean(current, 1 min) > 3 mA", require: used >= 0 mAh}', "over time in its `when`"),
        ("{require: change(used) >= 0 mAh, within: 3 % of left}", "a share of a field in `within`"),
    ],
)
def test_what_this_version_cannot_judge_says_so(rule: str, why: str) -> None:
    found = judged(rule, *words(0x0D, [(0, 1), (1, 2)]))
    assert (found.verdict, found.reason) == (UNTESTED, "not_judged_yet")
    assert why in found.says


# none() among conditions, `for` inside


def test_none_beside_other_conditions_counts_since_when_holds() -> None:
    rule = "{when: state = open, require: none(broadcast) or current > 5 mA}"
    opened = words(0x31, [(0, 1), (1, 0), (2, 0), (9, 0)])
    sent = write(4, 0x14, b"\x01\x02", address=0x09)
    early = write(0.5, 0x14, b"\x01\x02", address=0x09)
    still = words(0x0A, [(3, 0), (3.5, 0)])
    assert verdict(rule, *opened, *still, early, sent) == (PASS, "")
    assert verdict(rule, *opened, *still, sent, *words(0x0A, [(5, 3), (6, 3)])) == (FAIL, "")
    assert verdict(rule, *opened, *still, sent, *words(0x0A, [(5, 9), (6, 9)])) == (PASS, "")
    assert verdict(rule, *words(0x31, [(0, 1), (9, 1)]), *still)[1] == "when_never_held"


def test_none_of_two_messages() -> None:
    rule = "{require: none(broadcast) and none(energy)}"
    assert verdict(rule, word(1, 9, 1)) == (PASS, "")
    assert verdict(rule, word(1, 9, 1), write(2, 0x14, b"\x01\x02", address=0x09)) == (FAIL, "")


def test_a_for_inside_a_requirement() -> None:
    rule = "{require: not (current > 100 mA for 3 s)}"
    assert verdict(rule, *words(0x0A, [(0, 200), (1, 200), (2, 0), (3, 0)])) == (PASS, "")
    assert verdict(rule, *words(0x0A, [(0, 200), (1, 200), (2, 200), (3, 200), (4, 0)])) == (FAIL, "")
    assert verdict("{require: not (applied(current) > voltage / (1 ohm) for 3 s)}", word(0, 0x0A, 1))[1] == "not_judged_yet"


# what the bench applies in `when`


def test_a_rule_that_counts_only_while_the_bench_applies_something() -> None:
    device = ruled(PACK, "one rule: {when: applied(voltage) > 5 V, require: current = 0 mA, within: 3 mA}")
    supply = bench(device, "source: {unit: V, uncertainty: 1 mV}", "voltage: source")
    stimulus = log("time_s,source\n0,1.0\n10,9.0\n20,end", supply)

    def found(*pairs: tuple[float, int]) -> Finding:
        return check(device, words(0x0A, pairs), bench=supply, log=stimulus)["rule/one-rule"]

    assert (found((5, 99), (15, 1)).verdict, found((5, 99), (15, 1)).evidence["when_held"]) == (PASS, 1)
    assert found((5, 0), (15, 4)).verdict is FAIL
    assert (found((5, 99)).verdict, found((5, 99)).reason) == (UNTESTED, "when_never_held")
