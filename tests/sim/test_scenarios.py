"""The protected board's scenarios: a right firmware passes, a faulty one fails in what is wrong and in nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.errors import SourceError, UsageError
from regcheck.sim.board import Board
from regcheck.sim.faults import BrokenWire, LateReport
from regcheck.sim.recipe import Recipe, load_recipe, make_trial
from regcheck.sim.stimuli import Row, Stimuli

CAPTURES = Path(__file__).parents[2] / "captures"
SECOND = 1_000_000_000

SCENARIOS: dict[str, set[str]] = {
    "cairn-cells-good": set(),
    "cairn-cells": {"alarm/cell-over-voltage", "alarm/cell-under-voltage"},
    "cairn-currents-good": set(),
    "cairn-currents": {"alarm/charge-over-current", "alarm/discharge-over-current"},
    "cairn-probe-good": set(),
    "cairn-probe": {"available/thermistor"},
    "cairn-lost-wire": {"accuracy/cells.cell_voltage[2]", "accuracy/cells.cell_voltage[3]"},
    "cairn-reversal": {"accuracy/current"},
}
"""Each trial with the requirements that its faults break."""


@cache
def found_in(trial: str) -> Mapping[str, Finding]:
    return {finding.id: finding for finding in check_trial(load_trial(CAPTURES / trial)).findings}


@pytest.fixture(scope="module")
def cairn() -> Recipe:
    return load_recipe(CAPTURES / "recipes" / "cairn_4s.yaml")


@pytest.mark.parametrize("trial", SCENARIOS)
def test_only_what_is_wrong_fails(trial: str) -> None:
    found = found_in(trial)
    assert {id for id, finding in found.items() if finding.verdict is Verdict.FAIL} == SCENARIOS[trial]
    assert not [id for id, finding in found.items() if finding.verdict is Verdict.UNDECIDED]


@pytest.mark.parametrize(
    ("trial", "exercised"),
    [
        ("cairn-cells-good", {"alarm/cell-over-voltage", "alarm/cell-under-voltage"}),
        ("cairn-currents-good", {"alarm/charge-over-current", "alarm/discharge-over-current", "accuracy/current"}),
        ("cairn-probe-good", {"available/thermistor", "rule/an-open-probe-is-told", "rule/a-shorted-probe-is-told"}),
        ("cairn-lost-wire", {"rule/pack-voltage-is-the-sum-of-the-cells", "accuracy/voltage", "accuracy/cells.cell_voltage[1]"}),
        ("cairn-reversal", {"range/current", "rule/pack-voltage-is-the-sum-of-the-cells"}),
    ],
)
def test_what_a_scenario_is_for_passes(trial: str, exercised: set[str]) -> None:
    assert {id for id in exercised if found_in(trial)[id].verdict is not Verdict.PASS} == set()


def crossing(trial: str, alarm: str) -> dict[str, Any]:
    (one,) = found_in(trial)[f"alarm/{alarm}"].evidence["crossings"]
    return dict(one)


def clearing(trial: str, alarm: str) -> dict[str, Any]:
    (one,) = found_in(trial)[f"alarm/{alarm}"].evidence["clearings"]
    return dict(one)


# the times of the schedules' steps; a reaction is told to within a poll of 200 ms, jitter, and a conversion of 100 ms
@pytest.mark.parametrize(
    ("trial", "alarm", "applied_s", "delay_s", "limit_s"),
    [
        ("cairn-cells-good", "cell-over-voltage", 6.3 + 5.1, 1.4, [1.0, 3.0]),
        ("cairn-cells-good", "cell-under-voltage", 38.2 + 5.2, 1.4, [1.0, 3.0]),
        ("cairn-cells", "cell-over-voltage", 6.3 + 5.1, 1.4 + 2.5, [1.0, 3.0]),
        ("cairn-currents-good", "charge-over-current", 5.3 + 4.1 + 5.2, 0.4, [0.0, 1.5]),
        ("cairn-currents-good", "discharge-over-current", 46.7, 0.4, [0.0, 1.5]),
    ],
)
def test_each_crossing_is_a_case(trial: str, alarm: str, applied_s: float, delay_s: float, limit_s: list[float]) -> None:
    one = crossing(trial, alarm)
    assert one["met_s"] == pytest.approx([applied_s, applied_s], abs=1e-9)
    least, most = one["delay_s"]
    assert delay_s - 0.25 <= least <= delay_s + 0.15
    assert delay_s <= most <= delay_s + 0.4
    assert one["limit_s"] == limit_s
    assert one["first_set_s"] == pytest.approx(applied_s + most)
    assert one["verdict"] == ("fail" if trial == "cairn-cells" else "pass")


def test_each_clearing_is_a_case() -> None:
    for trial, alarm, applied_s, late_s in (
        ("cairn-cells-good", "cell-over-voltage", 6.3 + 5.1 + 8.4 + 5.7, 0.0),
        ("cairn-cells", "cell-over-voltage", 6.3 + 5.1 + 8.4 + 5.7, 2.5),
        ("cairn-currents-good", "charge-over-current", 25.7, 0.0),
    ):
        one = clearing(trial, alarm)
        assert one["met_s"] == pytest.approx([applied_s, applied_s], abs=1e-9)
        least, most = one["delay_s"]
        assert late_s - 0.2 <= least <= late_s + 0.15
        assert late_s <= most <= late_s + 0.4
        assert one["first_clear_s"] == pytest.approx(applied_s + most)


def test_an_alarm_that_never_comes_or_never_goes_says_so() -> None:
    deaf = crossing("cairn-currents", "charge-over-current")
    assert (deaf["verdict"], deaf["first_set_s"]) == ("fail", None)
    stuck = clearing("cairn-currents", "discharge-over-current")
    assert stuck["first_clear_s"] is None
    assert stuck["delay_s"][1] is None
    assert stuck["limit_s"] == 1.5


def test_a_lost_wire_moves_its_neighbours_apart_and_keeps_their_sum() -> None:
    lower, upper = (found_in("cairn-lost-wire")[f"accuracy/cells.cell_voltage[{number}]"].evidence["worst"]["error"] for number in (2, 3))
    assert lower == pytest.approx(120, abs=8)
    assert upper == pytest.approx(-120, abs=8)
    assert abs(lower + upper) < 2 * 8


def test_a_reversed_shunt_reports_twice_the_current_off() -> None:
    worst = found_in("cairn-reversal")["accuracy/current"].evidence["worst"]
    assert worst["error"] == pytest.approx(-2 * worst["applied"], rel=0.01)


def test_the_shipped_files_come_out_of_the_recipe(cairn: Recipe) -> None:
    assert set(cairn.trials) == set(SCENARIOS)
    for name in cairn.trials:
        for file, data in make_trial(cairn, name).items():
            assert (CAPTURES / name / file).read_bytes() == data, f"{name}/{file}"
            assert len(data) < 200_000


# the new faults by themselves


def test_a_broken_wire_floats_from_its_time_on() -> None:
    stimuli = Stimuli.of([Row(0, {"wire_1": "3.5", "wire_2": "7.0"}), Row(4 * SECOND, {"wire_2": "7.2"})], 9 * SECOND)
    column = BrokenWire("wire_2", -0.25, 3 * SECOND).reaches(stimuli).columns["wire_2"]
    times = np.array([0, 2_999_999_999, 3 * SECOND, 4 * SECOND, 8 * SECOND])
    assert column.at(times).tolist() == pytest.approx([7.0, 7.0, 6.75, 6.95, 6.95])
    assert stimuli.columns["wire_2"].at(times).tolist() == [7.0, 7.0, 7.0, 7.2, 7.2]


def test_a_late_report_is_the_value_of_then() -> None:
    fault = LateReport("state", 2 * SECOND)
    assert [fault.reports("state", time, lambda _, at: at) for time in (SECOND, 5 * SECOND)] == [0, 3 * SECOND]


def test_a_broken_wire_must_be_one_that_the_bench_has(cairn: Recipe) -> None:
    with pytest.raises(UsageError, match="a fault of kind BrokenWire names 'wire_9', which this board does not have"):
        Board(cairn.register_map, cairn.design, cairn.stimuli, seed=1, faults=(BrokenWire("wire_9", 0.1),))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("schedule: wires,", "schedule: wire,", "names the schedule 'wire', which the recipe lacks"),
        ("schedules:  ", "note: none\nother:  ", "other"),
    ],
)
def test_a_wrong_schedule_is_refused_in_words(tmp_path: Path, old: str, new: str, words: str) -> None:
    text = (CAPTURES / "recipes" / "cairn_4s.yaml").read_text(encoding="utf-8")
    assert old in text
    (tmp_path / "cairn_bench.yaml").write_text((CAPTURES / "recipes" / "cairn_bench.yaml").read_text(encoding="utf-8"), encoding="utf-8")
    path = tmp_path / "recipe.yaml"
    path.write_text(text.replace(old, new).replace("../../maps", str(CAPTURES.parent / "maps")), encoding="utf-8")
    with pytest.raises(SourceError, match=words):
        load_recipe(path)
