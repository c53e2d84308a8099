"""Conformance probabilities and guard bands: JCGM 106:2012, ILAC-G8:09/2019, ISO 14253-1:2017 (from memory of them, recomputed)."""

import math
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr, ndtri

from regcheck.checks.decision import Z, acceptance, conformance_probability, decide


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_one_sided_quantiles(p: Any, z: Any) -> None:
    # JCGM 106:2012, 7.3.3, table 1
    assert float(conformance_probability(-z, -math.inf, 0, 1)) == pytest.approx(p, abs=1.2e-3)


def test_zener_diode() -> None:
    # JCGM 106:2012, 7.3.3, example 1: upper limit -5.40 V, measured -5.47 V, u 0.05 V
    assert float(conformance_probability(-5.47, -math.inf, -5.40, 0.05)) == pytest.approx(0.9192, abs=5e-5)


def test_burst_pressure() -> None:
    # JCGM 106:2012, 7.3.3, example 2: lower limit 490 kPa, measured 509.7 kPa, u 8.6 kPa
    assert float(conformance_probability(509.7, 490, math.inf, 8.6)) == pytest.approx(0.989, abs=5e-4)


def test_speed_limit_threshold() -> None:
    # JCGM 106:2012, 8.3.3: limit 100 km/h, u 2 %, 99.9 % sure that it was exceeded: 106.59, so 107 km/h
    speed = 100 / (1 - 0.02 * float(ndtri(0.999)))
    assert speed == pytest.approx(106.59, abs=5e-3)
    assert float(conformance_probability(speed, -math.inf, 100, 0.02 * speed)) == pytest.approx(0.001, abs=1e-9)


@pytest.mark.parametrize(("guard_in_expanded", "accepted"), [(0, 0.5), (1, 0.023), (0.83, 0.049)])
def test_worst_false_accept_of_a_guard_band(guard_in_expanded: Any, accepted: Any) -> None:
    # ILAC-G8:09/2019, 4.2: w = 0, w = U, w = 0.83 U; the true value at the limit, u = U / 2
    assert float(ndtr(-guard_in_expanded * 2)) == pytest.approx(accepted, abs=6e-4)


def test_guard_band_is_1_65_u_for_limits_far_apart() -> None:
    # ISO 14253-1:2017: default conformance 95 %, g = 1.65 u one-sided
    limits = acceptance(-math.inf, 4.250, 0.0015)
    assert float(limits.pass_high) == pytest.approx(4.250 - 1.645 * 0.0015, abs=1e-6)
    assert float(limits.fail_high) == pytest.approx(4.250 + 1.645 * 0.0015, abs=1e-6)
    assert pytest.approx(1.645, abs=5e-4) == Z


@pytest.mark.parametrize(
    ("volt", "p", "verdict"),
    # own worked case, recomputed: limit 4.250 V, u 1.5 mV
    [(4.2455, 0.9987, "pass"), (4.2470, 0.9772, "pass"), (4.2475, 0.9522, "pass"), (4.2500, 0.5, "undecided"), (4.2530, 0.0228, "fail")],
)
def test_worked_case(volt: Any, p: Any, verdict: Any) -> None:
    assert float(conformance_probability(volt, -math.inf, 4.250, 0.0015)) == pytest.approx(p, abs=5e-5)
    assert decide(volt, -math.inf, 4.250, 0.0015) == verdict


def test_probability_keeps_its_digits_far_outside() -> None:
    # the survival function of the normal distribution: Q(9) = 1.128588e-19, Q(5) = 2.866516e-7, Q(7) = 1.279813e-12
    # (Abramowitz and Stegun, Handbook of Mathematical Functions, table 26.2, from memory)
    assert conformance_probability([10, -10, 6], -1, 1, 1) == pytest.approx(
        np.array([1.128588e-19, 1.128588e-19, 2.866516e-7 - 1.279813e-12]), rel=1e-6, abs=0
    )
