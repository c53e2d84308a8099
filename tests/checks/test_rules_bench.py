"""The examples of the verdicts page on times, logs, clocks, draws, sensors and the bench (rules 10 to 16, 21, 22)."""

from __future__ import annotations

import math
from typing import Any

import pytest

from regcheck.bench.applied import applied_fields
from regcheck.checks.accuracy_findings import expected_errors
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.plan import Plan
from regcheck.errors import Severity, SourceError
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import at_once, bench, bench_problems, capture, check, log, read, register_map, word, words, write

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

VOLTAGE = "voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}"
EXACT = "source: {unit: mV, resolution: included}"


def judged(
    transfers: list[Transfer], rows: str, *, channels: str = EXACT, registers: str = VOLTAGE, applied: str = "voltage: source", **keys: str
) -> Finding:
    """Return the first accuracy finding of a small trial."""
    device = register_map(registers)
    supply = bench(device, channels, applied, **keys)
    found = check(device, transfers, bench=supply, log=log(rows, supply))
    return next(finding for finding in found.values() if finding.requirement.kind == "accuracy")


SLOW_ROWS = "time_s,source\n0,3000\n20,3600\n40,3000\n60,end\n"


def slow_board(time_s: float) -> int:
    """Return what a board with a first-order filter of 1 s reports, in mV."""
    if time_s < 20:
        return 3000
    if time_s < 40:
        return round(3600 - 600 * math.exp(-(time_s - 20)))
    return round(3000 + 600 * math.exp(-(time_s - 40)))


def polled(settle: str) -> Finding:
    times = [number / 10 for number in range(5, 600)]
    return judged([at_once(word(time, 0x09, slow_board(time))) for time in times], SLOW_ROWS, timing=f"{{settle: {settle}, latency: 0 s}}")


def test_rule_10_a_slow_board_fails_and_the_evidence_says_which_settle_would_judge_it() -> None:
    found = polled("0.5 s")
    assert found.verdict is FAIL
    # 600 mV, 5 mV, 1 s: tau ln(step / T) = 4.79 s
    assert found.evidence["decay_says"] == "tau about 1.0 s; a settle of 4.8 s would judge it"
    assert found.evidence["tau_s"] == pytest.approx(1.0, abs=0.02)


def test_rule_10_the_settle_found_is_never_applied_by_itself_but_judges_when_declared() -> None:
    assert polled("4.9 s").verdict is PASS


def test_rule_10_what_does_not_decay_names_no_settle() -> None:
    found = judged(words(0x09, [(time, 3009 if time < 20 else 3609) for time in range(1, 40)]), SLOW_ROWS)
    assert found.verdict is FAIL
    assert "decay_says" not in found.evidence


def test_rule_10_a_hold_too_short_is_listed_untested() -> None:
    rows = "time_s,source\n0,1000\n10,2000\n12,3000\n22,4000\n40,end\n"
    found = judged(words(0x09, [(8, 1000), (11.5, 2500), (20, 3000)]), rows, timing="{settle: 3 s, latency: 1 s}")
    assert found.verdict is PASS
    assert found.evidence["holds_untested"] == 2
    assert [(hold["applied"], hold["why"]) for hold in found.evidence["untested_holds"]] == [
        (2000, "too short for settle and latency"),
        (4000, "no reading in it could be judged"),
    ]


def test_rule_10_a_hold_whose_readings_are_too_far_off_to_average_is_not_untested() -> None:
    """Within 2^31 quanta deviations are summed; 0.1 K with u of 0.01 mK is counted in 10 nK."""
    registers = "temperature: {command: 0x08, transfer: 32-bit, unit: K, scale: 0.1, accuracy: 1 K}"
    device = register_map(registers)
    supply = bench(device, "probe: {unit: K, uncertainty: 0.00002 K, resolution: included}", "temperature: probe")
    transfers = [read(5, 8, (2800).to_bytes(4, "little")), read(15, 8, (65000).to_bytes(4, "little"))]
    found = check(device, transfers, bench=supply, log=log("time_s,probe\n0,280.0\n10,300.0\n20,end\n", supply))["accuracy/temperature"]
    assert found.verdict is FAIL
    assert found.evidence["far_off"] == 1
    assert "holds_untested" not in found.evidence


def test_rule_10_settle_and_latency_are_required_once_something_is_applied() -> None:
    problems = bench_problems(register_map(VOLTAGE), EXACT, "voltage: source", timing="{settle: 0 s}")
    assert [problem.severity for problem in problems] == [Severity.FAULT]
    assert "`timing` does not say latency" in problems[0].text
    assert not bench_problems(register_map(VOLTAGE), EXACT, "voltage: source")  # 0 s is legal


def test_rule_10_the_clocks_doubt_widens_what_is_left_out() -> None:
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    late = [at_once(one) for one in words(0x09, [(5, 1000), (10.3, 1500), (15, 2000)])]
    keys = {"timing": "{settle: 0 s, latency: 0.2 s}"}
    assert judged(late, rows, clock="0 s +/- 50 ms", **keys).verdict is FAIL  # 10.3 > 10 + 0.2 + 0.05
    found = judged(late, rows, clock="0 s +/- 0.2 s", **keys)
    assert (found.verdict, found.evidence["left_out"]) == (PASS, {"settling": 1})


def test_rule_11_over_max_gap_applied_is_unknown_and_readings_are_untested() -> None:
    rows = "time_s,source\n0,1000\n10,1000\n25,3000\n30,3000\n35,end\n"
    gapped = "source: {unit: mV, resolution: included, measured: source, max_gap: 10 s}"
    found = judged(words(0x09, [(5, 1000), (20, 9999), (28, 3000)]), rows, channels=gapped)
    assert (found.verdict, found.evidence["left_out"]) == (PASS, {"applied not known": 1})


def test_rule_11_without_an_end_row_nothing_is_known_after_the_last_row() -> None:
    readings = words(0x09, [(5, 1000), (15, 3000), (25, 9999)])
    open_end = judged(readings, "time_s,source\n0,1000\n10,3000\n20,3000\n")
    assert (open_end.verdict, open_end.evidence["left_out"]) == (PASS, {"applied not known": 1})
    assert judged(readings, "time_s,source\n0,1000\n10,3000\n30,end\n").verdict is FAIL


def test_rule_11_an_empty_cell_is_unchanged_up_to_the_logs_last_row() -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT + "\nother: {unit: mV}", "voltage: source")
    rows = log("time_s,source,other\n0,1000,1\n10,3000,2\n30,,3\n", supply)
    found = check(device, words(0x09, [(5, 1000), (25, 9999)]), bench=supply, log=rows)["accuracy/voltage"]
    assert found.verdict is FAIL


def test_rule_11_a_measured_column_joins_by_lines_and_a_set_one_holds() -> None:
    rows = "time_s,source\n0,1000\n10,1100\n20,1200\n30,1300\n40,1400\n50,1500\n60,end\n"
    readings = [at_once(one) for one in words(0x09, [(5, 1050), (25, 1250)])]
    assert judged(readings, rows, channels="source: {unit: mV, resolution: included, measured: source}").verdict is PASS
    assert judged(readings, rows).verdict is FAIL


CLOCK_ROWS = "time_s,source\n0,1000\n10.3,2000\n20.7,4000\n31.1,3000\n45,6000\n60,end\n"


def shifted(offset: float, delay: float = 0.2) -> list[Transfer]:
    """Return readings each second on a clock that is ahead by ``offset``, of a device that is late by ``delay``."""
    steps = [(0.0, 1000), (10.3, 2000), (20.7, 4000), (31.1, 3000), (45.0, 6000)]

    def value(bench_s: float) -> int:
        return next((raw for at, raw in reversed(steps) if at <= bench_s - delay), 1000)

    return [at_once(word(time, 0x09, value(time - offset))) for time in range(math.ceil(offset) + 1, int(offset) + 59)]


def test_rule_12_an_estimated_clock_end_to_end() -> None:
    found = judged(shifted(5.0), CLOCK_ROWS, timing="{settle: 0 s, latency: 1 s}", clock="estimate")
    assert found.verdict is PASS
    assert found.evidence["applied_to"] == 6000
    assert found.evidence["left_out"]["settling"] > 0


def test_rule_12_example_of_three_steps_through_the_whole_check() -> None:
    """Steps at 10.3, 20.7, 31.1; true offset 5, delay 0.2, polls each second, L 1: the offset lies in (3.9, 5.3], w 0.7."""
    rows = "time_s,source\n0,1000\n10.3,2000\n20.7,4000\n31.1,3000\n45,end\n"
    polls = [(t, 1000 if t < 15.5 else 2000 if t < 25.9 else 4000 if t < 36.3 else 3000) for t in range(5, 50)]
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT, "voltage: source", clock="estimate", timing="{settle: 0 s, latency: 1 s}")
    found = check(device, [at_once(one) for one in words(0x09, polls)], bench=supply, log=log(rows, supply))["accuracy/voltage"]
    assert found.verdict is PASS
    assert found.evidence["clock_doubt_s"] == pytest.approx(0.7, abs=0.005)  # and 50 ppm of drift


def test_rule_12_an_estimated_clock_still_finds_a_wrong_value() -> None:
    wrong = [at_once(word(one.time_ns / 1e9, 0x09, int.from_bytes(one.parts[1][1:3], "little") + 6)) for one in shifted(5.0)]
    found = judged(wrong, CLOCK_ROWS, timing="{settle: 0 s, latency: 1 s}", clock="estimate")
    assert (found.verdict, found.evidence["worst"]["error"]) == (FAIL, 6)


def test_rule_12_what_the_host_writes_is_no_answer_to_a_step() -> None:
    device = register_map("voltage: {command: 0x09, transfer: word, access: [read, write], unit: mV, accuracy: 5 mV}")
    supply = bench(device, EXACT, "voltage: source", timing="{settle: 0 s, latency: 1 s}", clock="estimate")
    wild = [write(time + 0.5, 0x09, (30_000 * (time % 2)).to_bytes(2, "little")) for time in range(8, 50)]
    transfers = sorted([*shifted(5.0), *wild], key=lambda one: one.time_ns)
    assert check(device, transfers, bench=supply, log=log(CLOCK_ROWS, supply))["accuracy/voltage"].verdict is PASS


def test_rule_12_a_told_offset_is_capture_time_minus_bench_time() -> None:
    found = judged(shifted(5.0), CLOCK_ROWS, timing="{settle: 0 s, latency: 1 s}", clock="5 s +/- 0.1 s")
    assert found.verdict is PASS
    assert judged(shifted(5.0), CLOCK_ROWS, timing="{settle: 0 s, latency: 1 s}", clock="-5 s").verdict is FAIL


@pytest.mark.parametrize(
    ("rows", "readings", "reason"),
    [
        ("time_s,source\n0,1000\n10,2000\n20,3000\n30,end\n", [(time, 1000 + time // 10 * 1000) for time in range(30)], "too_few_steps"),
        (CLOCK_ROWS, [(time, 1000) for time in range(60)], "no_events"),
        (
            "time_s,source\n0,1000\n10,2000\n20,1000\n30,2000\n40,1000\n50,2000\n60,1000\n70,end\n",
            [(time, 1000 if (time // 10) % 2 == 0 else 2000) for time in range(70)],
            "ambiguous",
        ),
    ],
)
def test_rule_12_a_refused_clock_leaves_readings_untested_with_its_reason(
    rows: str, readings: list[tuple[float, int]], reason: str
) -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT, "voltage: source", clock="estimate")
    found = check(device, words(0x09, readings), bench=supply, log=log(rows, supply))
    assert (found["accuracy/voltage"].verdict, found["accuracy/voltage"].reason) == (UNTESTED, "clock_unknown")
    assert (found["bench/clock"].verdict, found["bench/clock"].reason) == (UNTESTED, reason)
    assert found["bench/clock"].remedy


def test_rule_12_time_that_goes_backwards_has_no_one_estimated_clock() -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT, "voltage: source", clock="estimate", timing="{settle: 0 s, latency: 1 s}")
    found = check(device, [*shifted(5.0), *shifted(2.0)], bench=supply, log=log(CLOCK_ROWS, supply))
    assert (found["bench/clock"].verdict, found["bench/clock"].reason) == (UNTESTED, "several_epochs")


def test_rule_12_each_capture_has_its_own_clock() -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT, "voltage: source", clock="estimate", timing="{settle: 0 s, latency: 1 s}")
    found = check(device, shifted(5.0), shifted(900.0), bench=supply, log=log(CLOCK_ROWS, supply))["accuracy/voltage"]
    assert found.verdict is PASS
    assert found.evidence["judged"] > 60


def test_rule_12_a_marker_raised_when_the_log_begins() -> None:
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}\nmarker: {command: 0x3C, transfer: word}")
    supply = bench(device, EXACT, "voltage: source", clock="{marker: marker}", timing="{settle: 0 s, latency: 1 s}")
    marks = [word(104.9, 0x3C, 0), word(105.0, 0x3C, 1)]
    found = check(device, [*marks, *shifted(105.0)], bench=supply, log=log(CLOCK_ROWS, supply))["accuracy/voltage"]
    assert found.verdict is PASS


def draws(error: float) -> Finding:
    """Return the accuracy of 1000 draws of which one is off by so much: T 1, u_s 0.10, u_r 0.05, in mV."""
    device = register_map("voltage: {command: 0x09, transfer: 32-bit, unit: mV, scale: 0.0001, accuracy: 1 mV}")
    # u_r is that of the printed decimals of a measured column: 0.1 / sqrt(12) is 0.0289; 0.05 needs u of 0.0289 on each of three wires
    supply = bench(
        device,
        "wire[1..3]: {unit: mV, between: line, uncertainty: 0.2 mV (each)}",
        "voltage: (wire[1] + wire[2] + wire[3]) / 3 * 1.7320508",
    )
    rows = [
        "time_s,wire_1,wire_2,wire_3",
        *(f"{at},{value:.1f},{value:.1f},{value:.1f}" for at in range(1001) for value in [1000 + at / 10]),
    ]
    made = "\n".join(rows) + "\n"
    (one,) = applied_fields(supply, log(made, supply))
    assert float(one.curve.u_s[0]) == pytest.approx(0.1, abs=1e-6)
    assert float(one.curve.u_r[0]) == pytest.approx(0.0288675, abs=1e-5)
    transfers = []
    for at in range(1000):
        value = (1000 + at / 10) * 1.7320508 + (error if at == 500 else 0)
        transfers.append(at_once(read(at + 1e-9, 0x09, round(value * 10_000).to_bytes(4, "little"))))
    return check(device, transfers, bench=supply, log=log(made, supply))["accuracy/voltage"]


def test_rule_13_the_worst_of_1000_draws_needs_more_to_fail() -> None:
    # z for 1000 draws is 3.8906: T + sqrt((1.645 * 0.1)^2 + (3.8906 * 0.0288675)^2) = 1.1991; for one draw 1.1712
    assert draws(1.19).verdict is UNDECIDED
    assert draws(1.21).verdict is FAIL


def test_rule_13_the_run_prints_the_expected_false_accepts_and_rejects() -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, "source: {unit: mV, uncertainty: 2 mV, resolution: included}", "voltage: source")
    rows = log("time_s,source\n0,1000\n10,5000\n20,end\n", supply)
    passed = check(device, words(0x09, [(5, 1000), (15, 5003)]), bench=supply, log=rows).values()
    failed = check(device, words(0x09, [(5, 1000), (15, 5007)]), bench=supply, log=rows).values()
    # 3 of 5 mV, u 1: 1 - Phi(2) = 0.0228 of a false accept; 7 of 5 mV: Phi(-2) of a false reject
    assert expected_errors(passed).startswith("at the readings that decided, 0.023 false accepts are expected in 1 passes")
    assert "0.023 false rejects in 1 fails" in expected_errors(failed)
    assert expected_errors([]) == ""


GAIN = "voltage: {command: 0x09, transfer: 32-bit, unit: mV, scale: 0.001, accuracy: 5 mV}"


def with_gain(gain: float, uncertainty: str) -> dict[str, Any]:
    device = register_map(GAIN)
    supply = bench(device, f"source: {{unit: mV, resolution: included, uncertainty: {uncertainty}}}", "voltage: source")
    levels = [1000 * level for level in range(1, 6)]
    rows = "time_s,source\n" + "".join(f"{10 * at},{level}\n" for at, level in enumerate(levels)) + "50,end\n"
    transfers = [
        read(10 * at + 1 + second, 0x09, round(level * gain * 1000).to_bytes(4, "little"))
        for at, level in enumerate(levels)
        for second in range(8)
    ]
    return dict(check(device, transfers, bench=supply, log=log(rows, supply))["accuracy/voltage"].evidence)


def test_rule_14_a_gain_within_the_benchs_own_is_not_shown() -> None:
    evidence = with_gain(1.000150, "0.02 % of reading (gain)")  # u 100 ppm
    assert evidence["gain"] == pytest.approx(1.00015, abs=1e-8)
    assert evidence["gain_says"] == "not shown (1.5 sigma)"
    assert evidence["gain_method"] == "weighted"


def test_rule_14_a_gain_beyond_the_benchs_own_is_shown() -> None:
    assert with_gain(1.0005, "0.02 % of reading (gain)")["gain_says"] == "shown (5.0 sigma)"


def test_rule_14_gain_is_evidence_and_no_verdict() -> None:
    assert with_gain(1.0005, "0.02 % of reading (gain)")["failed"] == 0


NTC = "ntc(probe, r25 = 10 kohm, beta = 3435 K)"
TEMPERATURE = (
    "temperature: {command: 0x08, transfer: word, unit: K, scale: 0.1, accuracy: 3 K, sensor: 'ntc(r25 = 10 kohm, beta = 3435 K)'}"
)


# R(T) by the beta formula, IEC 60539-1 (from memory of it): 10 kohm at 25, 987.0 at 100, 248276.5 at -40 degC
@pytest.mark.parametrize(("ohm", "expanded_mk"), [(10000, 25.9), (987.0, 40.5), (248276.5, 15.8)])
def test_rule_16_uncertainty_of_a_played_temperature(ohm: float, expanded_mk: float) -> None:
    device = register_map(TEMPERATURE)
    box = bench(device, "probe: {unit: ohm, uncertainty: 0.1 % of reading, resolution: included}", f"temperature: {NTC}")
    (one,) = applied_fields(box, log(f"time_s,probe\n0,{ohm}\n10,end\n", box))
    assert 2e3 * one.curve.u_s[0] == pytest.approx(expanded_mk, abs=0.06)


def test_rule_16_lint_refuses_a_bench_that_plays_another_sensor() -> None:
    device = register_map(TEMPERATURE)
    (problem,) = bench_problems(device, "probe: {unit: ohm}", "temperature: ntc(probe, r25 = 10 kohm, beta = 3950 K)")
    assert problem.severity is Severity.FAULT
    assert "the bench plays ntc(probe, r25 = 10 kohm, beta = 3950 K), but the map's sensor for 'temperature' is" in problem.text


@pytest.mark.parametrize("formula", [NTC, "ntc(probe, beta = 3435 K, r25 = 10000 ohm)", "ntc(probe, r25 = 10 kohm, beta = 3.435 kK)"])
def test_rule_16_the_same_sensor_in_other_words_is_no_fault(formula: str) -> None:
    assert not [
        one
        for one in bench_problems(register_map(TEMPERATURE), "probe: {unit: ohm}", f"temperature: {formula}")
        if one.severity is Severity.FAULT
    ]


def test_rule_16_the_sensors_share_of_the_limit_is_not_the_front_ends() -> None:
    registers = "temperature: {command: 0x08, transfer: word, unit: K, scale: 0.1, accuracy: 3 K of which sensor 1 K}"
    rows = "time_s,probe\n0,280.0\n10,300.0\n20,end\n"
    keys = {"channels": "probe: {unit: K, resolution: included}", "registers": registers, "applied": "temperature: probe"}
    assert judged(words(0x08, [(5, 2800), (15, 3020)]), rows, **keys).verdict is PASS
    found = judged(words(0x08, [(5, 2800), (15, 3021)]), rows, **keys)
    assert (found.verdict, found.evidence["worst"]["limit_high"]) == (FAIL, 2)


def test_rule_16_uncertainty_of_a_shunt_current() -> None:
    device = register_map("current: {command: 0x0A, transfer: word, type: signed, unit: mA, accuracy: 10 mA}")
    source = bench(device, "shunt: {unit: mV, uncertainty: 0.05 % of reading + 2 uV, resolution: included}", "current: shunt / 5 mohm")
    (one,) = applied_fields(source, log("time_s,shunt\n0,7.5\n10,end\n", source))
    assert one.curve.after[0] == pytest.approx(1500)
    assert 2 * one.curve.u_s[0] == pytest.approx(1.15)


def test_rule_21_set_against_measured() -> None:
    device = register_map(VOLTAGE)
    channel = (
        "source: {unit: V, set: source_set, measured: source_meas, uncertainty: 0.5 mV, set_uncertainty: 1.3 mV, resolution: included}"
    )
    supply = bench(device, channel, "voltage: source")
    rows = log("time_s,source_set,source_meas\n0,3.700,3.700\n10,,3.694\n20,,3.700\n", supply)
    found = check(device, words(0x09, [(5, 3700)]), bench=supply, log=rows)["bench/source"]
    assert found.verdict is FAIL
    assert found.evidence["ratio"] == pytest.approx(4.308, abs=1e-3)
    assert found.evidence["time_s"] == 10


def test_rule_12_an_estimate_that_works_is_no_finding() -> None:
    device = register_map(VOLTAGE)
    supply = bench(device, EXACT, "voltage: source", clock="estimate", timing="{settle: 0 s, latency: 1 s}")
    plan = Plan(device, supply, log(CLOCK_ROWS, supply))
    plan.survey([capture(shifted(5.0))])
    (clock,) = plan.clocks
    assert getattr(clock, "kind", "") == "estimated"


def test_rule_22_time_stamps_in_doubt_are_left_out_around_steps() -> None:
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    near = [at_once(one) for one in words(0x09, [(5, 1000), (10.0005, 1000), (15, 2000)])]
    assert judged(near, rows).verdict is FAIL
    found = judged(near, rows, timing="{settle: 0 s, latency: 0 s, timestamps: +/- 1 ms}")
    assert (found.verdict, found.evidence["left_out"]) == (PASS, {"settling": 1})


def test_a_log_and_a_capture_that_cannot_overlap_are_refused() -> None:
    rows = "time_s,source\n0,1000\n10,2000\n20,end\n"
    with pytest.raises(SourceError, match="the stimulus log runs from 0 s to 20 s, the capture memory from 100 s"):
        judged(words(0x09, [(100, 1000), (110, 2000)]), rows)
    far = judged(words(0x09, [(100, 1000), (110, 2000)]), rows, clock="0 s +/- 95 s")  # within the clock's doubt they may
    assert (far.verdict, far.reason) == (UNTESTED, "no_admissible_reading")
