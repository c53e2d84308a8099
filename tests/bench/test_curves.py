"""Applied curves: between log rows (verdicts, rule 11), window extremes against a brute search, and the clock's doubt (rule 8)."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.bench.curves import (
    FIRST_WORD,
    KNOWN,
    OPEN,
    UNKNOWN,
    AppliedCurve,
    clock_doubt_extremes,
    curve_from_rows,
    merge_breakpoints,
    resample,
    window_extremes,
    window_known,
    window_uncertainty,
)
from regcheck.errors import UsageError

S = 1_000_000_000
NAN = float("nan")


def rows(*pairs: Any, words: Any = (), **options: Any) -> Any:
    time = np.array([round(t * S) for t, _ in pairs], np.int64)
    state = np.zeros(len(pairs), np.int64)
    for at, word in words:
        state[at] = word
    return curve_from_rows(time, np.array([v for _, v in pairs], float), state, **options)


def at(curve: Any, seconds: Any) -> Any:
    window = window_extremes(curve, round(seconds * S), round(seconds * S))
    assert window.low == window.high or not window.known
    return float(window.low)


def test_rule_11_what_was_set_holds() -> None:
    curve = rows((0, 1.0), (10, 2.0), (20, 3.0), end_ns=30 * S)
    assert [at(curve, t) for t in (1, 9.999, 10.001, 19, 29.9)] == [1, 1, 2, 2, 3]


def test_rule_11_what_was_measured_joins_by_lines() -> None:
    curve = rows((0, 1.0), (10, 2.0), (20, 4.0), between="line")
    assert [at(curve, t) for t in (1, 5, 15)] == [1.1, 1.5, 3.0]


@pytest.mark.parametrize("between", ["hold", "line"])
def test_rule_11_nothing_is_known_over_a_gap_nor_outside_the_rows(between: Any) -> None:
    curve = rows((0, 1.0), (1, 1.0), (4, 2.0), (5, 2.0), between=between, max_gap_ns=2 * S)
    assert [at(curve, t) == at(curve, t) for t in (-1, 0.5, 2, 4.5, 5.5)] == [False, True, False, True, False]
    assert not window_known(curve, S // 2, 4 * S + S // 2)


def test_rule_11_an_end_row_is_how_long_the_last_value_holds() -> None:
    assert not window_known(rows((0, 1.0)), 1, 1)
    curve = rows((0, 1.0), end_ns=5 * S)
    assert window_known(curve, 1, 5 * S - 1)
    assert not window_known(curve, 1, 5 * S)  # a window that touches what is not known is not known
    assert not window_known(curve, 0, 1)


def test_words_are_no_numbers_and_do_not_join() -> None:
    words = ((1, OPEN), (2, OPEN), (4, FIRST_WORD))
    hold = rows((0, 1.0), (1, NAN), (2, NAN), (3, 5.0), (4, NAN), (5, 6.0), words=words, end_ns=6 * S)
    assert hold.state.tolist() == [KNOWN, OPEN, OPEN, KNOWN, FIRST_WORD, KNOWN, UNKNOWN]
    line = rows((0, 1.0), (1, NAN), (2, NAN), (3, 5.0), (4, NAN), (5, 6.0), words=words, between="line", end_ns=6 * S)
    assert line.state.tolist() == [UNKNOWN, OPEN, UNKNOWN, UNKNOWN, UNKNOWN, KNOWN, UNKNOWN]
    assert np.isnan(at(hold, 1.5))


def test_a_curve_without_rows_is_known_nowhere() -> None:
    curve = rows()
    assert not window_extremes(curve, [0, 5], [1, 9]).known.any()
    assert resample(curve, np.array([3, 4])).state.tolist() == [UNKNOWN, UNKNOWN]


@pytest.mark.parametrize(
    ("pairs", "options", "words"),
    [
        (((0, 1.0), (0, 2.0)), {}, "do not rise"),
        (((0, 1.0), (1, NAN)), {}, "no number"),
        (((0, 1.0),), {"end_ns": -1}, "end of a stimulus log comes before"),
        (((0, 1.0),), {"between": "spline"}, "expected hold or line"),
    ],
)
def test_wrong_rows_are_refused(pairs: Any, options: Any, words: Any) -> None:
    with pytest.raises(UsageError, match=words):
        rows(*pairs, **options)


def test_windows_show_both_sides_of_a_leap() -> None:
    curve = rows((0, 1.0), (10, 5.0), (20, 3.0), end_ns=30 * S)
    window = window_extremes(curve, [5 * S, 10 * S, 5 * S, 11 * S], [9 * S, 10 * S, 25 * S, 12 * S])
    assert window.low.tolist() == [1, 1, 1, 5]
    assert window.high.tolist() == [1, 5, 5, 5]
    with pytest.raises(UsageError, match="ends before it starts"):
        window_extremes(curve, 2, 1)


def test_windows_keep_their_shape() -> None:
    curve = rows((0, 1.0), (10, 5.0), end_ns=30 * S)
    assert window_extremes(curve, np.full((2, 3), S), 2 * S).low.shape == (2, 3)
    assert window_extremes(curve, S, S).low.shape == ()


segments = st.lists(
    st.tuples(st.integers(1, 6), st.integers(-9, 9), st.integers(-9, 9), st.sampled_from([KNOWN, KNOWN, KNOWN, OPEN])),
    min_size=1,
    max_size=12,
)


def _curve(parts: Any) -> Any:
    """A curve from (length, value after the breakpoint, value at the segment's end, state) in whole ns."""
    time = np.cumsum([0, *(length for length, *_ in parts)])
    known = [state == KNOWN for *_, state in parts]
    after = np.array([a if good else NAN for (_, a, _, _), good in zip(parts, known, strict=True)] + [NAN], float)
    before = np.array([NAN] + [b if good else NAN for (_, _, b, _), good in zip(parts, known, strict=True)], float)
    u = np.arange(len(time), dtype=float)
    state = np.array([state for *_, state in parts] + [UNKNOWN])
    return AppliedCurve(time.astype(np.int64), before, after, state, u, u[::-1].copy(), np.zeros(len(time), bool))


def _brute(parts: Any, start: Any, end: Any) -> Any:
    """All values shown in a closed window, by a walk over the segments and over every whole ns; None where not known."""
    begin, shown = 0, []
    if start <= 0:
        return None
    for length, a, b, state in parts:
        if start <= begin + length and end >= begin:
            if state != KNOWN:
                return None
            shown += [a + (b - a) * (t - begin) / length for t in range(max(start, begin), min(end, begin + length) + 1)]
        begin += length
    return shown if end < begin else None


@given(segments, st.lists(st.tuples(st.integers(-2, 40), st.integers(0, 30)), min_size=1, max_size=20))
def test_window_extremes_against_a_walk(parts: Any, windows: Any) -> None:
    start = np.array([a for a, _ in windows])
    end = start + np.array([length for _, length in windows])
    window = window_extremes(_curve(parts), start, end)
    for at_, (a, b) in enumerate(zip(start.tolist(), end.tolist(), strict=True)):
        shown = _brute(parts, a, b)
        assert bool(window.known[at_]) == (shown is not None)
        if shown is not None:
            assert (window.low[at_], window.high[at_]) == pytest.approx((min(shown), max(shown)), abs=1e-12)
        else:
            assert np.isnan(window.low[at_])


@given(segments, st.lists(st.integers(-3, 60), max_size=6))
def test_resampled_curves_show_the_same(parts: Any, extra: Any) -> None:
    curve = _curve(parts)
    times = np.unique(np.concatenate([curve.time, np.array(extra, np.int64)]))
    again = resample(curve, times)
    start = np.arange(-2, 40)
    one, two = window_extremes(curve, start, start + 3), window_extremes(again, start, start + 3)
    # a breakpoint in the unknown before the first row changes nothing: nothing is known there either way
    assert one.known.tolist() == two.known.tolist()
    assert one.low == pytest.approx(two.low, abs=1e-9, nan_ok=True)
    assert one.high == pytest.approx(two.high, abs=1e-9, nan_ok=True)
    assert [c.tolist() for c in window_uncertainty(again, 3, 9)] == [
        c.tolist() for c in window_uncertainty(curve, 3, 9)
    ] or not window_known(curve, 3, 9)


def test_a_long_window_over_a_dense_log() -> None:
    rng = np.random.default_rng(8)
    value = rng.normal(size=5000)
    curve = curve_from_rows(np.arange(5000) * 1000, value, np.zeros(5000, np.int64), between="line")
    start = rng.integers(1, 2_000_000, 300)
    end = start + rng.integers(0, 2_900_000, 300)
    window = window_extremes(curve, start, end)
    fine = [
        np.concatenate([np.interp([a, b], curve.time, value), value[-(-a // 1000) : b // 1000 + 1]])
        for a, b in zip(start, end, strict=True)
    ]
    assert window.low == pytest.approx([v.min() for v in fine], abs=1e-12)
    assert window.high == pytest.approx([v.max() for v in fine], abs=1e-12)


def test_uncertainty_of_a_window_is_the_largest_it_touches() -> None:
    curve = _curve([(5, 1, 1, KNOWN), (5, 1, 1, KNOWN), (5, 1, 1, KNOWN)])
    u_s, u_r = window_uncertainty(curve, [1, 6, 1, 20], [2, 12, 14, 21])
    assert u_s == pytest.approx([0, 2, 2, NAN], nan_ok=True)
    assert u_r == pytest.approx([3, 2, 3, NAN], nan_ok=True)


def test_epoch_times_lose_nothing() -> None:
    epoch = 1_795_000_000_000_000_007
    curve = curve_from_rows(epoch + np.array([0, 10]), np.array([0.0, 10.0]), np.zeros(2, np.int64), between="line")
    assert float(window_extremes(curve, epoch + 3, epoch + 3).low) == 3.0


def test_merged_breakpoints_cut_only_slopes() -> None:
    hold, line = rows((0, 1.0), (10, 2.0), end_ns=20 * S), rows((0, 1.0), (8, 2.0), (16, 2.0), between="line")
    assert (merge_breakpoints([hold, line]) // S).tolist() == [0, 8, 10, 16, 20]
    assert (merge_breakpoints([hold, line], pieces=4) // S).tolist() == [0, 2, 4, 6, 8, 10, 16, 20]
    assert merge_breakpoints([]).tolist() == []


# the clock's doubt


def ramp() -> Any:
    return rows((0, 0.0), (1000, 10_000.0), between="line")  # 10 mV/s


def test_rule_8_ramp() -> None:
    t = 400 * S  # a(t) = 4000 mV
    got = clock_doubt_extremes(ramp(), t, t, S, S // 5)
    limits = [float(got.max_low) - 5, float(got.min_high) + 5, float(got.min_low) - 5, float(got.max_high) + 5]
    assert limits == pytest.approx([3987, 4003, 3983, 4007], abs=1e-9)


def test_rule_8_a_transfers_window_begins_before_its_start_and_ends_at_its_end() -> None:
    got = clock_doubt_extremes(ramp(), 400 * S, 401 * S, S, 0)
    assert (float(got.min_low), float(got.max_high)) == pytest.approx((3990, 4010))
    assert (float(got.max_low), float(got.min_high)) == pytest.approx((3990, 4010))


def test_rule_8_more_doubt_than_latency() -> None:
    # every window of the ramp is a point within +/- 2 s: some shift shows any of 3980 .. 4020
    got = clock_doubt_extremes(ramp(), 400 * S, 400 * S, 0, 2 * S)
    assert (float(got.min_low), float(got.max_low)) == pytest.approx((3980, 4020))
    assert (float(got.min_high), float(got.max_high)) == pytest.approx((3980, 4020))


@given(segments, st.integers(1, 40), st.integers(0, 4), st.integers(0, 5), st.integers(0, 5))
def test_rule_8_bounds_every_shift_from_the_careful_side(parts: Any, start: Any, length: Any, latency: Any, doubt: Any) -> None:
    curve = _curve(parts)
    got = clock_doubt_extremes(curve, start, start + length, latency, doubt)
    assert bool(got.known) == bool(window_known(curve, start - latency - doubt, start + length + doubt))
    if got.known:
        shift = np.arange(-doubt, doubt + 1)
        windows = window_extremes(curve, start - latency + shift, start + length + shift)
        assert got.min_low == windows.low.min()
        assert got.max_high == windows.high.max()
        assert got.max_low >= windows.low.max()  # so a pass is never easier than over all shifts
        assert got.min_high <= windows.high.min()
