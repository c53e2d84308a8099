"""Cadences as findings: what the gaps and silences of a message's streams come to."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from regcheck.checks.accumulator import Spot
from regcheck.checks.cadence import CadenceCheck, GapTally, PageStream, StreamTally
from regcheck.checks.cadence_series import Bounds, Series
from regcheck.checks.decision import FAIL, PASS
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.wording import lasted, plain, times

FEWEST_GAPS = 3
"""Gaps from which a mean period is judged where the map gives no tolerance."""

OFF = (2, 3)
"""A mean period without a tolerance must lie within 2/3 and 3/2 of the map's (ours): nearer to it than to its double or its half."""

NEED_WHOLE = "record it again without losses"
NEED_STAMPS = "record with finer time stamps, and say `timestamps` in the bench file"


@dataclass(frozen=True, slots=True)
class Silence:
    """A stretch without a message at the beginning or the end of a capture, or throughout it; ``code`` as in the decision rule."""

    where: str
    length_ns: int
    code: int
    doubt: bool
    source: int
    allowed_ns: int
    spot: Spot | None = None

    def as_json(self) -> dict[str, Any]:
        """Return the silence for evidence."""
        at = self.spot.as_json() if self.spot is not None else {"capture": self.source}
        return {"where": self.where, "seconds": self.length_ns / 1e9, "allowed_s": self.allowed_ns / 1e9} | at


def cadence_findings(check: CadenceCheck) -> list[Finding]:
    """Return a finding for every cadence and instance, in the order of the map."""
    found = []
    for number, series in enumerate(check.series):
        if not any(one is not None and one.is_bound for one in series.bounds):
            if all(one is None or one.cadence is None or one.cadence.kind == "request" for one in series.bounds):
                continue
            found.append(_unbound(_requirement(series, "")))
            continue
        required = check.fitted.get(series.message.name, () if check.register_map.instances else ("",))
        seen = {key.stream.instance for key in check.streams if key.series == number}
        instances = sorted(seen | set(required)) or [""]
        found += [_finding(check, number, series, instance, is_required=instance in required) for instance in instances]
    return found


def _requirement(series: Series, instance: str) -> Requirement:
    message = series.message
    place = message.given_keys.get("every", message.place) if series.layout is None else message.layouts[series.layout].place
    return Requirement("cadence", message.name, series.field, None, instance, place)


def _unbound(requirement: Requirement) -> Finding:
    return Finding(
        requirement,
        Verdict.UNTESTED,
        f"{requirement.path} comes on change, and the map bounds neither how soon nor how late",
        "no_limit",
        "write `not_before` or `late_after` in the map",
    )


def _finding(check: CadenceCheck, number: int, series: Series, instance: str, *, is_required: bool) -> Finding:
    requirement = _requirement(series, instance)
    keys = sorted(key for key in check.streams if key.series == number and key.stream.instance == instance)
    if not keys:
        return _never_came(check, series, requirement, is_required=is_required)
    tallies = [check.streams[key] for key in keys]
    silences = [one for key in keys for one in _silences(check, series, key, keys)]
    off = [one for tally in tallies for one in _off_period(series, tally)]
    broken = [one for one in silences if one.code == FAIL and not one.doubt]
    unsure = [one for one in silences if one.code != PASS and one not in broken]
    gaps = [gap for tally in tallies for gap in tally.gaps.values()]
    evidence = _evidence(series, keys, tallies, broken + unsure)
    if broken or off or any(gap.failed for gap in gaps):
        return Finding(requirement, Verdict.FAIL, _says(requirement, gaps, broken, off), evidence=evidence)
    doubtful = sum(gap.doubtful.number for gap in gaps) + sum(one.doubt for one in unsure)
    undecided = sum(gap.undecided.number for gap in gaps) + sum(not one.doubt for one in unsure)
    if undecided:
        says = f"{requirement.path}: {undecided} of {_count(gaps)} gaps lie too near a limit for the time stamps"
        return Finding(requirement, Verdict.UNDECIDED, says, "timestamps_too_coarse", NEED_STAMPS, evidence)
    if doubtful:
        says = f"{requirement.path} was missed {times(doubtful)}, where the recorder lost something"
        return Finding(requirement, Verdict.UNDECIDED, says, "recorder_lost", NEED_WHOLE, evidence)
    if not any(gap.passed for gap in gaps):
        return _not_judged(requirement, tallies, evidence)
    return Finding(requirement, Verdict.PASS, _passes(requirement, gaps), evidence=evidence)


def _count(gaps: Sequence[GapTally]) -> int:
    return sum(gap.number for gap in gaps)


def _passes(requirement: Requirement, gaps: Sequence[GapTally]) -> str:
    ends = [gap for gap in gaps if gap.shortest is not None and gap.longest is not None]
    low = min(gap.shortest.length_ns for gap in ends if gap.shortest is not None)
    high = max(gap.longest.length_ns for gap in ends if gap.longest is not None)
    mean = round(sum(gap.in_time_ns for gap in gaps) / max(sum(gap.in_time for gap in gaps), 1))
    return f"{requirement.path} came every {lasted(mean)} on average, {lasted(low)} to {lasted(high)} apart, {_count(gaps)} gaps"


def _not_judged(requirement: Requirement, tallies: Sequence[StreamTally], evidence: dict[str, Any]) -> Finding:
    if any(tally.not_known for tally in tallies):
        says = f"{requirement.path}: the condition of `every` was not known while it came"
        return Finding(
            requirement, Verdict.UNTESTED, says, "state_not_known", "capture the message that the condition names, too", evidence
        )
    says = f"{requirement.path} came {times(sum(tally.messages for tally in tallies))}, with no gap that the map judges"
    return Finding(requirement, Verdict.UNTESTED, says, "no_gap", "record for longer", evidence)


def _never_came(check: CadenceCheck, series: Series, requirement: Requirement, *, is_required: bool) -> Finding:
    """Judge a message that was never seen: late where it must come and its device was heard for longer than it may stay away."""
    evidence: dict[str, Any] = {"messages": 0}
    alive = []
    for (source, _), horizon in check.horizons.stretches.items():
        since = horizon.heard_since(requirement.instance)
        since = horizon.heard_since("") if since is None else since  # a fitted device that says nothing at all is missed, too
        if since is not None:
            alive.append((horizon.end_ns - since, horizon.lossy, source))
    if not alive:
        return Finding(
            requirement,
            Verdict.UNTESTED,
            "no message of this device is in the capture",
            "no_message",
            "is it the right capture, and the right map?",
            evidence,
        )
    late = series.longest_late_ns
    if not is_required or series.message.optional or series.layout is not None or late is None:
        why = "it is optional" if series.message.optional else "nothing says that it must come"
        remedy = "say in the trial which instances are fitted" if check.register_map.instances else "have the device send it"
        return Finding(requirement, Verdict.UNTESTED, f"{requirement.path} never came; {why}", "not_seen", remedy, evidence)
    bounds = max((one for one in series.bounds if one is not None), key=lambda one: one.late_ns or 0)
    longest, lossy, source = max(alive, key=lambda one: (one[0], not one[1]))
    silence = Silence("throughout", longest, int(bounds.lateness(np.array([longest]))[0]), lossy, source, late)
    evidence["silences"] = [silence.as_json()]
    heard = f"{requirement.path} never came in {lasted(longest)}"
    if silence.code == FAIL and not lossy:
        return Finding(requirement, Verdict.FAIL, f"{heard}; it is late after {lasted(late)}", evidence=evidence)
    if silence.code == PASS:
        says = f"{heard}, which is shorter than the {lasted(late)} after which it is late"
        return Finding(requirement, Verdict.UNTESTED, says, "too_short", "record for longer", evidence)
    if lossy:
        return Finding(requirement, Verdict.UNDECIDED, f"{heard}, but the recorder lost something", "recorder_lost", NEED_WHOLE, evidence)
    says = f"{heard}; it is late after {lasted(late)}"
    return Finding(requirement, Verdict.UNDECIDED, says, "timestamps_too_coarse", NEED_STAMPS, evidence)


def _silences(check: CadenceCheck, series: Series, key: PageStream, keys: Sequence[PageStream]) -> Iterator[Silence]:
    """Give the silence before the first and after the last message of each stretch in which the device was heard."""
    tally = check.streams[key]
    for stretch, horizon in check.horizons.stretches.items():
        since = horizon.heard_since(key.stream.instance, key.stream.bus)
        if since is None:
            continue
        ends = tally.ends.get(stretch)
        if ends is not None:
            first, last = ends.first, ends.last
            head, tail = (since, first.spot.time_ns), (last.spot.time_ns, horizon.end_ns)
            yield from _silence("before the first", series, first.case, head, ends.doubt_before, stretch[0], first.spot)
            yield from _silence("after the last", series, last.case, tail, ends.doubt_after, stretch[0], last.spot)
        elif series.layout is None and not any(stretch in check.streams[one].ends for one in keys if one.stream.bus == key.stream.bus):
            yield from _silence("throughout", series, None, (since, horizon.end_ns), horizon.lossy, stretch[0], None)


def _silence(
    where: str, series: Series, case: int | None, span_ns: tuple[int, int], doubt: bool, source: int, spot: Spot | None
) -> Iterator[Silence]:
    bounds, length = _bounds_of(series, case), span_ns[1] - span_ns[0]
    if bounds is not None and bounds.late_ns is not None and length > 0:
        yield Silence(where, length, int(bounds.lateness(np.array([length]))[0]), doubt, source, bounds.late_ns, spot)


def _bounds_of(series: Series, case: int | None) -> Bounds | None:
    if case is None:
        known = [one for one in series.bounds if one is not None]
        return max(known, key=lambda one: one.late_ns or 0) if series.longest_late_ns is not None else None
    return series.bounds[case] if case >= 0 else None


@dataclass(frozen=True, slots=True)
class OffPeriod:
    """A mean period that is not the map's."""

    mean_ns: int
    period_ns: int


def _off_period(series: Series, tally: StreamTally) -> Iterator[OffPeriod]:
    for case, gap in sorted(tally.gaps.items()):
        bounds = series.bounds[case] if case >= 0 else None
        if bounds is None or bounds.high_ns is not None or not bounds.period_ns or gap.in_time < FEWEST_GAPS:
            continue
        near, far = OFF
        expected = bounds.period_ns * gap.in_time
        if gap.in_time_ns * near > expected * far or gap.in_time_ns * far < expected * near:
            yield OffPeriod(round(gap.in_time_ns / gap.in_time), bounds.period_ns)


def _says(requirement: Requirement, gaps: Sequence[GapTally], broken: Sequence[Silence], off: Sequence[OffPeriod]) -> str:
    late = sum(gap.late.number for gap in gaps) + len(broken)
    longest = max((gap.longest for gap in gaps if gap.late.number and gap.longest is not None), key=lambda one: one.length_ns, default=None)
    silence = max(broken, key=lambda one: one.length_ns, default=None)
    if silence is not None and (longest is None or silence.length_ns >= longest.length_ns):
        where = {
            "before the first": "its first came only {} after the device was heard",
            "after the last": "the last {} of the capture are without it",
            "throughout": "a capture of {} is without it",
        }[silence.where].format(lasted(silence.length_ns))
        return f"{requirement.path} was late {times(late)}: {where}; it is late after {lasted(silence.allowed_ns)}"
    if longest is not None:
        allowed = next(gap.late_after_ns for gap in gaps if gap.longest is longest)
        at = f"at {longest.spot.time_ns / 1e9:.6g} s" if longest.spot.time_ns < 10**15 else "see the evidence for when"
        worst = f"the longest {lasted(longest.length_ns)} ({at})"
        return f"{requirement.path} was late {times(late)}, {worst}; it is late after {lasted(allowed)}"
    if off:
        wrong = max(off, key=lambda one: abs(math.log(one.mean_ns / one.period_ns)) if one.mean_ns > 0 else math.inf)
        return f"{requirement.path} came every {lasted(wrong.mean_ns)} on average; the map says {lasted(wrong.period_ns)}"
    total = _count(gaps)
    parts = []
    long, early = sum(gap.long.number for gap in gaps), sum(gap.early.number for gap in gaps)
    if long:
        length = max(gap.longest.length_ns for gap in gaps if gap.long.number and gap.longest is not None)
        parts.append(f"too late within its tolerance {times(long)}, up to {lasted(length)}")
    if early:
        length = min(gap.shortest.length_ns for gap in gaps if gap.early.number and gap.shortest is not None)
        parts.append(f"too soon {times(early)}, down to {lasted(length)}")
    return f"{requirement.path} came " + " and ".join(parts) + f", {total} gaps"


def _evidence(series: Series, keys: Sequence[PageStream], tallies: Sequence[StreamTally], silences: Sequence[Silence]) -> dict[str, Any]:
    whole = GapTally()
    cases: dict[int, GapTally] = {}
    for tally in tallies:
        for case, gap in sorted(tally.gaps.items()):
            whole.then(gap)
            cases.setdefault(case, GapTally()).then(gap)
    evidence: dict[str, Any] = {"messages": sum(tally.messages for tally in tallies)} | _gap_evidence(whole)
    judged = [case for case in sorted(cases) if case >= 0]
    if len(judged) == 1 and len(cases) == 1:
        evidence |= _case_evidence(series, judged[0], whole)
    else:
        evidence["cases"] = [_case_evidence(series, case, cases[case]) | _gap_evidence(cases[case]) for case in sorted(cases)]
    if any(tally.not_known for tally in tallies):
        evidence["state_not_known"] = sum(tally.not_known for tally in tallies)
    if len(keys) > 1:
        evidence["streams"] = [
            {"bus": key.stream.bus or None, "key": key.stream.name, "messages": tally.messages} | ({"page": key.page} if key.page else {})
            for key, tally in zip(keys, tallies, strict=True)
        ]
    if silences:
        ordered = sorted(silences, key=lambda one: (-one.length_ns, one.source, one.where))
        evidence["silences"] = [one.as_json() for one in ordered[:8]]
    return evidence


def _gap_evidence(gap: GapTally) -> dict[str, Any]:
    found: dict[str, Any] = {"gaps": gap.number}
    if gap.in_time:
        found["mean_s"] = plain(gap.in_time_ns / gap.in_time / 1e9)
    for name, end in (("shortest", gap.shortest), ("longest", gap.longest)):
        if end is not None:
            found[name] = {"seconds": end.length_ns / 1e9} | end.spot.as_json()
    for name in ("late", "long", "early", "undecided", "doubtful"):
        count = getattr(gap, name)
        if count.number:
            found["recorder_lost" if name == "doubtful" else name] = {
                "count": count.number,
                "first": count.first.as_json() if count.first else None,
            }
    return found


def _case_evidence(series: Series, case: int, gap: GapTally) -> dict[str, Any]:
    if case < 0:
        return {"case": "where it changed"}
    bounds, when = series.bounds[case], series.conditions[case]
    assert bounds is not None  # noqa: S101 - what is not judged has no gaps
    found: dict[str, Any] = {"case": when.text if when is not None else "otherwise"} if len(series.bounds) > 1 else {}
    limits = {"period_s": bounds.period_ns or None, "low_s": bounds.low_ns, "high_s": bounds.high_ns, "late_after_s": bounds.late_ns}
    found |= {name: value / 1e9 for name, value in limits.items() if value is not None}
    if bounds.u_ns:
        found["u_s"] = plain(bounds.u_ns / 1e9)
    if gap.near > 1:
        spread = gap.square_us * gap.near - gap.deviation_us**2
        found["jitter_s"] = plain(math.sqrt(spread / (gap.near * (gap.near - 1))) / 1e6)
    return found
