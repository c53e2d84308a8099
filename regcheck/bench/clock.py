"""Which bench time a capture's time stands for, and within what doubt (verdicts, rule 12).

Offset is always capture time minus bench time. An estimate is a set of offsets and drifts, never one best value: what the
check does holds for every one of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from regcheck.errors import UsageError

Times = NDArray[np.int64]

DRIFT = 50e-6
"""How far two crystals may run apart, as a share (common practice: 25 ppm each)."""

FEWEST_STEPS = 3
LEAST_MATCHED = 0.6
MOST_RIVAL = 0.5
NOISE_RATIO = 5.0

NO_EVENTS, FEW_MATCHED = "no_events", "few_matched"
SHARED, TOLD, ESTIMATED = "shared", "told", "estimated"


@dataclass(frozen=True, slots=True)
class Clock:
    """How capture time follows bench time b: b + offset_ns + rest + drift * (b - reference_ns), for every corner and all between them.

    ``corners`` are (rest in ns, drift as a share), the corners of the possible set; ``matched`` of ``steps`` bench steps were seen.
    """

    kind: str
    reference_ns: int
    offset_ns: int
    corners: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    matched: int = 0
    steps: int = 0

    @property
    def may_clear_delay(self) -> bool:
        """Whether a limit on delay may pass by this clock: never by one estimated from the device's own answers."""
        return self.kind != ESTIMATED

    def bench_time(self, capture_ns: ArrayLike) -> tuple[Times, Times]:
        """Return for each capture time (i8 ns) the middle of its possible bench times and the doubt, +/- ns, rounded up."""
        times = np.asarray(capture_ns, np.int64)
        if not any(drift for _, drift in self.corners):  # one doubt at all times
            rests = [rest for rest, _ in self.corners]
            earliest, latest = math.floor(min(rests)), math.ceil(max(rests))
            amid = earliest + (latest - earliest) // 2
            return times - (self.offset_ns + amid), np.full(times.shape, latest - amid, np.int64)
        passed = times - self.reference_ns - self.offset_ns  # a stretch, not an epoch: exact as a float
        ahead = [(passed * drift + rest) / (1 + drift) for rest, drift in self.corners]
        low = np.floor(np.minimum.reduce(ahead)).astype(np.int64)
        high = np.ceil(np.maximum.reduce(ahead)).astype(np.int64)
        middle = low + (high - low) // 2
        return times - self.offset_ns - middle, high - middle

    def offset_range(self, bench_ns: int) -> tuple[float, float]:
        """Return the smallest and largest offset, in ns beside ``offset_ns``, at a bench time."""
        offsets = [rest + drift * (bench_ns - self.reference_ns) for rest, drift in self.corners]
        return min(offsets), max(offsets)


@dataclass(frozen=True, slots=True)
class ClockRefused:
    """Why no clock can be estimated: ``reason`` a word, ``says`` a sentence, ``remedy`` what to do."""

    reason: str
    says: str
    remedy: str


def shared_clock() -> Clock:
    """Return the clock of a capture that was stamped by the bench itself."""
    return Clock(SHARED, 0, 0)


def told_clock(offset_ns: int, plus_minus_ns: int = 0, drift: float = 0.0, reference_ns: int = 0) -> Clock:
    """Return the clock of an offset that the user knows: +/- ``plus_minus_ns`` and +/- ``drift`` (a share) from ``reference_ns`` on."""
    if plus_minus_ns < 0 or not 0 <= drift < 1:
        raise UsageError("a told clock's +/- and drift must be 0 or more")
    rests, drifts = dict.fromkeys((-float(plus_minus_ns), float(plus_minus_ns))), dict.fromkeys((-drift, drift))
    return Clock(TOLD, reference_ns, offset_ns, tuple((rest, rate) for rest in rests for rate in drifts))


@dataclass(frozen=True, slots=True, eq=False)
class Events:
    """A field's leaps in a capture, i8[e] ns: ``last_old`` start of the last reading before, ``first_new`` end of the first after each.

    ``size`` f8[e] is the change with its sign.
    """

    last_old: Times
    first_new: Times
    size: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """One field's part in an estimate: the bench's steps of its applied value and the field's events in the capture.

    ``step_begin``, ``step_end`` i8[k] bench ns (equal unless a measured edge), ``step_size`` f8[k] with its sign, NaN where there is
    none; ``latency_ns`` how late the device may be.
    """

    field: str
    step_begin: Times
    step_end: Times
    step_size: NDArray[np.float64]
    events: Events
    latency_ns: int


def find_events(time: Times, end: Times, value: NDArray[np.float64], most: int) -> Events:
    """Return the ``most`` largest changes of a field from one good reading to the next, as far as they stand out from its noise.

    ``time``, ``end`` i8[n] ns of the messages, ``value`` f8[n]. The noise is the median of all other changes that are not 0; an event
    exceeds it NOISE_RATIO times (a ramp has none). Of such changes in a row and one way, as a slow field makes them,
    the first begins the event. The scale does not matter, so that a wrong one still aligns.
    """
    change = np.diff(value)
    size = np.abs(change)
    rest = np.sort(size)[: max(len(size) - most, 0)]
    noise = float(np.median(rest[rest > 0])) if (rest > 0).any() else 0.0
    large = size > NOISE_RATIO * noise
    same = np.append(False, large[1:] & large[:-1] & (np.sign(change[1:]) == np.sign(change[:-1])))[: len(large)]
    first = np.flatnonzero(large & ~same)
    if not len(first):
        return Events(time[:0], end[:0], value[:0])
    total = np.add.reduceat(np.where(large, change, 0.0), first)
    chosen = np.sort(np.argsort(-np.abs(total), kind="stable")[:most])
    return Events(time[first[chosen]], end[first[chosen] + 1], total[chosen])


def estimate_clock(evidence: Sequence[Evidence], drift: float = DRIFT) -> Clock | ClockRefused:
    """Return the clock on which the bench's steps explain the device's events, or why there is none.

    A step at b, last old reading p, first new one n: the offset lies in (p - b - L, n - b]. Every pair of a step and an event
    of one field and one direction votes (of any direction where those do not suffice: a field may count the other way
    round). The offset that most steps agree on wins; then the intervals of all steps with an event near it are intersected, with a
    drift of at most ``drift`` (a share), so that a step that disagrees is never dropped to make the rest agree.
    Refused with fewer than 3 steps, under 60 % of them matched, another offset with over half of the winner's votes
    (periodic stimuli), or an empty intersection.
    """
    begins = np.concatenate([np.zeros(0, np.int64), *(item.step_begin for item in evidence)])
    different = len(np.unique(begins))
    if different < FEWEST_STEPS:
        return ClockRefused(
            "too_few_steps",
            f"the bench made {different} steps, a clock needs at least {FEWEST_STEPS}",
            "apply at least three steps at uneven intervals, or give the clock's offset",
        )
    low, high, step, agree = _candidates(evidence)
    clock = _estimate(begins, low[agree], high[agree], step[agree], drift)
    if isinstance(clock, ClockRefused) and clock.reason in (NO_EVENTS, FEW_MATCHED) and not agree.all():
        return _estimate(begins, low, high, step, drift)
    return clock


def _candidates(evidence: Sequence[Evidence]) -> tuple[Times, Times, NDArray[np.int64], NDArray[np.bool_]]:
    """Return for every pair of a step and an event of one field: low and high offset, the step's number, whether they go one way."""
    parts, counted = [], 0
    for item in evidence:
        steps, events = len(item.step_begin), item.events
        low = events.last_old[None, :] - item.step_end[:, None] - item.latency_ns
        high = events.first_new[None, :] - item.step_begin[:, None]
        number = np.broadcast_to(counted + np.arange(steps)[:, None], low.shape)
        against = np.sign(item.step_size)[:, None] * np.sign(events.size)[None, :] < 0
        parts.append((low.ravel(), high.ravel(), number.ravel(), ~against.ravel()))
        counted += steps
    low, high, number, agree = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    return low, high, number.astype(np.int64), agree


def _estimate(begins: Times, low: Times, high: Times, step: NDArray[np.int64], drift: float) -> Clock | ClockRefused:
    reference = int(begins.min()) + (int(begins.max()) - int(begins.min())) // 2
    widen = np.ceil(np.abs(begins - reference) * drift).astype(np.int64)
    votes = _Votes(low - widen[step], high + widen[step], step)
    if not votes.most:
        return ClockRefused(NO_EVENTS, "no field moved in the capture as the bench did", "see that the capture covers the stimuli")
    inside = (votes.low <= votes.best[1]) & (votes.high >= votes.best[0])
    matched = np.unique(step[inside])
    if len(matched) < LEAST_MATCHED * len(begins) or len(np.unique(begins[matched])) < FEWEST_STEPS:
        return ClockRefused(
            FEW_MATCHED,
            f"only {len(matched)} of {len(begins)} steps are matched by a change in the capture",
            "see that the capture covers the stimuli and that the map reads the stepped fields, or give the clock's offset",
        )
    reach = int((votes.high - votes.low)[inside].max())
    rival = votes.most_outside(votes.best[0] - reach, votes.best[1] + reach)
    if rival > MOST_RIVAL * votes.most:
        return ClockRefused(
            "ambiguous",
            f"another offset explains {rival} steps where the best one explains {votes.most}: the stimuli repeat themselves",
            "apply steps at uneven intervals, or give the clock's offset",
        )
    # a step whose event came near but not in time contradicts; where it has two events in reach the offset lies in either
    near = (votes.low <= votes.best[1] + reach) & (votes.high >= votes.best[0] - reach) & ~np.isin(step, matched)
    used, held = np.unique(step[inside | near]), inside | near
    lows, highs = np.full(len(begins), np.iinfo(np.int64).max), np.full(len(begins), np.iinfo(np.int64).min)
    np.minimum.at(lows, step[held], low[held])
    np.maximum.at(highs, step[held], high[held])
    base = votes.best[0]
    corners = intersect_offsets(begins[used] - reference, lows[used] - base, highs[used] - base, drift)
    if not corners:
        return ClockRefused(
            "contradiction",
            "no one offset agrees with every matched step: the device is later than its latency, or a clock leapt",
            "check the latency of the stepped fields and both clocks, or give the clock's offset",
        )
    return Clock(ESTIMATED, reference, base, corners, len(used), len(begins))


class _Votes:
    """How many steps agree on each offset: intervals low .. high, those of one step joined where they overlap."""

    def __init__(self, low: Times, high: Times, step: NDArray[np.int64]) -> None:
        self.low, self.high = low, high
        order = np.lexsort((low, step))
        begins: list[int] = []
        ends: list[int] = []
        last = -1
        for at in order.tolist():
            if step[at] == last and low[at] <= ends[-1]:
                ends[-1] = max(ends[-1], int(high[at]))
            else:
                begins.append(int(low[at]))
                ends.append(int(high[at]))
            last = int(step[at])
        edges = np.array(begins + ends, np.int64)
        change = np.array([1] * len(begins) + [-1] * len(ends), np.int64)
        order = np.lexsort((-change, edges))  # closed intervals: one that begins where another ends overlaps it
        self.edges, self.count = edges[order], np.cumsum(change[order])
        self.most = int(self.count.max(initial=0))
        at = int(np.argmax(self.count)) if self.most else 0
        self.best = (int(self.edges[at]), int(self.edges[at + 1])) if self.most else (0, 0)

    def most_outside(self, low: int, high: int) -> int:
        """Return the most votes for an offset below ``low`` or above ``high``."""
        following = np.append(self.edges[1:], self.edges[-1])
        return int(self.count[(self.edges < low) | (following > high)].max(initial=0))


def intersect_offsets(x: Times, low: Times, high: Times, drift: float) -> tuple[tuple[float, float], ...]:
    """Return the corners of all (offset, drift) with low <= offset + drift * x <= high and abs(drift) <= ``drift``; empty if none.

    Exact, in fractions: a polygon is cut by one half plane after the other.
    """
    if not drift:
        bottom, top = float(low.max()), float(high.min())
        return tuple(dict.fromkeys(((bottom, 0.0), (top, 0.0)))) if bottom <= top else ()
    limit = Fraction(drift)
    widest = (int(np.abs(x).max()) + 1) * limit
    least, most = int(low.min()) - widest, int(high.max()) + widest
    corners = [(least, -limit), (most, -limit), (most, limit), (least, limit)]
    for at, below, above in zip(x.tolist(), low.tolist(), high.tolist(), strict=True):
        corners = _cut(corners, [offset + rate * at - below for offset, rate in corners])
        corners = _cut(corners, [above - offset - rate * at for offset, rate in corners])
    return tuple(dict.fromkeys((float(offset), float(rate)) for offset, rate in corners))


def _cut(corners: list[tuple[Fraction, Fraction]], margin: list[Fraction]) -> list[tuple[Fraction, Fraction]]:
    """Return the part of a convex polygon where a margin, linear and given at its corners, is 0 or more."""
    kept: list[tuple[Fraction, Fraction]] = []
    for at, corner in enumerate(corners):
        previous, left, here = corners[at - 1], margin[at - 1], margin[at]
        if (left < 0) != (here < 0):
            share = left / (left - here)
            kept.append((previous[0] + (corner[0] - previous[0]) * share, previous[1] + (corner[1] - previous[1]) * share))
        if here >= 0:
            kept.append(corner)
    return kept
