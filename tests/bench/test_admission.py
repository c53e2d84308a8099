"""Which readings may be judged (verdicts, rule 10): steps, holds, settling, warm-up."""

from typing import Any

import numpy as np
import pytest

from regcheck.bench.admission import NOT_KNOWN, SETTLING, WARM_UP, admissible, holds, steps, too_short, unread
from regcheck.bench.curves import OPEN, curve_from_rows
from regcheck.errors import UsageError

S = 1_000_000_000


def rows(*pairs: Any, words: Any = (), **options: Any) -> Any:
    state = np.zeros(len(pairs), np.int64)
    for at, word in words:
        state[at] = word
    return curve_from_rows(np.array([round(t * S) for t, _ in pairs], np.int64), np.array([v for _, v in pairs], float), state, **options)


def seconds(times: Any) -> Any:
    return (times / S).tolist()


def test_steps_of_what_was_set() -> None:
    curve = rows((0, 1.0), (10, 2.0), (20, 2.0), (30, float("nan")), (40, 2.5), words=[(3, OPEN)], end_ns=50 * S)
    found = steps(curve)
    assert seconds(found.begin) == seconds(found.end) == [0, 10, 30, 40, 50]
    assert found.size == pytest.approx([np.nan, 1, np.nan, np.nan, np.nan], nan_ok=True)
    assert seconds(steps(curve, 1.5).begin) == [0, 30, 40, 50]


def test_an_edge_of_a_measured_value_spans_its_rows() -> None:
    noisy = [(t, 3.7 + 1e-4 * (t % 3)) for t in range(10)] + [(10, 3.9)] + [(t, 4.1 + 1e-4 * (t % 3)) for t in range(11, 20)]
    found = steps(rows(*noisy, between="line"))
    assert seconds(found.begin) == [0, 9, 19]
    assert seconds(found.end) == [0, 11, 19]
    assert found.size[1] == pytest.approx(0.4, abs=3e-4)


def test_a_measured_ramp_has_no_edge() -> None:
    slope = [(t, 3.7) for t in range(5)] + [(5 + t, 3.7 + 0.01 * t) for t in range(10)] + [(15 + t, 3.8) for t in range(5)]
    assert seconds(steps(rows(*slope, between="line")).begin) == [0, 19]


def test_holds_of_what_was_set() -> None:
    found = holds(rows((0, 1.0), (10, 2.0), (20, 2.0), (30, float("nan")), (40, 2.5), words=[(3, OPEN)], end_ns=50 * S))
    assert seconds(found.begin) == [0, 10, 40]
    assert seconds(found.end) == [10, 30, 50]
    assert found.value.tolist() == [1, 2, 2.5]


def test_holds_of_what_was_measured_keep_within_a_tolerance() -> None:
    noisy = [(t, 3.7 + 1e-4 * (t % 3)) for t in range(10)] + [(10, 3.9)] + [(t, 4.1) for t in range(11, 20)]
    curve = rows(*noisy, between="line")
    found = holds(curve, 1e-3)
    assert seconds(found.begin) == [0, 11]
    assert seconds(found.end) == [9, 19]
    assert found.value == pytest.approx([3.7 + 1e-4, 4.1], abs=2e-5)
    assert seconds(holds(curve).begin) == [11]


def test_a_ramp_is_in_no_hold() -> None:
    curve = rows((0, 1.0), (10, 1.0), (20, 5.0), (30, 5.0), between="line")
    assert seconds(holds(curve).begin) == [0, 20]
    drift = rows(*((t, 0.1 * t) for t in range(30)), between="line")
    assert len(holds(drift, 0.5)) == 0
    assert len(holds(rows(), 0.5)) == len(steps(rows())) == 0


STEP = rows((0, 1.0), (100, 2.0), end_ns=200 * S)


def judged(
    *times: Any, settle: Any = 3, latency: Any = 1, doubt: Any = 0.2, warm_up: Any = 0, length: Any = 0.0, curve: Any = STEP, **options: Any
) -> Any:
    start = np.array([round(t * S) for t in times], np.int64)
    return admissible(
        curve, start, start + round(length * S), round(settle * S), round(latency * S), round(doubt * S), round(warm_up * S), **options
    )


def test_rule_10_excluded_from_before_the_step_to_settle_and_latency_after_it() -> None:
    # [step - w, step + settle + L + w] = [99.8, 104.2]
    assert judged(99.79, 99.8, 100, 104.2, 104.21).admitted.tolist() == [True, False, False, False, True]


def test_rule_10_a_transfer_counts_with_its_start_and_end() -> None:
    assert judged(99.69, 99.75, 104.1, 104.21, length=0.1).admitted.tolist() == [True, False, False, True]


def test_rule_10_reasons_are_counted_once_each() -> None:
    got = judged(-1, 0.5, 2, 30, 59, 61, 100, 150, 199.9, 300, warm_up=60)
    assert got.admitted.tolist() == [False] * 5 + [True, False, True, False, False]
    assert got.left_out == {NOT_KNOWN: 4, WARM_UP: 3, SETTLING: 1}
    assert judged(30, 90, warm_up=60, powered_ns=40 * S).left_out[WARM_UP] == 2


def test_rule_10_small_steps_may_be_declared_none() -> None:
    assert judged(101).admitted.tolist() == [False]
    assert judged(101, threshold=1.5).admitted.tolist() == [True]


def test_rule_10_zero_times_are_legal() -> None:
    assert judged(99.99, 100, 100.01, settle=0, latency=0, doubt=0).admitted.tolist() == [True, False, True]
    with pytest.raises(UsageError, match="must be 0 or more"):
        judged(1, settle=-1)


def test_rule_10_a_doubt_for_each_reading() -> None:
    start = np.array([99, 99]) * S
    got = admissible(STEP, start, start, 0, 0, np.array([S // 2, 2 * S]))
    assert got.admitted.tolist() == [True, False]


def test_rule_10_open_is_not_judged() -> None:
    curve = rows((0, 1.0), (10, float("nan")), (20, 1.0), words=[(1, OPEN)], end_ns=60 * S)
    assert judged(8, 15, 24.1, 24.3, 30, curve=curve).admitted.tolist() == [True, False, False, True, True]


def test_rule_10_holds_too_short_to_leave_a_reading() -> None:
    found = holds(rows((0, 1.0), (10, 2.0), (14, 3.0), end_ns=60 * S))
    assert too_short(found, 3 * S, S, S // 5).tolist() == [False, True, False]
    start = np.array([2, 5, 11, 20, 30]) * S
    admitted = np.array([False, True, False, False, True])
    assert unread(found, start, start + S, admitted).tolist() == [False, True, False]
    assert unread(found, start, start + S, np.zeros(5, bool)).tolist() == [True, True, True]
    assert unread(found, np.array([9 * S]), np.array([11 * S]), np.array([True])).tolist() == [True, True, True]
