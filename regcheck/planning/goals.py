"""What must be reached: the levels of each lane, the sensors that are opened and shorted, and how long a value must stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from regcheck.bench.bench_file import Bench
from regcheck.bench.stimulus import OPEN, SHORT
from regcheck.device_map.binding import bind
from regcheck.device_map.expression_tree import Call, walk
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.sensors import SENSORS
from regcheck.device_map.units import Unit
from regcheck.planning.bench_model import BenchModel, Target
from regcheck.planning.lanes import SPREAD, Lane, Member

READINGS = 3
"""Readings that a hold has room for once a value can be judged (ours: at least two fall in, however the polls lie)."""

FILTERS = 5
"""Time constants that a filtered field is held for: within 0.7 % of a step (exp(-5))."""

SAME = 0.03
"""Positions nearer than this share of a stretch are one level."""

FEWEST_LEVELS = 5
LEAST_GAP = 0.05
ROOMY = 0.8
"""Levels stand so much closer than the widest gap allowed."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How often each message is read, in ns: as the map says, else as told (``assumed_ns``); and what else a hold waits for."""

    bench: Bench
    register_map: RegisterMap
    assumed_ns: int

    def said_ns(self, item: Field) -> int:
        """Return how often a field comes by what the map says (`every`, `poll`), 0 where it says nothing."""
        message = self.register_map.message(item.message)
        assert message is not None  # noqa: S101 - the field came out of this map
        layouts = [layout.every for layout in message.layouts if layout.every and item.name in {one.name for one in layout.fields}]
        cases = [case.item for every in layouts or [message.every] for case in every if case.item is not None]
        return max((case.period_ns or case.high_ns for case in cases), default=0) or message.poll_ns

    def period_ns(self, item: Field) -> int:
        """Return how often a field comes."""
        return self.said_ns(item) or self.assumed_ns

    @property
    def clock_ns(self) -> int:
        """What the clock's doubt may come to, to plan with: as told, or what an estimate can be off by at this pace."""
        rule = self.bench.clock
        if rule.kind == "estimate":
            latency = max((self.bench.timing.of(one.field)[1] for one in self.bench.applied), default=0)
            return (latency + self.assumed_ns) // 2
        return rule.doubt_ns + self.bench.timing.timestamps_ns

    def hold_ns(self, target: Target) -> int:
        """Return how long a value must stand for some readings of a field to be judged."""
        settle, latency = self.bench.timing.of(target.field)
        return settle + latency + target.field.update_ns + READINGS * self.period_ns(target.field) + 4 * self.clock_ns

    def long_hold_ns(self, target: Target) -> int:
        """Return how long it must stand for a filter or a moving mean to come to it, too."""
        return self.hold_ns(target) + target.field.averages_ns + FILTERS * target.field.filter_ns


def levels_of(lane: Lane, model: BenchModel, affected: Sequence[Target]) -> list[float]:
    """Return the positions that a lane is to be held at, rising: both ends, enough between, zero, nominal, each case of an accuracy."""
    rule = model.bench.coverage
    between = max(ROOMY * float(rule.gap) - (SPREAD if len(lane.members) > 1 else 0.0), LEAST_GAP)
    count = max(FEWEST_LEVELS, rule.levels, ceil(1 / between - SAME) + 1)
    special = {0.0, 1.0, lane.nominal}
    member = lane.members[0]
    if member.low < 0 < member.high:
        special.add(lane.position_of(member, 0.0))
    found = sorted(special)
    for number in range(1, count - 1):
        _add(found, number / (count - 1))
    for target in dict.fromkeys([*member.targets, *affected]):
        for position in _cases(member, target, model, found):
            _add(found, position)
    return sorted(found)


def _add(levels: list[float], position: float) -> None:
    if min(abs(position - one) for one in levels) > SAME:
        levels.append(position)


def _cases(member: Member, target: Target, model: BenchModel, levels: Sequence[float]) -> list[float]:
    """Return a position for every case of a field's accuracy that no level lies in."""
    field = target.field
    if len(field.accuracy) < 2 or target not in member.targets:
        return []
    message = model.register_map.message(field.message)
    assert message is not None  # noqa: S101 - the field came out of this map
    positions = np.concatenate([np.asarray(levels), np.linspace(0.0, 1.0, 401)])
    values = member.low + positions * (member.high - member.low)
    wanted = {member.channel: values}
    state = model.solve(wanted, len(values))
    applied = model.evaluate(state, [target])[target.key].value
    free = np.ones(len(values), np.bool_)
    found = []
    for case in field.accuracy:
        holds = free.copy()
        if case.when is not None:
            if any(name.parts != ("applied",) for name in case.when.names()):
                continue
            units: dict[str, Unit | None] = {"applied": field.unit}
            bound = bind(case.when, MapScope(model.register_map, message, units), "condition")
            holds &= np.broadcast_to(np.asarray(bound.evaluate(lambda _name: applied), np.bool_), free.shape)
        free &= ~holds
        if case.item is None or holds[: len(levels)].any() or not holds.any():
            continue
        inner = np.flatnonzero(holds[len(levels) :])
        runs = np.split(inner, np.flatnonzero(np.diff(inner) > 1) + 1)
        longest = max(runs, key=len)
        found.append(float(positions[len(levels) :][longest[len(longest) // 2]]))
    return found


def state_conditions(register_map: RegisterMap) -> list[tuple[Message, Field]]:
    """Return the fields whose accuracy hangs on something that the bench may not apply."""
    return [
        (message, field)
        for message in register_map.messages
        for field in message.all_fields()
        if any(name.parts != ("applied",) for case in field.accuracy if case.when is not None for name in case.when.names())
    ]


def words_of(member: Member) -> list[str]:
    """Return which of open and short a member's sensor is brought to: those that a field of it has codes for."""
    plays = {
        target.field.path
        for target in member.targets
        if any(isinstance(node, Call) and node.function in SENSORS for node in walk(target.applied.formula.root))
    }
    told = {code.word for target in member.targets if target.field.path in plays for code in target.field.codes}
    return [word for word in (OPEN, SHORT) if word in told]
