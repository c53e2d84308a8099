"""The order of a plan: a sweep of all lanes at once within what sets no alarm, then each excursion by itself, nominal between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from regcheck.planning.bench_model import BenchModel, Target
from regcheck.planning.goals import READINGS, Pace, words_of
from regcheck.planning.lanes import Lane, Member
from regcheck.planning.thresholds import Excursion, Watched

GOLDEN = 0.6180339887498949
UNEVEN = 0.3
"""Holds are longer by up to this share, each by another one, so that no stretch of steps repeats and a clock can be estimated."""

QUANTUM_NS = 100_000_000
"""Rows stand at whole tenths of a second."""

Values = Mapping[str, float]
"""Values of fields, by the channel that drives each."""


@dataclass(slots=True, eq=False)
class Step:
    """One row of the plan: what every driving channel's field is brought to, words instead, how long it stands, and what for."""

    phase: str
    what: str
    values: dict[str, float]
    hold_ns: int
    words: dict[str, str] = field(default_factory=dict)
    serves: tuple[str, ...] = ()


@dataclass(slots=True, eq=False)
class Walk:
    """Where a lane is on its way through its levels."""

    lane: Lane
    tour: list[float]
    position: float
    turn: int = 0
    at: int = -1
    waits_ns: int = 0

    @property
    def is_over(self) -> bool:
        """Whether nothing is left of the tour."""
        return self.at + 1 >= len(self.tour)


def tour(levels: Sequence[float], nominal: float) -> list[float]:
    """Return levels in an order that is gentle: up one by one, back by every second, down one by one, back to nominal."""
    above = sorted(one for one in levels if one > nominal)
    below = sorted((one for one in levels if one < nominal), reverse=True)
    found: list[float] = []
    for side in (above, below):
        if side:
            found += [*side, *side[-3::-2], nominal]
    return found


class Order:
    """Makes the steps of a plan from its lanes, excursions and sensors. ``nominal`` is where everything begins and ends."""

    def __init__(self, model: BenchModel, pace: Pace, lanes: Sequence[Lane], alarms: Sequence[Watched]) -> None:
        self.model, self.pace, self.lanes, self.alarms = model, pace, lanes, alarms
        self.nominal = nominal_values(lanes)
        self.steps: list[Step] = []

    def affected(self, lane: Lane) -> list[Target]:
        """Return every field that a lane moves."""
        channels = {member.channel for member in lane.members}
        return [target for target in self.model.targets if channels & set(target.channels)]

    def hold_ns(self, lane: Lane) -> int:
        """Return how long a value of a lane must stand."""
        return max(self.pace.hold_ns(target) for target in self.affected(lane))

    def long_ns(self, lane: Lane, position: float) -> int:
        """Return how long a level must stand: at both ends until filters and means have come to it."""
        is_end = position in (lane.levels[0], lane.levels[-1])
        return max(self.pace.long_hold_ns(target) for target in self.affected(lane)) if is_end else self.hold_ns(lane)

    def alarm_ns(self, watched: Watched) -> int:
        """Return how long a state must stand for an alarm to follow and be read."""
        settles = [sum(self.pace.bench.timing.of(target.field)) for target in watched.set.targets.values()]
        return watched.react_ns[1] + max(settles, default=0) + READINGS * self.alarm_period_ns(watched) + 4 * self.pace.clock_ns

    def alarm_period_ns(self, watched: Watched) -> int:
        """Return how often an alarm is read: as the map says, else at a quarter of its reaction time or faster."""
        said = self.pace.said_ns(watched.item)
        return said or min(self.pace.assumed_ns, asked_ns(watched) or self.pace.assumed_ns)

    def make(self, excursions: Sequence[Excursion]) -> list[Step]:
        """Return all steps in order."""
        self._sweep()
        for lane in self.lanes:
            self._beyond(lane)
        for one in sorted(excursions, key=lambda one: bool(one.watched.level.latched_until)):
            self._excursion(one)
        for lane in self.lanes:
            for member in lane.members:
                self._words(lane, member)
        for number, step in enumerate(self.steps):
            uneven = step.hold_ns * (1 + UNEVEN * ((number + 1) * GOLDEN % 1))
            step.hold_ns = -(-int(uneven) // QUANTUM_NS) * QUANTUM_NS
        return self.steps

    def _add(
        self, phase: str, what: str, values: Values, hold_ns: int, serves: Sequence[str], words: Mapping[str, str] | None = None
    ) -> None:
        full = dict(self.nominal) | dict(values)
        last = self.steps[-1] if self.steps else None
        if last is not None and last.values == full and last.words == dict(words or {}):  # it stands there already
            last.hold_ns = max(last.hold_ns, hold_ns)
            last.serves = tuple(dict.fromkeys([*last.serves, *serves]))
            return
        self.steps.append(Step(phase, what, full, hold_ns, dict(words or {}), tuple(serves)))

    def _sweep(self) -> None:
        holds = [self.hold_ns(lane) for lane in self.lanes]
        serves = [f"accuracy, coverage of {fields_text(self.affected(lane))}" for lane in self.lanes]
        first = max(holds, default=0) + self.pace.bench.timing.warm_up_ns
        self._add("sweep", "all nominal", {}, first, serves)
        walks = [
            Walk(lane, [one for one in tour(lane.levels, lane.nominal) if lane.quiet[0] <= one <= lane.quiet[1]], lane.nominal)
            for lane in self.lanes
        ]
        while True:
            moved = [walk for walk in walks if walk.waits_ns <= 0 and not walk.is_over]
            if not moved:
                waiting = [walk.waits_ns for walk in walks if walk.waits_ns > 0]
                if not waiting:
                    return
                unfinished = [walk.waits_ns for walk in walks if walk.waits_ns > 0 and not walk.is_over]
                more = min(unfinished) if unfinished else max(waiting)
                self.steps[-1].hold_ns += more
                for walk in walks:
                    walk.waits_ns -= more
                continue
            for walk in moved:
                walk.at += 1
                walk.position, walk.turn = walk.tour[walk.at], walk.turn + 1
                walk.waits_ns = self.long_ns(walk.lane, walk.position)
            hold = max(self.hold_ns(walk.lane) for walk in moved)
            values: dict[str, float] = {}
            for walk in walks:
                values |= self._lane_values(walk.lane, walk.position, walk.turn)
            what = "; ".join(f"{walk.lane.name} {about(walk.lane, values)}" for walk in moved)
            self._add("sweep", what, values, hold, [f"accuracy, coverage of {fields_text(self.affected(walk.lane))}" for walk in moved])
            for walk in walks:
                walk.waits_ns -= hold

    @staticmethod
    def _lane_values(lane: Lane, position: float, turn: int) -> dict[str, float]:
        return lane.values(position, 0 if position == lane.nominal else turn)

    def _beyond(self, lane: Lane) -> None:
        """Go to the levels of a lane at which some alarm may be set, by itself."""
        low, high = lane.quiet
        over = [one for one in lane.levels if not low <= one <= high]
        own = [one for one in self.alarms if lane in one.lanes([lane])]
        hold = max([self.hold_ns(lane), *(self.alarm_ns(one) for one in own)])
        serves = [f"accuracy, coverage of {fields_text(self.affected(lane))}", *dict.fromkeys(one.id for one in own)]
        for side in ([one for one in over if one > lane.nominal], sorted((one for one in over if one < lane.nominal), reverse=True)):
            if not side:
                continue
            up = side[0] > lane.nominal
            approach = sorted(
                (one for one in lane.levels if (lane.nominal < one <= high if up else low <= one < lane.nominal)), reverse=not up
            )
            for number, position in enumerate([*approach, *side, *side[-3::-2], *approach[-1:]]):
                values = self._lane_values(lane, position, len(lane.levels) + number)
                least = max(hold, self.long_ns(lane, position)) if position in side else self.hold_ns(lane)
                self._add("beyond", f"{lane.name} {about(lane, values)}", values, least, serves if position in side else ())
            self._add("beyond", f"{lane.name} back to nominal", {}, hold, list(dict.fromkeys(one.id for one in own)))

    def _excursion(self, one: Excursion) -> None:
        hold = self.alarm_ns(one.watched)
        name = one.watched.name
        serves = (one.watched.id,)
        self._add("alarm", f"{one.moved}, just short of {name}", one.before, hold, serves)
        self._add("alarm", f"{one.moved}, beyond {name}", one.over, hold, serves)
        if one.between is not None:
            self._add(
                "alarm",
                f"{one.moved}, not yet low enough to clear {name}"
                if one.moved.endswith("up")
                else f"{one.moved}, not yet high enough to clear {name}",
                one.between,
                hold,
                serves,
            )
        self._add("alarm", f"nominal, {name} must clear", {}, hold, serves)

    def _words(self, lane: Lane, member: Member) -> None:
        told = words_of(member)
        fields = [target for target in member.targets if target.field.codes]
        hold = self.hold_ns(lane)
        for word in told:
            serves = [f"available of {fields_text(fields)}"]
            self._add("sensor", f"{member.channel} {word}", {}, hold, serves, {member.channel: word})
            self._add("sensor", "all nominal", {}, hold, ())


def asked_ns(watched: Watched) -> int:
    """Return how often an alarm should be read: a quarter of the reaction time that it is allowed (verdicts, rule 19); 0: no limit."""
    if watched.level.react_ns is None:
        return 0
    low, high = watched.level.react_ns
    return max((high - low) // 4, 1)


def nominal_values(lanes: Sequence[Lane]) -> dict[str, float]:
    """Return where every driving channel's field stands at nominal."""
    found: dict[str, float] = {}
    for lane in lanes:
        found |= lane.values(lane.nominal, 0)
    return found


def about(lane: Lane, values: Values) -> str:
    """Return the values of a lane in a few words: 3.52..3.58 V; where its members differ in unit, those of each."""
    by_unit: dict[str, list[float]] = {}
    for member in lane.members:
        by_unit.setdefault(str(member.target.field.unit or ""), []).append(values[member.channel])
    said = []
    for unit, own in by_unit.items():
        low, high = f"{min(own):.5g}", f"{max(own):.5g}"
        said.append(f"{low if low == high else f'{low}..{high}'} {unit}".rstrip())
    return " and ".join(said)


def fields_text(targets: Sequence[Target]) -> str:
    """Return fields in short: cell_voltage[1..4], voltage."""
    elements: dict[str, list[int]] = {}
    for target in targets:
        elements.setdefault(target.field.name, []).extend([] if target.element is None else [target.element])
    said = []
    for name, numbers in elements.items():
        ordered = sorted(numbers)
        span = f"{ordered[0]}..{ordered[-1]}" if len(ordered) > 1 else "".join(map(str, ordered))
        said.append(f"{name}[{span}]" if ordered else name)
    return ", ".join(said)
