"""Alarms: whether and when each level is reported, against what the bench applied, else against what the device itself reports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.clock import Clock
from regcheck.checks.accuracy import CaptureClock
from regcheck.checks.alarm_bands import (
    FOREVER,
    Bands,
    Intervals,
    NotBuilt,
    applied_bands,
    condition_names,
    held,
    lasts,
    outside,
    reported_bands,
    split_lasting,
)
from regcheck.checks.alarm_clearings import Clearing, clearings
from regcheck.checks.alarm_times import Crossing, crossings, expected
from regcheck.checks.held import times_held
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import Driven, Evaluation, Flags, Times
from regcheck.checks.relations import asks_bench, devices, without_nobody
from regcheck.checks.rule_record import GOOD, Book, Series
from regcheck.device_map.binding import Bound, bind
from regcheck.device_map.expression_tree import Call, Expression, Lasting, Name, Node, Number, walk
from regcheck.device_map.model import AlarmLevel, Field, RegisterMap, Rule
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS

APPLIED, REPORTED = "applied", "reported"


@dataclass(frozen=True, slots=True)
class Wrong:
    """A reading whose state cannot be right: ``what`` says why; times on the capture's clock."""

    level: str
    what: str
    time_ns: int
    source: int
    place: int
    instance: str


@dataclass(slots=True)
class AlarmOutcome:
    """What one alarm came to for one device, over all stretches."""

    crossings: list[Crossing] = field(default_factory=list)
    clearings: list[Clearing] = field(default_factory=list)
    wrong: list[Wrong] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)  # wrong readings by level and kind
    readings: int = 0
    basis: set[str] = field(default_factory=set)
    estimated: bool = False
    no_clock: bool = False
    refused: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Readings:
    """The alarm's good readings: start, end, doubt on the clock of what it rests on; raw; start and place on the capture's."""

    start: Times
    end: Times
    doubt: Times
    raw: NDArray[np.int64]
    capture: Times
    place: Times

    def chosen(self, rows: Flags) -> _Readings:
        return _Readings(*(getattr(self, key)[rows] for key in ("start", "end", "doubt", "raw", "capture", "place")))


@dataclass(frozen=True, slots=True, eq=False)
class Clocks:
    """What an alarm needs of the bench: judges and clocks, settle and latency of a field, the end of the warm-up (bench ns)."""

    bench: Driven
    slack: Mapping[str, int]
    ready_ns: int = -FOREVER


def judge_alarm(
    rule: Rule, books: Sequence[Book], clocks: Clocks, required: Mapping[str, Sequence[str]] | None = None
) -> dict[str, AlarmOutcome]:
    """Return what an alarm came to for each device; ``required`` names the devices that must send a message."""
    found: dict[str, AlarmOutcome] = {}
    for book in books:
        alarm = alarm_report(rule, book.register_map)
        if isinstance(alarm, str):
            return {"": AlarmOutcome(refused=alarm)}
        for instance in devices(book, {item.message for item in alarm.fields}, required or {}):
            outcome = found.setdefault(instance, AlarmOutcome())
            if asks_bench(rule.when) and rule.when is not None and lasts(rule.when.root):
                outcome.refused = "what the bench applies in its `when`, over time"
                continue
            own = Evaluation(book, instance, np.zeros(0, np.int64), bench=clocks.bench)
            for number, level in enumerate(rule.levels):
                try:
                    _judge_level(rule, number, level, own, alarm, clocks, outcome)
                except NotBuilt as error:
                    outcome.refused = str(error)
    return without_nobody(found) or {"": AlarmOutcome()}


def _applied_judges(names: Sequence[Name], own: Evaluation) -> dict[tuple[tuple[str, ...], int | None], Judge] | None:
    """Return the judge of every value of a condition, None where the bench applies nothing to one of them."""
    found = {}
    for name in names:
        item = own.field(name)
        if name.view in ("raw", "reported") or item is None:
            return None
        for element in _elements(own, name):
            judge = own.bench.judge(item, element, own.instance)
            if judge is None:
                return None
            found[name.parts, element] = judge
    return found


def _within(node: Node, names: Sequence[Name]) -> list[Name]:
    """Return those of a condition's names that stand in a part of it."""
    parts = {one.parts for one in walk(node) if isinstance(one, Name)}
    return [name for name in names if name.parts in parts]


def _elements(own: Evaluation, name: Name) -> list[int | None]:
    if isinstance(name.index, Number):
        return [int(name.index.value)]
    return own.elements(name)


def _judge_level(rule: Rule, number: int, level: AlarmLevel, own: Evaluation, alarm: Report, clocks: Clocks, outcome: AlarmOutcome) -> None:
    set_root, lasting_ns = split_lasting(level.set)
    names = condition_names(level.set, own.scope)
    if rule.which is not None and lasts(set_root):
        raise NotBuilt("`which` beside a `for` inside `set`")
    clear_names = condition_names(level.clear, own.scope) if level.clear is not None else ()
    judges = _applied_judges([*names, *clear_names], own)
    if judges is None and any(name.view == "applied" for name in (*names, *clear_names)):
        raise NotBuilt("applied() of what the bench does not apply, or beside what is reported")
    outcome.basis.add(APPLIED if judges is not None else REPORTED)

    def elements(name: Name) -> list[int | None]:
        return _elements(own, name)

    def bands(expression: Expression, root: Node, asked: Sequence[Name]) -> Bands:
        if judges is not None:
            return applied_bands(
                root, expression, own.scope, asked, {key: judges[key] for key in judges if key[0] in {n.parts for n in asked}}, elements
            )
        return reported_bands(root, expression, asked, own, elements)

    readings, context = _readings(own, alarm, rule, clocks, is_applied=judges is not None)
    if readings is None:
        outcome.no_clock |= judges is not None and not isinstance(context.clock, Clock)
        return
    outcome.readings += len(readings.start) if number == 0 else 0
    if any(name.whole and not elements(name) for name in (*names, *clear_names)):
        return  # no element was ever seen: nothing says how many there are
    surely, maybe = held(set_root, lambda node: bands(level.set, node, _within(node, names)))
    if level.clear is not None:
        whole = level.clear
        clear, may_clear = held(whole.root, lambda node: bands(whole, node, _within(node, clear_names)))
    else:
        clear, may_clear = outside(maybe), outside(surely)
    slack = max(clocks.slack.get(item.path, 0) for item in alarm.fields)
    low, high = level.react_ns if level.react_ns is not None else (0, lasting_ns + slack)
    low = max(low, lasting_ns)
    releases = _releases(own, level, context, is_applied=judges is not None)
    is_set = _is_set(rule, number, alarm, readings.raw)
    must_set, must_clear = expected(surely, maybe, clear, may_clear, lasting_ns, (low, high), releases)
    for kind, stretches, wrong in (("did not report it", must_set, ~is_set), ("reported it where it must not", must_clear, is_set)):
        rows = np.flatnonzero(_inside(readings, stretches) & wrong)
        if len(rows):
            at = int(rows[0])
            outcome.wrong.append(
                Wrong(level.state, kind, int(readings.capture[at]), own.book.stretch[0], int(readings.place[at]), own.instance)
            )
            key = f"{level.state}: {kind}"
            outcome.counts[key] = outcome.counts.get(key, 0) + len(rows)
    is_estimated = judges is not None and isinstance(context.clock, Clock) and not context.clock.may_clear_delay
    limit = (low, high) if level.react_ns is not None else None
    found = crossings(readings.start, readings.end, readings.doubt, is_set, surely, maybe, (low, high), limit, level.state, own.instance)
    for one in found:
        if is_estimated and limit is not None and one.verdict == "pass":
            outcome.estimated = True
            one = Crossing(one.level, "undecided", one.edges, one.clear_ns, one.set_ns, one.limit, one.doubt_ns, one.instance)
        outcome.crossings.append(one)
    if releases is None:
        bound = high if level.react_ns is not None else None
        outcome.clearings += clearings(
            readings.start, readings.end, readings.doubt, is_set, clear, may_clear, bound, level.state, own.instance
        )
    if rule.which is not None and isinstance(rule.which.root, Name):
        _named(rule.which.root, level, set_root, names, own, readings, is_set, judges, high, outcome)


def _named(
    which: Name, level: AlarmLevel, root: Node, names: Sequence[Name], own: Evaluation, readings: _Readings, is_set: Flags,
    judges: Mapping[tuple[tuple[str, ...], int | None], Judge] | None, reach_ns: int, outcome: AlarmOutcome,
) -> None:  # fmt: skip
    """The element that an alarm names must itself meet `set`, at some time within the reaction before it was read."""
    if which.index is None:
        return
    index = _index_values(which, own, readings.capture)
    bands: dict[int, Bands] = {}
    for row in np.flatnonzero(is_set & np.isfinite(index)).tolist():
        element = int(index[row])
        if element not in bands:

            def only(name: Name, element: int = element) -> list[int | None]:
                return [element] if name.parts == which.parts else _elements(own, name)

            if judges is None:
                bands[element] = reported_bands(root, level.set, names, own, only)
            elif any((name.parts, one) not in judges for name in names for one in only(name)):
                continue
            else:
                bands[element] = applied_bands(root, level.set, own.scope, names, judges, only)
        doubt = int(readings.doubt[row])
        # it may have been named as long as the alarm stood: only one that never met `set` since the alarm came is wrong
        since = row
        while since > 0 and is_set[since - 1]:
            since -= 1
        begin = int(readings.start[since]) - reach_ns - doubt
        if bands[element].value_within(begin, int(readings.end[row]) + doubt) < 0:
            where = own.book.stretch[0], int(readings.place[row]), own.instance
            what = f"named element {element}, which did not meet `set`"
            outcome.wrong.append(Wrong(level.state, what, int(readings.capture[row]), *where))
            outcome.counts[f"{level.state}: {what}"] = outcome.counts.get(f"{level.state}: {what}", 0) + 1
            return


def _index_values(which: Name, own: Evaluation, at: Times) -> NDArray[np.float64]:
    from regcheck.device_map.expression_tree import Expression as Tree
    from regcheck.errors import Place

    assert which.index is not None  # noqa: S101 - the caller asked
    bound = bind(Tree("", which.index, Place("")), own.scope, "any")
    evaluation = Evaluation(own.book, own.instance, at, latest=True)
    known = evaluation.known(bound.names)
    found = np.broadcast_to(np.asarray(bound.evaluate(evaluation.values({})), np.float64), at.shape)
    fresh = np.array(
        [
            np.array_equal(pair.low[row : row + 1], pair.high[row : row + 1])
            for row in range(len(at))
            for pair in evaluation.reported_by(bound.names).values()
        ]
    )
    settled = fresh.reshape(len(at), -1).all(axis=1) if len(at) else np.zeros(0, np.bool_)
    return np.where(known & settled, found, np.nan)


def _readings(own: Evaluation, alarm: Report, rule: Rule, clocks: Clocks, *, is_applied: bool) -> tuple[_Readings | None, CaptureClock]:
    source = own.book.stretch[0]
    context = clocks.bench.clocks[source] if source < len(clocks.bench.clocks) else CaptureClock(None)
    seen = _reported(own, alarm)
    if seen is None or (is_applied and not isinstance(context.clock, Clock)):
        return None, context
    good = times_held(rule.when, own.book, own.instance, seen.capture, bench=own.bench)
    seen = seen.chosen(good)
    capture, place, raw, start, end, doubt = seen.capture, seen.place, seen.raw, seen.start, seen.end, seen.doubt
    if is_applied and len(start):
        start, end, doubt = context.bench_times(start, end)
    found = _Readings(start, end, doubt, raw, capture, place)
    return (found.chosen(start - doubt >= clocks.ready_ns) if is_applied else found), context


def _reported(own: Evaluation, alarm: Report) -> _Readings | None:
    """Return every good reading of what reports an alarm; of several fields it is as old as the oldest of them."""
    asked = own.asked(alarm.bound.names)
    series = [own.series(name, element) for name, element in asked]
    known = [one for one in series if one is not None and len(one.time)]
    if not known or len(known) < len(series):
        return None
    if isinstance(alarm.bound.expression.root, Name) and len(known) == 1:
        (one,) = known
        good = one.status == GOOD
        time = one.time[good]
        return _Readings(time, one.end[good], np.zeros(len(time), np.int64), one.raw[good].astype(np.int64), time, one.place[good])
    moments = np.unique(np.concatenate([one.time for one in known]))
    evaluation = Evaluation(own.book, own.instance, moments, latest=True)

    def value(name: Name) -> Any:
        found = [_latest(evaluation.series(one, element), moments) for one, element in asked if one == name]
        return np.stack(found) if name.whole else found[0]

    values = np.asarray(np.broadcast_to(np.asarray(alarm.bound.evaluate(value), np.float64), moments.shape))
    rows = [np.searchsorted(one.time, moments, side="right") - 1 for one in known]
    good = np.isfinite(values) & np.logical_and.reduce([row >= 0 for row in rows])
    for one, row in zip(known, rows, strict=True):
        good &= one.status[np.maximum(row, 0)] == GOOD
    start = np.min([one.time[np.maximum(row, 0)] for one, row in zip(known, rows, strict=True)], axis=0)
    end = np.max([one.end[np.maximum(row, 0)] for one, row in zip(known, rows, strict=True)], axis=0)
    place = np.select([one.time[np.maximum(row, 0)] == moments for one, row in zip(known, rows, strict=True)], [
        one.place[np.maximum(row, 0)] for one, row in zip(known, rows, strict=True)
    ])  # fmt: skip
    raw = np.where(good, values, 0).astype(np.int64)
    return _Readings(start, end, np.zeros(len(moments), np.int64), raw, moments, place).chosen(good)


def _latest(series: Series | None, at: Times) -> NDArray[np.float64]:
    assert series is not None  # noqa: S101 - the caller has seen it
    row = np.searchsorted(series.time, at, side="right") - 1
    return np.where(row >= 0, series.values[np.maximum(row, 0)], np.nan)


@dataclass(frozen=True, slots=True)
class Report:
    """What reports an alarm: a field, or an expression of several; ``labels`` are the codes of its states by name."""

    bound: Bound
    fields: tuple[Field, ...]
    labels: Mapping[str, int]


def alarm_report(rule: Rule, register_map: RegisterMap) -> Report | str:
    """Return what reports an alarm; why this version cannot judge it where that is so."""
    assert rule.alarm is not None  # noqa: S101 - asked for alarms alone
    scope = MapScope(register_map)
    nodes = list(walk(rule.alarm.root))
    if any(isinstance(node, Lasting) or (isinstance(node, Call) and node.function in NO_REPORT) for node in nodes):
        return "an alarm that is a matter of time, or of what the bench applies"
    bound = bind(rule.alarm, scope, "any", sensors=SENSORS)
    if any(name.index is not None and not isinstance(name.index, Number) for name in bound.names):
        return "an alarm whose element is named by a formula"
    fields = [scope.resolve(replace(name, view="", whole=False)) for name in bound.names]
    known = tuple(item for item in fields if item is not None)
    if not known or len(known) < len(fields):
        return "an alarm that is no field"
    labels = [{word: code for code, word in item.names.items()} for item in known]
    return Report(bound, known, labels[0] if all(one == labels[0] for one in labels) else {})


NO_REPORT = ("applied", "change", "integral", "none")


def _releases(own: Evaluation, level: AlarmLevel, context: CaptureClock, *, is_applied: bool) -> list[tuple[int, int]] | None:
    """Return when the message came that ends a latched level, each from the earliest to the latest time; None where it does not latch."""
    if not level.latched_until:
        return None
    start, end, _ = own.book.message_times(level.latched_until, own.instance)
    if not is_applied or not len(start):
        return list(zip(start.tolist(), end.tolist(), strict=True))
    start, end, doubt = context.bench_times(start, end)
    return list(zip((start - doubt).tolist(), (end + doubt).tolist(), strict=True))


def _is_set(rule: Rule, number: int, alarm: Report, raw: NDArray[np.int64]) -> Flags:
    """Return which readings report a level or a graver one; the levels stand from mild to grave."""
    if alarm.bound.is_condition:
        if len(rule.levels) > 1:
            raise NotBuilt("several levels of an alarm that is a condition")
        return np.asarray(raw == 1, np.bool_)
    codes = [alarm.labels.get(level.state, _code(level.state)) for level in rule.levels]
    own = codes[number]
    if own is None:
        raise NotBuilt(f"the state '{level_text(rule, number)}', which is no label and no number")
    known = [code for code in codes if code is not None]
    if len(known) > 1 and known == sorted(known):
        return np.asarray(raw >= own, np.bool_)
    return np.asarray(np.isin(raw, [code for code in codes[number:] if code is not None]), np.bool_)


def level_text(rule: Rule, number: int) -> str:
    """Return a level's name."""
    return rule.levels[number].state


def _code(text: str) -> int | None:
    try:
        return int(text, 0)
    except ValueError:
        return None


def _inside(readings: _Readings, stretches: Intervals) -> Flags:
    """Return which readings lie wholly inside some stretch, whatever the clock's doubt."""
    found = np.zeros(len(readings.start), np.bool_)
    for begin, end in stretches:
        found |= (readings.start - readings.doubt > begin) & (readings.end + readings.doubt < end)
    return found
