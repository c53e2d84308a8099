"""Filters (verdicts, rule 9), against scipy's simulation of the same filter and a sum over fine slices."""

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from regcheck.bench.curves import KNOWN, OPEN, AppliedCurve, curve_from_rows, window_extremes
from regcheck.bench.filters import START, FirstOrder, MovingMean, first_order, moving_mean
from regcheck.errors import UsageError

S = 1_000_000_000


def rows(*pairs: Any, words: Any = (), **options: Any) -> Any:
    state = np.zeros(len(pairs), np.int64)
    for at, word in words:
        state[at] = word
    return curve_from_rows(np.array([round(t * S) for t, _ in pairs], np.int64), np.array([v for _, v in pairs], float), state, **options)


def value(curve: Any, seconds: Any) -> Any:
    times = np.rint(np.atleast_1d(seconds) * S).astype(np.int64)
    return window_extremes(curve, times, times).low


MIXED = rows((0, 1.0), (20, 3.0), (25, 2.0), (40, 5.0), (60, 5.0), (61, -1.0), (90, -1.0), between="line")
STEP = rows((0, 0.0), (100, 600.0), end_ns=200 * S)


def test_rule_9_a_first_order_filter_needs_tau_ln_step_over_t() -> None:
    settled = 1.0 * math.log(600 / 5)
    assert settled == pytest.approx(4.79, abs=5e-3)
    exact = FirstOrder.of(STEP, S)
    assert float(exact.evaluate(round((100 + settled) * S))) == pytest.approx(595.0, abs=1e-6)
    assert value(first_order(STEP, S), 100 + settled) == pytest.approx([595.0], abs=1e-3)


def test_rule_9_a_one_minute_average_3_s_after_a_step_of_1500_ma() -> None:
    curve = rows((0, 0.0), (100, 1500.0), end_ns=300 * S)
    mean = MovingMean.of(curve, 60 * S)
    assert 1500.0 - float(mean.evaluate(103 * S)) == pytest.approx(1425.0)
    assert value(moving_mean(curve, 60 * S), [103, 130, 161]) == pytest.approx([75, 750, 1500])


def test_rule_9_the_first_window_is_untested() -> None:
    mean, lag = moving_mean(STEP, 60 * S), first_order(STEP, 2 * S)
    assert np.isnan(value(mean, [1, 59.9])).all()
    assert np.isfinite(value(mean, [60.1, 199])).all()
    assert np.isnan(value(lag, [1, 2 * START - 0.1])).all()
    assert np.isfinite(value(lag, [2 * START + 0.1, 199])).all()
    assert np.isnan(value(mean, [200.1]))
    assert np.isnan(MovingMean.of(STEP, 60 * S).evaluate(59 * S))
    assert np.isnan(FirstOrder.of(STEP, S).evaluate([-S, 5 * S, 200 * S])).all()


def test_after_an_open_sensor_the_window_begins_anew() -> None:
    curve = rows((0, 1.0), (100, float("nan")), (110, 2.0), words=[(1, OPEN)], end_ns=200 * S)
    for made, window in ((moving_mean(curve, 20 * S), 20), (first_order(curve, 2 * S), 2 * START)):
        assert np.isnan(value(made, [105, 111, 110 + window - 0.1])).all()
        assert value(made, [99, 110 + window + 0.1]) == pytest.approx([1, 2])
        assert OPEN in made.state.tolist()


def test_first_order_against_an_integrator() -> None:
    exact = FirstOrder.of(MIXED, 3 * S)
    times = np.linspace(31, 89.9, 200)
    run = solve_ivp(
        lambda t, y: (np.interp(t, MIXED.time / S, np.append(MIXED.after[:-1], MIXED.before[-1])) - y) / 3.0,
        (0, 90), [1.0], t_eval=times, rtol=1e-10, atol=1e-12, max_step=0.05,
    )  # fmt: skip
    assert exact.evaluate(np.rint(times * S).astype(np.int64)) == pytest.approx(run.y[0], abs=1e-6)


def test_moving_mean_against_fine_slices() -> None:
    exact = MovingMean.of(MIXED, 7 * S)
    for t in (7.5, 24.0, 33.3, 61.7, 89.0):
        slices = t - 7 + (np.arange(70_000) + 0.5) / 10_000
        mean = np.interp(slices, MIXED.time / S, np.append(MIXED.after[:-1], MIXED.before[-1])).mean()
        assert float(exact.evaluate(round(t * S))) == pytest.approx(mean, abs=1e-6)


@pytest.mark.parametrize("quantum", [1.0, 0.01, 1e-4])
def test_resampled_filters_stay_within_the_quantum(quantum: Any) -> None:
    for curve in (STEP, MIXED):
        for exact in (FirstOrder.of(curve, 2 * S), MovingMean.of(curve, 7 * S)):
            made = exact.as_curve(quantum)
            times = np.linspace(1, int(curve.time[-1]) - 1, 5001).astype(np.int64)
            got, want = window_extremes(made, times, times).low, exact.evaluate(times)
            both = np.isfinite(got) & np.isfinite(want)
            assert both.sum() > 3000
            assert np.abs(got - want)[both].max() <= quantum * 1.001
            assert (np.isfinite(got) == np.isfinite(want)).mean() > 0.999


def test_resampled_filters_are_not_denser_than_they_need() -> None:
    assert len(FirstOrder.of(STEP, S).as_curve(0.005)) < 600
    assert len(MovingMean.of(STEP, 60 * S).as_curve(1e-6)) == 5  # its rows, and each a window later, within the log


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(1, 40), st.integers(-5, 5), st.integers(-5, 5)), min_size=1, max_size=8), st.integers(1, 30))
def test_a_filter_never_leaves_the_span_of_its_input(parts: Any, width: Any) -> None:
    time = np.cumsum([0, *(length for length, _, _ in parts)]) * S
    after, before = [float(a) for _, a, _ in parts], [float(b) for _, _, b in parts]
    zero = np.zeros(len(time))
    state = np.array([KNOWN] * len(parts) + [1])
    curve = AppliedCurve(time, np.array([np.nan, *before]), np.array([*after, np.nan]), state, zero, zero, zero.astype(bool))
    times = np.linspace(0, int(time[-1]), 301).astype(np.int64)
    low, high = min(after + before), max(after + before)
    for made in (MovingMean.of(curve, width * S), FirstOrder.of(curve, width * S)):
        for got in (made.evaluate(times), window_extremes(made.as_curve(), times, times).low):
            good = got[np.isfinite(got)]
            assert (good >= low - 1e-6).all()
            assert (good <= high + 1e-6).all()


def test_uncertainty_is_the_largest_that_the_filter_still_sees() -> None:
    u = np.array([0.5, 0.1, 0.0])
    curve = AppliedCurve(STEP.time, STEP.before, STEP.after, STEP.state, u, u, STEP.edge)
    made = moving_mean(curve, 60 * S)
    assert made.u_s[np.searchsorted(made.time, [99 * S, 130 * S, 161 * S], side="right") - 1].tolist() == [0.5, 0.5, 0.1]


def test_a_constant_and_an_empty_curve_stay_as_they_are() -> None:
    flat = rows((0, 4000.0), end_ns=500 * S)
    assert value(moving_mean(flat, 60 * S), [100]) == pytest.approx([4000.0], abs=1e-9)
    assert value(first_order(flat, 5 * S), [100]).tolist() == [4000.0]
    assert len(moving_mean(rows(), S)) == len(first_order(rows(), S)) == 0
    assert np.isnan(FirstOrder.of(rows(), S).evaluate(5))
    assert np.isnan(MovingMean.of(rows(), S).evaluate(5))


def test_wrong_filters_are_refused() -> None:
    with pytest.raises(UsageError, match="time constant is 0 ns"):
        first_order(STEP, 0)
    with pytest.raises(UsageError, match="width is -1 ns"):
        moving_mean(STEP, -1)
    with pytest.raises(UsageError, match="expected a number above 0"):
        moving_mean(STEP, 1, 0.0)
