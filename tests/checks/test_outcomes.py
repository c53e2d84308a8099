"""Every check is seen to pass, to fail, to be undecided where it can be, and to be untested; a test counts them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.traffic.shapes import Transfer
from tests.checks.builders import ADDRESS, bench, check, log, read, register_map, word, words

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED

CAN = {
    "framing": {PASS, FAIL, UNTESTED},
    "length": {PASS, FAIL, UNTESTED},
    "pec": {PASS, FAIL, UNTESTED},
    "unknown": {PASS, FAIL, UNTESTED},
    "range": {PASS, FAIL, UNTESTED},
    "reserved": {PASS, FAIL, UNTESTED},
    "constant": {PASS, FAIL, UNTESTED},
    "available": {PASS, FAIL, UNTESTED},
    "accuracy": {PASS, FAIL, UNDECIDED, UNTESTED},
    "coverage": {PASS, UNTESTED},  # it asks nothing of the device, so the device cannot fail it
    "bench": {PASS, FAIL, UNTESTED},  # rule 21 knows one bound
    "clock": {UNTESTED},  # a clock that can be told is evidence, no requirement; only a refusal is a finding
}
"""The outcomes that a kind of finding can have."""

ELSEWHERE = {
    "cadence": set(Verdict),
    "counter": set(Verdict),
    "crc": {PASS, FAIL, UNTESTED},
    "frozen": set(Verdict),
    "rule": set(Verdict),
    "alarm": set(Verdict),
    "answer": set(Verdict),
    "fitted": set(Verdict),
    "granularity": set(Verdict),
    "holds": {PASS, FAIL, UNTESTED},
}
"""Kinds whose outcomes are seen in tests of their own: test_cadence, _counters, _check_fields, _frozen, _relations, _alarms, _answers,
_array_numbers."""

REGISTERS = """
voltage: {command: 0x09, transfer: word, unit: mV, range: 0 .. 20000 mV, accuracy: 5 mV, codes: {0xFFFF: not available}}
flags:
  command: 0x16
  transfer: word
  fields:
    level: {bits: 0..3}
    spare: {bits: 4..7, reserved: 0}
    model: {bits: 8..15, must_be: [0xA0, 0xA1]}
name: {command: 0x20, transfer: block, length: 4, type: text, bytes: 0..last}
"""
LOG = """
time_s,source
0,1.000
10,5.000
20,9.000
30,13.000
40,19.000
50,end
"""
RIGHT: list[tuple[float, int]] = [(5, 1000), (15, 5000), (25, 9000), (35, 13000), (45, 19000)]


def plain(*transfers: Transfer, pec: str = "optional") -> dict[str, Finding]:
    return check(register_map(REGISTERS, pec=pec), transfers)


def applied(
    readings: list[tuple[float, int]], *, log_text: str = LOG, uncertainty: str = "1 mV", clock: str = "shared"
) -> dict[str, Finding]:
    device = register_map(REGISTERS)
    supply = bench(device, f"source: {{unit: V, uncertainty: {uncertainty}}}", "voltage: source", clock=clock)
    return check(device, words(0x09, readings), bench=supply, log=log(log_text, supply))


def measured(rows: str) -> dict[str, Finding]:
    device = register_map(REGISTERS)
    supply = bench(
        device,
        "source: {unit: V, set: source_set, measured: source_meas, uncertainty: 0.5 mV, resolution: included, set_uncertainty: 1.3 mV}",
        "voltage: source",
    )
    return check(device, words(0x09, RIGHT), bench=supply, log=log(rows, supply))


@dataclass(frozen=True)
class Case:
    """One finding and what it must be."""

    id: str
    verdict: Verdict
    make: Callable[[], dict[str, Finding]]
    reason: str = ""
    says: str = ""

    @property
    def kind(self) -> str:
        return "clock" if self.id == "bench/clock" else self.id.partition("/")[0]


REFUSED = replace(word(1, 0x09, 5000), parts=(bytes((ADDRESS << 1,)),), nack=0)
COMMAND_REFUSED = replace(word(1, 0x09, 5000), parts=(bytes((ADDRESS << 1, 0x09)), bytes((ADDRESS << 1 | 1,))), nack=1)
MEASURED = "time_s,source_set,source_meas\n0,3.700,3.7000\n1,,{}\n50,,3.7000\n"

CASES = [
    Case("framing/bus", PASS, lambda: plain(word(1, 0x09, 5000))),
    Case("framing/bus", FAIL, lambda: plain(REFUSED), says="1 transfers were refused at the device's address"),
    Case("framing/bus", UNTESTED, lambda: plain(), "no_transfer"),
    Case(
        "framing/bus", UNTESTED, lambda: plain(read(1, 0x09, b"\x01\x02", address=0x50)), "no_transfer", "there were 1 to other addresses"
    ),
    Case("framing/voltage", PASS, lambda: plain(word(1, 0x09, 5000))),
    Case(
        "framing/voltage",
        FAIL,
        lambda: plain(word(0, 0x09, 5000), COMMAND_REFUSED),
        says="voltage: the command was not acknowledged, 1 of 2 transfers",
    ),
    Case("framing/voltage", UNTESTED, lambda: plain(word(1, 0x16, 0xA000)), "not_seen"),
    Case("length/voltage", PASS, lambda: plain(word(1, 0x09, 5000))),
    Case("length/voltage", FAIL, lambda: plain(read(1, 0x09, b"\x01")), says="voltage: too few bytes came, 1 of 1 transfers"),
    Case(
        "length/name", FAIL, lambda: plain(read(1, 0x20, b"RIDGE", block=True)), says="name: the length is not the map's, 1 of 1 transfers"
    ),
    Case("length/voltage", UNTESTED, lambda: plain(), "not_seen"),
    Case("pec/voltage", PASS, lambda: plain(word(1, 0x09, 5000, check=True)), says="all 1 PECs of voltage are right"),
    Case(
        "pec/voltage",
        FAIL,
        lambda: plain(word(1, 0x09, 5000, check=True), word(2, 0x09, 5000, check=0x55)),
        says="voltage: 1 of 2 PECs are wrong",
    ),
    Case("pec/voltage", FAIL, lambda: plain(word(1, 0x09, 5000), pec="required"), says="voltage: the PEC is missing in 1 of 1"),
    Case("pec/voltage", UNTESTED, lambda: plain(word(1, 0x09, 5000)), "no_pec"),
    Case("unknown/bus", PASS, lambda: plain(word(1, 0x09, 5000))),
    Case(
        "unknown/bus",
        FAIL,
        lambda: plain(word(1, 0x09, 5000), word(2, 0x77, 1)),
        says="the map does not explain 1 transfers: read of 0x0b command 0x77",
    ),
    Case("unknown/bus", UNTESTED, lambda: plain(), "no_transfer"),
    Case("range/voltage", PASS, lambda: plain(word(1, 0x09, 0), word(2, 0x09, 20000))),
    Case(
        "range/voltage",
        FAIL,
        lambda: plain(word(1, 0x09, 20001)),
        says="voltage left its range 0 .. 20000 mV: 20001 mV was reported, 1 of 1 readings lie outside",
    ),
    Case("range/voltage", UNTESTED, lambda: plain(word(1, 0x09, 0xFFFF)), "no_reading"),
    Case("reserved/flags.spare", PASS, lambda: plain(word(1, 0x16, 0xA000))),
    Case(
        "reserved/flags.spare",
        FAIL,
        lambda: plain(word(1, 0x16, 0xA000), word(2, 0x16, 0xA010)),
        says="flags.spare is reserved and reads 0x0, but read 0x1 in 1 of 2 readings",
    ),
    Case("reserved/flags.spare", UNTESTED, lambda: plain(), "no_reading"),
    Case("constant/flags.model", PASS, lambda: plain(word(1, 0x16, 0xA000), word(2, 0x16, 0xA100))),
    Case(
        "constant/flags.model",
        FAIL,
        lambda: plain(word(1, 0x16, 0xA200)),
        says="flags.model must be 0xa0 or 0xa1, but read 0xa2 in 1 of 1 readings",
    ),
    Case("constant/flags.model", UNTESTED, lambda: plain(), "no_reading"),
    Case("available/voltage", PASS, lambda: applied(RIGHT)),
    Case(
        "available/voltage",
        FAIL,
        lambda: applied([*RIGHT, (46, 0xFFFF)]),
        says="voltage reported 'not available' 1 times while the bench applied a value",
    ),
    Case("available/voltage", UNTESTED, lambda: applied([]), "no_reading"),
    Case(
        "accuracy/voltage",
        PASS,
        lambda: applied([(time, raw + 4) for time, raw in RIGHT]),
        says="voltage is right from 1000 mV to 19000 mV: worst error +4 mV, limit +5 mV, 5 readings",
    ),
    Case("accuracy/voltage", FAIL, lambda: applied([*RIGHT, (46, 19006)])),
    Case("accuracy/voltage", UNDECIDED, lambda: applied([*RIGHT, (46, 19005)]), "uncertainty_covers_limit"),
    Case("accuracy/voltage", UNDECIDED, lambda: applied(RIGHT, uncertainty="6 mV"), "bench_too_uncertain"),
    Case("accuracy/voltage", UNTESTED, lambda: plain(*words(0x09, RIGHT)), "no_bench"),
    Case("accuracy/voltage", UNTESTED, lambda: applied([]), "no_reading"),
    Case("accuracy/voltage", UNTESTED, lambda: applied([(5, 1000)]), "not_moved"),
    Case(
        "accuracy/voltage", UNTESTED, lambda: applied([(0, 1000), (10, 1000)]), "no_admissible_reading", "1 applied not known, 1 settling"
    ),
    Case("coverage/voltage", PASS, lambda: applied(RIGHT), says="voltage was exercised from 1000 to 19000 mV at 5 levels"),
    Case("coverage/voltage", UNTESTED, lambda: applied(RIGHT[:4]), "not_covered"),
    Case("coverage/voltage", UNTESTED, lambda: applied([]), "no_reading"),
    Case("bench/source", PASS, lambda: measured(MEASURED.format("3.6990"))),
    Case("bench/source", FAIL, lambda: measured(MEASURED.format("3.6940"))),
    Case("bench/source", UNTESTED, lambda: measured("time_s,source_set,source_meas\n0,3.700,\n50,3.700,\n51,,3.7\n"), "no_reading"),
    Case("bench/clock", UNTESTED, lambda: applied(RIGHT, clock="estimate", log_text="time_s,source\n0,1.0\n50,end\n"), "too_few_steps"),
]


@pytest.mark.parametrize("case", CASES, ids=[f"{case.id}-{case.verdict}-{number}" for number, case in enumerate(CASES)])
def test_outcome(case: Case) -> None:
    finding = case.make()[case.id]
    assert (finding.verdict, finding.reason) == (case.verdict, case.reason), finding.says
    assert case.says in finding.says
    assert bool(finding.remedy) == (case.verdict in (UNDECIDED, UNTESTED))


def test_every_kind_is_seen_with_every_outcome_that_it_can_have() -> None:
    seen: dict[str, set[Verdict]] = {kind: set() for kind in CAN}
    for case in CASES:
        seen[case.kind].add(case.verdict)
    assert seen == CAN


def test_a_trial_knows_no_other_kind_or_outcome() -> None:
    run = check_trial(load_trial(Path(__file__).parents[2] / "captures" / "ridge-4s-log"))
    for finding in run.findings:
        assert finding.verdict in (CAN | ELSEWHERE)[finding.requirement.kind], finding.id
