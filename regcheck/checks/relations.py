"""Relations that a map requires between what its fields report (`require`), judged at every reading of those that stand alone in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

import numpy as np

from regcheck.checks.changes import judge_changes
from regcheck.checks.held import event_times, held_since, times_held
from regcheck.checks.pairing import NOT_DRIVEN, Driven, Evaluation, Times, message_of
from regcheck.checks.rule_instants import is_mean, judge_instants
from regcheck.checks.rule_outcome import FAIL, PASS, Outcome, Worst
from regcheck.checks.rule_record import Book, whole_instances
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Call, Expression, Lasting, Name, Number, walk
from regcheck.device_map.expressions import TEMPORALS
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
    over_time = root is not None and any(isinstance(node, Call) and node.function in TEMPORALS for node in walk(root))
    if rule.when is not None:
        if any(isinstance(node, Call) and (node.function in TEMPORALS or is_mean(node)) for node in walk(rule.when.root)):
            return "a mean, a change or an integral over time in its `when`"
        if asks_bench(rule.when) and (over_time or any(isinstance(node, Lasting) for node in walk(rule.when.root))):
            return "what the bench applies in its `when`, over time"
    if (
        over_time
        and root is not None
        and any(isinstance(node, Lasting) or (isinstance(node, Call) and is_mean(node)) for node in walk(root))
    ):
        return "a mean or a `for` beside changes or integrals"
    if (
        root is not None
        and any(isinstance(node, Lasting) for node in walk(root))
        and any(name.view in ("applied", "seen") for name in names)
    ):
        return "a `for` beside what the bench applies, or beside none()"
    return ""


def _judge(rule: Rule, require: Expression, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven) -> None:
    if isinstance(require.root, Call) and require.root.function == "none" and names[0].view == "seen":
        _unseen(rule, book, instance, names[0], outcome, bench)
    elif any(isinstance(node, Call) and node.function in TEMPORALS for node in walk(require.root)):
        judge_changes(rule, book, instance, names, outcome, bench)
    else:
        _relate(rule, book, instance, names, outcome, bench)


def asks_bench(condition: Expression | None) -> bool:
    """Return whether a condition asks what the bench applies."""
    return condition is not None and any(isinstance(node, Call) and node.function == "applied" for node in walk(condition.root))


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


def _relate(rule: Rule, book: Book, instance: str, names: Sequence[Name], outcome: Outcome, bench: Driven) -> None:
    require = rule.require
    assert require is not None  # noqa: S101
    means = [node for node in walk(require.root) if isinstance(node, Call) and is_mean(node)]
    meant = {name.parts for node in means for name in walk(node) if isinstance(name, Name)}
    alone = [
        name
        for name in names
        if name.parts not in meant
        and not name.whole
        and name.view not in ("applied", "seen")
        and not (name.index is not None and not isinstance(name.index, Number))
    ]
    probe = Evaluation(book, instance, np.zeros(0, np.int64))
    arrays = [name for name in alone if name.index is None and probe.is_array(name)]
    elements: list[int | None] = [None]
    if arrays:
        own = [set(probe.elements(name)) for name in arrays]
        elements = sorted(set.intersection(*own), key=lambda one: one or 0)
    for element in elements:
        anchors = _anchors(book, instance, alone or [name for name in names if name.view not in ("applied", "seen")], element)
        if all(name.view == "seen" for name in names):
            messages = {found.name for name in names if (found := message_of(book, name)) is not None}
            times = [book.message_times(one, instance)[0] for one in sorted(messages)]
            anchors = np.unique(np.concatenate([*times, np.array([book.horizon[1]])]))
        outcome.seen += len(anchors)
        anchors = anchors[times_held(rule.when, book, instance, anchors, bench=bench)]
        outcome.held += len(anchors)
        if not len(anchors):
            continue
        for begin in range(0, len(anchors), AT_ONCE):
            at = anchors[begin : begin + AT_ONCE]
            since = held_since(rule.when, book, instance, at, bench) if any(name.view == "seen" for name in names) else None
            calm = ~Evaluation(book, instance, at, element=element, bench=bench).settling(names)
            outcome.settling += int((~calm).sum())
            at, since = at[calm], since[calm] if since is not None else None
            evaluation = Evaluation(book, instance, at, age_ns=rule.age_ns, element=element, bench=bench, since=since)
            judge_instants(rule, require, evaluation, names, outcome)


def _anchors(book: Book, instance: str, names: Sequence[Name], element: int | None) -> Times:
    evaluation = Evaluation(book, instance, np.zeros(0, np.int64), element=element)
    found = [evaluation.series(name, one) for name, one in evaluation.asked(names)]
    return np.unique(np.concatenate([np.zeros(0, np.int64), *(one.time for one in found if one is not None)]))


def _unseen(rule: Rule, book: Book, instance: str, name: Name, outcome: Outcome, bench: Driven) -> None:
    """A message that must not come while `when` holds."""
    message = message_of(book, name)
    time, _, place = book.message_times(message.name if message is not None else "", instance)
    if rule.when is None:
        moments = np.array([book.horizon[0]])
    else:
        moments = event_times(book, instance, bind(rule.when, MapScope(book.register_map), "condition", allow_temporal=True).names)
    outcome.seen += len(moments)
    held = moments[times_held(rule.when, book, instance, moments, also_next=False, bench=bench)]
    outcome.held += len(held)
    beyond = times_held(rule.when, book, instance, time, bench=bench)
    outcome.add(np.full(len(held), PASS), None)
    nothing = float("nan")
    for number in np.flatnonzero(beyond)[:1].tolist():
        numbers = (nothing,) * 5
        worst = Worst(3, 0.0, int(time[number]), book.stretch[0], int(place[number]), instance, *numbers, ())
        outcome.add(np.zeros(0, np.int64), worst)
    outcome.add(np.full(int(beyond.sum()), FAIL), None)
