"""Listens on one CAN interface through python-can. Nothing is ever sent: the one method of the bus that is called is ``recv``."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from regcheck.errors import BusError
from regcheck.live.clock import Anchor, Clock, Stamps
from regcheck.live.ear import STEP_S, Counts, Heard
from regcheck.live.source import BusName, Stop
from regcheck.traffic.batch import Flag
from regcheck.traffic.can_library import frame_of
from regcheck.traffic.frames import Frame
from regcheck.traffic.heard import Event

DOWN, UP = "interface down", "interface up"
LATE_NS = 20_000_000
"""How long after its stamp a frame may still come out of a driver; up to then the bus is not said to be silent."""

RECEIVE_BUFFER = 4 << 20
"""Bytes of frames that the kernel may hold for us while this computer is busy (it gives what it allows)."""

ERROR_CLASSES = {
    0x001: "transmit timeout",
    0x002: "lost arbitration",
    0x004: "controller problem",
    0x008: "protocol violation",
    0x010: "transceiver status",
    0x020: "no acknowledgement",
    0x040: "bus off",
    0x080: "bus error",
    0x100: "controller restarted",
    0x200: "error counters",
}
"""What an error frame's id says on SocketCAN (Linux uapi/linux/can/error.h, from memory of it); other interfaces give 0."""


class Listener:
    """Listens on one interface. ``opener`` opens it; ``state`` tells of it: "" where it is up or cannot be told, else what is wrong."""

    def __init__(
        self,
        label: str,
        name: str,
        opener: Callable[[], Any],
        *,
        clock: Clock,
        anchor: Anchor,
        wait_ns: int,
        state: Callable[[], str] = lambda: "",
        notes: Sequence[str] = (),
    ) -> None:
        self.label, self.name = label, name
        self.heard: deque[Heard] = deque()
        self.failure: BusError | None = None
        self.counts: dict[str, Counts] = {}
        self.ids: dict[tuple[int, bool], int] = {}
        self.errors: dict[str, int] = {}
        self._opener, self._state = opener, state
        self._clock, self._anchor, self._wait_ns = clock, anchor, wait_ns
        self.horizon_ns = anchor.now_ns()
        self._stamps = Stamps(clock, anchor)
        self._bus: Any = None
        self._notes = notes

    @property
    def notes(self) -> tuple[str, ...]:
        """Whether the interface only listens."""
        return tuple(self._notes)

    @property
    def about(self) -> Mapping[str, object]:
        """The interface."""
        return {"interface": self.name}

    def open(self) -> None:
        """Open the interface; BusError: it cannot be."""
        wrong = self._state()
        if wrong:
            raise BusError(f"{self.name}: {wrong}")
        try:
            self._bus = self._opener()
        except _library_errors() as error:
            raise BusError(f"{self.name}: python-can cannot open it: {error}") from error

    def close(self) -> None:
        """Close the interface."""
        if self._bus is not None:
            bus, self._bus = self._bus, None
            try:
                bus.shutdown()
            except _library_errors():  # it is gone already
                return

    def run(self, until: Stop) -> None:
        """Listen until told to stop; leave a ``failure`` where the interface did not come back in time."""
        try:
            while not until.is_set:
                try:
                    self._listen(until)
                except _library_errors() as error:
                    self._lost(until, str(error))
        except BusError as error:
            self.failure = error
        finally:
            self.close()

    def _listen(self, until: Stop) -> None:
        receive, heard, stamps = self._bus.recv, self.heard, self._stamps
        ids, label = self.ids, self.label
        while not until.is_set:
            message = receive(STEP_S)
            if message is None:
                now = stamps.look()
                stamps.emptied(now - LATE_NS)
                self.horizon_ns = max(self.horizon_ns, now - LATE_NS)
                continue
            try:
                frame, _ = frame_of(message)
            except ValueError as error:
                heard.append(Event(self._anchor.now_ns(), f"impossible frame: {error}", label))
                self._fail("impossible frame")
                continue
            time_ns = max(stamps.anchored(frame.time_ns), self.horizon_ns)
            heard.append(Frame(time_ns, frame.id, frame.data, frame.extended, frame.flags, label))
            if frame.flags & Flag.ERROR:
                for bit, kind in ERROR_CLASSES.items():
                    if frame.id & bit:
                        self._fail(kind)
                if not frame.id:
                    self._fail("error frame")
            else:
                key = (frame.id, frame.extended)
                ids[key] = ids.get(key, 0) + 1
            if time_ns - self.horizon_ns > 2 * LATE_NS:  # a bus that is never silent has a horizon, too: frames come nearly in order
                self.horizon_ns = time_ns - LATE_NS

    def _fail(self, kind: str) -> None:
        self.errors[kind] = self.errors.get(kind, 0) + 1

    def _lost(self, until: Stop, said: str) -> None:
        """Wait for an interface that is down or gone, and open it again. BusError: it did not come back in time."""
        self.close()
        start = self._clock.monotonic_ns()
        self.heard.append(Event(max(start + self._anchor.offset_ns, self.horizon_ns), DOWN, self.label))
        self._fail(DOWN)
        while not until.is_set:
            now = self._clock.monotonic_ns()
            self.horizon_ns = max(self.horizon_ns, now + self._anchor.offset_ns - LATE_NS)
            try:
                self.open()
            except BusError as error:
                said = str(error)
            else:
                self.heard.append(Event(self._anchor.now_ns(), UP, self.label))
                return
            if now - start >= self._wait_ns:
                raise BusError(f"{self.name}: did not come back within {self._wait_ns / 1e9:g} s: {said}")
            self._clock.wait(STEP_S)


def _library_errors() -> tuple[type[BaseException], ...]:
    """Return what python-can and its drivers raise where an interface cannot be opened or read."""
    from can import CanError

    return (CanError, OSError, ValueError, ImportError, NotImplementedError, AttributeError, TypeError)


def opener_of(bus: BusName, settings: Mapping[str, Any], *, listen_only: bool, notes: list[str]) -> Callable[[], Any]:
    """Return what opens an interface of python-can; ``notes`` takes whether it only listens, as far as can be told."""
    is_socketcan = bus.interface == "socketcan"

    def opened() -> Any:
        import can

        # SocketCAN gives classic frames on an FD socket, too; where else FD has to be asked for, the map decides
        wanted = {**settings, "fd": True} if is_socketcan else settings
        opened = can.Bus(interface=bus.interface, channel=bus.channel, **wanted)
        said = _socketcan_listening(bus.channel) if is_socketcan else _set_passive(opened, listen_only=listen_only)
        notes[:] = [f"{bus.text}: nothing is sent; {said}"]
        if is_socketcan:
            _enlarge(opened)
        return opened

    return opened


def _enlarge(bus: Any) -> None:
    import socket

    bus.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER)


def _set_passive(bus: Any, *, listen_only: bool) -> str:
    """Ask an interface to only listen, where python-can lets it, and say how it is."""
    import can

    if not listen_only:
        return "it acknowledges the frames of others, as was asked for"
    try:
        bus.state = can.BusState.PASSIVE
    except (NotImplementedError, AttributeError, ValueError, can.CanError):
        return "python-can cannot set it to only listen: it may acknowledge the frames of others"
    return "it only listens"


def _socketcan_listening(channel: str) -> str:
    """Say whether a SocketCAN interface only listens, as `ip` tells."""
    how = f"`ip link set {channel} down; ip link set {channel} up type can bitrate ... listen-only on`"
    program = shutil.which("ip")
    if program is None:
        return f"whether it only listens cannot be told (no `ip` here); to make sure: {how}"
    asked = subprocess.run(  # noqa: S603 - a fixed program, a name that is an interface's
        [program, "-json", "-details", "link", "show", "dev", channel], capture_output=True, text=True, check=False, timeout=5
    )
    try:
        (link, *_) = json.loads(asked.stdout)
    except ValueError:
        return f"whether it only listens cannot be told; to make sure: {how}"
    kind = link.get("linkinfo", {})
    if kind.get("info_kind") in ("vcan", "vxcan"):
        return "it is a virtual interface: there is nothing to acknowledge"
    modes = kind.get("info_data", {}).get("ctrlmode", [])
    if "LISTEN-ONLY" in modes:
        return "it only listens (listen-only on)"
    return f"it acknowledges the frames of others (listen-only off); to only listen: {how}"


def socketcan_state(channel: str, bitrate: int) -> str:
    """Say what is wrong with a SocketCAN interface, "" where it is up or cannot be told."""
    home = Path("/sys/class/net") / channel
    try:
        flags = int((home / "flags").read_text(encoding="ascii"), 16)
    except FileNotFoundError:
        if not home.parent.is_dir():
            return ""
        here = sorted(one.name for one in home.parent.iterdir() if _is_can(one))
        return f"there is no such interface; CAN interfaces here: {', '.join(here) or 'none'}"
    except (OSError, ValueError):
        return ""
    if not flags & 1:  # IFF_UP
        kind = "" if channel.startswith("v") else f" type can bitrate {bitrate or 'RATE'} listen-only on"
        return f"it is down; bring it up: ip link set {channel} up{kind}"
    return ""


def _is_can(home: Path) -> bool:
    try:
        return (home / "type").read_text(encoding="ascii").strip() == "280"  # ARPHRD_CAN
    except OSError:
        return False
