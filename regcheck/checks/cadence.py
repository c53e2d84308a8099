"""How often each message comes: its period, its gaps, silence at either end (verdicts, rule 22)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.accumulator import Count, Spot
from regcheck.checks.cadence_series import Bounds, Series, series_of
from regcheck.checks.decision import FAIL, UNDECIDED
from regcheck.checks.state_conditions import instance_number, own_values
from regcheck.checks.streams import Horizons, Losses, Stream, Stretch, is_judged, spot_at, streams_of
from regcheck.codec.columns import MessageColumns
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.exact_columns import Exact, combinations, distinct
from regcheck.codec.formulas import Condition
from regcheck.codec.states import NO_STATES, States
from regcheck.device_map.model import RegisterMap

UNKNOWN_CASE, NOT_JUDGED, BETWEEN_CASES = -1, -2, -3
"""In place of a case: its condition is not known; the map judges nothing there; the two messages are in different cases."""

NEAR_US = 1 << 31
"""Deviations from the period are summed, in whole microseconds, within +/- this."""


Spotter = Callable[[int], Spot]
"""Gives the later message of a gap by its number among those judged together."""


@dataclass(frozen=True, slots=True)
class Gap:
    """One gap between two messages, and the later of them."""

    length_ns: int
    spot: Spot


@dataclass(slots=True)
class GapTally:
    """Gaps of one stream in one case, of which one is late after ``late_after_ns`` (0: never).

    ``late``, ``long`` and ``early`` are fails; ``doubtful`` would be, had the recorder lost nothing. The mean period is that of
    ``in_time`` gaps; of their deviations from the period, in microseconds, sum and sum of squares of ``near`` ones are kept.
    """

    late_after_ns: int = 0
    number: int = 0
    total_ns: int = 0
    passed: int = 0
    late: Count = field(default_factory=Count)
    long: Count = field(default_factory=Count)
    early: Count = field(default_factory=Count)
    undecided: Count = field(default_factory=Count)
    doubtful: Count = field(default_factory=Count)
    shortest: Gap | None = None
    longest: Gap | None = None
    in_time: int = 0
    in_time_ns: int = 0
    near: int = 0
    deviation_us: int = 0
    square_us: int = 0

    def then(self, later: GapTally) -> None:
        """Add a later tally."""
        self.late_after_ns = max(self.late_after_ns, later.late_after_ns)
        for name in ("number", "total_ns", "passed", "in_time", "in_time_ns", "near", "deviation_us", "square_us"):
            setattr(self, name, getattr(self, name) + getattr(later, name))
        for name in ("late", "long", "early", "undecided", "doubtful"):
            getattr(self, name).then(getattr(later, name))
        if later.shortest is not None and (self.shortest is None or later.shortest.length_ns < self.shortest.length_ns):
            self.shortest = later.shortest
        if later.longest is not None and (self.longest is None or later.longest.length_ns > self.longest.length_ns):
            self.longest = later.longest

    @property
    def failed(self) -> int:
        """How many gaps break the map."""
        return self.late.number + self.long.number + self.early.number


@dataclass(frozen=True, slots=True)
class Mark:
    """One message of a stream, and the case that it was in."""

    spot: Spot
    case: int


@dataclass(slots=True)
class Ends:
    """The first and last message of a stream in one stretch; whether the recorder lost something before and after them."""

    first: Mark
    last: Mark
    doubt_before: bool
    doubt_after: bool


@dataclass(slots=True)
class StreamTally:
    """What one stream came to."""

    messages: int = 0
    not_known: int = 0
    gaps: dict[int, GapTally] = field(default_factory=dict)
    ends: dict[Stretch, Ends] = field(default_factory=dict)

    def body(self, later: StreamTally) -> None:
        """Add a later tally's messages and gaps, leaving the ends alone."""
        self.messages += later.messages
        self.not_known += later.not_known
        for case, tally in later.gaps.items():
            self.gaps.setdefault(case, GapTally()).then(tally)


@dataclass(frozen=True, slots=True, order=True)
class PageStream:
    """A stream of one series: ``series`` is its number, ``page`` tells the pages of a layout apart."""

    series: int
    stream: Stream
    page: str = ""


class CadenceCheck:
    """The cadence of every message of a map that has one.

    ``states`` as the capture was decoded by; ``timestamps_ns`` is the doubt of one time stamp, +/- (bench file, `timing`).
    ``fitted`` names, for a message, the instances that must come; of a message that it lacks, none where the map has instances.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        source: int,
        states: States = NO_STATES,
        timestamps_ns: int = 0,
        fitted: Mapping[str, Sequence[str]] | None = None,
    ) -> None:
        self.register_map, self.source, self.states = register_map, source, states
        self._own_states: dict[str, States] = {}
        self.fitted = fitted or {}
        self.series = series_of(register_map, timestamps_ns)
        self.by_message: dict[str, list[int]] = {}
        for number, series in enumerate(self.series):
            self.by_message.setdefault(series.message.name, []).append(number)
        self.streams: dict[PageStream, StreamTally] = {}
        self.horizons = Horizons()

    def update(self, batch: DecodedBatch) -> None:
        """Take the next batch in order of time."""
        stretch, losses, was_lossy = self.horizons.update(batch, self.source)
        for columns in batch.messages:
            if not is_judged(columns):
                continue
            for number in self.by_message.get(columns.message.name, ()):
                series = self.series[number]
                cases = self._cases(series, columns)
                pages = _pages(series, columns)
                for stream, rows in streams_of(batch, columns):
                    for page, own in pages:
                        chosen = rows if own is None else rows[own[rows]]
                        if len(chosen):
                            key = PageStream(number, stream, page)
                            self._add(series, key, columns, chosen, cases[chosen], stretch, losses, was_lossy)
        if losses:
            for tally in self.streams.values():
                ends = tally.ends.get(stretch)
                if ends is not None and losses.after(ends.last.spot.place):
                    ends.doubt_after = True

    def _add(
        self,
        series: Series,
        key: PageStream,
        columns: MessageColumns,
        rows: NDArray[np.int64],
        cases: NDArray[np.int64],
        stretch: Stretch,
        losses: Losses,
        was_lossy: bool,
    ) -> None:
        tally = self.streams.setdefault(key, StreamTally())
        tally.messages += len(rows)
        tally.not_known += int((cases == UNKNOWN_CASE).sum())
        marks = [Mark(spot_at(columns, int(rows[at]), self.source), int(cases[at])) for at in (0, -1)]
        ends = tally.ends.get(stretch)
        if ends is None:
            tally.ends[stretch] = Ends(marks[0], marks[1], was_lossy or losses.before(marks[0].spot.place), False)
        else:
            _seam(series, tally, ends, marks[0], doubt=ends.doubt_after or losses.before(marks[0].spot.place))
            ends.last, ends.doubt_after = marks[1], False
        if len(rows) > 1:
            place = columns.place[rows]
            _add_gaps(
                series,
                tally,
                np.diff(columns.time[rows]),
                cases[:-1],
                cases[1:],
                losses.between(place[:-1], place[1:]) if losses else np.zeros(len(rows) - 1, np.bool_),
                lambda at: spot_at(columns, int(rows[at + 1]), self.source),
            )

    def _cases(self, series: Series, columns: MessageColumns) -> NDArray[np.int64]:
        """Return the case of each message: the first whose condition holds."""
        count = len(columns.time)
        chosen = np.full(count, NOT_JUDGED, np.int64)
        pending = np.ones(count, np.bool_)
        for number, (when, bounds) in enumerate(zip(series.conditions, series.bounds, strict=True)):
            truth = np.ones(count, np.int64) if when is None else self._truth(when, columns)
            chosen[pending & (truth == 1)] = NOT_JUDGED if bounds is None else number
            chosen[pending & (truth < 0)] = UNKNOWN_CASE
            pending &= truth == 0
        return chosen

    def _truth(self, when: Condition, columns: MessageColumns) -> NDArray[np.int64]:
        lasting = {name: (inner, duration_ns) for name, inner, duration_ns in when.lasting}
        states = self._states_of(columns.instance)
        values = []
        for name in when.variables:
            number = instance_number(columns.instance, name)
            if name in lasting:
                values.append(states.has_lasted(*lasting[name], columns.time, columns.message))
            elif name.startswith("."):
                values.append(own_values(columns, name[1:]))
            else:
                values.append(states.at(name, columns.time) if number is None else Exact.constant(number, len(columns.time)))
        codes, rows = combinations(values, len(columns.time))
        return np.array([when.verdict(row) for row in rows] or [0], np.int64)[codes]

    def _states_of(self, instance: str) -> States:
        """Return the states as one device sees them."""
        if instance not in self._own_states:
            self._own_states[instance] = self.states.of(instance)
        return self._own_states[instance]

    def tick(self, end_ns: int) -> None:
        """Learn that the bus was silent up to ``end_ns``."""
        self.horizons.tick(end_ns)

    def then(self, later: CadenceCheck) -> None:
        """Take all that a later check of the same map has seen."""
        for key, theirs in later.streams.items():
            mine = self.streams.setdefault(key, StreamTally())
            for stretch, ends in theirs.ends.items():
                own = mine.ends.get(stretch)
                if own is None:
                    before = self.horizons.stretches.get(stretch)
                    doubt = ends.doubt_before or (before is not None and before.lossy)
                    mine.ends[stretch] = Ends(ends.first, ends.last, doubt, ends.doubt_after)
                else:
                    _seam(self.series[key.series], mine, own, ends.first, doubt=own.doubt_after or ends.doubt_before)
                    own.last, own.doubt_after = ends.last, ends.doubt_after
            mine.body(theirs)
        for key, mine in self.streams.items():
            for stretch, own in mine.ends.items():
                after = later.horizons.stretches.get(stretch)
                silent = key not in later.streams or stretch not in later.streams[key].ends
                if after is not None and silent:
                    own.doubt_after |= after.lossy
        self.horizons.then(later.horizons)


def _pages(series: Series, columns: MessageColumns) -> list[tuple[str, NDArray[np.bool_] | None]]:
    """Return the pages of a series and which messages are of each; one page of all messages where the series is the message's own."""
    if series.layout is None:
        return [("", None)]
    inside = columns.layout == series.layout
    if not series.selectors:
        return [("", inside)]
    codes, rows = combinations([own_values(columns, f"{name}#raw") for name in series.selectors], len(columns.time))
    return [
        (", ".join(f"{name} = {value}" for name, value in zip(series.selectors, row, strict=True)), inside & (codes == code))
        for code, row in enumerate(rows)
        if None not in row
    ]


def _seam(series: Series, tally: StreamTally, ends: Ends, first: Mark, *, doubt: bool) -> None:
    """Add the gap between what came before and what follows."""
    _add_gaps(
        series,
        tally,
        np.array([first.spot.time_ns - ends.last.spot.time_ns], np.int64),
        np.array([ends.last.case]),
        np.array([first.case]),
        np.array([doubt]),
        lambda _: first.spot,
    )


def pair_bounds(series: Series, case: int, following: int) -> tuple[int, Bounds | None]:
    """Return the case of a gap, and its bounds: where the case changed inside it, only the longer of both times to be late counts."""
    if case == following:
        return case, series.bounds[case] if case >= 0 else None
    if UNKNOWN_CASE in (case, following):
        return UNKNOWN_CASE, None
    pair = [series.bounds[one] for one in (case, following) if one >= 0]
    late = [one.late_ns for one in pair if one is not None and one.late_ns is not None]
    if len(late) < 2 or pair[0] is None:
        return NOT_JUDGED, None
    return BETWEEN_CASES, Bounds(None, max(late), None, None, pair[0].u_ns)


def _add_gaps(
    series: Series,
    tally: StreamTally,
    gap_ns: NDArray[np.int64],
    before: NDArray[np.int64],
    after: NDArray[np.int64],
    doubt: NDArray[np.bool_],
    spot: Spotter,
) -> None:
    pairs = (before + 3) * 1024 + after + 3
    found, codes = distinct(pairs)
    for number, pair in enumerate(found.tolist()):
        rows = np.arange(len(pairs)) if len(found) == 1 else np.flatnonzero(codes == number)
        case, bounds = pair_bounds(series, pair // 1024 - 3, pair % 1024 - 3)
        if bounds is not None:
            tally.gaps.setdefault(case, GapTally()).then(_judged(bounds, gap_ns[rows], doubt[rows], rows, spot))


def _judged(bounds: Bounds, gap: NDArray[np.int64], doubt: NDArray[np.bool_], rows: NDArray[np.int64], spot: Spotter) -> GapTally:
    made = GapTally(bounds.late_ns or 0, len(gap), int(gap.sum()))
    low, high = int(gap.argmin()), int(gap.argmax())
    made.shortest = Gap(int(gap[low]), spot(int(rows[low])))  # what the recorder lost can only have made a gap longer
    ends = gap[[low, high]]
    if not doubt.any() and not bounds.lateness(ends).any() and not bounds.spacing(ends).any():  # both ends pass, so all between do
        made.passed, made.longest = len(gap), Gap(int(gap[high]), spot(int(rows[high])))
        _add_mean(made, bounds, gap)
        return made
    late, spacing = bounds.lateness(gap), bounds.spacing(gap)
    is_late = late == FAIL
    is_early = (spacing == FAIL) & (np.full(len(gap), False) if bounds.low_ns is None else gap < bounds.low_ns)
    is_long = (spacing == FAIL) & ~is_early & ~is_late
    unsure = ~is_late & ~is_early & ~is_long & ((late == UNDECIDED) | (spacing == UNDECIDED))
    doubtful = doubt & (is_late | is_long | (unsure & (gap >= (bounds.high_ns or bounds.late_ns or 0))))
    for name, mask in (
        ("late", is_late & ~doubt),
        ("long", is_long & ~doubt),
        ("early", is_early),
        ("undecided", unsure & ~doubtful),
        ("doubtful", doubtful),
    ):
        found = np.flatnonzero(mask)
        if len(found):
            getattr(made, name).add(len(found), spot(int(rows[found[0]])))
    made.passed = len(gap) - made.failed - made.undecided.number - made.doubtful.number
    kept = np.flatnonzero(~doubtful)
    if len(kept):
        high = int(kept[gap[kept].argmax()])
        made.longest = Gap(int(gap[high]), spot(int(rows[high])))
    _add_mean(made, bounds, gap[~doubt & ~is_late])
    return made


def _add_mean(made: GapTally, bounds: Bounds, gap: NDArray[np.int64]) -> None:
    """Add gaps that are neither late nor in doubt to the mean period and its spread."""
    made.in_time, made.in_time_ns = len(gap), int(gap.sum())
    if bounds.period_ns:
        deviation = (gap - bounds.period_ns) // 1000
        deviation = deviation[np.abs(deviation) < NEAR_US]
        square = deviation * deviation
        made.near, made.deviation_us = len(deviation), int(deviation.sum())
        made.square_us = (int((square >> 32).sum()) << 32) + int((square & 0xFFFF_FFFF).sum())
