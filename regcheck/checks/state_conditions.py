"""Conditions on what a device said of itself: the one way in which `when` is judged for accuracy, ranges, cadences and formulas.

A variable is worth its latest good value at or before an instant. Where the next value differs, it may have changed before the
instant: the condition is then judged with both, and in doubt where they disagree (verdicts, rule 15).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

import numpy as np
from numpy.typing import NDArray

from regcheck.codec.columns import FieldColumn, FieldId, MessageColumns
from regcheck.codec.exact_columns import Exact, combinations
from regcheck.codec.formulas import Condition, Naming, Quantity
from regcheck.codec.states import States, absolute, column_numbers
from regcheck.device_map.expression_tree import Call, Expression, Number, walk
from regcheck.device_map.expressions import FOLDS
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope, UnknownNameError

UNKNOWN, IN_DOUBT = -1, -2
"""In place of a truth of 0 or 1: a value is not known yet, or not good; it changed before it was read again, and that matters."""

MOST_BYTES = 255
"""Of a message, as far as elements of an array without an end are looked for: a block's most (SMBus 3.1, clause 6.5.7)."""

MOST_CORNERS = 4
"""Variables that changed are combined each way up to so many; beyond, all of them before and all of them after."""


def element_path(variable: str, register_map: RegisterMap, message: Message, element: int | None) -> str:
    """Return a variable with its element: without an index, another array field is its element of the same number."""
    if element is None or "[" in variable:
        return variable
    name, mark, view = variable.partition("#")
    if name.startswith("."):
        found = [field for field in message.all_fields() if field.name == name[1:]]
    else:
        found = register_map.find_fields(tuple(name.split(".")))
    is_array = bool(found) and found[0].each is not None
    return f"{name}[{element}]{mark}{view}" if is_array else variable


def element_numbers(item: Field) -> list[int | None]:
    """Return every number that an element of a field may have, as far as the map tells; None for a field that is no array."""
    each = item.each
    if each is None:
        return [None]
    last = each.last.constant() if each.last is not None else None
    end = int(last) if last is not None else each.first + 8 * MOST_BYTES // max(each.step, 1)
    return list(range(each.first, end + 1)) if each.number is None else []


def paths_of(
    condition: Condition | Quantity, register_map: RegisterMap, message: Message, element: int | None, *, own: bool = True
) -> Iterator[str]:
    """Give the states that a condition or formula hangs on; without ``own``, not the message's own fields outside a `for`."""
    lasting = condition.lasting if isinstance(condition, Condition) else ()
    timed = {name for name, _, _ in lasting}
    for name in condition.variables:
        if name not in timed and (own or not name.startswith(".")):
            yield absolute(element_path(name, register_map, message, element), message)
    for _, inner, _ in lasting:
        yield from paths_of(inner, register_map, message, element)


def naming_of(register_map: RegisterMap, message: Message, item: Field | None = None) -> Naming:
    """Return how the names of a message's conditions become variables: instance names, `each` and a reading's own value are local."""
    names = [axis.name for axis in register_map.instances]
    if item is not None and item.each is not None and item.each.variable:
        names.append(item.each.variable)
    return Naming(register_map, message, tuple(names))


def why_refused(expressions: Iterable[Expression], naming: Naming, allowed: Sequence[str] = ()) -> str:
    """Return what of some conditions or formulas cannot be judged by the state of a device; "" where all of it can.

    ``allowed`` are local names that the caller gives.
    """
    scope = MapScope(naming.register_map, naming.message, dict.fromkeys((*naming.local_names, *allowed)))
    for when in expressions:
        if any(isinstance(node, Call) and node.function in FOLDS for node in walk(when.root)):
            return f"a function of a whole array in '{when.text}'"
        for name in when.names():
            if name.index is not None and not isinstance(name.index, Number):
                return f"an element named by a formula in '{when.text}'"
            if len(name.parts) == 1 and name.parts[0] in OWN and name.parts[0] not in allowed:
                return f"`{name.parts[0]}` in '{when.text}'"
            try:
                found = scope.resolve(name)
            except UnknownNameError:
                continue  # a label
            if found is None and name.parts[0] in naming.register_map.values:
                return f"the joined value '{name.parts[0]}' in '{when.text}'"
    return ""


OWN = ("applied", "reported", "raw", "length", "last")
"""Local words: what the bench applied, and what one reading and its message are."""


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What is known at n instants: the value of a variable, and its next one where it may have changed already."""

    count: int
    value: Callable[[str, bool], Exact]  # a variable (or one that stands for a `for`), whether the next one is asked for
    lasted: Callable[[Condition, int, bool], Exact]

    def values(self, variables: Sequence[str], lasting: Sequence[tuple[str, Condition, int]] = ()) -> list[list[Exact]]:
        """Return the variables' values at every corner: as they were last, and in each way in which some may have changed."""
        timed = {name: (inner, duration_ns) for name, inner, duration_ns in lasting}

        def one(name: str, following: bool) -> Exact:
            return self.lasted(*timed[name], following) if name in timed else self.value(name, following)

        now = [one(name, False) for name in variables]
        later = [one(name, True) for name in variables]
        moved = [number for number, (a, b) in enumerate(zip(now, later, strict=True)) if not same(a, b)]
        ways = product((False, True), repeat=len(moved)) if len(moved) <= MOST_CORNERS else [(False,) * len(moved), (True,) * len(moved)]
        found = []
        for way in ways:
            chosen = dict(zip(moved, way, strict=True))
            found.append([later[number] if chosen.get(number) else now[number] for number in range(len(now))])
        return found

    def truth(self, when: Condition) -> NDArray[np.int64]:
        """Return whether a condition holds at each instant: 1, 0, UNKNOWN or IN_DOUBT."""
        truths = []
        for corner in self.values(when.variables, when.lasting):
            codes, rows = combinations(corner, self.count)
            truths.append(np.array([when.verdict(row) for row in rows] or [0], np.int64)[codes])
        out = truths[0].copy()
        for other in truths[1:]:
            out[(out >= 0) & (other >= 0) & (out != other)] = IN_DOUBT
        return out


def same(one: Exact, other: Exact) -> bool:
    """Return whether two columns hold the same values."""
    if one is other or (one.values == other.values and np.array_equal(one.codes, other.codes)):
        return True
    table = {value: number for number, value in enumerate(dict.fromkeys((*one.values, *other.values)))}
    first, second = (np.array([table[value] for value in column.values], np.int64)[column.codes] for column in (one, other))
    return np.array_equal(first, second)


def facts_at(states: States, times: NDArray[np.int64], register_map: RegisterMap, item: Field, element: int | None, instance: str) -> Facts:
    """Return what a device's state was at some times, for conditions of one field; its message's other fields are state, too."""
    message = register_map.message(item.message)
    assert message is not None  # noqa: S101 - the field came out of this map

    def value(name: str, following: bool) -> Exact:
        if item.each is not None and name == item.each.variable:
            return Exact.constant(None if element is None else Fraction(element), len(times))
        number = instance_number(instance, name)
        if number is not None:
            return Exact.constant(number, len(times))
        return states.at(absolute(element_path(name, register_map, message, element), message), times, following=following)

    return Facts(len(times), value, lambda inner, duration_ns, following: states.has_lasted(
        inner, duration_ns, times, message, following=following
    ))  # fmt: skip


def facts_of(columns: MessageColumns, states: States, register_map: RegisterMap, column: FieldColumn, element: int | None) -> Facts:
    """Return what was known at each of some messages: their own fields, the reading of ``column`` itself, and the device's state."""
    message, count = columns.message, len(columns.time)

    def value(name: str, following: bool) -> Exact:
        each = column.field.each
        if name in ("raw", "reported"):
            return own_column(columns, column, is_raw=name == "raw")
        if name in ("length", "last"):
            return Exact.of_integers(columns.length.astype(np.int64) - (name == "last"))
        if each is not None and name == each.variable:
            return Exact.constant(None if element is None else Fraction(element), count)
        number = instance_number(columns.instance, name)
        if number is not None:
            return Exact.constant(number, count)
        variable = element_path(name, register_map, message, element)
        if variable.startswith("."):
            return own_values(columns, variable[1:])
        return states.at(variable, columns.time, following=following)

    return Facts(count, value, lambda inner, duration_ns, following: states.has_lasted(
        inner, duration_ns, columns.time, message, following=following
    ))  # fmt: skip


def own_values(columns: MessageColumns, name: str) -> Exact:
    """Return what each message of a column says of one of its own fields; None where it does not carry it, or not a good value."""
    plain, view = (name.removesuffix("#raw"), "#raw") if name.endswith("#raw") else (name, "")
    base, _, index = plain.partition("[")
    column = columns.fields.get(FieldId(columns.message.name, base, int(index[:-1]) if index else None, columns.instance))
    return Exact.constant(None, len(columns.time)) if column is None else own_column(columns, column, is_raw=bool(view))


def own_column(columns: MessageColumns, column: FieldColumn, *, is_raw: bool) -> Exact:
    """Return a column's exact values, or raw codes, for every message; None where there is none."""
    held = np.ones(len(column.raw), np.bool_) if column.held is None else column.held
    numbers = Exact.of_integers(column.raw, held) if is_raw else column_numbers(column, int(columns.length.max(initial=0)))
    if column.rows is None:
        return numbers
    codes = np.full(len(columns.time), len(numbers.values), np.int64)
    codes[column.rows] = numbers.codes
    return Exact(codes, (*numbers.values, None))


def instance_number(instance: str, axis: str) -> Fraction | None:
    """Return the number of an axis in an instance's text: 3 of `rack` in ``rack[3]``; None where it is no axis, or has no number."""
    for part in instance.split("."):
        name, _, rest = part.partition("[")
        if name == axis and rest[:-1].isdecimal():
            return Fraction(int(rest[:-1]))
    return None
