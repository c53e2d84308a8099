import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.arithmetic import calculate, compare, fold, invert, linear, normalised, pick

WHOLE = st.integers(-(2**62), 2**62)


@given(st.sampled_from("+-*/"), WHOLE, WHOLE)
def test_whole_numbers_stay_exact(sign: str, left: int, right: int) -> None:
    found = calculate(sign, left, right)
    if sign == "/":
        assert found == Fraction(left, right) if right else math.isnan(found)
    else:
        assert found == {"+": left + right, "-": left - right, "*": left * right}[sign]


@given(st.sampled_from("+-*"), WHOLE, WHOLE)
def test_arrays_of_whole_numbers_never_wrap_around(sign: str, left: int, right: int) -> None:
    found = calculate(sign, np.array([left]), np.array([right]))
    expected = {"+": left + right, "-": left - right, "*": left * right}[sign]
    if found.dtype == np.int64:
        assert found[0] == expected
    else:
        assert found[0] == pytest.approx(float(expected), rel=1e-15)


@pytest.mark.parametrize(
    ("given_values", "kind"),
    [
        ([1, 2], "i"),
        (np.array([1, 2], "u1"), "i"),
        (np.array([2**64 - 1], "u8"), "O"),
        (np.array([1], "f4"), "f"),
        ([Fraction(1, 3)], "O"),
        ([True], "b"),
    ],
)
def test_given_arrays_become_ones_that_arithmetic_knows(given_values: Any, kind: str) -> None:
    found = normalised(given_values)
    assert found.dtype.kind == kind
    assert found.dtype.itemsize in (1, 8)
    assert list(found) == list(given_values)


def test_numpy_scalars_become_plain_numbers() -> None:
    assert type(normalised(np.uint8(200))) is int
    assert type(normalised(np.array(1.5))) is float


def test_powers_of_ten_are_the_nearest_floats() -> None:
    exponents = np.arange(-30, 31)
    found = calculate("^", Fraction(10), exponents)
    assert found.tolist() == [float(f"1e{exponent}") for exponent in exponents]
    assert calculate("^", 10, -3) == Fraction(1, 1000)
    assert calculate("^", np.array([2, 3]), 2).tolist() == [4.0, 9.0]
    assert calculate("^", np.array([Fraction(1, 2)], dtype=object), 3).tolist() == [Fraction(1, 8)]


@pytest.mark.parametrize(("left", "right"), [(0, -1), (-8, Fraction(1, 3)), (10.0, 400.0), (-1.0, 0.5)])
def test_what_has_no_power_is_no_value(left: Any, right: Any) -> None:
    assert math.isnan(calculate("^", left, right))


def test_division_by_zero_is_no_value_in_every_kind() -> None:
    assert math.isnan(calculate("/", 1.0, 0.0))
    assert np.isnan(calculate("/", np.array([1, 0]), np.array([0, 0]))).all()
    assert math.isnan(calculate("/", np.array([Fraction(1)], dtype=object), 0)[0])
    assert calculate("/", np.array([1.0, 3.0]), np.array([2.0, 0.0])).tolist()[0] == 0.5


@given(st.floats(allow_nan=False, allow_infinity=False, width=32), st.fractions(max_denominator=1000), st.fractions(max_denominator=1000))
def test_scaling_a_float_rounds_once(value: float, factor: Fraction, offset: Fraction) -> None:
    assert linear(value, factor, offset) == float(Fraction(value) * factor + offset)


def test_scaling_keeps_exact_what_is_exact() -> None:
    assert linear(3, Fraction(1, 10), Fraction(1)) == Fraction(13, 10)
    assert linear(np.array([3], dtype=object), Fraction(1, 10), Fraction(1)).tolist() == [Fraction(13, 10)]
    assert linear(np.array([3]), Fraction(1000), Fraction(0)).dtype == np.int64
    assert linear(np.array([3]), Fraction(1, 10), Fraction(0)).tolist() == [0.3]
    assert math.isnan(linear(math.nan, Fraction(2), Fraction(0)))
    assert linear(math.inf, Fraction(2), Fraction(0)) == math.inf


@pytest.mark.parametrize(
    ("function", "elements", "value"),
    [
        ("sum", [1, Fraction(1, 2)], Fraction(3, 2)),
        ("sum", [], 0),
        ("mean", [1, 2], Fraction(3, 2)),
        ("min", [3, 1, 2], 1),
        ("max", [3, 1, 2], 3),
        ("count", [3, math.nan, 2], 2),
        ("count", [True, False, True], 2),
        ("any", [False, True], True),
        ("all", [False, True], False),
        ("none", [False, False], True),
        ("any", [], False),
        ("all", [], True),
    ],
)
def test_folds_of_numbers_and_of_instants(function: str, elements: list[Any], value: Any) -> None:
    assert fold(function, elements) == value
    if elements:
        beside = fold(function, [np.array([element] * 2) for element in elements])
        assert [float(each) for each in beside] == [float(value)] * 2


@pytest.mark.parametrize("function", ["min", "max", "mean"])
def test_a_fold_of_nothing_or_of_no_value_has_none(function: str) -> None:
    assert math.isnan(fold(function, []))
    assert math.isnan(fold(function, [1.0, math.nan]))
    assert np.isnan(fold(function, [np.array([1.0]), np.array([math.nan])])).all()


def test_no_value_is_equal_to_nothing() -> None:
    for sign in ("=", "<", "<=", ">", ">="):
        assert compare(sign, math.nan, 1) is False
        assert compare(sign, np.array([math.nan]), 1).tolist() == [False]
    assert invert(np.array([True, False])).tolist() == [False, True]


def test_an_index_picks_elements_and_gives_no_value_where_there_is_none() -> None:
    def element(number: int) -> Any:
        if number not in (1, 2):
            raise LookupError(number)
        return np.array([10.0 * number, 20.0 * number, 30.0 * number])

    assert pick(2, lambda number: number * 5) == 10
    assert math.isnan(pick(1.5, lambda number: number))
    assert math.isnan(pick(math.nan, lambda number: number))
    np.testing.assert_array_equal(pick(np.array([2, 1, 9]), element), [20.0, 20.0, math.nan])
    np.testing.assert_array_equal(pick(np.array([1.0, 1.5, math.nan]), element), [10.0, math.nan, math.nan])
    assert pick(np.array([1, 1]), lambda _: np.array([Fraction(1, 3)] * 2, dtype=object)).tolist() == [Fraction(1, 3)] * 2


def test_pick_takes_an_index_of_exact_numbers_too() -> None:
    index = np.array([Fraction(2), Fraction(1), math.nan, Fraction(5, 2), Fraction(9)], object)

    def element(number: int) -> Any:
        if number > 2:
            raise LookupError
        return np.array([Fraction(number, 10)] * 5, object)

    picked = pick(index, element).tolist()
    assert picked[:2] == [Fraction(1, 5), Fraction(1, 10)]
    assert all(one != one for one in picked[2:])
