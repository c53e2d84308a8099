"""Formulas solved for their channel: what comes back through the bench's own evaluation is what was wanted."""

from __future__ import annotations

from fractions import Fraction
from math import exp
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.bench.bench_file import load_bench
from regcheck.device_map.compile import load_map
from regcheck.planning.bench_model import BenchModel
from regcheck.planning.inversion import GRID, solve

HOME = Path(__file__).parents[2]
MAP = load_map(HOME / "maps" / "ridge_4s.yaml")
MODEL = BenchModel(load_bench(HOME / "captures" / "recipes" / "ridge_bench.yaml", MAP), MAP)
DRIVEN = {target.name: channel for channel, target in MODEL.drivers.items()}


@settings(max_examples=30, deadline=None)
@given(
    cells=st.lists(st.floats(2500, 4500), min_size=4, max_size=4),
    kelvin=st.floats(233.2, 358.1),
    celsius=st.floats(-35, 80),
    current=st.floats(-6000, 6000),
)
def test_every_field_comes_to_what_was_wanted(cells: list[float], kelvin: float, celsius: float, current: float) -> None:
    wanted = {DRIVEN[f"cell_voltage[{number}]"]: cell for number, cell in enumerate(cells, 1)}
    wanted |= {DRIVEN["temperature"]: kelvin, DRIVEN["thermistor_2"]: celsius, DRIVEN["current"]: current}
    state = MODEL.solve({channel: np.array([value]) for channel, value in wanted.items()}, 1)
    found = {target.name: float(seen.value[0]) for target, seen in ((one, MODEL.evaluate(state, [one])[one.key]) for one in MODEL.targets)}
    for channel, value in wanted.items():
        assert found[MODEL.drivers[channel].name] == pytest.approx(value, rel=1e-8, abs=1e-6)
    assert found["voltage"] == pytest.approx(sum(cells), rel=1e-9)
    assert found["thermistor_1"] == pytest.approx(kelvin - 273.15, abs=1e-5)  # 0 degC is 273.15 K: SI Brochure, 9th edition, 2.3.1
    # IEC 60539-1 (from memory): R = R25 exp(B (1/T - 1/298.15 K)), worked out apart from the checker's own model
    ohm = 10_000 * exp(3435 * (1 / kelvin - 1 / 298.15))
    assert float(state[DRIVEN["temperature"]][0]) == pytest.approx(ohm, rel=1e-7)
    assert float(state[DRIVEN["current"]][0]) == pytest.approx(current * 0.005, rel=1e-9, abs=1e-9)  # Ohm's law: mA on 5 mohm


@settings(max_examples=60, deadline=None)
@given(
    slope=st.floats(0.01, 100), bend=st.floats(0, 5), falls=st.booleans(), arguments=st.lists(st.floats(-99, 99), min_size=1, max_size=5)
)
def test_any_monotone_formula_is_solved(slope: float, bend: float, falls: bool, arguments: list[float]) -> None:
    def formula(x: Any) -> Any:
        return (slope * x + bend * np.arctan(x)) * (-1 if falls else 1)

    wanted = formula(np.array(arguments))
    found = solve(formula, wanted, np.linspace(-100, 100, GRID), 0.0)
    assert formula(found) == pytest.approx(wanted, rel=1e-7, abs=1e-7)


def test_what_lies_beyond_the_channel_has_no_solution() -> None:
    found = solve(lambda x: np.exp(x / 10), np.array([0.5, 1.0, 3.0]), np.linspace(0.0, 10.0, GRID), 5.0)
    assert np.isnan(found[[0, 2]]).all()
    assert found[1] == pytest.approx(0.0, abs=1e-9)


def test_of_two_arguments_the_nearer_to_home_is_taken() -> None:
    for home, root in ((3.0, 2.0), (-3.0, -2.0)):
        assert solve(lambda x: x * x, np.array([4.0]), np.linspace(-9.7, 10.0, GRID), home)[0] == pytest.approx(root)


def test_a_leap_over_the_value_is_no_solution() -> None:
    assert np.isnan(solve(lambda x: np.where(x < 1, 0.0, 10.0) + 0.01 * x * x, np.array([5.0]), np.linspace(0, 3, GRID), 1.0)).all()


def test_drivers_come_before_what_rests_on_them() -> None:
    assert [MODEL.drivers[f"wire[{number}]"].name for number in range(1, 5)] == [f"cell_voltage[{number}]" for number in range(1, 5)]
    assert {target.name for target in MODEL.derived} == {"voltage", "thermistor_1", "average_current"}
    assert Fraction(1, 4) == Fraction(MODEL.home("wire[0]") or 0) + Fraction(1, 4)  # the lowest wire is at 0 V
