"""Alarms: how a lane, or one of its members, is led over each threshold and back, with the guard bands of limits and uncertainty."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from regcheck.checks.wording import slug
from regcheck.device_map.model import AlarmLevel, Field, RegisterMap, Rule
from regcheck.device_map.scope import MapScope
from regcheck.planning.bench_model import BenchModel
from regcheck.planning.conditions import Condition, NotBuilt, NotDriven, condition_of
from regcheck.planning.inversion import Array
from regcheck.planning.lanes import Lane, Member

SPOTS = 49
"""Values along a way that are tried at once; twice, so that a threshold is found to a two-thousandth of the way."""

BEYOND = 0.3
"""A hold stands so far outside a guard band, as a share of the band's own width (ours)."""


@dataclass(frozen=True, slots=True)
class Unreached:
    """One requirement that the plan does not exercise: its id as check says it, why, what to do, and the place in map or bench file."""

    id: str
    says: str
    remedy: str
    place: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Watched:
    """One level of an alarm over what the bench drives: its conditions, the field that reports it, how long a reaction may take."""

    rule: Rule
    level: AlarmLevel
    item: Field
    set: Condition
    clear: Condition | None
    react_ns: tuple[int, int]

    @property
    def id(self) -> str:
        """The finding that it belongs to."""
        return f"alarm/{slug(self.rule.name)}"

    @property
    def name(self) -> str:
        """The level, for a person."""
        return f"{self.rule.name} '{self.level.state}'"

    def lanes(self, lanes: Sequence[Lane]) -> list[Lane]:
        """Return the lanes that its condition hangs on."""
        channels = {name for target in self.set.targets.values() for name in target.channels}
        return [lane for lane in lanes if any(member.channel in channels for member in lane.members)]


@dataclass(frozen=True, slots=True, eq=False)
class Excursion:
    """One level crossed both ways: values by channel (in their fields' units) that differ from nominal.

    ``before``: just short of set; ``over``: surely set; ``between``: past set again, not yet cleared (None where there is no such place).
    """

    watched: Watched
    lane: Lane
    moved: str
    before: Mapping[str, float]
    over: Mapping[str, float]
    between: Mapping[str, float] | None


@dataclass(slots=True)
class Alarms:
    """The alarms that the bench can drive, and why others cannot."""

    watched: list[Watched] = field(default_factory=list)
    unreached: list[Unreached] = field(default_factory=list)


def alarms_of(register_map: RegisterMap, model: BenchModel) -> Alarms:
    """Return every level of every alarm of the map, for each device that the bench drives."""
    found = Alarms()
    instances = list(dict.fromkeys(target.applied.instance for target in model.targets)) or [""]
    for rule in register_map.rules:
        for level in rule.levels:
            for instance in instances:
                try:
                    found.watched.append(_watched(rule, level, register_map, model, instance))
                except NotDriven as error:
                    text = f"level '{level.state}' hangs on {error}, which the bench does not apply"
                    remedy = "add it under `applied` in the bench file, or bring the device there by other means"
                    found.unreached.append(Unreached(f"alarm/{slug(rule.name)}", text, remedy, str(level.place)))
                except NotBuilt as error:
                    text = f"level '{level.state}' has {error}, which is not planned for"
                    found.unreached.append(Unreached(f"alarm/{slug(rule.name)}", text, "provoke it by hand", str(level.place)))
    return found


def _watched(rule: Rule, level: AlarmLevel, register_map: RegisterMap, model: BenchModel, instance: str) -> Watched:
    from regcheck.device_map.expression_tree import Name

    root = rule.alarm.root if rule.alarm is not None else None
    item = MapScope(register_map).resolve(root) if isinstance(root, Name) else None
    if item is None:
        raise NotBuilt("an alarm that is no field")
    condition = condition_of(level.set, model, instance)
    clear = condition_of(level.clear, model, instance) if level.clear is not None else None
    slack = sum(model.bench.timing.of(item))
    react = level.react_ns if level.react_ns is not None else (0, condition.lasting_ns + slack)
    return Watched(rule, level, item, condition, clear, (max(react[0], condition.lasting_ns), react[1]))


@dataclass(frozen=True, slots=True)
class _Way:
    """A way out of nominal: which members go, and whether up or down."""

    lane: Lane
    members: tuple[Member, ...]
    up: bool

    def at(self, nominal: Mapping[str, float], share: Array) -> dict[str, Array]:
        """Return the moved channels' values f8[n] at shares 0 .. 1 of the way."""
        return {
            one.channel: nominal[one.channel] + share * ((one.high if self.up else one.low) - nominal[one.channel]) for one in self.members
        }

    @property
    def moved(self) -> str:
        """What goes, for a person."""
        which = self.members[0].target.name if len(self.members) == 1 else f"all of {self.lane.name}"
        return f"{which} {'up' if self.up else 'down'}"


def _ways(watched: Watched, lanes: Sequence[Lane], first: int) -> Iterator[_Way]:
    """Give the ways that may set a level: a member alone, another for each level, then all of a lane at once."""
    channels = {name for target in watched.set.targets.values() for name in target.channels}
    for lane in watched.lanes(lanes):
        own = [one for one in lane.members if one.channel in channels]
        named = [one for one in own if one.target in watched.set.targets.values()]
        own = named or own
        chosen = [own[first % len(own)]]
        for up in (True, False):
            yield _Way(lane, tuple(chosen), up)
            if len(own) > 1:
                yield _Way(lane, tuple(own), up)


def _margins(condition: Condition, model: BenchModel, nominal: Mapping[str, float], way: _Way, share: Array) -> tuple[Array, Array]:
    wanted = {name: np.full(len(share), value) for name, value in nominal.items()} | way.at(nominal, share)
    return condition.margins(model, model.solve(wanted, len(share), condition.all_targets))


def excursion(
    watched: Watched, model: BenchModel, lanes: Sequence[Lane], nominal: Mapping[str, float], first: int
) -> Excursion | Unreached:
    """Return how a level is crossed both ways from nominal (field values by driving channel), or why it cannot be."""
    best: tuple[float, float, _Way] | None = None  # the shortest way, of one member if that does; its last quiet and first sure spot
    for way in sorted(_ways(watched, lanes, first), key=lambda way: len(way.members) > 1):
        if best is not None and len(best[2].members) < len(way.members):
            break
        found = _crossing(watched.set, model, nominal, way)
        if found is not None and (best is None or found[1] < best[1]):
            best = (*found, way)
    if best is None:
        return _why_not(watched, model, lanes, nominal)
    quiet, sure, way = best
    width = sure - quiet
    over = min(sure + BEYOND * width, 1.0)
    before = max(quiet - BEYOND * width, 0.0)
    between = _between(watched, model, nominal, way, before)
    return Excursion(
        watched,
        way.lane,
        way.moved,
        _only(way, nominal, before),
        _only(way, nominal, over),
        None if between is None else _only(way, nominal, between),
    )


def _only(way: _Way, nominal: Mapping[str, float], share: float) -> dict[str, float]:
    return {channel: float(values[0]) for channel, values in way.at(nominal, np.array([share])).items()}


def _crossing(condition: Condition, model: BenchModel, nominal: Mapping[str, float], way: _Way) -> tuple[float, float] | None:
    """Return the last share of a way at which the condition surely does not hold and the first at which it surely does."""
    share = np.linspace(0.0, 1.0, SPOTS)
    least, largest = _margins(condition, model, nominal, way, share)
    sure = np.flatnonzero(least > 0)
    if not len(sure) or not sure[0] or not largest[0] < 0:
        return None
    quiet = np.flatnonzero(largest[: sure[0]] < 0)
    upper = np.linspace(share[sure[0] - 1], share[sure[0]], SPOTS)
    lower = np.linspace(share[quiet[-1]], share[quiet[-1] + 1], SPOTS)
    finer = _margins(condition, model, nominal, way, upper)[0] > 0
    stiller = _margins(condition, model, nominal, way, lower)[1] < 0
    return float(lower[np.flatnonzero(stiller)[-1]]), float(upper[np.flatnonzero(finer)[0]])


def _between(watched: Watched, model: BenchModel, nominal: Mapping[str, float], way: _Way, before: float) -> float | None:
    """Return a share of the way short of set at which the level must still stand, None where there is no such place."""
    if watched.clear is None or watched.level.latched_until:
        return None
    share = np.linspace(0.0, before, SPOTS)
    _, largest = _margins(watched.clear, model, nominal, way, share)
    stays = np.flatnonzero(largest < 0)
    if not len(stays) or stays[0] == 0:
        return None
    return float((share[stays[0]] + before) / 2)


def _why_not(watched: Watched, model: BenchModel, lanes: Sequence[Lane], nominal: Mapping[str, float]) -> Unreached:
    """Say why no way leads over a threshold: it holds already, or the map's range or the bench's ends before it."""
    still = {name: np.array([value]) for name, value in nominal.items()}
    _, largest = watched.set.margins(model, model.solve(still, 1, watched.set.all_targets))
    level = watched.level
    if not largest[0] < 0:
        text = f"level '{level.state}' ({level.set.text}) may be set at every value that the plan could begin from"
        return Unreached(watched.id, text, "see its condition against the field's range in the map", str(level.place))
    ends = []
    for lane in watched.lanes(lanes):
        member = lane.members[0]
        unit = str(member.target.field.unit or "")
        ends.append(f"{lane.name} goes from {member.low:.5g} to {member.high:.5g} {unit}".rstrip())
    text = f"level '{level.state}' ({level.set.text}) needs more than the plan may apply: {', '.join(ends) or 'no channel moves it'}"
    remedy = "widen the field's `range` in the map, or the channel's in the bench file, if board and bench can bear it"
    return Unreached(watched.id, text, remedy, str(level.place))


def find_quiet(lane: Lane, model: BenchModel, alarms: Sequence[Watched], nominal: Mapping[str, float]) -> None:
    """Set a lane's quiet stretch: the positions around nominal over which, its other lanes at nominal, no level may be set."""
    own = [one for one in alarms if lane in one.lanes([lane])]
    if not own:
        return
    share = np.linspace(0.0, 1.0, 2 * SPOTS)
    rows = [lane.values(float(position), 0) for position in share]
    wanted = {name: np.full(len(share), value) for name, value in nominal.items()}
    wanted |= {channel: np.array([row[channel] for row in rows]) for channel in rows[0]}
    needed = [target for one in own for part in (one.set, one.clear) if part is not None for target in part.all_targets]
    state = model.solve(wanted, len(share), needed)
    calm = np.ones(len(share), np.bool_)
    for one in own:
        _, largest = one.set.margins(model, state)
        calm &= largest < 0
        if one.clear is not None and not one.level.latched_until:
            least, _ = one.clear.margins(model, state)
            calm &= least > 0
    if not calm.any():
        return
    edges = np.flatnonzero(np.diff(np.concatenate([[0], calm.astype(np.int8), [0]])))
    stretches = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    at = round(lane.nominal * (len(share) - 1))
    begin, end = min(stretches, key=lambda pair: (max(pair[0] - at, at - pair[1], 0), pair[0] - pair[1]))
    lane.quiet = float(share[begin]), float(share[end])
    if not lane.quiet[0] < lane.nominal < lane.quiet[1]:
        lane.nominal = (lane.quiet[0] + lane.quiet[1]) / 2
