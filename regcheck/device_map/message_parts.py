"""What registers and frames have in common as typed -> the model: fields, layouts, lengths, examples, and the state of a compilation."""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import replace

from regcheck.device_map.author import Author
from regcheck.device_map.expression_tree import Expression, Logic
from regcheck.device_map.expressions import KEYWORDS, VIEWS, parse_expression
from regcheck.device_map.fields import compile_field
from regcheck.device_map.leaves import sentence
from regcheck.device_map.merge import child, key_place
from regcheck.device_map.model import Axis, Example, Field, Layout, Length
from regcheck.device_map.places import Order
from regcheck.device_map.syntax import Example as ExampleEntry
from regcheck.device_map.syntax import FieldEntry, LayoutEntry, MapEntry
from regcheck.device_map.yaml_source import Mapping, Node, Scalar
from regcheck.errors import Place, Problem

IDENTIFIER = re.compile(r"^[a-z][a-z0-9_]*$")
EXPRESSION_WORDS = (
    frozenset({"is", "length", "last", "sum", "min", "max", "mean", "count", "any", "all", "none", "abs", "change", "integral"})
    | KEYWORDS
    | VIEWS
)


def mapping_at(node: Node | None, place: Place) -> Mapping:
    """Return a node as the mapping that it is, an empty one at ``place`` where there is none."""
    return node if isinstance(node, Mapping) else Mapping(place)


def name_fault(name: str, what: str, place: Place) -> Problem | None:
    """Return why a name cannot name a message, field, value or instance; None where it can."""
    what = f"an {what}" if what[0] in "aeiou" else f"a {what}"
    if not IDENTIFIER.match(name):
        return Problem(place, f"'{name}' cannot name {what}", "lower case letters, digits and _, a letter first")
    if name in EXPRESSION_WORDS:
        return Problem(place, f"'{name}' cannot name {what}: it is a word of the expressions", "choose another name")
    return None


def given_places(node: Mapping) -> dict[str, Place]:
    """Return the place of what was written for each key."""
    return {str(key): (value.place if isinstance(value, Scalar) else key.place) for key, value in node.items()}


class MessageParts:
    """The state of one compilation: the node, the list of faults, and what is shared."""

    def __init__(self, node: Mapping, entry: MapEntry, axes: tuple[Axis, ...], problems: list[Problem], broken: set[str]) -> None:
        self.node, self.entry, self.axes, self.problems, self.broken = node, entry, axes, problems, broken

    def author(self, node: Node | None, place: Place) -> Author:
        """Return what compiling one entry needs."""
        return Author(mapping_at(node, place), self.problems, self.entry.names, self.broken)

    def fields(
        self, message: str, entries: dict[str, FieldEntry], node: Node | None, place: Place, order: Order, *, codes: str = ""
    ) -> tuple[Field, ...]:
        """Return the fields that can be read; the names of the others are broken. ``codes``: of fields that do not say."""
        compiled = []
        for name, entry in entries.items():
            inner = child(node, name)
            fault = name_fault(name, "field", key_place(node, name) if isinstance(node, Mapping) else place)
            if fault:
                self.problems.append(fault)
            field = compile_field(name, message, entry, self.author(inner, place), order=order, whole=None, codes=codes)
            if field is None:
                self.broken.add(name)
            else:
                compiled.append(field)
        return tuple(compiled)

    def layouts(
        self, message: str, entries: list[LayoutEntry] | None, node: Node | None, place: Place, order: Order, *, codes: str = ""
    ) -> tuple[Layout, ...]:
        """Return layouts, those inside others written flat (see ``Layout``). ``node`` is the list."""
        layouts: list[Layout] = []
        for index, entry in enumerate(entries or ()):
            inner = child(node, index)
            at = inner.place if inner is not None else place
            length_node = child(inner, "length")
            outer = Layout(
                entry.when,
                self.fields(message, entry.fields, child(inner, "fields"), at, order, codes=codes),
                self.length(length_node) if isinstance(length_node, Scalar) else None,
                at,
                entry.every or (),
            )
            nested = self.layouts(message, entry.layouts, child(inner, "layouts"), at, order, codes=codes)
            if nested and entry.every:
                text = "`every` of a layout with layouts inside it would be that of its rest alone"
                self.author(inner, at).fault("every", text, "write it in each of those")
            layouts += [
                replace(
                    one,
                    when=both(outer.when, one.when),
                    fields=outer.fields + one.fields,
                    length=one.length or outer.length,
                )
                for one in nested
            ]
            layouts.append(replace(outer, is_rest=bool(nested)))
        return tuple(layouts)

    def length(self, value: Scalar | None) -> Length | None:
        """Return a length of `8`, `2..8` or `1 + 2 * cell_count`."""
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

    def examples(
        self, message: str, entries: Collection[ExampleEntry], node: Node | None, place: Place, fields: tuple[Field, ...]
    ) -> tuple[tuple[Example, ExampleEntry, Mapping], ...]:
        """Return the examples that can be read, each beside its entry and node. ``node`` is the list."""
        compiled = []
        for index, entry in enumerate(entries):
            inner = mapping_at(child(node, index), place)
            example = self.example(entry, inner, message, fields)
            if example is not None:
                compiled.append((example, entry, inner))
        return tuple(compiled)

    def example(self, entry: ExampleEntry, node: Mapping, message: str, fields: tuple[Field, ...]) -> Example | None:
        """Return an example, None where it cannot be read."""
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


def both(one: Expression, other: Expression) -> Expression:
    """Return two conditions as one."""
    return Expression(f"({one.text}) and ({other.text})", Logic("and", (one.root, other.root)), other.place)
