"""Several buses at once: a thread for each, what they hear merged in order of time, recorded, and handed on in batches."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from regcheck.errors import BusError
from regcheck.live.clock import Anchor, Clock
from regcheck.live.ear import STEP_S, Ear, Heard, time_of
from regcheck.live.recorder import Recorder
from regcheck.live.source import TICK_NS, Stop
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.frames import Frame, FrameBuilder
from regcheck.traffic.heard import take

HELD_NS = 2_000_000_000
"""How long one bus may keep the others waiting for its place in the order of time."""


class Listening:
    """The live source of some buses of one kind; ``LiveSource`` says what it gives."""

    def __init__(self, kind: str, ears: Sequence[Ear], clock: Clock, anchor: Anchor, recorder: Recorder | None = None) -> None:
        self.kind = kind
        self.ears = tuple(ears)
        self.recorder = recorder
        self.anchor = anchor
        self.heard = 0
        self._clock = clock
        self._waiting: list[Heard] = []
        self._horizon_ns = anchor.now_ns()
        self._is_open = False

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses, ("",) for one SMBus that the map does not name."""
        return tuple(ear.label for ear in self.ears)

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user is to be told; complete once the buses are open."""
        return tuple(note for ear in self.ears for note in ear.notes)

    def open(self) -> None:
        """Open every bus; BusError: one of them cannot be, and none stays open."""
        if self._is_open:
            return
        opened: list[Ear] = []
        try:
            for ear in self.ears:
                opened.append(ear)
                ear.open()
        except BusError:
            for ear in opened:
                ear.close()
            raise
        self._is_open = True

    def batches(self, until: Stop) -> Iterator[Batch]:
        """Yield what is heard until told to stop."""
        self.open()
        end = Stop()
        threads = ThreadPoolExecutor(len(self.ears), "regcheck")
        running: list[Future[None]] = []
        name = ", ".join(dict.fromkeys(ear.label or self.kind for ear in self.ears))
        builder = FrameBuilder(name, 0, 1 << 18, by_line=True) if self.kind == "can" else BatchBuilder(name, 0, 1 << 18, by_line=True)
        for label in self.buses:
            builder.bus_number(label)
        try:
            if self.recorder is not None:
                self.recorder.begin(self._about())
            self._horizon_ns = self.anchor.now_ns()
            builder.advance(self._horizon_ns)
            running = [threads.submit(ear.run, end) for ear in self.ears]
            last_ns = self._clock.monotonic_ns()
            while not until.is_set and not all(one.done() for one in running):
                until.wait(min(STEP_S * 2, max(0.0, (last_ns + TICK_NS - self._clock.monotonic_ns()) / 1e9)))
                last_ns = self._clock.monotonic_ns()
                yield from self._collect(builder)
            end.set()
            for one in running:
                one.result()
            yield from self._collect(builder, last=True)
            if self.recorder is not None:
                self.recorder.finish(self._horizon_ns)
            failures = [ear.failure for ear in self.ears if ear.failure is not None]
            if failures and len(failures) == len(self.ears):
                raise failures[0]
        finally:
            end.set()
            threads.shutdown()
            if not running:
                for ear in self.ears:
                    ear.close()
            if self.recorder is not None and sys.exc_info()[0] is not None:
                self._finish_quietly()

    def _finish_quietly(self) -> None:
        assert self.recorder is not None  # noqa: S101
        try:
            self.recorder.finish(self._horizon_ns)
        except BusError:  # the first error is the one that is told
            return

    def _about(self) -> dict[str, object]:
        """Return what the head of a transfer log says beside its kind: who, how, and where the clocks stood."""
        from importlib.metadata import version

        anchor = {"wall_ns": self.anchor.wall_ns, "monotonic_ns": self.anchor.monotonic_ns}
        return {"recorder": f"regcheck {version('regcheck')}", "anchor": anchor, "adapters": [dict(ear.about) for ear in self.ears]}

    def _collect(self, builder: BatchBuilder, *, last: bool = False) -> Iterator[Batch]:
        """Take what has been heard, record what is settled, and give it as a batch."""
        alive = [ear for ear in self.ears if ear.failure is None]
        now = self.anchor.now_ns()
        horizon = min((ear.horizon_ns for ear in alive), default=now)
        if len(self.ears) > 1:
            horizon = max(horizon, now - HELD_NS)
        fresh = self._waiting
        for ear in self.ears:
            heard = ear.heard
            fresh.extend(heard.popleft() for _ in range(len(heard)))
        fresh.sort(key=time_of)
        if last:
            horizon = max(now, time_of(fresh[-1]) if fresh else now)
            settled, self._waiting = fresh, []
        else:
            cut = len(fresh)
            while cut and time_of(fresh[cut - 1]) >= horizon:
                cut -= 1
            settled, self._waiting = fresh[:cut], fresh[cut:]
        self._horizon_ns = max(horizon, self._horizon_ns)
        if self.recorder is not None:
            self.recorder.write(settled, self._horizon_ns)
        for one in settled:
            self.heard += 1
            if isinstance(one, Frame):
                builder.add_frame(one, self.heard)  # type: ignore[attr-defined]
            else:
                take(builder, one, self.heard)
        yield from builder.cut(self._horizon_ns)
