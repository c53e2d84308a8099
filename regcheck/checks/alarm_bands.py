"""When an alarm's condition surely held and when it may have held: margins over piecewise-linear time, widened by tolerance and doubt."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.curves import KNOWN, merge_breakpoints, resample
from regcheck.checks.decision import Z
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import Array, Evaluation, Times
from regcheck.checks.rule_sides import bind_sides
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Call, Compare, Expression, In, Lasting, Logic, Name, Node, walk
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS

PIECES = 16
"""A slope is cut into so many: the largest of several lines is not straight."""

LEAST = 1e-300
"""What stands for a margin of 0: on the threshold `>` does not hold, and `>=` does."""

FOREVER = 1 << 61

Intervals = list[tuple[int, int]]
"""Stretches of time in ns, apart and in order."""

Values = Callable[[Name, int | None], Any]
"""Gives an element of a name at every spot of a grid."""


class NotBuilt(Exception):
    """A condition has a form that this version cannot judge."""


def margin(
    node: Node, whole: Expression, scope: MapScope, values: Values, elements: Callable[[Name], Sequence[int | None]], element: int | None
) -> Any:
    """Return by how much a condition holds, above 0 where it does: distances to thresholds, the nearest of `and`, the farthest of `or`."""

    def inner(one: Node, at: int | None = element) -> Any:
        return margin(one, whole, scope, values, elements, at)

    def asked(name: Name) -> Any:
        if name.whole:
            return np.stack([values(name, one) for one in elements(name)])
        index = getattr(name.index, "value", None)
        return values(name, int(index) if index is not None else element)

    match node:
        case Logic(operator="not", operands=(operand,)):
            return -inner(operand)
        case Logic(operator=operator, operands=operands):
            return (np.minimum if operator == "and" else np.maximum).reduce([inner(one) for one in operands])
        case Call(function="any" | "all" | "none", arguments=arguments):
            names = [name for name in walk(arguments[0]) if isinstance(name, Name)]
            numbers = next((found for found in map(elements, _fields(names, scope)) if found != [None]), [None])
            pick = np.minimum if node.function == "all" else np.maximum
            found = pick.reduce([inner(one, number) for one in arguments for number in numbers])
            return -found if node.function == "none" else found
        case In(value=value, low=low, high=high):
            return np.minimum(inner(Compare(">=", value, low)), inner(Compare("<=", value, high)))
        case Compare(operator=sign, left=left, right=right) if sign not in ("=", "!="):
            sides = bind_sides(sign, left, right, whole, scope)
            if sides is None:
                over_time = any(isinstance(one, Call) and one.function in ("mean", "change", "integral") for one in walk(node))
                raise NotBuilt("a mean, a change or an integral over time in it" if over_time else "a comparison of texts or versions")
            one, other = sides.left.evaluate(asked), sides.right.evaluate(asked)
            found = np.asarray(one - other if sign in (">", ">=") else other - one, np.float64)
            return np.where(found == 0, -LEAST if sign in ("<", ">") else LEAST, found)
        case Compare():
            bound = bind(Expression(whole.text, node, whole.place), scope, "condition", sensors=SENSORS)
            return np.where(np.asarray(bound.evaluate(asked), np.bool_), 1.0, -1.0)
    raise NotBuilt("a condition of another form than comparisons")


def _fields(names: Iterable[Name], scope: MapScope) -> list[Name]:
    found = []
    for name in names:
        try:
            if scope.resolve(name) is not None:
                found.append(name)
        except LookupError:
            continue  # a label
    return found


def condition_names(expression: Expression, scope: MapScope) -> tuple[Name, ...]:
    """Return the fields of a condition, as binding sees them."""
    return bind(expression, scope, "condition", sensors=SENSORS, allow_temporal=True).names


def split_lasting(expression: Expression) -> tuple[Node, int]:
    """Return a condition without its outermost `for`, and how long that is in ns."""
    root = expression.root
    return (root.condition, _duration_ns(root)) if isinstance(root, Lasting) else (root, 0)


def _duration_ns(node: Lasting) -> int:
    unit = node.duration.unit
    return int(node.duration.value * (unit.factor if unit is not None else 1) * 10**9)


def lasts(node: Node) -> bool:
    """Return whether a `for` stands in a condition."""
    return any(isinstance(one, Lasting) for one in walk(node))


def held(node: Node, bands: Callable[[Node], Bands]) -> tuple[Intervals, Intervals]:
    """Return when a condition surely held and when it may have held, each `for` in it counted; ``bands`` judges what has none."""
    if not lasts(node):
        own = bands(node)
        return own.surely(), own.maybe()
    match node:
        case Lasting(condition=condition):
            least = _duration_ns(node)
            surely, maybe = held(condition, bands)
            return _from(surely, least), _from(maybe, least)
        case Logic(operator="not", operands=(operand,)):
            surely, maybe = held(operand, bands)
            return outside(maybe), outside(surely)
        case Logic(operator=operator, operands=operands):
            found = [held(one, bands) for one in operands]
            surely, maybe = found[0]
            for other_surely, other_maybe in found[1:]:
                if operator == "and":
                    surely, maybe = both(surely, other_surely), both(maybe, other_maybe)
                else:
                    surely, maybe = joined([*surely, *other_surely]), joined([*maybe, *other_maybe])
            return surely, maybe
    raise NotBuilt("a `for` below something else than and, or and not")


def _from(intervals: Intervals, least: int) -> Intervals:
    return [(begin if begin == -FOREVER else begin + least, end) for begin, end in intervals if begin == -FOREVER or end - begin > least]


def both(one: Intervals, other: Intervals) -> Intervals:
    """Return where both of two lists of intervals are."""
    return outside(joined([*outside(one), *outside(other)]))


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """The least and the largest margin of a condition over time: f8[2, m] at both ends of each of m segments; NaN where not known."""

    begin: Times
    end: Times
    low: Array
    high: Array

    def surely(self) -> Intervals:
        """Return where the condition held whatever tolerance and doubt say."""
        return _above(self.begin, self.end, np.where(np.isnan(self.low), -1.0, self.low))

    def maybe(self) -> Intervals:
        """Return where it may have held; where nothing is known it may."""
        found = _above(self.begin, self.end, np.where(np.isnan(self.high), 1.0, self.high), touching=True)
        outside = [(-FOREVER, int(self.begin[0])), (int(self.end[-1]), FOREVER)] if len(self.begin) else [(-FOREVER, FOREVER)]
        return joined([*found, *outside])

    def value_within(self, begin: int, end: int) -> float:
        """Return the largest margin that it may have had between two times, inf where that is not known."""
        rows = np.flatnonzero((self.end >= begin) & (self.begin <= end))
        if not len(rows) or np.isnan(self.high[:, rows]).any() or begin < self.begin[0] or end > self.end[-1]:
            return np.inf
        return float(self.high[:, rows].max())


def joined(intervals: Intervals) -> Intervals:
    """Return intervals in order, those that touch made one."""
    out: Intervals = []
    for begin, end in sorted(intervals):
        if out and begin <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((begin, end))
    return out


def outside(intervals: Intervals) -> Intervals:
    """Return the gaps between intervals, from ever to ever."""
    edges = [-FOREVER, *(edge for pair in joined(intervals) for edge in pair), FOREVER]
    return [(begin, end) for begin, end in zip(edges[::2], edges[1::2], strict=True) if begin < end]


def _above(begin: Times, end: Times, values: Array, *, touching: bool = False) -> Intervals:
    found: Intervals = []
    first, last = values

    def reaches(value: Any) -> Any:
        return value >= 0 if touching else value > 0

    for number in np.flatnonzero(reaches(first) | reaches(last)).tolist():
        low, high, one, other = int(begin[number]), int(end[number]), float(first[number]), float(last[number])
        if not reaches(one):
            low += round((high - low) * -one / (other - one))
        elif not reaches(other):
            high -= round((high - low) * -other / (one - other))
        found.append((low, high))
    return joined(found)


def spread(
    node: Node,
    whole: Expression,
    scope: MapScope,
    names: Sequence[Name],
    bounds: Callable[[Name, int | None], tuple[Any, Any]],
    elements: Any,
) -> tuple[Array, Array]:
    """Return the least and largest margin over every combination of the names' bounds."""
    parts = list(dict.fromkeys(name.parts for name in names))
    found = []
    for ends in product((0, 1), repeat=len(parts)) if len(parts) <= 5 else [(0,) * len(parts), (1,) * len(parts)]:
        chosen = dict(zip(parts, ends, strict=True))
        with np.errstate(all="ignore"):
            found.append(margin(node, whole, scope, lambda name, e, chosen=chosen: bounds(name, e)[chosen[name.parts]], elements, None))  # type: ignore[misc]
    return np.minimum.reduce(found), np.maximum.reduce(found)


def applied_bands(
    node: Node,
    whole: Expression,
    scope: MapScope,
    names: Sequence[Name],
    judges: Mapping[tuple[tuple[str, ...], int | None], Judge],
    elements: Callable[[Name], Sequence[int | None]],
) -> Bands:
    """Return the margins of a condition on what the bench applied: each value may be reported off by its accuracy and 1.645 u."""
    grid = merge_breakpoints([judge.curve for judge in judges.values()], PIECES)
    cache: dict[tuple[tuple[str, ...], int | None], tuple[Array, Array]] = {}

    def bounds(name: Name, element: int | None) -> tuple[Array, Array]:
        key = (name.parts, element)
        if key not in cache:
            cache[key] = _applied_bounds(judges[key], grid)
        return cache[key]

    low, high = spread(node, whole, scope, names, bounds, elements)
    shape = (2, len(grid) - 1)
    return Bands(
        grid[:-1], grid[1:], np.broadcast_to(low, (2 * shape[1],)).reshape(shape), np.broadcast_to(high, (2 * shape[1],)).reshape(shape)
    )


def _applied_bounds(judge: Judge, grid: Times) -> tuple[Array, Array]:
    """Return between which values a device within its accuracy may have seen the applied one, f8[2 (m - 1)]: beginnings, then ends."""
    curve = resample(judge.curve, grid)
    source = np.clip(np.searchsorted(judge.curve.time, grid, side="right") - 1, 0, None)
    tables = judge.tables
    down = np.min([table.limits.fail_low for table in tables], axis=0)[source] if tables else np.zeros(len(grid))
    up = np.max([table.limits.fail_high for table in tables], axis=0)[source] if tables else np.zeros(len(grid))
    guard = Z * np.hypot(curve.u_s, curve.u_r)
    known = curve.state[:-1] == KNOWN
    ends = [np.where(known, part, np.nan) for part in (curve.after[:-1], curve.before[1:])]
    low = np.concatenate([end + (down - guard)[:-1] for end in ends])
    high = np.concatenate([end + (up + guard)[:-1] for end in ends])
    return low, high


def reported_bands(
    node: Node, whole: Expression, names: Sequence[Name], evaluation: Evaluation, elements: Callable[[Name], Sequence[int | None]]
) -> Bands:
    """Return the margins of a condition on what the device reported: from one reading to the next a value may have been either."""
    series = {(name.parts, element): evaluation.series(name, element) for name in names for element in elements(name)}
    grid = np.unique(np.concatenate([np.zeros(0, np.int64), *(one.time for one in series.values() if one is not None)]))
    if len(grid) < 2:
        nothing = np.zeros((2, 0))
        return Bands(grid[:0], grid[:0], nothing, nothing)
    begin = grid[:-1]

    def bounds(name: Name, element: int | None) -> tuple[NDArray[Any], NDArray[Any]]:
        one = series[name.parts, element]
        if one is None:
            return np.full(2 * len(begin), np.nan), np.full(2 * len(begin), np.nan)
        here = np.searchsorted(one.time, begin, side="right") - 1
        following = np.minimum(here + 1, len(one.time) - 1)
        values = one.raws if name.view == "raw" else one.values
        now, then = np.where(here >= 0, values[np.maximum(here, 0)], np.nan), values[following]
        return np.tile(np.minimum(now, then), 2), np.tile(np.maximum(now, then), 2)

    low, high = spread(node, whole, evaluation.scope, names, bounds, elements)
    shape = (2, len(begin))
    return Bands(
        begin, grid[1:], np.broadcast_to(low, (2 * shape[1],)).reshape(shape), np.broadcast_to(high, (2 * shape[1],)).reshape(shape)
    )
