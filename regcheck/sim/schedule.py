"""A recipe's schedule: what the bench applies, row by row, as it is typed."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from math import exp

from regcheck.device_map import leaves
from regcheck.device_map.limits import parse_time_ns
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Sequence
from regcheck.errors import Problem, SourceError
from regcheck.sim.front_end import KELVIN_25
from regcheck.sim.recipe_syntax import PatternEntry

CELSIUS_ZERO = 273.15


def schedule_rows(node: Node) -> tuple[list[tuple[int, dict[str, str]]], int]:
    """Return (time in ns, cells as typed) of every row, and the end; raise ValueError with what is wrong.

    A row has `for:`, how long it stands, and the channels that change. A list is a stack: `wire: [0.0, 3.7, 3.6]` sets wire_0 to the
    first and each next one higher by the following value. A mapping is a pattern (``PatternEntry``).
    """
    if not isinstance(node, Sequence) or not node:
        raise ValueError("the schedule is a list of rows such as {for: 15 s, shunt: 2.5}")
    rows, time_ns = [], 0
    for row in node:
        if not isinstance(row, MappingNode) or "for" not in row:
            raise ValueError("a row of the schedule has no `for`; write how long it stands, such as for: 15 s")
        cells: dict[str, str] = {}
        for name, value in row.items():
            if name == "for":
                continue
            if isinstance(value, Sequence):
                cells |= _stacked(str(name), value)
            elif isinstance(value, MappingNode):
                cells |= _pattern(str(name), value)
            else:
                cells[str(name)] = str(leaves.scalar(value, "a number, open or short"))
        rows.append((time_ns, cells))
        time_ns += parse_time_ns(leaves.scalar(row["for"], "a time such as 15 s"))  # type: ignore[index]
    return rows, time_ns


def _stacked(name: str, values: Sequence) -> dict[str, str]:
    try:
        return _raised(name, [Decimal(str(leaves.scalar(value, "a number"))) for value in values])
    except InvalidOperation:
        raise ValueError(f"'{name}' holds something that is no number") from None


def _raised(name: str, steps: list[Decimal]) -> dict[str, str]:
    return {f"{name}_{index}": str(sum(steps[: index + 1], Decimal(0))) for index in range(len(steps))}


def _pattern(name: str, node: MappingNode) -> dict[str, str]:
    problems: list[Problem] = []
    entry = validate(PatternEntry, node, problems, set())
    if entry is None or problems:
        raise SourceError(problems)
    first, last = entry.n
    count = last + 1
    if first != 1:
        raise ValueError(f"the pattern of '{name}' begins at {first}; its channels are numbered from 1")
    ranks = [number * entry.turn % count for number in range(1, count)]
    if sorted(ranks) != list(range(1, count)):
        text = f"the pattern of '{name}' gives channels one value twice"
        raise ValueError(f"{text}: a turn of {entry.turn} has a divisor in common with {count}")
    values = [entry.about + entry.step * (rank - count / 2) for rank in ranks]
    if entry.stack is not None:
        return _raised(name, [Decimal(f"{value:.4f}") for value in (entry.stack, *values)])
    if entry.beta is not None:
        values = [entry.r25 * exp(entry.beta * (1 / (value + CELSIUS_ZERO) - 1 / KELVIN_25)) for value in values]
        return {f"{name}_{number}": f"{value:.1f}" for number, value in enumerate(values, 1)}
    return {f"{name}_{number}": f"{value:.4f}" for number, value in enumerate(values, 1)}
