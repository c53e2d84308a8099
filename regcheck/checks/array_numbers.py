"""Which elements of an array must appear (`fitted`), and which of several like devices: what a trial or a map says is there."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.rule_names import fitted_fields
from regcheck.checks.rule_record import GOOD, NOT_FITTED, Book
from regcheck.device_map.expression_tree import Name
from regcheck.device_map.model import Field, RegisterMap
from regcheck.device_map.scope import MapScope

SHOWN = 8
"""Missing elements that a sentence lists."""

ROUNDS = 2
"""So often must every other element of a paged array have come before one is said to be missing."""


def fitted_findings(register_map: RegisterMap, books: Sequence[Book], required: Mapping[str, Sequence[str]]) -> Iterator[Finding]:
    """Give a finding for each array of each device whose `fitted` says which numbers must appear."""
    for item in fitted_fields(register_map):
        seen = [one for book in books for one in book.instances({item.message}) if any(part.message == item.message for part in book.parts)]
        for instance in list(dict.fromkeys((*required.get(item.message, ()), *seen))) or [""]:
            yield _finding(register_map, item, books, instance)


def _last(register_map: RegisterMap, item: Field, books: Sequence[Book], instance: str) -> int | None:
    """Return the last number that must appear: the least that the device ever said, None where it said none."""
    assert item.fitted is not None  # noqa: S101 - asked for such arrays alone
    constant = item.fitted.constant()
    if constant is not None:
        return int(constant)
    root = item.fitted.root
    if not isinstance(root, Name):
        return None
    own = MapScope(register_map, register_map.message(item.message)).resolve(root)
    found = [] if own is None else [book.series(own.message, own.name, None, instance) for book in books]
    values = [one.values[np.isfinite(one.values)] for one in found if one is not None]
    known = [int(one.min()) for one in values if len(one)]
    return min(known, default=None)


def _finding(register_map: RegisterMap, item: Field, books: Sequence[Book], instance: str) -> Finding:
    assert item.fitted is not None  # noqa: S101 - asked for such arrays alone
    requirement = Requirement("fitted", item.message, item.name, instance=instance, place=item.given_keys.get("fitted", item.place))
    last, name = _last(register_map, item, books, instance), requirement.path
    counts: dict[int, int] = {}
    refused: set[int] = set()
    for book in books:
        for number in book.element_numbers(item.message, item.name, instance):
            series = book.series(item.message, item.name, number, instance)
            if series is None or not len(series.status):
                continue
            counts[number] = counts.get(number, 0) + len(series.status)
            if (series.status == NOT_FITTED).all():
                refused.add(number)
            elif (series.status == GOOD).any():
                refused.discard(number)
    evidence: dict[str, Any] = {"fitted": last, "seen": len(counts) - len(refused)}
    if not counts:
        return Finding(requirement, Verdict.UNTESTED, f"{name} was never read", "no_reading", "read it in the capture", evidence)
    if last is None:
        is_formula = not isinstance(item.fitted.root, Name)
        says = f"how many of {name} are fitted is not known: {item.fitted.text} was never good"
        if is_formula:
            remedy = "this version judges a number or a field"
            return Finding(
                requirement, Verdict.UNTESTED, f"{name} was not judged: {item.fitted.text} is a formula", "not_judged_yet", remedy
            )
        return Finding(requirement, Verdict.UNTESTED, says, "count_unknown", f"read {item.fitted.text} in the capture", evidence)
    first = item.each.first if item.each is not None and item.each.number is None else min(1, *counts)
    wanted = range(first, last + 1)
    missing = [number for number in wanted if number not in counts]
    empty = [number for number in wanted if number in refused]
    evidence |= {"missing": missing[:100], "said_not_fitted": empty[:100]}
    if empty:
        says = f"{name} must have {last} elements, but says that {_listed(empty)} {'is' if len(empty) == 1 else 'are'} not fitted"
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
    if missing:
        says = f"{name} must have {last} elements, but {_listed(missing)} never came"
        paged = item.each is None or item.each.number is not None or not item.each.step
        if paged and min(counts.values()) < ROUNDS:
            remedy = "record until every element has come twice"
            return Finding(requirement, Verdict.UNDECIDED, f"{says}: the capture is short", "too_short", remedy, evidence)
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
    return Finding(requirement, Verdict.PASS, f"{name} has all of its {len(wanted)} elements", evidence=evidence)


def _listed(numbers: Sequence[int]) -> str:
    more = f" and {len(numbers) - SHOWN} more" if len(numbers) > SHOWN else ""
    return ", ".join(map(str, numbers[:SHOWN])) + more


def device_findings(fitted: Sequence[str], seen: frozenset[str], *, anything: bool) -> Iterator[Finding]:
    """Give a finding for each like device that the trial says is fitted: was it heard? ``seen`` are those that were, at any name."""
    for device in fitted:
        requirement = Requirement("fitted", device)
        if device in seen:
            yield Finding(requirement, Verdict.PASS, f"{device} was heard", evidence={"heard": True})
        elif anything:
            says = f"{device} is fitted, as the trial says, but nothing of it was heard"
            yield Finding(requirement, Verdict.FAIL, says, evidence={"heard": False})
        else:
            says = f"nothing was heard of {device}, nor of any other device"
            remedy = "is it the right capture, and the right map?"
            yield Finding(requirement, Verdict.UNTESTED, says, "no_reading", remedy, {"heard": False})
