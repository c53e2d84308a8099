"""Evidence from many readings: shares, means of repeated polls, gain and offset, noise, and residuals that decay."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, stdtrit

from regcheck.checks.decision import CONFIDENCE, Z_BOTH
from regcheck.checks.finding import Verdict
from regcheck.errors import UsageError

Array = NDArray[np.float64]

UNIFORM = 1.0 / math.sqrt(12.0)
"""Standard uncertainty of a resolution of 1 (JCGM 100:2008, F.2.2.1)."""

DITHER = 0.25
"""Below this many steps of noise a mean cannot beat the step (verdicts, rule 7)."""

NOT_ESTIMABLE = 0.05
"""Attenuation by a measured x above which no gain is claimed (verdicts, rule 14)."""


@dataclass(frozen=True, slots=True)
class Share:
    """A share of readings beyond their limit with its one-sided Clopper-Pearson bounds, each at 95 %."""

    beyond: int
    count: int
    lower: float
    upper: float

    @property
    def share(self) -> float:
        """The share seen."""
        return self.beyond / self.count


def share_beyond(beyond: int, count: int) -> Share:
    """Return the share ``beyond`` of ``count`` with its bounds (Clopper and Pearson 1934). Raises UsageError on an impossible count."""
    if not 0 <= beyond <= count or count == 0:
        raise UsageError(f"{beyond} of {count} readings is no share")
    lower = 0.0 if beyond == 0 else float(betaincinv(beyond, count - beyond + 1, 1 - CONFIDENCE))
    upper = 1.0 if beyond == count else float(betaincinv(beyond + 1, count - beyond, CONFIDENCE))
    return Share(beyond, count, lower, upper)


def decide_share(surely_beyond: int, possibly_beyond: int, count: int, allowed: float | Fraction) -> Verdict:
    """Return the verdict on 'at most the share ``allowed`` lies beyond the limit' (0.003 for 'of 99.7 % of readings').

    ``surely_beyond`` readings are beyond with the guard, ``possibly_beyond`` (at least as many) are not within with it.
    """
    if count == 0:
        return Verdict.UNTESTED
    if share_beyond(possibly_beyond, count).upper <= float(allowed):
        return Verdict.PASS
    return Verdict.FAIL if share_beyond(surely_beyond, count).lower > float(allowed) else Verdict.UNDECIDED


@dataclass(frozen=True, slots=True)
class Moments:
    """Mean, standard deviation (n - 1) and lag-1 autocorrelation of ``count`` consecutive readings; NaN where too few."""

    count: int
    mean: float
    s: float
    rho1: float


def moments(count: int, total: int, squares: int, lagged: int, first: int, last: int) -> Moments:
    """Return the moments from integer sums over readings d: sum d, sum d^2, sum d[i] d[i + 1], and the first and last d.

    Exact until one last rounding, so the same whatever batches the sums were made in.
    """
    if count < 1:
        return Moments(0, math.nan, math.nan, math.nan)
    mean = Fraction(total, count)
    spread = squares - mean * total
    product = lagged - mean * (2 * total - first - last) + (count - 1) * mean * mean
    s = math.sqrt(spread / (count - 1)) if count > 1 else math.nan
    return Moments(count, float(mean), s, float(product / spread) if spread else math.nan)


@dataclass(frozen=True, slots=True)
class MeanUncertainty:
    """How well a mean of repeated polls is known: independent readings, standard error, u with the step, degrees of freedom."""

    n_eff: float
    se: float
    u: float
    dof: float

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval by t; inf where there is but one independent reading."""
        return t_both(self.dof) * self.u


def t_both(dof: float) -> float:
    """Return the two-sided 95 % quantile of t; inf without a degree of freedom."""
    return float(stdtrit(dof, (1 + CONFIDENCE) / 2)) if dof > 0 else math.inf


def mean_uncertainty(
    s: float, count: int, *, duration_s: float = math.inf, update_s: float = 0.0, rho1: float = 0.0, step: float = 0.0
) -> MeanUncertainty:
    """Return the uncertainty of the mean of ``count`` polls over ``duration_s`` of a device that updates every ``update_s`` (0: unknown).

    n_eff = min(n, duration / update, n (1 - rho1) / (1 + rho1)), at least 1. Where the noise ``s`` is under a quarter of the
    field's ``step``, step / sqrt(12) is added: without dither a mean cannot beat the step. Raises UsageError where count is 0.
    """
    if count < 1:
        raise UsageError("a mean needs at least one reading")
    updates = duration_s / update_s if update_s > 0 else math.inf
    rho = 0.0 if math.isnan(rho1) else min(max(rho1, -1.0), 1.0)
    independent = count * (1 - rho) / (1 + rho) if rho > -1.0 else math.inf
    n_eff = max(1.0, min(float(count), updates, independent))
    noise = 0.0 if math.isnan(s) else s
    se = noise / math.sqrt(n_eff)
    return MeanUncertainty(n_eff, se, math.hypot(se, step * UNIFORM) if noise < DITHER * step else se, n_eff - 1)


def pooled_noise(s: Sequence[float], counts: Sequence[int]) -> float:
    """Return the standard deviation within holds, pooled over holds of ``counts`` readings each; NaN where every hold has one."""
    pairs = [(value, count - 1) for value, count in zip(s, counts, strict=True) if count > 1]
    if not pairs:
        return math.nan
    return math.sqrt(math.fsum(dof * value * value for value, dof in pairs) / sum(dof for _, dof in pairs))


@dataclass(frozen=True, slots=True)
class Significance:
    """Whether a deviation is more than fit and bench can make up: half of its 95 % interval, how many u it is, shown or not."""

    half_width: float
    sigmas: float
    shown: bool

    def __str__(self) -> str:
        return f"{'shown' if self.shown else 'not shown'} ({self.sigmas:.1f} sigma)"


def significance(deviation: float, u_fit: float, dof: float, u_bench: float) -> Significance:
    """Return whether ``deviation`` is shown beyond t times the fit's u, in quadrature with the bench's, which no averaging removes."""
    u = math.hypot(u_fit, u_bench)
    half = math.hypot(t_both(dof) * u_fit, Z_BOTH * u_bench) if u_fit > 0 or dof > 0 else math.inf
    sigmas = abs(deviation) / u if u > 0 else (math.inf if deviation else 0.0)
    return Significance(half, sigmas, abs(deviation) > half)


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line through hold means, reported = at_centre + gain (x - centre).

    ``gain_u``, ``centre_u`` are standard uncertainties, widened where chi^2/nu is above 1, without the bench's systematic part.
    ``refused`` says why there is no interval ('fewer than 3 levels') or no gain ('not estimable'), else is empty.
    ``worst`` is the largest residual with its sign, ``worst_x`` where it stands: the non-linearity.
    """

    count: int
    levels: int
    centre: float
    low: float
    high: float
    at_centre: float
    centre_u: float
    gain: float
    gain_u: float
    chi2_nu: float
    attenuation: float
    method: str
    worst: float
    worst_x: float
    refused: str = ""

    @property
    def dof(self) -> int:
        """Holds - 2."""
        return max(self.count - 2, 0)

    def value(self, x: float) -> float:
        """Return the line at ``x``."""
        return self.at_centre + self.gain * (x - self.centre)

    def error(self, x: float) -> float:
        """Return reported minus applied at ``x``, where y was reported in the unit of x."""
        return (self.at_centre - self.centre) + (self.gain - 1.0) * (x - self.centre)

    def u(self, x: float) -> float:
        """Return the fit's standard uncertainty at ``x``; gain and value at the centre do not depend on each other."""
        return math.hypot(self.centre_u, self.gain_u * (x - self.centre))


def fit_line(x: ArrayLike, y: ArrayLike, u_y: ArrayLike, u_x: ArrayLike = 0.0) -> LineFit:
    """Return the weighted least squares line through hold means ``y`` over applied ``x`` (verdicts, rule 14).

    ``u_y`` above 0: standard uncertainty of each mean, its rounding included; ``u_x`` the random part of each applied value.
    A measured x attenuates the gain by u_x^2 / (var x + u_x^2): where that is over a tenth of the gain's own u, York's fit
    is made (York et al., Am. J. Phys. 72, 2004), above 0.05 the gain is 'not estimable'. With fewer than three levels the
    uncertainties are NaN. Raises UsageError on fewer than two holds, on values that are no numbers, on u_y not above 0.
    """
    xs, ys, uys, uxs = (np.array(item, np.float64) for item in np.broadcast_arrays(x, y, u_y, u_x))
    if xs.size < 2 or not all(np.isfinite(item).all() for item in (xs, ys, uys, uxs)) or (uys <= 0).any() or (uxs < 0).any():
        raise UsageError("a line needs two holds or more, finite values and uncertainties above 0")
    levels = _levels(xs, uxs)
    weights = 1.0 / uys**2
    centre, at_centre, variance, gain = _weighted_line(xs, ys, weights)
    u_x2 = _fsum(weights * uxs**2) / _fsum(weights)
    attenuation = u_x2 / (variance + u_x2) if u_x2 else 0.0
    centre_u = 1.0 / math.sqrt(_fsum(weights))
    gain_u = centre_u / math.sqrt(variance) if variance else math.nan
    method = "weighted"
    refused = "fewer than 3 levels" if levels < 3 else ""
    if levels < 2 or attenuation > NOT_ESTIMABLE:
        refused, gain, gain_u = (refused or "not estimable"), math.nan, math.nan
    elif attenuation * abs(gain) > gain_u / 10:
        method = "york"
        centre, at_centre, gain, centre_u, gain_u, weights = york_line(xs, ys, uxs, uys, gain)
    residuals = ys - (at_centre + gain * (xs - centre))
    chi2_nu = _fsum(weights * residuals**2) / (xs.size - 2) if xs.size > 2 else math.nan
    widen = math.sqrt(chi2_nu) if chi2_nu > 1 else 1.0
    if refused == "fewer than 3 levels":
        centre_u = gain_u = math.nan
    at = int(np.argmax(np.abs(residuals))) if np.isfinite(gain) else 0
    return LineFit(
        count=int(xs.size),
        levels=levels,
        centre=centre,
        low=float(xs.min()),
        high=float(xs.max()),
        at_centre=at_centre,
        centre_u=centre_u * widen,
        gain=gain,
        gain_u=gain_u * widen,
        chi2_nu=chi2_nu,
        attenuation=attenuation,
        method=method,
        worst=float(residuals[at]),
        worst_x=float(xs[at]),
        refused=refused,
    )


def _fsum(values: Array) -> float:
    return math.fsum(values.tolist())


def _levels(x: Array, u_x: Array) -> int:
    """Return how many applied levels can be told apart: one begins where x leaves the last by more than 3 u_x of both."""
    levels, start, u_start = 0, -math.inf, 0.0
    order = np.argsort(x, kind="stable")
    least = 1e-12 * float(np.abs(x).max())
    for at, u_at in zip(x[order].tolist(), u_x[order].tolist(), strict=True):
        if at - start > 3.0 * (u_start + u_at) + least:
            levels, start, u_start = levels + 1, at, u_at
    return levels


def _weighted_line(x: Array, y: Array, weights: Array) -> tuple[float, float, float, float]:
    """Return centre, value there, weighted variance of x, gain; the gain is NaN where x does not vary."""
    total = _fsum(weights)
    centre, at_centre = _fsum(weights * x) / total, _fsum(weights * y) / total
    dx = x - centre
    variance = _fsum(weights * dx * dx) / total
    gain = _fsum(weights * dx * (y - at_centre)) / total / variance if variance else math.nan
    return centre, at_centre, variance, gain


def york_line(x: Array, y: Array, u_x: Array, u_y: Array, gain: float) -> tuple[float, float, float, float, float, Array]:
    """Return the line for values uncertain in x and y: centre, value there, gain, u of both, and the weights of the points.

    f8[n] each; ``gain`` is a first guess. York et al., Am. J. Phys. 72 (2004) 367, equations 13, without correlation.
    Raises UsageError where it does not settle.
    """
    for _ in range(100):
        weights = 1.0 / (u_y**2 + (gain * u_x) ** 2)
        total = _fsum(weights)
        centre, at_centre = _fsum(weights * x) / total, _fsum(weights * y) / total
        dx, dy = x - centre, y - at_centre
        beta = weights * (dx * u_y**2 + gain * dy * u_x**2)
        previous, gain = gain, _fsum(weights * beta * dy) / _fsum(weights * beta * dx)
        if abs(gain - previous) <= 1e-14 * abs(gain):
            break
    else:
        raise UsageError("the fit with uncertain applied values does not settle; check the bench's uncertainties")
    adjusted = _fsum(weights * beta) / total
    spread = _fsum(weights * (beta - adjusted) ** 2)
    # moved to the mean of the adjusted x, where value and gain do not depend on each other
    return centre + adjusted, at_centre + gain * adjusted, gain, 1.0 / math.sqrt(total), 1.0 / math.sqrt(spread), weights


@dataclass(frozen=True, slots=True)
class Decay:
    """Residuals that die away after a step: time constant, and the settle time that would leave them under the limit."""

    tau_s: float
    settle_s: float

    def __str__(self) -> str:
        return f"tau about {_short(self.tau_s)} s; a settle of {_short(self.settle_s, up=True)} s would judge it"


def _short(seconds: float, *, up: bool = False) -> str:
    """Return seconds to a tenth, or to two digits where that is finer."""
    digits = max(1, 1 - math.floor(math.log10(seconds / 0.95)))
    scaled = round(seconds * 10**digits, 6)
    return f"{(math.ceil(scaled) if up else round(scaled)) / 10**digits:.{digits}f}"


def find_decay(since_step_s: ArrayLike, residual: ArrayLike, noise: float, limit: float, step_index: ArrayLike = 0) -> Decay | None:
    """Return the exponential that residuals follow after their steps, or None where they follow none (verdicts, rule 10).

    ``since_step_s`` f8[n] above 0, ``residual`` f8[n], ``step_index`` which step each follows: every step has its amplitude,
    all share one tau. ``noise`` standard deviation of a reading, ``limit`` what the residual must fall below.
    Only residuals of at least four times the noise count. Needs four of them, one sign a step, a fall to 1/e or
    more, and that the exponential explains 95 % of the variation of their logarithm.
    """
    times, values, groups = (np.asarray(item) for item in np.broadcast_arrays(since_step_s, residual, step_index))
    use = np.abs(values) > max(4.0 * noise, 0.0)
    times, values, groups = times[use].astype(np.float64), values[use].astype(np.float64), groups[use]
    if times.size < 4 or limit <= 0:
        return None
    log, weights = np.log(np.abs(values)), values**2  # the noise of ln r is noise / r
    centred_t, centred_l, means = np.empty_like(times), np.empty_like(times), []
    for group in np.unique(groups):
        own = groups == group
        if (values[own] > 0).any() and (values[own] < 0).any():
            return None
        mean_t, mean_l = (_fsum(weights[own] * item[own]) / _fsum(weights[own]) for item in (times, log))
        centred_t[own], centred_l[own] = times[own] - mean_t, log[own] - mean_l
        means.append((mean_t, mean_l, float(np.ptp(log[own]))))
    tt, tl, ll = (_fsum(weights * item) for item in (centred_t**2, centred_t * centred_l, centred_l**2))
    if not tl < 0 or tl * tl < 0.95 * tt * ll or max(fall for _, _, fall in means) < 1.0:
        return None
    tau = -tt / tl
    settle = max(mean_t + tau * (mean_l - math.log(limit)) for mean_t, mean_l, _ in means)
    return Decay(tau, settle) if settle > 0 else None
