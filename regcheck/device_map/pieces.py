"""Checked parts of an expression: what a part is, its unit, and how it is evaluated."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction
from typing import Any, Literal, NoReturn, Protocol, TypeAlias

from regcheck.device_map import arithmetic
from regcheck.device_map.expression_tree import Expression, Name, Node, Number, show
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.units import DIMENSIONLESS, Unit

Value: TypeAlias = Any  # a Fraction, int, float, bool or array: arithmetic.py
Values: TypeAlias = Callable[[Name], Value]
"""Gives a name's value in its unit: a number, or an array of instants.

A name with ``whole`` asks for all elements: a list, or an array with the elements as its first axis; a field that is no array has one.
"""

Temporal: TypeAlias = Callable[[str, Callable[[Values], Value], int | None, Values], Value]
"""Called with what is asked ("for", "change", "integral", "mean"), the evaluator of the operand, a duration in ns, and the values.

Gives a condition (for), the operand's change, its integral over time in seconds, or its mean over the duration.
"""


class Scope(Protocol):
    """What names mean."""

    def unit_of(self, name: Name) -> Unit | None:
        """Return the unit of a name, None for a plain number; raise LookupError with a suggestion."""

    def labels_of(self, name: Name) -> Mapping[str, int]:
        """Return the labels of a field's values, empty where it has none."""

    def kind_of(self, name: Name) -> Literal["number", "version", "text", "message"]:
        """Return what a name is."""


class Form(Enum):
    """What a piece is; a plain number takes the other side's unit, points and differences are those of a temperature scale."""

    BARE = "a plain number"
    VALUE = "a value"
    POINT = "a temperature"
    DIFFERENCE = "a difference of temperatures"
    CONDITION = "a condition"
    VERSION = "a version"
    TEXT = "a text"


NUMBERS = (Form.BARE, Form.VALUE, Form.POINT, Form.DIFFERENCE)


@dataclass(frozen=True, slots=True)
class Piece:
    """A checked part: its form, unit, node, and how it is evaluated."""

    form: Form
    unit: Unit
    node: Node
    run: Callable[[Values], Value]


def scaled(piece: Piece, target: Unit, form: Form, point: bool) -> Piece:
    """Return a piece in another unit of the same dimension."""
    source = piece.unit
    factor = source.factor / target.factor
    offset = (source.offset - target.offset) / target.factor if point else Fraction(0)
    if factor == 1 and offset == 0:
        return replace(piece, unit=target, form=form)
    run = piece.run
    return Piece(form, target, piece.node, lambda values: arithmetic.linear(run(values), factor, offset))


class Checker:
    """What every check of one expression needs; ``piece`` is given by binding."""

    def __init__(
        self, expression: Expression, scope: Scope, sensors: Mapping[str, Callable[..., Any]], temporal: Temporal | None, allow: bool
    ) -> None:
        self.expression, self.scope, self.sensors, self.temporal, self.allow = expression, scope, sensors, temporal, allow
        self.names: list[Name] = []
        self.view = ""
        self.whole = False
        self.has_elements = False

    def fail(self, node: Node, problem: str) -> NoReturn:
        """Refuse the expression, with a caret under a node."""
        raise ExpressionError(problem, self.expression.text, node.column)

    def piece(self, node: Node) -> Piece:
        """Return a node checked."""
        raise NotImplementedError

    def holds(self, node: Node, run: Callable[[Values], Value]) -> Piece:
        """Return a condition."""
        return Piece(Form.CONDITION, DIMENSIONLESS, node, run)

    def condition(self, piece: Piece) -> Piece:
        """Return a piece that is a condition."""
        if piece.form is not Form.CONDITION:
            self.fail(piece.node, f"{show(piece.node)} is {piece.form.value}; expected a condition, such as {show(piece.node, 6)} = 1")
        return piece

    def number(self, piece: Piece, *, points: bool = True) -> Piece:
        """Return a piece that is a number."""
        if piece.form not in NUMBERS:
            self.fail(piece.node, f"{show(piece.node)} is {piece.form.value}; expected a number")
        if piece.form is Form.POINT and not points:
            self.fail(
                piece.node, f"{show(piece.node)} is a point on the {piece.unit} scale; only a difference or a value in K can be used so"
            )
        return piece

    def adopt(self, piece: Piece, unit: Unit) -> Piece:
        """Return a bare number in the other side's unit."""
        return replace(piece, unit=unit.as_difference()) if piece.form is Form.BARE else piece

    def what(self, piece: Piece) -> str:
        """Return what to call a piece's unit."""
        return "a plain number" if piece.unit == DIMENSIONLESS else str(piece.unit)

    def as_point(self, piece: Piece) -> Piece:
        """Return a degC literal as the point that it is beside a comparison."""
        if isinstance(piece.node, Number) and piece.node.unit is not None and piece.node.unit.offset:
            return replace(piece, unit=piece.node.unit, form=Form.POINT)
        return piece
