"""From names of buses to the live source of them."""

from __future__ import annotations

import errno
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from regcheck.device_map.limits import parse_quantity
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.units import UnitError
from regcheck.device_map.words import nearest
from regcheck.errors import BusError, UsageError
from regcheck.live.can_listening import Listener, opener_of, socketcan_state
from regcheck.live.clock import Anchor, Clock, SystemClock
from regcheck.live.ear import Ear
from regcheck.live.listening import Listening
from regcheck.live.poll_plan import poll_plan
from regcheck.live.polling import Poller
from regcheck.live.recorder import Recorder
from regcheck.live.smbus_adapter import permit_writes
from regcheck.live.source import BusName, Opener

NAMES_HELP = "i2c-1, can0, INTERFACE:CHANNEL of python-can, or LABEL=NAME where the map calls the bus LABEL"

_I2C = re.compile(r"(?:/dev/)?(i2c-[0-9]+)")
_CAN = re.compile(r"(?:v|vx|sl)?can[0-9]+")
_LABEL = re.compile(r"([A-Za-z_]\w*)=(.+)")
_UNWRITABLE = re.compile(r"[^\w.+-]")

WITHOUT_BITRATE = frozenset({"socketcan", "virtual", "udp_multicast", "socketcand"})
"""Interfaces whose bit rate is not ours to set, or that have none."""


def parse_bus(text: str, own: Mapping[str, Opener]) -> BusName:
    """Return a bus by its name; UsageError: it is none."""
    labelled = _LABEL.fullmatch(text)
    label, name = (labelled[1], labelled[2]) if labelled else ("", text)
    i2c = _I2C.fullmatch(name)
    if i2c:
        return BusName(name, "", f"/dev/{i2c[1]}", label)
    interface, colon, channel = name.partition(":")
    if colon and interface and channel:
        return BusName(name, interface, channel, label)
    if _CAN.fullmatch(name) or (Path("/sys/class/net") / name).is_dir():
        return BusName(name, "socketcan", name, label)
    near = nearest(interface, own)
    hint = f"; did you mean {near}:{channel or '...'}?" if near else ""
    raise UsageError(f"there is no bus '{name}'{hint}; expected {NAMES_HELP}")


def open_named(
    names: Sequence[str],
    register_map: RegisterMap,
    *,
    allow_writes: bool,
    listen_only: bool,
    poll_ns: int,
    wait_ns: int,
    fd: bool | None,
    recorder: Recorder | None,
    openers: Mapping[str, Opener],
    clock: Clock | None,
) -> Listening:
    """Return the live source that ``open_bus`` says."""
    if not names:
        raise UsageError(f"no bus is named; expected {NAMES_HELP}")
    clock = clock or SystemClock()
    anchor = Anchor(clock)
    buses = [parse_bus(name, openers) for name in names]
    twice = next((bus.text for number, bus in enumerate(buses) if bus.channel in [other.channel for other in buses[:number]]), None)
    if twice is not None:
        raise UsageError(f"bus '{twice}' is named twice")
    kinds: dict[str, str] = {}
    ears: list[Ear] = []
    for bus in buses:
        kind, opener = _own(bus, openers) or _hardware(bus)
        kinds[kind] = bus.text
        if kind == "smbus":
            plan = poll_plan(register_map, default_ns=poll_ns, allow_writes=allow_writes, bus=bus.label)
            permit = permit_writes(plan.selectors, allowed=allow_writes)
            label = bus.label or ("" if len(buses) == 1 else bus.text)
            node = Path(bus.channel)
            is_there: Callable[[], bool] = node.exists if opener is None else lambda: True
            ears.append(
                Poller(
                    label,
                    bus.text,
                    plan,
                    opener or _smbus_opener(node),
                    is_there,
                    clock=clock,
                    anchor=anchor,
                    wait_ns=wait_ns,
                    permit=permit,
                )
            )
        else:
            ears.append(_listener(bus, opener, register_map, clock, anchor, wait_ns, fd=fd, listen_only=listen_only))
    if len(kinds) > 1:
        raise UsageError(f"{' and '.join(kinds.values())} are buses of two kinds; record each by a command of its own")
    (kind,) = kinds
    if recorder is not None and recorder.kind != kind:
        raise UsageError(f"the recorder is for {recorder.kind}, the bus is {kind}")
    return Listening(kind, ears, clock, anchor, recorder)


def kind_of(name: str, openers: Mapping[str, Opener]) -> str:
    """Return ``smbus`` or ``can`` for the name of a bus; UsageError: it is none."""
    bus = parse_bus(name, openers)
    return (_own(bus, openers) or _hardware(bus))[0]


def _own(bus: BusName, openers: Mapping[str, Opener]) -> tuple[str, Callable[[], Any]] | None:
    return openers[bus.interface](bus) if bus.interface in openers else None


def _hardware(bus: BusName) -> tuple[str, None]:
    return ("can" if bus.interface else "smbus"), None


def _smbus_opener(node: Path) -> Callable[[], Any]:
    def opened() -> Any:
        from smbus2 import SMBus

        try:
            return SMBus(str(node))
        except FileNotFoundError as error:
            here = ", ".join(sorted(one.name for one in Path("/dev").glob("i2c-*"))) or "none"
            text = f"{node}: there is no such adapter (here: {here}); plug it in, or load the module: modprobe i2c-dev"
            raise BusError(text) from error
        except PermissionError as error:
            raise BusError(f"{node}: may not be opened; join the group that owns it (often i2c), or run as root") from error
        except OSError as error:
            name = errno.errorcode.get(error.errno or 0, "")
            raise BusError(f"{node}: cannot be opened: {error.strerror} ({name})") from error

    return opened


def _listener(
    bus: BusName,
    opener: Callable[[], Any] | None,
    register_map: RegisterMap,
    clock: Clock,
    anchor: Anchor,
    wait_ns: int,
    *,
    fd: bool | None,
    listen_only: bool,
) -> Listener:
    label = bus.label or _UNWRITABLE.sub("_", bus.channel)
    if opener is not None:
        return Listener(label, bus.text, opener, clock=clock, anchor=anchor, wait_ns=wait_ns)
    _refuse_unknown(bus)
    rate = bit_rate(register_map.bitrate)
    settings: dict[str, Any] = {}
    if rate and bus.interface not in WITHOUT_BITRATE:
        settings["bitrate"] = rate
    if any(message.fd for message in register_map.messages) if fd is None else fd:
        settings["fd"] = True
    notes: list[str] = []
    return Listener(
        label,
        bus.text,
        opener_of(bus, settings, listen_only=listen_only, notes=notes),
        clock=clock,
        anchor=anchor,
        wait_ns=wait_ns,
        state=(lambda: socketcan_state(bus.channel, rate)) if bus.interface == "socketcan" else (lambda: ""),
        notes=notes,
    )


def _refuse_unknown(bus: BusName) -> None:
    from can.interfaces import BACKENDS

    if bus.interface not in BACKENDS:
        near = nearest(bus.interface, sorted(BACKENDS))
        known = f"did you mean {near}:{bus.channel}?" if near else f"python-can has {', '.join(sorted(BACKENDS))}"
        raise UsageError(f"there is no CAN interface '{bus.interface}'; {known}")


def bit_rate(text: str) -> int:
    """Return a map's bit rate in bit/s, 0 where it gives none."""
    if not text:
        return 0
    try:
        value, unit = parse_quantity(text)
    except (ValueError, UnitError):
        return 0
    return int(value * unit.factor)
