"""The functions of expressions: folds over elements, sensors, views and what runs over time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from regcheck.device_map import arithmetic
from regcheck.device_map.expression_tree import Call, Name, Node, Number, show
from regcheck.device_map.expressions import FOLDS, SENSORS, TEMPORALS, VIEWS
from regcheck.device_map.pieces import NUMBERS, Checker, Form, Piece, Value, Values, scaled
from regcheck.device_map.sensor_signatures import SIGNATURES
from regcheck.device_map.units import DIMENSIONLESS, TABLE, Unit
from regcheck.device_map.words import known_list, nearest


class Functions(Checker):
    """Checks calls."""

    def call(self, node: Call) -> Piece:
        """Return a call checked."""
        if node.function in SENSORS:
            return self.sensor(node)
        if node.function in VIEWS:
            return self.seen_as(node)
        if node.function in TEMPORALS:
            return self.moving(node)
        if node.function in FOLDS:
            return self.fold(node)
        inner = self.number(self.piece(self.only(node)), points=False)
        return replace(inner, node=node, run=lambda values: arithmetic.absolute(inner.run(values)))

    def only(self, node: Call) -> Node:
        """Return the one argument of a function that takes one."""
        if len(node.arguments) != 1 or node.keywords:
            self.fail(node, f"{node.function}() takes one argument; {len(node.arguments)} were found")
        return node.arguments[0]

    def seen_as(self, node: Call) -> Piece:
        """Return a raw, applied or reported value."""
        operand = self.only(node)
        if self.view:
            self.fail(node, f"{node.function}() stands inside {self.view}()")
        if node.function == "raw" and not isinstance(operand, Name):
            self.fail(operand, "raw() takes a field's name")
        self.view = node.function
        piece = self.piece(operand)
        self.view = ""
        return replace(piece, node=node)

    def moving(self, node: Call) -> Piece:
        """Return a change or an integral over time."""
        inner = self.number(self.piece(self.only(node)), points=node.function == "change")
        run = self.over_time(node, node.function, inner, None)
        if node.function == "integral":
            return Piece(Form.VALUE, inner.unit.times(TABLE["s"]), node, run)
        form = Form.DIFFERENCE if inner.form in (Form.POINT, Form.DIFFERENCE) else Form.VALUE
        return Piece(form, inner.unit.as_difference(), node, run)

    def nanoseconds(self, node: Node) -> int:
        """Return a duration."""
        if not isinstance(node, Number) or node.unit is None or not node.unit.fits(TABLE["s"]):
            self.fail(node, "expected a duration such as 1 min")
        duration = node.value * node.unit.factor * 1_000_000_000
        if duration.denominator != 1 or duration <= 0:
            self.fail(node, f"{show(node)} is no duration; expected whole nanoseconds above 0")
        return int(duration)

    def over_time(self, node: Node, what: str, inner: Piece, duration_ns: int | None) -> Callable[[Values], Value]:
        """Return the evaluator of what needs readings over time."""
        if not self.allow:
            shown = "`for`" if what == "for" else f"{what}() over time" if what == "mean" else f"{what}()"
            self.fail(node, f"{shown} needs readings over time, which are not at hand here")
        temporal, run = self.temporal, inner.run
        if temporal is None:
            return lambda _: self.fail(node, "this was bound for checking only: no readings over time are at hand")
        return lambda values: temporal(what, run, duration_ns, values)

    def fold(self, node: Call) -> Piece:
        """Return a fold over the elements of its arguments."""
        function = node.function
        if function == "mean" and len(node.arguments) == 2 and isinstance(node.arguments[1], Number) and node.arguments[1].unit is not None:
            inner = self.number(self.piece(node.arguments[0]))
            return replace(inner, node=node, run=self.over_time(node, "mean", inner, self.nanoseconds(node.arguments[1])))
        if function == "none" and isinstance(node.arguments[0], Name) and len(node.arguments) == 1:
            return self.unseen(node, node.arguments[0])
        outer, axis, self.whole = self.whole, self.has_elements, True
        pieces: list[Piece] = []
        arrays: list[bool] = []
        for argument in node.arguments:
            self.has_elements = False
            pieces.append(self.piece(argument))
            arrays.append(self.has_elements)
        self.whole, self.has_elements = outer, axis
        if function in ("any", "all", "none"):
            conditions = [self.condition(piece) for piece in pieces]
            return self.holds(node, _folded(function, conditions, arrays))
        if function == "count":
            for piece in pieces:
                if piece.form not in (*NUMBERS, Form.CONDITION):
                    self.number(piece)
            return Piece(Form.VALUE, DIMENSIONLESS, node, _folded(function, pieces, arrays))
        pieces = [self.as_point(self.number(piece)) if function != "sum" else self.number(piece, points=False) for piece in pieces]
        first = next((piece for piece in pieces if piece.form is not Form.BARE), pieces[0])
        alike = []
        for piece in pieces:
            piece = self.adopt(piece, first.unit)
            if not piece.unit.fits(first.unit) or (Form.POINT in (first.form, piece.form) and Form.DIFFERENCE in (first.form, piece.form)):
                self.fail(piece.node, f"{self.what(first)} and {self.what(piece)} cannot stand in one {function}()")
            alike.append(scaled(piece, first.unit, first.form, point=first.form is not Form.DIFFERENCE and piece.form is not Form.BARE))
        return Piece(first.form, first.unit, node, _folded(function, alike, arrays))

    def unseen(self, node: Call, name: Name) -> Piece:
        """Return whether a message was never seen."""
        seen = replace(name, view="seen")
        try:
            self.scope.kind_of(name)
        except LookupError as error:
            self.fail(name, str(error.args[0]) if error.args else f"'{'.'.join(name.parts)}' is not known here")
        self.names.append(seen)
        return self.holds(node, lambda values: arithmetic.invert(arithmetic.normalised(values(seen))))

    def sensor(self, node: Call) -> Piece:
        """Return a sensor function's result, its arguments in base SI units."""
        signature = SIGNATURES[node.function]
        if not node.arguments:
            self.fail(node, f"{node.function}() needs the quantity that it converts")
        keys = dict(node.keywords)
        for key, value in keys.items():
            if key not in signature.keywords:
                near = nearest(key, signature.keywords) or known_list(signature.keywords) or "none"
                self.fail(value, f"{node.function}() has no '{key}'; expected {near}")
        missing = [key for key in signature.keywords if key not in keys and key not in signature.optional]
        if missing:
            self.fail(node, f"{node.function}() needs {known_list(missing)}")
        if len(node.arguments) > 1 and not signature.rest:
            self.fail(node.arguments[1], f"{node.function}() takes one value; its parameters are named: {known_list(signature.keywords)}")
        first = self.number(self.piece(node.arguments[0]))
        argument = first.unit if signature.argument is None else signature.argument
        positional = [self.base(first, argument)]
        unit: Unit | None = signature.result
        for place, value in enumerate(node.arguments[1:]):
            piece = self.as_point(self.number(self.piece(value)))
            expected = signature.rest[place % len(signature.rest)]
            target = argument if expected == "argument" else unit if expected == "result" else expected
            if target is None and piece.form is not Form.BARE:
                unit = target = piece.unit
            positional.append(self.base(piece, target if isinstance(target, Unit) else DIMENSIONLESS))
        named = {key: self.base(self.as_point(self.number(self.piece(value))), signature.keywords[key]) for key, value in keys.items()}
        form = Form.BARE if unit is None else Form.POINT if unit.offset else Form.VALUE
        return Piece(form, unit or DIMENSIONLESS, node, self.calling(node, positional, named))

    def base(self, piece: Piece, unit: Unit) -> Piece:
        """Return a piece in a base unit; temperatures are points."""
        if piece.form is Form.BARE:
            return replace(piece, unit=unit)
        if not piece.unit.fits(unit):
            expected = "a plain number" if unit == DIMENSIONLESS else str(unit)
            self.fail(piece.node, f"{self.what(piece)} was found; expected {expected}, or what can be given in it")
        return scaled(piece, unit, piece.form, point=piece.form is not Form.DIFFERENCE)

    def calling(self, node: Call, positional: list[Piece], named: dict[str, Piece]) -> Callable[[Values], Value]:
        """Return the evaluator of a sensor function."""
        model = self.sensors.get(node.function)
        if model is None:
            return lambda _: self.fail(node, f"{node.function}() was bound for checking only: no sensor model is at hand")
        convert = model

        def run(values: Values) -> Value:
            arguments = [_floating(piece.run(values)) for piece in positional]
            keywords = {key: _floating(piece.run(values)) for key, piece in named.items()}
            return arithmetic.normalised(convert(*arguments, **keywords))

        return run


def _floating(value: Value) -> Value:
    return value.astype("float64") if arithmetic.is_array(value) else float(value)


def _folded(function: str, pieces: list[Piece], arrays: list[bool]) -> Callable[[Values], Value]:
    """Return a fold over the elements of all pieces; one whose value has no axis of elements is an element itself."""

    def run(values: Values) -> Value:
        elements: list[Value] = []
        for piece, is_array in zip(pieces, arrays, strict=True):
            value = piece.run(values)
            elements += arithmetic.elements(value) if is_array else [value]
        return arithmetic.fold(function, elements)

    return run
