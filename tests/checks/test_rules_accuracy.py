"""The examples of the verdicts page on errors, limits and time, through the whole check (rules 1 to 9)."""

from __future__ import annotations

import pytest

from regcheck.bench.applied import applied_fields
from regcheck.checks.finding import Finding, Verdict
from tests.checks.builders import at_once, bench, check, log, read, register_map, word, words

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

STEPS = """
time_s,source
0,1000.0
2000,5000.0
4000,9000.0
6000,end
"""


def stepped(accuracy: str, errors: list[int], *, uncertainty: str = "", extra: str = "", scale: str = "1") -> Finding:
    """Return the accuracy of a voltage, held at 1, 5 and 9 V, whose readings are off by so many counts, shared out over the holds."""
    device = register_map(f"voltage: {{command: 0x09, transfer: 32-bit, unit: mV, scale: {scale}, accuracy: {accuracy}{extra}}}")
    supply = bench(
        device, f"source: {{unit: mV, resolution: included{uncertainty and ', uncertainty: ' + uncertainty}}}", "voltage: source"
    )
    readings = []
    for number, error in enumerate(errors):
        hold, at = number % 3, number // 3
        counts = round((1000, 5000, 9000)[hold] / float(scale)) + error
        readings.append(read(2000 * hold + 1 + at, 0x09, counts.to_bytes(4, "little")))
    readings.sort(key=lambda transfer: transfer.time_ns)
    return check(device, readings, bench=supply, log=log(STEPS, supply))["accuracy/voltage"]


SHARE = "{limit: 5 mV, of: 99.7 % of readings}"


def test_rule_1_share_of_998_readings_passes() -> None:
    found = stepped(SHARE, [0] * 998)
    assert found.verdict is PASS
    assert "998 readings" in found.says


def test_rule_1_share_of_997_readings_is_undecided_for_want_of_readings() -> None:
    found = stepped(SHARE, [0] * 997)
    assert (found.verdict, found.reason) == (UNDECIDED, "too_few_readings")
    assert "997 readings cannot show a share of 99.7000%" in found.remedy


def test_rule_1_share_fails_and_says_how_many_lie_beyond() -> None:
    found = stepped(SHARE, [0] * 990 + [9] * 20)
    assert found.verdict is FAIL
    assert "20 of 1010 readings (1.980%) are beyond their limit, 0.3000% may be" in found.says


def test_rule_1_by_default_every_reading_counts_and_a_noisy_device_fails_with_its_share() -> None:
    found = stepped("5 mV", [0] * 990 + [9] * 10)
    assert found.verdict is FAIL
    assert "10 of 1000 readings (1.0%) lie beyond it" in found.says


def test_rule_1_a_mean_is_judged_only_where_the_map_asks_for_it() -> None:
    noisy = [4, 4, 4, -6, -6, -6] * 40
    assert stepped("3 mV", noisy).verdict is FAIL
    found = stepped("{limit: 3 mV, of: mean}", noisy)
    assert (found.verdict, found.evidence["of"]) == (PASS, "mean")
    assert found.evidence["worst_mean"]["error"] == pytest.approx(-1)
    assert "the mean of voltage is right from 1000 mV to 9000 mV: worst error -1 mV, limit -3 mV, the means of 3 holds" in found.says


def test_rule_1_a_mean_beyond_its_limit_fails_by_the_mean() -> None:
    found = stepped("{limit: 3 mV, of: mean}", [4, 4, 4, 8, 8, 8] * 40)
    assert found.verdict is FAIL
    assert "the mean of voltage is off by +6 mV at 1000 mV applied, limit +3 mV" in found.says
    assert "3 of 3 holds lie beyond it" in found.says


def test_rule_1_one_reading_a_hold_is_no_mean() -> None:
    found = stepped("{limit: 3 mV, of: mean}", [0, 0, 0])
    assert (found.verdict, found.reason) == (UNDECIDED, "too_few_readings")


def test_rule_2_the_step_of_the_reported_field_is_not_in_u() -> None:
    # T 0.1, q 0.1, u 0.01, e 0.14 (as 1.4 counts: the applied value lies between two codes)
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, scale: 0.1, accuracy: 0.1 mV}")
    supply = bench(device, "source: {unit: mV, uncertainty: 0.02 mV, resolution: included}", "voltage: source")
    rows = log("time_s,source\n0,100.00\n10,200.06\n20,end\n", supply)
    found = check(device, words(0x09, [(5, 1000), (15, 2002)]), bench=supply, log=rows)["accuracy/voltage"]
    assert found.verdict is FAIL
    assert found.evidence["worst"]["error"] == 0.14
    assert found.evidence["worst"]["u"] == 0.01


def test_rule_2_the_logs_printed_decimals_are_in_u_unless_included() -> None:
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}")
    for resolution, u in (("", 0.2887), (", resolution: included", 0.0)):
        supply = bench(device, f"source: {{unit: V{resolution}}}", "voltage: source")
        (one,) = applied_fields(supply, log("time_s,source\n0,1.000\n10,end\n", supply))
        assert one.curve.u_s[0] == pytest.approx(u, abs=5e-5)  # 1 mV / sqrt(12)


def test_rule_4_reason_bench_too_uncertain_and_the_remedy_names_u() -> None:
    found = stepped("5 mV", [0, 0, 0], uncertainty="5.2 mV")  # u 2.6 > 5 / 1.96
    assert (found.verdict, found.reason) == (UNDECIDED, "bench_too_uncertain")
    assert "needs u of at most 2.551 mV" in found.remedy
    assert found.evidence["limit_over_u"] == pytest.approx(0.9615)


def test_rule_4_below_4_to_1_a_note_and_never_a_changed_verdict() -> None:
    found = stepped("5 mV", [0, 0, 0], uncertainty="2 mV")
    assert (found.verdict, found.evidence["bench_note"]) == (PASS, "the limit is less than 4 times the bench's U")
    assert "bench_note" not in stepped("5 mV", [0, 0, 0], uncertainty="1.25 mV").evidence


CELLS = "stack: {command: 0x09, transfer: word, unit: mV, accuracy: 20 mV}"


def four_cells(uncertainty: str) -> Finding:
    """Return the accuracy of the sum of four cells of 4 V that is reported 17 mV too high."""
    device = register_map(CELLS)
    supply = bench(
        device,
        f"cell[1..4]: {{unit: mV, uncertainty: {uncertainty}, resolution: included}}",
        "stack: cell[1] + cell[2] + cell[3] + cell[4]",
    )
    rows = log("time_s,cell_1,cell_2,cell_3,cell_4\n0,1000,1000,1000,1000\n10,4000,4000,4000,4000\n20,end,,,\n", supply)
    return check(device, words(0x09, [(5, 4000), (15, 16017)]), bench=supply, log=rows)["accuracy/stack"]


@pytest.mark.parametrize(
    ("uncertainty", "u", "p", "verdict", "stated"),
    [
        ("0.02 % of reading (each) + 0.5 mV (each)", 1.3, 0.9895, PASS, True),
        ("0.02 % of reading (meter) + 0.5 mV (meter)", 2.6, 0.8757, UNDECIDED, True),
        ("0.02 % of reading + 0.5 mV", 2.6, 0.8757, UNDECIDED, False),
    ],
)
def test_rule_6_four_cells(uncertainty: str, u: float, p: float, verdict: Verdict, stated: bool) -> None:
    found = four_cells(uncertainty)
    assert found.verdict is verdict
    worst = found.evidence["worst"]
    assert (worst["error"], worst["u"], worst["p"]) == (17, pytest.approx(u), pytest.approx(p, abs=1e-4))
    assert ("correlation" not in found.evidence) == stated
    if not stated:
        assert "not stated" in found.evidence["correlation"]


def test_rule_6_rectangular_means_a_over_the_root_of_3() -> None:
    device = register_map(CELLS)
    supply = bench(device, "source: {unit: mV, uncertainty: 3 mV rectangular, resolution: included}", "stack: source")
    (one,) = applied_fields(supply, log("time_s,source\n0,1000\n10,end\n", supply))
    assert one.curve.u_s[0] == pytest.approx(3**0.5)


@pytest.mark.parametrize(("cause", "u_mv"), [("(gain)", 0.37), ("(each)", 4.978)])
def test_rule_6_a_common_gain_of_two_wires_cancels_in_their_difference(cause: str, u_mv: float) -> None:
    device = register_map("cell: {command: 0x09, transfer: word, unit: mV, accuracy: 20 mV}")
    supply = bench(
        device, f"wire[0..1]: {{unit: V, uncertainty: 0.02 % of reading {cause}, resolution: included}}", "cell: wire[1] - wire[0]"
    )
    (one,) = applied_fields(supply, log("time_s,wire_0,wire_1\n0,33.3,37.0\n10,end,\n", supply))
    assert one.curve.after[0] == pytest.approx(3700)
    assert one.curve.u_s[0] == pytest.approx(u_mv, abs=5e-3)


def ramp(raw: int) -> Finding:
    """Return the accuracy of one reading of a ramp of 10 mV/s where a(t) is 4000 mV: T 5, L 1 s, w 0.2 s, u 0."""
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}")
    supply = bench(
        device,
        "source: {unit: mV, resolution: included, between: line}",
        "voltage: source",
        timing="{settle: 0 s, latency: 1 s}",
        clock="0 s +/- 0.2 s",
    )
    rows = log("time_s,source\n0,2000\n400,6000\n401,end\n", supply)
    around = [at_once(word(time, 0x09, 2000 + 10 * time)) for time in (100, 300)]  # right ones, so that it moved
    reading = at_once(word(200, 0x09, raw))
    return check(device, sorted([*around, reading], key=lambda one: one.time_ns), bench=supply, log=rows)["accuracy/voltage"]


@pytest.mark.parametrize(
    ("raw", "verdict"),
    [(3982, FAIL), (3983, UNDECIDED), (3986, UNDECIDED), (3987, PASS), (4003, PASS), (4004, UNDECIDED), (4007, UNDECIDED), (4008, FAIL)],
)
def test_rule_8_ramp_through_the_whole_check(raw: int, verdict: Verdict) -> None:
    assert ramp(raw).verdict is verdict


@pytest.mark.parametrize(("raw", "error"), [(3982, -6), (4008, 6), (3990, 0)])
def test_rule_8_the_error_is_the_distance_from_what_the_window_may_have_shown(raw: int, error: int) -> None:
    # over every shift of the clock the window reaches from 3988 to 4002 mV
    assert ramp(raw).evidence["worst"]["error"] == pytest.approx(error)


def average(keys: str) -> Finding:
    device = register_map(f"average_current: {{command: 0x0B, transfer: word, type: signed, unit: mA, accuracy: 20 mA{keys}}}")
    supply = bench(device, "shunt: {unit: mA, resolution: included}", "average_current: shunt")
    rows = log("time_s,shunt\n0,0\n100,1500\n300,end\n", supply)
    # one minute's mean 3 s after a step of 1500 mA is 3/60 of it; 30 s after it half of it; then all of it
    return check(device, words(0x0B, [(80, 0), (103, 75), (130, 750), (200, 1500)]), bench=supply, log=rows)["accuracy/average_current"]


def test_rule_9_a_one_minute_average_is_judged_as_one() -> None:
    found = average(", averages: 60 s")
    assert found.verdict is PASS
    assert abs(found.evidence["worst"]["error"]) < 0.1


def test_rule_9_without_the_word_an_average_differs_by_1425_milliampere() -> None:
    found = average("")
    assert found.verdict is FAIL
    assert found.evidence["worst"]["error"] == -1425


def test_rule_9_the_first_window_is_untested() -> None:
    device = register_map("average_current: {command: 0x0B, transfer: word, type: signed, unit: mA, accuracy: 20 mA, averages: 60 s}")
    supply = bench(device, "shunt: {unit: mA, resolution: included}", "average_current: shunt")
    found = check(device, words(0x0B, [(30, 0)]), bench=supply, log=log("time_s,shunt\n0,0\n100,end\n", supply))["accuracy/average_current"]
    assert (found.verdict, found.reason) == (UNTESTED, "no_admissible_reading")


def test_rule_9_a_first_order_filter_follows_exactly() -> None:
    # 600 mV, tau 1 s: 4.79 s after the step 5 mV are left (common practice: tau ln(step / T))
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, scale: 0.1, accuracy: 1 mV, filter: 1 s}")
    supply = bench(device, "source: {unit: mV, resolution: included}", "voltage: source")
    rows = log("time_s,source\n0,3000\n100,3600\n200,end\n", supply)
    found = check(device, [at_once(one) for one in words(0x09, [(50, 30000), (104.787, 35950), (150, 36000)])], bench=supply, log=rows)
    assert found["accuracy/voltage"].verdict is PASS
    assert abs(found["accuracy/voltage"].evidence["worst"]["error"]) < 0.05
