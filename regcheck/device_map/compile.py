"""A map's entries as typed -> the model: messages, layouts, examples, joined values, rules."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from regcheck.device_map.cross_checks import cross_check
from regcheck.device_map.expressions import parse_expression
from regcheck.device_map.fields import Author, compile_field, meanings_of, whole_payload
from regcheck.device_map.leaves import sentence
from regcheck.device_map.limits import parse_time_range_ns
from regcheck.device_map.merge import child, key_place, mapping_of, with_base, with_like
from regcheck.device_map.model import (
    AlarmLevel,
    Example,
    Field,
    FieldType,
    JoinedValue,
    Layout,
    Length,
    Message,
    Pec,
    RegisterMap,
    Rule,
    Through,
    TransferKind,
)
from regcheck.device_map.places import Order
from regcheck.device_map.syntax import Example as ExampleEntry
from regcheck.device_map.syntax import FieldEntry, JoinedEntry, MapEntry, RegisterEntry, RuleEntry
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Mapping, Node, Scalar
from regcheck.errors import Place, Problem, Severity, SourceError

IDENTIFIER = re.compile(r"^[a-z][a-z0-9_]*$")
EXPRESSION_WORDS = frozenset(
    [
        "and",
        "or",
        "not",
        "in",
        "for",
        "of",
        "is",
        "raw",
        "length",
        "last",
        "sum",
        "min",
        "max",
        "mean",
        "count",
        "any",
        "all",
        "none",
        "abs",
        "change",
        "integral",
        "applied",
        "reported",
    ]
)
NO_PAYLOAD = (TransferKind.SEND_BYTE,)


def _mapping(node: Node | None, place: Place) -> Mapping:
    return node if isinstance(node, Mapping) else Mapping(place)


def _name_fault(name: str, what: str, place: Place) -> Problem | None:
    if not IDENTIFIER.match(name):
        return Problem(place, f"'{name}' cannot name a {what}", "lower case letters, digits and _, a letter first")
    if name in EXPRESSION_WORDS:
        return Problem(place, f"'{name}' cannot name a {what}: it is a word of the expressions", "choose another name")
    return None


class _Compiler:
    """The state of one compilation: the node, the list of faults, and what is shared."""

    def __init__(self, node: Mapping, entry: MapEntry, problems: list[Problem], broken: set[str]) -> None:
        self.node, self.entry, self.problems, self.broken = node, entry, problems, broken

    def author(self, node: Node | None, place: Place) -> Author:
        return Author(_mapping(node, place), self.problems, self.entry.names, self.broken)

    def fields(self, message: str, entries: dict[str, FieldEntry], node: Node | None, place: Place, order: Order) -> tuple[Field, ...]:
        compiled = []
        for name, entry in entries.items():
            inner = child(node, name)
            fault = _name_fault(name, "field", key_place(node, name) if isinstance(node, Mapping) else place)
            if fault:
                self.problems.append(fault)
            field = compile_field(name, message, entry, self.author(inner, place), order=order, whole=None)
            if field is None:
                self.broken.add(name)
            else:
                compiled.append(field)
        return tuple(compiled)

    def length(self, value: Scalar | None) -> Length | None:
        if value is None:
            return None
        text = str(value)
        try:
            if ".." in text:
                low, _, high = text.partition("..")
                first, last = int(low, 0), int(high, 0)
                if first > last:
                    raise ValueError(f"the length {text} runs backwards")
                return Length(first, last)
            expression = parse_expression(value)
            constant = expression.constant()
            if constant is None:
                return Length(0, None, expression)
            if constant.denominator != 1 or constant < 0:
                raise ValueError(f"{text} is no length; expected whole bytes")
            return Length(int(constant), int(constant))
        except ValueError as error:
            self.problems.append(
                Problem(
                    value.place,
                    str(error) if "length" in str(error) else f"'{text}' is no length: {sentence(error)}",
                    "such as 8, 2..8 or 1 + 2 * cell_count",
                )
            )
            return None

    def example(self, entry: ExampleEntry, node: Mapping, message: str, fields: tuple[Field, ...]) -> Example | None:
        if (entry.data is None) == (entry.transfer is None):
            self.problems.append(Problem(node.place, "an example has either `data` (the payload) or `transfer` (every byte on the wire)"))
            return None
        values: dict[str, tuple[str, Place]] = {}
        if entry.value is not None:
            own = [field.name for field in fields]
            if len(own) != 1:
                self.problems.append(
                    Problem(
                        node.place, f"`value` needs a one-field register; '{message}' has {len(own)} fields", "write `values: {field: …}`"
                    )
                )
                return None
            value_node = child(node, "value")
            values[own[0]] = (entry.value, value_node.place if value_node is not None else node.place)
        inner = child(node, "values")
        for name, text in (entry.values or {}).items():
            value_node = child(inner, name)
            values[name] = (text, value_node.place if value_node is not None else node.place)
        if not values and entry.values is None and entry.value is None:
            self.problems.append(
                Problem(node.place, "this example does not say what must come out", "write `value`, or `values: {field: …}`")
            )
        given: dict[str, str] = {}
        for part in re.split(r"\s+and\s+|\s*,\s*", entry.given) if entry.given else ():
            name, equals, value = (piece.strip() for piece in part.partition("="))
            if not equals or not name or not value:
                self.problems.append(
                    Problem(node.place, f"`given: {entry.given}` is not understood", "write such as specification.ip_scale = 0")
                )
                return None
            given[name] = value
        return Example(
            node.place, entry.data if entry.data is not None else entry.transfer or b"", entry.transfer is not None, given, values
        )

    def register(self, name: str, entry: RegisterEntry, node: Mapping, place: Place) -> Message | None:
        fault = _name_fault(name, "register", place)
        if fault:
            self.problems.append(fault)
        kind, count = entry.transfer
        author = self.author(node, place)
        order = entry.order or Order.LITTLE
        inline = [key for key in FieldEntry.model_fields if key not in ("order", "see", "note", "like") and getattr(entry, key) is not None]
        if entry.command is None and entry.through is None and kind is not TransferKind.RECEIVE_BYTE:
            self.problems.append(Problem(place, f"register '{name}' has no `command`", "its command code, such as command: 0x09"))
            return None
        if entry.command is not None and entry.through is not None:
            author.fault("command", f"'{name}' has both `command` and `through`", "with `through`, the command read is its `then`")
        writes_only = entry.access == frozenset({"write"})
        if kind is TransferKind.SEND_BYTE and not writes_only:
            author.fault(
                "access" if "access" in node else "transfer",
                f"a send byte goes to the device; '{name}' cannot be read",
                "write access: [write]",
            )
        if kind is TransferKind.RECEIVE_BYTE and "write" in entry.access:
            author.fault("access", f"a receive byte comes from the device; '{name}' cannot be written", "write access: [read]")
        if entry.to is not None and not writes_only:
            author.fault("to", f"`to` says that the device itself writes '{name}'", "write access: [write]")
        length = self.length(entry.length)
        fields: tuple[Field, ...]
        if entry.fields is not None or entry.layouts is not None:
            if inline:
                author.fault(
                    inline[0], f"`{inline[0]}` stands beside `fields` in '{name}'", "move it into one of the fields, or take `fields` out"
                )
            fields = self.fields(name, entry.fields or {}, child(node, "fields"), place, order)
        elif kind in NO_PAYLOAD:
            if inline:
                author.fault(inline[0], f"a send byte carries no data, so '{name}' has no field for `{inline[0]}`")
            fields = ()
        else:
            stated = length.high if length is not None and length.low == length.high else None
            runs_on = entry.type in (FieldType.TEXT, FieldType.BYTES)
            whole = whole_payload(count or (None if runs_on else stated), order)
            only = compile_field(name, name, entry, author, order=order, whole=whole)
            fields = (only,) if only is not None else ()
        layouts = []
        for index, layout in enumerate(entry.layouts or ()):
            layout_node = child(child(node, "layouts"), index)
            layout_place = layout_node.place if layout_node is not None else place
            length_node = child(layout_node, "length")
            layouts.append(
                Layout(
                    layout.when,
                    self.fields(name, layout.fields, child(layout_node, "fields"), layout_place, order),
                    self.length(length_node) if isinstance(length_node, Scalar) else None,
                    layout_place,
                )
            )
        if length is not None and kind not in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
            author.fault("length", f"the length of a {kind.value} is fixed ({count} bytes)", "take `length` out")
            length = None
        if count and kind not in (TransferKind.BLOCK, TransferKind.BLOCK_PROCESS_CALL):
            length = Length(count, count)
        smbus = self.entry.smbus
        all_fields = fields + tuple(field for layout in layouts for field in layout.fields)
        examples = []
        for index, example in enumerate(entry.examples or ()):
            example_node = child(child(node, "examples"), index)
            compiled = self.example(example, _mapping(example_node, place), name, all_fields)
            if compiled is not None:
                examples.append(compiled)
        through = entry.through
        return Message(
            name=name,
            place=place,
            kind="register",
            fields=fields,
            layouts=tuple(layouts),
            length=length,
            order=order,
            transfer=kind,
            plain_bytes=count if kind is TransferKind.PLAIN else 0,
            command=through.then if through else entry.command,
            address=entry.address if entry.address is not None else (smbus.address if smbus else None),
            access=entry.access,
            pec=entry.pec if entry.pec is not None else (smbus.pec if smbus else Pec.OPTIONAL),
            through=Through(through.write, through.word, through.then, through.within, through.sticky) if through else None,
            holds=entry.holds or "",
            to=entry.to,
            poll_ns=entry.poll or 0,
            every=entry.every or (),
            bus=entry.bus or "",
            examples=tuple(examples),
            see=entry.see or "",
            note=entry.note or "",
            given_keys={str(key): (value.place if isinstance(value, Scalar) else key.place) for key, value in node.items()},
        )


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
            key: (with_like(value, problems, broken) if key == "registers" and isinstance(value, Mapping) else value)
            for key, value in node.items()
        },
        node.place,
    )
    entry = validate(MapEntry, expanded, problems, broken)
    if entry is None:
        return None, sorted(set(problems), key=lambda problem: (problem.place, problem.text))
    compiler = _Compiler(expanded, entry, problems, broken)
    registers = _mapping(child(expanded, "registers"), node.place)
    messages = []
    for name, register in entry.registers.items():
        message = compiler.register(name, register, _mapping(child(registers, name), node.place), key_place(registers, name))
        if message is None:
            broken.add(name)
        else:
            messages.append(message)
    if not messages and not broken:
        problems.append(Problem(node.place, "this map has no registers", "write them under `registers:`"))
    if messages and entry.smbus is None and any(message.address is None for message in messages):
        problems.append(Problem(node.place, "the map does not say the device's address", "write such as smbus: {address: 0x0B}"))
    values_node = _mapping(child(expanded, "values"), node.place)
    rules_node = _mapping(child(expanded, "rules"), node.place)
    register_map = RegisterMap(
        file=str(path),
        name=entry.device.name,
        title=entry.device.title or entry.device.name,
        source=entry.device.source or "",
        messages=tuple(messages),
        values={
            name: _joined(name, value, compiler, child(values_node, name), key_place(values_node, name))
            for name, value in entry.values.items()
        },
        rules=tuple(
            _rule(name, rule, child(rules_node, name), key_place(rules_node, name), problems) for name, rule in entry.rules.items()
        ),
        files=files,
        speed=str(entry.smbus.speed or "") if entry.smbus else "",
    )
    problems += cross_check(register_map, broken, is_whole=not broken and not problems)
    problems += _address_note(entry, child(expanded, "smbus"))
    readable = tuple(replace(message, examples=()) if _is_broken(message, broken) else message for message in register_map.messages)
    return replace(register_map, messages=readable), sorted(set(problems), key=lambda problem: (problem.place, problem.text))


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


def _joined(name: str, entry: JoinedEntry, compiler: _Compiler, node: Node | None, place: Place) -> JoinedValue:
    fault = _name_fault(name, "value", place)
    if fault:
        compiler.problems.append(fault)
    return JoinedValue(name, place, entry.join, entry.within or 0, meanings_of(entry, compiler.author(node, place)))


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
