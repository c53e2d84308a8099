"""Everything about one field that stands before its readings are judged: applied curve, limits, thresholds, all in whole quanta."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.admission import Holds, holds
from regcheck.bench.applied import AppliedField
from regcheck.bench.calm import Calm, Sight, Slices, slices
from regcheck.bench.curves import KNOWN, AppliedCurve
from regcheck.checks.decision import BOUND, Acceptance, acceptance, decimal_quantum, to_quanta
from regcheck.checks.limits_at import (
    Given,
    SegmentLimits,
    compared_fields,
    counts_steps,
    limit_fields,
    segment_limits,
    state_parts,
    statistic,
    whens,
    why_not_judged,
)
from regcheck.checks.state_conditions import IN_DOUBT, UNKNOWN, element_path, facts_at, naming_of, paths_of, why_refused
from regcheck.codec.columns import FieldId
from regcheck.codec.exact_columns import Exact, combinations
from regcheck.codec.formulas import Condition, condition
from regcheck.codec.states import States
from regcheck.device_map.model import Field, FieldType, Message, RegisterMap
from regcheck.device_map.scope import MapScope


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Limits and thresholds of every segment of the applied curve, for one set of values of the fields that the limit is a share of.

    ``acceptance`` holds thresholds of the error, int64 quanta.
    """

    limits: SegmentLimits
    acceptance: Acceptance


@dataclass(frozen=True, slots=True, eq=False)
class Judge:
    """How readings of one field are judged, in any capture. Times in ns, on the bench's clock.

    ``tables`` has an entry for each set of values that the fields were seen with of which the limit is a share;
    ``lacking`` names those fields where they were never seen; ``by_step``: the limit counts in steps of this size.
    ``refused`` says what of the accuracy's conditions is not judged: there are no tables then.
    ``calm`` is where the curve stands still, ``level`` i8[m] quanta its value there.
    """

    id: FieldId
    field: Field
    applied: AppliedField
    holds: Holds
    settle_ns: int
    latency_ns: int
    warm_up_ns: int
    quantum: Fraction
    step: float
    tables: tuple[Table, ...]
    draws: int
    statistic: str | Fraction
    lacking: tuple[str, ...] = ()
    by_step: bool = False
    refused: str = ""
    calm: Calm = dataclass_field(init=False)
    level: NDArray[np.int64] = dataclass_field(init=False)

    def __post_init__(self) -> None:
        calm = Calm.of(self.curve, self.holds, self.settle_ns, self.latency_ns, self.warm_up_ns)
        object.__setattr__(self, "calm", calm)
        object.__setattr__(self, "level", to_quanta(np.where(calm.calm, self.curve.after, 0.0), self.quantum))

    def slices(self, sight: Sight) -> Slices:
        """Return which messages may be judged."""
        return slices(self.curve, self.calm, sight, self.settle_ns, self.latency_ns, self.warm_up_ns)

    @property
    def curve(self) -> AppliedCurve:
        """What the bench applied, in the field's unit, over bench time."""
        return self.applied.curve

    def expected_quanta(self) -> NDArray[np.int64]:
        """Return the applied value of each hold, int64 quanta."""
        return to_quanta(self.holds.value, self.quantum)


def field_step(field: Field) -> Fraction:
    """Return the size of one count in the field's unit; 0 where it varies over the range."""
    meaning = field.meanings[0]
    if meaning.points or meaning.convert is not None or meaning.type in (FieldType.FLOAT, FieldType.LINEAR11):
        return Fraction(0)
    scale = meaning.scale.constant()
    return abs(scale) if scale is not None else Fraction(0)


@dataclass(frozen=True, slots=True, eq=False)
class TableTimes:
    """Which table of a judge holds when, in one capture: ``table[k]`` from ``since[k]`` on (capture ns).

    NO_VALUE while a field that the limit is a share of is not known; NO_STATE while a condition is not; MOVED where what a condition
    hangs on changed before it was read again, and that matters.
    """

    since: NDArray[np.int64]
    table: NDArray[np.int64]

    def at(self, time: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return the table at each time."""
        return np.asarray(self.table[np.searchsorted(self.since, time, side="right") - 1])


FOREVER = np.array([np.iinfo(np.int64).min])

NO_VALUE, NO_STATE, MOVED = -1, -2, -3
"""In place of a table: see TableTimes."""

ValueSet = tuple[tuple[Fraction, ...], tuple[bool, ...]]
"""Values of the fields that limits and conditions take, and truths of conditions."""


def _table_times(
    paths: tuple[str, ...], conditions: Sequence[Condition], field: Field, id: FieldId, register_map: RegisterMap,
    captures: Sequence[States],
) -> tuple[list[TableTimes], list[ValueSet]]:  # fmt: skip
    """Return for each capture from when on which set of values and truths holds, and the distinct sets."""
    if not paths and not conditions:
        return [TableTimes(FOREVER, np.zeros(1, np.int64)) for _ in captures], [((), ())]
    message = register_map.message(field.message)
    assert message is not None  # noqa: S101 - the field came out of this map
    sets: dict[ValueSet, int] = {}
    times = []
    for states in captures:
        since = _moments(paths, conditions, message, id.element, register_map, states)
        facts = facts_at(states, since, register_map, field, id.element, id.instance)
        values = [states.at(path, since) for path in paths]
        truths = [Exact.of_integers(facts.truth(one)) for one in conditions]
        codes, rows = combinations([*values, *truths], len(since))
        table = []
        for row in rows:
            own, held = row[: len(paths)], [int(one or 0) for one in row[len(paths) :]]
            lacking = NO_VALUE if None in own else NO_STATE if UNKNOWN in held else MOVED if IN_DOUBT in held else 0
            key = tuple(value for value in own if value is not None), tuple(map(bool, held))
            table.append(lacking or sets.setdefault(key, len(sets)))
        times.append(TableTimes(since, np.array(table, np.int64)[codes]))
    return times, list(sets)


def _moments(
    paths: tuple[str, ...], conditions: Sequence[Condition], message: Message, element: int | None, register_map: RegisterMap,
    states: States,
) -> NDArray[np.int64]:  # fmt: skip
    """Return every time at which a value may differ from before: each entry and, where a condition counts, right after it."""
    found = [FOREVER, *(states.timelines[path].time for path in paths if path in states.timelines)]
    for one in conditions:
        own = [path for path in paths_of(one, register_map, message, element) if path in states.timelines]
        entries = np.concatenate([FOREVER, *(states.timelines[path].time for path in own)])[1:]
        found += [entries, entries + 1, *(entries + duration_ns for _, _, duration_ns in one.lasting)]
    return np.unique(np.concatenate(found))


def make_judge(
    id: FieldId,
    applied: AppliedField,
    register_map: RegisterMap,
    captures: Sequence[States],
    *,
    settle_ns: int,
    latency_ns: int,
    warm_up_ns: int,
) -> tuple[Judge, list[TableTimes]]:
    """Return the judge of one field or element, and for each capture when which of its tables holds."""
    field, curve = applied.field, applied.curve
    message = register_map.message(field.message)
    assert message is not None  # noqa: S101 - the field came out of this map
    step = field_step(field)
    names = (*limit_fields(field), *compared_fields(field))
    scope, naming = MapScope(register_map, message), naming_of(register_map, message, field)
    resolved = [(name, scope.resolve(name)) for name in names]
    paths = tuple(element_path(found.path, register_map, message, id.element) for _, found in resolved if found is not None)
    refused = why_not_judged(field) or why_refused(whens(field), naming, ("applied",))
    parts = {} if refused else state_parts(field)
    conditions = [condition(part, naming, timed=True) for part in parts.values()]
    times, sets = _table_times(paths, conditions, field, id, register_map, captures)
    lacking = tuple(path for path in paths if not any(path in states.timelines for states in captures)) if not sets else ()
    if refused:
        sets = []
    names = tuple(name for name, found in resolved if found is not None)
    givens = [Given(dict(zip(names, values, strict=True)), dict(zip(parts, truths, strict=True))) for values, truths in sets]
    all_limits = [segment_limits(field, curve, register_map, message, float(step), given) for given in givens]
    quantum = _quantum(step, curve, all_limits)
    draws = max(int((curve.state == KNOWN).sum()), 1)
    tables = tuple(
        Table(
            limits,
            acceptance(
                limits.pass_low, limits.pass_high, curve.u_s, curve.u_r, draws, outer_low=limits.fail_low, outer_high=limits.fail_high
            ).in_quanta(quantum),
        )
        for limits in all_limits
    )
    judge = Judge(
        id=id,
        field=field,
        applied=applied,
        holds=holds(curve),
        settle_ns=settle_ns,
        latency_ns=latency_ns,
        warm_up_ns=warm_up_ns,
        quantum=quantum,
        step=float(step),
        tables=tables,
        draws=draws,
        statistic=statistic(field),
        lacking=lacking,
        by_step=counts_steps(field),
        refused=refused,
    )
    return judge, times


DUST = 1e-14
"""A limit or an uncertainty below this share of the largest applied value is what doubles leave of a zero, and sets no quantum."""


def _quantum(step: Fraction, curve: AppliedCurve, all_limits: Sequence[SegmentLimits]) -> Fraction:
    """Return the decimal quantum that a field's errors are counted in (verdicts, rule 5)."""
    values = np.abs(np.concatenate([curve.after, curve.before]))
    largest = float(np.max(values[np.isfinite(values)], initial=0.0))
    dust = largest * DUST
    sizes: list[float | Fraction] = [step]
    for limits in all_limits:
        for bound in (limits.pass_high[limits.judged], -limits.pass_low[limits.judged]):
            sizes += [float(bound[bound > dust].min())] if (bound > dust).any() else []
    u = np.hypot(curve.u_s, curve.u_r)[curve.state == KNOWN]
    sizes += [float(u[u > dust].min())] if (u > dust).any() else []
    quantum = decimal_quantum(*sizes) if any(sizes) else Fraction(1, 10**6)
    while Fraction(largest) > BOUND * quantum:
        quantum *= 10
    return quantum


def siblings(judges: Sequence[Judge]) -> Mapping[FieldId, tuple[Judge, ...]]:
    """Return for each judge those that it could be swapped with: elements of one array, fields alike but for a number in their names."""
    groups: dict[tuple[str, str], list[Judge]] = {}
    for judge in judges:
        stem = judge.field.name.rstrip("0123456789")
        numbered = judge.id.element is not None or stem != judge.field.name
        if numbered:
            key = (f"{judge.field.message}.{judge.field.name}", "") if judge.id.element is not None else (stem, str(judge.field.unit))
            groups.setdefault(key, []).append(judge)
    return {judge.id: tuple(other for other in group if other is not judge) for group in groups.values() for judge in group}
