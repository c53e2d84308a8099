"""Integrals of readings over time with their doubt, and the worst of all pairs of instants."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from regcheck.bench.curves import KNOWN
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import Array, Flags, Times
from regcheck.checks.rule_record import Series

SMALL = 256
"""Of so few instants every pair is looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """A running integral at some instants: its value, what may be off all one way, the variance of what may be off either way.

    ``segment`` is the unbroken run that each instant lies in, -1 for none.
    """

    value: Array
    systematic: Array
    variance: Array
    segment: Times


@dataclass(frozen=True, slots=True, eq=False)
class Running:
    """A quantity over time: times i8[m], its values at both ends of each of m - 1 spans, u of each, whether the span is known.

    ``stepped``: between two readings the value may have leapt at any time, else it runs straight. ``segment`` i8[m], -1: none.
    """

    time: Times
    ends: tuple[Array, Array]
    u: Array
    joined: Flags
    segment: Times
    stepped: bool

    def at(self, times: Times) -> Sums:
        """Return the integral from the first time on, in seconds."""
        nothing = np.zeros(len(times))
        if len(self.time) < 2:
            return Sums(nothing, nothing, nothing, np.full(len(times), -1))
        step = np.diff(self.time) / 1e9
        here = np.clip(np.searchsorted(self.time, times, side="right") - 1, 0, len(self.time) - 1)
        passed = (times - self.time[here]) / 1e9
        inner = np.minimum(here, len(step) - 1)
        share = np.where(passed > 0, passed / step[inner], 0.0)
        first, last = (np.where(self.joined, end, 0.0) for end in self.ends)
        # a leap at a time unknown within a span: rectangular, half a span's change times its length to either side
        half = np.where(self.joined, np.abs(last - first) / 2 * step, 0.0) if self.stepped else np.zeros(len(step))
        u = np.where(self.joined, self.u, 0.0) * step

        def total(parts: Array) -> Array:
            return np.append(0.0, np.cumsum(parts))[here]

        value = total((first + last) / 2 * step) + (first[inner] + (last - first)[inner] * share / 2) * passed
        inside = (times >= self.time[0]) & (times <= self.time[-1]) & ((passed == 0) | self.joined[inner])
        return Sums(
            value,
            total(u) + u[inner] * share,
            total(half**2 / 3) + half[inner] ** 2 / 3 * share,
            np.where(inside, self.segment[here], -1),
        )


def of_reported(values: Array, series: Series, limit_ns: int) -> Running:
    """Return what was reported over time; broken where a reading is not good or the next came too late."""
    good = np.isfinite(values)
    begins = np.append(True, (np.diff(series.time) > limit_ns) | ~good[:-1])[: len(values)] & good
    segment = np.where(good, np.cumsum(begins), -1)
    numbers = np.nan_to_num(values)
    joined = (segment[1:] == segment[:-1]) & (segment[1:] >= 0)
    return Running(series.time, (numbers[:-1], numbers[1:]), np.zeros(len(joined)), joined, segment, True)


def of_applied(judge: Judge, operand: Callable[[Any], Any]) -> Running:
    """Return what the bench applied, over bench time; its uncertainty is the same all along, and grows with time (verdicts, rule 23)."""
    curve = judge.curve
    joined = curve.state[:-1] == KNOWN
    u = np.where(joined, np.hypot(curve.u_s, curve.u_r)[:-1], 0.0)

    def applied(value: Array) -> Array:
        return np.array(np.broadcast_to(np.asarray(operand(lambda _: value), np.float64), value.shape))

    first, last = (np.where(joined, end, 0.0) for end in (curve.after[:-1], curve.before[1:]))
    moved = np.abs(applied(first + u) - applied(first))
    segment = np.append(np.where(joined, np.cumsum(~joined), -1), -1)
    return Running(curve.time, (applied(first), applied(last)), moved, joined, segment, False)


def worst_pair(g: Array, h: Array, share: float) -> tuple[float, int, int]:
    """Return the largest (g[j] - g[i]) - share x |h[j] - h[i]| over all i < j, and where; (-inf, 0, 0) for fewer than two.

    Without a share from the running minimum; with one by halves: pairs across the middle are found in order of h.
    """
    if len(g) < 2:
        return -np.inf, 0, 0
    if share == 0:
        least = np.minimum.accumulate(g)
        j = int(np.argmax(g[1:] - least[:-1])) + 1
        return float(g[j] - least[j - 1]), int(np.argmin(g[:j])), j
    if len(g) <= SMALL:
        every = (g[None, :] - g[:, None]) - share * np.abs(h[None, :] - h[:, None])
        every[np.tril_indices(len(g))] = -np.inf
        row, column = divmod(int(np.argmax(every)), len(g))
        return float(every[row, column]), row, column
    middle = len(g) // 2
    found = [worst_pair(g[:middle], h[:middle], share)]
    excess, i, j = worst_pair(g[middle:], h[middle:], share)
    found.append((excess, i + middle, j + middle))
    order = np.argsort(h[:middle], kind="stable")
    ordered = h[:middle][order]
    for sign in (1, -1):
        keys, sort = (ordered, order) if sign == 1 else (-ordered[::-1], order[::-1])
        reduced = g[:middle][sort] - sign * share * h[:middle][sort]
        least = np.minimum.accumulate(reduced)
        count = np.searchsorted(keys, sign * h[middle:], side="right")
        value = np.where(count > 0, g[middle:] - sign * share * h[middle:] - least[np.maximum(count - 1, 0)], -np.inf)
        j = int(np.argmax(value))
        if count[j]:
            found.append((float(value[j]), int(sort[int(np.argmin(reduced[: count[j]]))]), j + middle))
    return max(found, key=lambda one: one[0])
