"""CAN through python-can's own virtual interface: what is heard, recorded, and that nothing is ever sent."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import can
import pytest
from can.interfaces.virtual import VirtualBus

from regcheck.device_map.compile import load_map
from regcheck.errors import BusError, UsageError
from regcheck.live.clock import SystemClock
from regcheck.live.listening import Listening
from regcheck.live.opening import bit_rate, kind_of, parse_bus
from regcheck.live.recorder import Recorder
from regcheck.live.source import Stop, open_bus
from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.open import open_capture

MAP = Path(__file__).parents[2] / "maps" / "scarp_96.yaml"


@pytest.fixture
def nothing_sent(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Any]]:
    """Every send of a bus that is not the test's own."""
    sent: list[Any] = []
    send = VirtualBus.send

    def counted(self: Any, message: Any, timeout: float | None = None) -> None:
        if not getattr(self, "is_the_tests", False):
            sent.append(message)
        send(self, message, timeout)

    monkeypatch.setattr(VirtualBus, "send", counted)
    yield sent
    assert sent == []


def sender(channel: str) -> Any:
    bus = can.Bus(interface="virtual", channel=channel, protocol=can.CanProtocol.CAN_FD)
    bus.is_the_tests = True  # type: ignore[attr-defined]
    return bus


def listened(source: Any, seconds: float, act: Any) -> list[Batch]:
    stop = Stop()
    source.open()
    timer = threading.Timer(seconds, stop.set)
    worker = threading.Timer(0.1, act)
    timer.start()
    worker.start()
    batches = list(source.batches(stop))
    worker.join()
    timer.join()
    return batches


def test_two_buses_at_once_are_merged_recorded_and_read_back(tmp_path: Path, nothing_sent: list[Any]) -> None:
    path = tmp_path / "bus.log"
    recorder = Recorder(path, kind="can", clock=SystemClock())
    source = open_bus(["a=virtual:one", "b=virtual:two"], load_map(MAP), recorder=recorder, fd=True)

    def act() -> None:
        with sender("one") as one, sender("two") as two:
            for number in range(50):
                one.send(can.Message(arbitration_id=0x100, data=[number], is_extended_id=False))
                two.send(can.Message(arbitration_id=0x1ABCDEF, data=bytes(64), is_fd=True, bitrate_switch=True, is_extended_id=True))
            one.send(can.Message(arbitration_id=0x7FF, is_remote_frame=True, dlc=4, is_extended_id=False))
            one.send(can.Message(arbitration_id=0x40, is_error_frame=True, data=bytes(8), is_extended_id=False))

    batches = listened(source, 1.2, act)
    times = [time for batch in batches for time in batch.time.tolist()]
    assert len(times) == 102
    assert times == sorted(times)
    assert len(batches) >= 4, "at least four batches a second"
    assert all(later.begin_ns == earlier.end_ns for earlier, later in pairwise(batches))
    assert abs(batches[-1].end_ns - time.time_ns()) < 2_000_000_000
    recorded = list(open_capture(path).batches())
    assert sum(map(len, recorded)) == 102
    seen = set()
    for batch in recorded:
        for key, flags in zip(batch.key.tolist(), batch.flags.tolist(), strict=True):
            seen.add((MessageKey.unpack(key).number, flags & ~Flag.SENT_HERE))
    assert seen == {(0x100, 0), (0x1ABCDEF, Flag.FD | Flag.RATE_SWITCH), (0x7FF, Flag.REMOTE), (0x40, Flag.ERROR)}
    assert set(recorded[0].buses) == {"a", "b"}
    assert isinstance(source, Listening)
    first = source.ears[0]
    assert first.errors == {"bus off": 1}  # type: ignore[attr-defined]
    assert all("nothing is sent" in note for note in source.notes)


def test_it_is_said_when_an_interface_cannot_only_listen(nothing_sent: list[Any]) -> None:
    source = open_bus("virtual:quiet", load_map(MAP))
    source.open()
    assert any("cannot set it to only listen" in note or "it only listens" in note for note in source.notes)
    stop = Stop()
    stop.set()
    batches = list(source.batches(stop))
    assert len(batches) >= 1


class Broken:
    """An interface that fails, is gone for two tries, and comes back; or that does not."""

    def __init__(self, *, returns: bool) -> None:
        self.returns, self.opened, self.received = returns, 0, 0

    def __call__(self) -> Broken:
        self.opened += 1
        if 1 < self.opened < 4 or (self.opened > 1 and not self.returns):
            raise can.CanInitializationError("no such device")
        return self

    def recv(self, timeout: float) -> Any:
        self.received += 1
        if self.received == 2:
            raise can.CanOperationError("Network is down", 100)
        time.sleep(0.01)
        return can.Message(timestamp=time.time(), arbitration_id=0x123, data=b"\1", is_extended_id=False)

    def shutdown(self) -> None:
        return None


@pytest.mark.parametrize("returns", [True, False])
def test_an_interface_that_goes_down_is_waited_for_a_bounded_time(returns: bool) -> None:
    broken = Broken(returns=returns)
    source = open_bus("own:x", load_map(MAP), wait_ns=600_000_000, openers={"own": lambda bus: ("can", broken)})
    stop = Stop()
    timer = threading.Timer(1.5, stop.set)
    timer.start()
    complained: dict[str, int] = {}
    frames = 0

    def follow() -> None:
        nonlocal frames
        for batch in source.batches(stop):
            frames += len(batch)
            for kind, number in batch.complained.items():
                complained[kind] = complained.get(kind, 0) + number

    if returns:
        follow()
        assert complained == {"bus event: interface down": 1, "bus event: interface up": 1}
        assert frames > 10
    else:
        with pytest.raises(BusError, match=r"did not come back within 0\.6 s"):
            follow()
        assert complained == {"bus event: interface down": 1}
    timer.cancel()
    timer.join()


def test_names_of_buses() -> None:
    assert parse_bus("i2c-1", {}).channel == "/dev/i2c-1"
    assert parse_bus("/dev/i2c-12", {}).interface == ""
    assert (parse_bus("vcan0", {}).interface, parse_bus("vcan0", {}).channel) == ("socketcan", "vcan0")
    assert (parse_bus("string_a=pcan:USB1", {}).interface, parse_bus("string_a=pcan:USB1", {}).label) == ("pcan", "string_a")
    assert (kind_of("i2c-3", {}), kind_of("can1", {})) == ("smbus", "can")
    with pytest.raises(UsageError, match="there is no bus 'i2x-1'; expected i2c-1, can0"):
        parse_bus("i2x-1", {})
    with pytest.raises(UsageError, match="there is no CAN interface 'virtal'; did you mean virtual:x"):
        open_bus("virtal:x", load_map(MAP))
    with pytest.raises(UsageError, match="buses of two kinds"):
        open_bus(["i2c-1", "virtual:x"], load_map(MAP))
    with pytest.raises(UsageError, match="named twice"):
        open_bus(["virtual:x", "virtual:x"], load_map(MAP))
    assert (bit_rate("250 kbit/s"), bit_rate("")) == (250_000, 0)


def test_an_adapter_or_interface_that_is_not_there_is_one_clear_line() -> None:
    with pytest.raises(BusError, match=r"/dev/i2c-250: there is no such adapter .*modprobe i2c-dev"):
        open_bus("i2c-250", load_map(MAP.with_name("ridge_4s.yaml"))).open()
    with pytest.raises(BusError, match="can77: "):
        open_bus("can77", load_map(MAP)).open()
