"""What relations and alarms came to, in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from regcheck.checks.alarm_clearings import Clearing
from regcheck.checks.alarm_times import Crossing
from regcheck.checks.alarms import APPLIED, AlarmOutcome, Clocks, judge_alarm
from regcheck.checks.finding import Finding, Requirement, Strip, Verdict
from regcheck.checks.relations import judge_relation
from regcheck.checks.rule_outcome import FAIL, IN_DOUBT, LEFT_OUT, NOT_BUILT, PASS, UNDECIDED, Outcome, Worst
from regcheck.checks.rule_record import Book
from regcheck.checks.wording import lasted, plain, slug, times, worded
from regcheck.codec.readings import time_text
from regcheck.device_map.expression_tree import Call, walk
from regcheck.device_map.expressions import TEMPORALS
from regcheck.device_map.model import RegisterMap, Rule

STILL = "hold the values still for longer, or poll them more often"
MOST_PARTNERS = 8
MOST_MISSING = 6
MOST_CROSSINGS = 100


def rule_findings(
    register_map: RegisterMap, books: Sequence[Book], clocks: Clocks, required: Mapping[str, Sequence[str]] | None = None
) -> list[Finding]:
    """Return a finding for each rule of a map and device, and one for each level of an alarm that was never provoked beside others.

    ``required`` names the devices that must send a message.
    """
    found: list[Finding] = []
    for rule in register_map.rules:
        if rule.require is not None:
            outcomes = judge_relation(rule, books, clocks.bench, required)
            found += [relation_finding(rule, outcome, instance) for instance, outcome in outcomes.items()]
        else:
            for instance, alarm in judge_alarm(rule, books, clocks, required).items():
                found += alarm_findings(rule, alarm, instance)
    return found


def _requirement(rule: Rule, instance: str) -> Requirement:
    return Requirement("alarm" if rule.alarm is not None else "rule", slug(rule.name), instance=instance, place=rule.place)


def _named(rule: Rule, instance: str) -> str:
    return f"'{rule.name}'" + (f" of {instance}" if instance else "")


def _not_built(rule: Rule, instance: str, why: str) -> Finding:
    return Finding(
        _requirement(rule, instance),
        Verdict.UNTESTED,
        f"{_named(rule, instance)} was not judged: it has {why}",
        NOT_BUILT,
        "this version does not judge rules of this form",
    )


# relations


def relation_finding(rule: Rule, outcome: Outcome, instance: str = "") -> Finding:
    """Return the finding of one `require` rule for one device."""
    requirement, name = _requirement(rule, instance), _named(rule, instance)
    if outcome.refused:
        return _not_built(rule, instance, outcome.refused)
    counts, worst = outcome.counts, outcome.worst
    judged = int(counts[[PASS, FAIL, UNDECIDED, IN_DOUBT]].sum())
    over_time = rule.require is not None and any(isinstance(node, Call) and node.function in TEMPORALS for node in walk(rule.require.root))
    what = "stretch" if over_time else "instant"
    evidence: dict[str, Any] = {
        f"{what}es" if over_time else f"{what}s": {
            "judged": judged, "pass": int(counts[PASS]), "fail": int(counts[FAIL]), "undecided": int(counts[[UNDECIDED, IN_DOUBT]].sum()),
            "partners_changed": int(counts[LEFT_OUT]), "seen": outcome.seen,
        }
    }  # fmt: skip
    if rule.when is not None:
        evidence["when_held"] = outcome.held
    if outcome.settling:
        evidence["settling"] = outcome.settling
    if worst is not None:
        evidence["worst"] = _worst_json(worst, outcome)
    if outcome.oldest:
        evidence["oldest_partners_s"] = {name: plain(age / 1e9) for name, age in list(outcome.oldest.items())[:MOST_PARTNERS]}
    if outcome.missing and not judged:
        evidence["missing"] = outcome.missing
    if not judged:
        return _untested_relation(rule, instance, outcome, evidence)
    plural = f"{judged} {what}{'' if judged == 1 else 'es' if over_time else 's'}"
    strip = _strip(worst, outcome)
    if counts[FAIL]:
        said = f"{name} does not hold at {int(counts[FAIL])} of {plural}{_said(worst, outcome)}"
        return Finding(requirement, Verdict.FAIL, said, evidence=evidence, strip=strip)
    views = set() if rule.require is None else {node.function for node in walk(rule.require.root) if isinstance(node, Call)}
    if counts[UNDECIDED]:
        if "applied" in views:
            why, reason, remedy = (
                "too near to its limit for this bench",
                "near_limit",
                "take a bench of less uncertainty, or run for less long",
            )
        else:
            why, reason, remedy = "its partners changed", "partners_changed", STILL
        said = f"{name} cannot be decided at {int(counts[UNDECIDED])} of {plural}: {why}{_said(worst, outcome)}"
        return Finding(requirement, Verdict.UNDECIDED, said, reason, remedy, evidence, strip)
    if not counts[PASS]:
        said = f"{name} cannot be decided at any of {plural}: its partners changed{_said(worst, outcome)}"
        return Finding(requirement, Verdict.UNDECIDED, said, "partners_changed", STILL, evidence, strip)
    passed = int(counts[PASS])
    held = plural if passed == judged else f"{passed} of {plural}, what it pairs changed at the others"
    said = f"{name} holds at {held}{_said(worst, outcome)}"
    return Finding(requirement, Verdict.PASS, said, evidence=evidence, strip=strip)


def _untested_relation(rule: Rule, instance: str, outcome: Outcome, evidence: Mapping[str, Any]) -> Finding:
    def untested(says: str, reason: str, remedy: str) -> Finding:
        said = f"{_named(rule, instance)} was not tested: {says}"
        return Finding(_requirement(rule, instance), Verdict.UNTESTED, said, reason, remedy, evidence)

    if not outcome.seen:
        return untested("nothing that it is judged at was read", "no_reading", "read the fields that it names")
    if not outcome.held:
        return untested(
            "its `when` never held while it could be judged", "when_never_held", "bring the device into the state that `when` names"
        )
    if outcome.settling:
        return untested("what it names may still have been settling whenever it was judged", "settling", "hold what is applied for longer")
    if outcome.counts[LEFT_OUT]:
        return untested("what it pairs changed at every instant", "partners_changed", STILL)
    lacking = outcome.missing
    listed = ", ".join(lacking[:MOST_MISSING]) + (f" and {len(lacking) - MOST_MISSING} more" if len(lacking) > MOST_MISSING else "")
    says = (
        f"{listed} {'was' if len(lacking) == 1 else 'were'} never good when needed"
        if lacking
        else "never were all of its values good within the age that it allows"
    )
    return untested(says, "never_paired", "read what is missing, or allow a larger `age`")


def _worst_json(worst: Worst, outcome: Outcome) -> dict[str, Any]:
    found: dict[str, Any] = {"time_s": worst.time_ns / 10**9, "capture": worst.source, "place": worst.place}
    if worst.since_ns is not None:
        found["since_s"] = worst.since_ns / 10**9
    if worst.instance:
        found["instance"] = worst.instance
    if math.isfinite(worst.difference):
        found |= {
            "left": plain(worst.left),
            "right": plain(worst.right),
            "difference": plain(worst.difference),
            "unit": str(outcome.unit or ""),
        }
        if worst.doubt:
            found["doubt"] = plain(worst.doubt)
        found["limits"] = [plain(bound) if math.isfinite(bound) else None for bound in (worst.low, worst.high)]
    found["values"] = {name: plain(value) for name, value, _ in worst.partners[:MOST_PARTNERS]}
    found["ages_s"] = {name: plain(age) for name, _, age in worst.partners[:MOST_PARTNERS]}
    return found


def _said(worst: Worst | None, outcome: Outcome) -> str:
    if worst is None:
        return ""
    unit = str(outcome.unit or "")
    when = (
        f"from {time_text(worst.since_ns)} s to {time_text(worst.time_ns)} s"
        if worst.since_ns is not None
        else f"at {time_text(worst.time_ns)} s"
    )
    if not math.isfinite(worst.difference):
        return f"; first {when}" if worst.severity else ""
    far = f": {worded(worst.left, unit)} beside {worded(worst.right, unit)}, {worded(worst.difference, unit, signed=True)} apart"
    bounds = [worded(abs(bound), unit) for bound in (worst.low, worst.high) if math.isfinite(bound)]
    allowed = f" where {' and '.join(dict.fromkeys(bounds))} is allowed" if outcome.limited else ""
    return f"; at worst {when}{far}{allowed}"


def _strip(worst: Worst | None, outcome: Outcome) -> Strip | None:
    if (
        worst is None
        or not outcome.limited
        or not all(map(math.isfinite, (worst.difference, worst.low, worst.high)))
        or worst.high <= worst.low
    ):
        return None
    return Strip(plain(worst.difference, 6), plain(worst.low, 6), plain(worst.high, 6), 0.0, str(outcome.unit or ""))


# alarms


def _seconds(time_ns: int | None) -> float | None:
    return None if time_ns is None else plain(time_ns / 1e9, 12)


def _crossing_json(one: Crossing) -> dict[str, Any]:
    found: dict[str, Any] = {
        "level": one.level,
        "verdict": one.verdict,
        "met_s": [_seconds(edge) for edge in one.edges],
        "last_clear_s": _seconds(one.clear_ns),
        "first_set_s": _seconds(one.set_ns),
        "clock_doubt_s": _seconds(one.doubt_ns),
    }
    if one.set_ns is not None:
        least = None if one.clear_ns is None else one.clear_ns - one.edges[1] - one.doubt_ns
        found["delay_s"] = [_seconds(least), _seconds(one.set_ns - one.edges[0] + one.doubt_ns)]
    if one.limit is not None:
        found["limit_s"] = [_seconds(bound) for bound in one.limit]
    if one.instance:
        found["instance"] = one.instance
    return found


def _clearing_json(one: Clearing) -> dict[str, Any]:
    found: dict[str, Any] = {
        "level": one.level,
        "met_s": [_seconds(edge) for edge in one.edges],
        "last_set_s": _seconds(one.set_ns),
        "first_clear_s": _seconds(one.clear_ns),
        "delay_s": [_seconds(bound) for bound in one.delay_ns],
        "clock_doubt_s": _seconds(one.doubt_ns),
    }
    if one.limit_ns is not None:
        found["limit_s"] = _seconds(one.limit_ns)
    return found | ({"instance": one.instance} if one.instance else {})


def alarm_findings(rule: Rule, outcome: AlarmOutcome, instance: str = "") -> list[Finding]:
    """Return the finding of one alarm of one device, and those of its levels that nothing provoked while others were."""
    requirement, name = _requirement(rule, instance), _named(rule, instance)
    if outcome.refused:
        return [_not_built(rule, instance, outcome.refused)]
    against = "against what the bench applied" if outcome.basis == {APPLIED} else "against what the device itself reports"
    by_verdict = {
        verdict: [one for one in outcome.crossings if one.verdict == verdict] for verdict in ("pass", "fail", "undecided", "untested")
    }
    evidence: dict[str, Any] = {
        "judged": against,
        "readings": outcome.readings,
        "crossings": [_crossing_json(one) for one in outcome.crossings[:MOST_CROSSINGS]],
    }
    if outcome.clearings:
        evidence["clearings"] = [_clearing_json(one) for one in outcome.clearings[:MOST_CROSSINGS]]
    if len(outcome.crossings) > MOST_CROSSINGS:
        evidence["more_crossings"] = len(outcome.crossings) - MOST_CROSSINGS
    if outcome.wrong:
        evidence["wrong"] = [_wrong_json(one) for one in outcome.wrong]
        evidence["wrong_readings"] = dict(outcome.counts)
    if outcome.wrong or by_verdict["fail"]:
        return [Finding(requirement, Verdict.FAIL, f"{name}: {_failure(outcome, by_verdict['fail'])}, {against}", evidence=evidence)]
    if by_verdict["undecided"]:
        if outcome.estimated:
            says, reason = "its reaction was timed by an estimated clock, which rests on the device's own delays", "estimated_clock"
            remedy = "give the check a shared clock, a told offset with its +/-, or a marker"
        else:
            says, reason = f"{_reaction(by_verdict['undecided'][0])}", "polled_too_slowly"
            remedy = "poll the alarm at a quarter of its reaction time or faster"
        return [Finding(requirement, Verdict.UNDECIDED, f"{name} cannot be decided, {against}: {says}", reason, remedy, evidence)]
    if not by_verdict["pass"]:
        says, reason, remedy = _untested_alarm(outcome, by_verdict["untested"])
        return [Finding(requirement, Verdict.UNTESTED, f"{name} was not tested: {says}", reason, remedy, evidence)]
    slowest = max(by_verdict["pass"], key=lambda one: (one.set_ns or 0) - one.edges[0])
    said = f"{name} was reported {times(len(by_verdict['pass']))} as its condition came to hold, {_reaction(slowest)}, {against}"
    found = [Finding(requirement, Verdict.PASS, said, evidence=evidence)]
    for level in rule.levels:
        if not any(one.level == level.state for one in by_verdict["pass"]):
            own = Requirement("alarm", slug(rule.name), level.state, instance=instance, place=level.place)
            says = f"the level '{level.state}' of {name} was not tested: nothing provoked it"
            found.append(
                Finding(
                    own,
                    Verdict.UNTESTED,
                    says,
                    "never_provoked",
                    "apply what sets it, beyond tolerance and doubt, for longer than it may take",
                )
            )
    return found


def _wrong_json(one: Any) -> dict[str, Any]:
    found = {"level": one.level, "what": one.what, "time_s": one.time_ns / 10**9, "capture": one.source, "place": one.place}
    return found | ({"instance": one.instance} if one.instance else {})


def _reaction(one: Crossing) -> str:
    assert one.set_ns is not None  # noqa: S101 - it was reported
    most = one.set_ns - one.edges[0] + one.doubt_ns
    least = 0 if one.clear_ns is None else max(one.clear_ns - one.edges[1] - one.doubt_ns, 0)
    limit = ""
    if one.limit is not None:
        low, high = one.limit
        limit = f" where {lasted(low)} to {lasted(high)} is allowed" if low else f" where {lasted(high)} is allowed"
    return f"'{one.level}' {lasted(least)} to {lasted(most)} after it{limit}"


def _failure(outcome: AlarmOutcome, late: Sequence[Crossing]) -> str:
    said = [_reaction(one) for one in late if one.set_ns is not None][:1]
    said += [f"'{one.level}' never came though its condition held" for one in late if one.set_ns is None][:1]
    for one in outcome.wrong[: 1 if said else 2]:
        number = outcome.counts.get(f"{one.level}: {one.what}", 1)
        said.append(f"the device {one.what} ('{one.level}', {times(number)}, first at {time_text(one.time_ns)} s)")
    return "; ".join(said)


def _untested_alarm(outcome: AlarmOutcome, short: Sequence[Crossing]) -> tuple[str, str, str]:
    if outcome.no_clock:
        return "the capture's clock cannot be told", "no_clock", "share the clock, or give its offset in the bench file"
    if not outcome.readings:
        return "the alarm was never read", "no_reading", "read the field that reports it"
    if short:
        return (
            "its condition did not hold for as long as the alarm may take",
            "held_too_short",
            "hold it for longer than the reaction allowed",
        )
    remedy = "apply what sets it, beyond tolerance and doubt, for longer than it may take"
    return "nothing provoked it", "never_provoked", remedy
