"""The short version of tests/benchmarks/false_alarms.py: no false alarm, and bad boards caught about as often as theory says."""

from __future__ import annotations

import pytest

from tests.benchmarks.false_alarms import run_faultless, run_faulty, theory


def test_short_benchmark_theory() -> None:
    # verdicts, the last paragraph: 77.5 %
    assert theory() == pytest.approx(0.775, abs=5e-4)


def test_short_benchmark_no_faultless_board_fails() -> None:
    found = run_faultless(60)
    assert found.requirements == 60 * 7
    assert (found.failed, found.failed_boards) == (0, 0)
    assert found.undecided < 0.02 * found.requirements


def test_short_benchmark_boards_at_1_3_times_the_limit() -> None:
    found = run_faulty(300)
    assert found.caught + found.undecided == 300  # none passed
    assert found.others_failed == 0
    assert 0.70 * 300 < found.caught < 0.85 * 300  # 3.1 standard deviations of 300 draws at 77.5 %
