"""Integers over time in bounded room: power-of-two stretches of nanoseconds, each with its extremes or counts; no extreme is ever lost."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]

LOW, HIGH, COUNT = np.minimum, np.maximum, np.add
"""How a column takes a further value."""

_NOTHING: Mapping[np.ufunc, int] = {LOW: int(np.iinfo(np.int64).max), HIGH: int(np.iinfo(np.int64).min), COUNT: 0}


class TimeBuckets:
    """Columns over at most ``most`` stretches of 2^``shift`` ns, the first one beginning at ``first`` << ``shift``.

    The shift is the smallest with which all times seen fit, so that it hangs on the earliest and the latest time alone: any order of
    adding and merging ends in the same numbers. ``columns`` i8[k, b] holds a row for each of ``ways``.
    """

    def __init__(self, most: int, ways: Sequence[np.ufunc]) -> None:
        if most < 2:
            raise ValueError("times on both sides of 0 never fit into one stretch: at least 2 are needed")
        self.most, self.ways = most, tuple(ways)
        self.shift = self.first = self.begin_ns = self.end_ns = 0
        self.columns = self._empty(0)

    def __len__(self) -> int:
        return int(self.columns.shape[1])

    def _empty(self, length: int) -> NDArray[np.int64]:
        return np.array([[_NOTHING[way]] * length for way in self.ways], np.int64).reshape(len(self.ways), length)

    def add(self, time: Times, *values: NDArray[np.int64]) -> None:
        """Take values i8[n] at times i8[n] ns, one array for each way."""
        if not len(time):
            return
        self._reach(int(time.min()), int(time.max()))
        at = (time >> self.shift) - self.first
        if (at[1:] < at[:-1]).any():
            order = np.argsort(at, kind="stable")
            at, values = at[order], tuple(value[order] for value in values)
        starts = np.append(0, np.flatnonzero(at[1:] != at[:-1]) + 1)
        self._put(at[starts], [way.reduceat(value, starts) for way, value in zip(self.ways, values, strict=True)])

    def then(self, later: TimeBuckets) -> None:
        """Take all that another one of the same room has seen."""
        if not len(later):
            return
        self._reach(later.begin_ns, later.end_ns)
        other = TimeBuckets(self.most, self.ways)
        other.shift, other.first, other.columns = later.shift, later.first, later.columns
        other._move(self.shift, self.first, len(self))
        self.columns = np.array([way(mine, theirs) for way, mine, theirs in zip(self.ways, self.columns, other.columns, strict=True)])

    def _put(self, at: NDArray[np.int64], values: Sequence[NDArray[np.int64]]) -> None:
        for way, row, value in zip(self.ways, self.columns, values, strict=True):
            row[at] = way(row[at], value)

    def _reach(self, begin_ns: int, end_ns: int) -> None:
        if len(self):
            begin_ns, end_ns = min(begin_ns, self.begin_ns), max(end_ns, self.end_ns)
        shift = self.shift if len(self) else 0
        while (end_ns >> shift) - (begin_ns >> shift) >= self.most:
            shift += 1
        first, length = begin_ns >> shift, (end_ns >> shift) - (begin_ns >> shift) + 1
        if (shift, first, length) != (self.shift, self.first, len(self)):
            self._move(shift, first, length)
        self.begin_ns, self.end_ns = begin_ns, end_ns

    def _move(self, shift: int, first: int, length: int) -> None:
        """Put what is there into coarser stretches, or among more of them."""
        old, was = self.columns, np.arange(self.first, self.first + len(self))
        at = (was >> (shift - self.shift)) - first
        self.shift, self.first, self.columns = shift, first, self._empty(length)
        for way, row, value in zip(self.ways, self.columns, old, strict=True):
            way.at(row, at, value)

    def filled(self, by: int = -1) -> tuple[Times, NDArray[np.int64]]:
        """Return the begins (i8 ns) of the stretches whose column ``by`` (a count) is not 0, and their columns i8[k, b]."""
        rows = np.flatnonzero(self.columns[by]) if len(self) else np.zeros(0, np.int64)
        return (rows + self.first) << self.shift, self.columns[:, rows]
