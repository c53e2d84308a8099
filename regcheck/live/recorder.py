"""Files of a live recording: on the disk as it comes, cut by size or time, never over what is there.

A whole heap of lines goes to the file at once, each ``FLUSH_NS`` or faster, and to the disk itself each ``SYNC_NS``: after a kill or a
power cut all but the last second is there. Where the disk is full, the file ends with its last whole line.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from glob import escape
from pathlib import Path
from typing import TYPE_CHECKING

from regcheck.errors import BusError, UsageError
from regcheck.live.clock import Clock
from regcheck.traffic.can_log import frame_line
from regcheck.traffic.frames import Frame
from regcheck.traffic.transfer_log import head_line, heard_line, tick_line

if TYPE_CHECKING:
    from regcheck.live.ear import Heard

SYNC_NS = 500_000_000
TICK_NS = 1_000_000_000
"""How often a silent bus is said to be silent in a transfer log."""


@dataclass(frozen=True, slots=True)
class Rotation:
    """When a new file begins: at ``size`` bytes, or after ``time_ns``; 0: never."""

    size: int = 0
    time_ns: int = 0


class Recorder:
    """Writes what is heard to ``path``, or with a rotation to NAME-0001.SUFFIX and on. ``kind`` is ``smbus`` or ``can``.

    UsageError: a file is there already and ``force`` is not given, or the folder is missing. BusError while writing: the disk is full or
    gone; the file is closed and ends with a whole line.
    """

    def __init__(self, path: Path, *, kind: str, clock: Clock, rotation: Rotation = Rotation(), force: bool = False) -> None:
        self.path, self.kind = path, kind
        self.files: list[Path] = []
        self.bytes = 0
        self._clock, self._rotation, self._force = clock, rotation, force
        self._about: Mapping[str, object] = {}
        self._descriptor = -1
        self._size = self._written = 0
        self._began_ns = self._synced_ns = 0
        self._ticked_ns = 0
        self._unsynced = False
        self._refuse()

    @property
    def is_rotating(self) -> bool:
        """Whether files are numbered."""
        return self._rotation != Rotation()

    def numbered(self, number: int) -> Path:
        """Return the name of the ``number``-th file, from 1."""
        return self.path.with_name(f"{self.path.stem}-{number:04d}{self.path.suffix}") if self.is_rotating else self.path

    def _refuse(self) -> None:
        folder = self.path.parent
        if not folder.is_dir():
            raise UsageError(f"{self.path}: there is no folder {folder}; make it first")
        if self.path.is_dir():
            raise UsageError(f"{self.path}: is a folder; name a file in it")
        stem, suffix = escape(self.path.stem), escape(self.path.suffix)
        numbered = f"{stem}-[0-9][0-9][0-9][0-9]{suffix}"
        there = sorted(folder.glob(numbered)) if self.is_rotating else [self.path]
        found = next((one for one in there if one.exists() and not one.is_char_device()), None)
        if found is not None and not self._force:
            raise UsageError(f"{found}: is there already; name another file, or --force to write over it")

    def begin(self, about: Mapping[str, object]) -> None:
        """Open the first file; ``about`` goes into its head."""
        self._about = about
        self._open()

    def write(self, heard: Sequence[Heard], horizon_ns: int) -> None:
        """Write what was heard up to ``horizon_ns``, in order of time; what is in the file afterwards outlives this process."""
        turn = self._rotation
        is_old = turn.time_ns and self._clock.monotonic_ns() - self._began_ns >= turn.time_ns
        if is_old or (turn.size and self._size >= turn.size):
            self._next()
        if self.kind == "can":
            lines = [frame_line(one) for one in heard if isinstance(one, Frame)]
        else:
            lines = [heard_line(one) for one in heard if not isinstance(one, Frame)]
            if lines:
                self._ticked_ns = horizon_ns
            elif horizon_ns - self._ticked_ns >= TICK_NS:
                self._ticked_ns = horizon_ns
                lines = [tick_line(horizon_ns)]
        if lines:
            self._put("".join(lines).encode())
        self._sync()

    def finish(self, horizon_ns: int) -> None:
        """Say up to when the bus was listened to, and close the file."""
        if self._descriptor >= 0:
            if self.kind != "can" and horizon_ns > self._ticked_ns:
                self._put(tick_line(horizon_ns).encode())
            self.close()

    def close(self) -> None:
        """Put all on the disk and close the file."""
        if self._descriptor >= 0:
            self._guarded(self._fsync)
            self._shut()

    def _open(self) -> None:
        path = self.numbered(len(self.files) + 1)
        how = os.O_WRONLY | os.O_CREAT | (os.O_TRUNC if self._force else os.O_EXCL)
        if path.is_char_device():
            how = os.O_WRONLY
        try:
            self._descriptor = os.open(path, how, 0o666)
        except FileExistsError as error:
            raise UsageError(f"{path}: is there already; name another file, or --force to write over it") from error
        except OSError as error:
            if error.errno == errno.ENOSPC:
                raise self._full(error) from error
            raise UsageError(f"{path}: cannot be written: {error.strerror}; name a file in a folder that may be written to") from error
        self.files.append(path)
        self._size = 0
        self._began_ns = self._synced_ns = self._clock.monotonic_ns()
        if self.kind != "can":
            self._put(head_line(clock="epoch", about=self._about).encode())
        self._guarded(lambda: _sync_folder(path.parent))

    def _next(self) -> None:
        self.close()
        self._open()

    def _put(self, data: bytes) -> None:
        """Write whole lines; where they do not all fit, what does not end with a line is taken away again."""
        whole = self._size
        view = memoryview(data)

        def put() -> None:
            nonlocal view, whole
            while view:
                count = os.write(self._descriptor, view)
                self._size += count
                view = view[count:]

        try:
            put()
        except OSError as error:
            kept = whole + data[: self._size - whole].rfind(b"\n") + 1
            self._size = kept
            try:
                os.ftruncate(self._descriptor, kept)
                os.fsync(self._descriptor)
            except OSError:  # a device, or a disk that is gone: a reader passes over a torn line
                pass
            self.bytes += kept - whole
            self._shut()
            raise self._full(error) from error
        self.bytes += len(data)
        self._unsynced = True

    def _sync(self) -> None:
        now = self._clock.monotonic_ns()
        if self._unsynced and now - self._synced_ns >= SYNC_NS:
            self._guarded(self._fsync)
            self._synced_ns = now

    def _fsync(self) -> None:
        try:
            os.fsync(self._descriptor)
        except OSError as error:
            if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a pipe or a device has nothing to sync
                raise
        self._unsynced = False

    def _guarded(self, act: Callable[[], None]) -> None:
        try:
            act()
        except OSError as error:
            self._shut()
            raise self._full(error) from error

    def _shut(self) -> None:
        descriptor, self._descriptor = self._descriptor, -1
        if descriptor >= 0:
            os.close(descriptor)

    def _full(self, error: OSError) -> BusError:
        path = self.numbered(max(len(self.files), 1))
        what = "the disk is full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else f"cannot be written any more: {error.strerror}"
        return BusError(f"{path}: {what}; recording has ended, what is there can be read")


def _sync_folder(folder: Path) -> None:
    """Put the name of a new file on the disk, too."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a file system that has no such thing
            raise
    finally:
        os.close(descriptor)
