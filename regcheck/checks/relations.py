"""Relations that a map requires between what its fields report (`require`), judged at every reading of those that stand alone in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.changes import judge_changes
from regcheck.checks.pairing import NOT_DRIVEN, Array, Driven, Evaluation, Flags, Times, event_times, message_of, times_held
from regcheck.checks.rule_names import limit_names
from regcheck.checks.rule_outcome import FAIL, IN_DOUBT, LEFT_OUT, PASS, UNDECIDED, Outcome, Worst
from regcheck.checks.rule_record import Book, whole_instances
from regcheck.checks.rule_sides import Sides, limit_size, relation_sides
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Call, Expression, Name, Number, walk
from regcheck.device_map.expressions import TEMPORALS
from regcheck.device_map.limits import Limit
from regcheck.device_map.model import Rule
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS

T = TypeVar("T")

AT_ONCE = 1 << 14
"""So many instants are paired at a time: what that takes is a few arrays for each element of an array."""

NEAR = 1e-9
"""What lies within this share of a limit is judged again by fractions."""


def judge_relation(
    rule: Rule, books: Sequence[Book], bench: Driven = NOT_DRIVEN, required: Mapping[str, Sequence[str]] | None = None
) -> dict[str, Outcome]:
    """Return what a `require` rule came to for each device; ``required`` names the devices that must send a message."""
    require = rule.require
    assert require is not None  # noqa: S101 - asked for relations alone
    found: dict[str, Outcome] = {}
    for book in books:
        names = bind(require, MapScope(book.register_map), "condition", sensors=SENSORS, allow_temporal=True).names
        for instance in devices(book, _messages(book, names), required or {}):
            outcome = found.setdefault(instance, Outcome())
            outcome.refused = outcome.refused or _why_refused(rule, names)
            if not outcome.refused:
                _judge(rule, require, book, instance, names, outcome, bench)
    return without_nobody(found) or {"": Outcome()}


def devices(book: Book, messages: set[str], required: Mapping[str, Sequence[str]]) -> list[str]:
    """Return the devices that a rule over some messages is judged for: those heard, and those that must send one of them."""
    must = [one for name in sorted(messages) for one in required.get(name, ())]
    return whole_instances((*book.instances(messages), *must)) or [""]


def without_nobody(found: Mapping[str, T]) -> dict[str, T]:
    """Return outcomes by device; nobody in particular stands only where no device does."""
    return {one: outcome for one, outcome in found.items() if one or len(found) == 1}


def _why_refused(rule: Rule, names: Sequence[Name]) -> str:
    """Return what this version cannot judge, "" where it can."""
    root = rule.require.root if rule.require is not None else None
    if asks_bench(rule.when):
        return "what the bench applies in its `when`"
    if root is None or (isinstance(root, Call) and root.function == "none"):
        return ""
    if any(isinstance(node, Call) and node.function == "none" and _is_seen(node, names) for node in walk(root)):
        return "none() beside other conditions"
    if any(isinstance(node, Call) and node.function == "mean" and len(node.arguments) == 2 for node in walk(root)):
        return "a mean over time"
    return ""


def _judge(rule: Rule, require: Expression, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven) -> None:
    if isinstance(require.root, Call) and require.root.function == "none" and names[0].view == "seen":
        _unseen(rule, book, instance, names[0], outcome)
    elif any(isinstance(node, Call) and node.function in TEMPORALS for node in walk(require.root)):
        judge_changes(rule, book, instance, names, outcome, bench)
    else:
        _relate(rule, book, instance, names, outcome, bench)


def asks_bench(condition: Expression | None) -> bool:
    """Return whether a condition asks what the bench applies."""
    return condition is not None and any(isinstance(node, Call) and node.function == "applied" for node in walk(condition.root))


def _is_seen(node: Call, names: Sequence[Name]) -> bool:
    return any(
        name.view == "seen" and node.arguments and isinstance(node.arguments[0], Name) and node.arguments[0].parts == name.parts
        for name in names
    )


def _messages(book: Book, names: Sequence[Name]) -> set[str]:
    evaluation = Evaluation(book, "", np.zeros(0, np.int64))
    found = set()
    for name in names:
        if name.view == "seen":
            message = message_of(book, name)
            found |= {message.name} if message is not None else set()
            continue
        item = evaluation.field(name)
        if item is not None:
            found.add(item.message)
        else:
            parts = book.register_map.values[name.parts[0]].join
            found |= {one[0].message for one in (book.register_map.find_fields(tuple(part.split("."))) for part in parts) if one}
    return found


def _bounds(sign: str, low: Any, high: Any) -> tuple[Any, Any]:
    """Return between which differences (left minus right) a comparison holds."""
    if sign == "=":
        return -low, high
    return (-np.inf, high) if sign in ("<", "<=") else (-low, np.inf)


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One comparison over n instants: for each, whether it holds at every corner and at none, how far the difference reaches."""

    verdict: NDArray[np.int64]
    left: Array
    right: Array
    difference: Array
    low: Array
    high: Array
    known: Flags


def _is_within(sign: str, difference: Any, low: Any, high: Any) -> Any:
    if sign in ("<", ">"):
        return (difference < high) if sign == "<" else (difference > low)
    return (difference >= low) & (difference <= high)


def _decide(sides: Sides, within: Limit | None, evaluation: Evaluation, names: Sequence[Name]) -> _Side:
    count = len(evaluation.at)
    parts = []
    for corner in evaluation.corners(names):
        values = evaluation.values(corner)
        with np.errstate(all="ignore"):
            left = _floats(sides.left.evaluate(values), count)
            right = _floats(sides.right.evaluate(values), count)
            size = _sizes(sides, within, right, values, evaluation, exact=False)
            low, high = (_floats(part, count) for part in _bounds(sides.sign, *size))
            difference = left - right
            holds = np.asarray(_is_within(sides.sign, difference, low, high), np.bool_)
            scale = np.abs(left) + np.abs(right)
            near = np.minimum(np.abs(difference - low), np.abs(difference - high)) <= NEAR * scale
        beyond = np.where(difference > high, 1, np.where(difference < low, -1, 0))
        rows = np.flatnonzero(near & np.isfinite(difference))
        if len(rows):
            holds[rows], beyond[rows] = _exactly(sides, within, evaluation, corner, rows)
        parts.append(
            (holds, np.where(holds, 0, np.where(beyond == 0, 1 if sides.sign == "<" else -1, beyond)), left, right, difference, low, high)
        )
    holds = np.array([part[0] for part in parts])
    beyond = np.array([part[1] for part in parts])
    differences = np.array([part[4] for part in parts])
    low, high = np.max([part[5] for part in parts], axis=0), np.min([part[6] for part in parts], axis=0)
    known = np.isfinite(differences).all(axis=0)
    passes, fails = holds.all(axis=0), (beyond == 1).all(axis=0) | (beyond == -1).all(axis=0)
    with np.errstate(invalid="ignore"):
        spread = differences.max(axis=0) - differences.min(axis=0)
        room = np.where(np.isfinite(high - low), high - low, np.where(np.isfinite(high), np.abs(high), np.abs(low)) * 2)
    open_ = np.where(evaluation.moved(names), np.where(spread > room, LEFT_OUT, IN_DOUBT), UNDECIDED)
    verdict = np.where(passes, PASS, np.where(fails, FAIL, open_))
    # the corner that is nearest to holding stands for the instant: it is what can be said at least
    far = np.maximum(differences - high, low - differences)
    best = np.argmin(np.where(np.isfinite(far), far, np.inf), axis=0)
    at = np.arange(count)
    left, right, difference = (np.array([part[number] for part in parts])[best, at] for number in (2, 3, 4))
    return _Side(verdict, left, right, difference, low, high, known)


def _sizes(sides: Sides, within: Limit | None, right: Any, values: Any, evaluation: Evaluation, *, exact: bool) -> tuple[Any, Any]:
    if within is None:
        return (Fraction(0), Fraction(0)) if exact else (0.0, 0.0)
    low, high = (limit_size(part, sides.unit, right, values, evaluation.scope, exact=exact) for part in (within.low, within.high))
    return low, high


def _floats(value: Any, count: int) -> Array:
    if getattr(value, "ndim", 0) == 0 and not isinstance(value, float):
        value = float(value)
    return np.array(np.broadcast_to(np.asarray(value, np.float64), (count,)))


def _exactly(
    sides: Sides, within: Limit | None, evaluation: Evaluation, corner: dict[tuple[tuple[str, ...], str], bool], rows: Times
) -> tuple[Flags, NDArray[np.int64]]:
    """Judge instants near a limit by fractions: a decimal is never a little more than itself (verdicts, rule 5)."""
    values = evaluation.values(corner, rows, exact=True)
    left, right = sides.left.evaluate(values), sides.right.evaluate(values)
    low, high = _bounds(sides.sign, *_sizes(sides, within, right, values, evaluation, exact=True))
    columns = [np.broadcast_to(np.asarray(one, object), (len(rows),)).tolist() for one in (left, right, low, high)]
    holds, beyond = np.zeros(len(rows), np.bool_), np.zeros(len(rows), np.int64)
    for number, (one, other, least, most) in enumerate(zip(*columns, strict=True)):
        difference = one - other
        holds[number] = bool(_is_within(sides.sign, difference, least, most))
        beyond[number] = 1 if difference > most else -1 if difference < least else 0
    return holds, beyond


def _relate(rule: Rule, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven) -> None:
    require = rule.require
    assert require is not None  # noqa: S101
    alone = [
        name
        for name in names
        if not name.whole and name.view != "applied" and not (name.index is not None and not isinstance(name.index, Number))
    ]
    probe = Evaluation(book, instance, np.zeros(0, np.int64))
    arrays = [name for name in alone if name.index is None and probe.is_array(name)]
    elements: list[int | None] = [None]
    if arrays:
        own = [set(probe.elements(name)) for name in arrays]
        elements = sorted(set.intersection(*own), key=lambda one: one or 0)
    for element in elements:
        anchors = _anchors(book, instance, alone or [name for name in names if name.view != "applied"], element)
        outcome.seen += len(anchors)
        anchors = anchors[times_held(rule.when, book, instance, anchors)]
        outcome.held += len(anchors)
        if not len(anchors):
            continue
        for begin in range(0, len(anchors), AT_ONCE):
            evaluation = Evaluation(book, instance, anchors[begin : begin + AT_ONCE], age_ns=rule.age_ns, element=element, bench=bench)
            _judge_instants(rule, require, evaluation, names, outcome)


def _judge_instants(rule: Rule, require: Expression, evaluation: Evaluation, names: Sequence[Name], outcome: Outcome) -> None:
    evaluation.take([require])
    asked = [*names, *limit_names(rule.within)]
    sides = relation_sides(require.root, require, evaluation.scope)
    known = evaluation.known(asked, indexed=sides is None)
    if not known.any():
        lacking = evaluation.missing(asked)
        outcome.missing += [one for one in lacking if one not in outcome.missing]
    if sides is None:
        judged = [_condition(require, evaluation, names)]
    else:
        outcome.unit, outcome.limited = sides[0].unit, rule.within is not None
        judged = [_decide(one, rule.within, evaluation, asked) for one in sides]
    for one in judged:
        known &= one.known
    gravity = np.array([0, 4, 3, 1, 2])  # of two comparisons the graver counts
    verdict = judged[0].verdict
    chosen = judged[0]
    for one in judged[1:]:
        verdict = np.where(gravity[one.verdict] > gravity[verdict], one.verdict, verdict)
        chosen = one if (one.verdict == FAIL).any() else chosen
    _note(outcome, evaluation, asked, chosen, verdict, np.flatnonzero(known))


def _anchors(book: Book, instance: str, names: Sequence[Name], element: int | None) -> Times:
    evaluation = Evaluation(book, instance, np.zeros(0, np.int64), element=element)
    found = [evaluation.series(name, one) for name, one in evaluation.asked(names)]
    return np.unique(np.concatenate([np.zeros(0, np.int64), *(one.time for one in found if one is not None)]))


def _condition(require: Expression, evaluation: Evaluation, names: Sequence[Name]) -> _Side:
    """A condition that is no one comparison of numbers holds, or does not, at every corner."""
    bound = bind(require, evaluation.scope, "condition", sensors=SENSORS)
    count = len(evaluation.at)
    with np.errstate(all="ignore"):
        truth = np.array(
            [
                np.broadcast_to(np.asarray(bound.evaluate(evaluation.values(corner)), np.bool_), (count,))
                for corner in evaluation.corners(names)
            ]
        )
    open_ = np.where(evaluation.moved(names), LEFT_OUT, UNDECIDED)
    verdict = np.where(truth.all(axis=0), PASS, np.where(truth.any(axis=0), open_, FAIL))
    nothing = np.full(count, np.nan)
    return _Side(verdict, nothing, nothing, nothing, nothing, nothing, np.ones(count, np.bool_))


def _note(outcome: Outcome, evaluation: Evaluation, names: Sequence[Name], side: _Side, verdict: NDArray[np.int64], rows: Times) -> None:
    if not len(rows):
        return
    severity = np.array([0, 3, 2, -1, 1])[verdict[rows]]
    with np.errstate(all="ignore"):
        bound = np.where(side.difference[rows] > 0, side.high[rows], -side.low[rows])
        size = np.abs(side.difference[rows])
        share = np.where(np.isfinite(bound) & (bound > 0), size / np.where(bound > 0, bound, 1), np.where(severity > 0, size, 0.0))
    share = np.nan_to_num(share, posinf=0.0)
    at = int(rows[np.lexsort((rows, -share, -severity))[0]])
    place = int(np.lexsort((rows, -share, -severity))[0])
    partners = []
    for name, pair in evaluation.reported_by(names).items():
        judged = pair.age[rows][pair.known[rows]]
        if len(judged):
            outcome.oldest[name] = max(outcome.oldest.get(name, 0), int(judged.max()))
        if pair.known[at]:
            partners.append((name, float(pair.low[at]), float(pair.age[at]) / 1e9))
    where = _place_of(evaluation, names, at)
    worst = Worst(
        int(severity[place]), float(share[place]), int(evaluation.at[at]), evaluation.book.stretch[0], where, evaluation.instance,
        float(side.left[at]), float(side.right[at]), float(side.difference[at]), float(side.low[at]), float(side.high[at]), tuple(partners),
    )  # fmt: skip
    outcome.add(verdict[rows], worst if severity[place] >= 0 else None)


def _place_of(evaluation: Evaluation, names: Sequence[Name], at: int) -> int:
    for name, element in evaluation.asked(names):
        pair = evaluation.pair(name, element)
        if pair.series is not None and pair.age[at] == 0:
            return int(pair.series.place[np.searchsorted(pair.series.time, evaluation.at[at], side="right") - 1])
    return -1


def _unseen(rule: Rule, book: Book, instance: str, name: Name, outcome: Outcome) -> None:
    """A message that must not come while `when` holds."""
    message = message_of(book, name)
    time, _, place = book.message_times(message.name if message is not None else "", instance)
    if rule.when is None:
        moments = np.array([book.horizon[0]])
    else:
        moments = event_times(book, instance, bind(rule.when, MapScope(book.register_map), "condition", allow_temporal=True).names)
    outcome.seen += len(moments)
    held = moments[times_held(rule.when, book, instance, moments, also_next=False)]
    outcome.held += len(held)
    beyond = times_held(rule.when, book, instance, time)
    outcome.add(np.full(len(held), PASS), None)
    nothing = float("nan")
    for number in np.flatnonzero(beyond)[:1].tolist():
        numbers = (nothing,) * 5
        worst = Worst(3, 0.0, int(time[number]), book.stretch[0], int(place[number]), instance, *numbers, ())
        outcome.add(np.zeros(0, np.int64), worst)
    outcome.add(np.full(int(beyond.sum()), FAIL), None)
