"""From a field's tally to what may be said of it: the accuracy finding, its evidence and its sentence."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import hypot, sqrt
from typing import Any

import numpy as np

from regcheck.checks.accuracy import NO_CLOCK, SEVERITY, Tally, WorstReading
from regcheck.checks.decision import FAIL, PASS, UNDECIDED, Z, bench_too_uncertain, conformance_probability, decide, largest_u
from regcheck.checks.exercised import Exercised, alike, exercised
from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.checks.judge import Judge
from regcheck.checks.statistics import LineFit, decide_share, fit_line, mean_uncertainty, pooled_noise, share_beyond, significance
from regcheck.codec.columns import FieldId


def plain(value: float, digits: int = 9) -> float:
    """Return a float for evidence: ``digits`` significant digits, so that no binary dust is printed."""
    return float(f"{value:.{digits}g}")


def worded(value: float, unit: str, digits: int = 4, *, signed: bool = False) -> str:
    """Return a quantity for a sentence."""
    return f"{value:{'+' if signed else ''}.{digits}g}" + (f" {unit}" if unit else "")


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
    fails: int


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
                int(tally.hold_fails[index]),
            )
        )
    return rows


def _fit(tally: Tally, rows: list[HoldRow]) -> LineFit | None:
    if len(rows) < 2:
        return None
    judge = tally.judge
    u_y = []
    for row in rows:
        spread = mean_uncertainty(row.noise, row.count, duration_s=row.end_s - row.begin_s, step=judge.step, update_s=judge.field.update_ns / 1e9)
        u_y.append(spread.u or judge.step / sqrt(12) or float(judge.quantum))
    applied = np.array([row.applied for row in rows])
    return fit_line(applied, applied + np.array([row.mean_error for row in rows]), np.array(u_y), np.array([row.u_s for row in rows]))


def _line_evidence(fit: LineFit | None, rows: list[HoldRow]) -> dict[str, Any]:
    """Gain and offset as evidence, never a verdict (verdicts, rule 14)."""
    if fit is None or not np.isfinite(fit.gain):
        return {} if fit is None else {"gain": None, "gain_says": fit.refused}
    lines: dict[str, Any] = {
        "gain": plain(fit.gain),
        "error_at_centre": plain(fit.error(fit.centre), 6),
        "centre": plain(fit.centre, 6),
        "error_at_ends": [plain(fit.error(fit.low), 6), plain(fit.error(fit.high), 6)],
        "worst_non_linearity": plain(fit.worst, 6),
        "gain_method": fit.method,
    }
    if fit.refused:
        return lines | {"gain_says": f"no interval: {fit.refused}"}
    span = fit.high - fit.low
    u_bench = max(row.u_s for row in rows) / max(abs(fit.low), abs(fit.high), span / 2) if span else 0.0
    shown = significance(fit.gain - 1.0, fit.gain_u, fit.dof, u_bench)
    half = plain(shown.half_width, 4) if np.isfinite(shown.half_width) else None
    return lines | {"gain_half_interval": half, "gain_says": str(shown)}


def _u_at(judge: Judge, segment: int) -> float:
    return hypot(float(judge.curve.u_s[segment]), float(judge.curve.u_r[segment]))


def _worst_evidence(judge: Judge, worst: WorstReading) -> tuple[dict[str, Any], Strip]:
    quantum, unit = judge.quantum, str(judge.field.unit or "")
    limits = judge.tables[worst.table].limits
    low, high = float(limits.fail_low[worst.segment]), float(limits.fail_high[worst.segment])
    u = _u_at(judge, worst.segment)
    error, reported = float(worst.error * quantum), float(worst.reported * quantum)
    p = float(conformance_probability(error, low, high, u))
    evidence = {
        "worst": {
            "error": plain(error),
            "reported": plain(reported),
            "applied": plain(reported - error),
            "limit_low": plain(low),
            "limit_high": plain(high),
            "u": plain(u, 4),
            "p": plain(p, 4),
        }
        | worst.spot.as_json(),
        "limit_over_u": plain((high - low) / 2 / (2 * u), 4) if u > 0 else None,
    }
    return evidence, Strip(error, low, high, 2 * u, unit)


def accuracy_requirement(judge: Judge) -> Requirement:
    """Return the requirement that a judge stands for."""
    return Requirement(
        "accuracy",
        judge.field.message,
        judge.field.name,
        judge.id.element,
        judge.id.instance,
        judge.field.given_keys.get("accuracy", judge.field.place),
    )


def accuracy_finding(tally: Tally, others: tuple[Tally, ...]) -> Finding:
    """Return the accuracy finding of one field; ``others`` are the tallies of its siblings."""
    judge = tally.judge
    requirement = accuracy_requirement(judge)
    name, unit = requirement.path, str(judge.field.unit or "")
    judged = int(tally.decided.sum())
    evidence: dict[str, Any] = {
        "unit": unit or None,
        "readings": tally.good,
        "judged": judged,
        "left_out": dict(sorted(tally.left_out.items())),
    }
    if not judged or tally.worst is None:
        return _nothing_judged(tally, requirement, evidence)
    rows = hold_rows(tally)
    worst_evidence, strip = _worst_evidence(judge, tally.worst)
    moved = exercised(tally)
    evidence |= worst_evidence
    evidence |= {
        "passed": int(tally.decided[PASS]),
        "failed": int(tally.decided[FAIL]),
        "undecided": int(tally.decided[UNDECIDED]),
        "applied_from": plain(moved.low),
        "applied_to": plain(moved.high),
        "holds": len(rows),
        "levels": moved.levels,
    }
    noisy = [row for row in rows if row.count > 1]
    if noisy:
        evidence["noise"] = plain(pooled_noise([row.noise for row in noisy], [row.count for row in noisy]), 4)
    fit = _fit(tally, rows)
    evidence |= _line_evidence(fit, rows)
    if not judge.applied.correlation_stated:
        evidence["correlation"] = "not stated: the channels' uncertainties were added at their worst"
    if judge.applied.turned:
        evidence["sign"] = "channel and field count the other way positive; the applied value was turned"
    verdict = _verdict(tally, rows)
    says = _sentence(tally, name, unit, verdict, moved)
    if verdict is Verdict.FAIL:
        return Finding(requirement, verdict, says, evidence=evidence, strip=strip)
    still = _not_exercised(tally, others, requirement, moved, evidence)
    if still is not None:
        return still
    if verdict is Verdict.UNDECIDED:
        reason, remedy = _why_undecided(tally)
        return Finding(requirement, verdict, says, reason, remedy, evidence, strip)
    return Finding(requirement, verdict, says, evidence=evidence, strip=strip)


def _verdict(tally: Tally, rows: list[HoldRow]) -> Verdict:
    """Return the verdict of what the map's accuracy judges: every reading, a share of them, or the mean of each hold (rules 1 and 7)."""
    judge = tally.judge
    judged = int(tally.decided.sum())
    if isinstance(judge.statistic, Fraction):
        sure, maybe = int(tally.decided[FAIL]), int(tally.decided[FAIL] + tally.decided[UNDECIDED])
        return decide_share(sure, maybe, judged, 1 - judge.statistic)
    if judge.statistic == "mean":
        verdicts = [_mean_verdict(judge, row) for row in rows if row.count > 1]
        for gravest in (Verdict.FAIL, Verdict.UNDECIDED):
            if gravest in verdicts or not verdicts:
                return gravest if verdicts else Verdict.UNDECIDED
        return Verdict.PASS
    return {SEVERITY[FAIL]: Verdict.FAIL, SEVERITY[UNDECIDED]: Verdict.UNDECIDED}.get(
        tally.worst.severity if tally.worst else 0, Verdict.PASS
    )


def _mean_verdict(judge: Judge, row: HoldRow) -> Verdict:
    spread = mean_uncertainty(row.noise, row.count, duration_s=row.end_s - row.begin_s, step=judge.step, update_s=judge.field.update_ns / 1e9)
    segment = int(np.searchsorted(judge.curve.time, round(row.begin_s * 1e9), side="right") - 1)
    limits = judge.tables[0].limits
    return decide(row.mean_error, float(limits.pass_low[segment]), float(limits.pass_high[segment]), hypot(row.u_s, spread.u))


def _sentence(tally: Tally, name: str, unit: str, verdict: Verdict, moved: Exercised) -> str:
    worst, judge = tally.worst, tally.judge
    assert worst is not None  # noqa: S101 - the caller has judged readings
    quantum = float(judge.quantum)
    limits = judge.tables[worst.table].limits
    error = worst.error * quantum
    bound = float(limits.fail_high[worst.segment]) if error >= 0 else float(limits.fail_low[worst.segment])
    judged = int(tally.decided.sum())
    span = f"from {worded(moved.low, unit)} to {worded(moved.high, unit)}"
    if verdict is Verdict.FAIL:
        beyond = int(tally.decided[FAIL])
        share = share_beyond(beyond, judged).share
        applied = worst.reported * quantum - error
        return f"{name} is off by {worded(error, unit, signed=True)} at {worded(applied, unit)} applied, limit {worded(bound, unit, signed=True)}; {beyond} of {judged} readings ({share:.1%}) lie beyond it"
    if verdict is Verdict.UNDECIDED:
        return f"{name}: the worst error, {worded(error, unit, signed=True)}, is too near the limit of {worded(bound, unit, signed=True)} for the bench's uncertainty ({int(tally.decided[UNDECIDED])} of {judged} readings)"
    return f"{name} is right {span}: worst error {worded(error, unit, signed=True)}, limit {worded(bound, unit, signed=True)}, {judged} readings"


def _why_undecided(tally: Tally) -> tuple[str, str]:
    """Return reason and remedy: a bench with which nothing can pass, or an error near its limit (verdicts, rule 4)."""
    judge, worst = tally.judge, tally.worst
    assert worst is not None  # noqa: S101 - the caller has judged readings
    unit = str(judge.field.unit or "")
    limits = judge.tables[worst.table].limits
    low, high = float(limits.pass_low[worst.segment]), float(limits.pass_high[worst.segment])
    if bool(bench_too_uncertain(low, high, _u_at(judge, worst.segment))):
        return (
            "bench_too_uncertain",
            f"nothing can pass with this bench: needs u of at most {worded(float(largest_u(low, high)), unit)} for these limits",
        )
    error = float(worst.error * judge.quantum)
    room = min(high - error, error - low)
    remedy = (
        f"a bench with u of at most {worded(abs(room) / Z, unit)} would decide"
        if room
        else "the error lies on the limit: no bench would decide"
    )
    return "uncertainty_covers_limit", remedy


def _nothing_judged(tally: Tally, requirement: Requirement, evidence: dict[str, Any]) -> Finding:
    judge, name = tally.judge, requirement.path
    if set(tally.left_out) == {NO_CLOCK}:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{name} was not judged: the capture's clock is not known",
            "clock_unknown",
            "see the finding on the clock",
            evidence,
        )
    if judge.lacking:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"the limit of {name} is a share of {', '.join(judge.lacking)}, which the capture never shows",
            "limit_unknown",
            f"read {', '.join(judge.lacking)} in the capture",
            evidence,
        )
    if not tally.good:
        seen = int(tally.other_status.sum())
        says = f"{name} was never read" if not seen else f"{name} was read {seen} times, never with a good value"
        return Finding(requirement, Verdict.UNTESTED, says, "no_reading", "poll it while the bench applies values", evidence)
    reasons = ", ".join(f"{count} {reason}" for reason, count in sorted(tally.left_out.items()))
    return Finding(
        requirement,
        Verdict.UNTESTED,
        f"none of the {tally.good} readings of {name} could be judged: {reasons or 'no limit holds there'}",
        "no_admissible_reading",
        "hold each value for longer than settle and latency, and poll in that time",
        evidence,
    )


def _not_exercised(
    tally: Tally, others: tuple[Tally, ...], requirement: Requirement, moved: Exercised, evidence: dict[str, Any]
) -> Finding | None:
    """A constant report, or a swap with a sibling, must be unable to pass (verdicts, rule 18)."""
    judge, unit = tally.judge, str(tally.judge.field.unit or "")
    needed = moved.needed_span
    if moved.high - moved.low <= needed:
        says = (
            f"{requirement.path} was only seen at {worded(moved.low, unit)}"
            + ("" if moved.high == moved.low else f" to {worded(moved.high, unit)}")
            + ": a constant report would look the same"
        )
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", f"move it by more than {worded(needed, unit)}", evidence)
    twins = [other.judge.id for other in others if alike(tally, other)]
    if twins:
        names = " and ".join(_short(identity) for identity in (judge.id, *twins))
        return Finding(
            requirement,
            Verdict.UNTESTED,
            f"{names} were always held alike: swapped ones would look the same",
            "held_alike",
            "hold each at a value of its own, farther apart than their limits",
            evidence,
        )
    return None


def _short(identity: FieldId) -> str:
    return identity.field + ("" if identity.element is None else f"[{identity.element}]")


def accuracy_findings(tallies: Mapping[FieldId, Tally], kin: Mapping[FieldId, tuple[Judge, ...]]) -> list[Finding]:
    """Return the accuracy finding of every tally whose field has an accuracy, in the order of the judges."""
    return [
        accuracy_finding(tally, tuple(tallies[other.id] for other in kin.get(id, ())))
        for id, tally in tallies.items()
        if tally.judge.field.accuracy
    ]

