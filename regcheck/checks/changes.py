"""Relations over time: `change` and `integral` between every two readings of one unbroken stretch of `when`, found from running extremes.

Between two readings that differ the integrand leapt at a time that nobody knows: each such span adds a rectangular uncertainty, in
quadrature; what the bench applied adds its own, which grows with time (verdicts, rule 23).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from regcheck.bench.clock import Clock
from regcheck.checks.decision import Z
from regcheck.checks.held import event_times, times_held
from regcheck.checks.pairing import Array, Driven, Evaluation, Times, default_age_ns
from regcheck.checks.rule_outcome import FAIL, LEFT_OUT, PASS, UNDECIDED, Outcome, Worst
from regcheck.checks.rule_record import Book, Series
from regcheck.checks.rule_sides import Sides, limit_size, relation_sides
from regcheck.checks.running import Sums, of_applied, of_fields, of_reported, worst_pair
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Binary, Call, Expression, Name, Node, Number, Unary, fold_numbers, walk
from regcheck.device_map.expressions import TEMPORALS
from regcheck.device_map.model import Rule
from regcheck.device_map.scope import MapScope

DUST = 1e-12
"""Below this share of the values a difference is what doubles leave of a zero."""


def _is_affine(node: Node) -> bool:
    """Return whether a side is a sum of changes, integrals and constants, each at most times a number."""
    match node:
        case Number():
            return True
        case Call(function=function) if function in TEMPORALS:
            return True
        case Unary(operand=operand):
            return _is_affine(operand)
        case Binary(operator="+" | "-", left=left, right=right):
            return _is_affine(left) and _is_affine(right)
        case Binary(operator="*" | "/", left=left, right=right):
            numbers = [not any(isinstance(each, Call | Name) for each in walk(side)) for side in (left, right)]
            return (numbers[1] and _is_affine(left)) or (node.operator == "*" and numbers[0] and _is_affine(right))
        case _:
            return fold_numbers(node) is not None


def _names_in(root: Node, function: str) -> list[Name]:
    calls = [node for node in walk(root) if isinstance(node, Call) and node.function == function]
    return list(dict.fromkeys(name for call in calls for name in walk(call) if isinstance(name, Name)))


def judge_changes(rule: Rule, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven) -> None:
    """Judge one rule with `change` or `integral` over one stretch of one device, for each element of the arrays that it names plainly."""
    outcome.refused = outcome.refused or _why_refused(rule, book, names)
    if outcome.refused:
        return
    probe = Evaluation(book, instance, np.zeros(0, np.int64))
    arrays = [name for name in names if not name.whole and name.index is None and probe.is_array(name)]
    elements: list[int | None] = [None]
    if arrays:
        elements = sorted(set.intersection(*(set(probe.elements(name)) for name in arrays)), key=lambda one: one or 0)
    for element in elements:
        _judge_element(rule, book, instance, names, outcome, bench, element)


def _why_refused(rule: Rule, book: Book, names: Sequence[Name]) -> str:
    require = rule.require
    assert require is not None  # noqa: S101 - asked for relations alone
    calls = [node for node in walk(require.root) if isinstance(node, Call) and node.function in TEMPORALS]
    summed = {name.parts for name in _names_in(require.root, "integral")}
    checked = relation_sides(require.root, require, MapScope(book.register_map), lambda *_: 0)
    if checked is None or len(checked) != 1 or not all(_is_affine(one.expression.root) for one in (checked[0].left, checked[0].right)):
        return "more than sums of changes and integrals"
    if any(name.index is not None and not isinstance(name.index, Number) for name in names):
        return "an element named by a formula in a change or an integral"
    if any(name.view == "applied" and name.parts not in summed for name in names):
        return "a change of what the bench applies"
    for call in calls:
        inner = [one for one in walk(call) if isinstance(one, Name)]
        if any(isinstance(one, Call) and one.function == "applied" for one in walk(call)) and len({one.parts for one in inner}) != 1:
            return "an integral of what the bench applies and of another field"
    terms = () if rule.within is None else (*rule.within.low, *rule.within.high)
    if any(term.kind not in ("absolute", "reading") for term in terms):
        return "a share of a field in `within`, over time"
    return ""


def _judge_element(
    rule: Rule, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven, element: int | None
) -> None:
    require = rule.require
    assert require is not None  # noqa: S101 - asked for relations alone
    scope = MapScope(book.register_map)
    moved, summed = _names_in(require.root, "change"), _names_in(require.root, "integral")
    probe = Evaluation(book, instance, np.zeros(0, np.int64), element=element)
    checked = relation_sides(require.root, require, scope, lambda *_: 0)
    assert checked is not None  # noqa: S101 - else it was refused
    own = [name for name in names if name.parts in {one.parts for one in moved or summed} and (moved or name.view != "applied")]
    own = own or [name for name in names if name.parts in {one.parts for one in summed}]
    found = [(name, probe.series(name, one)) for name, one in probe.asked(own)]
    series = [one for _, one in found if one is not None and len(one.time)]
    instants = np.unique(np.concatenate([np.zeros(0, np.int64), *(one.time for one in series)]))
    outcome.seen += len(instants)
    if len(series) < len(found) or not series:
        outcome.missing += [".".join(name.parts) for name, one in found if one is None and ".".join(name.parts) not in outcome.missing]
        return
    evaluation = Evaluation(book, instance, instants, age_ns=rule.age_ns, element=element)
    run, parts = _unbroken(rule.when, book, instance, instants), list[Times]()
    outcome.held += int((run >= 0).sum())

    def limit_of(name: Name, one: Series) -> int:
        item = probe.field(name)
        return rule.age_ns or (default_age_ns(book.register_map, item, one) if item is not None else 1 << 62)

    limit = max(limit_of(name, one) for name, one in found if one is not None)
    gaps = np.cumsum(np.append(False, np.diff(instants) > limit)[: len(instants)])
    good = evaluation.known(own)
    certain = ~evaluation.moved(own)  # of several fields only instants at which none may have changed
    parts += [gaps, np.cumsum(~good)]

    doubt: list[Sums] = []

    def running(operand: Callable[[Any], Any]) -> Sums | None:
        asked: list[Name] = []

        def readings(name: Name) -> Any:
            asked.append(name)
            one = None if name.whole else probe.series(name, probe.plain_element(name))
            if one is None or len({each.parts for each in asked}) > 1:
                return np.full((1, 1), np.nan) if name.whole else np.full(1, np.nan)
            return one.raws if name.view == "raw" else one.values

        integrand = np.asarray(operand(readings), np.float64)
        different = list(dict.fromkeys(asked))
        name = different[0]
        item, one = probe.field(name), None if name.whole else probe.series(name, probe.plain_element(name))
        if name.view == "applied":
            judge = None if item is None else bench.judge(item, probe.plain_element(name), instance)
            context = bench.clocks[book.stretch[0]] if book.stretch[0] < len(bench.clocks) else None
            if judge is None or context is None or not isinstance(context.clock, Clock):
                outcome.missing += [f"applied({'.'.join(name.parts)})"]
                return None
            return of_applied(judge, operand).at(context.bench_times(instants, instants)[0])
        if len(different) > 1 or name.whole:
            together = of_fields(operand, different, probe, limit_of)
            if together is None:
                outcome.missing += [".".join(each.parts) for each in different if ".".join(each.parts) not in outcome.missing]
            return None if together is None else together.at(instants)
        if one is None:
            outcome.missing += [".".join(name.parts)]
            return None
        return of_reported(integrand, one, limit_of(name, one)).at(instants)

    def temporal(what: str, operand: Callable[[Any], Any], _: int | None, values: Any) -> Any:
        if what == "change":
            return operand(values)
        sums = running(operand)
        if sums is None:
            parts.append(np.full(len(instants), -1))
            return np.zeros(len(instants))
        parts.append(sums.segment)
        doubt.append(sums)
        return sums.value

    values = evaluation.values({})
    (sides,) = relation_sides(require.root, require, scope, temporal) or [checked[0]]
    with np.errstate(all="ignore"):
        both = [np.asarray(side.evaluate(values), np.float64) for side in (sides.left, sides.right)]
    left, right = (np.array(np.broadcast_to(part, instants.shape)) for part in both)
    factor = _integral_factor(require, scope)
    guards = (
        factor * np.sum([one.systematic for one in doubt], axis=0) if doubt else np.zeros(len(instants)),
        factor**2 * np.sum([one.variance for one in doubt], axis=0) if doubt else np.zeros(len(instants)),
    )
    outcome.unit, outcome.limited = checked[0].unit, rule.within is not None
    constants = [Fraction(side.evaluate(_nothing)) for side in (checked[0].left, checked[0].right)]
    broken = np.any([part < 0 for part in parts] + [run < 0, ~good], axis=0)
    if not (~broken).any() and not outcome.missing:
        outcome.missing = evaluation.missing(own)
    keys = np.stack([run, *parts])
    begins = np.append(True, (keys[:, 1:] != keys[:, :-1]).any(axis=0))[: len(instants)]
    stretch = np.where(broken, -1, np.cumsum(begins))
    exact = _exact_values(evaluation, checked[0], instants, scope, require) if not summed else None
    anchor = Anchor(instants, [(name, one) for name, one in found if one is not None])
    for number in np.unique(stretch[stretch >= 0]).tolist():
        rows = np.flatnonzero((stretch == number) & certain)
        if len(rows) < 2:
            continue
        _judge_stretch(rule, checked[0], (left, right), guards, constants, rows, anchor, book, instance, outcome, exact)


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """The instants that changes are judged at, and the fields that were read there."""

    time: Times
    fields: Sequence[tuple[Name, Series]]

    def place(self, at: int) -> int:
        """Return where the message of an instant stands in its capture."""
        for _, series in self.fields:
            row = int(np.searchsorted(series.time, self.time[at]))
            if row < len(series.time) and series.time[row] == self.time[at]:
                return int(series.place[row])
        return -1

    def values(self, at: int, word: str) -> tuple[tuple[str, float, float], ...]:
        """Return what the fields were at an instant, each with its age in s."""
        found = []
        for _, series in self.fields:
            row = int(np.searchsorted(series.time, self.time[at], side="right")) - 1
            if row >= 0:
                found.append((f"{series.id} {word}", float(series.values[row]), float(self.time[at] - series.time[row]) / 1e9))
        return tuple(found)


def _nothing(name: Name) -> Any:
    return [0] if name.whole else 0


def _exact_values(
    evaluation: Evaluation, sides: Sides, instants: Times, scope: MapScope, require: Expression
) -> tuple[list[Any], list[Any]] | None:
    """Return both sides' running values as Fractions, for changes alone."""
    values = evaluation.values({}, np.arange(len(instants)), exact=True)
    (bound,) = relation_sides(require.root, require, scope, lambda _what, run, _ns, asked: run(asked)) or [sides]
    found = [np.broadcast_to(np.asarray(side.evaluate(values), object), instants.shape).tolist() for side in (bound.left, bound.right)]
    return found[0], found[1]


def _unbroken(when: Expression | None, book: Book, instance: str, instants: Times) -> Times:
    """Return for each instant which stretch of `when` it lies in, -1 for none."""
    if when is None:
        return np.zeros(len(instants), np.int64)
    names = bind(when, MapScope(book.register_map), "condition", allow_temporal=True).names
    moments = np.unique(np.concatenate([event_times(book, instance, names), instants]))
    held = times_held(when, book, instance, moments, also_next=False)
    at = np.searchsorted(moments, instants)
    sure = times_held(when, book, instance, instants)
    return np.where(held[at] & sure, np.cumsum(~held)[at], -1)


def _integral_factor(require: Expression, scope: MapScope) -> float:
    """Return by what one second of an integral's own unit counts in the difference of the sides, whichever way."""
    found = [
        float(sides.left.evaluate(_nothing)) - float(sides.right.evaluate(_nothing))
        for one in (1, 0)
        for sides in relation_sides(require.root, require, scope, lambda what, *_, one=one: one * (what == "integral")) or ()
    ]
    return abs(found[0] - found[1]) if len(found) == 2 else 0.0


def _judge_stretch(
    rule: Rule,
    sides: Sides,
    values: tuple[Array, Array],
    guards: tuple[Array, Array],
    constants: Sequence[Fraction],
    rows: Times,
    anchor: Anchor,
    book: Book,
    instance: str,
    outcome: Outcome,
    exact: tuple[list[Any], list[Any]] | None,
) -> None:
    scope = MapScope(book.register_map)
    left, right = (part[rows] for part in values)
    systematic, variance = (part[rows] for part in guards)
    lows, highs = ((), ()) if rule.within is None else (rule.within.low, rule.within.high)
    left_constant, right_constant = (float(one) for one in constants)
    candidates: list[tuple[float, int, int, int]] = []  # excess, i, j, direction
    for direction, own in ((1, highs), (-1, lows)):
        if (direction == 1 and sides.sign in (">", ">=")) or (direction == -1 and sides.sign in ("<", "<=")):
            continue
        share = sum(float(term.amount) for term in own if term.kind == "reading")
        fixed = float(limit_size([term for term in own if term.kind == "absolute"], sides.unit, 0.0, None, scope, exact=False))
        if share and np.ptp(right) == 0:  # the right side is a constant: so is its share
            fixed, share = fixed + share * abs(right_constant), 0.0
        excess, i, j = worst_pair(direction * (left - right), right, share)
        candidates.append((excess + direction * (left_constant - right_constant) - fixed, i, j, direction))
    excess, i, j, direction = max(candidates, key=lambda one: one[0])
    one, other = float(left[j] - left[i]) + left_constant, float(right[j] - right[i]) + right_constant
    size = float(limit_size(highs if direction == 1 else lows, sides.unit, other, None, scope, exact=False))
    dust = max(float(np.abs(left).max()), float(np.abs(right).max())) * DUST
    doubt = Z * (float(systematic[j] - systematic[i]) + math.sqrt(max(float(variance[j] - variance[i]), 0.0)))
    whole = Z * (float(systematic[-1] - systematic[0]) + math.sqrt(max(float(variance[-1] - variance[0]), 0.0)))
    if exact is not None:
        is_beyond = _is_beyond(rule, sides, exact, int(rows[i]), int(rows[j]), direction, constants, book)
        verdict = FAIL if is_beyond else PASS
    elif excess > doubt + dust or (sides.sign in ("<", ">") and excess >= 0 and not doubt):
        verdict = FAIL
    else:
        verdict = PASS if excess + whole <= dust else LEFT_OUT if whole > size else UNDECIDED
    severity = {FAIL: 3, UNDECIDED: 2, PASS: 0, LEFT_OUT: -1}[verdict]
    share = abs(one - other) / size if size else abs(one - other) if severity else 0.0
    at, since = int(rows[j]), int(rows[i])
    ends = (*anchor.values(since, "first"), *anchor.values(at, "last"))
    worst = Worst(
        severity, share, int(anchor.time[at]), book.stretch[0], anchor.place(at), instance, one, other, one - other,
        -size, size, ends, int(anchor.time[since]), doubt,
    )  # fmt: skip
    outcome.add(np.array([verdict]), worst if severity >= 0 else None)


def _is_beyond(
    rule: Rule, sides: Sides, exact: tuple[list[Any], list[Any]], i: int, j: int, direction: int, constants: Sequence[Fraction], book: Book
) -> bool:
    """Judge the worst pair of changes by fractions."""
    if any(isinstance(one, float) and not math.isfinite(one) for part in exact for one in (part[i], part[j])):
        return False
    left, right = (part[j] - part[i] + add for part, add in zip(exact, constants, strict=True))
    terms = () if rule.within is None else rule.within.high if direction == 1 else rule.within.low
    size = limit_size(terms, sides.unit, right, None, MapScope(book.register_map), exact=True)
    over = direction * (left - right) - size
    return bool(over > 0 or (sides.sign in ("<", ">") and over == 0))
