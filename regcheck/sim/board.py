"""A simulated board: from what the bench applies to what its firmware answers on the bus, at any time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from functools import partial
from types import MappingProxyType
from zlib import crc32

import numpy as np

from regcheck.codec.builder import Builder, RawCode, Value
from regcheck.codec.checksums import pec
from regcheck.codec.columns import NO_LAYOUT
from regcheck.codec.end_to_end import guard_of
from regcheck.codec.forms import message_form
from regcheck.codec.framing import COUNTED
from regcheck.device_map.model import Message, Pec, RegisterMap, Status
from regcheck.device_map.places import bit_numbers
from regcheck.device_map.protection import PROFILES
from regcheck.device_map.sensors import SENSORS
from regcheck.errors import UsageError
from regcheck.sim.faults import Fault, HarnessFault, PayloadFault, ReportFault, SensedFault, WireFault, touched
from regcheck.sim.frame_faults import BadCheck, CutShort, FrameFault, Late, Omitted, StuckCounter
from regcheck.sim.front_end import FrontEnd, Series, Step, charge, conversions, folded, moving_mean, state
from regcheck.sim.stimuli import Stimuli, Times
from regcheck.traffic.shapes import Transfer

NO_VALUE_YET = Status.NOT_AVAILABLE
"""What a field says until its first value."""


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
class Fold:
    """A field that is the largest (``max``), smallest (``min``) or ``sum`` of all elements of ``of``, or ``which`` is the largest."""

    kind: str
    of: str
    times: float = 1.0


@dataclass(frozen=True, slots=True)
class Watch:
    """A state of the firmware: a field whose raw code follows the largest or smallest of other fields (an array's: all elements)."""

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
    folds: Mapping[str, Fold] = field(default_factory=dict)


class Board:
    """One board with its faults, from power-up to the end of the stimuli. ``seed`` fixes its noise; ``numbers`` are its instance names'.

    Reads and frames must come in order of time, for faults on the wire count them. Raises UsageError where design or faults name what
    is not there.
    """

    def __init__(
        self,
        register_map: RegisterMap,
        design: Design,
        stimuli: Stimuli,
        *,
        seed: int,
        faults: tuple[Fault, ...] = (),
        numbers: Mapping[str, int] | None = None,
    ) -> None:
        self.register_map = register_map
        self.numbers: Mapping[str, int] = numbers or {}
        self.instance = ".".join(f"{name}[{number}]" for name, number in self.numbers.items())
        seed = crc32(f"{seed} {self.instance}".encode()) if self.instance else seed  # like boards are not alike in their noise
        self._sensed_faults = tuple(fault for fault in faults if isinstance(fault, SensedFault))
        self._reported: dict[str, ReportFault] = {
            path: fault for fault in faults if isinstance(fault, ReportFault) for path in touched(fault)
        }
        self._sent: tuple[PayloadFault, ...] = tuple(fault for fault in faults if isinstance(fault, PayloadFault))
        self._on_wire: tuple[WireFault, ...] = tuple(fault for fault in faults if isinstance(fault, WireFault))
        self._of_frames: tuple[FrameFault, ...] = tuple(fault for fault in faults if isinstance(fault, FrameFault))
        self._met: dict[WireFault | FrameFault, int] = {}
        self._pages: dict[tuple[object, ...], tuple[str, ...]] = {}
        self._design = design
        self._channels = set(stimuli.columns)
        for fault in faults:
            if isinstance(fault, HarnessFault) and fault.channel in self._channels:
                stimuli = fault.reaches(stimuli)
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
            series[path] = state([one for name in watch.of for one in self._all_found(series, name)], watch.steps)
        for path, fold in design.folds.items():
            series[path] = folded(fold.kind, self._all_found(series, fold.of), fold.times)
        return series

    @staticmethod
    def _found(series: Mapping[str, Series], path: str) -> Series:
        if path not in series:
            raise UsageError(f"the board works something out of '{path}', which it does not sense")
        return series[path]

    def _all_found(self, series: Mapping[str, Series], path: str) -> list[Series]:
        """Return a field's series, or those of all elements of an array, by number."""
        elements = [one for name, one in series.items() if name.startswith(path + "[")]
        return elements or [self._found(series, path)]

    def _refuse_unknown(self, faults: tuple[Fault, ...]) -> None:
        fields = {field.path for message in self.register_map.messages for field in message.all_fields()}
        messages = {message.name for message in self.register_map.messages}
        for path in (*self._series, *self._constants):
            if path.partition("[")[0] not in fields:
                raise UsageError(f"the board reports '{path}', which the map lacks")
        for fault in faults:
            known = {*self._series, *self._constants}
            if isinstance(fault, PayloadFault | WireFault | FrameFault):
                known = messages
            elif isinstance(fault, HarnessFault):
                known = self._channels
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
        if time_ns < series.starts_ns:
            return self._no_value(path)
        value = series.at(time_ns)
        return RawCode(round(value)) if series.raw_codes else Fraction(Decimal(value))

    def _no_value(self, path: str) -> RawCode:
        """Return the code that says so, of several the last: all ones, where a standard has a range of them."""
        bare = path.partition("[")[0]
        fields = [one for message in self.register_map.messages for one in message.all_fields() if one.path == bare]
        codes = [code.last for one in fields for code in one.codes if code.status is NO_VALUE_YET]
        if not codes:
            raise UsageError(f"'{path}' has no code for '{NO_VALUE_YET.value}', which it is to say until its first value")
        return RawCode(max(codes))

    def payload(self, message: Message, time_ns: int, page: Mapping[str, int] | None = None, count: int | None = None) -> bytes:
        """Return what a message carries at a time; ``page`` are its selectors by field, ``count`` how many were sent before it."""
        values: dict[str, Value] = dict(page or {})
        for path in (*self._series, *self._constants) if not message.layouts else self._carried(message, page or {}):
            owner, _, name = path.partition(".")
            if owner.partition("[")[0] == message.name:
                values[name or path] = self.value(path, time_ns)
        builder, guard = self._builder(message), guard_of(message, self.numbers)
        payload = builder.build(values, self._given(), guard=guard, count=count)
        for fault in self._sent:
            if fault.message == message.name:
                payload = fault.sends(payload)
                if message.kind == "frame":  # what is sent wrong is protected like what is right
                    payload = builder.build({}, self._given(), base=payload, guard=guard)
        return payload

    def _carried(self, message: Message, selectors: Mapping[str, int]) -> tuple[str, ...]:
        """Return the paths of the board's values that a message has room for while its selectors are these."""
        form = self._builder(message).form
        key = (message.name, *selectors.items())
        if key in self._pages:
            return self._pages[key]

        def look_up(variable: str, index: Mapping[str, int] = MappingProxyType({})) -> Fraction | None:
            found = index.get(variable, selectors.get(variable.removeprefix(".").partition("#")[0]))
            return None if found is None else Fraction(found)

        layout = next((index for index, one in enumerate(form.layouts) if one.when.holds(look_up)), NO_LAYOUT)
        names = set()
        for name, one in form.named(layout).items():
            each = one.field.each
            if each is None or one.number is None:
                names.add(name)
                continue
            last = one.last.value(look_up) if one.last is not None else None
            for index in range(each.first, int(last) + 1 if last is not None else each.first + 1):
                number = one.number.value(partial(look_up, index={each.variable: index}))
                names.add(f"{name}[{number}]")
        paths = (*self._series, *self._constants)
        found = tuple(path for path in paths if path.partition(".")[0] == message.name and path.partition(".")[2] in names)
        return self._pages.setdefault(key, found)

    def schedule(self, message: Message, times: Times) -> tuple[Times, Times]:
        """Return when frames that are to be sent at ``times`` i8[n] are due, and their counts i8[n] from 0."""
        counts = np.arange(len(times), dtype=np.int64)
        for fault in self._of_frames:
            if fault.message == message.name and isinstance(fault, Late):
                times = fault.due(times)
            elif fault.message == message.name and isinstance(fault, StuckCounter):
                counts = fault.counts(times, counts)
        return times, counts

    def frame(self, message: Message, time_ns: int, count: int, page: Mapping[str, int]) -> bytes | None:
        """Return the bytes of a frame that is sent at a time as the ``count``-th of its kind, None where a fault keeps it back.

        ``page`` gives the selectors of its layout.
        """
        payload = self.payload(message, time_ns, page, count)
        for fault in self._of_frames:
            if fault.message == message.name and isinstance(fault, Omitted | BadCheck | CutShort):
                met = self._met.get(fault, 0)
                if not fault.span.meets(time_ns, met):
                    continue
                self._met[fault] = met + 1
                if isinstance(fault, Omitted):
                    return None
                payload = payload[: -fault.by] if isinstance(fault, CutShort) else _with_wrong_check(message, payload)
        return payload

    def _builder(self, message: Message) -> Builder:
        if message.name not in self._builders:
            self._builders[message.name] = Builder(message_form(self.register_map, message, SENSORS))
        return self._builders[message.name]

    def _given(self) -> dict[str, int]:
        """Return what other messages' scales hang on: the constants that are whole numbers, as they are on the wire."""
        return {**self.numbers, **{path: value for path, value in self._constants.items() if isinstance(value, int)}}

    def answer(self, message: Message, address: int, time_ns: int) -> Transfer:
        """Return the read of a message that starts at a time, as it looks on the wire."""
        assert message.command is not None  # noqa: S101 - a host reads only what has a command
        asked = bytes([address << 1, message.command])
        payload = self.payload(message, time_ns)
        counted = bytes([len(payload)]) if message.transfer in COUNTED else b""
        body = bytes([address << 1 | 1]) + counted + payload
        parts: tuple[bytes, ...] = (asked, body + self._code(message, asked + body))
        refused = None
        for fault in self._on_wire:
            met = self._met.get(fault, 0)
            if fault.message == message.name and fault.span.meets(time_ns, met):
                self._met[fault] = met + 1
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


def _with_wrong_check(message: Message, payload: bytes) -> bytes:
    """Return a frame's bytes with the lowest bit of its check (its first CRC or checksum, else its protection's) turned."""
    places = [bit_numbers(one.where, len(payload)) for one in message.fields if one.check is not None]
    if message.protect is not None:
        places.append(PROFILES[message.protect.profile].crc_bits)
    if not places:
        raise UsageError(f"'{message.name}' has no check that could be wrong")
    byte, bit = divmod(places[0][0], 8)
    return payload[:byte] + bytes([payload[byte] ^ 1 << bit]) + payload[byte + 1 :]
