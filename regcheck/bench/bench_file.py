"""The bench file: which channels the bench drives, how exactly, and what each field should then report."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field as Key

from regcheck.device_map import leaves
from regcheck.device_map.expression_tree import Call, Expression, Name, Number
from regcheck.device_map.fields import parse_span
from regcheck.device_map.limits import Limit, parse_time_ns
from regcheck.device_map.merge import child, key_place
from regcheck.device_map.model import Field, RegisterMap, Span
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.syntax import Entry, Formula, Limits1, Nanoseconds, Text, UnitName, leaf
from regcheck.device_map.units import Unit
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Scalar, read_yaml
from regcheck.errors import Place, Problem, Severity, SourceError

_INDEXED = re.compile(r"^([a-z][a-z0-9_]*)(?:\[\s*([a-z][a-z0-9_]*|[0-9]+)\s*(?:\.\.\s*([0-9]+)\s*)?\])?$")

_TARGET = re.compile(r"^((?:\w+\[\w+\]\.)*)(.*)$")
"""A target's instances, such as ``rack[3].``, and what stands behind them."""


def _doubt(node: Node) -> int:
    """Return the ns of `+/- 1 ms`."""
    text = leaves.scalar(node, "a doubt such as +/- 1 ms")
    return parse_time_ns(Scalar(re.sub(r"^(\+/-|±)\s*", "", text), text.place))


def _percent(node: Node) -> Fraction:
    text = leaves.scalar(node, "a share such as 10 %")
    value = as_fraction(Scalar(re.sub(r"\s*(%|percent)$", "", text), text.place))
    if not 0 <= value <= 100:
        raise ValueError(f"'{text}' is no share; expected such as 10 %")
    return value / 100


def _states(node: Node) -> tuple[str, ...]:
    return leaves.one_or_list(node, leaves.text)


TIME = {"type": "string"}
Doubt = Annotated[int, *leaf(_doubt, TIME)]
Share = Annotated[Fraction, *leaf(_percent, TIME)]


class ChannelEntry(Entry):
    """One quantity that the bench applies or measures."""

    unit: UnitName | None = None
    range: Text | None = Key(None, description="what the bench can apply, both ends included: 0 .. 5 V; plan stays within it")
    uncertainty: Limits1 | None = Key(None, description="expanded (k = 2 unless said): 0.01 % of reading (meter gain) + 0.3 mV (each)")
    k: Annotated[Fraction, *leaf(lambda node: as_fraction(leaves.scalar(node, "a coverage factor")), {"type": "number"})] = Fraction(2)
    resolution: Annotated[str, *leaf(leaves.text, {"const": "included"})] = ""
    positive: Text | None = None
    set: Text | None = Key(None, description="the log column of what was set")
    measured: Text | None = Key(None, description="the log column of what was measured; it is what counts")
    between: Annotated[str | None, *leaf(leaves.text, {"enum": ["line", "hold"]})] = None
    max_gap: Nanoseconds | None = None
    states: Annotated[tuple[str, ...], *leaf(_states, {"type": "array", "items": {"type": "string"}})] = ()
    set_uncertainty: Limits1 | None = Key(None, description="of the set column, where it differs from the measured one's")
    note: Text | None = None


class FieldTimingEntry(Entry):
    """Times of one field, where they differ."""

    settle: Nanoseconds | None = None
    latency: Nanoseconds | None = None


class TimingEntry(Entry):
    """How long a board may take to settle and to report."""

    settle: Nanoseconds | None = None
    latency: Nanoseconds | None = None
    warm_up: Nanoseconds = 0
    timestamps: Doubt = 0
    fields: dict[str, FieldTimingEntry] = Key(default_factory=dict)


class CoverageEntry(Entry):
    """What counts as exercised."""

    ends: Share = Fraction(1, 10)
    levels: Annotated[int, *leaf(leaves.integer(2, 1000, "number of levels"), {"type": "integer"})] = 5
    gap: Share = Fraction(35, 100)


class BenchEntry(Entry):
    """A bench file, version 1."""

    regcheck_bench: Annotated[int, *leaf(leaves.integer(1, 1, "version of the bench file (this is 1)"), {"const": 1})]
    channels: dict[str, ChannelEntry]
    applied: dict[str, Formula]
    timing: TimingEntry = TimingEntry()
    clock: Annotated[Any, *leaf(lambda node: node, {})] = None
    coverage: CoverageEntry = CoverageEntry()
    note: Text | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """One channel: its log columns (``counts`` is the one that counts, ``set_column`` the other where both are logged).

    ``range`` is what it can apply, in its unit, None where the bench file does not say.
    """

    name: str
    counts: str
    set_column: str
    between: str
    unit: Unit | None
    uncertainty: Limit | None
    set_uncertainty: Limit | None
    k: Fraction
    resolution_included: bool
    positive: str
    max_gap_ns: int | None
    states: tuple[str, ...]
    place: Place
    measured: bool = False
    range: Span | None = None


@dataclass(frozen=True, slots=True)
class Applied:
    """What a field should report: a formula of channels and of other applied fields; ``variable`` numbers an array's elements.

    ``instance`` says which of several like devices, such as ``rack[3]``; empty where only one is fitted.
    """

    target: str
    variable: str
    element: int | None
    formula: Expression
    field: Field
    place: Place
    instance: str = ""


@dataclass(frozen=True, slots=True)
class ClockRule:
    """How the capture's clock is known: ``kind`` is shared, told, marker or estimate; told: capture time = bench time + offset."""

    kind: str
    offset_ns: int = 0
    doubt_ns: int = 0
    marker: str = ""


@dataclass(frozen=True, slots=True)
class Timing:
    """Times in ns; ``fields`` overrides settle and latency by field path or name. None: not said."""

    settle_ns: int | None
    latency_ns: int | None
    warm_up_ns: int
    timestamps_ns: int
    fields: Mapping[str, tuple[int | None, int | None]]

    def of(self, field: Field) -> tuple[int, int]:
        """Return settle and latency of a field in ns."""
        settle, latency = self.fields.get(field.path) or self.fields.get(field.name) or (None, None)
        return (self.settle_ns or 0) if settle is None else settle, (self.latency_ns or 0) if latency is None else latency


@dataclass(frozen=True, slots=True)
class Bench:
    """A bench file, checked against a map."""

    file: str
    channels: Mapping[str, Channel]
    applied: tuple[Applied, ...]
    timing: Timing
    clock: ClockRule
    coverage: CoverageEntry

    def columns(self) -> frozenset[str]:
        """Return the log columns that the bench file asks for."""
        return frozenset(name for channel in self.channels.values() for name in (channel.counts, channel.set_column) if name)

    def words(self) -> dict[str, frozenset[str]]:
        """Return the words that each column may hold beside open and short."""
        return {channel.counts: frozenset(channel.states) for channel in self.channels.values() if channel.states}


def _channels(entry: BenchEntry, node: Node | None, problems: list[Problem]) -> dict[str, Channel]:
    channels: dict[str, Channel] = {}
    for key, channel in entry.channels.items():
        place = key_place(node, key) if isinstance(node, MappingNode) else Place("")
        match = _INDEXED.match(key)
        if not match or (match[2] is not None and not match[2].isdigit()):
            problems.append(Problem(place, f"'{key}' cannot name a channel", "such as shunt, ntc_1 or wire[0..4]"))
            continue
        name, first, last = match[1], match[2], match[3]
        if channel.unit is None and not channel.states:
            problems.append(Problem(place, f"channel '{key}' has no unit", "add its unit, or the states that it can take"))
        if first is not None and (channel.set or channel.measured):
            problems.append(
                Problem(place, f"channel '{key}' is an array; `set` and `measured` name single columns", "name each channel by itself")
            )
            continue
        span = _reach(channel, child(node, key), problems)
        numbers = [None] if first is None else list(range(int(first), int(last or first) + 1))
        for number in numbers:
            bare = name if number is None else f"{name}[{number}]"
            column = name if number is None else f"{name}_{number}"
            counts = channel.measured or channel.set or column
            set_column = channel.set if channel.measured and channel.set else ""
            between = channel.between or ("line" if channel.measured else "hold")
            channels[bare] = Channel(
                bare,
                counts,
                set_column or "",
                between,
                channel.unit,
                channel.uncertainty,
                channel.set_uncertainty,
                channel.k,
                channel.resolution == "included",
                channel.positive or "",
                channel.max_gap,
                channel.states,
                place,
                bool(channel.measured),
                span,
            )
    return channels


def _reach(channel: ChannelEntry, node: Node | None, problems: list[Problem]) -> Span | None:
    if channel.range is None:
        return None
    place = key_place(node, "range") if isinstance(node, MappingNode) else Place("")
    try:
        return parse_span(Scalar(channel.range, place), channel.unit)
    except ValueError as error:
        problems.append(Problem(place, leaves.sentence(error)))
        return None


class BenchScope:
    """Names in the bench file's formulas: channels (by index too), and other applied fields."""

    def __init__(self, channels: Mapping[str, Channel], fields: Mapping[str, Field], variables: tuple[str, ...]) -> None:
        self.channels, self.fields, self.variables = channels, fields, variables

    def _channel(self, name: Name) -> Channel | None:
        if len(name.parts) != 1:
            return None
        bare = name.parts[0]
        if name.index is None:
            return self.channels.get(bare)
        return next((channel for key, channel in self.channels.items() if key.startswith(bare + "[")), None)

    def _refuse_no_element(self, name: Name) -> None:
        """An element told by its number must be there: else nothing would be applied, and nobody told."""
        if self._channel(name) is None or not isinstance(name.index, Number):
            return
        elements = [key for key in self.channels if key.startswith(name.parts[0] + "[")]
        if f"{name.parts[0]}[{name.index.value}]" not in elements:
            raise UnknownNameError(f"'{name.parts[0]}[{name.index.value}]' is no channel; there are {elements[0]} to {elements[-1]}")

    def unit_of(self, name: Name) -> Unit | None:
        """Return the unit of a channel or an applied field."""
        dotted = ".".join(name.parts)
        if dotted in self.variables:
            return None
        self._refuse_no_element(name)
        channel = self._channel(name)
        if channel is not None:
            return channel.unit
        if dotted in self.fields:
            return self.fields[dotted].unit
        from regcheck.device_map.words import nearest

        near = nearest(dotted, [*{key.partition("[")[0] for key in self.channels}, *self.fields])
        raise UnknownNameError(f"'{dotted}' is no channel and no applied field" + (f"; did you mean '{near}'?" if near else ""))

    def labels_of(self, name: Name) -> Mapping[str, int]:
        """Return the states of a channel, numbered."""
        channel = self._channel(name)
        return {word: index for index, word in enumerate(channel.states)} if channel is not None else {}

    def kind_of(self, name: Name) -> Any:
        """Return what a name is: always a number here."""
        self.unit_of(name)
        return "number"


def _clock(node: Node | None, problems: list[Problem], place: Place) -> ClockRule:
    if node is None:
        return ClockRule("estimate")
    if isinstance(node, MappingNode):
        marker = child(node, "marker")
        if isinstance(marker, Scalar) and len(node) == 1:
            return ClockRule("marker", marker=str(marker))
    elif isinstance(node, Scalar):
        if node in ("shared", "estimate"):
            return ClockRule(str(node))
        offset, sign, doubt = re.split(r"(\+/-|±)", node + "+/-", maxsplit=1)[:3]
        try:
            return ClockRule(
                "told",
                parse_signed_ns(offset.strip()),
                parse_time_ns(Scalar(doubt.removesuffix("+/-").strip())) if sign and doubt.removesuffix("+/-").strip() else 0,
            )
        except ValueError:
            pass
    problems.append(
        Problem(place, "`clock` is not understood", "shared, estimate, an offset such as 12.5 s +/- 0.1 s, or {marker: message.field}")
    )
    return ClockRule("estimate")


def parse_signed_ns(text: str) -> int:
    """Return a time that may be negative, in whole ns."""
    return -parse_time_ns(Scalar(text[1:].strip())) if text.startswith("-") else parse_time_ns(Scalar(text))


def _targets(entry: BenchEntry, register_map: RegisterMap, node: Node | None, problems: list[Problem]) -> list[Applied]:
    applied: list[Applied] = []
    for key, formula in entry.applied.items():
        place = key_place(node, key) if isinstance(node, MappingNode) else Place("")
        match = _TARGET.match(key)
        instance, rest = (match[1].removesuffix("."), match[2]) if match else ("", key)
        bare, bracket, inside = rest.partition("[")
        variable = inside.rstrip("] ").strip() if bracket else ""
        try:
            field = MapScope(register_map).resolve(Name(tuple(bare.strip().split("."))))
        except UnknownNameError as error:
            problems.append(Problem(place, str(error)))
            continue
        if field is None:
            problems.append(Problem(place, f"'{key}' is a joined value; name one of its fields"))
        elif field.each is not None and not variable:
            problems.append(Problem(place, f"'{key}' is an array", f"write such as {key}[c]: … for all its elements, or {key}[1]"))
        elif field.each is None and variable:
            problems.append(Problem(place, f"'{bare}' is no array, so '{key}' names no element"))
        else:
            element = int(variable) if variable.isdigit() else None
            alike = [one for one in applied if one.field == field and one.instance == instance]
            twin = next((one for one in alike if one.element == element or None in (one.element, element)), None)
            if twin is not None:
                problems.append(Problem(place, f"'{key}' is applied twice", f"see {twin.place}: keep one of the two"))
                continue
            applied.append(Applied(field.path, "" if element is not None else variable, element, formula, field, place, instance))
    return applied


def load_bench(path: Path | str, register_map: RegisterMap) -> Bench:
    """Return a bench file, checked against the map that it serves; raise SourceError with every fault and its place."""
    bench, problems = examine_bench(path, register_map)
    if bench is None:
        raise SourceError([problem for problem in problems if problem.severity is Severity.FAULT])
    return bench


def examine_bench(path: Path | str, register_map: RegisterMap) -> tuple[Bench | None, list[Problem]]:
    """Return a bench file and what lint has to say of it; None where a fault keeps it from being used."""
    from regcheck.device_map.binding import bind
    from regcheck.device_map.expressions import ExpressionError

    path = Path(path)
    problems: list[Problem] = []
    try:
        node = read_yaml(path)
    except SourceError as error:
        return None, list(error.problems)
    broken: set[str] = set()
    entry = validate(BenchEntry, node, problems, broken)
    if entry is None:
        return None, problems
    channels = _channels(entry, child(node, "channels"), problems)
    applied = _targets(entry, register_map, child(node, "applied"), problems)
    fields = {name: one.field for one in applied for name in (one.field.path, one.field.name)}
    for one in applied:
        scope = BenchScope(channels, fields, (one.variable,) if one.variable else ())
        try:
            bind(one.formula, scope, one.field.unit if one.field.unit is not None else "any")
        except ExpressionError as error:
            if not broken & {part for name in one.formula.names() for part in name.parts}:
                problems.append(Problem(one.place, leaves.sentence(error)))
    timing = entry.timing
    if applied and (timing.settle is None or timing.latency is None):
        missing = " and ".join(word for word, value in (("settle", timing.settle), ("latency", timing.latency)) if value is None)
        timing_node = child(node, "timing")
        at = timing_node.place if timing_node is not None else node.place
        problems.append(
            Problem(
                at,
                f"the bench applies values, but `timing` does not say {missing}",
                "how long a step takes to settle, and how old a reported value may be (0 s is legal)",
            )
        )
    for name in timing.fields:
        try:
            MapScope(register_map).resolve(Name(tuple(name.split("."))))
        except UnknownNameError as error:
            problems.append(Problem(key_place(_as_mapping(child(child(node, "timing"), "fields"), node), name), str(error)))
    problems += _sensor_problems(applied)
    clock_node = child(node, "clock")
    clock = _clock(clock_node, problems, clock_node.place if clock_node is not None else node.place)
    times = {name: (one.settle, one.latency) for name, one in timing.fields.items()}
    bench = Bench(
        str(path),
        channels,
        tuple(applied),
        Timing(timing.settle, timing.latency, timing.warm_up, timing.timestamps, times),
        clock,
        entry.coverage,
    )
    faults = any(problem.severity is Severity.FAULT for problem in problems)
    return (None if faults else bench), sorted(problems, key=lambda problem: problem.place)


def _as_mapping(node: Node | None, fallback: MappingNode) -> MappingNode:
    return node if isinstance(node, MappingNode) else fallback


def _parameters(call: Call) -> dict[str, object]:
    """Return a sensor's keywords, numbers in coherent units: 10 kohm is 10000 ohm."""
    return {
        key: (node.value * node.unit.factor + node.unit.offset, node.unit.dimension) if isinstance(node, Number) and node.unit else node
        for key, node in call.keywords
    }


def _sensor_problems(applied: list[Applied]) -> list[Problem]:
    """A map that names the datasheet's sensor must be fed by a bench that plays the same one."""
    problems = []
    for one in applied:
        wanted = one.field.sensor
        if wanted is None or not isinstance(wanted.root, Call):
            continue
        played = one.formula.root
        if isinstance(played, Call) and (played.function != wanted.root.function or _parameters(played) != _parameters(wanted.root)):
            problems.append(
                Problem(
                    one.place,
                    f"the bench plays {one.formula.text}, but the map's sensor for '{one.target}' is {wanted.text}",
                    f"see {wanted.place}; use the datasheet's curve in both",
                )
            )
    return problems
