"""Alarms: whether and when each level is reported, against what the bench applied, else against what the device itself reports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

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
    outside,
    reported_bands,
    split_lasting,
)
from regcheck.checks.alarm_times import Crossing, crossings, expected
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import Driven, Evaluation, Flags, Times, times_held
from regcheck.checks.relations import asks_bench, devices, without_nobody
from regcheck.checks.rule_record import GOOD, Book
from regcheck.device_map.expression_tree import Expression, Name, Node, Number
from regcheck.device_map.model import AlarmLevel, Field, Rule

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
        probe = Evaluation(book, "", np.zeros(0, np.int64), bench=clocks.bench)
        alarm = rule.alarm.root if rule.alarm is not None else None
        if not isinstance(alarm, Name) or (alarm.index is not None and not isinstance(alarm.index, Number)) or probe.field(alarm) is None:
            return {"": AlarmOutcome(refused="an alarm that is no field")}
        item = probe.field(alarm)
        assert item is not None  # noqa: S101 - just seen
        for instance in devices(book, {item.message}, required or {}):
            outcome = found.setdefault(instance, AlarmOutcome())
            if asks_bench(rule.when):
                outcome.refused = "what the bench applies in its `when`"
                continue
            own = Evaluation(book, instance, np.zeros(0, np.int64), bench=clocks.bench)
            for number, level in enumerate(rule.levels):
                try:
                    _judge_level(rule, number, level, own, alarm, item, clocks, outcome)
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


def _elements(own: Evaluation, name: Name) -> list[int | None]:
    if isinstance(name.index, Number):
        return [int(name.index.value)]
    return own.elements(name)


def _judge_level(
    rule: Rule, number: int, level: AlarmLevel, own: Evaluation, alarm: Name, item: Field, clocks: Clocks, outcome: AlarmOutcome
) -> None:
    set_root, lasting_ns = split_lasting(level.set)
    names = condition_names(level.set, own.scope)
    clear_root, clear_lasting_ns = split_lasting(level.clear) if level.clear is not None else (None, 0)
    if clear_lasting_ns:
        raise NotBuilt("a `for` in `clear`")
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
    set_bands = bands(level.set, set_root, names)
    surely, maybe = set_bands.surely(), set_bands.maybe()
    if level.clear is not None and clear_root is not None:
        clear_bands = bands(level.clear, clear_root, clear_names)
        clear, may_clear = clear_bands.surely(), clear_bands.maybe()
    else:
        clear, may_clear = outside(maybe), outside(surely)
    slack = clocks.slack.get(item.path, 0)
    low, high = level.react_ns if level.react_ns is not None else (0, lasting_ns + slack)
    low = max(low, lasting_ns)
    releases = _releases(own, level, context, is_applied=judges is not None)
    is_set = _is_set(rule, number, item, readings.raw)
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
    from regcheck.device_map.binding import bind
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


def _readings(own: Evaluation, alarm: Name, rule: Rule, clocks: Clocks, *, is_applied: bool) -> tuple[_Readings | None, CaptureClock]:
    source = own.book.stretch[0]
    context = clocks.bench.clocks[source] if source < len(clocks.bench.clocks) else CaptureClock(None)
    series = own.series(alarm, own.plain_element(alarm))
    if series is None or (is_applied and not isinstance(context.clock, Clock)):
        return None, context
    good = series.status == GOOD
    good &= times_held(rule.when, own.book, own.instance, series.time)
    capture, place, raw = series.time[good], series.place[good], series.raw[good].astype(np.int64)
    start, end, doubt = series.time[good], series.end[good], np.zeros(int(good.sum()), np.int64)
    if is_applied and len(start):
        start, end, doubt = context.bench_times(start, end)
    found = _Readings(start, end, doubt, raw, capture, place)
    return (found.chosen(start - doubt >= clocks.ready_ns) if is_applied else found), context


def _releases(own: Evaluation, level: AlarmLevel, context: CaptureClock, *, is_applied: bool) -> list[tuple[int, int]] | None:
    """Return when the message came that ends a latched level, each from the earliest to the latest time; None where it does not latch."""
    if not level.latched_until:
        return None
    start, end, _ = own.book.message_times(level.latched_until, own.instance)
    if not is_applied or not len(start):
        return list(zip(start.tolist(), end.tolist(), strict=True))
    start, end, doubt = context.bench_times(start, end)
    return list(zip((start - doubt).tolist(), (end + doubt).tolist(), strict=True))


def _is_set(rule: Rule, number: int, item: Field, raw: NDArray[np.int64]) -> Flags:
    """Return which readings report a level or a graver one; the levels stand from mild to grave."""
    words = {word: code for code, word in item.names.items()}
    codes = [words.get(level.state, _code(level.state)) for level in rule.levels]
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
