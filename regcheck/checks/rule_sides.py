"""The two sides of a rule's comparison, bound to one unit, and the size of what it allows between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from regcheck.device_map.binding import Bound, Temporal, bind
from regcheck.device_map.expression_tree import Compare, Expression, In, Node, Number
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.limits import Term
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS
from regcheck.device_map.units import Unit, convert


@dataclass(frozen=True, slots=True)
class Sides:
    """A comparison: left and right bound to one unit, and the sign between them."""

    sign: str
    left: Bound
    right: Bound
    unit: Unit | None


def bind_sides(sign: str, left: Node, right: Node, whole: Expression, scope: MapScope, temporal: Temporal | None = None) -> Sides | None:
    """Return both sides bound to the unit of the one that is no literal; None where they are no numbers (a label, a version)."""
    first, second = (left, right) if not isinstance(left, Number) else (right, left)
    one, other = (Expression(whole.text, node, whole.place) for node in (first, second))
    try:
        base = bind(one, scope, "any", sensors=SENSORS, temporal=temporal)
        if base.unit is None and not base.is_condition:
            swapped = bind(other, scope, "any", sensors=SENSORS, temporal=temporal)
            if swapped.unit is not None and not swapped.is_condition:
                base, one, other, first = swapped, other, one, second
        if base.is_condition:
            return None
        paired = bind(other, scope, base.unit, sensors=SENSORS, temporal=temporal)
    except ExpressionError:
        return None
    if any(scope.kind_of(name) != "number" for name in base.names):
        return None
    return Sides(sign, *((base, paired) if first is left else (paired, base)), base.unit)


def relation_sides(root: Node, whole: Expression, scope: MapScope, temporal: Temporal | None = None) -> list[Sides] | None:
    """Return the numeric comparisons that a requirement is; None for any other condition."""
    if isinstance(root, Compare) and root.operator != "!=":
        sides = bind_sides(root.operator, root.left, root.right, whole, scope, temporal)
        return None if sides is None else [sides]
    if isinstance(root, In):
        found = [bind_sides(sign, root.value, end, whole, scope, temporal) for sign, end in ((">=", root.low), ("<=", root.high))]
        return [one for one in found if one is not None] if None not in found else None
    return None


def limit_size(terms: Sequence[Term], unit: Unit | None, right: Any, values: Any, scope: MapScope, *, exact: bool) -> Any:
    """Return the sum of a limit's terms at each instant; `% of reading` is of the right-hand side (verdicts, rule 17)."""
    total: Any = Fraction(0) if exact else 0.0
    for term in terms:
        if term.kind == "reading":
            size = abs(right) * (term.amount if exact else float(term.amount))
        elif term.kind == "field" and term.field is not None:
            found = abs(values(term.field))
            theirs = scope.unit_of(term.field)
            factor = term.amount
            if theirs is not None and unit is not None and theirs != unit and theirs.fits(unit):
                factor *= convert(Fraction(1), theirs, unit, difference=True)
            size = found * (factor if exact else float(factor))
        else:
            amount = term.amount
            if term.unit is not None and unit is not None and term.unit != unit:
                amount = convert(amount, term.unit, unit, difference=True)
            size = amount if exact else float(amount)
        total = total + size
    return total
