"""All checks of one capture as one accumulator."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from regcheck.checks.accuracy import AccuracyCheck
from regcheck.checks.availability import AvailableCheck
from regcheck.checks.cadence import CadenceCheck
from regcheck.checks.check_fields import CrcCheck
from regcheck.checks.conditional_values import ConditionalCheck
from regcheck.checks.counters import CounterCheck
from regcheck.checks.frozen import FrozenCheck
from regcheck.checks.plots import PlotCheck
from regcheck.checks.rule_record import RuleRecord
from regcheck.checks.transfers import TransferCheck
from regcheck.checks.unknown_ids import UnknownCheck
from regcheck.checks.values import ValueCheck
from regcheck.codec.decoded import DecodedBatch


@dataclass(slots=True)
class Checks:
    """The accumulators of one capture, or of a stretch of it: what has been seen so far. ``begin_ns`` and ``end_ns`` bound it.

    ``plots`` is there only where a report is to be drawn.
    """

    transfers: TransferCheck
    values: ValueCheck
    conditional: ConditionalCheck
    accuracy: AccuracyCheck
    available: AvailableCheck
    cadence: CadenceCheck
    counters: CounterCheck
    crc: CrcCheck
    frozen: FrozenCheck
    unknown: UnknownCheck
    rules: RuleRecord
    plots: PlotCheck | None = None
    begin_ns: int | None = None
    end_ns: int | None = None

    def each(self) -> tuple[Any, ...]:
        """Return every accumulator, in one order."""
        alike = (self.cadence, self.counters, self.crc, self.frozen, self.unknown, self.rules)
        drawn = () if self.plots is None else (self.plots,)
        return (self.transfers, self.values, self.conditional, self.accuracy, self.available, *alike, *drawn)

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        for check in self.each():
            check.update(batch)
            check.tick(batch.batch.end_ns)
        self._reach(batch.batch.begin_ns, batch.batch.end_ns)

    def then(self, later: Checks) -> None:
        """Take all that later accumulators of the same plan have seen."""
        for mine, theirs in zip(self.each(), later.each(), strict=True):
            mine.then(theirs)
        if later.begin_ns is not None and later.end_ns is not None:
            self._reach(later.begin_ns, later.end_ns)

    def _reach(self, begin_ns: int, end_ns: int) -> None:
        self.begin_ns = begin_ns if self.begin_ns is None else min(self.begin_ns, begin_ns)
        self.end_ns = end_ns if self.end_ns is None else max(self.end_ns, end_ns)
