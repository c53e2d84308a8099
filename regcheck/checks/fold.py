"""A capture through accumulators: in one stretch, or in several at once, chained as if it had been read in one pass.

What a stretch begins with is supposed at first (``traffic.segments``): the epoch, the numbers of the buses, the messages in parts that
are under way. Once the stretch before has been read it is known, and a stretch that supposed wrongly is read anew with what is known;
two whose seam is none are read as one. So the result is that of one pass, whatever was supposed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Generic, Protocol, TypeVar

from regcheck.checks.ordered_map import InTurn, OrderedMap
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.plan import ColumnPlan
from regcheck.traffic.batch import Batch
from regcheck.traffic.open import Capture
from regcheck.traffic.segments import SeamError
from regcheck.traffic.transports import UnderWay

Progress = Callable[[Capture, int, int], None]
"""Called after each batch with the capture, the messages read so far and the time reached in ns."""

PARTS_EACH = 3
"""Stretches a worker: the last one to end keeps the others waiting for less."""

SHORTEST = 1 << 20
"""A stretch is not cut shorter than so many bytes: a worker takes longer to be told of it than to read it."""


class Follows(Protocol):
    """What a fold fills: takes batches in order, and a later one of its kind."""

    def update(self, decoded: DecodedBatch) -> None:
        """Take the next batch in order of time."""

    def then(self, later: Any) -> None:
        """Take all that a later one has seen."""


T = TypeVar("T", bound=Follows)


@dataclass(frozen=True, slots=True)
class Work(Generic[T]):
    """One pass over a capture, in a form that can be sent to another process: what makes its decoder, what makes what it fills."""

    decoder: Callable[[], ColumnPlan]
    new: Callable[[], T]


@dataclass(frozen=True, slots=True)
class Splitting:
    """How captures are cut: by how many workers, what maps the stretches, how short they may be."""

    run: OrderedMap = InTurn()  # noqa: RUF009 - it has no state
    shortest: int = SHORTEST

    def parts(self, capture: Capture) -> int:
        """Return into how many stretches a capture is cut, if its format allows."""
        if self.run.workers < 2:
            return 1
        size = capture.path.stat().st_size if capture.path.is_file() else 0
        return max(1, min(PARTS_EACH * self.run.workers, size // self.shortest))


ONE_PASS = Splitting()


@dataclass(frozen=True, slots=True)
class _Task(Generic[T]):
    work: Work[T]
    part: Capture
    given: tuple[UnderWay, ...] | None = None  # None: to be learnt from the lead


@dataclass(frozen=True, slots=True)
class _Folded(Generic[T]):
    """One stretch, read: what it filled, what it was given, and what was known at its end."""

    done: T
    given: tuple[UnderWay, ...]
    under_way: tuple[UnderWay, ...]
    first_ns: int | None
    end_ns: int | None
    epoch: int
    buses: tuple[str, ...]
    messages: int
    ends_well: bool = True


def watched(capture: Capture, progress: Progress | None) -> Iterator[Batch]:
    """Give a capture's batches, telling ``progress`` of each."""
    messages = 0
    for batch in capture.batches():
        messages += len(batch)
        yield batch
        if progress is not None:
            progress(capture, messages, batch.end_ns)


def _fold_part(task: _Task[T], progress: Progress | None = None) -> _Folded[T]:
    """Read one stretch."""
    plan, done, part = task.work.decoder(), task.work.new(), task.part
    start, given = part.segment.start, task.given
    if start is not None:
        if given is None:
            lead = replace(part.segment, start=part.segment.lead, until=start.offset, lead=None)
            given = plan.lead(_until_seam(part.part(lead))) if plan.has_transports and lead.start is not None else plan.under_way()
            plan = task.work.decoder()
        plan.resume(start.epoch, given)
    first_ns = end_ns = None
    epoch, buses = (start.epoch, start.buses) if start is not None else (0, ("",))
    messages, ends_well = 0, True
    first_epoch = epoch
    try:
        for batch in watched(part, progress):
            if batch.epoch == first_epoch and len(batch):
                first_ns = int(batch.time[0]) if first_ns is None else min(first_ns, int(batch.time[0]))
            epoch, buses, end_ns, messages = batch.epoch, batch.buses, batch.end_ns, messages + len(batch)
            done.update(plan.decode(batch))
    except SeamError:
        ends_well = False
    if part.segment.until is None:
        rest = plan.finish()
        if rest is not None:
            done.update(rest)
    return _Folded(done, given or (), plan.under_way(), first_ns, end_ns, epoch, buses, messages, ends_well)


def _until_seam(part: Capture) -> Iterator[Batch]:
    try:
        yield from part.batches()
    except SeamError:
        return


def fold(work: Work[T], capture: Capture, splitting: Splitting = ONE_PASS, progress: Progress | None = None) -> T:
    """Read a capture through what ``work`` makes, and return it filled as one pass would."""
    parts = splitting.parts(capture)
    if parts < 2:
        return _fold_part(_Task(work, capture), progress).done
    tasks: list[_Task[T]] = []
    results: list[_Folded[T] | None] = []
    messages = 0
    todo = (_noted(_Task(work, part), tasks) for part in capture.segments(parts))
    for folded in splitting.run(_fold_part, todo):
        results.append(folded)
        messages += folded.messages
        if progress is not None:
            progress(capture, messages, folded.end_ns or 0)
    while again := _corrected(tasks, results):
        for at, folded in zip(again, splitting.run(_fold_part, [tasks[at] for at in again]), strict=True):
            results[at] = folded
    done, *later = (folded.done for folded in results if folded is not None)
    for one in later:
        done.then(one)
    return done


def _noted(task: _Task[T], tasks: list[_Task[T]]) -> _Task[T]:
    tasks.append(task)
    return task


def _corrected(tasks: list[_Task[T]], results: list[_Folded[T] | None]) -> list[int]:
    """Join stretches whose seam is none, correct what others were given; return which must be read anew, none where all fits."""
    at = 1
    while at < len(results):
        before, here = results[at - 1], results[at]
        if before is None or (here is not None and not _is_seam(before, here)):
            segment = replace(tasks[at - 1].part.segment, until=tasks[at].part.segment.until)
            tasks[at - 1 : at + 1] = [replace(tasks[at - 1], part=tasks[at].part.part(segment))]
            results[at - 1 : at + 1] = [None]
        else:
            at += 1
    again = [at for at, one in enumerate(results) if one is None]
    if again:
        return again
    known: tuple[frozenset[Any], ...] = ()
    shift = 0
    for at, here in enumerate(results):
        assert here is not None  # noqa: S101 - looked at above
        start = tasks[at].part.segment.start
        before = results[at - 1]
        if start is None or before is None:
            known = tuple(one.known for one in here.under_way)
            continue
        epoch = before.epoch + shift
        fits = start.epoch == epoch and start.buses == before.buses and _fits(before.under_way, here, known)
        if not fits:
            again.append(at)
            right = replace(start, epoch=epoch, buses=before.buses)
            sessions = tuple(replace(one, known=seen, doubted=frozenset()) for one, seen in zip(before.under_way, known, strict=True))
            moved = tasks[at].part.part(replace(tasks[at].part.segment, start=right))
            tasks[at] = replace(tasks[at], part=moved, given=sessions)
        shift = epoch - start.epoch
        ended = tuple(one.known for one in here.under_way)
        known = ended if here.epoch != start.epoch else tuple(seen | own for seen, own in zip(known, ended, strict=True))
    return again


def _is_seam(before: _Folded[T], here: _Folded[T]) -> bool:
    """Return whether one stretch may follow another: the first is at rest where it ends, and nothing of the second is earlier."""
    return before.ends_well and before.end_ns is not None and (here.first_ns is None or here.first_ns >= before.end_ns)


def _fits(before: Sequence[UnderWay], here: _Folded[T], known: Sequence[frozenset[Any]]) -> bool:
    """Return whether a stretch was given the messages in parts that are under way, and need not have known of earlier ones."""
    return all(
        left.sessions == given.sessions and not right.doubted & seen
        for left, given, right, seen in zip(before, here.given, here.under_way, known, strict=True)
    )
