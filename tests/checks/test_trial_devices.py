"""What a trial says is fitted, which bus is which, and which of several devices the bench drives."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from regcheck.checks.finding import Run, Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.errors import SourceError

MAP = """
regcheck: 1
device: {name: two, title: "Two cell boards on two buses (invented)"}
instances: {side: {bus: [left, right]}, board: 1..4}
can: {bitrate: 250 kbit/s}
frames:
  cell: {id: 0x100 + board, length: 2, every: 1 s, fields: {voltage: {bytes: 0..1, unit: mV, range: 0 .. 5000 mV, accuracy: 5 mV}}}
"""
BENCH = """
regcheck_bench: 1
channels: {source: {unit: mV, resolution: included}}
applied:
  TARGET: source
timing: {settle: 0 s, latency: 0 s}
clock: shared
"""
TRIAL = """
regcheck_trial: 1
map: map.yaml
captures: [bus.log.gz]
bench: bench.yaml
stimulus: stimulus.csv
buses: {left: can0}
instances: {side: [left], board: 1..2}
"""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    lines = [
        f"({second}.{board:06d}) can0 10{board}#{(3000 + 100 * (second > 10) + 50 * (board == 2)).to_bytes(2, 'little').hex().upper()}"
        for second in range(1, 20)
        for board in (1, 2)
    ]
    for name, text in (("map.yaml", MAP), ("bench.yaml", BENCH), ("trial.yaml", TRIAL)):
        (tmp_path / name).write_text(text.replace("TARGET", "side[left].board[1].voltage"), encoding="utf-8")
    (tmp_path / "stimulus.csv").write_text("time_s,source\n0,3000\n10.5,3100\n20,end\n", encoding="utf-8")
    (tmp_path / "bus.log.gz").write_bytes(gzip.compress(("\n".join(lines) + "\n").encode(), mtime=0))
    return tmp_path


def verdicts(run: Run) -> dict[str, Verdict]:
    return {finding.id: finding.verdict for finding in run.findings}


def edit(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_the_bench_drives_the_device_that_it_names(home: Path) -> None:
    found = verdicts(check_trial(load_trial(home)))
    assert found["accuracy/side[left].board[1].cell.voltage"] is Verdict.PASS
    assert found["accuracy/side[left].board[2].cell.voltage"] is Verdict.UNTESTED
    edit(home / "bench.yaml", "board[1]", "board[2]")
    assert verdicts(check_trial(load_trial(home)))["accuracy/side[left].board[2].cell.voltage"] is Verdict.FAIL


def test_a_bench_that_names_none_of_several_judges_none(home: Path) -> None:
    edit(home / "bench.yaml", "side[left].board[1].", "")
    findings = [one for one in check_trial(load_trial(home)).findings if one.requirement.kind == "accuracy"]
    assert {one.reason for one in findings} == {"instance_not_said"}
    edit(home / "trial.yaml", "board: 1..2", "board: [1]")
    assert verdicts(check_trial(load_trial(home)))["accuracy/side[left].board[1].cell.voltage"] is Verdict.PASS


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("board: 1..2", "bord: 1..2", "the map has no instances named 'bord' (did you mean 'board'?)"),
        ("board: 1..2", "board: [1, 7]", "the map has no board 7 (it has 1 to 4)"),
        ("side: [left]", "side: [middle]", "the map has no side middle (it has left, right)"),
        ("{left: can0", "{lift: can0", "the map has no bus named 'lift' (it has: left, right)"),
        ("can0", "can9", "`buses` says that left is 'can9', which no capture has (did you mean 'can0'?)"),
    ],
)
def test_what_the_map_or_the_capture_lacks_is_said_with_its_place(home: Path, old: str, new: str, said: str) -> None:
    edit(home / "trial.yaml", old, new)
    with pytest.raises(SourceError) as refused:
        check_trial(load_trial(home))
    (problem,) = refused.value.problems
    assert str(problem).endswith(said)
    assert problem.place.line in (7, 8)


def test_a_trial_names_wires_and_columns(home: Path) -> None:
    edit(home / "trial.yaml", "bench: bench.yaml", "signals: SDA=d,SCL=c\ncolumns: 1,clock,data\nbench: bench.yaml")
    trial = load_trial(home)
    assert (trial.signals, trial.columns) == (("c", "d"), ("1", "clock", "data"))
    edit(home / "trial.yaml", "columns: 1,clock,data", "columns: clock,data")
    with pytest.raises(SourceError, match=r"trial.yaml:6:10: 'clock,data' does not name three columns; write TIME,SCL,SDA"):
        load_trial(home)
