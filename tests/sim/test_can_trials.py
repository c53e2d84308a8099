"""The rack's trials: a checker that finds the faults, with the numbers that show them, and blames nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.sim import faults
from regcheck.sim.faults import Fault
from regcheck.sim.frame_faults import BadCheck, Omitted, Span
from regcheck.sim.recipe import Recipe, write_trials
from regcheck.sim.stimuli import Stimuli

SECOND = 1_000_000_000

BROKEN = {
    "accuracy/rack[3].rack_cells.cell_voltage[41]",  # the page of cells 41 to 44 begins a cell too high
    "accuracy/rack[3].rack_cells.cell_voltage[42]",
    "accuracy/rack[3].rack_cells.cell_voltage[43]",
    "accuracy/rack[3].rack_cells.cell_voltage[44]",
    "accuracy/rack[3].rack_supervision.insulation",  # taken little-endian
    "range/rack[3].rack_supervision.insulation",
    "counter/rack[3].rack_alarms.alive",  # stuck from 60 s on
    "cadence/rack[3].rack_state",  # one frame 350 ms late
    "available/rack[3].rack_state.current",  # not available until 9 s
}


def findings_of(home: Path) -> Mapping[str, Finding]:
    return {finding.id: finding for finding in check_trial(load_trial(home)).findings}


def failed(found: Mapping[str, Finding]) -> set[str]:
    return {id for id, finding in found.items() if finding.verdict is Verdict.FAIL}


@pytest.fixture(scope="module")
def faulty(captures: Path) -> Mapping[str, Finding]:
    return findings_of(captures / "scarp-96")


@pytest.fixture(scope="module")
def good(captures: Path) -> Mapping[str, Finding]:
    return findings_of(captures / "scarp-96-good")


def test_the_faults_are_found_and_nothing_else_is_blamed(faulty: Mapping[str, Finding]) -> None:
    assert failed(faulty) == BROKEN
    assert not [id for id, finding in faulty.items() if finding.verdict is Verdict.UNDECIDED]


def test_the_faultless_rack_passes_all_that_the_bench_reaches(good: Mapping[str, Finding]) -> None:
    passed = {id for id, finding in good.items() if finding.verdict is Verdict.PASS}
    rules = {id for id in good if id.startswith(("rule/", "alarm/"))}
    assert set(good) - passed - rules == set()
    driven = {f"rack_cells.cell_voltage[{number}]" for number in range(1, 97)}
    driven |= {f"rack_cells.temperature[{number}]" for number in range(1, 31)}
    driven |= {"rack_state.voltage", "rack_state.current", "rack_supervision.insulation"}
    for kind in ("accuracy", "coverage", "available"):
        assert {id for id in good if id.startswith(f"{kind}/")} == {f"{kind}/rack[3].{path}" for path in driven}


def test_the_numbers_show_the_shifted_page(faulty: Mapping[str, Finding], rack_recipe: Recipe) -> None:
    # the greatest step from a cell to the next in the schedule, for each of the four
    for number in range(41, 45):
        steps = []
        for row in rack_recipe.stimuli.rows:
            low, middle, high = (float(row.cells[f"wire_{wire}"]) for wire in (number - 1, number, number + 1))
            steps.append(abs((high - middle) - (middle - low)) * 1000)
        strip = faulty[f"accuracy/rack[3].rack_cells.cell_voltage[{number}]"].strip
        assert strip is not None
        assert abs(abs(strip.worst) - max(steps)) <= 4  # two errors of cells


def test_the_numbers_show_the_other_faults(faulty: Mapping[str, Finding]) -> None:
    assert "stood still for 388 messages" in faulty["counter/rack[3].rack_alarms.alive"].says  # 97 s at four a second
    late = faulty["cadence/rack[3].rack_state"].evidence
    assert late["late"]["count"] == 1
    assert abs(late["longest"]["seconds"] - 0.45) <= 0.003  # a period and 350 ms, jitter of 2 ms
    assert abs(late["longest"]["time_s"] - 1_780_000_100.35) <= 0.01
    (missing,) = faulty["available/rack[3].rack_state.current"].evidence["wrong"]
    assert (missing["reported"], missing["count"]) == ("not available", 60)  # from 3 s, when the warm-up is over, to 9 s at ten a second
    strip = faulty["accuracy/rack[3].rack_supervision.insulation"].strip
    assert strip is not None
    # 480 kohm, read 488 (0x1E8), goes as 0xE801: 59393
    assert abs(strip.worst - (0xE801 - 480)) <= 2 * 256


FOUND: list[tuple[Fault, set[str]]] = [
    (Omitted("rack_state", Span(15 * SECOND, 1)), {"counter/rack[3].rack_state.counter", "cadence/rack[3].rack_state"}),
    (BadCheck("rack_cells", Span(15 * SECOND, 3)), {"crc/rack[3].rack_cells"}),
    (BadCheck("rack_state", Span(15 * SECOND, 1)), {"crc/rack[3].rack_state"}),
    (faults.WrongGain("rack_state.current", 1.02), {"accuracy/rack[3].rack_state.current"}),
    (faults.SignFlipped("rack_state.current"), {"accuracy/rack[3].rack_state.current"}),
    (
        faults.Swapped("rack_cells.temperature[3]", "rack_cells.temperature[4]"),
        {"accuracy/rack[3].rack_cells.temperature[3]", "accuracy/rack[3].rack_cells.temperature[4]"},
    ),
    (faults.BytesSwapped("rack_state", 2), {"accuracy/rack[3].rack_state.voltage", "range/rack[3].rack_state.voltage"}),
    (
        faults.Stuck("rack_cells.cell_voltage[90]", 10 * SECOND),
        {
            "accuracy/rack[3].rack_cells.cell_voltage[90]",
            "frozen/rack[3].rack_cells.cell_voltage[90]",
            "rule/rack[3].the-highest-cell",
            "rule/rack[3].the-sum-of-the-cells",
        },
    ),
    (faults.SlowStart("rack_cells.temperature[7]", 9 * SECOND), {"available/rack[3].rack_cells.temperature[7]"}),
]
"""Faults that the shipped rack does not have, each with the requirements that it breaks."""


@pytest.mark.parametrize(("fault", "broken"), FOUND, ids=[f"{type(fault).__name__}-{number}" for number, (fault, _) in enumerate(FOUND)])
def test_the_checker_finds_each_other_fault(rack_recipe: Recipe, tmp_path: Path, fault: Fault, broken: set[str]) -> None:
    short = Stimuli.of(rack_recipe.stimuli.rows[:2], 25 * SECOND)
    map_file = str((rack_recipe.file.parent / rack_recipe.map_text).resolve())
    plan = rack_recipe.trials["scarp-96"].model_copy(update={"faults": "one"})
    (home,) = write_trials(replace(rack_recipe, map_text=map_file, stimuli=short, faults={"one": (fault,)}, trials={"one": plan}), tmp_path)
    assert failed(findings_of(home)) == broken
