"""What a relation comes to at each of many instants: both sides at every corner, means over time, near limits by fractions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.held import times_held
from regcheck.checks.pairing import MEANS, Array, CornerValues, Evaluation, Flags, Times, default_age_ns, fractions_of
from regcheck.checks.rule_names import limit_names
from regcheck.checks.rule_outcome import FAIL, IN_DOUBT, LEFT_OUT, PASS, UNDECIDED, Outcome, Worst
from regcheck.checks.rule_record import Series
from regcheck.checks.rule_sides import Sides, limit_size, relation_sides
from regcheck.checks.running import mean_over, of_fields
from regcheck.device_map.binding import Temporal, bind
from regcheck.device_map.expression_tree import Call, Expression, Lasting, Logic, Name, Number, walk
from regcheck.device_map.limits import Limit
from regcheck.device_map.model import Rule
from regcheck.device_map.sensors import SENSORS

NEAR = 1e-9
"""What lies within this share of a limit is judged again by fractions."""


def is_mean(node: Call) -> bool:
    """Return whether a call is a mean over time."""
    return node.function == "mean" and len(node.arguments) == 2 and isinstance(node.arguments[1], Number)


def judge_instants(rule: Rule, require: Expression, evaluation: Evaluation, names: Sequence[Name], outcome: Outcome) -> None:
    """Add what a relation came to at the instants of an evaluation."""
    evaluation.take([require])
    asked = [*names, *limit_names(rule.within)]
    has_mean = any(isinstance(node, Call) and is_mean(node) for node in walk(require.root))
    temporal = _temporal(evaluation) if has_mean else None
    sides = relation_sides(require.root, require, evaluation.scope, temporal)
    for pair in sides if has_mean and sides is not None else ():  # so that it is known whether the means are in doubt
        with np.errstate(all="ignore"):
            pair.left.evaluate(evaluation.values({}))
            pair.right.evaluate(evaluation.values({}))
    known = evaluation.known(asked, indexed=sides is None)
    if not known.any():
        lacking = evaluation.missing(asked)
        outcome.missing += [one for one in lacking if one not in outcome.missing]
    if sides is None:
        judged = [_lasting(require, evaluation) if _lasts(require) else _condition(require, evaluation, names, temporal)]
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


def _temporal(evaluation: Evaluation) -> Temporal:
    """Return what serves means over time at the instants of an evaluation."""
    known: dict[int, tuple[Array, Array]] = {}

    def serve(what: str, run: Any, duration_ns: int | None, values: Any) -> Any:
        if what != "mean" or duration_ns is None:
            raise NotImplementedError(what)
        if not isinstance(values, CornerValues):
            return values  # bound to learn of its unit alone
        if id(run) not in known:
            names: list[Name] = []

            def note(name: Name) -> Any:
                names.append(name)
                return np.full((1, 1), np.nan) if name.whole else np.full(1, np.nan)

            run(note)

            def limit(name: Name, series: Series) -> int:
                item = evaluation.field(name)
                return evaluation.age_ns or (default_age_ns(evaluation.book.register_map, item, series) if item is not None else 1 << 62)

            whole = of_fields(run, list(dict.fromkeys(names)), evaluation, limit)
            nothing = np.full(len(evaluation.at), np.nan)
            known[id(run)] = (nothing, nothing) if whole is None else mean_over(whole, evaluation.at, duration_ns)
            low, high = known[id(run)]
            evaluation.means_moved |= low < high
        found = values.chosen(known[id(run)][int(values.corner.get(MEANS, False))])
        return fractions_of(found) if values.exact else found

    return serve


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


def _lasts(require: Expression) -> bool:
    return any(isinstance(node, Lasting) for node in walk(require.root))


def _lasting(require: Expression, evaluation: Evaluation) -> _Side:
    """A condition with a `for` inside is followed over every reading of what it names."""
    book, instance, at = evaluation.book, evaluation.instance, evaluation.at
    opposite = Expression(require.text, Logic("not", (require.root,)), require.place)
    holds, fails = (times_held(one, book, instance, at) for one in (require, opposite))
    nothing = np.full(len(at), np.nan)
    verdict = np.where(holds, PASS, np.where(fails, FAIL, LEFT_OUT))
    return _Side(verdict, nothing, nothing, nothing, nothing, nothing, np.ones(len(at), np.bool_))


def _condition(require: Expression, evaluation: Evaluation, names: Sequence[Name], temporal: Temporal | None) -> _Side:
    """A condition that is no one comparison of numbers holds, or does not, at every corner."""
    bound = bind(require, evaluation.scope, "condition", sensors=SENSORS, temporal=temporal)
    if temporal is not None:
        bound.evaluate(evaluation.values({}))
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
    place = int(np.lexsort((rows, -share, -severity))[0])
    at = int(rows[place])
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
