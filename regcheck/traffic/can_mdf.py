"""Reads CAN bus logging of ASAM MDF 4 files (ASAM MDF, associated standard for bus logging), through asammdf.

Groups ``CAN_DataFrame``, ``CAN_ErrorFrame`` and ``CAN_RemoteFrame`` are merged by time. asammdf hands times over as floating-point
seconds since the file's start, which is exact: below a nanosecond for about fifty days. Places are the number of the frame, from 1.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.errors import CaptureError, Place
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.frames import (
    CLASSIC_LENGTH,
    EXTENDED_LARGEST,
    FD_LENGTHS,
    RAW_DLC_NOTE,
    STANDARD_LARGEST,
    FrameBuilder,
    FrameColumns,
    frame_keys,
)
from regcheck.traffic.source import Source

MAGIC = b"MDF     4"
_KINDS = {"CAN_DataFrame": Flag(0), "CAN_ErrorFrame": Flag.ERROR, "CAN_RemoteFrame": Flag.REMOTE}
_RECORDS = 65_536
_LONGEST_S = 1e9  # thirty years from the file's start
_FAULTS = (OSError, ValueError, LookupError, EOFError, ArithmeticError, TypeError, AttributeError, AssertionError, struct.error, zlib.error)


@dataclass(frozen=True, slots=True)
class MdfReader:
    """A bus logging file; ``batches`` reads it, from the start each time."""

    source: Source

    @classmethod
    def open(cls, source: Source) -> MdfReader:
        """Look for groups of CAN frames; CaptureError: asammdf is not installed, cannot read the file, or finds none."""
        reader = cls(source)
        with reader._opened() as mdf:
            if not _groups(mdf):
                raise CaptureError(Place(source.file), "the MDF file holds no CAN bus logging", f"expected channels {', '.join(_KINDS)}")
        return reader

    def batches(self) -> Iterator[Batch]:
        """Yield the frames in batches."""
        builder = FrameBuilder(self.source.file, self.source.number, self.source.batch_size, by_line=True)
        place = 1
        try:
            with self._opened() as mdf:
                start_ns = int(mdf.header.abs_time)
                for found in _merged([_slices(mdf, group, name) for group, name in _groups(mdf)]):
                    builder.add_frames(found.columns(builder, start_ns, place))
                    place += len(found.time)
                    yield from builder.ready()
        except _FAULTS as error:
            builder.complain("log damaged", f"asammdf cannot read on: {type(error).__name__}: {error}", place)
        yield from builder.finish()

    @contextmanager
    def _opened(self) -> Iterator[Any]:
        """Open the file ourselves: asammdf leaves one open that it refuses."""
        try:
            from asammdf import MDF
            from asammdf.blocks.utils import MdfException
        except ImportError:
            hint = "install the extra: pip install 'regcheck[mdf]'"
            raise CaptureError(Place(self.source.file), "reading ASAM MDF 4 needs asammdf, which is not installed", hint) from None
        with self.source.path.open("rb") as plain:
            is_packed = plain.read(2) == b"\x1f\x8b"
            plain.seek(0)
            file = BytesIO(b"".join(self.source.stream())) if is_packed else plain
            try:
                mdf = MDF(file)
            except (*_FAULTS, MdfException) as error:
                raise CaptureError(Place(self.source.file), f"asammdf cannot read it: {error}", "record it anew") from None
            with mdf:
                yield mdf


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Some frames of one or more groups: time in seconds since the start, and what the records say."""

    time: NDArray[np.float64]
    bus: NDArray[np.int64]
    id: NDArray[np.uint64]
    extended: NDArray[np.bool_]
    flags: NDArray[np.uint16]
    code: NDArray[np.int64]  # the DLC
    length: NDArray[np.int64]
    bytes: NDArray[np.uint8]  # n x 64

    def picked(self, which: NDArray[Any]) -> _Rows:
        return _Rows(*(getattr(self, name)[which] for name in _Rows.__slots__))

    def columns(self, builder: FrameBuilder, start_ns: int, place: int) -> FrameColumns:
        """Return them as columns; what no bus can carry is a complaint and left out."""
        places = np.arange(place, place + len(self.time))
        is_fd = self.flags & Flag.FD != 0
        is_raw = ~is_fd & (self.code > CLASSIC_LENGTH) & (self.code <= 15)
        for index in np.flatnonzero(is_raw).tolist():
            builder.complain(RAW_DLC_NOTE, f"DLC {self.code[index]} of a classic frame; it stands for 8 bytes", int(places[index]))
        length = np.where(self.flags & Flag.REMOTE != 0, 0, self.length)
        is_good = np.isin(length, FD_LENGTHS) & (is_fd | (length <= CLASSIC_LENGTH))
        is_good &= self.id <= np.where(self.extended, EXTENDED_LARGEST, STANDARD_LARGEST)
        is_good &= np.abs(self.time) < _LONGEST_S
        for index in np.flatnonzero(~is_good).tolist():
            text = f"id 0x{self.id[index]:X} with {length[index]} bytes at {self.time[index]} s is no frame that a bus can carry"
            builder.complain("impossible frame", text, int(places[index]))
        kept = self.picked(is_good)
        length = length[is_good]
        bus = np.array([builder.bus_number("" if number < 0 else str(number)) for number in kept.bus.tolist()], np.uint64)
        return FrameColumns(
            time=start_ns + np.rint(kept.time * 1e9).astype(np.int64),
            key=frame_keys(bus, kept.extended, kept.id),
            flags=kept.flags,
            place=places[is_good],
            length=length,
            data=kept.bytes[np.arange(64) < length[:, np.newaxis]],
        )


def _groups(mdf: Any) -> list[tuple[int, str]]:
    return sorted({(group, name) for name in _KINDS for group, _ in mdf.channels_db.get(name, ())})


def _slices(mdf: Any, group: int, name: str) -> Iterator[_Rows]:
    count = int(mdf.groups[group].channel_group.cycles_nr)
    for offset in range(0, count, _RECORDS):
        some = min(_RECORDS, count - offset)
        yield _rows(mdf.get(name, group, record_offset=offset, record_count=some, raw=True, ignore_invalidation_bits=True), name)


def _rows(signal: Any, name: str) -> _Rows:
    samples = signal.samples
    count = len(samples)

    def column(part: str, default: int = 0) -> NDArray[np.int64]:
        full = f"{name}.{part}"
        if full not in samples.dtype.names:
            return np.full(count, default, np.int64)
        values = samples[full]
        if values.dtype.kind == "S":
            values = np.char.lower(values) == b"tx"
        return np.asarray(values, np.int64)

    words = column("ID")
    is_error = name == "CAN_ErrorFrame"
    extended = (column("IDE") != 0) | (words >> 31 & 1 == 1) | is_error
    flags = np.full(count, int(_KINDS[name]), np.uint16)
    for part, flag in (("EDL", Flag.FD), ("BRS", Flag.RATE_SWITCH), ("Dir", Flag.SENT_HERE)):
        flags |= np.where(column(part) != 0, np.uint16(flag), np.uint16(0))
    code = column("DLC")
    bytes_ = np.zeros((count, 64), np.uint8)
    full = f"{name}.DataBytes"
    width = 0
    if full in samples.dtype.names and samples[full].ndim == 2:
        width = min(samples[full].shape[1], 64)
        bytes_[:, :width] = samples[full][:, :width]
    length = column("DataLength", -1)
    by_code = np.array(FD_LENGTHS)[np.clip(code, 0, 15)]
    length = np.where(length < 0, np.where(flags & Flag.FD != 0, by_code, np.minimum(by_code, CLASSIC_LENGTH)), length)
    if width:
        length = np.where(length > width, 64 + length, length)  # more than is there: refused
    number = (words & EXTENDED_LARGEST).astype(np.uint64)
    return _Rows(signal.timestamps, column("BusChannel", -1), number, extended, flags, code, length, bytes_)


def _merged(groups: list[Iterator[_Rows]]) -> Iterator[_Rows]:
    """Merge groups by time, each of which is in order of time."""
    held: list[tuple[Iterator[_Rows], _Rows]] = [(group, rows) for group in groups if (rows := next(group, None)) is not None]
    while held:
        limit = min(float(rows.time[-1]) for _, rows in held)
        ready = [rows.picked(rows.time <= limit) for _, rows in held]
        joined = _Rows(*(np.concatenate([getattr(rows, name) for rows in ready]) for name in _Rows.__slots__))
        yield joined.picked(np.argsort(joined.time, kind="stable"))
        later = []
        for group, rows in held:
            rest: _Rows | None = rows.picked(rows.time > limit)
            if rest is not None and not len(rest.time):
                rest = next(group, None)
            if rest is not None:
                later.append((group, rest))
        held = later
