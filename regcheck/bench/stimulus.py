"""The stimulus log: what the bench applied, over time, as CSV."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from regcheck.device_map.words import nearest
from regcheck.errors import Place, Problem, SourceError
from regcheck.traffic.times import parse_time

END = "end"
OPEN, SHORT = "open", "short"
_NUMBER = re.compile(r"^[+-]?(?:[0-9]+(?:\.([0-9]*))?|\.([0-9]+))(?:[eE]([+-]?[0-9]+))?$")
MOST_PROBLEMS = 20


@dataclass(frozen=True, slots=True, eq=False)
class LogColumn:
    """One column's own rows: ``time`` i8[n] in bench ns, ``value`` f8[n] (NaN where a word stands), ``word`` the words by row.

    ``decimals`` is the largest number of decimals that the column prints (negative for values such as 1e3);
    it tells the log's own resolution.
    """

    name: str
    time: NDArray[np.int64]
    value: NDArray[np.float64]
    words: Mapping[int, str]
    decimals: int


@dataclass(frozen=True, slots=True, eq=False)
class StimulusLog:
    """A whole log. ``end_ns`` is the time of its `end` row, None without one; then nothing is known after ``last_ns``."""

    file: str
    columns: Mapping[str, LogColumn]
    begin_ns: int
    last_ns: int
    end_ns: int | None


def _decimals(match: re.Match[str]) -> int:
    return len(match[1] or match[2] or "") - int(match[3] or 0)


def load_stimulus(path: Path | str, wanted: frozenset[str] | None = None, words: Mapping[str, frozenset[str]] | None = None) -> StimulusLog:
    """Return the log in a CSV file: a head with `time_s` and a column a channel; an empty cell is unchanged; a last row may say `end`.

    ``wanted`` names the columns that must be there; ``words`` the words that a column may hold beside open and short.
    Raises SourceError with every fault: no file, no head, columns missing, a cell that is no number, time that runs backwards.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SourceError([Problem(Place(str(path)), f"the stimulus log cannot be read: {error.strerror}")]) from error
    except UnicodeDecodeError as error:
        raise SourceError(
            [
                Problem(
                    Place(str(path), offset=error.start),
                    "the stimulus log is no text in UTF-8",
                    "it is CSV with a head: time_s and a column a channel",
                )
            ]
        ) from error
    rows = list(csv.reader(text.splitlines()))
    if not rows or not any(cell.strip() for cell in rows[0]):
        raise SourceError([Problem(Place(str(path)), "the stimulus log is empty", "it is CSV with a head: time_s and a column a channel")])
    head = [cell.strip() for cell in rows[0]]
    problems = _head_problems(path, head, wanted)
    if problems:
        raise SourceError(problems)
    return _read_rows(path, head, rows[1:], words or {})


def _head_problems(path: Path, head: list[str], wanted: frozenset[str] | None) -> list[Problem]:
    place = Place(str(path), 1, 1)
    if "time_s" not in head:
        other_mark = any(mark in cell for cell in head for mark in ";\t")
        hint = "separate the cells by commas" if other_mark else f"its first row reads: {', '.join(head)[:60]}"
        return [Problem(place, "the stimulus log has no column `time_s`", hint)]
    problems = [
        Problem(place, f"the column '{name}' stands twice in the head")
        for name in sorted({name for name in head if name and head.count(name) > 1})
    ]
    for name in sorted((wanted or frozenset()) - set(head)):
        near = nearest(name, [column for column in head if column not in (wanted or ())])
        problems.append(
            Problem(
                place,
                f"the stimulus log has no column '{name}', which the bench file asks for",
                f"did you mean '{near}'?" if near else "columns: " + ", ".join(head),
            )
        )
    return problems


def _read_rows(path: Path, head: list[str], rows: list[list[str]], words: Mapping[str, frozenset[str]]) -> StimulusLog:
    clock = head.index("time_s")
    times: dict[str, list[int]] = {name: [] for name in head if name not in ("time_s", "")}
    values: dict[str, list[float]] = {name: [] for name in times}
    said: dict[str, dict[int, str]] = {name: {} for name in times}
    decimals = dict.fromkeys(times, -99)
    problems: list[Problem] = []
    begin = last = end = None
    for line, row in enumerate(rows, start=2):
        if len(problems) >= MOST_PROBLEMS:
            problems.append(Problem(Place(str(path), line), "more faults follow", "mend these first"))
            break
        if not any(cell.strip() for cell in row):
            continue
        if len(row) != len(head):
            problems.append(Problem(Place(str(path), line), f"this row has {len(row)} cells, the head has {len(head)}"))
            continue
        try:
            time = parse_time(row[clock].strip())
        except ValueError:
            problems.append(Problem(Place(str(path), line, 1 + clock), f"'{row[clock].strip()}' is no time in seconds"))
            continue
        if end is not None:
            problems.append(Problem(Place(str(path), line), "a row stands after the `end` row", "`end` is the last one"))
            break
        if last is not None and time <= last:
            problems.append(
                Problem(
                    Place(str(path), line),
                    f"time does not rise here: {row[clock].strip()} s follows a later or equal time",
                    "rows are in order of time",
                )
            )
            continue
        begin, last = time if begin is None else begin, time
        cells = {name: row[index].strip() for index, name in enumerate(head) if name in times}
        if END in cells.values():
            end = time
        for name, cell in cells.items():
            if cell in ("", END):
                continue
            match = _NUMBER.match(cell)
            if match is not None and not math.isfinite(float(cell)):
                text = f"'{cell}' in column '{name}' is too large for a number"
                problems.append(Problem(Place(str(path), line, 1 + head.index(name)), text, "at most 1.7e308"))
                continue
            if match is None and cell not in (OPEN, SHORT) and cell not in words.get(name, frozenset()):
                known = sorted({OPEN, SHORT, *words.get(name, frozenset())})
                problems.append(
                    Problem(
                        Place(str(path), line, 1 + head.index(name)),
                        f"'{cell}' in column '{name}' is no number",
                        "expected a number, an empty cell, end, " + ", ".join(known),
                    )
                )
                continue
            if match is None:
                said[name][len(times[name])] = cell
            else:
                decimals[name] = max(decimals[name], _decimals(match))
            times[name].append(time)
            values[name].append(float(cell) if match else float("nan"))
    if (begin is None or last is None) and not problems:
        problems.append(Problem(Place(str(path), 2), "the stimulus log has a head but no rows"))
    if problems:
        raise SourceError(problems)
    assert begin is not None  # noqa: S101 - raised above
    assert last is not None  # noqa: S101
    columns = {
        name: LogColumn(name, np.array(times[name], np.int64), np.array(values[name], np.float64), said[name], decimals[name])
        for name in times
    }
    return StimulusLog(str(path), columns, begin, last, end)
