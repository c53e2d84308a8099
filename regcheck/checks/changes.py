"""Relations over time: `change` and `integral` between every two readings of one unbroken stretch of `when`, found from running extremes.

Between two readings the integrand may have had any value from the one to the other: an integral has a least and a largest value, and
only what both of them break is a fail (verdicts, rule 23).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.pairing import Array, Evaluation, Times, default_age_ns, event_times, times_held
from regcheck.checks.relations import FAIL, LEFT_OUT, PASS, UNDECIDED, Outcome, Sides, Worst, limit_size, relation_sides
from regcheck.checks.rule_record import Book, Series
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Binary, Call, Expression, Name, Node, Number, Unary, fold_numbers, walk
from regcheck.device_map.expressions import TEMPORALS
from regcheck.device_map.model import Rule
from regcheck.device_map.scope import MapScope

DUST = 1e-12
"""Below this share of the values a difference is what doubles leave of a zero."""

SMALL = 256


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


@dataclass(frozen=True, slots=True, eq=False)
class _Running:
    """A quantity's integral since its first reading: times, running sums by mode (least, largest), and where it is broken."""

    time: Times
    values: Array
    segment: Times  # i8[n]: which unbroken run each reading belongs to; -1: not good

    def at(self, times: Times) -> tuple[tuple[Array, Array], Times]:
        """Return the least and the largest running integral at each time, and the run it lies in (-1: none)."""
        if len(self.time) < 2:
            return (np.zeros(len(times)), np.zeros(len(times))), np.full(len(times), -1)
        step = np.diff(self.time) / 1e9
        joined = (self.segment[1:] == self.segment[:-1]) & (self.segment[1:] >= 0)
        ends = self.values[:-1], self.values[1:]
        slopes = [np.where(joined, pick(*ends), 0.0) for pick in (np.minimum, np.maximum)]
        sums = [np.append(0.0, np.cumsum(slope * step)) for slope in slopes]
        here = np.clip(np.searchsorted(self.time, times, side="right") - 1, 0, len(self.time) - 1)
        passed = (times - self.time[here]) / 1e9
        inner = np.minimum(here, len(step) - 1)
        low, high = (total[here] + np.where(passed > 0, slope[inner] * passed, 0.0) for total, slope in zip(sums, slopes, strict=True))
        inside = (times >= self.time[0]) & (times <= self.time[-1]) & ((passed == 0) | joined[inner])
        return (low, high), np.where(inside, self.segment[here], -1)


def _running(values: Array, series: Series, limit_ns: int) -> _Running:
    good = np.isfinite(values)
    begins = np.append(True, (np.diff(series.time) > limit_ns) | ~good[:-1])[: len(values)] & good
    return _Running(series.time, np.nan_to_num(values), np.where(good, np.cumsum(begins), -1))


def judge_changes(rule: Rule, book: Book, instance: str, names: Sequence[Name], outcome: Outcome) -> None:
    """Judge one rule with `change` or `integral` over one stretch of one device."""
    require = rule.require
    assert require is not None  # noqa: S101 - asked for relations alone
    scope = MapScope(book.register_map)
    moved, summed = _names_in(require.root, "change"), _names_in(require.root, "integral")
    probe = Evaluation(book, instance, np.zeros(0, np.int64))
    own = [name for name in names if name.parts in {one.parts for one in moved or summed}]
    plain = all(name.view in ("", "raw", "reported") and not name.whole and not probe.is_array(name) for name in names)
    checked = relation_sides(require.root, require, scope, lambda *_: 0)
    within = rule.within
    terms = () if within is None else (*within.low, *within.high)
    if (
        checked is None
        or len(checked) != 1
        or not plain
        or len(own) != 1
        or not all(_is_affine(side.expression.root) for side in (checked[0].left, checked[0].right))
        or any(term.kind not in ("absolute", "reading") for term in terms)
    ):
        outcome.refused = "a relation over time of more than one field in change(), or of more than sums of them"
        return
    series = probe.series(own[0], probe.plain_element(own[0]))
    instants = series.time if series is not None else np.zeros(0, np.int64)
    outcome.seen += len(instants)
    if series is None or not len(instants):
        outcome.missing += [".".join(own[0].parts)]
        return
    evaluation = Evaluation(book, instance, instants, age_ns=rule.age_ns)
    run, parts = _unbroken(rule.when, book, instance, instants), list[Times]()
    outcome.held += int((run >= 0).sum())
    limit = rule.age_ns or default_age_ns(book.register_map, probe.field(own[0]), series) if probe.field(own[0]) else 1 << 62
    gaps = np.cumsum(np.append(False, np.diff(instants) > limit)[: len(instants)])
    good = evaluation.known(own)
    parts += [gaps, np.cumsum(~good)]
    integrals: dict[str, tuple[Array, Array]] = {}

    def serve(mode: int) -> Callable[..., Any]:
        def temporal(what: str, operand: Callable[[Any], Any], _: int | None, values: Any) -> Any:
            if what == "change":
                return operand(values)
            found: list[Name] = []

            def readings(name: Name) -> Any:
                found.append(name)
                one = probe.series(name, probe.plain_element(name))
                return np.zeros(0) if one is None else (one.raws if name.view == "raw" else one.values)

            integrand = np.asarray(operand(readings), np.float64)
            if len({name.parts for name in found}) != 1:
                outcome.refused = "an integral of more than one field"
                return np.zeros(len(instants))
            item, one = probe.field(found[0]), probe.series(found[0], probe.plain_element(found[0]))
            if one is None or item is None:
                outcome.missing += [".".join(found[0].parts)]
                return np.full(len(instants), np.nan)
            sums, segment = _running(integrand, one, rule.age_ns or default_age_ns(book.register_map, item, one)).at(instants)
            integrals[".".join(found[0].parts)] = sums
            parts.append(np.where(segment < 0, -1, segment))
            return sums[mode]

        return temporal

    values = evaluation.values({})
    modes = []
    for mode in (0, 1) if summed else (0,):
        (sides,) = relation_sides(require.root, require, scope, serve(mode)) or [checked[0]]
        with np.errstate(all="ignore"):
            modes.append(tuple(np.broadcast_to(np.asarray(side.evaluate(values), np.float64), instants.shape) for side in (sides.left, sides.right)))
    if outcome.refused:
        return
    outcome.unit, outcome.limited = checked[0].unit, within is not None
    constants = [float(side.evaluate(lambda _: 0)) for side in (checked[0].left, checked[0].right)]
    broken = np.any([part < 0 for part in parts] + [run < 0, ~good], axis=0)
    if not (~broken).any() and not outcome.missing:
        outcome.missing = evaluation.missing(own)
    keys = np.stack([run, *parts])
    begins = np.append(True, (keys[:, 1:] != keys[:, :-1]).any(axis=0))[: len(instants)]
    stretch = np.where(broken, -1, np.cumsum(begins))
    exact = _exact_values(evaluation, own, checked[0], instants, scope, require) if not summed else None
    for number in np.unique(stretch[stretch >= 0]).tolist():
        rows = np.flatnonzero(stretch == number)
        if len(rows) < 2:
            continue
        _judge_stretch(rule, checked[0], modes, constants, rows, series, book, instance, outcome, exact)


def _exact_values(
    evaluation: Evaluation, own: Sequence[Name], sides: Sides, instants: Times, scope: MapScope, require: Expression
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


def worst_pair(g: Array, h: Array, share: float) -> tuple[float, int, int]:
    """Return the largest (g[j] - g[i]) - share x |h[j] - h[i]| over all i < j, and where; (-inf, 0, 0) for fewer than two.

    Without a share from the running minimum; with one by halves: pairs across the middle are found in order of h.
    """
    if len(g) < 2:
        return -np.inf, 0, 0
    if share == 0:
        least = np.minimum.accumulate(g)
        j = int(np.argmax(g[1:] - least[:-1])) + 1
        return float(g[j] - least[j - 1]), int(np.argmin(g[:j])), j
    if len(g) <= SMALL:
        every = (g[None, :] - g[:, None]) - share * np.abs(h[None, :] - h[:, None])
        every[np.tril_indices(len(g))] = -np.inf
        i, j = np.unravel_index(int(np.argmax(every)), every.shape)
        return float(every[i, j]), int(i), int(j)
    middle = len(g) // 2
    found = [worst_pair(g[:middle], h[:middle], share)]
    excess, i, j = worst_pair(g[middle:], h[middle:], share)
    found.append((excess, i + middle, j + middle))
    order = np.argsort(h[:middle], kind="stable")
    ordered = h[:middle][order]
    for sign in (1, -1):
        keys, sort = (ordered, order) if sign == 1 else (-ordered[::-1], order[::-1])
        reduced = g[:middle][sort] - sign * share * h[:middle][sort]
        least = np.minimum.accumulate(reduced)
        count = np.searchsorted(keys, sign * h[middle:], side="right")
        value = np.where(count > 0, g[middle:] - sign * share * h[middle:] - least[np.maximum(count - 1, 0)], -np.inf)
        j = int(np.argmax(value))
        if count[j]:
            found.append((float(value[j]), int(sort[int(np.argmin(reduced[: count[j]]))]), j + middle))
    return max(found, key=lambda one: one[0])


def _judge_stretch(
    rule: Rule,
    sides: Sides,
    modes: Sequence[tuple[NDArray[Any], ...]],
    constants: Sequence[float],
    rows: Times,
    series: Series,
    book: Book,
    instance: str,
    outcome: Outcome,
    exact: tuple[list[Any], list[Any]] | None,
) -> None:
    terms = () if rule.within is None else rule.within.high
    lows = () if rule.within is None else rule.within.low
    constant = constants[0] - constants[1]
    left_constant, right_constant = constants
    candidates: list[tuple[float, int, int, int]] = []  # excess, i, j, direction
    for left, right in modes:
        g, h = (left - right)[rows], right[rows]
        for direction, own in ((1, terms), (-1, lows)):
            if (direction == 1 and sides.sign in (">", ">=")) or (direction == -1 and sides.sign in ("<", "<=")):
                continue
            share = sum(float(term.amount) for term in own if term.kind == "reading")
            fixed = float(limit_size([t for t in own if t.kind == "absolute"], sides.unit, 0.0, None, MapScope(book.register_map), exact=False))
            if share and np.ptp(h) == 0:  # the right side is a constant: so is its share
                fixed, share = fixed + share * abs(right_constant), 0.0
            excess, i, j = worst_pair(direction * g, h, share)
            candidates.append((excess + direction * constant - fixed, i, j, direction))
    excess, i, j, direction = max(candidates, key=lambda one: one[0])
    spans: list[tuple[float, float, float, float, float]] = []
    for left, right in modes:
        one, other = (float(part[rows[j]] - part[rows[i]]) for part in (left, right))
        one, other = one + left_constant, other + right_constant
        own = terms if direction == 1 else lows
        size = float(limit_size(own, sides.unit, other, None, MapScope(book.register_map), exact=False))
        scale = max(float(np.abs(left[rows]).max()), float(np.abs(right[rows]).max())) * DUST
        spans.append((direction * (one - other) - size, one, other, size, scale))
    beyond = [over > scale or (sides.sign in ("<", ">") and over >= 0) for over, *_, scale in spans]
    if exact is not None and len(modes) == 1:
        beyond = [_is_beyond(rule, sides, exact, int(rows[i]), int(rows[j]), direction, constants, book)]
    worst_ok = excess <= max(span[4] for span in spans)
    fails = all(beyond)
    verdict = FAIL if fails else PASS if (worst_ok and not any(beyond)) else UNDECIDED
    doubt = abs(spans[0][2] - spans[-1][2]) + abs(spans[0][1] - spans[-1][1])
    if verdict == UNDECIDED and doubt > 2 * spans[0][3]:
        verdict = LEFT_OUT
    span = min(spans, key=lambda one: one[0])
    severity = {FAIL: 3, UNDECIDED: 2, PASS: 0, LEFT_OUT: -1}[verdict]
    share = abs(span[1] - span[2]) / span[3] if span[3] else abs(span[1] - span[2]) if severity else 0.0
    at, since = int(rows[j]), int(rows[i])
    name = str(series.id)
    ends = tuple((f"{name} at {'the end' if row == at else 'the beginning'}", float(series.values[row]), 0.0) for row in (since, at))
    worst = Worst(
        severity, share, int(series.time[at]), book.stretch[0], int(series.place[at]), instance, span[1], span[2], span[1] - span[2],
        -span[3], span[3], ends, int(series.time[since]),
    )  # fmt: skip
    outcome.add(np.array([verdict]), worst if severity >= 0 else None)


def _is_beyond(
    rule: Rule, sides: Sides, exact: tuple[list[Any], list[Any]], i: int, j: int, direction: int, constants: Sequence[float], book: Book
) -> bool:
    """Judge the worst pair of changes by fractions."""
    if any(isinstance(one, float) and not math.isfinite(one) for part in exact for one in (part[i], part[j])):
        return False
    left, right = (part[j] - part[i] + Fraction(add) for part, add in zip(exact, constants, strict=True))
    terms = () if rule.within is None else rule.within.high if direction == 1 else rule.within.low
    size = limit_size(terms, sides.unit, right, None, MapScope(book.register_map), exact=True)
    over = direction * (left - right) - size
    return bool(over > 0 or (sides.sign in ("<", ">") and over == 0))
