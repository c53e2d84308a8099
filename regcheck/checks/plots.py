"""What a report draws, gathered while the readings pass: values over time, errors over what was applied, the bus over time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accuracy import SEVERITY, reported_quanta
from regcheck.checks.decision import FAIL, UNDECIDED, decimal_quantum
from regcheck.checks.judge import Judge, field_step
from regcheck.checks.time_buckets import COUNT, HIGH, LOW, TimeBuckets
from regcheck.codec.columns import Check, FieldColumn, FieldId, MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.framing import REFUSED
from regcheck.codec.unexplained import Unexplained
from regcheck.device_map.model import WORDY_TYPES, Field, RegisterMap
from regcheck.traffic.batch import Kind

BUDGET = 1 << 15
"""Stretches of time that all fields of a map share, so that a page stays small."""

MOST, FEWEST = 2048, 32
OPEN_ARRAY = 32
"""Elements that an array counts for whose end hangs on the message."""

RANK = np.array([SEVERITY[code] for code in range(3)])


class Trace:
    """One field's readings. Values and errors are whole quanta; ``begin`` is where each segment of the applied curve starts.

    ``reported`` holds every good reading of the field's unit; ``failing`` and ``undecided`` those that were judged so;
    ``error_low``, ``error_high``, ``worst`` i8[s] the extremes and the gravest verdict of the readings judged in each segment.
    """

    def __init__(self, quantum: Fraction, unit: str, segments: int, most: int) -> None:
        self.quantum, self.unit = quantum, unit
        self.reported, self.failing, self.undecided, self.error = (TimeBuckets(most, (LOW, HIGH, COUNT)) for _ in range(4))
        big = np.iinfo(np.int64).max
        self.error_low, self.error_high = np.full(segments, big), np.full(segments, -big)
        self.worst = np.full(segments, -1, np.int64)

    def see(self, column: FieldColumn, time: NDArray[np.int64]) -> None:
        """Take one batch's good readings; ``time`` i8[n] ns of all of its readings."""
        unit = np.array([meaning.unit == column.field.meanings[0].unit for meaning in column.meanings], np.bool_)
        rows = np.flatnonzero(column.status == 0)
        rows = rows[unit[column.meaning[rows]]] if len(unit) and not unit.all() else rows
        if len(rows):
            value = reported_quanta(column, rows, self.quantum)
            self.reported.add(time[rows], value, value, np.ones(len(rows), np.int64))

    def judged(
        self,
        time: NDArray[np.int64],
        reported: NDArray[np.int64],
        error: NDArray[np.int64],
        segment: NDArray[np.int64],
        verdict: NDArray[Any],
    ) -> None:
        """Take readings that were judged: capture times in ns, values and errors in quanta, segments, codes of verdicts."""
        ones = np.ones(len(time), np.int64)
        for code, buckets in ((FAIL, self.failing), (UNDECIDED, self.undecided)):
            rows = np.flatnonzero(verdict == code)
            buckets.add(time[rows], reported[rows], reported[rows], ones[: len(rows)])
        self.error.add(time, error, error, ones)
        np.minimum.at(self.error_low, segment, error)
        np.maximum.at(self.error_high, segment, error)
        np.maximum.at(self.worst, segment, RANK[verdict])

    def then(self, later: Trace) -> None:
        """Take what a later trace of the same field has seen."""
        for name in ("reported", "failing", "undecided", "error"):
            getattr(self, name).then(getattr(later, name))
        np.minimum(self.error_low, later.error_low, out=self.error_low)
        np.maximum(self.error_high, later.error_high, out=self.error_high)
        np.maximum(self.worst, later.worst, out=self.worst)


def room(register_map: RegisterMap, judges: Sequence[Judge]) -> int:
    """Return how many stretches of time a field may have: a power of two, so that all fields together keep within the budget."""
    fields = sum(_elements(item) for message in register_map.messages for item in message.all_fields() if _is_drawn(item) or item.accuracy)
    share = BUDGET // max(len(judges), fields, 1)
    return min(max(1 << max(share.bit_length() - 1, 0), FEWEST), MOST)


def _is_drawn(item: Field) -> bool:
    return bool(item.range) and not any(meaning.type in WORDY_TYPES for meaning in item.meanings)


def _elements(item: Field) -> int:
    if item.each is None:
        return 1
    last = item.each.last.constant() if item.each.last is not None else None
    return OPEN_ARRAY if last is None else max(int(last) - item.each.first + 1, 1)


class PlotCheck:
    """An accumulator that judges nothing: what a report draws of one capture. Made only where a report is asked for."""

    def __init__(self, register_map: RegisterMap, judges: Sequence[Judge], source: int) -> None:
        self.most, self.source = room(register_map, judges), source
        self.judges: Mapping[FieldId, Judge] = {judge.id: judge for judge in judges}
        # the traces of every field by capture, for each has its own clock
        self.traces: dict[tuple[int, FieldId], Trace] = {}
        self.bus: dict[int, TimeBuckets] = {}
        for id in self.judges:
            self.trace(id)

    def trace(self, id: FieldId, item: Field | None = None) -> Trace:
        """Return the trace of a field in this capture."""
        found = self.traces.get((self.source, id))
        if found is None:
            judge = self.judges.get(id)
            step = field_step(item) if item is not None else Fraction(0)
            quantum = judge.quantum if judge is not None else decimal_quantum(step) if step else Fraction(1, 10**6)
            unit = judge.field.unit if judge is not None else item.unit if item is not None else None
            found = Trace(quantum, str(unit or ""), len(judge.curve) if judge is not None else 0, self.most)
            self.traces[self.source, id] = found
        return found

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for columns in batch.messages:
            if columns.written and "read" in columns.message.access:
                continue
            for id, column in columns.fields.items():
                if id in self.judges or _is_drawn(column.field):
                    time = columns.time if column.rows is None else columns.time[column.rows]
                    self.trace(id, column.field).see(column, time)
        self._see_bus(batch)

    def _see_bus(self, batch: DecodedBatch) -> None:
        source = batch.batch
        if not len(source):
            return
        bad, refused, unexplained = (np.zeros(len(source), np.int64) for _ in range(3))
        for columns in batch.messages:
            bad[columns.index[_is_bad(columns)]] = 1
            refused[columns.index[np.isin(columns.fault, [int(fault) for fault in REFUSED])]] = 1
        kind = source.key >> np.uint64(41) & np.uint64(0x7F)
        lost = batch.unexplained[(batch.why != Unexplained.OTHER_DEVICE) & (batch.why != Unexplained.ADDRESS_REFUSED)]
        unexplained[lost] = 1
        refused[batch.unexplained[kind[batch.unexplained] == Kind.REFUSED]] = 1
        counts = self.bus.setdefault(self.source, TimeBuckets(MOST // 2, (COUNT,) * 4))
        counts.add(source.time, np.ones(len(source), np.int64), bad, refused, unexplained)

    def tick(self, end_ns: int) -> None:
        """Silence changes nothing here."""

    def then(self, later: PlotCheck) -> None:
        """Take all that a later one of the same plan has seen."""
        for key, trace in later.traces.items():
            if key in self.traces:
                self.traces[key].then(trace)
            else:
                self.traces[key] = trace
        for source, counts in later.bus.items():
            if source in self.bus:
                self.bus[source].then(counts)
            else:
                self.bus[source] = counts


def _is_bad(columns: MessageColumns) -> NDArray[np.bool_]:
    return np.asarray((columns.check == Check.BAD) | (columns.check == Check.MISSING), np.bool_)
