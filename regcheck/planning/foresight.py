"""What a check of a faultless device under a plan would leave untested or undecided, by the checks' own rules, and notes on the bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from regcheck.bench.admission import admissible
from regcheck.bench.bench_file import Bench
from regcheck.bench.stimulus import StimulusLog
from regcheck.checks.accumulator import Spot
from regcheck.checks.accuracy import SEVERITY, Tally, WorstReading
from regcheck.checks.accuracy_findings import POOR, accuracy_findings
from regcheck.checks.alarm_bands import FOREVER, Bands, applied_bands, outside, split_lasting
from regcheck.checks.alarm_times import crossings
from regcheck.checks.decision import PASS, UNDECIDED
from regcheck.checks.exercised import coverage_finding
from regcheck.checks.finding import Finding, Verdict
from regcheck.checks.judge import Judge, make_judge, siblings
from regcheck.checks.plan import Plan
from regcheck.codec.columns import FieldId
from regcheck.codec.states import States
from regcheck.device_map.frames import Fitted
from regcheck.device_map.model import RegisterMap
from regcheck.planning.conditions import Condition
from regcheck.planning.goals import Pace
from regcheck.planning.thresholds import Unreached, Watched


@dataclass(frozen=True, slots=True)
class Foreseen:
    """``unreached`` stay untested, ``undecided`` cannot be decided with this bench; ``notes`` are what else there is to know."""

    unreached: tuple[Unreached, ...]
    undecided: tuple[Unreached, ...]
    notes: tuple[str, ...]


def foresee(
    register_map: RegisterMap,
    bench: Bench,
    fitted: Fitted | None,
    log: StimulusLog,
    pace: Pace,
    watched: Sequence[Watched],
    alarm_period_ns: Callable[[Watched], int],
    known: Sequence[Unreached],
) -> Foreseen:
    """Return what a check would say if a device without any error were read at the plan's pace."""
    plan = Plan(register_map, bench, log, fitted)
    judges = []
    for id, one in plan.driven.items():
        settle, latency = bench.timing.of(one.field)
        judge, _ = make_judge(id, one, register_map, [States()], settle_ns=settle, latency_ns=latency, warm_up_ns=bench.timing.warm_up_ns)
        judges.append(judge)
    tallies = {judge.id: _perfect(judge, log, pace) for judge in judges}
    findings = accuracy_findings(tallies, siblings(judges))
    for tally in tallies.values():
        if tally.judge.field.accuracy:
            covered = coverage_finding(tally, bench.coverage)
            findings += [covered] if covered is not None else []
    findings += plan.not_driven({})
    unreached, undecided = list(known), []
    told = {one.id for one in known}
    for finding in findings:
        open_one = Unreached(finding.id, finding.says, finding.remedy, str(finding.requirement.place or ""))
        if finding.verdict is Verdict.UNTESTED and finding.id not in told:
            unreached.append(open_one)
        elif finding.verdict is Verdict.UNDECIDED:
            undecided.append(open_one)
    notes = _poor(findings)
    for level in watched:
        verdict = _crossed(level, {judge.id: judge for judge in judges}, log, alarm_period_ns(level))
        if verdict == "untested" and level.id not in told:
            text, remedy = f"level '{level.level.state}' is not crossed cleanly by any step", "see its condition and reaction time"
            if plan.not_said:
                text = "the bench does not say which of several devices it drives"
                remedy = "say which one is fitted, such as --instances rack=3, or write rack[3].… under `applied`"
            unreached.append(Unreached(level.id, text, remedy, str(level.level.place)))
        if bench.clock.kind == "estimate" and level.level.react_ns is not None:
            text = "a reaction cannot be passed by an estimated clock, which rests on the device's own delays"
            undecided.append(
                Unreached(level.id, text, "give the check a shared clock, a told offset with its +/-, or a marker", str(level.level.place))
            )
    return Foreseen(tuple(dict.fromkeys(unreached)), tuple(dict.fromkeys(undecided)), tuple(notes))


def _perfect(judge: Judge, log: StimulusLog, pace: Pace) -> Tally:
    """Return the tally of a device that reports what is applied, read at the plan's pace."""
    tally = Tally(judge)
    end_ns = log.end_ns if log.end_ns is not None else log.last_ns
    times = np.arange(log.begin_ns, end_ns, pace.period_ns(judge.field), dtype=np.int64)
    tally.good = len(times)
    admission = admissible(judge.curve, times, times, judge.settle_ns, judge.latency_ns, pace.clock_ns, judge.warm_up_ns)
    for reason, count in admission.left_out.items():
        tally.leave_out(reason, count)
    times = times[admission.admitted]
    segment = np.searchsorted(judge.curve.time, times, side="right") - 1
    if not judge.tables or not len(times):
        return tally
    table = judge.tables[0]
    judged = table.limits.judged[segment]
    times, segment = times[judged], segment[judged]
    if not len(times):
        return tally
    accept = table.acceptance
    passes = (accept.pass_low[segment] <= 0) & (accept.pass_high[segment] >= 0) & (accept.pass_low[segment] <= accept.pass_high[segment])
    tally.decided[PASS], tally.decided[UNDECIDED] = int(passes.sum()), int((~passes).sum())
    tally.by_segment += np.bincount(segment, minlength=len(judge.curve))
    tally.undecided_segment += np.bincount(segment[~passes], minlength=len(judge.curve))
    hold = np.searchsorted(judge.holds.begin, times, side="right") - 1
    inside = (hold >= 0) & (times < judge.holds.end[np.clip(hold, 0, None)]) if len(judge.holds) else np.zeros(len(times), np.bool_)
    tally.hold_count += np.bincount(hold[inside], minlength=len(judge.holds))
    at = int(np.flatnonzero(~passes)[0]) if not passes.all() else 0
    applied = round(float(judge.curve.after[segment[at]]) / float(judge.quantum))
    severity = SEVERITY[PASS if passes.all() else UNDECIDED]
    tally.worst = WorstReading(severity, 0.0, 0, applied, int(segment[at]), 0, Spot(int(times[at]), 0, 0))
    return tally


def _poor(findings: Sequence[Finding]) -> list[str]:
    """Return a note for each field whose limit is less than four times the bench's U (verdicts, rule 4)."""
    ratios: dict[str, tuple[float, Finding]] = {}
    for finding in findings:
        ratio = finding.evidence.get("limit_over_u")
        if finding.verdict is Verdict.PASS and ratio is not None and finding.evidence.get("bench_note"):
            name = finding.requirement.field
            if name not in ratios or ratio < ratios[name][0]:
                ratios[name] = ratio, finding
    return [
        f"{name}: its limit is {ratio:.2g} times the bench's U, less than {POOR}: errors near it stay undecided"
        for name, (ratio, _) in ratios.items()
    ]


def _crossed(watched: Watched, judges: Mapping[FieldId, Judge], log: StimulusLog, period_ns: int) -> str:
    """Return whether some crossing of a level could pass if the device reacted in the middle of its time: pass or untested."""
    bands = _bands(watched.set, judges)
    clear_bands = _bands(watched.clear, judges) if watched.clear is not None else None
    if bands is None:
        return "untested"
    surely, maybe = bands.surely(), bands.maybe()
    clear = clear_bands.surely() if clear_bands is not None else outside(maybe)
    low, high = watched.react_ns
    end_ns = log.end_ns if log.end_ns is not None else log.last_ns
    times = np.arange(log.begin_ns, end_ns, period_ns, dtype=np.int64)
    is_set = np.zeros(len(times), np.bool_)
    delay = (low + high) // 2
    for begin, end in surely:
        until = min((max(one, end) for one, last in clear if last > end), default=FOREVER)
        if end - begin > high:
            is_set |= (times >= begin + delay) & (times < (end_ns if watched.level.latched_until else until + delay))
    found = crossings(times, times, np.zeros(len(times), np.int64), is_set, surely, maybe, (low, high), None, watched.level.state, "")
    return "pass" if any(one.verdict == "pass" for one in found) else "untested"


def _bands(condition: Condition, judges: Mapping[FieldId, Judge]) -> Bands | None:
    own = {}
    for key, target in condition.targets.items():
        wanted = target.key
        judge = judges.get(wanted) or next(
            (
                one
                for id, one in judges.items()
                if not wanted.instance and (id.message, id.field, id.element) == (wanted.message, wanted.field, wanted.element)
            ),
            None,
        )
        if judge is None:
            return None
        own[key] = judge
    root, _ = split_lasting(condition.expression)
    return applied_bands(root, condition.expression, condition.scope, condition.names, own, condition.elements)
