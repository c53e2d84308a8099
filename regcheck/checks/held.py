"""When a rule's `when` held, by what the device said and what the bench applied."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from regcheck.checks.pairing import NOT_DRIVEN, Array, Driven, Evaluation, Flags, Times
from regcheck.checks.rule_record import Book
from regcheck.device_map.binding import Bound, bind
from regcheck.device_map.expression_tree import Expression, Name
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS


def event_times(book: Book, instance: str, names: Sequence[Name]) -> Times:
    """Return every time at which one of some names was reported."""
    evaluation = Evaluation(book, instance, np.zeros(0, np.int64), latest=True)
    asked = evaluation.asked([name for name in names if name.view != "applied"])
    found = [evaluation.series(name, element) for name, element in asked]
    return np.unique(np.concatenate([np.zeros(0, np.int64), *(one.time for one in found if one is not None)]))


def lasting(moments: Times, known: Flags) -> Callable[..., Any]:
    """Return what serves `for` in conditions that are evaluated at moments in order."""

    def serve(what: str, run: Callable[[Any], Any], duration_ns: int | None, values: Any) -> Any:
        if what != "for" or duration_ns is None:
            raise NotImplementedError(what)
        truth = np.broadcast_to(np.asarray(run(values), np.bool_), moments.shape) & known
        starts = truth & ~np.append(False, truth[:-1])[: len(truth)]
        since = np.maximum.accumulate(np.where(starts, np.arange(len(moments)), -1)) if len(moments) else np.zeros(0, np.int64)
        return truth & (moments - moments[np.maximum(since, 0)] >= duration_ns)

    return serve


def times_held(
    condition: Expression | None, book: Book, instance: str, at: Times, *, also_next: bool = True, bench: Driven = NOT_DRIVEN
) -> Flags:
    """Return at which times a condition surely held: by the latest readings and, with ``also_next``, by the next ones as well.

    What the bench applied counts with all values that it may have had.
    """
    if condition is None:
        return np.ones(len(at), np.bool_)
    scope = MapScope(book.register_map)
    names = bind(condition, scope, "condition", sensors=SENSORS, allow_temporal=True).names
    events = event_times(book, instance, names)
    moments = np.unique(np.concatenate([events, at]))
    evaluation = Evaluation(book, instance, moments, latest=True, bench=bench)
    known = evaluation.known(names)
    bound: Bound = bind(condition, scope, "condition", sensors=SENSORS, temporal=lasting(moments, known))
    pairs = [evaluation.pair(name, element) for name, element in evaluation.asked(names)]
    ends = (False, True) if any(name.view == "applied" for name in names) else (False,)
    now = np.logical_and.reduce([_at_latest(evaluation, bound, end) for end in ends]) & known
    place = np.searchsorted(moments, at)
    held = now[place]
    if also_next and len(events):
        fresh = np.logical_and.reduce([pair.age == 0 for pair in pairs]) if pairs else np.ones(len(moments), np.bool_)
        following = np.searchsorted(events, at, side="right")
        there = following < len(events)
        after = now[np.searchsorted(moments, events[np.minimum(following, len(events) - 1)])]
        held = held & (fresh[place] | ~there | after)
    return np.asarray(held)


def held_since(condition: Expression | None, book: Book, instance: str, at: Times, bench: Driven = NOT_DRIVEN) -> Times:
    """Return since when a condition has held at each time; of what never was told otherwise, since the capture's beginning."""
    if condition is None:
        return np.full(len(at), book.horizon[0])
    names = bind(condition, MapScope(book.register_map), "condition", sensors=SENSORS, allow_temporal=True).names
    moments = np.unique(np.concatenate([event_times(book, instance, names), at]))
    held = times_held(condition, book, instance, moments, also_next=False, bench=bench)
    starts = held & ~np.append(False, held[:-1])[: len(held)]
    since = np.maximum.accumulate(np.where(starts, np.arange(len(moments)), 0)) if len(moments) else np.zeros(0, np.int64)
    return np.asarray(moments[since[np.searchsorted(moments, at)]]) if len(at) else at


def _at_latest(evaluation: Evaluation, bound: Bound, is_high: bool) -> Flags:
    """Evaluate a condition on the latest readings alone, what was applied at its low or its high value."""

    def value(name: Name) -> Any:
        def one(element: int | None) -> Array:
            pair = evaluation.pair(name, element)
            if pair.series is None:
                return pair.high if is_high else pair.low
            values = pair.series.raws if name.view == "raw" else pair.series.values
            latest = np.maximum(np.searchsorted(pair.series.time, evaluation.at, side="right") - 1, 0)
            return np.where(pair.known, values[latest], np.nan)

        if not name.whole:
            return one(evaluation.plain_element(name))
        return np.stack([one(element) for element in evaluation.elements(name)] or [np.full(evaluation.at.shape, np.nan)])

    return np.asarray(np.broadcast_to(np.asarray(bound.evaluate(value), np.bool_), evaluation.at.shape))
