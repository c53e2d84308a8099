"""The test that matters: a faultless board that is led through a plan leaves nothing untested but what the plan said, and faults show."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import pytest

from regcheck.bench.bench_file import load_bench
from regcheck.checks.finding import Finding, Verdict
from regcheck.planning.schedule import StimulusPlan, make_plan
from regcheck.sim import faults
from regcheck.sim.faults import Fault
from regcheck.sim.recipe import Recipe

Led = Callable[..., Mapping[str, Finding]]
LedWith = Callable[[Recipe, StimulusPlan], Mapping[str, Finding]]
SECOND = 1_000_000_000

NOT_READ = ("optional_function_", "alarm_to_")
"""Registers that the host never reads, and what the board has no reason to send."""


def with_verdict(found: Mapping[str, Finding], verdict: Verdict) -> set[str]:
    return {id for id, finding in found.items() if finding.verdict is verdict}


def test_a_faultless_pack_leaves_nothing_reachable_untested(led_ridge: Led, ridge_plan: StimulusPlan) -> None:
    found = led_ridge()
    assert with_verdict(found, Verdict.FAIL) == set()
    assert with_verdict(found, Verdict.UNDECIDED) == {one.id for one in ridge_plan.foreseen.undecided} == set()
    untested = {id for id in with_verdict(found, Verdict.UNTESTED) if not id.partition("/")[2].startswith(NOT_READ)}
    assert untested == {one.id for one in ridge_plan.foreseen.unreached} == {"accuracy/relative_charge", "accuracy/absolute_charge"}
    crossed = found["alarm/cell-over-voltage"].evidence["crossings"]
    assert {one["level"] for one in crossed} == {"warning", "fault"}
    assert {one["verdict"] for one in crossed} == {"pass"}


FOUND: list[tuple[Fault, set[str]]] = [
    (
        faults.Swapped("cells.cell_voltage[1]", "cells.cell_voltage[4]"),
        {"accuracy/cells.cell_voltage[1]", "accuracy/cells.cell_voltage[4]"},
    ),
    (  # at the ends of its range, where the plan goes, a gain carries it beyond
        faults.WrongGain("current", 1.01),
        {"accuracy/current", "accuracy/average_current", "range/current", "range/average_current"},
    ),
    (faults.Stuck("protection.cell_level", 100 * SECOND), {"alarm/cell-over-voltage"}),  # never set
    (faults.PlausibleOpen("thermistor_2", 2047, 4070), {"available/thermistor_2"}),
]


@pytest.mark.parametrize(("fault", "broken"), FOUND, ids=[type(fault).__name__ for fault, _ in FOUND])
def test_a_faulty_pack_fails_in_what_is_wrong_and_nothing_else(led_ridge: Led, fault: Fault, broken: set[str]) -> None:
    assert with_verdict(led_ridge(fault), Verdict.FAIL) == broken


def test_the_steps_are_gentle_and_end_where_they_began(ridge_plan: StimulusPlan) -> None:
    first, last = ridge_plan.steps[0], ridge_plan.steps[-1]
    assert first.values == last.values
    assert not first.words
    assert not last.words
    spans = {
        name: (min(step.values[name] for step in ridge_plan.steps), max(step.values[name] for step in ridge_plan.steps))
        for name in first.values
    }
    for before, after in pairwise(ridge_plan.steps):
        for name, (low, high) in spans.items():
            jump = abs(after.values[name] - before.values[name])
            assert jump <= 0.56 * (high - low), after.what  # never much more than from an end to the middle
    phases = [step.phase for step in ridge_plan.steps]
    assert phases == sorted(phases, key=["sweep", "beyond", "alarm", "sensor"].index)
    assert all(not step.words for step in ridge_plan.steps if step.phase != "sensor")


def test_no_two_cells_ever_stand_alike(ridge_plan: StimulusPlan) -> None:
    for step in ridge_plan.steps:
        cells = sorted(value for name, value in step.values.items() if name.startswith("wire"))
        assert min(b - a for a, b in pairwise(cells)) > 2 * 8  # their limit is 8 mV


def test_the_steps_let_a_clock_be_estimated(ridge_recipe: Recipe, led_with: LedWith, tmp_path: Path) -> None:
    text = ridge_recipe.bench_text.replace("clock: shared", "clock: estimate")
    bench = tmp_path / "bench.yaml"
    bench.write_text(text, encoding="utf-8")
    plan = make_plan(ridge_recipe.register_map, load_bench(bench, ridge_recipe.register_map), None, 2 * SECOND)
    found = led_with(replace(ridge_recipe, bench_text=text), plan)
    assert "bench/clock" not in found  # else it was refused
    assert with_verdict(found, Verdict.FAIL) == set()
    # what is passed by the clock of the device's own answers is no reaction, as the plan says; nor is what moves within its doubt
    assert {one.id for one in plan.foreseen.undecided} == {"alarm/cell-over-voltage"}
    assert with_verdict(found, Verdict.UNDECIDED) - {"accuracy/average_current"} == {"alarm/cell-over-voltage"}


def test_a_protected_board_is_led_over_every_alarm_and_its_probe(cairn_recipe: Recipe, led_with: LedWith) -> None:
    bench = load_bench(cairn_recipe.file.parent / "cairn_bench.yaml", cairn_recipe.register_map)
    plan = make_plan(cairn_recipe.register_map, bench, None, SECOND // 2)
    found = led_with(cairn_recipe, plan)
    for verdict in (Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED):
        assert with_verdict(found, verdict) == set()
    assert plan.foreseen.unreached == plan.foreseen.undecided == ()
    for alarm in ("cell-over-voltage", "cell-under-voltage", "charge-over-current", "discharge-over-current"):
        evidence = found[f"alarm/{alarm}"].evidence
        assert len(evidence["crossings"]) == len(evidence["clearings"]) >= 2  # the range's end, and the threshold


def test_the_rack_is_foreseen_whole(rack_plan: StimulusPlan) -> None:
    assert rack_plan.foreseen.unreached == ()
    assert rack_plan.foreseen.undecided == ()


def test_a_faultless_rack_fails_in_nothing_over_the_first_steps(led_rack: Led, rack_plan: StimulusPlan) -> None:
    found = led_rack(until=SHORT)
    assert with_verdict(found, Verdict.FAIL) == set()
    assert with_verdict(found, Verdict.UNDECIDED) == set()
    # these steps tell every cell from every other, and cover the ranges of current and insulation nearly whole
    assert not [id for id in with_verdict(found, Verdict.UNTESTED) if id.startswith("accuracy/")]


def test_shifted_cells_of_the_rack_show_in_the_first_steps(led_rack: Led) -> None:
    found = led_rack(faults.Shifted("rack_cells.cell_voltage", 41, 44, 1), until=SHORT)
    accuracies = {id for id in with_verdict(found, Verdict.FAIL) if id.startswith("accuracy/")}
    assert accuracies == {f"accuracy/rack[3].rack_cells.cell_voltage[{number}]" for number in range(41, 45)}


SHORT = 5
"""Steps of the rack's plan that are simulated in the usual run: its board makes a thousand frames a second at best."""


@pytest.mark.skipif("REGCHECK_LONG" not in os.environ, reason="a minute of simulated frames: set REGCHECK_LONG to run it")
def test_a_faultless_rack_leaves_nothing_untested(led_rack: Led, rack_plan: StimulusPlan) -> None:
    found = led_rack()
    assert with_verdict(found, Verdict.FAIL) == set()
    assert with_verdict(found, Verdict.UNDECIDED) == set()
    assert with_verdict(found, Verdict.UNTESTED) == {one.id for one in rack_plan.foreseen.unreached} == set()
