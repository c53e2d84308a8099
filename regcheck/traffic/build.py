"""Puts batches together from what a reader finds: transfers, complaints, horizons, epochs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import Place
from regcheck.traffic.batch import Batch, Complaint
from regcheck.traffic.segments import Start
from regcheck.traffic.shapes import LONGEST, Transfer, TransferColumns, message_keys

BATCH_SIZE = 262_144  # messages: a decoder's fixed costs a batch weigh little, and the columns still stay in tens of megabytes
COMPLAINTS_IN_FULL = 5
PLACES_KEPT = 1 << 20  # of complaints of one kind in one batch: some megabytes
_ROWS = 8_192  # single transfers are turned into columns in heaps of this many


class BatchBuilder:
    """Collects transfers in order of time and cuts them into batches of at most ``batch_size``.

    Where a batch is cut depends on the transfers alone, never on how the file was chunked: a batch ends at the start of the first
    transfer of the next one, the last batch of an epoch at its horizon. Places are line numbers if ``by_line``, else byte offsets.
    """

    def __init__(self, file: str, source: int = 0, batch_size: int = BATCH_SIZE, *, by_line: bool = False) -> None:
        self.file = file
        self._by_line = by_line
        self._source = source
        self._batch_size = batch_size
        self._buses: dict[str, int] = {}
        self._epoch = 0
        self._begin_ns: int | None = None
        self._horizon_ns = 0
        self._blocks: list[TransferColumns] = []
        self._held = 0
        self._rows: list[tuple[Transfer, int]] = []
        self._complaints: list[Complaint] = []
        self._complained: dict[str, int] = {}
        self._complained_at: dict[str, list[int]] = {}
        self._is_last = False
        self._ready: list[Batch] = []

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses seen so far; the place in it is the number in ``MessageKey.bus``."""
        return tuple(self._buses) or ("",)

    def resume(self, start: Start | None) -> None:
        """Begin in the middle of a file; None: at its beginning."""
        if start is not None:
            self._epoch = start.epoch
            self._begin_ns = self._horizon_ns = start.now_ns
            self._buses = {name: number for number, name in enumerate(start.buses)}

    def bus_number(self, name: str) -> int:
        """Return the number of the bus ``name``, a new one where it is new."""
        return self._buses.setdefault(name, len(self._buses))

    def advance(self, now_ns: int) -> None:
        """Tell that the capture is known up to ``now_ns``; the first call of an epoch sets where it begins."""
        if self._begin_ns is None:
            self._begin_ns = self._horizon_ns = now_ns
        self._horizon_ns = max(self._horizon_ns, now_ns)

    def add(self, transfer: Transfer, place: int) -> None:
        """Take one transfer that starts no earlier than the one before it; at most ``LONGEST`` bytes."""
        self._rows.append((transfer, place))
        if len(self._rows) >= _ROWS:
            self._gather()

    def add_columns(self, columns: TransferColumns) -> None:
        """Take many transfers at once, in order of time."""
        self._gather()
        self._append(columns)

    def complain(self, kind: str, text: str, place: int) -> None:
        """Note a damaged record at ``place``; ``text`` says what was found, ``kind`` is what it is counted by."""
        if self.room_for(kind):
            where = Place(self.file, line=place) if self._by_line else Place(self.file, offset=place)
            self._complaints.append(Complaint(where, text, kind))
        self.count(kind, [place])

    def count(self, kind: str, places: Sequence[int]) -> None:
        """Count complaints of ``kind`` at ``places`` without their texts."""
        self._complained[kind] = self._complained.get(kind, 0) + len(places)
        known = self._complained_at.setdefault(kind, [])
        known += places[: PLACES_KEPT - len(known)]

    def _complaints_with(self, places: NDArray[np.int64]) -> dict[str, Any]:
        """Hand over, as a batch has them, the complaints up to the last of its messages' places; with the last batch all of them.

        A reader complains as it reads, often far ahead of the messages that it has handed over.
        """
        last = int(places.max()) if len(places) and not self._is_last else None
        own: list[Complaint] = []
        rest: list[Complaint] = []
        for one in sorted(self._complaints, key=lambda one: (one.place, one.kind)):
            (own if last is None or max(one.place.line, one.place.offset) <= last else rest).append(one)
        counts: dict[str, int] = {}
        known: dict[str, tuple[int, ...]] = {}
        for kind, at in sorted(self._complained_at.items()):
            now = [place for place in at if last is None or place <= last]
            if len(at) < self._complained[kind]:  # too many to know where each is: they go together
                counts[kind], self._complained[kind], self._complained_at[kind] = self._complained[kind], 0, []
            elif now:
                counts[kind], known[kind] = len(now), tuple(now)
                self._complained_at[kind] = [place for place in at if last is not None and place > last]
                self._complained[kind] = len(self._complained_at[kind])
        self._complaints = rest
        self._complained = {kind: count for kind, count in self._complained.items() if count}
        self._complained_at = {kind: self._complained_at[kind] for kind in self._complained}
        return {"complaints": tuple(own), "complained": counts, "complained_at": known}

    def room_for(self, kind: str) -> int:
        """Return how many complaints of ``kind`` would still be kept in full."""
        return max(0, COMPLAINTS_IN_FULL - self._complained.get(kind, 0))

    def ready(self) -> Iterator[Batch]:
        """Yield the batches that are full."""
        batches, self._ready = self._ready, []
        yield from batches

    def new_epoch(self) -> None:
        """End the epoch: what is held becomes its last batch, and the next transfer may lie earlier in time."""
        self._end_epoch()
        self._epoch += 1

    def cut(self, now_ns: int) -> Iterator[Batch]:
        """Yield all that is held, up to ``now_ns``, when a live bus is known to be silent since; the epoch goes on."""
        self.advance(now_ns)
        self._gather()
        self._cut(self._merged(), self._horizon_ns)
        self._blocks, self._held = [], 0
        yield from self.ready()

    def finish(self) -> Iterator[Batch]:
        """Yield the remaining batches; one without transfers where the capture holds none."""
        self._gather()
        self._is_last = True
        self._end_epoch()
        yield from self.ready()

    def _end_epoch(self) -> None:
        self._gather()
        if self._begin_ns is not None or self._held or self._complained:
            self._cut(self._merged(), self._horizon_ns)
        self._blocks, self._held, self._begin_ns = [], 0, None

    def _gather(self) -> None:
        if not self._rows:
            return
        rows, self._rows = self._rows, []
        transfers = [row[0] for row in rows]
        bytes_ = [b"".join(transfer.parts) for transfer in transfers]
        buses = self._buses
        self._append(
            TransferColumns(
                time=np.array([t.time_ns for t in transfers], np.int64),
                end=np.array([t.time_ns if t.end_ns is None else t.end_ns for t in transfers], np.int64),
                bus=np.array([buses.setdefault(t.bus, len(buses)) for t in transfers], np.uint64),
                flags=np.array([int(t.flags) for t in transfers], np.uint16),
                place=np.array([row[1] for row in rows], np.int64),
                parts=np.array([len(t.parts) for t in transfers], np.int64),
                split=np.array([t.split for t in transfers], np.int64),
                nack=np.array([t.first_refused for t in transfers], np.int64),
                length=np.array([len(item) for item in bytes_], np.int64),
                data=np.frombuffer(b"".join(bytes_), np.uint8),
            )
        )

    def _append(self, columns: TransferColumns) -> None:
        if not len(columns):
            return
        if columns.length.max() > LONGEST:
            raise ValueError(f"a transfer of {columns.length.max()} bytes; a batch holds at most {LONGEST}")
        if self._begin_ns is None:
            self._begin_ns = self._horizon_ns = int(columns.time[0])
        self._horizon_ns = max(self._horizon_ns, int(columns.end.max()))
        self._blocks.append(columns)
        self._held += len(columns)
        if self._held > self._batch_size:
            merged = self._merged()
            at, count = 0, len(merged)
            while count - at > self._batch_size:
                until = at + self._batch_size
                self._cut(_rows_of(merged, at, until), int(merged.time[until]))
                at = until
            self._blocks = [_rows_of(merged, at, count)]
            self._held = count - at

    def _merged(self) -> TransferColumns:
        blocks = self._blocks or [_NONE]
        if len(blocks) == 1:
            return blocks[0]
        names = TransferColumns.__slots__
        return TransferColumns(**{name: np.concatenate([getattr(block, name) for block in blocks]) for name in names})

    def _cut(self, columns: TransferColumns, end_ns: int) -> None:
        start = np.zeros(len(columns) + 1, np.int64)
        np.cumsum(columns.length, out=start[1:])
        self._ready.append(
            Batch(
                source=self._source,
                epoch=self._epoch,
                begin_ns=end_ns if self._begin_ns is None else self._begin_ns,
                end_ns=end_ns,
                time=columns.time,
                end=columns.end,
                key=message_keys(columns, start),
                flags=columns.flags,
                length=columns.length.astype(np.uint16),
                place=columns.place,
                split=columns.split.astype(np.uint16),
                nack=columns.nack.astype(np.uint16),
                start=start,
                data=columns.data,
                buses=self.buses,
                **self._complaints_with(columns.place),
            )
        )
        self._begin_ns = end_ns


def _rows_of(columns: TransferColumns, at: int, until: int) -> TransferColumns:
    first, last = int(columns.length[:at].sum()), int(columns.length[:until].sum())
    rows = {name: getattr(columns, name)[at:until] for name in TransferColumns.__slots__ if name != "data"}
    return TransferColumns(**rows, data=columns.data[first:last])


def _no(dtype: type[np.generic]) -> np.ndarray:
    return np.zeros(0, dtype)


_NONE = TransferColumns(
    time=_no(np.int64),
    end=_no(np.int64),
    bus=_no(np.uint64),
    flags=_no(np.uint16),
    place=_no(np.int64),
    parts=_no(np.int64),
    split=_no(np.int64),
    nack=_no(np.int64),
    length=_no(np.int64),
    data=_no(np.uint8),
)
