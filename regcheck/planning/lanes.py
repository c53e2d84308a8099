"""Lanes: what is moved together, each member of a lane to a value of its own, within what the map lets it report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import isqrt

import numpy as np

from regcheck.checks.decision import Z
from regcheck.device_map.units import TABLE, convert
from regcheck.planning.bench_model import BenchModel, Target, field_span
from regcheck.planning.inversion import Array, search_grid, solve

MARGIN = 1.1
"""Values keep so many times limit and guard inside a range, so that no device within its limits reports beyond it (ours)."""

APART = 1.15
"""Siblings stand so many times their limits and guards apart where the range has room for it (ours)."""

SPREAD = 0.08
"""Away from the ends, the members of a lane take at most this share of the range."""

ROOM = Fraction(25)
"""degC that a temperature stands at while nothing is wanted of it."""


@dataclass(frozen=True, slots=True, eq=False)
class Member:
    """One driving channel: the field that it is driven for, those that it alone moves with it, and how far they may go.

    ``low`` .. ``high`` in the unit of ``target``, inside every range by limit and guard; ``reach`` is the field's limit and guard
    together; ``band`` how far from an end of its usable stretch it may be and still count as at the end of the field's range.
    """

    channel: str
    target: Target
    followers: tuple[Target, ...]
    low: float
    high: float
    reach: float
    band: tuple[float, float]

    @property
    def targets(self) -> tuple[Target, ...]:
        """The field and what follows it."""
        return (self.target, *self.followers)


@dataclass(slots=True, eq=False)
class Lane:
    """Members that could be taken for each other, moved together. Positions are shares 0 .. 1 of each member's usable stretch.

    ``quiet`` is the stretch of positions over which no alarm may be set; ``nominal`` lies in it.
    """

    name: str
    members: tuple[Member, ...]
    nominal: float = 0.5
    quiet: tuple[float, float] = (0.0, 1.0)
    prime: int = 2
    levels: list[float] = field(default_factory=list)

    def step(self, member: Member, position: float) -> float:
        """Return how far apart neighbouring values of the lane stand at a position, in the member's unit."""
        if len(self.members) < 2:
            return 0.0
        room = SPREAD * (member.high - member.low)
        if position <= 0.02 or position >= 0.98:
            room = 0.9 * member.band[0 if position < 0.5 else 1]
        wanted = 2 * APART * max(one.reach for one in self.members)
        return min(wanted, max(room, 0.0) / (self.prime - 1))

    def values(self, position: float, turn: int) -> dict[str, float]:
        """Return each member's value at a position, by channel; ``turn`` orders them (each turn another order)."""
        found = {}
        for number, member in enumerate(self.members, 1):
            step = self.step(member, position)
            half = step * (self.prime - 1) / 2
            low, high = member.low + half, member.high - half
            centre = (
                min(max(member.low + position * (member.high - member.low), low), high) if low <= high else (member.low + member.high) / 2
            )
            rank = number * self.turn(turn) % self.prime if len(self.members) > 1 else 0
            offset = (rank - self.prime / 2) * step if len(self.members) > 1 else 0.0
            found[member.channel] = min(max(centre + offset, member.low), member.high)
        return found

    def turn(self, number: int) -> int:
        """Return the multiplier of the ``number``-th order: spread over 1 .. prime - 1, so that neighbours come apart in turn."""
        if self.prime <= 3:
            return 1 + number % (self.prime - 1)
        return 1 + (number * max(isqrt(self.prime), 1) * 3 + number) % (self.prime - 1)

    def position_of(self, member: Member, value: float) -> float:
        """Return where a value lies on a member's stretch."""
        return (value - member.low) / (member.high - member.low) if member.high > member.low else 0.5


@dataclass(frozen=True, slots=True)
class NoStretch:
    """A driving channel that nothing can be planned for, and why."""

    channel: str
    target: Target
    says: str
    remedy: str


def members_of(model: BenchModel, ends: float) -> tuple[list[Member], list[NoStretch]]:
    """Return a member for each driving channel; ``ends`` is the share of a range that counts as its end."""
    members, refused = [], []
    followers: dict[str, list[Target]] = {}
    for target in model.derived:
        if len(target.channels) == 1 and target.channels[0] in model.drivers:
            followers.setdefault(target.channels[0], []).append(target)
    standing = _standing(model)
    for channel, target in model.drivers.items():
        found = _member(model, channel, target, tuple(followers.get(channel, ())), standing, ends)
        if isinstance(found, Member):
            members.append(found)
            others = {name: standing[name] for name in target.channels if name != channel}
            standing[channel] = _argument(model, channel, target, np.array([(found.low + found.high) / 2]), others)
        else:
            refused.append(found)
    return members, refused


def _standing(model: BenchModel) -> dict[str, Array]:
    homes = {name: model.home(name) for name in model.bench.channels}
    return {name: np.array([home]) for name, home in homes.items() if isinstance(home, float)}


def _member(
    model: BenchModel, channel: str, target: Target, followers: tuple[Target, ...], standing: Mapping[str, Array], ends: float
) -> Member | NoStretch:
    others = {name: standing[name] for name in target.channels if name != channel}
    reached_low, reached_high = model.ends(channel, others)
    if not np.isfinite(reached_low) or reached_low == reached_high:
        return NoStretch(channel, target, f"{channel} does not move {target.name}", "see its formula under `applied`")
    span = field_span(target.field)
    if span is None:
        limits = f"{target.name} has no range, so nothing says how far it may go"
        if model.bench.channels[channel].range is None:
            return NoStretch(channel, target, limits, "give the field its `range` in the map, or the channel one in the bench file")
        span = reached_low, reached_high
    bounds = [(target, span), *((one, own) for one in followers if (own := field_span(one.field)) is not None)]
    low, high, reach = -np.inf, np.inf, 0.0
    for one, (bottom, top) in bounds:
        at = _argument(model, channel, one, np.array([bottom, top]), others)
        state = {**{name: np.repeat(value, 2) for name, value in others.items()}, channel: at}
        seen = model.evaluate(state, [one])[one.key]
        sides = np.maximum(seen.high, -seen.low) + Z * seen.u
        sides = np.where(np.isfinite(sides), sides, 0.0)
        inner = np.array([bottom + MARGIN * sides[0], top - MARGIN * sides[1]])
        if one is target:
            reach = float(sides.max())
            usable = inner
        else:
            place = _argument(model, channel, one, inner, others)
            usable = np.sort(model.value(target, {**{name: np.repeat(value, 2) for name, value in others.items()}, channel: place}))
            if not np.isfinite(usable).all():
                continue
        low, high = max(low, float(usable[0])), min(high, float(usable[1]))
    tight = MARGIN * 1e-9 * (reached_high - reached_low)
    low, high = max(low, reached_low + tight), min(high, reached_high - tight)
    if not low < high:
        says = f"its limits leave nothing of the range of {target.name} that the bench reaches ({reached_low:.5g} to {reached_high:.5g})"
        return NoStretch(channel, target, says, "see the range in the map and the channel's in the bench file")
    width = span[1] - span[0]
    return Member(channel, target, followers, low, high, reach, (span[0] + ends * width - low, high - (span[1] - ends * width)))


def _argument(model: BenchModel, channel: str, target: Target, wanted: Array, others: Mapping[str, Array]) -> Array:
    """Return the channel's values at which a target that rests on it comes to ``wanted``."""
    function = model.function_of(target, channel, {name: np.repeat(value, len(wanted)) for name, value in others.items()})
    home = model.home(channel)
    return solve(function, wanted, search_grid(model.bench.channels[channel]), home if isinstance(home, float) else 0.0)


def lanes_of(members: Sequence[Member]) -> list[Lane]:
    """Return members in lanes: elements of one array, and fields alike but for a number in their names, share one."""
    keys: dict[tuple[str, str], int] = {}
    groups: list[list[Member]] = []
    for member in members:
        own = [_family(target) for target in member.targets]
        at = next((keys[key] for key in own if key in keys), len(groups))
        if at == len(groups):
            groups.append([])
        groups[at].append(member)
        keys |= dict.fromkeys(own, at)
    lanes = []
    for group in groups:
        lane = Lane(group[0].target.field.name, tuple(group), prime=_prime_above(len(group)))
        lane.nominal = _first_nominal(group[0])
        lanes.append(lane)
    return lanes


def _family(target: Target) -> tuple[str, str]:
    """Return what siblings have in common: checks.judge.siblings tells them apart by the same."""
    stem = target.field.name.rstrip("0123456789")
    if target.element is not None or stem == target.field.name:
        return f"{target.applied.instance}.{target.field.message}.{target.field.name}", ""
    return stem, str(target.field.unit)


def _prime_above(count: int) -> int:
    number = max(count + 1, 2)
    while any(number % divisor == 0 for divisor in range(2, isqrt(number) + 1)):
        number += 1
    return number


def _first_nominal(member: Member) -> float:
    """Return where a lane stands while nothing is wanted of it: 25 degC, zero of what has a sign, else the middle."""
    value = (member.low + member.high) / 2
    unit = member.target.field.unit
    if unit is not None and unit.fits(TABLE["K"]):
        value = float(convert(ROOM, TABLE["degC"], unit))
    elif member.low < 0 < member.high:
        value = 0.0
    if not member.low < value < member.high:
        value = (member.low + member.high) / 2
    return (value - member.low) / (member.high - member.low)
