"""What the bench applies, as functions of time: columns that hold their value from row to row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import UsageError

Array = NDArray[np.float64]
Times = NDArray[np.int64]

WORDS = {"open": np.inf, "short": 0.0}
"""What a thermistor's words are in ohms."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a stimulus log: bench time in ns and the cells that change, as typed."""

    time_ns: int
    cells: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One channel: ``value`` f8[m] holds from ``time`` i8[m] ns on; an open sensor is inf ohms, a shorted one 0."""

    time: Times
    value: Array

    def at(self, times: Times) -> Array:
        """Return the values at ``times`` i8[n]; before the first row that of the first row."""
        return self.value[np.clip(np.searchsorted(self.time, times, side="right") - 1, 0, None)]

    def raised(self, by: float, from_ns: int) -> Column:
        """Return the same channel, ``by`` higher from ``from_ns`` on."""
        times = np.union1d(self.time, np.array([from_ns], np.int64))
        return Column(times, self.at(times) + np.where(times >= from_ns, by, 0.0))

    def mean(self, begin: Times, end: Times) -> Array:
        """Return the means over begin .. end i8[n], each longer than 0."""
        length = np.append(np.diff(self.time), 0)
        area = np.append(0.0, np.cumsum(self.value * length))[:-1]

        def integral(times: Times) -> Array:
            row = np.clip(np.searchsorted(self.time, times, side="right") - 1, 0, None)
            return np.asarray(area[row] + self.value[row] * (times - self.time[row]))

        return (integral(end) - integral(begin)) / (end - begin)


@dataclass(frozen=True, slots=True, eq=False)
class Stimuli:
    """Every channel of a bench by the name of its column, up to ``end_ns``."""

    rows: tuple[Row, ...]
    columns: Mapping[str, Column]
    end_ns: int

    @classmethod
    def of(cls, rows: Sequence[Row], end_ns: int) -> Stimuli:
        """Return the columns of rows in order of time; UsageError where time does not rise or a cell is no number and no known word."""
        times = [row.time_ns for row in rows]
        if not rows or sorted(set(times)) != times or end_ns <= times[-1]:
            raise UsageError("a schedule needs rows in order of time, and an end after the last one")
        columns = {}
        for name in dict.fromkeys(name for row in rows for name in row.cells):
            own = [row for row in rows if name in row.cells]
            if own[0] is not rows[0]:
                raise UsageError(f"the first row of the schedule says nothing of '{name}', which a later row changes")
            columns[name] = Column(
                np.array([row.time_ns for row in own], np.int64), np.array([_number(row.cells[name], name) for row in own])
            )
        return cls(tuple(rows), columns, end_ns)

    def csv(self) -> str:
        """Return the stimulus log: a head, a row a change, empty cells for what is unchanged, and the `end` row."""
        names = list(self.columns)
        lines = [",".join(["time_s", *names])]
        lines += [",".join([seconds(row.time_ns), *(row.cells.get(name, "") for name in names)]) for row in self.rows]
        lines.append(",".join([seconds(self.end_ns), "end", *("" for _ in names[1:])]))
        return "\n".join(lines) + "\n"


def seconds(time_ns: int) -> str:
    """Return a time in seconds, with milliseconds; UsageError where it has a finer part."""
    if time_ns % 1_000_000:
        raise UsageError(f"a row at {time_ns} ns; rows of a schedule stand at whole milliseconds")
    return f"{time_ns // 1_000_000_000}.{time_ns // 1_000_000 % 1000:03d}"


def _number(cell: str, name: str) -> float:
    if cell in WORDS:
        return WORDS[cell]
    try:
        return float(cell)
    except ValueError:
        raise UsageError(f"'{cell}' in '{name}' is no number; expected a number, open or short") from None
