"""Frozen fields: a report that stands still while what is applied moves farther than one report could be right for."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest

from regcheck.bench.clock import shared_clock
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.frozen import FrozenCheck
from regcheck.checks.judge import Judge
from regcheck.checks.plan import Plan
from regcheck.codec.plan import ColumnPlan
from regcheck.device_map.model import RegisterMap
from tests.checks.builders import bench, capture, log, register_map, words

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED
REGISTERS = "voltage: {command: 0x09, transfer: word, unit: mV, accuracy: 5 mV}"
LOG = "time_s,source\n0,1.000\n10,{}\n20,{}\n30,end\n"


def judges(*levels: float, uncertainty: str = "1 mV", settle: str = "0 s") -> tuple[RegisterMap, tuple[Judge, ...]]:
    device = register_map(REGISTERS)
    supply = bench(
        device,
        f"source: {{unit: V, uncertainty: {uncertainty}, resolution: included}}",
        "voltage: source",
        timing=f"{{settle: {settle}, latency: 0 s}}",
    )
    plan = Plan(device, supply, log(LOG.format(*levels), supply))
    plan.survey([capture([])])
    return device, tuple(plan.judges)


def judge(readings: Sequence[tuple[float, int]], *levels: float, clock: bool = True, **keys: str) -> Finding:
    device, made = judges(*levels, **keys)
    check = FrozenCheck(made, CaptureClock(shared_clock() if clock else None), 0)
    plan = ColumnPlan(device)
    for batch in capture(words(0x09, readings), batch_size=2).batches():
        check.update(plan.decode(batch))
    (found,) = check.findings(closed=True)
    assert list(check.findings(closed=True)) == [found]
    return found


def test_a_report_that_stands_still_while_the_applied_value_moves_fails() -> None:
    found = judge([(2, 1000), (5, 1000), (15, 1000), (25, 1000)], 1.5, 2.0)
    assert (found.id, found.verdict) == ("frozen/voltage", FAIL)
    assert found.says == "voltage stood still over 4 readings while the applied value moved by 1000 mV"
    assert found.evidence["stillest"]["first"]["time_s"] == 2.0
    assert found.evidence["stillest"]["last"]["time_s"] == 25.0


def test_a_report_that_freezes_midway_fails_by_that_part() -> None:
    found = judge([(2, 1000), (15, 1500), (25, 1500)], 1.5, 2.0)
    assert (found.verdict, found.evidence["stillest"]["applied_moved"]) == (FAIL, 500)


def test_a_report_that_follows_passes_though_it_is_wrong() -> None:
    found = judge([(2, 1100), (15, 1700), (25, 2300)], 1.5, 2.0)
    assert (found.verdict, found.says) == (PASS, "voltage followed the applied value: 2 changes in 3 readings")


@pytest.mark.parametrize(
    ("moved_mv", "verdict"),
    # verdicts, rule 18: 2 (T + 1.645 u) with T 5 mV and u 0.5 mV (U 1 mV, k 2) is 11.645 mV; one report is right for values 10 mV apart
    [(10, UNTESTED), (11, UNDECIDED), (11.6, UNDECIDED), (11.7, FAIL)],
)
def test_rule_18_how_far_a_right_report_could_stand_still(moved_mv: float, verdict: Verdict) -> None:
    assert judge([(2, 1005), (15, 1005)], 1 + moved_mv / 1000, 1 + moved_mv / 1000).verdict is verdict


def test_readings_that_may_still_settle_prove_nothing() -> None:
    readings = [(5, 1000), (12, 1000), (19, 1500), (29, 1500)]
    assert judge(readings, 1.5, 1.5, settle="3 s").verdict is PASS
    assert judge(readings, 1.5, 1.5, settle="1 s").verdict is FAIL


def test_without_a_clock_or_a_reading_nothing_is_said() -> None:
    assert judge([(2, 1000), (15, 1000)], 2, 2, clock=False).reason == "no_reading"
    assert judge([], 2, 2).reason == "no_reading"


OUTCOMES: dict[Verdict, Callable[[], Finding]] = {
    PASS: lambda: judge([(2, 1000), (15, 2000)], 2, 2),
    FAIL: lambda: judge([(2, 1000), (15, 1000)], 2, 2),
    UNDECIDED: lambda: judge([(2, 1000), (15, 1000)], 2, 2, uncertainty="2 V"),
    UNTESTED: lambda: judge([(2, 1000), (15, 1000)], 1, 1),
}


@pytest.mark.parametrize("verdict", OUTCOMES)
def test_every_outcome_is_seen(verdict: Verdict) -> None:
    found = OUTCOMES[verdict]()
    assert found.verdict is verdict, found.says
    assert bool(found.reason and found.remedy) == (verdict in (UNDECIDED, UNTESTED))


def test_every_outcome_has_a_case() -> None:
    assert set(OUTCOMES) == set(Verdict)
