"""A map's accuracy at what the bench applied: how far a reading may be off, segment by segment of the applied curve."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.curves import KNOWN, AppliedCurve
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Expression, Lasting, Logic, Name, Node, show, walk
from regcheck.device_map.limits import Limit, Term
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.units import convert

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class SegmentLimits:
    """Limits of the error in each segment of a curve, f8[m], in the field's unit.

    ``pass_*`` are the tighter, ``fail_*`` the wider ones that may apply.

    ``low`` limits are 0 or below, ``high`` ones 0 or above. ``judged`` bool[m]: some accuracy holds there.
    """

    pass_low: Array
    pass_high: Array
    fail_low: Array
    fail_high: Array
    judged: NDArray[np.bool_]


def limit_fields(field: Field) -> tuple[Name, ...]:
    """Return the other fields that a field's accuracy is a share of, in order."""
    names = [
        term.field
        for case in field.accuracy
        if case.item is not None
        for term in (*case.item.low, *case.item.high)
        if term.field is not None
    ]
    return tuple(dict.fromkeys(names))


def _is_applied(node: Node) -> bool:
    return any(isinstance(name, Name) and name.parts == ("applied",) for name in walk(node))


def _parts(node: Node) -> Iterator[Node]:
    """Give the parts of a condition that are judged at once: below `and`, `or` and `not`, where what is applied stands in them."""
    if isinstance(node, Logic) and _is_applied(node):
        for operand in node.operands:
            yield from _parts(operand)
    else:
        yield node


def whens(field: Field) -> list[Expression]:
    """Return the conditions of a field's accuracy."""
    return [case.when for case in field.accuracy if case.when is not None]


def state_parts(field: Field) -> dict[str, Expression]:
    """Return the parts of the accuracy's conditions that hang on the device's state alone, by how they are written."""
    return {
        show(part): Expression(when.text, part, when.place) for when in whens(field) for part in _parts(when.root) if not _is_applied(part)
    }


def compared_fields(field: Field) -> tuple[Name, ...]:
    """Return the fields that the accuracy's conditions compare with what is applied."""
    mixed = [part for when in whens(field) for part in _parts(when.root) if _is_applied(part) and not isinstance(part, Lasting)]
    names = [name for part in mixed for name in walk(part) if isinstance(name, Name) and name.parts != ("applied",)]
    return tuple(dict.fromkeys(names))


def why_not_judged(field: Field) -> str:
    """Return what of the accuracy's conditions cannot be judged yet, "" where all of them can."""
    if any(isinstance(node, Lasting) and _is_applied(node) for when in whens(field) for node in walk(when.root)):
        return "a `for` of what is applied"
    return ""


def counts_steps(field: Field) -> bool:
    """Return whether a field's accuracy counts in its own steps."""
    return any(
        term.kind == "lsb"
        for case in field.accuracy
        if case.item is not None
        for term in (*case.item.low, *case.item.high, *case.item.sensor)
    )


def statistic(field: Field) -> str | Fraction:
    """Return what the accuracy judges: every reading, the mean, or a share of the readings."""
    for case in field.accuracy:
        if case.item is not None:
            return case.item.of
    return "readings"


def _size(term: Term, field: Field, applied: Array, step: float, values: Mapping[Name, Fraction]) -> Array:
    """Return the size of one term in the field's unit at each applied value; a share is of the magnitude applied (verdicts, rule 17)."""
    if term.kind == "reading":
        return np.abs(applied) * float(term.amount)
    if term.kind == "lsb":
        return np.full(applied.shape, float(term.amount) * step)
    if term.kind == "range":
        span = next(case.item for case in field.range if case.item is not None)
        return np.full(applied.shape, float(term.amount * (span.high - span.low)))
    if term.kind == "field" and term.field is not None:
        return np.full(applied.shape, abs(float(term.amount * values[term.field])))
    amount = term.amount
    if term.unit is not None and field.unit is not None and term.unit != field.unit:
        amount = convert(amount, term.unit, field.unit, difference=True)
    return np.full(applied.shape, float(amount))


def _limit(limit: Limit, field: Field, applied: Array, step: float, values: Mapping[Name, Fraction]) -> tuple[Array, Array]:
    sensor = sum((_size(term, field, applied, step, values) for term in limit.sensor), np.zeros(applied.shape))
    low = sum((_size(term, field, applied, step, values) for term in limit.low), np.zeros(applied.shape))
    high = sum((_size(term, field, applied, step, values) for term in limit.high), np.zeros(applied.shape))
    return -np.maximum(low - sensor, 0.0), np.maximum(high - sensor, 0.0)


@dataclass(frozen=True, slots=True)
class Given:
    """What is known of the device: values of the fields that a limit or a condition takes, truths of conditions on its state."""

    values: Mapping[Name, Fraction]
    truths: Mapping[str, bool]


def _condition(
    when: Expression | None, field: Field, register_map: RegisterMap, message: Message, given: Given
) -> Callable[[Array], NDArray[np.bool_]]:
    if when is None:
        return lambda applied: np.ones(applied.shape, np.bool_)
    whole = when
    scope = MapScope(register_map, message, {"applied": field.unit})

    def holds(node: Node, applied: Array) -> NDArray[np.bool_]:
        text = show(node)
        if text in given.truths:
            return np.full(applied.shape, given.truths[text])
        match node:
            case Logic(operator="not", operands=(operand,)):
                return ~holds(operand, applied)
            case Logic(operator=operator, operands=operands):
                found = [holds(one, applied) for one in operands]
                return np.asarray((np.logical_and if operator == "and" else np.logical_or).reduce(found), np.bool_)
        bound = bind(Expression(whole.text, node, whole.place), scope, "condition")

        def value(name: Name) -> Any:
            return applied if name.parts == ("applied",) else float(given.values[replace(name, view="", whole=False)])

        return np.asarray(np.broadcast_to(bound.evaluate(value), applied.shape), np.bool_)

    return lambda applied: holds(whole.root, applied)


def segment_limits(
    field: Field, curve: AppliedCurve, register_map: RegisterMap, message: Message, step: float, given: Given
) -> SegmentLimits:
    """Return the limits of every segment, given the values of the fields that the accuracy is a share of, and the device's state.

    Within u of a condition's boundary the tighter limit passes and the wider one fails (verdicts, rule 17).
    """
    ends = [curve.after, np.append(curve.before[1:], curve.after[-1:])]
    ends = [np.where(np.isfinite(end), end, 0.0) for end in ends]
    u = np.hypot(curve.u_s, curve.u_r)
    shape = curve.after.shape
    tight_low, tight_high = np.full(shape, -np.inf), np.full(shape, np.inf)
    wide_low, wide_high = np.zeros(shape), np.zeros(shape)
    judged = curve.state == KNOWN
    open_spots = [end + sign * u for end in ends for sign in (-1.0, 0.0, 1.0)]
    undecided = [np.ones(shape, np.bool_) for _ in open_spots]  # spots that no earlier case has taken
    for case in field.accuracy:
        condition = _condition(case.when, field, register_map, message, given)
        applies = np.zeros(shape, np.bool_)
        for index, spot in enumerate(open_spots):
            holds = condition(spot) & undecided[index]
            undecided[index] &= ~holds
            applies |= holds
        if case.item is None:
            judged &= ~applies
            continue
        for end in ends:
            low, high = _limit(case.item, field, end, step, given.values)
            tight_low = np.where(applies, np.maximum(tight_low, low), tight_low)
            tight_high = np.where(applies, np.minimum(tight_high, high), tight_high)
            wide_low = np.where(applies, np.minimum(wide_low, low), wide_low)
            wide_high = np.where(applies, np.maximum(wide_high, high), wide_high)
    judged &= np.isfinite(tight_low) & np.isfinite(tight_high)
    return SegmentLimits(np.where(judged, tight_low, 0.0), np.where(judged, tight_high, 0.0), wide_low, wide_high, judged)
