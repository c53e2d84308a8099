"""Filters that a device is known to have, applied exactly to what the bench applied (verdicts, rule 9)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from regcheck.bench.curves import KNOWN, UNKNOWN, AppliedCurve, Array, Times, resample, window_known, window_uncertainty
from regcheck.errors import UsageError

START = 10
"""After so many time constants a first-order filter has forgotten where it began, but for 5e-5 of the difference."""

FINE = 1e-6
"""By default a resampled filter stays within this share of the curve's span."""


def first_order(curve: AppliedCurve, tau_ns: int, quantum: float | None = None) -> AppliedCurve:
    """Return the curve behind a first-order filter, within ``quantum`` of the exact one; see ``FirstOrder``."""
    return FirstOrder.of(curve, tau_ns).as_curve(quantum)


def moving_mean(curve: AppliedCurve, width_ns: int, quantum: float | None = None) -> AppliedCurve:
    """Return the mean of the curve over the last ``width_ns``, within ``quantum`` of the exact one; see ``MovingMean``."""
    return MovingMean.of(curve, width_ns).as_curve(quantum)


def _quantum(curve: AppliedCurve, quantum: float | None) -> float:
    values = np.concatenate([curve.after, curve.before])
    span = float(np.ptp(values[np.isfinite(values)])) if np.isfinite(values).any() else 0.0
    chosen = FINE * span if quantum is None else quantum
    if chosen < 0 or (quantum is not None and chosen == 0):
        raise UsageError(f"a filter is resampled within {chosen:g}, expected a number above 0")
    return chosen or 1.0  # a curve that never moves bends nowhere


def _slopes(curve: AppliedCurve) -> Array:
    """Return the slope of each segment per ns, 0 where it is not known."""
    rise = np.append(curve.before[1:] - curve.after[:-1], np.nan)[: len(curve)]
    length = np.append(np.diff(curve.time), 1)[: len(curve)]
    return np.where(curve.state == KNOWN, np.nan_to_num(rise) / length, 0.0)


def _inner(counts: NDArray[np.int64]) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Return for segments cut into ``counts`` pieces the segment and the number (from 1) of every inner point."""
    segment = np.repeat(np.arange(len(counts)), counts - 1)
    return segment, np.arange(len(segment)) - np.repeat(np.cumsum(counts - 1) - (counts - 1), counts - 1) + 1


def _resampled(curve: AppliedCurve, times: Times, value: Array, known: NDArray[np.bool_], reach_ns: int) -> AppliedCurve:
    """Return a continuous curve through ``value`` at ``times``; ``known`` of the segment after each; u over what the filter still sees."""
    plain = resample(curve, times)
    state = np.where(known, KNOWN, np.where(plain.state == KNOWN, UNKNOWN, plain.state))
    until = np.append(times[1:], times[-1:])
    u_s, u_r = window_uncertainty(curve, np.minimum(times - reach_ns + 1, until - 1), until - 1) if len(times) else (value, value)
    before = np.where(np.append(False, known[:-1])[: len(times)], value, np.nan)
    zero = np.zeros(len(times))
    return AppliedCurve(
        times,
        before,
        np.where(known, value, np.nan),
        state,
        np.where(known, u_s, zero),
        np.where(known, u_r, zero),
        np.zeros(len(times), np.bool_),
    )


@dataclass(frozen=True, slots=True, eq=False)
class FirstOrder:
    """A first-order filter's output: tau y' = a - y, solved segment by segment.

    ``start`` f8[m] is y at each breakpoint; ``settled`` i8[m] the time from which that segment's y does not depend on where the
    filter began: START time constants after the curve was last unknown. Before it nothing is claimed.
    """

    curve: AppliedCurve
    tau_ns: int
    start: Array
    settled: Times

    @classmethod
    def of(cls, curve: AppliedCurve, tau_ns: int) -> FirstOrder:
        """Return the output for ``curve``; raises UsageError where ``tau_ns`` is not above 0."""
        if tau_ns <= 0:
            raise UsageError(f"a filter's time constant is {tau_ns} ns, expected more than 0")
        lag = (_slopes(curve) * tau_ns).tolist()
        shrink = np.exp(-np.append(np.diff(curve.time), 0)[: len(curve)] / tau_ns).tolist()
        after, end = curve.after.tolist(), np.append(curve.before[1:], np.nan).tolist()
        start, settled, y, since = [], [], math.nan, 0
        for at, (known, time) in enumerate(zip((curve.state == KNOWN).tolist(), curve.time.tolist(), strict=True)):
            if math.isnan(y):
                y, since = after[at], time
            start.append(y)
            settled.append(since + START * tau_ns)
            # a straight line is followed at a distance of slope * tau, reached exponentially
            y = end[at] - lag[at] + (y - after[at] + lag[at]) * shrink[at] if known else math.nan
        return cls(curve, tau_ns, np.array(start, np.float64), np.array(settled, np.int64))

    def _exact(self, segment: NDArray[np.intp], times: Times) -> Array:
        passed = times - self.curve.time[segment]
        lag = _slopes(self.curve)[segment] * self.tau_ns
        rise = _slopes(self.curve)[segment] * passed
        first = self.curve.after[segment]
        return np.asarray(first + rise - lag + (self.start[segment] - first + lag) * np.exp(-passed / self.tau_ns))

    def evaluate(self, times: ArrayLike) -> Array:
        """Return the exact output at ``times`` (i8 ns), NaN where it is not known."""
        at = np.asarray(times, np.int64)
        segment = np.searchsorted(self.curve.time, at, side="right") - 1
        if not len(self.curve):
            return np.full(at.shape, np.nan)
        inside = np.clip(segment, 0, None)
        known = (segment >= 0) & (self.curve.state[inside] == KNOWN) & (at >= self.settled[inside])
        return np.where(known, self._exact(inside, np.maximum(at, self.curve.time[inside])), np.nan)

    def as_curve(self, quantum: float | None = None) -> AppliedCurve:
        """Return a piecewise-linear curve that stays within ``quantum`` of the output (default: a millionth of the span)."""
        curve, tau = self.curve, self.tau_ns
        allowed = _quantum(curve, quantum)
        length = np.append(np.diff(curve.time), 0)[: len(curve)]
        distance = np.nan_to_num(np.abs(self.start - curve.after + _slopes(curve) * tau))
        # in u = exp(-t / 2 tau) even steps of 1/N err by at most distance / (2 N^2)
        fall = -np.expm1(-length / (2 * tau))
        counts = np.maximum(1, np.ceil(fall * np.sqrt(2 * distance / allowed))).astype(np.int64)
        segment, number = _inner(np.where(curve.state == KNOWN, counts, 1))
        inner = curve.time[segment] + np.rint(-2 * tau * np.log1p(-fall[segment] * number / counts[segment])).astype(np.int64)
        times = np.unique(np.concatenate([curve.time, inner, self.settled[(curve.state == KNOWN)]]))
        times = times[times <= curve.time[-1]] if len(curve) else times
        at = np.clip(np.searchsorted(curve.time, times, side="right") - 1, 0, None)
        known = (curve.state[at] == KNOWN) & (times >= self.settled[at])
        value = np.where(curve.state[at] == KNOWN, self._exact(at, times), self.start[at])
        return _resampled(curve, times, value, known, START * tau)


@dataclass(frozen=True, slots=True, eq=False)
class MovingMean:
    """A moving mean's output: y(t) is the mean of the curve over t - width .. t, NaN where that is not known throughout.

    ``area`` f8[m] is the integral of the curve from its first breakpoint to each one, in its unit times ns.
    """

    curve: AppliedCurve
    width_ns: int
    area: Array

    @classmethod
    def of(cls, curve: AppliedCurve, width_ns: int) -> MovingMean:
        """Return the output for ``curve``; raises UsageError where ``width_ns`` is not above 0."""
        if width_ns <= 0:
            raise UsageError(f"a moving mean's width is {width_ns} ns, expected more than 0")
        mean = np.where(curve.state[:-1] == KNOWN, (curve.after[:-1] + curve.before[1:]) / 2, 0.0)
        return cls(curve, width_ns, np.append(0.0, np.cumsum(mean * np.diff(curve.time)))[: len(curve)])

    def _integral(self, times: Times) -> Array:
        at = np.clip(np.searchsorted(self.curve.time, times, side="right") - 1, 0, None)
        passed = np.where(self.curve.state[at] == KNOWN, np.maximum(times - self.curve.time[at], 0), 0).astype(np.float64)
        return np.asarray(self.area[at] + np.nan_to_num(self.curve.after[at]) * passed + _slopes(self.curve)[at] * passed**2 / 2.0)

    def _exact(self, times: Times) -> Array:
        return np.asarray((self._integral(times) - self._integral(times - self.width_ns)) / self.width_ns)

    def evaluate(self, times: ArrayLike) -> Array:
        """Return the exact output at ``times`` (i8 ns), NaN where it is not known."""
        at = np.asarray(times, np.int64)
        if not len(self.curve):
            return np.full(at.shape, np.nan)
        return np.where(window_known(self.curve, at - self.width_ns + 1, at - 1) if self.width_ns > 1 else False, self._exact(at), np.nan)

    def as_curve(self, quantum: float | None = None) -> AppliedCurve:
        """Return a piecewise-linear curve that stays within ``quantum`` of the output (default: a millionth of the span)."""
        curve, width = self.curve, self.width_ns
        if not len(curve):
            return curve
        allowed = _quantum(curve, quantum)
        knots = np.unique(np.concatenate([curve.time, curve.time + width]))
        knots = knots[knots <= curve.time[-1]]
        length = np.append(np.diff(knots), 0)
        slope = _slopes(curve)
        # between knots the output is a parabola: its second derivative is the difference of the slopes at both ends of the window
        leading, trailing = (np.searchsorted(curve.time, times, side="right") - 1 for times in (knots, knots - width))
        bend = np.abs(slope[leading] - np.where(trailing >= 0, slope[np.clip(trailing, 0, None)], 0.0)) / width
        counts = np.maximum(1, np.ceil(length * np.sqrt(bend / (8 * allowed)))).astype(np.int64)
        segment, number = _inner(counts)
        times = np.unique(np.concatenate([knots, knots[segment] + length[segment] * number // counts[segment]]))
        until = np.append(times[1:], times[-1] + 1)
        known = window_known(curve, np.minimum(times - width + 1, until - 1), until - 1)
        return _resampled(curve, times, self._exact(times), known, width)
