"""In which order findings are told, which of them belong together, and the one word for all of them: alike on a screen and on a page."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction

from regcheck.checks.finding import WORST_FIRST, Finding, Verdict, count_verdicts
from regcheck.report.strip import ratio
from regcheck.report.words import number_ranges


def rank(finding: Finding) -> tuple[int, Fraction, str]:
    """Return what to sort findings by: the gravest verdict first, then the largest error against its limit, then the id."""
    return WORST_FIRST.index(finding.verdict), -ratio(finding), finding.id


def by_reason(findings: Iterable[Finding]) -> dict[tuple[str, str], list[Finding]]:
    """Return the untested findings by reason and remedy, in the order in which they come."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        if finding.verdict is Verdict.UNTESTED:
            groups.setdefault((finding.reason, finding.remedy), []).append(finding)
    return groups


def families(findings: Iterable[Finding]) -> list[list[Finding]]:
    """Return findings worst first, the elements of one array with one kind of requirement together."""
    together: dict[tuple[str, ...], list[Finding]] = {}
    for finding in sorted(findings, key=rank):
        one = finding.requirement
        key = (finding.id,) if one.element is None else (one.kind, one.instance, one.message, one.field)
        together.setdefault(key, []).append(finding)
    return sorted(together.values(), key=lambda family: rank(family[0]))


def doubt(finding: Finding) -> str:
    """Return reason and remedy of an undecided or untested finding."""
    return ": ".join(part for part in (finding.reason, finding.remedy) if part) or "no reason given"


def overall(findings: Sequence[Finding]) -> tuple[str, Verdict]:
    """Return the word for a whole run, and the verdict whose looks it has."""
    counts = count_verdicts(findings)
    if counts[Verdict.FAIL]:
        return "fail", Verdict.FAIL
    if counts[Verdict.PASS]:
        return "pass" if counts[Verdict.PASS] == len(findings) else "pass in part", Verdict.PASS
    return "nothing decided", Verdict.UNTESTED


def elements_of(findings: Iterable[Finding]) -> str:
    """Return the numbers of elements in short: ``1..5, 7``."""
    return number_ranges([finding.requirement.element for finding in findings if finding.requirement.element is not None])


def in_short(findings: Iterable[Finding]) -> list[str]:
    """Return what a group is of: elements of one array together, and paths whose kinds are all the same with these named once."""
    together: dict[str, list[Finding]] = {}
    for finding in findings:
        together.setdefault(replace(finding.requirement, element=None).id, []).append(finding)
    names = {id: (f"[{found.replace(', ', ',')}]" if (found := elements_of(alike)) else "") for id, alike in together.items()}
    kinds: dict[str, list[str]] = {}
    for id, elements in names.items():
        kind, _, path = id.partition("/")
        kinds.setdefault(path + elements, []).append(kind)
    sets = {tuple(found) for found in kinds.values()}
    if len(sets) == 1 and len(next(iter(sets))) > 1:
        *paths, last = kinds
        return [*paths, f"{last}: {', '.join(next(iter(sets)))}"]
    return [id + elements for id, elements in names.items()]
