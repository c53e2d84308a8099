"""How finely a field moves (`granularity`), and registers that hold still while another one is read (`holds`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from itertools import pairwise
from math import gcd, lcm
from typing import Any

import numpy as np

from regcheck.checks.accumulator import Spot
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.judge import Judge
from regcheck.checks.pairing import Array
from regcheck.checks.rule_record import GOOD, Book, Series
from regcheck.checks.wording import plain, times, worded
from regcheck.codec.columns import FieldId
from regcheck.codec.readings import time_text
from regcheck.device_map.limits import Term
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope
from regcheck.device_map.units import convert

DISTINCT = 8
"""So many different values must have been reported before their common step says anything (ours)."""


def granularity_findings(register_map: RegisterMap, books: Sequence[Book], judges: Mapping[FieldId, Judge]) -> Iterator[Finding]:
    """Give a finding for each field with a `granularity`: the device must tell apart values that lie no farther apart than that."""
    done: set[tuple[str, str]] = set()
    for message in register_map.messages:
        for item in message.all_fields():
            if item.granularity is None or (item.message, item.name) in done:
                continue
            done.add((item.message, item.name))
            ids = {id for book in books for id in book.by_id if (id.message, id.field) == (item.message, item.name)}
            for id in sorted(ids, key=lambda one: (one.instance, one.element or 0)) or [FieldId(item.message, item.name)]:
                found = [book.series(id.message, id.field, id.element, id.instance) for book in books]
                series = [one for one in found if one is not None]
                yield _finding(register_map, message, item, id, series, books, judges.get(id))


def _sizes(
    register_map: RegisterMap, message: Message, item: Field, books: Sequence[Book], instance: str
) -> tuple[Fraction, Fraction] | str:
    """Return the least and the most that the granularity may be; the field that it is a share of where that was never read."""
    assert item.granularity is not None  # noqa: S101 - asked for such fields alone
    low = high = Fraction(0)
    for term in item.granularity.high:
        sizes = [_size(term, item, None)]
        if term.kind == "field" and term.field is not None:
            own = MapScope(register_map, message).resolve(term.field)
            found = [] if own is None else [book.series(own.message, own.name, None, instance) for book in books]
            values = {float(value) for one in found if one is not None for value in one.values[np.isfinite(one.values)]}
            if not values:
                return ".".join(term.field.parts)
            sizes = [_size(term, item, abs(Fraction(value))) for value in values]
        low, high = low + min(sizes), high + max(sizes)
    return low, high


def _size(term: Term, item: Field, value: Fraction | None) -> Fraction:
    if term.kind == "field":
        return term.amount * (value or 0)
    if term.kind == "lsb":
        scale = item.meanings[0].scale.constant()
        return term.amount * abs(scale) if scale is not None else Fraction(0)
    if term.kind == "range":
        return next((term.amount * (case.item.high - case.item.low) for case in item.range if case.item is not None), Fraction(0))
    if term.unit is not None and item.unit is not None and term.unit != item.unit:
        return convert(term.amount, term.unit, item.unit, difference=True)
    return term.amount


def _values(series: Sequence[Series], unit: object) -> list[Fraction]:
    """Return every different good value that was reported in the field's unit, exact, ascending."""
    found: set[Fraction] = set()
    for one in series:
        for number, meaning in enumerate(one.meanings):
            if meaning.unit == unit and meaning.linear:
                raws = np.unique(one.raw[(one.status == GOOD) & (one.meaning == number)])
                found |= {meaning.exact(int(raw)) for raw in raws.tolist()}
    return sorted(found)


def _common(values: Sequence[Fraction]) -> Fraction:
    """Return the largest step of which every difference is a whole multiple."""
    differences = [value - values[0] for value in values[1:]]
    den = lcm(*(one.denominator for one in differences))
    return Fraction(gcd(*(int(one * den) for one in differences)), den)


def _finding(
    register_map: RegisterMap, message: Message, item: Field, id: FieldId, series: Sequence[Series], books: Sequence[Book],
    judge: Judge | None,
) -> Finding:  # fmt: skip
    place = item.given_keys.get("granularity", item.place)
    requirement = Requirement("granularity", item.message, item.name, id.element, id.instance, place)
    name, unit = requirement.path, str(item.unit or "")
    values = _values(series, item.unit)
    if not values:
        return Finding(requirement, Verdict.UNTESTED, f"{name} was never read with a good value", "no_reading", "read it in the capture")
    if item.granularity is not None and any(term.kind == "reading" for term in item.granularity.high):
        says, remedy = f"the granularity of {name} is a share of the reading", "this version does not judge granularities of this form"
        return Finding(requirement, Verdict.UNTESTED, says, "not_judged_yet", remedy)
    sizes = _sizes(register_map, message, item, books, id.instance)
    if isinstance(sizes, str):
        says = f"the granularity of {name} is a share of {sizes}, which the capture never shows"
        return Finding(requirement, Verdict.UNTESTED, says, "limit_unknown", f"read {sizes} in the capture")
    low, high = sizes
    evidence: dict[str, Any] = {"unit": unit or None, "granularity": plain(float(low)), "values": len(values)}
    finest = min((b - a for a, b in pairwise(values)), default=None)
    if finest is not None:
        evidence["finest_step"] = plain(float(finest))
    if finest is not None and finest <= low:
        says = f"{name} moved in steps of {worded(float(finest), unit, 6)} where {worded(float(low), unit, 6)} is asked"
        return Finding(requirement, Verdict.PASS, says, evidence=evidence)
    remedy = "move it slowly, by less than its granularity from one hold to the next"
    if finest is None or len(values) < DISTINCT:
        says = f"{name} took only {len(values)} different values: nothing shows how finely it moves"
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", remedy, evidence)
    common = _common(values)
    evidence["common_step"] = plain(float(common))
    says = f"every value of {name} lies on a grid of {worded(float(common), unit, 6)} where {worded(float(low), unit, 6)} is asked"
    applied = judge.holds.value if judge is not None else np.zeros(0)
    if common > high and _off_grid(applied[np.isfinite(applied)], float(common)) > float(common) / 4:
        return Finding(requirement, Verdict.FAIL, says + ", though what was applied does not", evidence=evidence)
    if common <= low:
        says = f"{name} never moved by as little as {worded(float(low), unit, 6)}: {worded(float(finest), unit, 6)} was the finest step"
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", remedy, evidence)
    return Finding(requirement, Verdict.UNDECIDED, says + "; so may what it measured", "applied_on_grid", remedy, evidence)


def _off_grid(applied: Array, step: float) -> float:
    """Return how far the applied values lie off a common grid of a step: the least arc that takes in their remainders."""
    if len(applied) < DISTINCT:
        return 0.0
    rest = np.sort(np.mod(applied, step))
    gaps = np.diff(np.append(rest, rest[0] + step))
    return float(step - gaps.max())


# registers that another one's reading freezes


def holding_findings(register_map: RegisterMap, books: Sequence[Book]) -> Iterator[Finding]:
    """Give a finding for each register that holds another one: between two of its reads every read of the other one is alike."""
    for message in register_map.messages:
        held = register_map.message(message.holds) if message.holds else None
        if held is not None:
            yield _held_finding(message, held, books)


def _held_finding(message: Message, held: Message, books: Sequence[Book]) -> Finding:
    requirement = Requirement("holds", message.name, place=message.given_keys.get("holds", message.place))
    compared = moved = wrong = 0
    first: Spot | None = None
    for book in books:
        for instance in book.instances({message.name}):
            start, _, _ = book.message_times(message.name, instance)
            for item in held.all_fields():
                series = book.series(held.name, item.name, None, instance)
                if series is None:
                    continue
                good = series.status == GOOD
                time, raw, place = series.time[good], series.raw[good], series.place[good]
                since = np.searchsorted(start, time, side="right")
                together = (since[1:] == since[:-1]) & (since[1:] > 0)
                differs = raw[1:] != raw[:-1]
                compared += int(together.sum())
                moved += int((differs & ~together).sum())
                broken = np.flatnonzero(together & differs)
                wrong += len(broken)
                if len(broken) and first is None:
                    first = Spot(int(time[broken[0] + 1]), book.stretch[0], int(place[broken[0] + 1]))
    evidence: dict[str, Any] = {"compared": compared, "changed_in_between": wrong, "changed_after_a_read": moved}
    name, other = message.name, held.name
    if first is not None:
        evidence["first"] = first.as_json()
        when = f"first at {time_text(first.time_ns)} s"
        says = f"reading {name} must freeze {other}, but it changed {times(wrong)} before {name} was read again, {when}"
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
    if not compared:
        says = f"{other} was never read twice after one read of {name}"
        return Finding(requirement, Verdict.UNTESTED, says, "never_compared", f"read {name}, then {other} twice", evidence)
    if not moved:
        says = f"{other} never changed: one that is not frozen would look the same"
        return Finding(requirement, Verdict.UNTESTED, says, "not_moved", f"let {other} change between two reads of {name}", evidence)
    says = f"{other} stayed as it was in all {compared} reads before {name} was read again"
    return Finding(requirement, Verdict.PASS, says, evidence=evidence)
