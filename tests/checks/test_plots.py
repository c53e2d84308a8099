"""What a report draws: gathered beside the checks, without changing what they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from regcheck.checks.checks import Checks
from regcheck.checks.evidence_messages import chief_spot, spots, wanted_spots
from regcheck.checks.finding import Finding, Requirement, Run, Verdict
from regcheck.checks.plan import Plan
from regcheck.checks.plot_data import FieldPlots, Plots, bus_plots, field_plots
from regcheck.checks.plots import BUDGET, MOST, room
from regcheck.checks.run import check_and_plot, check_trial
from regcheck.checks.trial import load_trial
from regcheck.codec.checksums import pec
from regcheck.device_map.compile import load_map
from regcheck.report.json_run import json_bytes
from regcheck.traffic.batch import Batch
from tests.checks.builders import bench, capture, log, register_map, word

HOME = Path(__file__).parents[2] / "captures"
LEVELS = (1000, 2000, 3000, 4000)
ROWS = "time_s,source\n" + "".join(f"{10 * at},{level}\n" for at, level in enumerate(LEVELS)) + "40,end\n"


@cache
def faulty() -> tuple[Run, Plots]:
    return check_and_plot(load_trial(HOME / "ridge-4s"))


def test_gathering_changes_no_finding() -> None:
    run, _ = faulty()
    plain = check_trial(load_trial(HOME / "ridge-4s"))
    assert json_bytes(replace(run, about={})) == json_bytes(replace(plain, about={}))


def test_every_failing_reading_is_in_a_plot_with_its_extreme() -> None:
    run, plots = faulty()
    failed = [one for one in run.findings if one.requirement.kind == "accuracy" and one.verdict is Verdict.FAIL]
    assert len(failed) == 5
    for finding in failed:
        drawn = plots.fields[finding.requirement.path]
        worst = finding.evidence["worst"]
        over_time = drawn.times[0]
        assert over_time.failing.count.sum() == finding.evidence["failed"]
        assert over_time.reported.count.sum() == finding.evidence["readings"]
        assert drawn.levels is not None
        assert max(abs(drawn.levels.low.min()), abs(drawn.levels.high.max())) >= abs(worst["error"]) * (
            1 - 1e-8
        )  # evidence has nine digits
        at = int(np.searchsorted(over_time.failing.begin_ns, worst["time_s"] * 1e9, side="right")) - 1
        assert over_time.failing.low[at] - 1e-9 <= worst["reported"] <= over_time.failing.high[at] + 1e-9


def test_the_message_that_decided_is_fetched_whole() -> None:
    run, plots = faulty()
    for finding in run.findings:
        spot = chief_spot(finding)
        if finding.verdict is not Verdict.FAIL or finding.requirement.kind != "accuracy":
            continue
        assert spot is not None
        wire = plots.wire[spot]
        assert wire.message is not None
        assert wire.message.name == finding.requirement.message
        assert pec(wire.data[:-1]) == wire.data[-1]
        told = [row.value for row in wire.readings if f"{wire.message.name}.{row.field}".endswith(finding.requirement.path)]
        assert told, finding.id
        assert float(str(told[0])) == pytest.approx(finding.evidence["worst"]["reported"])


def test_a_message_with_a_wrong_pec_is_fetched_too() -> None:
    run, plots = faulty()
    finding = next(one for one in run.findings if one.id == "pec/voltage")
    spot = chief_spot(finding)
    assert spot is not None
    assert pec(plots.wire[spot].data[:-1]) != plots.wire[spot].data[-1]


def test_the_bus_counts_every_message_and_what_was_wrong() -> None:
    run, plots = faulty()
    bus = plots.bus[0]
    by_id = {one.id: one for one in run.findings}
    assert bus.messages.sum() == by_id["framing/bus"].evidence["transfers"]
    assert bus.bad_check.sum() == by_id["pec/voltage"].evidence["bad"]
    assert bus.refused.sum() == 1
    assert bus.unexplained.sum() == 0


def test_holds_are_told_one_by_one() -> None:
    run, _ = faulty()
    finding = next(one for one in run.findings if one.id == "accuracy/cells.cell_voltage[1]")
    table = finding.evidence["hold_table"]
    assert len(table) == finding.evidence["holds"] == 17
    # the bench's wires 0 and 1 of the first row, 0.0000 and 3.7000 V; the map's limit is 8 mV
    assert table[0]["applied"] == 3700.0
    assert (table[0]["limit_low"], table[0]["limit_high"]) == (-8.0, 8.0)
    for row in table:
        assert row["mean"] - row["applied"] == pytest.approx(row["error"], abs=1e-3)
        assert row["margin"] == pytest.approx(8 - abs(row["error"]), abs=1e-4)
    assert sum(row["readings"] for row in table) == finding.evidence["judged"]


def sliced(batch: Batch, first: int, last: int) -> Batch:
    names = ("time", "end", "key", "flags", "length", "place", "split", "nack")
    return replace(
        batch,
        **{name: getattr(batch, name)[first:last] for name in names},
        start=batch.start[first : last + 1] - batch.start[first],
        data=batch.data[batch.start[first] : batch.start[last]],
    )


def flat(plots: dict[str, FieldPlots], checks: Checks) -> list[object]:
    assert checks.plots is not None
    found: list[object] = []
    for path, one in plots.items():
        for over in one.times:
            for part in (over.reported, over.failing, over.undecided, over.error):
                found += [path, part.begin_ns.tolist(), part.width_ns, part.low.tolist(), part.high.tolist(), part.count.tolist()]
            found.append(over.applied.tolist())
        if one.levels is not None:
            found += [one.levels.low.tolist(), one.levels.high.tolist(), one.levels.verdict]
    return [*found, [[one.begin_ns.tolist(), one.messages.tolist(), one.bad_check.tolist()] for one in bus_plots(checks.plots)]]


@pytest.mark.parametrize("cuts", [(0, 120), (0, 1, 2, 119, 120), (0, 40, 80, 120), (*range(0, 121, 7), 120)])
@pytest.mark.parametrize("from_the_right", [False, True])
def test_plots_do_not_depend_on_cuts_or_the_order_of_merging(cuts: Sequence[int], from_the_right: bool) -> None:
    device = register_map("voltage: {command: 0x09, transfer: word, unit: mV, range: 0 .. 5000 mV, accuracy: 5 mV}")
    supply = bench(device, "source: {unit: mV, uncertainty: 1 mV}", "voltage: source", timing="{settle: 500 ms, latency: 100 ms}")
    plan = Plan(device, supply, log(ROWS, supply))
    transfers = [
        word(at / 3 + 0.01, 0x09, LEVELS[min(at // 30, 3)] + at * 7 % 19 - 9, check=0x5A if at % 40 == 9 else True) for at in range(120)
    ]
    source = capture(transfers, 0, 100_000)
    plan.survey([source])
    batch = next(iter(source.batches()))

    def fold(first: int, last: int) -> Checks:
        made = plan.checks(0, plots=True)
        made.update(plan.decoder(0, source).decode(sliced(batch, first, last)))
        return made

    parts = [fold(first, last) for first, last in pairwise(cuts)]
    while len(parts) > 1:
        at = len(parts) - 2 if from_the_right else 0
        parts[at].then(parts.pop(at + 1))
    whole = fold(0, 120)
    assert whole.plots is not None
    assert parts[0].plots is not None
    clocks = [plan.clock_of(0)]
    assert flat(field_plots(parts[0].plots, plan.judges, clocks), parts[0]) == flat(field_plots(whole.plots, plan.judges, clocks), whole)
    drawn = field_plots(whole.plots, plan.judges, clocks)["voltage"]
    assert len(drawn.times[0].failing)
    assert drawn.unit == "mV"


def test_fields_share_a_budget() -> None:
    assert room(load_map(HOME.parent / "maps" / "ridge_4s.yaml"), []) == 512  # 41 of them
    many = "{bytes: 0..1, each: {c: 1..900, step: 2 bytes}, unit: mV, range: 0 .. 5000 mV}"
    wide = register_map("cells: {command: 0xB0, transfer: block, length: 1800, fields: {cell: " + many + "}}")
    assert room(wide, []) * 900 <= BUDGET
    assert room(register_map("one: {command: 0x09, transfer: word, unit: mV, range: 0 .. 5 mV}"), []) == MOST


def test_of_many_messages_those_of_what_failed_come_first() -> None:
    def one(verdict: Verdict, place: int) -> Finding:
        return Finding(Requirement("pec", f"m{place}"), verdict, "", evidence={"first": {"time_s": 1.0, "capture": 0, "place": place}})

    found = wanted_spots([one(Verdict.PASS, place) for place in range(4096)] + [one(Verdict.FAIL, 5000)])
    assert found[0][0] == 5000
    assert len(found[0]) == 4096
    assert list(spots({"worst": {"capture": 1, "place": 2}, "list": [{"first": {"capture": 0, "place": 3}}]})) == [(1, 2), (0, 3)]


def test_a_range_is_shown_by_the_reading_farther_out() -> None:
    at = {"time_s": 1.0, "capture": 0}
    evidence = {"range_low": 0, "range_high": 10, "lowest": {"value": -50, "place": 1, **at}, "highest": {"value": 12, "place": 2, **at}}
    assert chief_spot(Finding(Requirement("range", "x"), Verdict.FAIL, "", evidence=evidence)) == (0, 1)
