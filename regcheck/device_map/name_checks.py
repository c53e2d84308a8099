"""What lint says of formulas and conditions: names that the map does not have, units that do not fit, labels unknown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.model import Field, Length, Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.units import Unit
from regcheck.errors import Place, Problem

Wanted = Unit | Literal["condition", "any"] | None


def bind_problem(
    register_map: RegisterMap,
    message: Message | None,
    expression: Expression,
    wanted: Wanted,
    place: Place,
    broken: set[str],
    local_names: Mapping[str, Unit | None] | None = None,
) -> Problem | None:
    """Return what is wrong with an expression's names, units and labels; nothing where a name is missing for another fault's sake."""
    try:
        bind(expression, MapScope(register_map, message, local_names), wanted, allow_temporal=True)
    except ExpressionError as error:
        mentioned = {part for name in expression.names() for part in name.parts}
        at = expression.place if expression.place.line else place
        return None if broken & mentioned else Problem(at, error.problem, f"in '{expression.text}'")
    return None


def check_field_formulas(register_map: RegisterMap, message: Message, field: Field, broken: set[str]) -> Iterator[Problem]:
    """Give what is wrong with the formulas and conditions of a field."""
    local_names: dict[str, Unit | None] = {"applied": field.unit, "reported": field.unit}
    if field.each is not None and field.each.variable:
        local_names[field.each.variable] = None
    at = field.given_keys.get
    checks: list[tuple[Expression | None, Wanted, str]] = []
    for meaning in field.meanings:
        key = "meanings" if len(field.meanings) > 1 else "scale"
        checks += [
            (meaning.when, "condition", "meanings"),
            (meaning.scale, meaning.unit, key),
            (meaning.offset, meaning.unit, "offset"),
            (meaning.zero, None, "zero"),
            (meaning.convert, meaning.unit, "convert"),
        ]
        checks += [(value, None, name) for name, value in meaning.parameters.items()]
    checks += [
        (field.negative_when, "condition", "negative_when"),
        (field.valid_when, "condition", "valid_when"),
        (field.fitted, None, "fitted"),
    ]
    if field.each is not None:
        checks += [(field.each.last, None, "each"), (field.each.number, None, "number")]
    if isinstance(field.must_be, Expression):
        checks.append((field.must_be, None, "must_be"))
    checks += [(case.when, "condition", "accuracy") for case in field.accuracy]
    checks += [(case.when, "condition", "range") for case in field.range]
    for expression, wanted, key in checks:
        if expression is not None:
            problem = bind_problem(register_map, message, expression, wanted, at(key, field.place), broken, local_names)
            if problem:
                yield problem


def check_message_formulas(register_map: RegisterMap, message: Message, broken: set[str]) -> Iterator[Problem]:
    """Give what is wrong with a message's lengths, its layouts' conditions and the names in its examples."""
    lengths: list[tuple[Length | None, Place]] = [(message.length, message.given_keys.get("length", message.place))]
    for layout in message.layouts:
        lengths.append((layout.length, layout.place))
        problem = bind_problem(register_map, message, layout.when, "condition", layout.place, broken)
        if problem:
            yield problem
    cadences = [(message.every, message.given_keys.get("every", message.place)), *((one.every, one.place) for one in message.layouts)]
    for cases, place in cadences:
        for case in cases:
            problem = None if case.when is None else bind_problem(register_map, message, case.when, "condition", place, broken)
            if problem:
                yield problem
    for length, place in lengths:
        if length is not None and length.expression is not None:
            problem = bind_problem(register_map, message, length.expression, None, place, broken)
            if problem:
                yield problem
    for example in message.examples:
        for name, (_, place) in example.values.items():
            bare = name.partition("[")[0]
            if not any(field.name == bare for field in message.all_fields()) and bare not in broken:
                yield Problem(place, f"the example names '{name}', which is no field of '{message.name}'")
