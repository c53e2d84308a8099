"""The rows of a plan as the stimulus log that a check will read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

import numpy as np

from regcheck.bench.bench_file import Bench
from regcheck.bench.stimulus import LogColumn, StimulusLog

Cell: TypeAlias = str
"""A number as typed, open, short, or a channel's own word."""


def as_log(bench: Bench, rows: Sequence[Mapping[str, Cell]], begins_ns: Sequence[int], end_ns: int) -> StimulusLog:
    """Return rows of cells by channel as a log: what a channel's column, and its set column where it has one, will say."""
    columns: dict[str, LogColumn] = {}
    times = np.array(begins_ns, np.int64)
    for name, channel in bench.channels.items():
        cells = [row[name] for row in rows]
        words = {number: cell for number, cell in enumerate(cells) if not _is_number(cell)}
        values = np.array([float("nan") if number in words else float(cell) for number, cell in enumerate(cells)])
        decimals = max((len(cell.partition(".")[2]) for number, cell in enumerate(cells) if number not in words), default=-99)
        for column in (channel.counts, channel.set_column):
            if column:
                columns[column] = LogColumn(column, times, values, words, decimals)
    return StimulusLog("", columns, int(times[0]), int(times[-1]), end_ns)


def _is_number(cell: Cell) -> bool:
    return cell[-1:].isdigit()
