"""The one decision rule: what an error, its limits and its uncertainty allow to be said; and arithmetic in a decimal quantum."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from regcheck.checks.finding import Verdict
from regcheck.errors import UsageError

Array = NDArray[np.float64]

CONFIDENCE = 0.95
Z = float(ndtri(CONFIDENCE))
"""1.645: the one-sided quantile of the confidence."""

Z_BOTH = float(ndtri((1 + CONFIDENCE) / 2))
"""1.960: half the width of limits, in standard uncertainties, below which nothing can pass."""

RULE = "pass at a conformance probability of 0.95 or more, fail at 0.05 or less, else undecided (JCGM 106:2012, ISO 14253-1:2017)"

VERDICTS = (Verdict.PASS, Verdict.FAIL, Verdict.UNDECIDED)
"""What the codes of ``Acceptance.decide`` mean."""

PASS, FAIL, UNDECIDED = 0, 1, 2


@dataclass(frozen=True, slots=True, eq=False)
class Acceptance:
    """Where a value passes and fails: pass within [pass_low, pass_high], fail below fail_low or above fail_high.

    float64 arrays of one shape, or int64 in quanta. Where nothing can pass, pass_low and pass_high are NaN
    (in quanta pass_low > pass_high).
    """

    pass_low: NDArray[np.float64] | NDArray[np.int64]
    pass_high: NDArray[np.float64] | NDArray[np.int64]
    fail_low: NDArray[np.float64] | NDArray[np.int64]
    fail_high: NDArray[np.float64] | NDArray[np.int64]

    def decide(self, value: ArrayLike) -> NDArray[np.uint8]:
        """Return codes PASS, FAIL, UNDECIDED, an index into ``VERDICTS``; ``value`` broadcasts against the limits."""
        values = np.asarray(value)
        codes = np.full(np.broadcast_shapes(values.shape, self.fail_high.shape), UNDECIDED, np.uint8)
        codes[np.broadcast_to((values >= self.pass_low) & (values <= self.pass_high), codes.shape)] = PASS
        codes[np.broadcast_to((values < self.fail_low) | (values > self.fail_high), codes.shape)] = FAIL
        return codes

    def in_quanta(self, quantum: Fraction) -> Acceptance:
        """Return the same thresholds as int64 counts of ``quantum``, each the nearest."""
        empty = np.isnan(self.pass_low)
        return Acceptance(
            np.where(empty, 1, to_quanta(np.where(empty, 0.0, self.pass_low), quantum, saturate=True)),
            np.where(empty, 0, to_quanta(np.where(empty, 0.0, self.pass_high), quantum, saturate=True)),
            to_quanta(self.fail_low, quantum, saturate=True),
            to_quanta(self.fail_high, quantum, saturate=True),
        )


def conformance_probability(error: ArrayLike, low: ArrayLike, high: ArrayLike, u: ArrayLike) -> Array:
    """Return the probability that the true value lies within low .. high (JCGM 106:2012, 7.2), for a normal distribution.

    Arrays broadcast; ``low`` may be -inf, ``high`` inf; where u is 0 it is 1 within the limits (included), else 0.
    """
    error, low, high, u = np.broadcast_arrays(*(np.asarray(item, np.float64) for item in (error, low, high, u)))
    safe = np.where(u > 0, u, 1.0)
    above, below = (high - error) / safe, (low - error) / safe
    # in the far upper tail both terms are near 1: mirrored, the difference keeps its digits
    p = np.where(below > 0, ndtr(-below) - ndtr(-above), ndtr(above) - ndtr(below))
    return np.where(u > 0, np.maximum(p, 0.0), ((error >= low) & (error <= high)).astype(np.float64))


def z_of_draws(draws: int) -> float:
    """Return the quantile for the worst of ``draws`` independent bench draws, Phi^-1(1 - 0.05 / m); ``draws`` at least 1."""
    if draws < 1:
        raise UsageError(f"the number of bench draws is {draws}, expected at least 1")
    return float(-ndtri((1 - CONFIDENCE) / draws))


def acceptance(
    low: ArrayLike,
    high: ArrayLike,
    u_s: ArrayLike,
    u_r: ArrayLike = 0.0,
    draws: int = 1,
    *,
    outer_low: ArrayLike | None = None,
    outer_high: ArrayLike | None = None,
) -> Acceptance:
    """Return where a value passes and fails, given its limits and the bench's uncertainty.

    ``low``, ``high`` limits (of an error, or of a reported value); ``u_s`` standard uncertainty that stays over a hold,
    ``u_r`` that is drawn fresh each reading, ``draws`` how many such draws the requirement compares. All broadcast, float64.
    ``outer_low``, ``outer_high``: wider limits to fail by, where the value itself is in doubt (latency, clock); default the same.

    Pass is where the conformance probability within low .. high is 0.95 or more, solved exactly, so also where u is near
    the limit. Fail is beyond the outer limits by sqrt((1.645 u_s)^2 + (z_m u_r)^2): for one draw the probability is then
    0.05 or less. A probability that is low only because the bench is poor (u far above the limit) is not a fail.
    """
    low, high, u_s, u_r = np.broadcast_arrays(*(np.asarray(item, np.float64) for item in (low, high, u_s, u_r)))
    if (u_s < 0).any() or (u_r < 0).any():
        raise UsageError("an uncertainty is below 0")
    guard = _pass_guard(low, high, np.hypot(u_s, u_r))
    fail_guard = np.hypot(Z * u_s, z_of_draws(draws) * u_r)
    bottom = low if outer_low is None else np.asarray(outer_low, np.float64)
    top = high if outer_high is None else np.asarray(outer_high, np.float64)
    return Acceptance(low + guard, high - guard, bottom - fail_guard, top + fail_guard)


def _pass_guard(low: Array, high: Array, u: Array) -> Array:
    """Return how far inside both limits the conformance probability is 0.95; NaN where it is nowhere."""
    safe = np.where(u > 0, u, 1.0)
    half = np.where(u > 0, (high - low) / 2 / safe, np.where(high >= low, np.inf, -np.inf))
    guard = np.where(half >= Z_BOTH, Z, np.nan)
    near = (half >= Z_BOTH) & (half < 5.0)  # from 5 on the far limit adds under 1e-16
    if near.any():
        inside = half[near]
        below, above = np.full(inside.shape, Z), inside.copy()  # the guard, in u: the probability rises with it
        for _ in range(60):
            middle = (below + above) / 2
            enough = ndtr(middle) - ndtr(middle - 2 * inside) >= CONFIDENCE
            above, below = np.where(enough, middle, above), np.where(enough, below, middle)
        guard[near] = above
    return np.where(u > 0, guard * u, np.where(half > 0, 0.0, np.nan))


def decide(error: float, low: float, high: float, u_s: float, u_r: float = 0.0, draws: int = 1) -> Verdict:
    """Return the verdict on one error; the arguments are those of ``acceptance``."""
    return VERDICTS[int(acceptance(low, high, u_s, u_r, draws).decide(error))]


def largest_u(low: ArrayLike, high: ArrayLike) -> Array:
    """Return the largest standard uncertainty with which anything between the limits can pass: half their distance / 1.960."""
    return np.asarray((np.asarray(high, np.float64) - np.asarray(low, np.float64)) / 2 / Z_BOTH)


def bench_too_uncertain(low: ArrayLike, high: ArrayLike, u: ArrayLike) -> NDArray[np.bool_]:
    """Return where no error at all could pass."""
    return np.asarray(np.asarray(u, np.float64) > largest_u(low, high))


def uncertainty_ratio(low: float, high: float, u: float) -> float:
    """Return T/U, half the limits' distance over the expanded uncertainty (k = 2); inf for an exact bench."""
    return float((high - low) / 2 / (2 * u)) if u > 0 else float("inf")


BOUND = 1 << 61
"""Quanta stay within +/- this, so that a difference of two fits int64."""

FINER = 6
"""How many decades a quantum may be made finer so that an exact step is a whole number of them."""


def decimal_quantum(*magnitudes: float | Fraction) -> Fraction:
    """Return the power of ten in which values are compared: at most a thousandth of the smallest magnitude that is not 0.

    Give the field's step, the limit and the uncertainty; a float counts as the decimal that it prints as. Where it takes
    at most six decades more, the quantum divides every Fraction given (a step of 1/1024 is a whole number of 1e-10).
    Raises UsageError where every magnitude is 0 or one is not finite.
    """
    exact = [abs(item if isinstance(item, Fraction) else _decimal(item)) for item in magnitudes]
    smallest = min((item for item in exact if item), default=None)
    if smallest is None:
        raise UsageError("step, limit and uncertainty are all 0: no quantum to compare in")
    quantum = Fraction(1)
    while quantum * 1000 > smallest:
        quantum /= 10
    while quantum * 10_000 <= smallest:
        quantum *= 10
    wanted = [item for item in magnitudes if isinstance(item, Fraction)]
    for finer in (quantum * Fraction(1, 10**decades) for decades in range(FINER + 1)):
        if all((item / finer).denominator == 1 for item in wanted):
            return finer
    return quantum


def _decimal(value: float) -> Fraction:
    if not np.isfinite(value):
        raise UsageError(f"a magnitude is {value}, expected a finite number")
    return Fraction(repr(float(value)))


def to_quanta(values: ArrayLike, quantum: Fraction, *, saturate: bool = False) -> NDArray[np.int64]:
    """Return float64 values as int64 counts of ``quantum`` (a power of ten), each the nearest, ties to even.

    Raises UsageError on NaN and on values beyond +/- 2^61 quanta; with ``saturate`` the latter stand at the bound: for
    what a device reports, which may be anything, and is as wrong there as farther off.
    """
    array = np.asarray(values, np.float64)
    if np.isnan(array).any():
        raise UsageError("a value to compare is not a number")
    with np.errstate(over="ignore"):
        counts = np.rint(array * float(quantum.denominator) if quantum.numerator == 1 else array / float(quantum))
    if saturate:
        counts = np.clip(counts, -float(BOUND), float(BOUND))
    elif (np.abs(counts) > BOUND).any():
        raise UsageError(f"a value of {array[np.abs(counts) > BOUND].flat[0]:g} is too large to compare in steps of {float(quantum):g}")
    return counts.astype(np.int64)


def linear_to_quanta(raw: NDArray[np.int64], num: int, den: int, off: int, quantum: Fraction) -> NDArray[np.int64]:
    """Return (raw * num + off) / den as int64 counts of ``quantum``, exact where whole, else the nearest, ties to even.

    Raises UsageError where a count leaves +/- 2^61.
    """
    top, bottom = quantum.denominator, den * quantum.numerator
    scale, shift = Fraction(num * top, bottom), Fraction(off * top, bottom)
    denominator = int(np.lcm(scale.denominator, shift.denominator)) if max(scale.denominator, shift.denominator) < BOUND else 0
    largest = int(max(abs(int(raw.max(initial=0))), abs(int(raw.min(initial=0)))))
    if largest * abs(scale) + abs(shift) > BOUND:
        raise UsageError(f"raw {largest} is too large to compare in steps of {float(quantum):g}")
    multiply, add = int(scale * denominator), int(shift * denominator)
    if not denominator or largest * abs(multiply) + abs(add) > BOUND or denominator > BOUND >> 1:
        return np.array([round(int(code) * scale + shift) for code in raw.ravel()], np.int64).reshape(raw.shape)
    total = raw * np.int64(multiply) + np.int64(add)
    whole, rest = np.divmod(total, np.int64(denominator))
    up = (2 * rest > denominator) | ((2 * rest == denominator) & (whole % 2 == 1))
    return np.asarray(whole + up, np.int64)


def raw_limits(low: Fraction, high: Fraction, scale: Fraction, offset: Fraction) -> tuple[int, int]:
    """Return the smallest and largest raw code whose value lies within low .. high (included); value = raw * scale + offset.

    The first is above the second where no code does. Raises UsageError where ``scale`` is 0.
    """
    if not scale:
        raise UsageError("a scale of 0 gives every raw code the same value")
    ends = sorted(((low - offset) / scale, (high - offset) / scale))
    return -((-ends[0].numerator) // ends[0].denominator), ends[1].numerator // ends[1].denominator
