"""NIST Statistical Reference Datasets, linear regression, Norris (certified values stand in the data file's head)."""

import csv
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from regcheck.checks.statistics import fit_line

B0, B0_SD = -0.262323073774029, 0.232818234301152
B1, B1_SD = 1.00211681802045, 0.429796848199937e-3
RESIDUAL_SD = 0.884796396144373


def _norris() -> Any:
    with (Path(__file__).parent / "data" / "norris.csv").open(encoding="ascii") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    return np.array([float(row["x"]) for row in rows]), np.array([float(row["y"]) for row in rows])


def test_certified_line_and_deviations() -> None:
    x, y = _norris()
    assert len(x) == 36
    fit = fit_line(x, y, 0.01)  # far below the scatter, so that the fit's uncertainties are widened to it, as the certified ones are
    assert fit.method == "weighted"
    assert fit.gain == pytest.approx(B1, rel=1e-13)
    assert fit.value(0.0) == pytest.approx(B0, rel=1e-11)
    assert fit.gain_u == pytest.approx(B1_SD, rel=1e-11)
    assert fit.u(0.0) == pytest.approx(B0_SD, rel=1e-11)
    assert np.sqrt(fit.chi2_nu) * 0.01 == pytest.approx(RESIDUAL_SD, rel=1e-11)
    assert fit.dof == 34


def test_weights_that_are_all_alike_change_nothing() -> None:
    x, y = _norris()
    assert fit_line(x, y, 0.03).gain == pytest.approx(B1, rel=1e-13)


def test_uncertainties_above_the_scatter_are_not_narrowed() -> None:
    x, y = _norris()
    fit = fit_line(x, y, 10.0)
    assert fit.chi2_nu < 1
    assert fit.gain_u == pytest.approx(B1_SD * 10.0 / RESIDUAL_SD, rel=1e-11)
