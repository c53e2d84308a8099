"""A map's accuracy at what the bench applied: how far a reading may be off, segment by segment of the applied curve."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.curves import KNOWN, AppliedCurve
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Expression, Name
from regcheck.device_map.limits import Limit, Term
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.units import Unit, convert

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


def conditions_on_state(field: Field) -> bool:
    """Return whether a condition of the accuracy names anything but what is applied."""
    return any(name.parts != ("applied",) for case in field.accuracy if case.when is not None for name in case.when.names())


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


def _condition(when: Expression | None, field: Field, register_map: RegisterMap, message: Message) -> Callable[[Array], NDArray[np.bool_]]:
    if when is None:
        return lambda applied: np.ones(applied.shape, np.bool_)
    units: dict[str, Unit | None] = {"applied": field.unit}
    bound = bind(when, MapScope(register_map, message, units), "condition")
    return lambda applied: np.asarray(np.broadcast_to(bound.evaluate(lambda _name: applied), applied.shape), np.bool_)


def segment_limits(
    field: Field, curve: AppliedCurve, register_map: RegisterMap, message: Message, step: float, values: Mapping[Name, Fraction]
) -> SegmentLimits:
    """Return the limits of every segment, given the values of the fields that the accuracy is a share of.

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
        condition = _condition(case.when, field, register_map, message)
        applies = np.zeros(shape, np.bool_)
        for index, spot in enumerate(open_spots):
            holds = condition(spot) & undecided[index]
            undecided[index] &= ~holds
            applies |= holds
        if case.item is None:
            judged &= ~applies
            continue
        for end in ends:
            low, high = _limit(case.item, field, end, step, values)
            tight_low = np.where(applies, np.maximum(tight_low, low), tight_low)
            tight_high = np.where(applies, np.minimum(tight_high, high), tight_high)
            wide_low = np.where(applies, np.minimum(wide_low, low), wide_low)
            wide_high = np.where(applies, np.maximum(wide_high, high), wide_high)
    judged &= np.isfinite(tight_low) & np.isfinite(tight_high)
    return SegmentLimits(np.where(judged, tight_low, 0.0), np.where(judged, tight_high, 0.0), wide_low, wide_high, judged)
