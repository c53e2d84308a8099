"""What a comparison of runs says, and what it leaves unsaid."""

from __future__ import annotations

import json
import random
import statistics
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from regcheck.checks.finding import Finding, Verdict
from regcheck.errors import UsageError
from regcheck.report.compare_json import comparison_as_json
from regcheck.report.compare_lines import compare_lines, requirement_lines
from regcheck.report.comparison import Comparison, compare, sides_of
from regcheck.report.history import History
from tests.report.runs import accuracy, plain, saved

PASS, FAIL, UNDECIDED, UNTESTED = Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED, Verdict.UNTESTED


def compared(
    folder: Path, *runs: Sequence[Finding], tag: str | None = None, tested: Sequence[dict[str, str]] = (), **more: str
) -> Comparison:
    said = tested or [{}] * len(runs)
    paths = [
        saved(folder / f"{at:03}.json", found, tested=said[at], when=f"2026-01-01T00:{at // 60:02}:{at % 60:02}Z", **more)
        for at, found in enumerate(runs)
    ]
    history = History()
    history.add(paths)
    return compare(history, sides_of(history.runs(paths), tag))


@pytest.mark.parametrize(
    ("before", "after", "turn"),
    [
        (PASS, FAIL, "worse"),
        (PASS, UNDECIDED, "worse"),
        (PASS, UNTESTED, "worse"),
        (UNDECIDED, FAIL, "worse"),
        (UNTESTED, FAIL, "worse"),
        (FAIL, PASS, "better"),
        (FAIL, UNDECIDED, "better"),
        (UNTESTED, PASS, "better"),
        (UNDECIDED, UNTESTED, "other"),
        (None, FAIL, "worse"),
        (None, PASS, "better"),
        (None, UNTESTED, "other"),
        (PASS, None, "worse"),
        (FAIL, None, "better"),
    ],
)
def test_turns(tmp_path: Path, before: Verdict | None, after: Verdict | None, turn: str) -> None:
    kept = [plain(f"pec/other_{number}", PASS) for number in range(3)]
    runs = [[*kept, *([plain("pec/voltage", verdict)] if verdict is not None else [])] for verdict in (before, after)]
    found = compared(tmp_path, *runs)
    assert [(change.id, change.turn) for change in found.changes] == [("pec/voltage", turn)]
    assert found.alike == 3
    assert found.exit_code == (1 if turn == "worse" else 0)


def test_nothing_changed(tmp_path: Path) -> None:
    found = compared(tmp_path, [accuracy("voltage", 2.0, noise=0.1)], [accuracy("voltage", 2.1, noise=0.1)])
    assert (found.changes, found.alike, found.exit_code) == ((), 1, 0)
    assert compare_lines(found)[-1].text == "no worse: 0 worse, 0 better, 0 moved, 1 alike"


@pytest.mark.parametrize(("move", "moved"), [(0.99, False), (1.01, True), (-0.99, False), (-1.01, True)])
def test_a_mean_error_moves_where_the_normalised_error_is_above_1(tmp_path: Path, move: float, moved: bool) -> None:
    # E_n = |a - b| / sqrt(U_a^2 + U_b^2) (ISO 13528:2022, 9.7, from memory): U of 0.6 and 0.8 mV, so that 1 mV is the bound
    runs = [[accuracy("voltage", 2.0, u=0.3, offset=1.0)], [accuracy("voltage", 2.0, u=0.4, offset=1.0 + move)]]
    found = compared(tmp_path, *runs)
    assert [shift.what for change in found.moved for shift in change.shifts] == (["mean error"] if moved else [])
    if moved:
        (shift,) = found.moved[0].shifts
        assert (shift.before, shift.after, shift.expanded, shift.unit) == (1.0, round(1.0 + move, 4), 1.0, "mV")


@pytest.mark.parametrize(("after", "moved"), [(3.4, False), (3.7, True)])
def test_a_worst_reading_carries_the_noise(tmp_path: Path, after: float, moved: bool) -> None:
    # 2 sqrt(0.3^2 + 0.4^2 + 0.5^2 + 0.5^2) mV = 1.732 mV, where the bench alone would be 1 mV
    runs = [[accuracy("voltage", 1.9, u=0.3, noise=0.5)], [accuracy("voltage", after, u=0.4, noise=0.5)]]
    assert bool(compared(tmp_path, *runs).moved) is moved


def test_fits_are_compared_at_one_value(tmp_path: Path) -> None:
    # the same line, 1 % gain, fitted about two centres: nothing moved
    line = [
        [accuracy("voltage", 2.0, u=0.1, offset=0.01 * (centre - 3000), centre=centre, gain=(1.01, 1e-4))] for centre in (3500.0, 3700.0)
    ]
    assert not compared(tmp_path, *line).changes


def test_a_gain_moves(tmp_path: Path) -> None:
    runs = [[accuracy("current", 2.0, gain=(gain, half))] for gain, half in ((1.0, 3e-4), (1.0006, 4e-4))]
    found = compared(tmp_path, *runs)
    assert [(shift.what, shift.expanded) for shift in found.moved[0].shifts] == [("gain", 5e-4)]
    assert not compared(tmp_path, runs[0], [accuracy("current", 2.0, gain=(1.0004, 4e-4))]).changes


def test_limits_are_told_where_the_map_changed(tmp_path: Path) -> None:
    runs = [accuracy("voltage", 9.0, limit=10.0)], [accuracy("voltage", 9.0, verdict=FAIL, limit=5.0)]
    paths = [saved(tmp_path / f"{at}.json", found, map=str(at)) for at, found in enumerate(runs)]
    history = History()
    history.add(paths)
    found = compare(history, sides_of(history.runs(paths), None))
    assert found.files == {"map": "other", "bench": "same", "captures": "other"}
    assert found.changes[0].limits == ((-10.0, 10.0), (-5.0, 5.0))
    assert "its limits were -10 .. 10 and are -5 .. 5" in "\n".join(line.text for line in compare_lines(found))
    assert compared(tmp_path / "same", *runs).changes[0].limits is None


def test_a_side_of_several_runs_is_as_good_as_its_worst(tmp_path: Path) -> None:
    boards = [("1.0", "a", 2.0, PASS), ("1.0", "b", -3.0, PASS), ("1.1", "a", 2.5, PASS), ("1.1", "b", 12.5, FAIL)]
    runs = [[accuracy("voltage", error, verdict=verdict, offset=error)] for _, _, error, verdict in boards]
    tested = [{"firmware": firmware, "board": board} for firmware, board, _, _ in boards]
    found = compared(tmp_path, *runs, tag="firmware", tested=tested)
    assert [(side.name, len(side.runs)) for side in found.sides] == [("firmware 1.0", 2), ("firmware 1.1", 2)]
    (change,) = found.turned("worse")
    strips = [finding.strip for finding in (change.before, change.after) if finding is not None]
    assert [strip.worst for strip in strips if strip is not None] == [-3.0, 12.5]
    (spread,) = found.spreads
    assert (spread.lowest, spread.highest, spread.runs) == (2.5, 12.5, 2)
    assert spread.deviation == pytest.approx(statistics.stdev([2.5, 12.5]), rel=1e-3)  # statistics of the standard library
    assert Path(spread.worst.file).name == "003.json"


def test_a_drift_is_told_with_its_interval(tmp_path: Path) -> None:
    random.seed(5)
    offsets = [0.4 * at + random.gauss(0, 0.2) for at in range(12)]
    found = compared(tmp_path, *([accuracy("voltage", 3.0, u=0.1, offset=offset), plain("pec/voltage", PASS)] for offset in offsets))
    (drift,) = found.drifts
    # numpy.polyfit with its covariance as the oracle; 2.228139 is t(0.975, 10 degrees of freedom) (NIST/SEMATECH e-Handbook, 1.3.6.7.2)
    (slope, _), covariance = np.polyfit(range(12), offsets, 1, cov=True)
    assert drift.slope == pytest.approx(slope, rel=1e-3)
    assert drift.half == pytest.approx(2.228139 * np.sqrt(covariance[0, 0]), rel=1e-2)


def test_noise_is_no_drift(tmp_path: Path) -> None:
    random.seed(11)
    cells = [[accuracy("cell", 3.0, u=0.1, offset=random.gauss(0, 1), element=number) for number in range(1, 41)] for _ in range(10)]
    assert not compared(tmp_path, *cells).drifts


def test_unsteady_though_the_ends_agree(tmp_path: Path) -> None:
    verdicts = [PASS, FAIL, PASS, PASS]
    found = compared(tmp_path, *([plain("pec/voltage", verdict), plain("pec/current", PASS)] for verdict in verdicts))
    assert found.unsteady == ["pec/voltage"]
    assert found.exit_code == 0
    assert "            ▮▞▮▮  from 1 to 4" in [line.text for line in compare_lines(found)]
    assert "            IXII  from 1 to 4" in [line.text for line in compare_lines(found, ascii_only=True)]


def test_what_cannot_be_compared(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"0 of 1 requirements in common; they are of pack"):
        compared(tmp_path, [plain("pec/voltage", PASS)], [plain("pec/current", PASS)])
    with pytest.raises(UsageError, match="there is one thing to compare"):
        compared(tmp_path, [plain("pec/voltage", PASS)])
    with pytest.raises(UsageError, match=r"--by firmware: .*000\.json does not say its firmware; under `tested` it says: board"):
        compared(tmp_path, *[[plain("pec/voltage", PASS)]] * 2, tag="firmware", tested=[{"board": "a"}, {"board": "b"}])


def test_as_rendered(tmp_path: Path) -> None:
    runs = [
        [
            accuracy("voltage", 2.0, offset=1.0),
            accuracy("current", 3.0),
            plain("pec/voltage", PASS, "all 9 PECs are right"),
            plain("pec/x", PASS),
        ],
        [accuracy("voltage", 4.0, offset=3.5), accuracy("current", 12.0, verdict=FAIL), plain("pec/voltage", FAIL, "1 of 9 PECs is wrong")],
    ]
    found = compared(tmp_path, *runs, tested=[{"firmware": "1.0"}, {"firmware": "1.1"}])
    texts = [line.text.rstrip().replace(str(tmp_path), "runs") for line in compare_lines(found)]
    assert texts[texts.index("turned worse: 3") :] == [
        "turned worse: 3",
        "  verdict   field                 error / limit  -limit        0        +limit",
        "▞ fail      current                 +12 mV / 10     [          :          ]─▞─",
        "            was pass: current is off by 3.0 mV",
        "            is fail: current is off by 12.0 mV",
        "            worst error moved from +3 mV to +12 mV, which is known to +/- 1.41",
        "            mV",
        "            accuracy/current",
        "▞ fail      voltage                         pec 1 of 9 PECs is wrong",
        "            was pass: all 9 PECs are right",
        "            is fail: 1 of 9 PECs is wrong",
        "            pec/voltage",
        "  gone      x",
        "            was pass: it is so",
        "            pec/x",
        "",
        "moved, same verdict: 1",
        "  verdict   field                 error / limit  -limit        0        +limit",
        "▮ pass      voltage                  +4 mV / 10     [          :  ─▮──    ]",
        "            mean error moved from +1 mV to +3.5 mV, which is known to +/- 1.41",
        "            mV",
        "            accuracy/voltage",
        "",
        "worse: 3 worse, 0 better, 1 moved, 0 alike",
    ]
    assert all(len(line.text) <= 79 for line in compare_lines(found))
    body = comparison_as_json(found)
    assert json.loads(json.dumps(body, allow_nan=False))["totals"] == {
        "worse": 3,
        "better": 0,
        "other": 0,
        "moved": 1,
        "alike": 0,
        "unsteady": 0,
    }


def test_one_requirement_run_by_run(tmp_path: Path) -> None:
    paths = [
        saved(tmp_path / f"{name}.json", [accuracy("voltage", error)] if error else [plain("pec/voltage", PASS)])
        for name, error in (("before", 3.0), ("between", 0.0), ("after", 4.5))
    ]
    history = History()
    history.add(paths)
    id, entries = history.requirements(history.runs(paths))[0]
    rows = [(run, history.finding(id, run) if run.number in entries else None) for run in history.runs(paths)]
    assert [line.text.rstrip() for line in requirement_lines(id, rows)][2:] == [
        "▮ pass      before                   +3 mV / 10     [          : ─▮─      ]",
        "  not there between",
        "▮ pass      after                  +4.5 mV / 10     [          :   ─▮─    ]",
    ]
