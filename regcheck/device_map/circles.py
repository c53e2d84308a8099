"""Fields whose meaning hangs on itself, directly or through others: none of them could ever be read."""

from __future__ import annotations

from collections.abc import Iterator

from regcheck.device_map.expression_tree import Call, Expression, Name, Node, children
from regcheck.device_map.model import Field, Message, RegisterMap
from regcheck.device_map.scope import MapScope, UnknownNameError
from regcheck.device_map.units import Unit
from regcheck.errors import Place, Problem

Path = tuple[str, str]


def _formulas(item: Field) -> Iterator[tuple[Expression, str]]:
    """Give what must be known before a field can be read, each with its key."""
    several = len(item.meanings) > 1
    for meaning in item.meanings:
        for expression, key in (
            (meaning.when, "meanings"),
            (meaning.scale, "meanings" if several else "scale"),
            (meaning.offset, "meanings" if several else "offset"),
            (meaning.zero, "meanings" if several else "zero"),
            (meaning.convert, "meanings" if several else "convert"),
            *((expression, name) for name, expression in meaning.parameters.items()),
        ):
            if expression is not None:
                yield expression, key
    each = item.each
    others = [(item.negative_when, "negative_when"), (item.valid_when, "valid_when")]
    others += [(each.last, "each"), (each.number, "number")] if each is not None else []
    for expression, key in others:
        if expression is not None:
            yield expression, key


def _names(node: Node) -> Iterator[Name]:
    """Give the names whose values a formula takes: raw() asks for no meaning."""
    if isinstance(node, Call) and node.function == "raw":
        return
    if isinstance(node, Name):
        yield node
    for child in children(node):
        yield from _names(child)


def _needs(register_map: RegisterMap, message: Message) -> Iterator[tuple[Path, Path, Place]]:
    """Give every field of a message with each field that must be known before it, and where the map says so."""
    for item in message.all_fields():
        own = (item.message, item.name)
        local: dict[str, Unit | None] = {item.each.variable: None} if item.each is not None and item.each.variable else {}
        scope = MapScope(register_map, message, local)
        asked = [(expression, item.given_keys.get(key, item.place)) for expression, key in _formulas(item)]
        for expression, place in asked:
            for name in _names(expression.root):
                try:
                    found = scope.resolve(name)
                except UnknownNameError:
                    continue  # a label, or told already
                if found is not None:
                    yield own, (found.message, found.name), place


def check_circles(register_map: RegisterMap) -> Iterator[Problem]:
    """Give each circle of fields that hang on each other once, at the place of the first of them."""
    needs: dict[Path, dict[Path, Place]] = {}
    names: dict[Path, str] = {}
    for message in register_map.messages:
        names |= {(item.message, item.name): item.path for item in message.all_fields()}
        for own, other, place in _needs(register_map, message):
            needs.setdefault(own, {}).setdefault(other, place)
    told: set[frozenset[Path]] = set()
    for start in needs:
        circle = _circle(start, needs)
        if circle is None or frozenset(circle) in told:
            continue
        told.add(frozenset(circle))
        place = needs[start][circle[1] if len(circle) > 1 else start]
        if len(circle) == 1:
            text = f"the meaning of '{names[start]}' hangs on its own value"
            yield Problem(place, text, "raw() takes a field's raw value, which needs no meaning")
        else:
            way = ", ".join(f"'{names[one]}' on '{names[other]}'" for one, other in zip(circle, [*circle[1:], start], strict=True))
            yield Problem(place, f"the meaning of '{names[start]}' hangs on itself: {way}", "one of them must be read without the others")


def _circle(start: Path, needs: dict[Path, dict[Path, Place]]) -> list[Path] | None:
    """Return the shortest way from a field back to itself, without its end; None where there is none."""
    ways: list[list[Path]] = [[start]]
    seen: set[Path] = set()
    while ways:
        way = ways.pop(0)
        for other in needs.get(way[-1], {}):
            if other == start:
                return way
            if other not in seen:
                seen.add(other)
                ways.append([*way, other])
    return None
