"""What the holds of a field show beside its verdict: means, noise, gain and offset, residuals that decay, holds that were not judged."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np

from regcheck.bench.admission import too_short
from regcheck.checks.accuracy import Tally
from regcheck.checks.statistics import LineFit, MeanUncertainty, find_decay, fit_line, mean_uncertainty, significance
from regcheck.checks.wording import plain


@dataclass(frozen=True, slots=True)
class HoldRow:
    """One hold with readings: seconds, applied value, readings, mean error, noise, all in the field's unit."""

    begin_s: float
    end_s: float
    applied: float
    count: int
    mean_error: float
    noise: float
    u_s: float
    u_r: float


def hold_rows(tally: Tally) -> list[HoldRow]:
    """Return the holds that readings fell into, in order of time."""
    judge, quantum = tally.judge, float(tally.judge.quantum)
    rows = []
    for index in np.flatnonzero(tally.hold_count).tolist():
        count = int(tally.hold_count[index])
        total = int(tally.hold_sum[index])
        squares = (int(tally.hold_square_high[index]) << 32) + int(tally.hold_square_low[index])
        offset = float(judge.holds.value[index]) / quantum - float(judge.expected_quanta()[index])
        variance = max(squares * count - total * total, 0) / (count * (count - 1)) if count > 1 else 0.0
        segment = int(np.searchsorted(judge.curve.time, judge.holds.begin[index], side="right") - 1)
        rows.append(
            HoldRow(
                float(judge.holds.begin[index]) / 1e9,
                float(judge.holds.end[index]) / 1e9,
                float(judge.holds.value[index]),
                count,
                (total / count - offset) * quantum,
                sqrt(variance) * quantum,
                float(judge.curve.u_s[segment]),
                float(judge.curve.u_r[segment]),
            )
        )
    return rows


def spread(tally: Tally, row: HoldRow) -> MeanUncertainty:
    """Return how well a hold's mean is known (verdicts, rule 7)."""
    judge = tally.judge
    return mean_uncertainty(row.noise, row.count, duration_s=row.end_s - row.begin_s, step=judge.step, update_s=judge.field.update_ns / 1e9)


def fit(tally: Tally, rows: list[HoldRow]) -> LineFit | None:
    """Return the line through the means of the holds, None where there are fewer than two."""
    if len(rows) < 2:
        return None
    judge = tally.judge
    u_y = [spread(tally, row).u or judge.step / sqrt(12) or float(judge.quantum) for row in rows]
    applied = np.array([row.applied for row in rows])
    return fit_line(applied, applied + np.array([row.mean_error for row in rows]), np.array(u_y), np.array([row.u_r for row in rows]))


def _error(line: LineFit, at: float) -> float:
    """Return the line's error at an applied value, 0 where only the rounding of doubles is left of it."""
    error = line.error(at)
    return 0.0 if abs(error) < 1e-12 * max(abs(line.low), abs(line.high)) else plain(error, 6)


def line_evidence(tally: Tally, rows: list[HoldRow]) -> dict[str, Any]:
    """Return gain and offset as evidence, never a verdict (verdicts, rule 14)."""
    line = fit(tally, rows)
    if line is None or not np.isfinite(line.gain):
        return {} if line is None else {"gain": None, "gain_says": line.refused}
    lines: dict[str, Any] = {
        "gain": plain(line.gain),
        "error_at_centre": _error(line, line.centre),
        "centre": plain(line.centre, 6),
        "error_at_ends": [_error(line, line.low), _error(line, line.high)],
        "worst_non_linearity": plain(line.worst, 6),
        "gain_method": line.method,
    }
    if line.refused:
        return lines | {"gain_says": f"no interval: {line.refused}"}
    span = line.high - line.low
    u_bench = max(row.u_s for row in rows) / max(abs(line.low), abs(line.high), span / 2) if span else 0.0
    shown = significance(line.gain - 1.0, line.gain_u, line.dof, u_bench)
    half = plain(shown.half_width, 4) if np.isfinite(shown.half_width) else None
    centre = significance(line.error(line.centre), line.centre_u, line.dof, max(row.u_s for row in rows))
    whole = plain(centre.half_width, 4) if np.isfinite(centre.half_width) else None
    return lines | {"gain_half_interval": half, "gain_says": str(shown), "error_at_centre_half_interval": whole}


SHOWN = 8
"""Holds that evidence lists."""


def unjudged_holds(tally: Tally) -> dict[str, Any]:
    """Return the holds that no reading was judged in, and why (verdicts, rule 10)."""
    judge = tally.judge
    short = too_short(judge.holds, judge.settle_ns, judge.latency_ns, 0)
    judged = np.append(0, np.cumsum(tally.by_segment))
    first, last = (np.searchsorted(judge.curve.time, times, side="right") - 1 for times in (judge.holds.begin, judge.holds.end - 1))
    missed = np.flatnonzero(judged[last + 1] == judged[first]) if len(judge.holds) else first
    if not len(missed):
        return {}
    listed = [
        {
            "from_s": float(judge.holds.begin[index]) / 1e9,
            "to_s": float(judge.holds.end[index]) / 1e9,
            "applied": plain(float(judge.holds.value[index])),
            "why": "too short for settle and latency" if short[index] else "no reading in it could be judged",
        }
        for index in missed[:SHOWN].tolist()
    ]
    return {"holds_untested": len(missed), "untested_holds": listed}


def decay_evidence(tally: Tally, limit: float) -> dict[str, Any]:
    """Return the settle time that would judge failing residuals, where they die away after steps; it is never applied by itself."""
    judge, sample = tally.judge, tally.failing.rows
    hold = sample[:, 1]
    offset = judge.holds.value[hold] / float(judge.quantum) - judge.expected_quanta()[hold]
    residual = (sample[:, 3] - offset) * float(judge.quantum)
    found = find_decay(sample[:, 2] / 1e9, residual, judge.step / sqrt(12), limit, hold)
    return {} if found is None else {"tau_s": plain(found.tau_s, 3), "settle_s": plain(found.settle_s, 3), "decay_says": str(found)}
