"""From a field's tally to what may be said of it: the accuracy finding, its evidence and its sentence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import fsum, hypot
from typing import Any

import numpy as np

from regcheck.checks.accuracy import NO_CLOCK, SEVERITY, STATE_MOVED, STATE_UNKNOWN, Tally, WorstReading
from regcheck.checks.decision import (
    FAIL,
    PASS,
    UNDECIDED,
    VERDICTS,
    Z,
    acceptance,
    bench_too_uncertain,
    conformance_probability,
    decide,
    largest_u,
    uncertainty_ratio,
)
from regcheck.checks.exercised import Exercised, Held, alike, exercised
from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.checks.hold_evidence import HoldRow, decay_evidence, hold_rows, line_evidence, spread, unjudged_holds
from regcheck.checks.hold_table import hold_table
from regcheck.checks.judge import Judge
from regcheck.checks.statistics import decide_share, pooled_noise, share_beyond
from regcheck.checks.wording import plain, worded
from regcheck.codec.columns import STATUSES, FieldId

POOR = 4
"""The ratio of limit to U below which a note is made (common practice; verdicts, rule 4)."""


def _u_at(judge: Judge, segment: int) -> float:
    return hypot(float(judge.curve.u_s[segment]), float(judge.curve.u_r[segment]))


def _worst_evidence(judge: Judge, worst: WorstReading) -> tuple[dict[str, Any], Strip]:
    quantum, unit = judge.quantum, str(judge.field.unit or "")
    limits = judge.tables[worst.table].limits
    low, high = float(limits.fail_low[worst.segment]), float(limits.fail_high[worst.segment])
    u = _u_at(judge, worst.segment)
    error, reported = float(worst.error * quantum), float(worst.reported * quantum)
    p = float(conformance_probability(error, low, high, u))
    evidence: dict[str, Any] = {
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
        "limit_over_u": plain(uncertainty_ratio(low, high, u), 4) if u > 0 else None,
    }
    if u > 0 and (high - low) / 2 < POOR * 2 * u:
        evidence["bench_note"] = "the limit is less than 4 times the bench's U"
    return evidence, Strip(error, low, high, 2 * u, unit)


def _statuses(tally: Tally) -> dict[str, int]:
    """Return how many readings had each status but good (verdicts, rule 20)."""
    return {str(status): int(tally.other_status[code]) for code, status in enumerate(STATUSES) if tally.other_status[code]}


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


def accuracy_finding(tally: Tally, others: tuple[Held, ...]) -> Finding:
    """Return the accuracy finding of one field; ``others`` are its siblings."""
    judge = tally.judge
    requirement = accuracy_requirement(judge)
    name, unit = requirement.path, str(judge.field.unit or "")
    judged = int(tally.decided.sum())
    evidence: dict[str, Any] = {
        "unit": unit or None,
        "readings": tally.good,
        "statuses": _statuses(tally),
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
    evidence |= line_evidence(tally, rows)
    evidence |= hold_table(tally, rows)
    evidence |= unjudged_holds(tally)
    if tally.doubt_ns:
        evidence["clock_doubt_s"] = plain(tally.doubt_ns / 1e9, 4)
    if tally.far:
        evidence["far_off"] = tally.far
    if judge.statistic != "readings":
        evidence["of"] = str(judge.statistic) if judge.statistic == "mean" else f"{float(judge.statistic):.4%} of readings"
    means = _mean_errors(tally, rows) if judge.statistic == "mean" else []
    if means:
        mean = means[0]
        evidence["worst_mean"] = {"error": plain(mean.row.mean_error), "applied": plain(mean.row.applied), "u": plain(mean.u, 4)}
        strip = Strip(mean.row.mean_error, mean.low, mean.high, 2 * mean.u, unit)
    if not judge.applied.correlation_stated:
        evidence["correlation"] = "not stated: the channels' uncertainties were added at their worst"
    if judge.applied.turned:
        evidence["sign"] = "channel and field count the other way positive; the applied value was turned"
    verdict = _verdict(tally, means)
    says = _sentence(tally, name, unit, verdict, moved, means)
    if verdict is Verdict.FAIL:
        evidence |= decay_evidence(tally, strip.high)
        return Finding(requirement, verdict, says, evidence=evidence, strip=strip)
    still = _not_exercised(tally, others, requirement, moved, evidence)
    if still is not None:
        return still
    if verdict is Verdict.UNDECIDED:
        reason, remedy = _why_undecided(tally, means)
        return Finding(requirement, verdict, says, reason, remedy, evidence, strip)
    return Finding(requirement, verdict, says, evidence=evidence, strip=strip)


def _verdict(tally: Tally, means: list[MeanError]) -> Verdict:
    """Return the verdict of what the map's accuracy judges: every reading, a share of them, or the mean of each hold (rules 1 and 7)."""
    judge = tally.judge
    judged = int(tally.decided.sum())
    if isinstance(judge.statistic, Fraction):
        sure, maybe = int(tally.decided[FAIL]), int(tally.decided[FAIL] + tally.decided[UNDECIDED])
        return decide_share(sure, maybe, judged, 1 - judge.statistic)
    if judge.statistic == "mean":
        return means[0].verdict if means else Verdict.UNDECIDED
    return {SEVERITY[FAIL]: Verdict.FAIL, SEVERITY[UNDECIDED]: Verdict.UNDECIDED}.get(
        tally.worst.severity if tally.worst else 0, Verdict.PASS
    )


@dataclass(frozen=True, slots=True)
class MeanError:
    """The mean error of one hold against its limits (the widest of all tables), with its standard uncertainty."""

    row: HoldRow
    verdict: Verdict
    low: float
    high: float
    u: float


def _mean_errors(tally: Tally, rows: list[HoldRow]) -> list[MeanError]:
    """Return the means of holds with two readings or more, the gravest first."""
    judge, found = tally.judge, []
    for row in rows:
        if row.count < 2:
            continue
        segment = int(np.searchsorted(judge.curve.time, round(row.begin_s * 1e9), side="right") - 1)
        limits = [table.limits for table in judge.tables if table.limits.judged[segment]]
        if not limits:
            continue
        u = hypot(row.u_s, spread(tally, row).u)
        low, high = min(float(one.fail_low[segment]) for one in limits), max(float(one.fail_high[segment]) for one in limits)
        inner_low, inner_high = max(float(one.pass_low[segment]) for one in limits), min(float(one.pass_high[segment]) for one in limits)
        code = int(acceptance(inner_low, inner_high, u, outer_low=low, outer_high=high).decide(row.mean_error))
        found.append(MeanError(row, VERDICTS[code], low, high, u))

    def gravity(one: MeanError) -> tuple[int, float]:
        bound = one.high if one.row.mean_error > 0 else -one.low
        share = abs(one.row.mean_error) / bound if bound else float("inf") if one.row.mean_error else 0.0
        return SEVERITY[VERDICTS.index(one.verdict)], share

    return sorted(found, key=gravity, reverse=True)


def _sentence(tally: Tally, name: str, unit: str, verdict: Verdict, moved: Exercised, means: list[MeanError]) -> str:
    worst, judge = tally.worst, tally.judge
    assert worst is not None  # noqa: S101 - the caller has judged readings
    quantum = float(judge.quantum)
    limits = judge.tables[worst.table].limits
    judged = int(tally.decided.sum())
    error, applied, at, what = worst.error * quantum, (worst.reported - worst.error) * quantum, worst.spot.time_ns / 1e9, name
    low, high, counted = float(limits.fail_low[worst.segment]), float(limits.fail_high[worst.segment]), f"{judged} readings"
    if judge.statistic == "mean" and means:
        mean = means[0]
        error, applied, low, high, at = mean.row.mean_error, mean.row.applied, mean.low, mean.high, mean.row.begin_s
        what, counted = f"the mean of {name}", f"the means of {len(means)} holds"
    bound = high if error >= 0 else low
    limit = worded(bound, unit, signed=True) if bound else worded(0.0, unit, apart=True)
    if isinstance(judge.statistic, Fraction):
        beyond, allowed = int(tally.decided[FAIL] + tally.decided[UNDECIDED] * (verdict is not Verdict.FAIL)), 1 - judge.statistic
        share = share_beyond(beyond, judged)
        where = "beyond" if verdict is Verdict.FAIL else "not surely within"
        seen = f"{beyond} of {judged} readings ({share.share:.3%}) are {where} their limit"
        return f"{name}: {seen}, {float(allowed):.4%} may be; the worst error is {worded(error, unit, signed=True)}, limit {limit}"
    if verdict is Verdict.FAIL:
        beyond = int(tally.decided[FAIL])
        share_text = (
            f"{sum(one.verdict is Verdict.FAIL for one in means)} of {len(means)} holds lie beyond it"
            if judge.statistic == "mean"
            else f"{beyond} of {judged} readings ({share_beyond(beyond, judged).share:.1%}) lie beyond it"
        )
        off = f"{what} is off by {worded(error, unit, signed=True)} at {worded(applied, unit)} applied"
        return f"{off}, limit {limit} (at {at:.3f} s); {share_text}"
    if verdict is Verdict.UNDECIDED:
        near = f"{int(tally.decided[UNDECIDED])} of {judged} readings"
        if judge.statistic == "mean":
            near = f"{sum(one.verdict is Verdict.UNDECIDED for one in means)} of {len(means)} holds"
        worst_error = f"the worst error, {worded(error, unit, signed=True)}"
        return f"{what}: {worst_error}, is too near the limit of {limit} for the bench's uncertainty ({near})"
    span = f"from {worded(moved.low, unit)} to {worded(moved.high, unit)}"
    return f"{what} is right {span}: worst error {worded(error, unit, signed=True)}, limit {limit}, {counted}"


def _why_undecided(tally: Tally, means: list[MeanError]) -> tuple[str, str]:
    """Return reason and remedy: a bench with which nothing can pass, or an error near its limit (verdicts, rule 4)."""
    judge, worst = tally.judge, tally.worst
    assert worst is not None  # noqa: S101 - the caller has judged readings
    unit = str(judge.field.unit or "")
    limits = judge.tables[worst.table].limits
    low, high = float(limits.pass_low[worst.segment]), float(limits.pass_high[worst.segment])
    if bool(bench_too_uncertain(low, high, _u_at(judge, worst.segment))):
        needed = worded(float(largest_u(low, high)), unit, apart=True)
        return "bench_too_uncertain", f"nothing can pass with this bench: needs u of at most {needed} for these limits"
    if judge.statistic == "mean" and not means:
        return "too_few_readings", "poll at least twice in each hold: a mean needs more than one reading"
    if isinstance(judge.statistic, Fraction) and not tally.decided[UNDECIDED]:
        return (
            "too_few_readings",
            f"read it more often: {int(tally.decided.sum())} readings cannot show a share of {float(judge.statistic):.4%}",
        )
    error = float(worst.error * judge.quantum)
    if judge.statistic == "mean":
        error, low, high = means[0].row.mean_error, means[0].low, means[0].high
    if decide(error, low, high, _u_at(judge, worst.segment)) is Verdict.PASS:
        remedy = "hold the value still while it is judged, or record with a clock that is shared with the bench, or told more exactly"
        return "clock_in_doubt", f"the applied value moves too far within the doubt of the capture's clock: {remedy}"
    room = min(high - error, error - low)
    remedy = (
        f"a bench with u of at most {worded(abs(room) / Z, unit, apart=True)} would decide"
        if room
        else "the error lies on the limit: no bench would decide"
    )
    return "uncertainty_covers_limit", remedy


def _nothing_judged(tally: Tally, requirement: Requirement, evidence: dict[str, Any]) -> Finding:
    judge, name = tally.judge, requirement.path
    if judge.refused:
        says = f"the accuracy of {name} was not judged: it has {judge.refused}"
        return Finding(
            requirement, Verdict.UNTESTED, says, "not_judged_yet", "this version does not judge conditions of this form", evidence
        )
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
        seen = sum(evidence["statuses"].values())
        says = f"{name} was never read" if not seen else f"{name} was read {seen} times, never with a good value"
        return Finding(requirement, Verdict.UNTESTED, says, "no_reading", "poll it while the bench applies values", evidence)
    if tally.left_out and set(tally.left_out) <= {STATE_UNKNOWN, STATE_MOVED}:
        says = f"the state that the accuracy of {name} hangs on was not known at any of its {tally.good} readings"
        return Finding(requirement, Verdict.UNTESTED, says, "state_unknown", "read what its `when` names before and after it", evidence)
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
    tally: Tally, others: tuple[Held, ...], requirement: Requirement, moved: Exercised, evidence: dict[str, Any]
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
        remedy = f"move it by more than {worded(needed, unit, apart=True)}"
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", remedy, evidence)
    own = Held.of(tally)
    twins = [other.id for other in others if alike(own, other)]
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
    held = {id: Held.of(tally) for id, tally in tallies.items()}
    return [
        accuracy_finding(tally, tuple(held[other.id] for other in kin.get(id, ())))
        for id, tally in tallies.items()
        if tally.judge.field.accuracy
    ]


def expected_errors(findings: Iterable[Finding]) -> str:
    """Return what a run may expect of false accepts and rejects: the specific risks at the deciding readings (JCGM 106:2012, 8.2)."""
    accepts, rejects = [], []
    for finding in findings:
        worst = finding.evidence.get("worst")
        if finding.requirement.kind != "accuracy" or worst is None or "of" in finding.evidence:
            continue
        if finding.verdict is Verdict.PASS:
            accepts.append(1.0 - worst["p"])
        elif finding.verdict is Verdict.FAIL:
            rejects.append(worst["p"])
    if not accepts and not rejects:
        return ""
    passes = f"{abs(fsum(accepts)):.2g} false accepts are expected in {len(accepts)} passes of accuracy"
    return f"at the readings that decided, {passes} and {abs(fsum(rejects)):.2g} false rejects in {len(rejects)} fails"
