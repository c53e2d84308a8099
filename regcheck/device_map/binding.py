"""Expressions bound to a map: units and labels checked once, then evaluated on exact numbers, floats and arrays alike.

Temperatures: a field in degC is a point on the scale, and so is a degC literal right beside a comparison or in ``in``; a degC literal
anywhere else is a difference, and so is one point less another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Literal

from regcheck.device_map import arithmetic
from regcheck.device_map.bound_functions import Functions
from regcheck.device_map.expression_tree import (
    Binary,
    Call,
    Compare,
    Expression,
    In,
    Lasting,
    Logic,
    Name,
    Node,
    Number,
    Unary,
    Version,
    Word,
    fold_numbers,
    show,
)
from regcheck.device_map.pieces import NUMBERS, Form, Piece, Scope, Temporal, Value, Values, scaled
from regcheck.device_map.units import DIMENSIONLESS, TABLE, Unit
from regcheck.device_map.words import known_list, nearest

__all__ = ["Bound", "Scope", "Temporal", "Value", "Values", "bind"]

_KELVIN = TABLE["K"].dimension


@dataclass(frozen=True, slots=True)
class Bound:
    """A checked expression. ``names`` are those that ``evaluate`` asks for, labels left out, indexes as written.

    ``unit`` is the wanted one; with "any" the expression's own; None for a plain number or a condition.
    """

    expression: Expression
    names: tuple[Name, ...]
    unit: Unit | None
    evaluator: Callable[[Values], Value]
    is_condition: bool = False

    def evaluate(self, values: Values) -> Value:
        """Return the value in ``unit``, or whether the condition holds; NaN where there is no value (a division by zero).

        An element's index is evaluated first: ``values`` is asked for a name with a Number as its index.
        """
        return self.evaluator(values)


def bind(
    expression: Expression,
    scope: Scope,
    wanted: Unit | Literal["condition", "any"] | None = None,
    *,
    sensors: Mapping[str, Callable[..., Any]] | None = None,
    temporal: Temporal | None = None,
    allow_temporal: bool = False,
    difference: bool = False,
) -> Bound:
    """Return the expression checked against units and labels.

    ``wanted`` is the unit of the result (None: a plain number; "any": its own); a result without a unit counts as in it. With
    ``difference`` a degC literal on its own is a difference (an offset, a scale), else a point. ``sensors`` give sensor functions by name,
    on base SI values. ``temporal`` serves ``for``, ``change``, ``integral`` and the mean over time; ``allow_temporal`` alone lets them be
    checked, not evaluated. Raises ExpressionError.
    """
    binder = _Binder(expression, scope, sensors or {}, temporal, allow_temporal or temporal is not None)
    piece = binder.piece(expression.root)
    names = tuple(dict.fromkeys(binder.names))
    if wanted == "condition" or (wanted == "any" and piece.form is Form.CONDITION):
        condition = binder.condition(piece)
        return Bound(expression, names, None, condition.run, is_condition=True)
    if wanted == "any":
        if piece.form not in NUMBERS:
            return Bound(expression, names, None, piece.run)
        unit = piece.node.unit if isinstance(piece.node, Number) and piece.node.unit is not None else piece.unit
        return Bound(expression, names, None if unit == DIMENSIONLESS else unit, piece.run)
    target = wanted if isinstance(wanted, Unit) else DIMENSIONLESS
    return Bound(expression, names, wanted if isinstance(wanted, Unit) else None, binder.result(piece, target, difference).run)


class _Binder(Functions):
    """Checks one expression."""

    def piece(self, node: Node) -> Piece:
        match node:
            case Number(value=value, unit=unit):
                form = Form.BARE if unit is None else Form.DIFFERENCE if unit.offset else Form.VALUE
                return Piece(form, unit.as_difference() if unit else DIMENSIONLESS, node, lambda _: value)
            case Version(major=major, minor=minor):
                return Piece(Form.VERSION, DIMENSIONLESS, node, lambda _: major * 256 + minor)
            case Word(text=text):
                return Piece(Form.TEXT, DIMENSIONLESS, node, lambda _: text)
            case Name():
                return self.name(node)
            case Call():
                return self.call(node)
            case Unary(operand=operand):
                inner = self.number(self.piece(operand), points=False)
                return replace(inner, node=node, run=lambda values: arithmetic.negative(inner.run(values)))
            case Binary(operator="+" | "-"):
                return self.sum(node)
            case Binary():
                return self.product(node)
            case Compare():
                return self.compare(node)
            case In(value=value, low=low, high=high):
                middle = self.number(self.piece(value))
                below = self.beside(node, ">=", middle, self.number(self.piece(low)))
                above = self.beside(node, "<=", middle, self.number(self.piece(high)))
                return self.holds(node, lambda values: arithmetic.combine("and", [below.run(values), above.run(values)]))
            case Logic(operator="not", operands=(operand,)):
                inner = self.condition(self.piece(operand))
                return self.holds(node, lambda values: arithmetic.invert(inner.run(values)))
            case Logic(operator=operator, operands=operands):
                conditions = [self.condition(self.piece(operand)) for operand in operands]
                return self.holds(node, lambda values: arithmetic.combine(operator, [each.run(values) for each in conditions]))
            case Lasting(condition=condition, duration=duration):
                inner = self.condition(self.piece(condition))
                return self.holds(node, self.over_time(node, "for", inner, self.nanoseconds(duration)))

    # names

    def name(self, node: Name) -> Piece:
        name = replace(node, view=self.view, whole=self.whole and node.index is None)
        try:
            unit = self.scope.unit_of(node) or DIMENSIONLESS
            kind = self.scope.kind_of(node)
        except LookupError as error:
            self.fail(node, str(error.args[0]) if error.args else f"'{'.'.join(node.parts)}' is not known here")
        if kind == "message":
            self.fail(node, f"'{'.'.join(node.parts)}' is a message; expected a field, or none({'.'.join(node.parts)})")
        self.names.append(name)
        self.has_elements = self.has_elements or name.whole
        form = Form.VERSION if kind == "version" else Form.TEXT if kind == "text" else Form.POINT if unit.offset else Form.VALUE
        if self.view == "raw":
            form, unit = Form.VALUE, DIMENSIONLESS
        return Piece(form, unit, node, self.reader(name))

    def reader(self, name: Name) -> Callable[[Values], Value]:
        if name.index is None or isinstance(name.index, Number):
            return lambda values: arithmetic.normalised(values(name))
        view, whole, self.view, self.whole = self.view, self.whole, "", False
        index = self.number(self.piece(name.index))
        self.view, self.whole = view, whole
        if index.unit.dimension:
            self.fail(name.index, f"an element's number has no unit; {index.unit} was found")

        def read(values: Values) -> Value:
            def element(number: int) -> Value:
                return arithmetic.normalised(values(replace(name, index=Number(Fraction(number)))))

            return arithmetic.pick(index.run(values), element)

        return read

    # arithmetic

    def sum(self, node: Binary) -> Piece:
        left, right = self.number(self.piece(node.left)), self.number(self.piece(node.right))
        left, right = self.adopt(left, right.unit), self.adopt(right, left.unit)
        if not left.unit.fits(right.unit):
            verb = "added" if node.operator == "+" else "subtracted"
            self.fail(node, f"{self.what(left)} and {self.what(right)} cannot be {verb}")
        sign = node.operator
        forms = (left.form, right.form)
        if forms == (Form.POINT, Form.POINT) and sign == "+":
            self.fail(node, f"two temperatures in {left.unit} cannot be added; only their difference or mean means something")
        if sign == "-" and left.form is not Form.POINT and right.form is Form.POINT:
            if left.form is Form.DIFFERENCE or isinstance(left.node, Number):
                self.fail(node, "a temperature cannot be subtracted from a difference")
            left = scaled(left, right.unit, Form.POINT, point=True)
            forms = (Form.POINT, Form.POINT)
        if sign == "-" and left.form is Form.POINT and right.form is Form.VALUE and not isinstance(right.node, Number):
            forms = (Form.POINT, Form.POINT)
        if forms == (Form.POINT, Form.POINT):
            right = scaled(right, left.unit, Form.POINT, point=True)
            form, unit = Form.DIFFERENCE, left.unit.as_difference()
        elif Form.POINT in forms:
            form = Form.POINT
            unit = left.unit if left.form is Form.POINT else right.unit
            left, right = (scaled(each, unit, Form.POINT, point=False) for each in (left, right))
        else:
            form = left.form if left.form is right.form else Form.VALUE
            unit = left.unit
            right = scaled(right, unit, form, point=False)
        one, other = left.run, right.run
        return Piece(form, unit, node, lambda values: arithmetic.calculate(sign, one(values), other(values)))

    def product(self, node: Binary) -> Piece:
        sign = node.operator
        left, right = self.number(self.piece(node.left), points=False), self.number(self.piece(node.right), points=False)
        form = Form.BARE if left.form is right.form is Form.BARE else Form.VALUE
        if sign == "^":
            left, unit = self.power(node, left, right)
        else:
            unit = left.unit.times(right.unit) if sign == "*" else left.unit.per(right.unit)
            if Form.DIFFERENCE in (left.form, right.form) and unit.dimension == _KELVIN:
                form = Form.DIFFERENCE
        one, other = left.run, right.run
        return Piece(form, unit, node, lambda values: arithmetic.calculate(sign, one(values), other(values)))

    def power(self, node: Binary, left: Piece, right: Piece) -> tuple[Piece, Unit]:
        if right.unit.dimension:
            self.fail(right.node, f"an exponent is a plain number; {right.unit} was found")
        if right.unit != DIMENSIONLESS:
            self.fail(right.node, f"an exponent has no unit; {right.unit} was found")
        if not left.unit.dimension:
            return scaled(left, DIMENSIONLESS, left.form, point=False), DIMENSIONLESS
        exponent = fold_numbers(node.right)
        if exponent is None or exponent.denominator != 1 or abs(exponent) > 9:
            self.fail(right.node, f"a value in {left.unit} can only be raised to a whole number up to 9")
        return left, left.unit.power(int(exponent))

    def result(self, piece: Piece, target: Unit, difference: bool) -> Piece:
        """Return the whole expression in the wanted unit."""
        piece = self.number(piece)
        if piece.form is Form.BARE or piece.unit == DIMENSIONLESS:
            return replace(piece, unit=target)
        if not piece.unit.fits(target):
            expected = "a plain number" if target == DIMENSIONLESS else str(target)
            self.fail(piece.node, f"this gives {self.what(piece)}; expected {expected}")
        if isinstance(piece.node, Number) and piece.node.unit is not None:
            piece = replace(piece, unit=piece.node.unit)
            return scaled(piece, target, piece.form, point=not difference)
        return scaled(piece, target, piece.form, point=not difference and piece.form is not Form.DIFFERENCE)

    # comparisons

    def compare(self, node: Compare) -> Piece:
        left, right = node.left, node.right
        one = self.labels(left) if isinstance(right, Word | Name) and node.operator in ("=", "!=") else {}
        other = self.labels(right) if isinstance(left, Word | Name) and node.operator in ("=", "!=") else {}
        if one and (raw := self.label(right, one, left)) is not None:
            return self.against_label(node, left, raw)
        if other and (raw := self.label(left, other, right)) is not None:
            return self.against_label(node, right, raw)
        if node.operator not in ("=", "!="):
            for field, word in ((left, right), (right, left)):
                if isinstance(word, Name) and len(word.parts) == 1 and word.parts[0] in self.labels(field):
                    self.fail(word, f"'{word.parts[0]}' is a label of {show(field)}; labels are only equal (=) or not (!=)")
        first, second = self.piece(left), self.piece(right)
        for form in (Form.VERSION, Form.TEXT, Form.CONDITION):
            if form not in (first.form, second.form):
                continue
            if first.form is not second.form or form is Form.CONDITION:
                self.fail(node, f"{show(left)} is {first.form.value}, {show(right)} is {second.form.value}; these cannot be compared")
            if form is Form.TEXT and node.operator not in ("=", "!="):
                self.fail(node, "texts are only equal or not")
            return self.plainly(node, node.operator, first, second)
        return self.beside(node, node.operator, first, second)

    def plainly(self, node: Node, sign: str, left: Piece, right: Piece) -> Piece:
        one, other = left.run, right.run
        return self.holds(node, lambda values: arithmetic.compare(sign, one(values), other(values)))

    def labels(self, node: Node) -> Mapping[str, int]:
        """Return the labels of the field that a side is about."""
        if isinstance(node, Call) and node.function in ("min", "max", "raw", "applied", "reported") and node.arguments:
            return self.labels(node.arguments[0])
        if not isinstance(node, Name):
            return {}
        try:
            return self.scope.labels_of(node)
        except LookupError:
            return {}

    def label(self, node: Node, labels: Mapping[str, int], field: Node) -> int | None:
        """Return the raw value of a label; None where the word is a name of its own."""
        if isinstance(node, Name) and (len(node.parts) > 1 or node.index is not None):
            return None
        word = node.text if isinstance(node, Word) else node.parts[0] if isinstance(node, Name) else ""
        if word in labels:
            return labels[word]
        if isinstance(node, Name):
            try:
                self.scope.unit_of(node)
            except LookupError:
                pass
            else:
                return None
        near = nearest(word, labels)
        hint = f"did you mean {near}?" if near else f"expected {known_list(labels)}"
        return self.fail(node, f"'{word}' is no label of {show(field)}; {hint}")

    def against_label(self, node: Compare, field: Node, raw: int) -> Piece:
        piece = self.piece(field)
        run, sign = piece.run, node.operator
        return self.holds(node, lambda values: arithmetic.compare(sign, run(values), raw))

    def beside(self, node: Node, sign: str, left: Piece, right: Piece) -> Piece:
        """Return a comparison of two numbers in one unit: that of the side which is no literal."""
        left, right = self.as_point(left), self.as_point(right)
        if left.form is Form.BARE:
            left = replace(left, unit=right.unit, form=right.form)
        if right.form is Form.BARE:
            right = replace(right, unit=left.unit, form=left.form)
        if not left.unit.fits(right.unit):
            self.fail(node, f"{self.what(left)} and {self.what(right)} cannot be compared")
        if {left.form, right.form} == {Form.POINT, Form.DIFFERENCE}:
            self.fail(node, "a difference of temperatures cannot be compared with a temperature; give the limit in K")
        point = Form.DIFFERENCE not in (left.form, right.form)
        if isinstance(left.node, Number):
            left = scaled(left, right.unit, right.form, point=point)
        else:
            right = scaled(right, left.unit, left.form, point=point)
        return self.plainly(node, sign, left, right)
