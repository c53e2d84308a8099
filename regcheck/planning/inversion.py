"""From the value that a field should report back to what a channel must apply: the bench's own formula, searched for its argument."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.bench_file import Channel

Array = NDArray[np.float64]
Function = Callable[[Array], Array]
"""Gives a formula's values for arguments f8[..., n]: one formula, but in each of n columns with other values of its other channels."""

GRID = 240
HALVINGS = 90
CLOSE = 1e-9
"""A root is one where the formula gives what was wanted to within this share (ours)."""

LEAST_OHM, MOST_OHM = 1e-3, 1e9
"""What a resistance is searched in where the bench file gives its channel no range: beyond, it is a short or an open circuit."""

MOST = 1e7
"""Likewise for every other quantity, both ways, in the channel's unit."""

_OHM = (("A", -2), ("kg", 1), ("m", 2), ("s", -3))


def is_resistance(channel: Channel) -> bool:
    """Return whether a channel is a resistance."""
    return channel.unit is not None and tuple(sorted(channel.unit.dimension)) == _OHM


def search_grid(channel: Channel) -> Array:
    """Return where a channel's value is looked for, f8[g] rising: its range in the bench file, else all that is usual."""
    span = channel.range
    if span is not None:
        low, high = float(span.low), float(span.high)
        even = np.linspace(low, high, GRID)
        return np.unique(np.concatenate([even, np.geomspace(low, high, GRID)])) if low > 0 else even
    if is_resistance(channel):
        factor = float(channel.unit.factor) if channel.unit is not None else 1.0
        return np.geomspace(LEAST_OHM / factor, MOST_OHM / factor, GRID)
    half = np.geomspace(MOST * 1e-12, MOST, GRID)
    return np.concatenate([-half[::-1], [0.0], half])


def solve(function: Function, wanted: Array, grid: Array, home: float) -> Array:
    """Return for each of n wanted values an argument within the grid's ends at which the formula gives it, NaN where there is none.

    ``function`` takes f8[n] and f8[g, n]. Of several arguments the nearest to ``home`` is taken. A straight formula is solved at once;
    any other by halving the stretch between two points of the grid on whose sides it lies.
    """
    low, high = float(grid[0]), float(grid[-1])
    straight = _straight(function, wanted, low, high, home)
    missing = np.isnan(straight)
    if not missing.any():
        return straight
    spots = np.broadcast_to(grid[:, None], (len(grid), len(wanted)))
    off = function(spots) - wanted
    with np.errstate(invalid="ignore"):
        crossed = off[:-1] * off[1:] <= 0
    far = np.where(crossed, np.minimum(np.abs(grid[:-1] - home), np.abs(grid[1:] - home))[:, None], np.inf)
    pick = far.argmin(axis=0)
    columns = np.arange(len(wanted))
    found = np.isfinite(far[pick, columns])
    below, above = grid[pick].copy(), grid[pick + 1].copy()
    rising = off[pick + 1, columns] > off[pick, columns]
    for _ in range(HALVINGS):
        middle = (below + above) / 2
        too_high = (function(middle) > wanted) == rising
        above, below = np.where(too_high, middle, above), np.where(too_high, below, middle)
    middle = np.clip((below + above) / 2, low, high)
    with np.errstate(invalid="ignore"):  # a leap over the wanted value is no root
        found &= np.abs(function(middle) - wanted) <= CLOSE * np.maximum(
            np.abs(off).min(axis=0, where=np.isfinite(off), initial=np.inf), 1e-6
        ) + (CLOSE * np.abs(wanted) + 1e-12)
    return np.where(missing, np.where(found, middle, np.nan), straight)


def _straight(function: Function, wanted: Array, low: float, high: float, home: float) -> Array:
    """Return the arguments of a straight formula, NaN where it is not straight there or they lie outside."""
    near = np.full(len(wanted), min(max(home, low), high))
    step = max(abs(home), 1.0) * (1.0 if home + max(abs(home), 1.0) <= high else -1.0)
    one, other = function(near), function(near + step)
    with np.errstate(all="ignore"):
        argument = near + (wanted - one) / (other - one) * step
        argument = argument + (wanted - function(argument)) / (other - one) * step  # what rounding left
        exact = np.abs(function(argument) - wanted) <= CLOSE * np.maximum(np.abs(wanted), np.abs(other - one))
        inside = (argument >= low - 1e-12 * abs(low)) & (argument <= high + 1e-12 * abs(high))
    return np.where(exact & inside & np.isfinite(argument), np.clip(argument, low, high), np.nan)


def reachable(function: Function, grid: Array) -> tuple[float, float]:
    """Return the smallest and the largest value that a formula takes over the grid, for n = 1; NaN where it takes none."""
    values = function(grid[:, None])
    values = values[np.isfinite(values)]
    return (float(values.min()), float(values.max())) if len(values) else (np.nan, np.nan)
