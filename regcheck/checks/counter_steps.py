"""Steps of alive counters: which counters a map has, what each message counted, and what the steps between them come to."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.cadence_series import LATE_PERIODS
from regcheck.checks.values import rows_of
from regcheck.codec.columns import Check, FieldId, MessageColumns
from regcheck.codec.end_to_end import COUNTER
from regcheck.device_map.model import Message
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.protection import PROFILES


@dataclass(frozen=True, slots=True)
class Counter:
    """One counter of a map: it runs from ``low`` to ``high`` and begins anew."""

    message: Message
    field: str
    low: int
    high: int

    @property
    def modulus(self) -> int:
        """How many values it takes."""
        return self.high - self.low + 1


def counters_of(message: Message) -> list[Counter]:
    """Return the counters of a message: its fields with `counter`, else that of its protection, as the codec or the map names it."""
    found = {item.name: Counter(message, item.name, *item.counter) for item in message.all_fields() if item.counter is not None}
    if message.protect is None or found:
        return list(found.values())
    profile = PROFILES[message.protect.profile]
    bits = set(profile.counter_bits)
    own = next((item.name for item in message.all_fields() if set(bit_numbers(item.where, profile.header_bytes)) == bits), COUNTER)
    return [Counter(message, own, 0, profile.last_count)]


@dataclass(frozen=True, slots=True, eq=False)
class Counts:
    """One counter's values in a column: ``rows`` i8[n] of the messages that carry it, ``value`` i8[n], ``known`` bool[n]."""

    id: FieldId
    rows: NDArray[np.int64]
    value: NDArray[np.int64]
    known: NDArray[np.bool_]

    def take(self, own: NDArray[np.int64]) -> Counts:
        """Return some of the counts."""
        return Counts(self.id, self.rows[own], self.value[own], self.known[own])


def counts_of(columns: MessageColumns, counter: Counter) -> Iterator[Counts]:
    """Give what a column's messages counted. A message whose check is bad tells nothing of its counter."""
    trusted = columns.check != Check.BAD
    for id, column in columns.fields.items():
        if id.field == counter.field:
            rows = rows_of(columns, column)
            yield Counts(id, rows, column.raw.astype(np.int64), (column.status == 0) & trusted[rows])


@dataclass(frozen=True, slots=True)
class Repeats:
    """A run of messages that repeat the count before them: how many, and the message that they repeat."""

    number: int = 0
    start: Spot | None = None

    def joined(self, later: Repeats) -> Repeats:
        """Return this run with one that goes on from it."""
        return Repeats(self.number + later.number, self.start if self.number else later.start)


@dataclass(frozen=True, slots=True)
class RunTally:
    """The runs of repeated counts in ``pairs`` pairs of messages in a row: at their head, at their tail, and the longest."""

    pairs: int = 0
    head: Repeats = Repeats()
    tail: Repeats = Repeats()
    longest: Repeats = Repeats()

    def then(self, later: RunTally) -> RunTally:
        """Return this tally followed by a later one; of equal runs the earliest is the longest."""
        middle = self.tail.joined(later.head)
        longest = self.longest
        for one in (middle, later.longest):
            longest = one if one.number > longest.number else longest
        return RunTally(
            self.pairs + later.pairs,
            self.head.joined(later.head) if self.head.number == self.pairs else self.head,
            self.tail.joined(later.tail) if later.tail.number == later.pairs else later.tail,
            longest,
        )


def run_tally(repeated: NDArray[np.bool_], spot: Callable[[int], Spot]) -> RunTally:
    """Return the runs of pairs in a row; ``spot`` gives the first message of a pair."""
    edges = np.diff(np.concatenate([[0], repeated.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(begins):
        return RunTally(len(repeated))

    def run(at: int) -> Repeats:
        return Repeats(int(ends[at] - begins[at]), spot(int(begins[at])))

    head = run(0) if begins[0] == 0 else Repeats()
    tail = run(-1) if ends[-1] == len(repeated) else Repeats()
    return RunTally(len(repeated), head, tail, run(int((ends - begins).argmax())))


@dataclass(slots=True)
class StepTally:
    """Steps of one counter: ``steps`` counts the wrong ones by their size (0: repeated), ``not_told`` the pairs that tell nothing."""

    right: int = 0
    wraps: int = 0
    repeated: Count = field(default_factory=Count)
    skipped: Count = field(default_factory=Count)
    outside: Count = field(default_factory=Count)
    doubtful: Count = field(default_factory=Count)
    missing: int = 0
    not_told: int = 0
    steps: dict[int, int] = field(default_factory=dict)

    def then(self, later: StepTally) -> None:
        """Add a later tally."""
        for name in ("right", "wraps", "missing", "not_told"):
            setattr(self, name, getattr(self, name) + getattr(later, name))
        for name in ("repeated", "skipped", "outside", "doubtful"):
            getattr(self, name).then(getattr(later, name))
        for step, number in later.steps.items():
            self.steps[step] = self.steps.get(step, 0) + number


def _silent_ns(message: Message) -> int | None:
    """Return the gap after which a count tells nothing: the device may have begun anew; the cadence has the finding."""
    if message.late_after_ns is not None:
        return message.late_after_ns
    periods = [case.item.period_ns or case.item.high_ns for case in message.every if case.item is not None]
    longest = max(periods, default=0)
    return LATE_PERIODS * longest if longest else None


def count_steps(
    counter: Counter,
    time_ns: NDArray[np.int64],
    value: NDArray[np.int64],
    known: NDArray[np.bool_],
    doubt: NDArray[np.bool_],
    spot: Callable[[int], Spot],
) -> tuple[StepTally, RunTally]:
    """Return what the steps between n messages in a row come to; ``doubt`` bool[n - 1], ``spot`` gives message i."""
    inside = known & (value >= counter.low) & (value <= counter.high)
    silent_ns = _silent_ns(counter.message)
    told = inside[1:] & inside[:-1]
    if silent_ns is not None:
        told &= np.diff(time_ns) <= silent_ns
    change = np.diff(value)
    one_on = (change == 1) | (change == 1 - counter.modulus)
    right, wrong = told & one_on, told & ~one_on
    step = np.where(wrong, change, 1) % counter.modulus if wrong.any() else np.ones(len(change), np.int64)
    repeated, skipped = wrong & ~doubt & (step == 0), wrong & ~doubt & (step != 0)
    tally = StepTally(
        right=int(right.sum()),
        wraps=int((right & (change < 0)).sum()),
        missing=int((step[skipped] - 1).sum()),
        not_told=int((~told).sum()),
    )
    for name, mask in (("repeated", repeated), ("skipped", skipped), ("doubtful", wrong & doubt)):
        at = np.flatnonzero(mask)
        getattr(tally, name).add(len(at), spot(int(at[0]) + 1) if len(at) else None)
    sizes, numbers = np.unique(step[wrong & ~doubt], return_counts=True)
    tally.steps = dict(zip(sizes.tolist(), numbers.tolist(), strict=True))
    return tally, run_tally(repeated, spot)
