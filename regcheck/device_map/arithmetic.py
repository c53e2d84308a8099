"""Arithmetic of expressions on exact numbers, floats and arrays alike: what is exact stays exact, nothing wraps around.

A number is an int, Fraction or float; an array is of int64, float64, bool or (exact) objects. NaN is no value: division by zero gives it.
The first axis of an array of elements is its elements. numpy is imported only once an array is there: linting a map needs none.
"""

from __future__ import annotations

import math
import operator
from collections.abc import Callable
from fractions import Fraction
from typing import Any, TypeAlias

from regcheck.device_map.expression_tree import raise_exactly

Value: TypeAlias = Any  # int | Fraction | float | bool | ndarray: numpy's own types would need its import

_EXACT_INTEGER = 1 << 62


def is_array(value: Value) -> bool:
    """Return whether a value is an array of at least one axis."""
    return getattr(value, "ndim", 0) > 0


def normalised(value: Value) -> Value:
    """Return a given value as one that arithmetic here knows: integers that cannot wrap around, lists as arrays."""
    if isinstance(value, list | tuple):
        import numpy as np

        value = np.array(value)
    if is_array(value):
        if value.dtype.kind == "u" and value.dtype.itemsize == 8 and value.size and int(value.max()) >= 1 << 63:
            return value.astype(object)
        return (
            value.astype("int64", copy=False)
            if value.dtype.kind in "iu"
            else value.astype("float64", copy=False)
            if value.dtype.kind == "f"
            else value
        )
    return value.item() if hasattr(value, "ndim") else value


def _largest(value: Value) -> int:
    if is_array(value):
        return max(abs(int(value.max())), abs(int(value.min()))) if value.size else 0
    return abs(int(value))


def _like(value: Value, other: Value) -> Value:
    """Return a lone number as one that an array keeps its type with."""
    if is_array(value) or not is_array(other) or other.dtype.kind == "O":
        return value
    if isinstance(value, Fraction):
        return int(value) if value.denominator == 1 and abs(value) < _EXACT_INTEGER else float(value)
    return value


def _as_numbers(value: Value) -> Value:
    if is_array(value) and value.dtype.kind == "b":
        return value.astype("int64")
    return int(value) if isinstance(value, bool) else value


def _is_whole(value: Value) -> bool:
    return value.dtype.kind == "i" if is_array(value) else isinstance(value, int)


def calculate(sign: str, left: Value, right: Value) -> Value:
    """Return left (+ - * / ^) right."""
    left, right = _as_numbers(left), _as_numbers(right)
    if not is_array(left) and not is_array(right):
        return _calculate_numbers(sign, left, right)
    if sign == "^":
        return _power(left, right)
    left, right = _like(left, right), _like(right, left)
    if sign == "/":
        return _divide(left, right)
    if _is_whole(left) and _is_whole(right):
        one, other = _largest(left), _largest(right)
        if (one * other if sign == "*" else one + other) >= _EXACT_INTEGER:
            left = left.astype("float64") if is_array(left) else float(left)
    return {"+": operator.add, "-": operator.sub, "*": operator.mul}[sign](left, right)


def _calculate_numbers(sign: str, left: Value, right: Value) -> Value:
    if isinstance(left, float) or isinstance(right, float):
        left, right = float(left), float(right)
        if sign == "/":
            return left / right if right else math.nan
        if sign == "^":
            return _float_power(left, right)
    elif sign == "/":
        return Fraction(left) / Fraction(right) if right else math.nan
    elif sign == "^":
        exact = raise_exactly(Fraction(left), Fraction(right))
        return exact if exact is not None else _float_power(float(left), float(right))
    return {"+": operator.add, "-": operator.sub, "*": operator.mul}[sign](left, right)


def _float_power(left: float, right: float) -> float:
    try:
        power = left**right
    except (ZeroDivisionError, OverflowError):
        return math.nan
    return power if isinstance(power, float) else math.nan


def _divide(left: Value, right: Value) -> Value:
    import numpy as np

    if _kind(left) == "O" or _kind(right) == "O":
        return _each(lambda one, other: _calculate_numbers("/", one, other), left, right)
    zero = np.equal(right, 0)
    with np.errstate(over="ignore"):
        quotient = np.true_divide(left, np.where(zero, 1, right))
    return np.where(zero, np.nan, quotient)


def _power(left: Value, right: Value) -> Value:
    """Return powers, each the float nearest to the exact one where that is a fraction: few different exponents stand in an array."""
    import numpy as np

    if _kind(left) == "O" or _kind(right) == "O":
        return _each(lambda one, other: _calculate_numbers("^", one, other), left, right)
    if is_array(left):
        return _each(lambda one, other: float(_calculate_numbers("^", one, other)), left, right).astype("float64")
    exponents, where = np.unique(right, return_inverse=True)
    powers = np.array([float(_calculate_numbers("^", left, exponent.item())) for exponent in exponents], dtype="float64")
    return powers[where].reshape(right.shape)


def _kind(value: Value) -> str:
    return str(value.dtype.kind) if is_array(value) else ""


def _each(function: Callable[[Any, Any], Any], left: Value, right: Value) -> Value:
    import numpy as np

    one, other = np.broadcast_arrays(np.asarray(left, dtype=object), np.asarray(right, dtype=object))
    result = np.empty(one.shape, dtype=object)
    for place in np.ndindex(one.shape):
        result[place] = function(one[place], other[place])
    return result


def absolute(value: Value) -> Value:
    """Return the magnitude."""
    return abs(_as_numbers(value))


def negative(value: Value) -> Value:
    """Return the value with the other sign."""
    return -_as_numbers(value)


def linear(value: Value, factor: Fraction, offset: Fraction) -> Value:
    """Return value x factor + offset: exact for exact numbers, one rounding for a float, at most three for arrays of floats."""
    if factor == 1 and offset == 0:
        return value
    value = _as_numbers(value)
    if is_array(value):
        if value.dtype.kind != "O":
            value = calculate("*", value, Fraction(factor.numerator))
            value = calculate("/", value, Fraction(factor.denominator)) if factor.denominator != 1 else value
            return calculate("+", value, offset) if offset else value
        return value * factor + offset
    if isinstance(value, float):
        return float(Fraction(value) * factor + offset) if math.isfinite(value) else value
    return value * factor + offset


_COMPARISONS: dict[str, Callable[[Any, Any], Any]] = {
    "=": operator.eq, "!=": operator.ne, "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge,
}  # fmt: skip


def compare(sign: str, left: Value, right: Value) -> Value:
    """Return whether a comparison holds, for each element of an array; no value (NaN) is equal to nothing."""
    return _COMPARISONS[sign](_like(left, right), _like(right, left))


def combine(word: str, values: list[Value]) -> Value:
    """Return ``and`` or ``or`` of conditions."""
    import functools

    if any(is_array(value) for value in values):
        return functools.reduce(operator.and_ if word == "and" else operator.or_, values)
    return all(values) if word == "and" else any(values)


def invert(value: Value) -> Value:
    """Return ``not`` of a condition."""
    return ~value if is_array(value) else not value


def elements(value: Value) -> list[Value]:
    """Return the items of the first axis; a lone number is one item."""
    if not isinstance(value, list) and not is_array(value):
        return [value]
    return [item.item() if hasattr(item, "ndim") and not is_array(item) else item for item in value]


def fold(function: str, elements: list[Value]) -> Value:
    """Return sum, min, max, mean, count, any, all or none of elements: numbers, or arrays of instants.

    Sums run in order of the elements, so that they do not depend on how many instants stand beside each other. ``count`` leaves out what
    is no value, and counts how often a condition holds.
    """
    if function in ("any", "all", "none"):
        found = combine("and" if function == "all" else "or", elements)
        return invert(found) if function == "none" else found
    if function == "count":
        return _total([_present(element) for element in elements])
    if not elements:  # the largest of nothing is no value
        return 0 if function == "sum" else math.nan
    if function in ("sum", "mean"):
        total = _total(elements)
        return calculate("/", total, len(elements)) if function == "mean" else total
    best = elements[0]
    for element in elements[1:]:
        best = _extreme(function, best, element)
    return best


def _total(elements: list[Value]) -> Value:
    total: Value = 0
    for element in elements:
        total = calculate("+", total, element)
    return total


def _present(element: Value) -> Value:
    if is_array(element):
        return element if element.dtype.kind == "b" else (element == element).astype("int64")
    return int(element) if isinstance(element, bool) else int(element == element)


def _extreme(function: str, one: Value, other: Value) -> Value:
    if is_array(one) or is_array(other):
        import numpy as np

        return (np.minimum if function == "min" else np.maximum)(_like(one, other), _like(other, one))
    if one != one or other != other:
        return math.nan
    return min(one, other) if function == "min" else max(one, other)


def pick(index: Value, element: Callable[[int], Value]) -> Value:
    """Return the element that ``index`` names, for each instant where the index is an array; no value where there is no such element."""
    if not is_array(index):
        number = _whole_number(index)
        return math.nan if number is None else element(number)
    import numpy as np

    result = np.full(index.shape, np.nan)
    for one in np.unique(index[index == index]).tolist():
        number = _whole_number(one)
        if number is None:
            continue
        try:
            found = np.broadcast_to(element(number), index.shape)
        except LookupError:
            continue
        chosen = index == one
        if found.dtype.kind == "O" and result.dtype.kind != "O":
            result = result.astype(object)
        result[chosen] = found[chosen]
    return result


def _whole_number(index: Value) -> int | None:
    return int(index) if index == index and index == int(index) else None
