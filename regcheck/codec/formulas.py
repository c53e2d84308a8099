"""A map's formulas and conditions, bound once: which variables they ask for, and what they say of exact numbers.

A variable is a string: ``raw``, ``length``, ``last`` and running variables by name; ``.name`` a field of the message itself;
a path such as ``battery_mode.capacity_mode`` what another message said last; each with ``[n]`` for an element and ``#raw``
for its raw value. What is not known makes a formula None. Conditions are three-valued: what is false whatever the unknown may be is false.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from fractions import Fraction
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.binding import Bound, bind
from regcheck.device_map.expression_tree import Expression, Lasting, Logic, Name, Node, Number
from regcheck.device_map.model import Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.units import Unit

Lookup = Callable[[str], Fraction | None]
"""Gives a variable's exact value, None where it is not known."""

Judge = Callable[[Lookup], bool | None]
"""Tells whether something holds; None where that is not known."""

REMEMBERED = 1 << 16
"""Answers that a formula or a condition keeps, so that it asks no row twice and yet needs no more memory in a longer capture."""

Sensors = Mapping[str, Callable[..., Any]]


class _Unknown(Exception):
    """A variable is not known."""


@dataclass(frozen=True, slots=True)
class Naming:
    """How the names of one message's formulas become variables."""

    register_map: RegisterMap
    message: Message
    local_names: tuple[str, ...] = ()
    sensors: Sensors = dataclass_field(default_factory=dict)

    def scope(self) -> MapScope:
        """Return what the names mean."""
        return MapScope(self.register_map, self.message, dict.fromkeys(self.local_names))

    def variable(self, name: Name) -> str:
        """Return the variable of a name."""
        found = self.scope().resolve(name)
        view = "#raw" if name.view == "raw" else ""
        index = f"[{name.index.value}]" if isinstance(name.index, Number) else ""
        if found is None:
            return ".".join(name.parts) + index + view
        return (f".{found.name}" if found.message == self.message.name else found.path) + index + view


class _Values:
    """What a bound expression asks for the values of its names."""

    def __init__(self, naming: Naming, names: tuple[Name, ...]) -> None:
        self._naming, self._variables = naming, dict[Name, str]()
        # an element whose number is itself a formula cannot be asked for beforehand, nor can a whole array: never known
        self.known = tuple(dict.fromkeys(self.variable(name) for name in names if name.index is None or isinstance(name.index, Number)))

    def variable(self, name: Name) -> str:
        if name not in self._variables:
            self._variables[name] = self._naming.variable(name)
        return self._variables[name]

    def of(self, lookup: Lookup) -> Callable[[Name], Fraction]:
        def value(name: Name) -> Fraction:
            variable = self.variable(name)
            found = None if name.whole or name.view == "seen" or variable not in self.known else lookup(variable)
            if found is None:
                raise _Unknown
            return found

        return value


@dataclass(frozen=True, slots=True, eq=False)
class Quantity:
    """A formula of numbers; ``constant`` is its value where it asks for nothing."""

    text: str
    variables: tuple[str, ...]
    constant: Fraction | None
    bound: Bound | None = None
    values: _Values | None = None
    known: dict[tuple[Fraction | None, ...], Fraction | None] = dataclass_field(default_factory=dict)

    def of_row(self, row: tuple[Fraction | None, ...]) -> Fraction | None:
        """Return ``value`` where the variables have the values of ``row``; what was asked lately is remembered."""
        if row not in self.known:
            if len(self.known) >= REMEMBERED:
                self.known.clear()
            self.known[row] = self.value(dict(zip(self.variables, row, strict=True)).get)
        return self.known[row]

    def value(self, lookup: Lookup) -> Fraction | None:
        """Return the exact value; None where a variable is not known or there is none (a division by zero)."""
        if self.constant is not None:
            return self.constant
        assert self.bound is not None  # noqa: S101 - only constants stand alone
        assert self.values is not None  # noqa: S101
        try:
            found = self.bound.evaluate(self.values.of(lookup))
        except _Unknown:
            return None
        if isinstance(found, Fraction):
            return found
        return Fraction(float(found)) if math.isfinite(found) else None

    def column(self, raw: NDArray[np.int64], lookup: Lookup) -> NDArray[np.float64]:
        """Return the values of raw codes, float64[n], NaN for none; every other variable comes from ``lookup`` and must be known."""
        assert self.bound is not None  # noqa: S101 - a formula of raw is no constant
        values = self.values
        assert values is not None  # noqa: S101
        numbers = raw.astype(np.float64)

        def value(name: Name) -> Any:
            variable = values.variable(name)
            return numbers if variable == "raw" else float(lookup(variable) or 0)

        with np.errstate(all="ignore"):
            found = np.asarray(self.bound.evaluate(value), np.float64)
        return np.where(np.isfinite(found), found, np.nan) + np.zeros(raw.shape)


def quantity(expression: Expression, naming: Naming, unit: Unit | None = None) -> Quantity:
    """Return a formula bound; its value is in ``unit``, a temperature of its own being a difference. Raises ExpressionError."""
    constant = expression.constant()
    if constant is not None:
        return Quantity(expression.text, (), constant)
    bound = bind(expression, naming.scope(), unit, sensors=naming.sensors, difference=True)
    return _quantity(bound, naming)


def conversion(expression: Expression, naming: Naming, unit: Unit | None) -> Quantity:
    """Return a formula of raw codes, whose value is a point on its scale. Raises ExpressionError."""
    return _quantity(bind(expression, naming.scope(), unit, sensors=naming.sensors), naming)


def _quantity(bound: Bound, naming: Naming) -> Quantity:
    values = _Values(naming, bound.names)
    made = Quantity(bound.expression.text, values.known, None, bound, values)
    return made if bound.names else Quantity(made.text, (), made.value(lambda _: None), bound, values)


@dataclass(frozen=True, slots=True, eq=False)
class Condition:
    """A condition. ``lasting`` names the variables that stand for `for`, with their conditions and durations in ns."""

    text: str
    variables: tuple[str, ...]
    judge: Callable[[Lookup], bool | None]
    lasting: tuple[tuple[str, Condition, int], ...] = ()
    known: dict[tuple[Fraction | None, ...], int] = dataclass_field(default_factory=dict)

    def verdict(self, row: tuple[Fraction | None, ...]) -> int:
        """Return 1, 0, or -1 for not known, where the variables have the values of ``row``; what was asked once is remembered."""
        found = self.known.get(row)
        if found is None:
            if len(self.known) >= REMEMBERED:
                self.known.clear()
            holds = self.judge(dict(zip(self.variables, row, strict=True)).get)
            found = self.known[row] = -1 if holds is None else int(holds)
        return found

    def holds(self, lookup: Lookup) -> bool | None:
        """Return whether it holds; None where that is not known."""
        return self.judge(lookup)


def condition(expression: Expression, naming: Naming, *, timed: bool = False) -> Condition:
    """Return a condition bound. Without ``timed`` every `for` is taken to have lasted; else it becomes a variable of its own."""
    return _condition(expression, expression.root, naming, timed)


def _condition(expression: Expression, node: Node, naming: Naming, timed: bool) -> Condition:
    if isinstance(node, Lasting):
        inner = _condition(expression, node.condition, naming, timed)
        if not timed:
            return inner
        duration_ns = int(node.duration.value * (node.duration.unit.factor if node.duration.unit else 1) * 10**9)
        variable = f"for {duration_ns} ns: {node.condition!r}"
        return Condition(expression.text, (variable,), partial(_lasted, variable), ((variable, inner, duration_ns),))
    if isinstance(node, Logic):
        parts = [_condition(expression, operand, naming, timed) for operand in node.operands]
        variables = tuple(dict.fromkeys(variable for part in parts for variable in part.variables))
        lasting = tuple(one for part in parts for one in part.lasting)
        return Condition(expression.text, variables, _logic(node.operator, [part.judge for part in parts]), lasting)
    bound = bind(Expression(expression.text, node, expression.place), naming.scope(), "condition", sensors=naming.sensors)
    values = _Values(naming, bound.names)
    return Condition(expression.text, values.known, partial(_evaluated, bound, values))


# Judges are functions of a module with what they know bound to them: a check sends its conditions to other processes.


def _evaluated(bound: Bound, values: _Values, lookup: Lookup) -> bool | None:
    try:
        return bool(bound.evaluate(values.of(lookup)))
    except _Unknown:
        return None


def _lasted(variable: str, lookup: Lookup) -> bool | None:
    value = lookup(variable)
    return None if value is None else bool(value)


def _logic(operator: str, parts: Sequence[Judge]) -> Judge:
    if operator == "not":
        (only,) = parts
        return partial(_inverted, only)
    return partial(_joined, tuple(parts), operator == "or")


def _inverted(only: Judge, lookup: Lookup) -> bool | None:
    found = only(lookup)
    return None if found is None else not found


def _joined(parts: Sequence[Judge], decisive: bool, lookup: Lookup) -> bool | None:
    unknown = False
    for part in parts:
        found = part(lookup)
        if found is decisive:
            return decisive
        unknown |= found is None
    return None if unknown else not decisive
