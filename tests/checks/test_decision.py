"""The decision rule: every example of verdicts.md on it, by rule, and what it must never do."""

import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from regcheck.checks.decision import (
    BOUND,
    FAIL,
    PASS,
    UNDECIDED,
    acceptance,
    bench_too_uncertain,
    conformance_probability,
    decide,
    decimal_quantum,
    largest_u,
    linear_to_quanta,
    raw_limits,
    to_quanta,
    uncertainty_ratio,
    z_of_draws,
)
from regcheck.checks.finding import Verdict
from regcheck.errors import UsageError

Q12 = 0.1 / math.sqrt(12)


def test_rule_2_field_step_is_not_in_u() -> None:
    assert decide(0.14, -0.1, 0.1, 0.01) is Verdict.FAIL
    assert float(acceptance(-0.1, 0.1, 0.01).fail_high) - 0.1 == pytest.approx(0.0164, abs=5e-5)
    assert decide(0.14, -0.1, 0.1, math.hypot(0.01, Q12)) is Verdict.UNDECIDED


def test_rule_2_resolution_of_a_printed_millivolt() -> None:
    assert 1.0 / math.sqrt(12) == pytest.approx(0.289, abs=5e-4)


@pytest.mark.parametrize(
    ("limit", "u", "error", "verdict", "p"),
    [
        (5, 0.625, 3.97, "pass", 0.9503),
        (5, 0.625, 3.98, "undecided", None),
        (5, 0.625, 6.02, "undecided", None),
        (5, 0.625, 6.03, "fail", 0.0497),
        (5, 2.7, 0.2, "undecided", 0.935),
        (5, 2.7, 9.5, "fail", 0.048),
    ],
)
def test_rule_3_decision(limit: Any, u: Any, error: Any, verdict: Any, p: Any) -> None:
    for sign in (1, -1):
        assert decide(sign * error, -limit, limit, u) == verdict
        if p is not None:
            assert float(conformance_probability(sign * error, -limit, limit, u)) == pytest.approx(p, abs=5.1e-4)


def test_rule_3_without_uncertainty_the_limit_is_included() -> None:
    assert [decide(e, -5, 5, 0) for e in (5, -5, 5.0001, -5.0001)] == ["pass", "pass", "fail", "fail"]
    assert conformance_probability([5, -5, 5.0001], -5, 5, 0).tolist() == [1, 1, 0]
    assert decide(0, 0, 0, 0) is Verdict.PASS


@pytest.mark.parametrize(("ratio", "p"), [(1.90, 0.943), (2.0, 0.954)])
def test_rule_4_probability_at_zero_error(ratio: Any, p: Any) -> None:
    assert float(conformance_probability(0, -ratio, ratio, 1)) == pytest.approx(p, abs=5.1e-4)
    assert decide(0, -ratio, ratio, 1) == ("pass" if ratio >= 1.96 else "undecided")


def test_rule_4_a_poor_bench_can_pass_nothing() -> None:
    assert bench_too_uncertain(-5, 5, [5 / 1.97, 5 / 1.95]).tolist() == [False, True]
    assert float(largest_u(-5, 5)) == pytest.approx(5 / 1.96, rel=1e-4)
    assert np.isnan(acceptance(-5, 5, 5 / 1.95).pass_high)
    assert not np.isnan(acceptance(-5, 5, 5 / 1.97).pass_high)
    assert uncertainty_ratio(-5, 5, 0.625) == 4.0
    assert uncertainty_ratio(-5, 5, 0.0) == math.inf


def test_rule_4_a_hopeless_bench_never_fails_a_faultless_board() -> None:
    # at u = 20 T the probability is 0.04 even at no error at all: undecided, not a fail
    assert float(conformance_probability(0, -1, 1, 20)) < 0.05
    assert decide(0, -1, 1, 20) is Verdict.UNDECIDED
    assert decide(34, -1, 1, 20) is Verdict.FAIL


def test_rule_5_equality_is_exact() -> None:
    assert 4.105 - 4.1 > 0.005
    quantum = decimal_quantum(Fraction(1, 1000), Fraction(5, 1000), 0.0)
    assert quantum == Fraction(1, 1_000_000)
    error = to_quanta(4.105, quantum) - to_quanta(4.1, quantum)
    limits = acceptance(-0.005, 0.005, 0.0).in_quanta(quantum)
    assert limits.decide(error) == PASS
    assert limits.decide(error + 1) == FAIL


def test_rule_5_range_limits_become_raw_integers() -> None:
    assert raw_limits(Fraction("233.15"), Fraction("358.15"), Fraction("0.1"), Fraction(0)) == (2332, 3581)
    assert raw_limits(Fraction(-40), Fraction(85), Fraction(-1, 2), Fraction(100)) == (30, 280)
    assert raw_limits(Fraction("0.2"), Fraction("0.8"), Fraction(1), Fraction(0)) == (1, 0)
    with pytest.raises(UsageError, match="scale of 0"):
        raw_limits(Fraction(0), Fraction(1), Fraction(0), Fraction(1))


@pytest.mark.parametrize(("u", "verdict", "p"), [(1.3, "pass", 0.989), (2.6, "undecided", 0.876)])
def test_rule_6_four_cells_independent_or_by_one_meter(u: Any, verdict: Any, p: Any) -> None:
    assert decide(17, -20, 20, u) == verdict
    assert float(conformance_probability(17, -20, 20, u)) == pytest.approx(p, abs=6e-4)


def test_rule_8_pass_by_the_inner_and_fail_by_the_outer_limits() -> None:
    # ramp 10 mV/s, a = 4000 mV, L 1 s, w 0.2 s: max lo 3992, min hi 3998, min lo 3988, max hi 4002
    limits = acceptance(3992 - 5, 3998 + 5, 0, outer_low=3988 - 5, outer_high=4002 + 5)
    codes = limits.decide([3982.9, 3983, 3986.9, 3987, 4003, 4003.1, 4007, 4007.1])
    assert codes.tolist() == [FAIL, UNDECIDED, UNDECIDED, PASS, PASS, UNDECIDED, UNDECIDED, FAIL]
    guarded = acceptance(3992 - 5, 3998 + 5, 0.5, outer_low=3988 - 5, outer_high=4002 + 5)
    assert float(guarded.pass_low) == pytest.approx(3987 + 1.645 * 0.5, abs=1e-3)
    assert float(guarded.fail_high) == pytest.approx(4007 + 1.645 * 0.5, abs=1e-3)


def test_rule_8_a_window_too_wide_to_pass_in() -> None:
    limits = acceptance(10, 8, 0, outer_low=0, outer_high=20)
    assert limits.decide([9, 21]).tolist() == [UNDECIDED, FAIL]
    assert limits.in_quanta(Fraction(1, 1000)).decide([9000, 21000]).tolist() == [UNDECIDED, FAIL]


def test_rule_13_many_draws() -> None:
    assert float(acceptance(-1, 1, 0.10, 0.05, 1000).fail_high) == pytest.approx(1.2548, abs=6e-5)  # printed with z = 1.645
    assert float(acceptance(-1, 1, 0.10, 0.05).fail_high) == pytest.approx(1.1839, abs=5e-5)
    many, one = acceptance(-1, 1, 0.10, 0.05, 1000), acceptance(-1, 1, 0.10, 0.05)
    assert many.pass_high == one.pass_high  # pass is not adjusted
    with pytest.raises(UsageError, match="draws is 0"):
        z_of_draws(0)


def test_rule_13_across_cells_it_would_drop_the_power_from_77_to_19_percent() -> None:
    u, error = 1 / 8, 1.3  # 4:1: U = T / 4, u = U / 2
    power = [float(norm.sf((acceptance(-1, 1, 0, u, draws).fail_high - error) / u)) for draws in (1, 100)]
    assert power == pytest.approx([0.775, 0.19], abs=5e-3)


def test_rule_17_share_of_reading_is_of_the_applied_magnitude() -> None:
    applied, reported = 100, 101.004
    assert decide(reported - applied, -0.01 * applied, 0.01 * applied, 0) is Verdict.FAIL


@pytest.mark.parametrize(("error", "verdict", "p"), [(1.0, "pass", 0.977), (0.5, "undecided", 0.841)])
def test_rule_17_asymmetric_limits(error: Any, verdict: Any, p: Any) -> None:
    assert decide(error, 0, 3, 0.5) == verdict
    assert float(conformance_probability(error, 0, 3, 0.5)) == pytest.approx(p, abs=5.1e-4)


def test_rule_22_late_after_300_ms() -> None:
    u = math.sqrt(2) * 1 / math.sqrt(3)
    assert [decide(gap, -math.inf, 300, u) for gap in (298, 301, 302)] == ["pass", "undecided", "fail"]


finite = st.floats(-50, 50)


@given(st.floats(0.01, 20), st.floats(0.001, 60), st.floats(-3, 3))
def test_thresholds_solve_the_probability(half: Any, u: Any, centre: Any) -> None:
    low, high = centre - half, centre + half
    limits = acceptance(low, high, u)
    if half / u >= 1.97:
        for threshold in (limits.pass_low, limits.pass_high):
            # the oracle is scipy's own distribution
            assert norm.cdf((high - threshold) / u) - norm.cdf((low - threshold) / u) == pytest.approx(0.95, abs=1e-9)
        for threshold in (limits.fail_low, limits.fail_high):
            assert norm.cdf((high - threshold) / u) - norm.cdf((low - threshold) / u) == pytest.approx(0.05, abs=1e-7)
    elif half / u < 1.959:
        assert np.isnan(limits.pass_low)
        assert np.isnan(limits.pass_high)


def _zero_or(low: Any, high: Any) -> Any:
    return st.just(0.0) | st.floats(low, high)


@given(finite, _zero_or(1e-3, 20), _zero_or(1e-6, 60), _zero_or(1e-6, 5), st.integers(1, 10_000))
def test_verdict_follows_the_probability(error: Any, half: Any, u_s: Any, u_r: Any, draws: Any) -> None:
    verdict = decide(error, -half, half, u_s, u_r, draws)
    p = float(conformance_probability(error, -half, half, math.hypot(u_s, u_r)))
    if p < 0.95 - 1e-9:
        assert verdict is not Verdict.PASS
    if p > 0.05 + 1e-9:
        assert verdict is not Verdict.FAIL
    if p > 0.95 + 1e-9:
        assert verdict is Verdict.PASS


def test_columns_broadcast_and_agree_with_single_decisions() -> None:
    rng = np.random.default_rng(3)
    high, u, error = rng.uniform(0.1, 5, 400), rng.uniform(0, 3, 400), rng.uniform(-12, 12, 400)
    codes = acceptance(-high, high, u).decide(error)
    assert codes.tolist() == [["pass", "fail", "undecided"].index(decide(*row)) for row in zip(error, -high, high, u, strict=True)]
    assert set(codes.tolist()) == {PASS, FAIL, UNDECIDED}


def test_negative_uncertainty_is_refused() -> None:
    with pytest.raises(UsageError, match="below 0"):
        acceptance(-1, 1, -0.1)


@pytest.mark.parametrize(
    ("magnitudes", "quantum"),
    [
        ((1.0,), Fraction(1, 1000)),
        ((0.1, 5.0, 0.01), Fraction(1, 100_000)),
        ((0.0, 2.5), Fraction(1, 1000)),
        ((1e-6,), Fraction(1, 10**9)),
        ((0.3,), Fraction(1, 10_000)),
        ((5000.0, 10.0), Fraction(1, 100)),
        ((1e7,), Fraction(10_000)),
        ((Fraction(1, 1024), 1.0), Fraction(1, 10**10)),  # made finer until the step is whole
        ((Fraction(1, 3),), Fraction(1, 10_000)),  # never whole
    ],
)
def test_quantum_is_a_thousandth_of_the_smallest(magnitudes: Any, quantum: Any) -> None:
    assert decimal_quantum(*magnitudes) == quantum


def test_quantum_of_nothing_is_refused() -> None:
    with pytest.raises(UsageError, match="all 0"):
        decimal_quantum(0.0, Fraction(0))
    with pytest.raises(UsageError, match="expected a finite number"):
        decimal_quantum(math.inf)


def test_quanta_refuse_what_does_not_fit() -> None:
    milli = Fraction(1, 1000)
    assert to_quanta([1.5, -0.0015, 0.0025], milli).tolist() == [1500, -2, 2]
    assert to_quanta(25_000.0, Fraction(10_000)) == 2
    with pytest.raises(UsageError, match=r"too large to compare in steps of 0\.001"):
        to_quanta([1.0, 1e16], milli)
    with pytest.raises(UsageError, match="not a number"):
        to_quanta(math.nan, milli)
    assert to_quanta([1e300, -math.inf], milli, saturate=True).tolist() == [BOUND, -BOUND]


@given(
    st.lists(st.integers(-(2**31), 2**31), min_size=1),
    st.fractions(-50, 50, max_denominator=4096),
    st.fractions(-300, 300, max_denominator=100),
    st.sampled_from([Fraction(1), Fraction(1, 1000), Fraction(1, 10**7), Fraction(100)]),
)
def test_raw_codes_become_quanta_exactly(raw: Any, scale: Any, offset: Any, quantum: Any) -> None:
    den = math.lcm(scale.denominator, offset.denominator)
    got = linear_to_quanta(np.array(raw, np.int64), int(scale * den), den, int(offset * den), quantum)
    assert got.tolist() == [round((code * scale + offset) / quantum) for code in raw]


def test_raw_codes_too_large_are_refused() -> None:
    with pytest.raises(UsageError, match="too large"):
        linear_to_quanta(np.array([2**62]), 1000, 1, 0, Fraction(1, 1000))


def test_kelvin_codes_compare_without_a_float() -> None:
    # 0.1 K codes against 25.05 degC: 2982 is 298.2 K exactly
    got = linear_to_quanta(np.array([2982]), 1, 10, 0, Fraction(1, 1000)) - to_quanta(25.05 + 273.15, Fraction(1, 1000))
    assert got.tolist() == [0]
