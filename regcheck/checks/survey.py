"""The first pass over a capture: its clock, and the state of other messages that meanings and limits hang on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.admission import steps
from regcheck.bench.applied import AppliedField
from regcheck.bench.bench_file import Bench
from regcheck.bench.clock import Clock, ClockRefused, Evidence, Times, estimate_clock, find_events, shared_clock, told_clock
from regcheck.bench.stimulus import StimulusLog
from regcheck.codec.columns import FieldId
from regcheck.codec.decoded import DecodedBatch


@dataclass(slots=True)
class Series:
    """Good readings of one field in order: start and end of the transfers in ns, raw values."""

    time: list[Times] = field(default_factory=list)
    end: list[Times] = field(default_factory=list)
    raw: list[NDArray[np.int64]] = field(default_factory=list)

    def joined(self) -> tuple[Times, Times, NDArray[np.int64]]:
        """Return the series as three arrays."""
        empty = [np.zeros(0, np.int64)]
        return np.concatenate(empty + self.time), np.concatenate(empty + self.end), np.concatenate(empty + self.raw)


class ClockSurvey:
    """The readings that tell a capture's clock: those of the fields that the bench drives, or of a marker."""

    def __init__(self, bench: Bench, driven: Mapping[FieldId, AppliedField]) -> None:
        self.bench, self.driven = bench, driven
        self.series: dict[FieldId, Series] = {}
        self.epochs: set[int] = set()

    @property
    def needed(self) -> bool:
        """Whether the clock takes a pass of its own."""
        return self.bench.clock.kind in ("estimate", "marker")

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        self.epochs.add(batch.batch.epoch)
        marker = self.bench.clock.marker
        for columns in batch.messages:
            for id, column in columns.fields.items():
                set_by_host = columns.written and "read" in columns.message.access
                if (id not in self.driven or set_by_host) and marker not in (column.field.path, column.field.name):
                    continue
                good = np.flatnonzero(column.status == 0)
                rows = good if column.rows is None else column.rows[good]
                series = self.series.setdefault(id, Series())
                series.time.append(columns.time[rows])
                series.end.append(columns.end[rows])
                series.raw.append(column.raw[good])

    def then(self, later: ClockSurvey) -> None:
        """Take what a later stretch of the same capture holds."""
        self.epochs |= later.epochs
        for id, theirs in later.series.items():
            mine = self.series.setdefault(id, Series())
            mine.time += theirs.time
            mine.end += theirs.end
            mine.raw += theirs.raw

    def clock(self, log: StimulusLog) -> Clock | ClockRefused:
        """Return the capture's clock as the bench file rules it."""
        rule = self.bench.clock
        if rule.kind == "shared":
            return shared_clock()
        if rule.kind == "told":
            return told_clock(rule.offset_ns, rule.doubt_ns)
        if len(self.epochs) > 1:
            return ClockRefused(
                "several_epochs",
                "the capture's time goes backwards: one clock cannot fit all of it",
                "cut it there, or give the clock's offset",
            )
        if rule.kind == "marker":
            return self._marked(log)
        evidence = []
        for id, one in self.driven.items():
            series = self.series.get(id)
            if series is None:
                continue
            made = steps(one.curve)
            numbers = np.isfinite(made.size)
            _, latency = self.bench.timing.of(one.field)
            time, end, raw = series.joined()
            events = find_events(time, end, raw.astype(np.float64), max(int(numbers.sum()), 1))
            evidence.append(Evidence(one.field.path, made.begin[numbers], made.end[numbers], made.size[numbers], events, latency))
        return estimate_clock(evidence)

    def _marked(self, log: StimulusLog) -> Clock | ClockRefused:
        """The marker's first good reading that is not 0 stands for the log's first row."""
        marker = self.bench.clock.marker
        for series in (series for id, series in self.series.items() if marker in (str(id), id.field)):
            time, end, raw = series.joined()
            raised = np.flatnonzero(raw != 0)
            if len(raised) and raised[0] > 0:
                first = int(raised[0])
                low, high = int(time[first - 1]) - log.begin_ns, int(end[first]) - log.begin_ns
                return told_clock((low + high) // 2, (high - low + 1) // 2)
        return ClockRefused(
            "no_marker", f"the marker {marker} never rises from 0 in the capture", "let the host raise it when the stimulus log begins"
        )
