"""Which decoder a message goes to: found once for each key that a capture shows, then looked up by column."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import Batch

Find = Callable[[int, tuple[str, ...]], int]
"""Returns the route of a key on named buses: its number from 0 on, or minus one less than the reason why it has none."""


_Scatter = tuple[np.uint64, NDArray[np.intp]]
"""A factor that makes the top 16 bits of every known key different, and by those bits where each key stands: faster than any search."""

_TOP = np.uint64(48)
_TRIES = 64


def _scattered(keys: NDArray[np.uint64]) -> _Scatter | None:
    """Return what finds known keys at once; None for so many of them that no factor tells them apart."""
    for number in range(_TRIES if len(keys) < 1 << 11 else 0):
        factor = np.uint64(0x9E3779B97F4A7C15 + 2 * number * 0x123456789ABCDEF & 0xFFFFFFFFFFFFFFFF | 1)
        spots = (keys * factor >> _TOP).astype(np.intp)
        if len(np.unique(spots)) == len(keys):
            table = np.zeros(1 << 16, np.intp)
            table[spots] = np.arange(len(keys))
            return factor, table
    return None


class Router:
    """Looks up the routes of batches. A key that was not seen before is asked for once."""

    def __init__(self, find: Find) -> None:
        self._find = find
        self._buses: tuple[str, ...] = ()
        self._keys = np.zeros(0, np.uint64)
        self._routes = np.zeros(0, np.int32)
        self._scatter: _Scatter | None = None

    def routes(self, batch: Batch) -> NDArray[np.int32]:
        """Return each message's route, i4[n], negative where it has none."""
        if batch.buses[: len(self._buses)] != self._buses:  # another capture's: the numbers of its buses mean others
            self._keys, self._routes, self._scatter = self._keys[:0], self._routes[:0], None
        self._buses = batch.buses
        if not len(batch):
            return np.zeros(0, np.int32)
        at = self._places(batch.key)
        fresh = self._keys.take(at, mode="clip") != batch.key if len(self._keys) else np.ones(len(batch.key), np.bool_)
        if fresh.any():
            new = np.unique(batch.key[fresh])
            routes = np.array([self._find(key, batch.buses) for key in new.tolist()], np.int32)
            where = np.searchsorted(self._keys, new)
            self._keys, self._routes = np.insert(self._keys, where, new), np.insert(self._routes, where, routes)
            self._scatter = _scattered(self._keys)
            at = self._places(batch.key)
        return self._routes.take(at, mode="clip")

    def _places(self, keys: NDArray[np.uint64]) -> NDArray[np.intp]:
        """Return where each key stands among the known ones, if it is one of them."""
        if self._scatter is not None:
            factor, table = self._scatter
            return table.take((keys * factor >> _TOP).view(np.int64), mode="clip")
        return np.minimum(np.searchsorted(self._keys, keys), max(len(self._keys) - 1, 0))


def by_route(routes: NDArray[np.int32]) -> list[tuple[int, NDArray[np.int64]]]:
    """Return (route, indexes) for each route that occurs, indexes in order."""
    low = int(routes.min(initial=0))
    shifted = routes - np.int32(low)
    if int(shifted.max(initial=0)) <= 0xFFFF:
        shifted = shifted.astype(np.uint16)  # sorted by their bytes, in a time that grows with their number alone
    order = np.argsort(shifted, kind="stable")
    ends = np.cumsum(np.bincount(shifted))
    starts = np.concatenate([[0], ends[:-1]]) if len(ends) else ends
    spans = enumerate(zip(starts.tolist(), ends.tolist(), strict=True))
    return [(number + low, order[start:end]) for number, (start, end) in spans if end > start]
