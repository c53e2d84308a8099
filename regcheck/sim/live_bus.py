"""A recipe's boards on a bus that is alive: an I2C adapter as smbus2 shows it, a CAN interface as python-can shows it.

So that the paths of a live bus can be tried without hardware; the run of the recipe begins when the bus is opened, and again at its end.
"""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from ctypes import memmove
from typing import Any

from regcheck.errors import UsageError
from regcheck.sim.board import Board
from regcheck.sim.faults import Fault
from regcheck.sim.host import PollPlan
from regcheck.sim.recipe import Recipe, sent_frames
from regcheck.traffic.frames import Frame
from regcheck.traffic.vcd_writer import wire_end_ns

RAW, READ_BLOCK = 0x1, 0x0100_0000
"""Bits of I2C_FUNCS (Linux uapi/linux/i2c.h)."""

READ_FLAG, COUNTED_FLAG = 0x0001, 0x0400


class SimulatedAdapter:
    """The adapter that a recipe's board hangs on: raw transfers at the bus's own speed. It takes no write but a command byte."""

    funcs = RAW | READ_BLOCK

    def __init__(
        self,
        recipe: Recipe,
        faults: tuple[Fault, ...] = (),
        now_ns: Callable[[], int] = time.monotonic_ns,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        if not isinstance(recipe.plan, PollPlan):
            raise UsageError(f"{recipe.file}: its board sends by itself, and is not read; it is for a map with frames")
        self._recipe, self._faults = recipe, faults
        self._plan = recipe.plan
        self._now_ns, self._sleep = now_ns, sleep
        self._start_ns = now_ns() - recipe.plan.begin_ns
        self._round = -1
        self._board = self._fresh()
        self._messages = {
            (message.address, message.command): message
            for message in recipe.register_map.messages
            if message.kind == "register" and message.address is not None
        }
        self._addresses = {address for address, _ in self._messages}

    def _fresh(self) -> Board:
        self._round += 1
        recipe = self._recipe
        return Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed, faults=self._faults)

    def i2c_rdwr(self, *messages: Any) -> None:
        """Make one transfer: a command byte and a read. OSError: nobody answers, as a driver says it."""
        asked, answered = messages[0], messages[-1]
        if answered.addr not in self._addresses:
            raise OSError(errno.ENXIO, "No such device or address")
        if len(messages) != 2 or asked.flags & READ_FLAG or asked.len != 1 or not answered.flags & READ_FLAG:
            raise OSError(errno.EIO, "Input/output error")
        message = self._messages.get((answered.addr, asked.buf[0][0]))
        if message is None:
            raise OSError(errno.EIO, "Input/output error")
        rounds, time_ns = divmod(self._now_ns() - self._start_ns, self._recipe.stimuli.end_ns)
        if rounds > self._round:
            self._board = self._fresh()
        transfer = self._board.answer(message, answered.addr, time_ns)
        self._sleep((wire_end_ns(transfer, self._plan.speed_hz) - time_ns) / 1e9)
        if transfer.first_refused < len(transfer.parts[0]) + 1:
            raise OSError(errno.ENXIO, "No such device or address")
        came = transfer.parts[-1][1:]
        size = answered.len
        if answered.flags & COUNTED_FLAG:
            size = min(size, came[0] + answered.buf[0][0])
        memmove(answered.buf, came[:size].ljust(size, b"\xff"), size)

    def close(self) -> None:
        """End it."""


class SimulatedInterface:
    """The CAN interface that a recipe's boards send on."""

    def __init__(self, recipe: Recipe, faults: tuple[Fault, ...] = (), wall: Callable[[], float] = time.time) -> None:
        self._wall = wall
        self._start = wall()
        self._recipe, self._faults = recipe, faults
        self._frames = self._all()
        self._next: Frame | None = None

    def _all(self) -> Iterator[Frame]:
        from dataclasses import replace
        from itertools import count

        clock_ns = getattr(self._recipe.plan, "clock_ns", 0)
        for number in count():
            for frame in sent_frames(self._recipe, self._faults):
                yield replace(frame, time_ns=frame.time_ns - clock_ns + number * self._recipe.stimuli.end_ns)

    def recv(self, timeout: float | None = None) -> Any:
        """Return the next frame once it is due, None where that takes longer than ``timeout`` seconds."""
        from can import Message

        if self._next is None:
            self._next = next(self._frames)
        frame, now = self._next, self._wall()
        due = self._start + frame.time_ns / 1e9
        if timeout is not None and due - now > timeout:
            time.sleep(timeout)
            return None
        if due > now:
            time.sleep(due - now)
        self._next = None
        return Message(timestamp=due, arbitration_id=frame.id, is_extended_id=frame.extended, data=frame.data, channel=frame.bus)

    def shutdown(self) -> None:
        """End it."""
