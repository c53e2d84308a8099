"""What a value must be under conditions: ranges with `when`, and `must_be` given as a formula of other fields."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.decision import raw_limits
from regcheck.checks.finding import Finding, Requirement, Verdict
from regcheck.checks.limits_at import compared_fields, limit_fields, state_parts, whens
from regcheck.checks.state_conditions import (
    IN_DOUBT,
    UNKNOWN,
    Facts,
    element_numbers,
    element_path,
    facts_of,
    naming_of,
    paths_of,
    why_refused,
)
from regcheck.checks.values import never_read, tallies_of, value_requirement
from regcheck.checks.wording import plain, worded
from regcheck.codec.columns import FieldColumn, FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.exact_columns import combinations
from regcheck.codec.formulas import Condition, Quantity, condition, quantity
from regcheck.codec.states import States
from regcheck.device_map.expression_tree import Expression
from regcheck.device_map.limits import Conditional
from regcheck.device_map.model import Field, Message, RegisterMap, Span
from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.scope import MapScope

NOT_KNOWN, MOVED, NO_RANGE, OTHER_UNIT = (
    "what it hangs on not known",
    "what it hangs on changed before it was read again",
    "no range holds there",
    "reported in another unit",
)
LOCAL = ("raw", "reported", "length", "last")
NOT_BUILT = "this version does not judge conditions of this form"


@dataclass(slots=True)
class CaseTally:
    """Readings judged by one case, and those that broke it; the one that lies farthest off, with what it should have been."""

    count: int = 0
    wrong: Count = field(default_factory=Count)
    worst: tuple[Fraction, Fraction, Fraction, Spot] | None = None  # how far off (of a formula 0), what was read, what was asked, where

    def then(self, later: CaseTally) -> None:
        """Add a later tally."""
        self.count += later.count
        self.wrong.then(later.wrong)
        if later.worst is not None and (self.worst is None or later.worst[0] > self.worst[0]):
            self.worst = later.worst


@dataclass(slots=True)
class Conditioned:
    """What one field's readings came to by case, and how many were left out for which reason."""

    cases: dict[int, CaseTally] = field(default_factory=dict)
    left_out: dict[str, int] = field(default_factory=dict)

    def leave_out(self, reason: str, count: int) -> None:
        """Count readings that were not judged."""
        if count:
            self.left_out[reason] = self.left_out.get(reason, 0) + count

    def then(self, later: Conditioned) -> None:
        """Add a later tally."""
        for number, tally in later.cases.items():
            self.cases.setdefault(number, CaseTally()).then(tally)
        for reason, count in later.left_out.items():
            self.leave_out(reason, count)

    @property
    def judged(self) -> int:
        """How many readings were judged."""
        return sum(tally.count for tally in self.cases.values())


@dataclass(frozen=True, slots=True, eq=False)
class _Ranged:
    """A field's conditional range, bound."""

    conditions: tuple[Condition | None, ...]
    spans: tuple[Span | None, ...]


def _hangs(item: Field) -> bool:
    return any(case.when is not None for case in item.range)


def _why_not(register_map: RegisterMap, message: Message, item: Field) -> str:
    naming = naming_of(register_map, message, item)
    return why_refused((case.when for case in item.range if case.when is not None), naming, LOCAL) if _hangs(item) else ""


def _why_no_formula(register_map: RegisterMap, message: Message, item: Field) -> str:
    if not isinstance(item.must_be, Expression):
        return ""
    return why_refused([item.must_be], naming_of(register_map, message, item), LOCAL)


def value_paths(register_map: RegisterMap) -> frozenset[str]:
    """Return the states that conditional ranges and formulas of `must_be` hang on."""
    found: set[str] = set()
    for message, item in _fields(register_map):
        naming = naming_of(register_map, message, item)
        bound: list[Condition | Quantity] = []
        if _hangs(item) and not _why_not(register_map, message, item):
            bound += [condition(case.when, naming, timed=True) for case in item.range if case.when is not None]
        if isinstance(item.must_be, Expression) and not _why_no_formula(register_map, message, item):
            bound.append(quantity(item.must_be, naming))
        for one in bound:
            for element in element_numbers(item):
                found |= set(paths_of(one, register_map, message, element, own=False))
    return frozenset(found - {axis.name for axis in register_map.instances})


def limit_paths(register_map: RegisterMap) -> frozenset[str]:
    """Return the states that accuracies hang on: the fields that one is a share of, and those that its conditions name."""
    found: set[str] = set()
    for message, item in _fields(register_map):
        if not item.accuracy:
            continue
        naming = naming_of(register_map, message, item)
        scope = MapScope(register_map, message)
        names = [one.path for one in map(scope.resolve, limit_fields(item)) if one is not None]
        conditions: list[Condition] = []
        if not why_refused(whens(item), naming, ("applied",)):
            names += [one.path for one in map(scope.resolve, compared_fields(item)) if one is not None]
            conditions = [condition(part, naming, timed=True) for part in state_parts(item).values()]
        for element in element_numbers(item) if names or conditions else ():
            found |= {element_path(path, register_map, message, element) for path in names}
            found |= {path for one in conditions for path in paths_of(one, register_map, message, element)}
    return frozenset(found - {axis.name for axis in register_map.instances})


def _fields(register_map: RegisterMap) -> Iterator[tuple[Message, Field]]:
    done: set[tuple[str, str]] = set()  # a field of several layouts is one field
    for message in register_map.messages:
        for item in message.all_fields():
            if (item.message, item.name) not in done:
                done.add((item.message, item.name))
                yield message, item


class ConditionalCheck:
    """Conditional ranges and constants by formula of every field of a map; ``states`` as the capture was decoded by."""

    def __init__(self, register_map: RegisterMap, driven: frozenset[FieldId], source: int, states: States) -> None:
        self.register_map, self.driven, self.source, self.states = register_map, driven, source, states
        self.ranged: dict[tuple[str, str], _Ranged] = {}
        self.formulas: dict[tuple[str, str], Quantity] = {}
        self.ranges: dict[FieldId, Conditioned] = {}
        self.constants: dict[FieldId, Conditioned] = {}
        self._own_states: dict[str, States] = {}
        for message, item in _fields(register_map):
            naming = naming_of(register_map, message, item)
            if _hangs(item) and not _why_not(register_map, message, item):
                conditions = tuple(None if case.when is None else condition(case.when, naming, timed=True) for case in item.range)
                self.ranged[item.message, item.name] = _Ranged(conditions, tuple(case.item for case in item.range))
            if isinstance(item.must_be, Expression) and not _why_no_formula(register_map, message, item):
                self.formulas[item.message, item.name] = quantity(item.must_be, naming)

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        if not self.ranged and not self.formulas:
            return
        for columns in batch.messages:
            if columns.written and "read" in columns.message.access:
                continue
            for id, column in columns.fields.items():
                ranged, formula = (table.get((id.message, id.field)) for table in (self.ranged, self.formulas))
                if ranged is None and formula is None:
                    continue
                if columns.instance not in self._own_states:
                    self._own_states[columns.instance] = self.states.of(columns.instance)
                facts = facts_of(columns, self._own_states[columns.instance], self.register_map, column, id.element)
                if isinstance(ranged, _Ranged):
                    self._range(self.ranges.setdefault(id, Conditioned()), ranged, facts, columns, column)
                if isinstance(formula, Quantity):
                    self._constant(self.constants.setdefault(id, Conditioned()), formula, facts, columns, column)

    def _range(self, tally: Conditioned, ranged: _Ranged, facts: Facts, columns: MessageColumns, column: FieldColumn) -> None:
        rows = np.arange(len(columns.time)) if column.rows is None else column.rows
        pending = column.status == 0
        for number, (when, span) in enumerate(zip(ranged.conditions, ranged.spans, strict=True)):
            truth = np.ones(len(rows), np.int64) if when is None else facts.truth(when)[rows]
            for code, reason in ((UNKNOWN, NOT_KNOWN), (IN_DOUBT, MOVED)):
                tally.leave_out(reason, int((pending & (truth == code)).sum()))
            own = np.flatnonzero(pending & (truth == 1))
            pending = pending & (truth == 0)
            if span is None:
                tally.leave_out(NO_RANGE, len(own))
            elif len(own):
                self._inside(tally, tally.cases.setdefault(number, CaseTally()), span, columns, column, own, rows)
        tally.leave_out(NO_RANGE, int(pending.sum()))

    def _inside(
        self, tally: Conditioned, case: CaseTally, span: Span, columns: MessageColumns, column: FieldColumn, own: NDArray[np.int64],
        rows: NDArray[np.int64],
    ) -> None:  # fmt: skip
        wrong = np.zeros(len(own), np.bool_)
        ends: list[tuple[Fraction, Fraction, int]] = []
        for index, meaning in enumerate(column.meanings):
            here = np.flatnonzero(column.meaning[own] == index)
            if not len(here):
                continue
            if meaning.unit != column.field.unit:
                tally.leave_out(OTHER_UNIT, len(here))
                continue
            raw = column.raw[own[here]]
            case.count += len(here)
            if meaning.linear and meaning.scale:
                low, high = raw_limits(span.low, span.high, meaning.scale, meaning.offset)
                outside = (raw < low) | (raw > high)
            else:
                values = meaning.values(raw)
                outside = (values < float(span.low)) | (values > float(span.high))
            wrong[here[outside]] = True
            for at in {int(raw[outside].argmin()), int(raw[outside].argmax())} if outside.any() else ():
                value = meaning.exact(int(raw[outside][at]))
                ends.append((max(span.low - value, value - span.high), value, int(own[here[outside][at]])))
        first = np.flatnonzero(wrong)[:1]
        case.wrong.add(int(wrong.sum()), self._at(columns, int(rows[own[first[0]]])) if len(first) else None)
        for far, value, row in sorted(ends, key=lambda one: one[2]):
            case.then(CaseTally(worst=(far, value, value - far, self._at(columns, int(rows[row])))))

    def _constant(self, tally: Conditioned, formula: Quantity, facts: Facts, columns: MessageColumns, column: FieldColumn) -> None:
        rows = np.arange(len(columns.time)) if column.rows is None else column.rows
        good = column.status == 0
        wanted = []
        for corner in facts.values(formula.variables):
            codes, found = combinations(corner, facts.count)
            numbers = np.array([None if None in row else formula.of_row(row) for row in found] or [None], object)
            wanted.append(numbers[codes][rows])
        known = good & np.logical_and.reduce([np.array([one is not None for one in values], np.bool_) for values in wanted])
        right = [np.array([one == int(bits) for one, bits in zip(values, column.bits, strict=True)], np.bool_) for values in wanted]
        every, some = np.logical_and.reduce(right), np.logical_or.reduce(right)
        tally.leave_out(NOT_KNOWN, int((good & ~known).sum()))
        tally.leave_out(MOVED, int((known & some & ~every).sum()))
        case = tally.cases.setdefault(0, CaseTally())
        judged, wrong = known & (every | ~some), np.flatnonzero(known & ~some)
        case.count += int(judged.sum())
        case.wrong.add(len(wrong), self._at(columns, int(rows[wrong[0]])) if len(wrong) else None)
        if len(wrong):
            row = int(wrong[0])
            bits, spot = Fraction(int(column.bits[row])), self._at(columns, int(rows[row]))
            case.then(CaseTally(worst=(Fraction(0), bits, wanted[0][row], spot)))

    def _at(self, columns: MessageColumns, row: int) -> Spot:
        return Spot(int(columns.time[row]), self.source, int(columns.place[row]))

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: ConditionalCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for mine, theirs in ((self.ranges, later.ranges), (self.constants, later.constants)):
            for id, tally in theirs.items():
                mine.setdefault(id, Conditioned()).then(tally)

    def findings(self, *, closed: bool) -> Sequence[Finding]:  # noqa: ARG002 - what was seen is final at any time
        """Return a finding for every field with a conditional range or a formula, in the order of the map."""
        found: list[Finding] = []
        for message, item in _fields(self.register_map):
            if "read" not in message.access and message.to is None and not message.fields:
                continue
            key = (item.message, item.name)
            if _hangs(item):
                why = _why_not(self.register_map, message, item)
                for id, tally in tallies_of(self.ranges, item, self.driven, Conditioned()):
                    requirement = value_requirement("range", item, id, "range")
                    found.append(_refused(requirement, why) if why else _range_finding(requirement, item, self.ranged[key], tally))
            if isinstance(item.must_be, Expression):
                why = _why_no_formula(self.register_map, message, item)
                for id, tally in tallies_of(self.constants, item, self.driven, Conditioned()):
                    requirement = value_requirement("constant", item, id, "must_be")
                    found.append(_refused(requirement, why) if why else _constant_finding(requirement, item.must_be.text, tally))
        return found


def _refused(requirement: Requirement, why: str) -> Finding:
    return Finding(requirement, Verdict.UNTESTED, f"{requirement.path} was not judged: it has {why}", "not_judged_yet", NOT_BUILT)


def _lacking(requirement: Requirement, tally: Conditioned, evidence: Mapping[str, Any]) -> Finding:
    """Return why nothing was judged."""
    count = sum(tally.left_out.values())
    if not count:
        return never_read(requirement)
    reasons = ", ".join(f"{number} {reason}" for reason, number in sorted(tally.left_out.items()))
    if set(tally.left_out) <= {NOT_KNOWN, MOVED}:
        reason, remedy = "state_unknown", "read what it hangs on before and after it"
    else:
        reason, remedy = "no_case", "bring the device into a state in which something is required of it"
    return Finding(requirement, Verdict.UNTESTED, f"none of the {count} readings of {requirement.path} could be judged: {reasons}", reason, remedy, evidence)  # fmt: skip  # noqa: E501


def _range_finding(requirement: Requirement, item: Field, ranged: _Ranged, tally: Conditioned) -> Finding:
    unit = str(item.unit or "")
    cases = []
    for number, (case, span) in enumerate(zip(item.range, ranged.spans, strict=True)):
        if span is None:
            continue
        own = tally.cases.get(number, CaseTally())
        cases.append({
            "when": case.when.text if case.when is not None else None, "readings": own.count, "outside": own.wrong.number,
            "range_low": plain(float(span.low)), "range_high": plain(float(span.high)),
            "first": own.wrong.first.as_json() if own.wrong.first is not None else None,
        })  # fmt: skip
    evidence = {"unit": unit or None, "readings": tally.judged, "cases": cases, "left_out": dict(sorted(tally.left_out.items()))}
    if not tally.judged:
        return _lacking(requirement, tally, evidence)
    broken = {number: one for number, one in tally.cases.items() if one.worst is not None}
    if broken:
        number, one = max(broken.items(), key=lambda pair: (pair[1].worst[0] if pair[1].worst else 0, -pair[0]))
        assert one.worst is not None  # noqa: S101 - only such were taken
        says = (
            f"{requirement.path} left its range {_limits(ranged.spans[number], unit)}{_under(item.range[number])}: "
            f"{worded(float(one.worst[1]), unit, 6)} was reported, {one.wrong.number} of {one.count} readings lie outside"
        )
        return Finding(requirement, Verdict.FAIL, says, evidence=evidence | {"worst": {"value": plain(float(one.worst[1]))} | one.worst[3].as_json()})  # fmt: skip  # noqa: E501
    met = [number for number, one in tally.cases.items() if one.count]
    within = " and ".join(f"{_limits(ranged.spans[number], unit)}{_under(item.range[number])}" for number in sorted(met))
    never = [_under(item.range[number]).strip() for number, span in enumerate(ranged.spans) if span is not None and number not in met]
    says = f"{requirement.path} stayed within {within}, in {tally.judged} readings" + (f"; never seen {', '.join(never)}" if never else "")
    return Finding(requirement, Verdict.PASS, says, evidence=evidence)


def _limits(span: Span | None, unit: str) -> str:
    return "" if span is None else f"{format_fraction(span.low)} .. {format_fraction(span.high)}" + (f" {unit}" if unit else "")


def _under(case: Conditional[Span]) -> str:
    return f" when {case.when.text}" if case.when is not None else " otherwise"


def _constant_finding(requirement: Requirement, formula: str, tally: Conditioned) -> Finding:
    case = tally.cases.get(0, CaseTally())
    evidence: dict[str, Any] = {
        "readings": case.count, "wrong": case.wrong.number, "formula": formula, "left_out": dict(sorted(tally.left_out.items())),
    }  # fmt: skip
    if not case.count:
        return _lacking(requirement, tally, evidence)
    if case.worst is None:
        said = f"{requirement.path} always was {formula}, in {case.count} readings"
        return Finding(requirement, Verdict.PASS, said, evidence=evidence)
    _, raw, expected, spot = case.worst
    evidence["first"] = {"raw": int(raw), "expected": plain(float(expected))} | spot.as_json()
    says = (
        f"{requirement.path} must be {formula}, {format_fraction(expected)} where it first was not, "
        f"but read {int(raw)} there; wrong in {case.wrong.number} of {case.count} readings"
    )
    return Finding(requirement, Verdict.FAIL, says, evidence=evidence)
