"""What a plan cannot do is said with its place: thresholds out of reach, sources that end, a poor bench, latches, odd devices."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from regcheck.bench.bench_file import load_bench
from regcheck.bench.stimulus import load_stimulus
from regcheck.device_map.compile import load_map
from regcheck.errors import SourceError
from regcheck.planning.schedule import StimulusPlan, make_plan

SECOND = 1_000_000_000

MAP = """\
regcheck: 1
device: {name: fell-1, title: "Fell 1 (invented)"}
smbus: {address: 0x0B}
registers:
  current: {command: 0x0A, transfer: word, type: signed, positive: charge, unit: mA, range: -4000 .. 4000 mA, accuracy: 40 mA}
  probe:
    command: 0x0B
    transfer: word
    type: signed
    unit: degC
    scale: 0.1
    range: -20 .. 60 degC
    accuracy: [{when: applied > 55 degC, is: 3 K}, {is: 1 K}]
    filter: 2 s
  alarm: {command: 0x20, transfer: byte, poll: 4 s, names: {0: ok, 1: high}}
  clear_alarm: {command: 0x21, transfer: send byte, access: [write]}
rules:
  over-current:
    alarm: alarm
    levels: [{state: high, set: current > 3 A, clear: current < 2.5 A, react_within: 8 s}]
"""

BENCH = """\
regcheck_bench: 1
channels:
  shunt: {unit: mV, positive: charge, uncertainty: 0.01 mV}
  box: {unit: ohm, uncertainty: 0.1 % of reading}
applied:
  current: shunt / 10 mohm
  probe: ntc(box, r25 = 10 kohm, beta = 3435 K)
timing: {settle: 1 s, latency: 500 ms}
clock: shared
"""

Make = Callable[..., StimulusPlan]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    def made(changes: dict[str, str] | None = None, bench: dict[str, str] | None = None) -> StimulusPlan:
        texts = {"map.yaml": (MAP, changes or {}), "bench.yaml": (BENCH, bench or {})}
        for name, (text, swaps) in texts.items():
            for old, new in swaps.items():
                assert old in text
                text = text.replace(old, new)
            (tmp_path / name).write_text(text, encoding="utf-8")
        register_map = load_map(tmp_path / "map.yaml")
        return make_plan(register_map, load_bench(tmp_path / "bench.yaml", register_map), None, SECOND)

    return made


def values(plan: StimulusPlan, channel: str) -> list[float]:
    return [step.values[channel] for step in plan.steps]


def test_the_plan_reads_back_as_a_log(make: Make, tmp_path: Path) -> None:
    plan = make()
    path = tmp_path / "log.csv"
    path.write_text(plan.csv(), encoding="utf-8")
    log = load_stimulus(path, plan.bench.columns(), plan.bench.words())
    assert log.end_ns == plan.end_ns
    assert plan.foreseen.unreached == plan.foreseen.undecided == ()


def test_both_signs_zero_and_every_case_are_reached(make: Make) -> None:
    current, probe = (values(make(), channel) for channel in ("shunt", "box"))
    assert min(current) < -3600
    assert max(current) > 3600
    assert 0.0 in current
    assert any(one > 55 for one in probe)
    assert min(probe) < -12  # within 10 % of the range's low end


def test_a_threshold_is_crossed_outside_its_guard_bands(make: Make) -> None:
    steps = [step for step in make().steps if step.phase == "alarm"]
    before, over, between, _ = (step.values["shunt"] for step in steps)
    # 40 mA of tolerance and 1.645 times u, half of 0.01 mV on 10 mohm: 0.82 mA (verdicts, rule 19)
    assert before < 3000 - 40.8
    assert over > 3000 + 40.8
    assert 2500 + 40.8 < between < before
    assert steps[1].hold_ns >= 8 * SECOND + 3 * 4 * SECOND  # reaction, and three readings of a message that comes every 4 s


def test_a_filtered_field_is_held_for_its_filter_at_the_ends(make: Make) -> None:
    plan = make()
    low, high = min(values(plan, "box")), max(values(plan, "box"))
    stood: dict[float, int] = {}
    for step in plan.steps:
        if step.values["box"] in (low, high):
            stood[step.values["box"]] = stood.get(step.values["box"], 0) + step.hold_ns
    assert min(stood[low], stood[high]) >= 5 * 2 * SECOND  # e^-5 of a step is left then


def test_a_threshold_beyond_the_range_is_out_of_reach(make: Make) -> None:
    (one,) = make({"current > 3 A": "current > 5 A"}).foreseen.unreached
    assert one.id == "alarm/over-current"
    assert "level 'high' (current > 5 A) needs more than the plan may apply: current goes from -3955.1 to 3955.1 mA" in one.says
    assert one.place.partition("map.yaml:")[2].startswith("20:")


def test_a_source_that_ends_is_respected_and_said(make: Make) -> None:
    plan = make(bench={"{unit: mV, positive: charge": "{unit: mV, range: -20 .. 20 mV, positive: charge"})
    assert max(map(abs, values(plan, "shunt"))) <= 2000  # 20 mV on 10 mohm
    ids = {one.id: one for one in plan.foreseen.unreached}
    assert set(ids) == {"coverage/current", "alarm/over-current"}
    assert "missing its low end" in ids["coverage/current"].says


def test_a_poor_bench_is_said_beforehand(make: Make) -> None:
    (one,) = make(bench={"uncertainty: 0.01 mV": "uncertainty: 0.5 mV"}).foreseen.undecided
    assert one.id == "accuracy/current"
    assert "needs u of at most 20.41 mA" in one.remedy  # 40 mA / 1.96 (verdicts, rule 4)
    (note,) = [one for one in make(bench={"uncertainty: 0.01 mV": "uncertainty: 0.2 mV"}).notes if "times the bench's U" in one]
    assert note.startswith("current: its limit is 1.9 times")  # 40 mA over 20 mA, and what the log prints


def test_slow_messages_and_latches_are_said(make: Make) -> None:
    assert any("alarm comes every 4000 ms, slower than a quarter" in one for one in make().polling)
    plan = make({"clear: current < 2.5 A, react_within: 8 s": "react_within: 8 s, latched_until: clear_alarm"})
    assert any("stays until clear_alarm: send it by hand" in one for one in plan.notes)
    assert not plan.foreseen.unreached


def test_a_condition_on_what_is_not_applied_is_out_of_reach(make: Make) -> None:
    plan = make(bench={"  current: shunt / 10 mohm\n": ""})
    ids = {one.id: one for one in plan.foreseen.unreached}
    assert set(ids) == {"accuracy/current", "alarm/over-current"}
    assert "hangs on current, which the bench does not apply" in ids["alarm/over-current"].says
    assert any(note.startswith("shunt stay as they begin") for note in plan.notes)


def test_a_bench_that_applies_nothing_is_one_error(make: Make) -> None:
    with pytest.raises(SourceError, match="applies nothing, so there is nothing to plan"):
        make(bench={"applied:\n  current: shunt / 10 mohm\n  probe: ntc(box, r25 = 10 kohm, beta = 3435 K)\n": "applied: {}\n"})


def test_a_field_without_a_range_and_an_endless_source_are_refused_together(make: Make) -> None:
    plan = make({"range: -4000 .. 4000 mA, ": ""})
    ids = {one.id: one for one in plan.foreseen.unreached}
    assert "has no range, so nothing says how far it may go" in ids["accuracy/current"].says
