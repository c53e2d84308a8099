"""Shares, means, fits and decays: the examples of verdicts.md rules 1, 7, 10 and 14, and an oracle beside each."""

import math
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest, linregress

from regcheck.checks.finding import Verdict
from regcheck.checks.statistics import (
    decide_share,
    find_decay,
    fit_line,
    mean_uncertainty,
    moments,
    pooled_noise,
    share_beyond,
    significance,
    t_both,
    york_line,
)
from regcheck.errors import UsageError


def test_rule_1_share_none_beyond() -> None:
    allowed = 1 - Fraction("0.997")
    assert share_beyond(0, 998).upper == pytest.approx(0.0029972, abs=5e-8)
    assert share_beyond(0, 997).upper == pytest.approx(0.0030002, abs=5e-8)
    assert decide_share(0, 0, 998, allowed) is Verdict.PASS
    assert decide_share(0, 0, 997, allowed) is Verdict.UNDECIDED


def test_rule_1_share_fails_by_its_lower_bound() -> None:
    assert decide_share(8, 8, 1000, 0.003) is Verdict.FAIL
    assert decide_share(5, 5, 1000, 0.003) is Verdict.UNDECIDED
    assert decide_share(0, 0, 0, 0.003) is Verdict.UNTESTED
    assert decide_share(0, 40, 5000, 0.003) is Verdict.UNDECIDED  # readings in the guard neither pass nor fail


@given(st.integers(1, 400), st.data())
def test_share_bounds_against_scipy(count: Any, data: Any) -> None:
    beyond = data.draw(st.integers(0, count))
    share = share_beyond(beyond, count)
    lower = binomtest(beyond, count, alternative="greater").proportion_ci(0.95, "exact").low
    upper = binomtest(beyond, count, alternative="less").proportion_ci(0.95, "exact").high
    assert (share.lower, share.upper) == pytest.approx((lower, upper), abs=1e-9)
    assert share.lower <= share.share <= share.upper


def test_impossible_shares_are_refused() -> None:
    for beyond, count in ((0, 0), (3, 2), (-1, 2)):
        with pytest.raises(UsageError, match="is no share"):
            share_beyond(beyond, count)


def test_rule_7_polling_faster_than_the_device_updates_adds_nothing() -> None:
    mean = mean_uncertainty(0.8, 600, duration_s=60, update_s=1)
    assert mean.n_eff == 60
    assert mean.se == pytest.approx(0.103, abs=5e-4)
    assert 0.8 / math.sqrt(600) == pytest.approx(0.033, abs=5e-4)
    assert mean.half_width == pytest.approx(t_both(59) * 0.8 / math.sqrt(60))


def test_rule_7_correlated_readings_count_less() -> None:
    assert mean_uncertainty(1.0, 100, rho1=0.5).n_eff == pytest.approx(100 / 3)
    assert mean_uncertainty(1.0, 100, rho1=-0.5).n_eff == 100
    assert mean_uncertainty(1.0, 100, rho1=math.nan).n_eff == 100
    one = mean_uncertainty(1.0, 100, rho1=1.0)
    assert (one.n_eff, one.half_width) == (1.0, math.inf)


def test_rule_7_without_dither_the_mean_cannot_beat_the_step() -> None:
    quiet, lively = mean_uncertainty(0.24, 100, step=1.0), mean_uncertainty(0.26, 100, step=1.0)
    assert quiet.u == pytest.approx(math.hypot(0.024, 1 / math.sqrt(12)))
    assert lively.u == lively.se == pytest.approx(0.026)
    with pytest.raises(UsageError, match="at least one reading"):
        mean_uncertainty(1.0, 0)


@given(st.lists(st.integers(-(10**9), 10**9), min_size=2, max_size=60))
def test_moments_from_integer_sums(values: Any) -> None:
    lagged = sum(a * b for a, b in pairwise(values))
    got = moments(len(values), sum(values), sum(value * value for value in values), lagged, values[0], values[-1])
    floats = np.array(values, float)
    assert got.mean == pytest.approx(floats.mean(), abs=1e-6)
    assert got.s == pytest.approx(floats.std(ddof=1), rel=1e-9, abs=1e-6)
    centred = [Fraction(value) - Fraction(sum(values), len(values)) for value in values]
    spread = sum(value * value for value in centred)
    if spread:
        assert got.rho1 == pytest.approx(float(sum(a * b for a, b in pairwise(centred)) / spread), abs=1e-12)
    else:
        assert math.isnan(got.rho1)


def test_moments_of_too_few() -> None:
    assert math.isnan(moments(0, 0, 0, 0, 0, 0).mean)
    assert moments(1, 7, 49, 0, 7, 7).mean == 7
    assert math.isnan(moments(1, 7, 49, 0, 7, 7).s)


def test_noise_is_pooled_over_holds() -> None:
    assert pooled_noise([1.0, 3.0, math.nan], [11, 11, 1]) == pytest.approx(math.sqrt(5))
    assert math.isnan(pooled_noise([math.nan], [1]))


def test_rule_14_gain_not_shown_beside_the_bench() -> None:
    got = significance(150e-6, 20e-6, 20, 100e-6)
    assert str(got) == "not shown (1.5 sigma)"
    assert str(significance(150e-6, 20e-6, 20, 0.0)) == "shown (7.5 sigma)"
    assert not significance(1.0, 0.0, 0, 0.0).shown  # two holds fit any line


def test_rule_14_fit_is_centred_and_widened_by_chi_squared() -> None:
    rng = np.random.default_rng(5)
    x = np.linspace(3000.0, 4200.0, 25)
    y = 1.00015 * x - 2.0 + rng.normal(0, 0.5, 25)
    fit = fit_line(x, y, 0.1)
    oracle = linregress(x, y)
    assert fit.chi2_nu > 1
    assert (fit.gain, fit.gain_u) == pytest.approx((oracle.slope, oracle.stderr), rel=1e-9)
    assert fit.value(0.0) == pytest.approx(oracle.intercept, rel=1e-6)
    assert fit.u(0.0) == pytest.approx(oracle.intercept_stderr, rel=1e-9)
    assert fit.error(3600.0) == pytest.approx(fit.value(3600.0) - 3600.0)
    assert (fit.low, fit.high, fit.dof) == (3000.0, 4200.0, 23)
    assert fit.centre == pytest.approx(3600.0)
    assert fit.u(3600.0) == fit.centre_u
    residuals = y - fit.value(0.0) - fit.gain * x
    assert abs(fit.worst) == pytest.approx(np.abs(residuals).max(), abs=1e-9)


def test_rule_14_weights_count() -> None:
    # two good holds and a poor one: the line runs through the good ones
    fit = fit_line([0.0, 1.0, 2.0], [0.0, 1.0, 5.0], [1e-3, 1e-3, 1e3])
    assert fit.gain == pytest.approx(1.0, abs=1e-6)
    assert fit.worst == pytest.approx(3.0, abs=1e-5)
    assert fit.worst_x == 2.0


def test_rule_14_fewer_than_three_levels_give_no_interval() -> None:
    fit = fit_line([1.0, 1.0, 2.0, 2.0], [1.0, 1.1, 2.0, 2.1], 0.05)
    assert (fit.levels, fit.refused) == (2, "fewer than 3 levels")
    assert fit.gain == pytest.approx(1.0)
    assert math.isnan(fit.gain_u)
    assert math.isnan(fit.centre_u)
    assert math.isnan(fit_line([1.0, 1.0], [1.0, 1.1], 0.05).gain)


def test_rule_14_a_measured_x_attenuates() -> None:
    rng = np.random.default_rng(11)
    true = np.repeat(np.linspace(0.0, 10.0, 6), 200)  # var 11.7
    x, y = true + rng.normal(0, 0.7, true.size), true + rng.normal(0, 0.05, true.size)
    plain = linregress(x, y).slope
    assert plain < 0.97  # attenuated by 4 %
    fit = fit_line(x, y, 0.05, 0.7)
    assert fit.method == "york"
    assert fit.attenuation == pytest.approx(0.49 / (11.7 + 2 * 0.49), rel=0.05)
    assert abs(fit.gain - 1.0) < 4 * fit.gain_u
    assert fit_line(x, y, 0.05).method == "weighted"
    wide = fit_line(x, y, 0.05, 1.0)
    assert wide.attenuation > 0.05
    assert wide.refused == "not estimable"
    assert math.isnan(wide.gain)


def test_york_fit_of_pearsons_data_with_yorks_weights() -> None:
    # York et al., Am. J. Phys. 72 (2004), table II (from memory): a 5.47991, b -0.480533, u(a) 0.294971, u(b) 0.0579850, chi^2/8 1.48329
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    u_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
    u_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500]) ** -0.5
    centre, value, gain, u_value, u_gain, weights = york_line(x, y, u_x, u_y, -0.5)
    assert (gain, value - gain * centre) == pytest.approx((-0.480533407, 5.47991022), rel=1e-8)
    assert (u_gain, math.hypot(u_value, u_gain * centre)) == pytest.approx((0.0579850, 0.294971), abs=1e-6)
    assert float(np.sum(weights * (y - value - gain * (x - centre)) ** 2)) / 8 == pytest.approx(1.48329, abs=1e-5)
    # y's weights gather where x is poorest: the attenuation of a plain fit is beyond what may be claimed
    assert fit_line(x, y, u_y, u_x).refused == "not estimable"


@pytest.mark.parametrize(("x", "y", "u"), [([1.0], [1.0], 1.0), ([1.0, 2.0], [1.0, math.nan], 1.0), ([1.0, 2.0], [1.0, 2.0], 0.0)])
def test_lines_through_nothing_are_refused(x: Any, y: Any, u: Any) -> None:
    with pytest.raises(UsageError, match="two holds or more"):
        fit_line(x, y, u)


def test_rule_10_decaying_residuals_name_the_settle_that_would_judge_them() -> None:
    since = np.arange(1.0, 6.0, 0.1)
    decay = find_decay(since, -600 * np.exp(-since), 0.1, 5.0)
    assert str(decay) == "tau about 1.0 s; a settle of 4.8 s would judge it"
    assert decay is not None
    assert decay.settle_s == pytest.approx(math.log(600 / 5))


def test_rule_10_several_steps_share_one_time_constant() -> None:
    since = np.tile(np.arange(0.5, 8.0, 0.25), 3)
    step = np.repeat([0, 1, 2], 30)
    size = np.array([600.0, -250.0, 90.0])[step]
    rng = np.random.default_rng(2)
    decay = find_decay(since, size * np.exp(-since / 2.0) + rng.normal(0, 0.5, since.size), 0.5, 5.0, step)
    assert decay is not None
    assert decay.tau_s == pytest.approx(2.0, rel=0.02)
    assert decay.settle_s == pytest.approx(2.0 * math.log(600 / 5), rel=0.02)


def test_rule_10_what_does_not_decay_has_no_time_constant() -> None:
    since = np.arange(0.0, 10.0, 0.25)
    rng = np.random.default_rng(4)
    assert find_decay(since, np.full(since.size, 20.0), 0.1, 5.0) is None  # a gain error
    assert find_decay(since, rng.normal(0, 5.0, since.size), 5.0, 5.0) is None  # noise
    assert find_decay(since, 20 * np.exp(since / 3), 0.1, 5.0) is None  # it grows
    assert find_decay(since, 20 - 1.9 * since, 0.01, 5.0) is None  # a ramp
    assert find_decay(since, 20 * np.exp(-since) * np.cos(since * 3), 0.01, 5.0) is None  # it rings
    assert find_decay(since[:3], 20 * np.exp(-since[:3]), 0.01, 5.0) is None  # too few


def test_short_time_constants_keep_two_digits() -> None:
    since = np.arange(0.005, 0.2, 0.005)
    assert str(find_decay(since, 600 * np.exp(-since / 0.035), 0.01, 5.0)) == "tau about 0.035 s; a settle of 0.17 s would judge it"
