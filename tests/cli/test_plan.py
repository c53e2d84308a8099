"""`regcheck plan` as typed: what it prints, what it writes, and what it refuses."""

from __future__ import annotations

from pathlib import Path

import pytest

HOME = Path(__file__).parents[2]
RIDGE, BENCH = HOME / "maps" / "ridge_4s.yaml", HOME / "captures" / "recipes" / "ridge_bench.yaml"
RACK, RACK_BENCH = HOME / "maps" / "scarp_96.yaml", HOME / "captures" / "recipes" / "scarp_bench.yaml"


def test_it_prints_steps_and_what_it_cannot_reach_and_writes_the_log(cli, tmp_path: Path) -> None:
    log = tmp_path / "stimulus.csv"
    code, out, err = cli("plan", RIDGE, "--bench", BENCH, "-o", log, "--poll", "2 s")
    assert (code, err) == (0, "")
    assert max(map(len, out.splitlines())) < 80
    for said in (
        "Ridge 4s smart pack (invented): 33 steps,",
        "for accuracy, coverage of cell_voltage[1..4], voltage",
        "read protection every 1000 ms or faster",
        "accuracy/relative_charge, because the bench applies nothing to",
        "smart_battery.yaml:81:94",
        "Look through the steps before a board sees them",
    ):
        assert said in out
    rows = log.read_text(encoding="utf-8").splitlines()
    assert rows[0] == "time_s,wire_0,wire_1,wire_2,wire_3,wire_4,ntc_1,ntc_2,shunt"
    assert rows[-1].split(",")[1] == "end"
    assert len(rows) == 33 + 2


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([RIDGE], "expected --bench FILE, which says what can be applied"),
        ([RIDGE, "--bench", "none.yaml"], "there is no 'none.yaml'"),
        ([BENCH, "--bench", BENCH], "this is a bench file, expected a map"),
        ([RIDGE, "--bench", RIDGE], "this is a map, expected a bench file"),
        ([RIDGE, "--bench", BENCH, "--poll", "fast"], "--poll: 'fast' was found"),
        ([RIDGE, "--bench", BENCH, "--poll", "0 s"], "--poll: 0 s was found"),
        ([RIDGE, "--bench", BENCH, "-o", BENCH], "is read by this command, and would be overwritten"),
        ([RIDGE, "--bench", BENCH, "--instances", "rack=3"], "--instances: the map has no instances named 'rack'"),
        ([RACK, "--bench", RACK_BENCH, "--instances", "rack=9"], "the map has no rack 9"),
        ([RACK, "--bench", RACK_BENCH, "--instances", "3"], "expected a name and what is fitted, such as rack=3"),
    ],
)
def test_what_it_refuses(cli, arguments: list[object], said: str) -> None:
    code, out, err = cli("plan", *arguments)
    assert (code, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_a_bench_for_one_of_several_devices_is_told_to_say_which(cli) -> None:
    code, out, err = cli("plan", RACK, "--bench", RACK_BENCH)
    assert (code, err) == (0, "")
    said = " ".join(out.split())
    assert "alarm/low-insulation, because the bench does not say which of several devices it drives; say which one is fitted" in said
    assert "accuracy/rack_cells.cell_voltage" in said
