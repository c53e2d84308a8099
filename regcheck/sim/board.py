"""A simulated board: from what the bench applies to what its firmware answers on the bus, at any time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from regcheck.codec.builder import Builder, RawCode, Value
from regcheck.codec.checksums import pec
from regcheck.codec.forms import message_form
from regcheck.codec.framing import COUNTED
from regcheck.device_map.model import Message, Pec, RegisterMap
from regcheck.device_map.sensors import SENSORS
from regcheck.errors import UsageError
from regcheck.sim.faults import Fault, PayloadFault, ReportFault, SensedFault, WireFault, touched
from regcheck.sim.front_end import FrontEnd, Series, Step, charge, conversions, moving_mean, state
from regcheck.sim.stimuli import Stimuli
from regcheck.traffic.shapes import Transfer

CELSIUS_ZERO = 273.15


@dataclass(frozen=True, slots=True)
class Mean:
    """A field that is the mean of another one over ``over_ns``, worked out each ``every_ns``."""

    of: str
    over_ns: int
    every_ns: int
    delay_ns: int = 0


@dataclass(frozen=True, slots=True)
class Gauge:
    """A charge counter: ``remaining`` in mAh from ``start_mah`` by the current ``of`` in mA, ``share`` of ``full_mah`` in percent."""

    of: str
    start_mah: float
    full_mah: float
    remaining: str
    share: str


@dataclass(frozen=True, slots=True)
class Watch:
    """A state of the firmware: a field whose raw code follows the largest or smallest of other fields."""

    of: tuple[str, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Design:
    """What a board is, before its faults: fields by path. ``constants`` never change."""

    senses: Mapping[str, FrontEnd]
    constants: Mapping[str, Value]
    means: Mapping[str, Mean]
    watches: Mapping[str, Watch]
    gauge: Gauge | None = None


class Board:
    """One board with its faults, from power-up to the end of the stimuli. ``seed`` fixes its noise.

    Reads must come in order of time, for faults on the wire count them. Raises UsageError where design or faults name what is not there.
    """

    def __init__(self, register_map: RegisterMap, design: Design, stimuli: Stimuli, *, seed: int, faults: tuple[Fault, ...] = ()) -> None:
        self.register_map = register_map
        self._sensed_faults = tuple(fault for fault in faults if isinstance(fault, SensedFault))
        self._reported: dict[str, ReportFault] = {
            path: fault for fault in faults if isinstance(fault, ReportFault) for path in touched(fault)
        }
        self._sent: tuple[PayloadFault, ...] = tuple(fault for fault in faults if isinstance(fault, PayloadFault))
        self._on_wire: tuple[WireFault, ...] = tuple(fault for fault in faults if isinstance(fault, WireFault))
        self._met = [0] * len(self._on_wire)
        self._design = design
        self._series = self._all_series(design, stimuli, seed)
        self._constants: dict[str, Value] = dict(design.constants)
        self._builders: dict[str, Builder] = {}
        self._refuse_unknown(faults)

    def _all_series(self, design: Design, stimuli: Stimuli, seed: int) -> dict[str, Series]:
        series = {}
        for path, designed in design.senses.items():
            front_end = designed
            for fault in self._sensed_faults:
                if fault.field == path:
                    front_end = fault.sensed(front_end)
            series[path] = conversions(path, front_end, stimuli, seed)
        for path, mean in design.means.items():
            series[path] = moving_mean(self._found(series, mean.of), mean.over_ns, mean.every_ns, mean.delay_ns)
        if design.gauge is not None:
            counted = charge(self._found(series, design.gauge.of), design.gauge.start_mah)
            series[design.gauge.remaining] = counted
            series[design.gauge.share] = Series(counted.time, counted.value / design.gauge.full_mah * 100)
        for path, watch in design.watches.items():
            series[path] = state([self._found(series, name) for name in watch.of], watch.steps)
        return series

    @staticmethod
    def _found(series: Mapping[str, Series], path: str) -> Series:
        if path not in series:
            raise UsageError(f"the board works something out of '{path}', which it does not sense")
        return series[path]

    def _refuse_unknown(self, faults: tuple[Fault, ...]) -> None:
        fields = {field.path for message in self.register_map.messages for field in message.all_fields()}
        messages = {message.name for message in self.register_map.messages}
        for path in (*self._series, *self._constants):
            if path.partition("[")[0] not in fields:
                raise UsageError(f"the board reports '{path}', which the map lacks")
        for fault in faults:
            known = {*self._series, *self._constants}
            if isinstance(fault, PayloadFault | WireFault):
                known = messages
            elif isinstance(fault, SensedFault):
                known = set(self._design.senses)
            for path in touched(fault):
                if path not in known:
                    raise UsageError(f"a fault of kind {type(fault).__name__} names '{path}', which this board does not have")

    def value(self, path: str, time_ns: int) -> Value:
        """Return what a field carries at a time: a value in its unit, a word, or a code."""
        fault = self._reported.get(path)
        return fault.reports(path, time_ns, self._right) if fault is not None else self._right(path, time_ns)

    def _right(self, path: str, time_ns: int) -> Value:
        if path not in self._series:
            return self._constants[path]
        series = self._series[path]
        value = series.at(time_ns)
        return RawCode(round(value)) if series.raw_codes else Fraction(Decimal(value))

    def payload(self, message: Message, time_ns: int) -> bytes:
        """Return what a message carries at a time."""
        values = {}
        for path in (*self._series, *self._constants):
            owner, _, name = path.partition(".")
            if owner.partition("[")[0] == message.name:
                values[name or path] = self.value(path, time_ns)
        payload = self._builder(message).build(values, self._given())
        for fault in self._sent:
            if fault.message == message.name:
                payload = fault.sends(payload)
        return payload

    def _builder(self, message: Message) -> Builder:
        if message.name not in self._builders:
            self._builders[message.name] = Builder(message_form(self.register_map, message, SENSORS))
        return self._builders[message.name]

    def _given(self) -> dict[str, int]:
        """Return what other messages' scales hang on: the constants that are whole numbers, as they are on the wire."""
        return {path: value for path, value in self._constants.items() if isinstance(value, int)}

    def answer(self, message: Message, address: int, time_ns: int) -> Transfer:
        """Return the read of a message that starts at a time, as it looks on the wire."""
        assert message.command is not None  # noqa: S101 - a host reads only what has a command
        asked = bytes([address << 1, message.command])
        payload = self.payload(message, time_ns)
        counted = bytes([len(payload)]) if message.transfer in COUNTED else b""
        body = bytes([address << 1 | 1]) + counted + payload
        parts: tuple[bytes, ...] = (asked, body + self._code(message, asked + body))
        refused = None
        for index, fault in enumerate(self._on_wire):
            if fault.message == message.name and fault.span.meets(time_ns, self._met[index]):
                self._met[index] += 1
                parts = fault.on_wire(parts)
                refused = len(asked) if len(parts[-1]) == 1 else refused
        return Transfer(time_ns, parts, nack=refused)

    def broadcast(self, message: Message, time_ns: int) -> Transfer:
        """Return the write that the board itself sends as bus master."""
        assert message.command is not None  # noqa: S101
        assert message.to is not None  # noqa: S101 - only such messages are broadcast
        body = bytes([message.to << 1, message.command]) + self.payload(message, time_ns)
        return Transfer(time_ns, (body + self._code(message, body),))

    @staticmethod
    def _code(message: Message, data: bytes) -> bytes:
        return b"" if message.pec is Pec.NEVER else bytes([pec(data)])
