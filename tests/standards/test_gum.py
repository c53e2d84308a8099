"""Standard uncertainties and correlation of JCGM 100:2008 (GUM; clauses from memory, recomputed)."""

import math
from typing import Any

import numpy as np
import pytest

from regcheck.checks.statistics import UNIFORM, mean_uncertainty, t_both


def test_resolution_of_one_is_0_289() -> None:
    # JCGM 100:2008, F.2.2.1: an indication of resolution d has u = 0.29 d
    assert pytest.approx(0.289, abs=5e-4) == UNIFORM
    drawn = np.random.default_rng(1).uniform(-0.5, 0.5, 200_000)
    assert float(drawn.std()) == pytest.approx(UNIFORM, rel=5e-3)


def test_standard_deviation_of_the_mean() -> None:
    # JCGM 100:2008, 4.4.3, table 1: twenty temperatures, mean 100.14 degC, s 1.49, u of the mean 0.33
    seen = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    s = float(np.std(seen, ddof=1))
    assert float(np.mean(seen)) == pytest.approx(100.145, abs=6e-3)
    assert s == pytest.approx(1.49, abs=5e-3)
    assert mean_uncertainty(s, len(seen)).u == pytest.approx(0.333, abs=1e-3)


@pytest.mark.parametrize(("dof", "t"), [(1, 12.71), (2, 4.30), (5, 2.57), (10, 2.23), (34, 2.03), (1e9, 1.960)])
def test_quantiles_of_t(dof: Any, t: Any) -> None:
    # JCGM 100:2008, table G.2, 95 % (34 interpolated by definition)
    assert t_both(dof) == pytest.approx(t, abs=6e-3)
    assert t_both(0) == math.inf
