"""The tests' side of the emulated adapter: it runs in a process of its own, started before anything heavy is imported."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any

from tests.kernel.target import Target, Transfer
from tests.kernel.usb_adapter import Adapter, bus_of_adapter


class Bench:
    """The adapter with a target on it; every call returns once it has taken effect in the other process."""

    def __init__(self, requests: Connection) -> None:
        self._requests = requests

    def ask(self, name: str, value: Any = None) -> Any:
        """Send one request and return its answer."""
        self._requests.send((name, value))
        if not self._requests.poll(30):
            raise TimeoutError(f"the emulated adapter did not answer {name!r}")
        return self._requests.recv()

    def plug(self) -> int:
        """Plug the adapter in, and return the number of its bus."""
        self.ask("plug")
        return bus_of_adapter()

    def unplug(self) -> None:
        """Pull the plug; its bus goes a moment later."""
        self.ask("unplug")

    def unplug_in(self, steps: int) -> None:
        """Pull the plug after so many more starts, bytes and stops on the bus."""
        self.ask("unplug_in", steps)

    def put(self, target: Target) -> None:
        """Put another target in the place of the one before."""
        self.ask("target", target)

    def set(self, **attributes: Any) -> None:
        """Change how the target behaves."""
        self.ask("set", attributes)

    def write(self, registers: dict[int, bytes]) -> None:
        """Change what the target holds, from within."""
        self.ask("registers", registers)

    def registers(self) -> dict[int, bytes]:
        """Return what the target holds."""
        held: dict[int, bytes] = self.ask("read")
        return held

    def reset(self) -> None:
        """Let the target start anew."""
        self.ask("reset")

    def take_log(self) -> list[Transfer]:
        """Return what passed on the wire since the last call."""
        log: list[Transfer] = self.ask("take_log")
        return log


@contextmanager
def emulated_adapter(target: Target) -> Iterator[Bench]:
    """The adapter, not yet plugged in, for as long as the block lasts."""
    ours, theirs = multiprocessing.Pipe()
    process = multiprocessing.get_context("fork").Process(target=_serve, args=(target, ours, theirs), daemon=True)
    process.start()
    theirs.close()
    try:
        yield Bench(ours)
    finally:
        ours.close()
        process.join(10)


def _serve(target: Target, ours: Connection, theirs: Connection) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    ours.close()
    Adapter(target, theirs).serve()
