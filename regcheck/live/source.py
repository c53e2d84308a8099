"""A live bus as a source of batches: what every consumer of one is given, and how one is opened by its name."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from regcheck.traffic.batch import Batch

if TYPE_CHECKING:
    from regcheck.device_map.model import RegisterMap
    from regcheck.live.clock import Clock
    from regcheck.live.recorder import Recorder

TICK_NS = 250_000_000
"""The longest time from one batch of a live source to the next."""

WAIT_NS = 300_000_000_000
"""How long a lost adapter or interface is waited for, where nothing else is said."""


class Stop:
    """Asks a live source to end, from any thread or signal handler: the last batch comes, and then no more."""

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        """Ask for the end."""
        self._event.set()

    @property
    def is_set(self) -> bool:
        """Whether the end was asked for."""
        return self._event.is_set()

    def wait(self, seconds: float) -> bool:
        """Wait for the end to be asked for, at most ``seconds``; tell whether it was."""
        return self._event.wait(seconds)


class LiveSource(Protocol):
    """A live bus, or several: small batches as they come, at least one each ``TICK_NS``, silent or not, until told to stop.

    Times are integer nanoseconds of the epoch, on a clock that never steps. A NACK of the address is a message of kind REFUSED; what
    has no bytes of its own (a timeout, a lost arbitration, an adapter that is gone) is a complaint, counted in ``Batch.complained``
    under a kind that begins with "bus error: " or "bus event: ". ``batches`` may be called once. BusError: the bus was lost for good
    (all that was heard has been handed over before), or what is to be recorded cannot be written.
    """

    @property
    def kind(self) -> str:
        """``smbus`` or ``can``."""

    @property
    def buses(self) -> tuple[str, ...]:
        """Names of the buses, as in ``Batch.buses``."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What the user is to be told before it begins: how the adapter is used, what is skipped, whether it only listens."""

    def open(self) -> None:
        """Open the buses, so that ``notes`` are complete; ``batches`` does it otherwise."""

    def batches(self, until: Stop) -> Iterator[Batch]:
        """Yield what is heard; the buses are closed at the end."""


@dataclass(frozen=True, slots=True)
class BusName:
    """A bus as the user names it: ``i2c-1``, ``/dev/i2c-1``, ``can0``, ``INTERFACE:CHANNEL``; ``label`` is what the map calls it."""

    text: str
    interface: str  # python-can's name of the interface, or the word of a kind that the caller opens; "" for SMBus
    channel: str  # the device node of an SMBus adapter, or the channel
    label: str = ""


Opener = Callable[[BusName], tuple[str, Callable[[], Any]]]
"""Of a bus of the caller's own kind: ``smbus`` or ``can``, and what opens it, with the methods of ``smbus2.SMBus`` or ``can.BusABC``."""


def open_bus(
    names: str | Sequence[str],
    register_map: RegisterMap,
    *,
    allow_writes: bool = False,
    listen_only: bool = True,
    poll_ns: int = 1_000_000_000,
    wait_ns: int = WAIT_NS,
    fd: bool | None = None,
    recorder: Recorder | None = None,
    openers: Mapping[str, Opener] | None = None,
    clock: Clock | None = None,
) -> LiveSource:
    """Return the live source of one bus or several of a kind; with a ``recorder`` all is in the file before anyone else sees it.

    A name is ``i2c-1``, ``/dev/i2c-1``, ``can0``, ``INTERFACE:CHANNEL`` of python-can, or ``LABEL=NAME`` where the map calls the bus
    LABEL. ``openers`` are for kinds of the caller's own, by the word before the colon. SMBus is polled as the map says, registers
    without a period each ``poll_ns``; ``allow_writes`` lets the map's selector writes happen, nothing else is ever written. CAN is
    only listened to. ``fd``: CAN FD, None by the map. ``wait_ns``: how long a lost bus is waited for.
    UsageError: no such kind of bus, or several kinds. BusError: it cannot be opened.
    """
    from regcheck.live.opening import open_named

    return open_named(
        [names] if isinstance(names, str) else list(names),
        register_map,
        allow_writes=allow_writes,
        listen_only=listen_only,
        poll_ns=poll_ns,
        wait_ns=wait_ns,
        fd=fd,
        recorder=recorder,
        openers=openers or {},
        clock=clock,
    )
