"""CAN frames as every CAN reader finds them, and the batches that they become."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from regcheck.traffic.batch import NO_BYTE, Batch, Flag, Kind
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.segments import Start
from regcheck.traffic.times import format_seconds

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Payload lengths by DLC code 0 to 15 (ISO 11898-1, table of DLC codes); a classic frame has eight bytes from code 8 on."""

CLASSIC_LENGTH = 8
STANDARD_LARGEST, EXTENDED_LARGEST = 0x7FF, 0x1FFF_FFFF
REORDER_NS = 10_000_000
"""Recorders of several buses hand frames over up to some milliseconds out of order; within this they are put in order, beyond it the
clock was set back."""

RAW_DLC_NOTE = "classic DLC above 8"
_HOLD = 1 << 20  # frames that may wait for an earlier one; then the first of them are handed over, and one earlier still begins an epoch


@dataclass(frozen=True, slots=True)
class Frame:
    """One CAN frame. ``id`` is the bare id, 11 or 29 bits as ``extended`` tells; ``data`` is empty for a remote frame. Times in ns."""

    time_ns: int
    id: int
    data: bytes = b""
    extended: bool = False
    flags: Flag = Flag(0)  # noqa: RUF009 (an IntFlag's member, immutable)
    bus: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class FrameColumns:
    """Frames as columns of length n, in the order in which the source has them; ``data`` holds their bytes one after the other."""

    time: NDArray[np.int64]
    key: NDArray[np.uint64]
    flags: NDArray[np.uint16]
    place: NDArray[np.int64]
    length: NDArray[np.int64]
    data: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time)

    def rows(self, at: int, until: int) -> FrameColumns:
        """Return frames ``at`` up to ``until``."""
        first = int(self.length[:at].sum())
        last = first + int(self.length[at:until].sum())
        parts = {item.name: getattr(self, item.name)[at:until] for item in fields(self)[:-1]}
        return FrameColumns(**parts, data=self.data[first:last])

    def in_order(self, order: NDArray[np.int64]) -> FrameColumns:
        """Return the frames in another order."""
        parts = {item.name: getattr(self, item.name)[order] for item in fields(self)[:-1]}
        begin = np.cumsum(self.length) - self.length
        length = parts["length"]
        shift = begin[order] - (np.cumsum(length) - length)
        return FrameColumns(**parts, data=self.data[np.arange(len(self.data)) + np.repeat(shift, length)])


def frame_keys(bus: NDArray[np.uint64], extended: NDArray[np.bool_], number: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return the packed ``MessageKey`` of frames."""
    key: NDArray[np.uint64] = bus << np.uint64(48) | np.uint64(Kind.FRAME << 41)
    key |= extended.astype(np.uint64) << np.uint64(40) | number << np.uint64(8)
    return key


def check_frame(number: int, *, extended: bool, length: int, flags: Flag) -> None:
    """Raise ValueError where no bus could carry the frame: an id too large, a length that its kind does not have."""
    if number > (EXTENDED_LARGEST if extended else STANDARD_LARGEST):
        raise ValueError(f"id 0x{number:X} is larger than a {'29' if extended else '11'}-bit id can be")
    if flags & Flag.FD:
        if flags & Flag.REMOTE:
            raise ValueError("a CAN FD frame cannot be remote")
        if length not in FD_LENGTHS:
            raise ValueError(f"a CAN FD frame of {length} bytes; its lengths are {', '.join(map(str, FD_LENGTHS))}")
    elif length > CLASSIC_LENGTH:
        raise ValueError(f"a classic frame of {length} bytes; it holds at most {CLASSIC_LENGTH}")


class FrameBuilder(BatchBuilder):
    """Collects frames in the order of the source and cuts them, in order of time, into batches of at most ``batch_size``.

    A frame up to ``REORDER_NS`` earlier than one before it is put in its place and counted; one earlier than that begins an epoch.
    """

    def __init__(self, file: str, source: int, batch_size: int, *, by_line: bool = False) -> None:
        super().__init__(file, source, batch_size, by_line=by_line)
        self._stretches: list[FrameColumns] = []
        self._waiting: list[tuple[Frame, int]] = []
        self._peak_ns: int | None = None
        self._last_ns: int | None = None
        self._floor_ns: int | None = None
        self._known_buses = 0
        self._is_disordered = False

    def resume(self, start: Start | None) -> None:
        """Begin in the middle of a file; None: at its beginning."""
        super().resume(start)
        self._known_buses = len(self._buses)

    def add_frame(self, frame: Frame, place: int) -> None:
        """Take one frame, which ``check_frame`` has passed."""
        self._waiting.append((frame, place))
        if len(self._waiting) >= 8192:
            self._take_waiting()

    def add_frames(self, columns: FrameColumns) -> None:
        """Take many frames at once."""
        self._take_waiting()
        self._take(columns)

    def _take_waiting(self) -> None:
        if self._waiting:
            waiting, self._waiting = self._waiting, []
            self._take(columns_of(waiting, self))

    def _take(self, columns: FrameColumns) -> None:
        if not len(columns):
            return
        time = columns.time
        descents = np.flatnonzero(time[1:] < time[:-1]) + 1
        edges = [0, *descents.tolist(), len(time)]
        at, peak = 0, self._peak_ns
        for begin, end in pairwise(edges):
            first, last = int(time[begin]), int(time[end - 1])
            is_earlier = self._last_ns is not None and first < self._last_ns
            self._last_ns = last
            if is_earlier and peak is not None and (first < peak - REORDER_NS or (self._floor_ns is not None and first < self._floor_ns)):
                self._hold(columns.rows(at, begin))
                text = f"time goes backwards, from {format_seconds(peak)} s to {format_seconds(first)} s; a new stretch begins here"
                self.complain("time goes backwards", text, int(columns.place[begin]))
                self.new_epoch()
                at, peak, self._last_ns = begin, last, last
            else:
                if is_earlier and peak is not None:
                    text = f"the frame lies {format_seconds(peak - first)} s before one that stands above it; it is put in its place"
                    self.complain("frame out of order", text, int(columns.place[begin]))
                self._is_disordered |= peak is not None and first < peak
                peak = last if peak is None else max(peak, last)
        self._hold(columns if at == 0 else columns.rows(at, len(columns)))

    def _hold(self, columns: FrameColumns) -> None:
        if not len(columns):
            return
        latest = int(columns.time.max())
        self._peak_ns = latest if self._peak_ns is None else max(self._peak_ns, latest)
        self._stretches.append(columns)
        self._held += len(columns)
        if self._held > self._batch_size:
            self._cut_full()

    def _cut_full(self) -> None:
        merged = self._in_time()
        at, count = 0, len(merged)
        if self._peak_ns is not None and count <= _HOLD:
            count = int(np.searchsorted(merged.time, self._peak_ns - REORDER_NS, "right"))
        while count - at > self._batch_size:
            until = at + self._batch_size
            end_ns = int(merged.time[until])
            self._cut_frames(merged.rows(at, until), end_ns)
            self._floor_ns = end_ns
            at = until
        self._stretches = [merged.rows(at, len(merged))]
        self._held = len(merged) - at

    def _in_time(self) -> FrameColumns:
        stretches = self._stretches
        names = [item.name for item in fields(FrameColumns)]
        merged = (
            stretches[0]
            if len(stretches) == 1
            else FrameColumns(**{name: np.concatenate([getattr(stretch, name) for stretch in stretches]) for name in names})
        )
        if self._is_disordered:
            merged = merged.in_order(np.argsort(merged.time, kind="stable"))
            self._is_disordered = False
        return merged

    def cut(self, now_ns: int) -> Iterator[Batch]:
        """Yield all that is held, up to ``now_ns``, when a live bus is known to be silent since; the epoch goes on."""
        self._take_waiting()
        self.advance(now_ns)
        frames = self._in_time() if self._stretches else columns_of([], self)
        self._cut_frames(frames, max(self._horizon_ns, int(frames.time[-1])) if len(frames) else self._horizon_ns)
        self._stretches, self._held = [], 0
        yield from self.ready()

    def finish(self) -> Iterator[Batch]:
        """Yield the remaining batches; one without frames where the capture holds none."""
        self._take_waiting()  # an epoch may end among them, which is not the last then
        yield from super().finish()

    def _end_epoch(self) -> None:
        self._take_waiting()
        if self._stretches:
            merged = self._in_time()
            at = 0
            is_last, self._is_last = self._is_last, False
            while len(merged) - at > self._batch_size:
                self._cut_frames(merged.rows(at, at + self._batch_size), int(merged.time[at + self._batch_size]))
                at += self._batch_size
            self._is_last = is_last
            self._cut_frames(merged.rows(at, len(merged)), int(merged.time[-1]))
        elif self._complained:
            self._cut_frames(columns_of([], self), self._horizon_ns)
        self._stretches, self._held = [], 0
        self._begin_ns = self._peak_ns = self._last_ns = self._floor_ns = None

    def _cut_frames(self, columns: FrameColumns, end_ns: int) -> None:
        start = np.zeros(len(columns) + 1, np.int64)
        np.cumsum(columns.length, out=start[1:])
        if self._begin_ns is None:
            self._begin_ns = int(columns.time[0]) if len(columns) else end_ns
        if len(columns):
            self._known_buses = max(self._known_buses, int(columns.key.max() >> np.uint64(48)) + 1)
        self._ready.append(
            Batch(
                source=self._source,
                epoch=self._epoch,
                begin_ns=self._begin_ns,
                end_ns=end_ns,
                time=columns.time,
                end=columns.time,
                key=columns.key,
                flags=columns.flags,
                length=columns.length.astype(np.uint16),
                place=columns.place,
                split=np.zeros(len(columns), np.uint16),
                nack=np.full(len(columns), NO_BYTE, np.uint16),
                start=start,
                data=columns.data,
                buses=self.buses[: self._known_buses] or ("",),
                **self._complaints_with(columns.place),
            )
        )
        self._begin_ns = self._horizon_ns = end_ns


def columns_of(frames: Sequence[tuple[Frame, int]], builder: FrameBuilder) -> FrameColumns:
    """Return frames and their places as columns; ``builder`` numbers their buses."""
    return FrameColumns(
        time=np.array([frame.time_ns for frame, _ in frames], np.int64),
        key=frame_keys(
            np.array([builder.bus_number(frame.bus) for frame, _ in frames], np.uint64),
            np.array([frame.extended for frame, _ in frames], np.bool_),
            np.array([frame.id for frame, _ in frames], np.uint64),
        ),
        flags=np.array([int(frame.flags) for frame, _ in frames], np.uint16),
        place=np.array([place for _, place in frames], np.int64),
        length=np.array([len(frame.data) for frame, _ in frames], np.int64),
        data=np.frombuffer(b"".join(frame.data for frame, _ in frames), np.uint8),
    )
