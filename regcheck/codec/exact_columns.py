"""Columns of exact numbers, as codes into the few different values that they hold: what conditions and scales are judged on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

TABLE_SPAN = 1 << 18
"""Up to this distance between the smallest and largest code, different ones are told apart by a table; beyond it by sorting."""


def distinct(codes: NDArray[Any]) -> tuple[NDArray[Any], NDArray[np.int64]]:
    """Return the different codes, ascending, and each code's index among them, i8[n]."""
    if not len(codes):
        return codes[:0], np.zeros(0, np.int64)
    low, high = int(codes.min()), int(codes.max())
    if low == high:
        return codes[:1], np.zeros(len(codes), np.int64)
    if high - low >= TABLE_SPAN:
        found, index = np.unique(codes, return_inverse=True)
        return found, index.astype(np.int64, copy=False)
    offset = (codes - codes.dtype.type(low)).astype(np.int64)
    present = np.zeros(high - low + 1, np.bool_)
    present[offset] = True
    return np.flatnonzero(present).astype(codes.dtype) + codes.dtype.type(low), (np.cumsum(present) - 1)[offset]


@lru_cache(maxsize=1 << 17)
def _fraction(integer: int) -> Fraction:
    return Fraction(integer)


@dataclass(frozen=True, slots=True, eq=False)
class Exact:
    """n values: ``values[codes[i]]``, None where it is not known. ``codes`` i8[n]."""

    codes: NDArray[np.int64]
    values: tuple[Fraction | None, ...]

    @classmethod
    def constant(cls, value: Fraction | None, count: int) -> Exact:
        """Return ``count`` times one value."""
        return cls(np.zeros(count, np.int64), (value,))

    @classmethod
    def of_integers(cls, integers: NDArray[Any], known: NDArray[np.bool_] | None = None) -> Exact:
        """Return integers as exact values; where ``known`` is False, not known."""
        found, index = distinct(integers)
        values = tuple(_fraction(integer) for integer in found.tolist())
        if known is None or known.all():
            return cls(index, values)
        return cls(np.where(known, index, len(values)), (*values, None))

    def take(self, rows: NDArray[np.int64]) -> Exact:
        """Return some of the values."""
        return Exact(self.codes[rows], self.values)


def combinations(columns: Sequence[Exact], count: int) -> tuple[NDArray[np.int64], list[tuple[Fraction | None, ...]]]:
    """Return the different combinations of values that ``count`` rows hold, and each row's index among them, i8[count]."""
    varying = [index for index, column in enumerate(columns) if len(column.values) > 1]
    joint = np.zeros(count, np.int64)
    sizes: list[tuple[int, NDArray[Any]]] = []
    for index in varying:  # folded into fewer codes at each step, so that the product of their numbers cannot overflow
        size = len(columns[index].values)
        found, joint = distinct(joint * np.int64(size) + columns[index].codes)
        sizes.append((size, found))
    rows: list[tuple[Fraction | None, ...]] = []
    for code in range(len(sizes[-1][1]) if sizes else min(count, 1)):
        values = [column.values[0] for column in columns]
        for index, (size, found) in zip(reversed(varying), reversed(sizes), strict=True):
            code, digit = divmod(int(found[code]), size)
            values[index] = columns[index].values[digit]
        rows.append(tuple(values))
    return joint, rows
