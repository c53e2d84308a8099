"""Integrals of readings over time with their doubt, and the worst of all pairs of instants."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from regcheck.bench.curves import KNOWN
from regcheck.checks.decision import Z
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import MOST_CORNERS, Array, Evaluation, Flags, Times
from regcheck.checks.rule_record import Series
from regcheck.device_map.expression_tree import Name

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


def of_fields(
    operand: Callable[[Any], Any], names: Sequence[Name], probe: Evaluation, limit_ns: Callable[[Name, Series], int]
) -> Running | None:
    """Return what several fields gave together, over every time at which one of them was read; None where one of them never was.

    Between the readings of one of them it may have leapt at any time: what that leaves open stands all one way in ``u``, for a
    leap runs through every span between the others' readings.
    """
    asked = probe.asked(names)
    series = {(name.parts, name.view, element): probe.series(name, element) for name, element in asked}
    known = {key: one for key, one in series.items() if one is not None and len(one.time)}
    if len(known) < len(series) or not known:
        return None
    limits = {(name.parts, name.view, element): limit_ns(name, known[name.parts, name.view, element]) for name, element in asked}
    grid = np.unique(np.concatenate([one.time for one in known.values()]))
    begin = grid[:-1]
    values: dict[tuple[tuple[str, ...], str, int | None], tuple[Array, Array]] = {}
    joined, good = np.ones(len(begin), np.bool_), np.ones(len(grid), np.bool_)
    for key, one in known.items():
        own = one.raws if key[1] == "raw" else one.values
        place = np.searchsorted(one.time, grid, side="right") - 1
        here = np.maximum(place, 0)
        following = np.minimum(here + 1, len(one.time) - 1)
        good &= (place >= 0) & np.isfinite(own[here]) & (grid - one.time[here] <= limits[key])
        joined &= (one.time[following] - one.time[here])[:-1] <= limits[key]
        later = np.where(np.isfinite(own[following]), own[following], own[here])
        values[key] = own[here][:-1], later[:-1]
    joined &= good[:-1] & good[1:]

    def at(way: Mapping[tuple[tuple[str, ...], str], bool]) -> Array:
        def value(name: Name) -> Any:
            found = [values[name.parts, name.view, e][int(way.get((name.parts, name.view), False))] for o, e in asked if o == name]
            return np.stack(found) if name.whole else found[0]

        with np.errstate(all="ignore"):
            return np.array(np.broadcast_to(np.asarray(operand(value), np.float64), begin.shape))

    parts = list(dict.fromkeys((name.parts, name.view) for name, _ in asked))
    ways = product((False, True), repeat=len(parts)) if len(parts) <= MOST_CORNERS else [(False,) * len(parts), (True,) * len(parts)]
    corners = np.array([at(dict(zip(parts, way, strict=True))) for way in ways])
    first, last = corners[0], corners[-1]
    joined &= np.isfinite(corners).all(axis=0)
    middle = (first + last) / 2
    half = np.where(joined, np.maximum(corners.max(axis=0) - middle, middle - corners.min(axis=0)), 0.0)
    segment = np.where(good, np.cumsum(np.append(True, ~joined)), -1)
    return Running(grid, (np.nan_to_num(first), np.nan_to_num(last)), half / np.sqrt(3), joined, segment, False)


def mean_over(running: Running, at: Times, duration_ns: int) -> tuple[Array, Array]:
    """Return between which values the mean over a duration before each time lay (95 % either way), NaN where it was broken off."""
    end, begin = running.at(at), running.at(at - duration_ns)
    seconds = duration_ns / 1e9
    mean = (end.value - begin.value) / seconds
    doubt = Z * (end.systematic - begin.systematic + np.sqrt(np.maximum(end.variance - begin.variance, 0.0))) / seconds
    known = (end.segment >= 0) & (end.segment == begin.segment)
    return np.where(known, mean - doubt, np.nan), np.where(known, mean + doubt, np.nan)


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
