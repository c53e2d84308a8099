"""The bench turned round: which channel drives which field, what all fields come to for given channels, and channels for given fields."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.applied import Formulas, applied_field, channel_curve, driven_elements, is_turned
from regcheck.bench.bench_file import Applied, Bench, Channel
from regcheck.bench.curves import AppliedCurve
from regcheck.bench.stimulus import OPEN, LogColumn, StimulusLog
from regcheck.checks.judge import field_step
from regcheck.checks.limits_at import Given, limit_fields, segment_limits
from regcheck.codec.columns import FieldId
from regcheck.device_map.model import Field, RegisterMap
from regcheck.planning.inversion import Array, Function, is_resistance, reachable, search_grid, solve

SECOND = 1_000_000_000
UNSAID = Fraction(5, 100)
"""A limit that is a share of what the device itself says is taken for this share of the field's range, to plan with (ours)."""

HOME_OHM = 10_000.0
"""What a resistance stands at while nothing is wanted of it (ours: the usual thermistor at 25 degC)."""


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """One field, or one element of an array, that the bench drives, and the channels that it rests on."""

    applied: Applied
    element: int | None
    variables: Mapping[str, int]
    channels: tuple[str, ...]
    turned: bool

    @property
    def field(self) -> Field:
        """The field in the map."""
        return self.applied.field

    @property
    def key(self) -> FieldId:
        """Which field it is, as the checks name it."""
        return FieldId(self.field.message, self.field.name, self.element, self.applied.instance)

    @property
    def name(self) -> str:
        """The field's name with its number, for a person."""
        return self.field.name + ("" if self.element is None else f"[{self.element}]")


@dataclass(frozen=True, slots=True, eq=False)
class Reached:
    """What a field comes to in n states of the bench, f8[n] in its unit: value, standard uncertainty, limits of the error (wide)."""

    value: Array
    u: Array
    low: Array
    high: Array
    judged: NDArray[np.bool_]

    def repeated(self, count: int) -> Reached:
        """Return one state as ``count`` alike."""
        value, u, low, high = (np.repeat(part, count) for part in (self.value, self.u, self.low, self.high))
        return Reached(value, u, low, high, np.repeat(self.judged, count))


class BenchModel:
    """A bench file's formulas both ways.

    ``drivers`` gives for each channel that is driven for a field's sake that field, in the order in which they can be solved:
    every other channel of the field has its value before. ``derived`` are the targets that no channel is left for.
    """

    def __init__(self, bench: Bench, register_map: RegisterMap) -> None:
        self.bench, self.register_map = bench, register_map
        self.formulas = Formulas(bench)
        self.targets: list[Target] = []
        for one in bench.applied:
            for element, variables in driven_elements(one, self.formulas):
                names = self.formulas.channels_of(one, variables)
                if names:
                    turned = is_turned(one.field, {name: bench.channels[name] for name in names})
                    self.targets.append(Target(one, element, variables, tuple(names), turned))
        self.drivers: dict[str, Target] = {}
        self.derived: list[Target] = []
        self._choose_drivers()
        self._seen: dict[tuple[object, ...], Reached] = {}
        self._known: dict[tuple[object, ...], float] = {}
        self.grids = {name: search_grid(bench.channels[name]) for name in self.drivers}

    def _choose_drivers(self) -> None:
        """Give each target the first of its channels that no other target has spoken for: arrays first, then what has fewest channels."""
        taken: set[str] = set()
        single = [target for target in self.targets if target.element is None]
        arrays = [target for target in self.targets if target.element is not None]
        for target in [*arrays, *sorted(single, key=lambda target: len(target.channels))]:
            free = [name for name in target.channels if name not in taken and not self.bench.channels[name].states]
            if free:
                self.drivers[free[0]] = target
            else:
                self.derived.append(target)
            taken |= set(target.channels)

    def home(self, name: str) -> float | str:
        """Return what a channel stands at while nothing is wanted of it."""
        channel = self.bench.channels[name]
        if channel.states:
            return channel.states[0]
        at = 0.0
        if is_resistance(channel) and channel.unit is not None:
            at = HOME_OHM / float(channel.unit.factor)
        if channel.range is not None:
            low, high = float(channel.range.low), float(channel.range.high)
            at = min(max(at, low), high) if is_resistance(channel) or low <= at <= high else (low + high) / 2
        return at

    def function_of(self, target: Target, channel: str, others: Mapping[str, Array]) -> Function:
        """Return the target's value as a function of one of its channels, the others given (f8[n])."""

        def function(argument: Array) -> Array:
            return self.value(target, {**{name: others[name] for name in target.channels if name != channel}, channel: argument})

        return function

    def value(self, target: Target, channels: Mapping[str, Array]) -> Array:
        """Return what a target should report for its channels' values."""
        found = self.formulas.value(target.applied, target.variables, channels)
        return -found if target.turned else found

    def ends(self, channel: str, others: Mapping[str, Array]) -> tuple[float, float]:
        """Return the smallest and the largest value that a channel can bring its target to, the others given (f8[1])."""
        return reachable(self.function_of(self.drivers[channel], channel, others), self.grids[channel])

    def solve(self, wanted: Mapping[str, Array], count: int, targets: Sequence[Target] | None = None) -> dict[str, Array]:
        """Return all channels' values, f8[n] each, at which the targets of the driving channels ``wanted`` come to these values.

        ``wanted`` gives f8[n] by channel; a channel that it lacks stays at home. NaN where no value of the channel does it.
        ``targets``: only those channels that these rest on.
        """
        needed = self._needed(targets) if targets is not None else None
        found: dict[str, Array] = {}
        for name, channel in self.bench.channels.items():
            home = self.home(name)
            if isinstance(home, float) and name not in self.drivers and not channel.states:
                found[name] = np.full(count, home)
        for name, target in self.drivers.items():
            if needed is not None and name not in needed:
                continue
            home = self.home(name)
            assert isinstance(home, float)  # noqa: S101 - a channel of states drives nothing
            if name not in wanted:
                found[name] = np.full(count, home)
                continue
            others = {other: found.get(other, np.full(count, np.nan)) for other in target.channels}
            found[name] = self._solved(target, name, np.asarray(wanted[name], np.float64), others, home)
        return found

    def _solved(self, target: Target, name: str, wanted: Array, others: Mapping[str, Array], home: float) -> Array:
        """Solve for one channel; where everything stands still over the n states, once for all of them and for later ones."""
        rest = {other: values for other, values in others.items() if other != name}
        if any(len(values) and (values != values[0]).any() for values in (wanted, *rest.values())):
            return solve(self.function_of(target, name, others), wanted, self.grids[name], home)
        key = (name, float(wanted[0]), *(float(values[0]) for values in rest.values()))
        if key not in self._known:
            once = {other: values[:1] for other, values in rest.items()}
            self._known[key] = float(solve(self.function_of(target, name, once), wanted[:1], self.grids[name], home)[0])
        return np.full(len(wanted), self._known[key])

    def _needed(self, targets: Sequence[Target]) -> set[str]:
        """Return the channels that targets rest on, and those that these are solved by."""
        needed = {name for target in targets for name in target.channels}
        for name, target in reversed(self.drivers.items()):
            if name in needed:
                needed |= set(target.channels)
        return needed

    def evaluate(self, channels: Mapping[str, Array], targets: Sequence[Target]) -> dict[FieldId, Reached]:
        """Return what targets come to in n states, standing still: filters and means are left out."""
        count = len(next(iter(channels.values()))) if channels else 0
        still = {name: float(values[0]) for name, values in channels.items() if not (values != values[0]).any()}
        found: dict[FieldId, Reached] = {}
        moving = []
        for target in targets:
            if count < 2 or not all(name in still for name in target.channels):
                moving.append(target)
                continue
            key = (target.key, *(still[name] for name in target.channels))
            if key not in self._seen:  # a state that comes again and again is worked out once
                once = {name: channels[name][:1] for name in target.channels}
                self._seen[key] = self._evaluate(once, [target])[target.key]
            found[target.key] = self._seen[key].repeated(count)
        return found | self._evaluate(channels, moving)

    def _evaluate(self, channels: Mapping[str, Array], targets: Sequence[Target]) -> dict[FieldId, Reached]:
        count = len(next(iter(channels.values()))) if channels else 0
        times = np.arange(count, dtype=np.int64) * SECOND
        columns = {}
        for name, values in channels.items():
            nothing = dict.fromkeys(np.flatnonzero(np.isnan(values)).tolist(), OPEN)  # nothing is claimed there
            columns[self.bench.channels[name].counts] = LogColumn(name, times, values, nothing, -99)
        log = StimulusLog("", columns, 0, int(times[-1]), int(times[-1]) + SECOND)
        curves: dict[str, AppliedCurve] = {}
        found = {}
        for target in targets:
            for name in target.channels:
                if name not in curves:
                    curves[name] = channel_curve(_still(self.bench.channels[name]), log)
            own = {name: curves[name] for name in target.channels}
            curve = applied_field(target.applied, target.element, dict(target.variables), self.formulas, own, log, steady=True).curve
            rows = np.searchsorted(curve.time, times, side="right") - 1
            found[target.key] = self._reached(target.field, curve, rows)
        return found

    def _reached(self, field: Field, curve: AppliedCurve, rows: NDArray[np.intp]) -> Reached:
        message = self.register_map.message(field.message)
        assert message is not None  # noqa: S101 - the field came out of this map
        u = np.hypot(curve.u_s, curve.u_r)[rows]
        if not field.accuracy:
            none = np.zeros(len(rows))
            return Reached(curve.after[rows], u, none, none, np.zeros(len(rows), np.bool_))
        if limit_fields(field):
            span = field_span(field)
            size = float(UNSAID) * (span[1] - span[0]) if span is not None else 0.0
            side = np.full(len(rows), size)
            return Reached(curve.after[rows], u, -side, side, np.ones(len(rows), np.bool_))
        limits = segment_limits(field, curve, self.register_map, message, float(field_step(field)), Given({}, {}))
        return Reached(curve.after[rows], u, limits.fail_low[rows], limits.fail_high[rows], limits.judged[rows])


def _still(channel: Channel) -> Channel:
    """Return a channel whose rows hold: states side by side are no course of time."""
    return replace(channel, between="hold", max_gap_ns=None, measured=False)


def field_span(field: Field) -> tuple[float, float] | None:
    """Return a field's range where one stands without a condition."""
    span = next((case.item for case in field.range if case.item is not None and case.when is None), None)
    return (float(span.low), float(span.high)) if span is not None else None
