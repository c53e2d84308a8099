"""A map's entries as typed -> the model: messages, joined values, rules; and the way from a file to a map."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from regcheck.device_map.cross_checks import cross_check
from regcheck.device_map.fields import meanings_of
from regcheck.device_map.frame_entries import compile_frame
from regcheck.device_map.limits import parse_time_range_ns
from regcheck.device_map.merge import child, key_place, mapping_of, with_base, with_like
from regcheck.device_map.message_parts import MessageParts, mapping_at, name_fault
from regcheck.device_map.model import AlarmLevel, Axis, JoinedValue, Message, RegisterMap, Rule
from regcheck.device_map.registers import compile_register
from regcheck.device_map.syntax import JoinedEntry, MapEntry, RuleEntry
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Mapping, Node, Scalar
from regcheck.errors import Place, Problem, Severity, SourceError


def _axes(entry: MapEntry, node: Mapping, problems: list[Problem]) -> tuple[Axis, ...]:
    axes = []
    for name, (numbers, buses) in entry.instances.items():
        fault = name_fault(name, "instance", key_place(node, name))
        if fault:
            problems.append(fault)
        axes.append(Axis(name, numbers, buses, key_place(node, name)))
    return tuple(axes)


def examine_map(path: Path | str) -> tuple[RegisterMap | None, list[Problem]]:
    """Return a map and everything that lint has to say of it (without its examples, which the codec proves).

    With a fault among the problems the map is what could be read of it, without the examples of what could not, or None;
    ``load_map`` is for those who want a whole one. Problems are in order of place.
    """
    path = Path(path)
    try:
        node, files = with_base(path)
    except SourceError as error:
        return None, list(error.problems)
    problems: list[Problem] = []
    broken: set[str] = set()
    expanded = mapping_of(
        {
            key: (with_like(value, problems, broken) if key in ("registers", "frames") and isinstance(value, Mapping) else value)
            for key, value in node.items()
        },
        node.place,
    )
    entry = validate(MapEntry, expanded, problems, broken)
    if entry is None:
        return None, sorted(set(problems), key=lambda problem: (problem.place, problem.text))
    axes = _axes(entry, mapping_at(child(expanded, "instances"), node.place), problems)
    parts = MessageParts(expanded, entry, axes, problems, broken)
    registers = mapping_at(child(expanded, "registers"), node.place)
    frames = mapping_at(child(expanded, "frames"), node.place)
    messages: list[Message] = []
    for name, register in entry.registers.items():
        _add(
            compile_register(parts, name, register, mapping_at(child(registers, name), node.place), key_place(registers, name)),
            name,
            parts,
            messages,
        )
    for name, frame in entry.frames.items():
        at = key_place(frames, name)
        if name in entry.registers:
            problems.append(Problem(at, f"'{name}' is a register already", "choose another name for the frame"))
        _add(compile_frame(parts, name, frame, mapping_at(child(frames, name), node.place), at), name, parts, messages)
    if not messages and not broken:
        problems.append(Problem(node.place, "this map has no registers and no frames", "write them under `registers:` or `frames:`"))
    if entry.smbus is None and any(message.kind == "register" and message.address is None for message in messages):
        problems.append(Problem(node.place, "the map does not say the device's address", "write such as smbus: {address: 0x0B}"))
    values_node = mapping_at(child(expanded, "values"), node.place)
    rules_node = mapping_at(child(expanded, "rules"), node.place)
    register_map = RegisterMap(
        file=str(path),
        name=entry.device.name,
        title=entry.device.title or entry.device.name,
        source=entry.device.source or "",
        messages=tuple(messages),
        values={
            name: _joined(name, value, parts, child(values_node, name), key_place(values_node, name))
            for name, value in entry.values.items()
        },
        rules=tuple(
            _rule(name, rule, child(rules_node, name), key_place(rules_node, name), problems) for name, rule in entry.rules.items()
        ),
        files=files,
        instances=axes,
        speed=str(entry.smbus.speed or "") if entry.smbus else "",
        bitrate=str(entry.can.bitrate or "") if entry.can else "",
        data_bitrate=str(entry.can.data_bitrate or "") if entry.can else "",
    )
    problems += cross_check(register_map, broken, is_whole=not broken and not problems)
    problems += _address_note(entry, child(expanded, "smbus"))
    readable = tuple(replace(message, examples=()) if _is_broken(message, broken) else message for message in register_map.messages)
    return replace(register_map, messages=readable), sorted(set(problems), key=lambda problem: (problem.place, problem.text))


def _add(message: Message | None, name: str, parts: MessageParts, messages: list[Message]) -> None:
    if message is None:
        parts.broken.add(name)
    else:
        messages.append(message)


def _is_broken(message: Message, broken: set[str]) -> bool:
    return message.name in broken or any(name.partition("[")[0] in broken for example in message.examples for name in example.values)


def _address_note(entry: MapEntry, node: Node | None) -> list[Problem]:
    """Note an address that looks like the 8-bit form of a battery's or a charger's (Smart Battery Data Specification 1.1: 0x0B, 0x09)."""
    address = entry.smbus.address if entry.smbus else None
    typed = child(node, "address")
    if address not in (0x16, 0x12) or typed is None:
        return []
    text = f"the address 0x{address:02X} is legal, but it is also 0x{address >> 1:02X} in 8-bit form"
    return [Problem(typed.place, text, "addresses here have 7 bits, without the read/write bit", Severity.NOTE)]


def _joined(name: str, entry: JoinedEntry, parts: MessageParts, node: Node | None, place: Place) -> JoinedValue:
    fault = name_fault(name, "value", place)
    if fault:
        parts.problems.append(fault)
    meanings = meanings_of(entry, parts.author(node, place))
    return JoinedValue(name, place, entry.join, entry.within or 0, meanings, entry.characters or "ascii", entry.pad)


def _reaction(text: Scalar | None, problems: list[Problem]) -> tuple[int, int] | None:
    """Return shortest and longest reaction in ns of `1 s` or `2 s .. 3 s`."""
    if text is None:
        return None
    try:
        return parse_time_range_ns(text)
    except ValueError as error:
        problems.append(Problem(text.place, str(error), "write such as 1 s, or 2 s .. 3 s"))
        return None


def _rule(name: str, entry: RuleEntry, node: Node | None, place: Place, problems: list[Problem]) -> Rule:
    if (entry.require is None) == (entry.alarm is None):
        problems.append(
            Problem(
                place,
                f"the rule '{name}' has neither `require` nor `alarm`"
                if entry.require is None
                else f"the rule '{name}' has both `require` and `alarm`",
                "write one of them",
            )
        )
    if entry.alarm is not None and not entry.levels:
        problems.append(
            Problem(
                place, f"the alarm '{name}' has no levels", "write such as levels: [{state: warning, set: …, clear: …, react_within: 1 s}]"
            )
        )
    levels = []
    for index, level in enumerate(entry.levels or ()):
        inner = child(child(node, "levels"), index)
        at = inner.place if inner is not None else place
        if level.clear is None and level.latched_until is None:
            problems.append(Problem(at, f"the level '{level.state}' has neither `clear` nor `latched_until`", "say what clears it"))
        levels.append(
            AlarmLevel(level.state, level.set, level.clear, _reaction(level.react_within, problems), level.latched_until or "", at)
        )
    return Rule(name, place, entry.when, entry.require, entry.within, entry.age, entry.alarm, entry.which, tuple(levels))


def load_map(path: Path | str) -> RegisterMap:
    """Return the map in a YAML file.

    Raises SourceError with every fault of the file, and of the maps that it builds on, each with its place.
    """
    register_map, problems = examine_map(path)
    faults = [problem for problem in problems if problem.severity is Severity.FAULT]
    if register_map is None or faults:
        raise SourceError(faults)
    return register_map
