"""Which ids a frame has: its instance names and its `each` filled in, one record for each device that sends it."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from itertools import product

from regcheck.device_map.expression_tree import Binary, Expression, Name, Node, Number, Unary, fold_numbers
from regcheck.device_map.model import Axis, Message, RegisterMap

STANDARD_LAST, EXTENDED_LAST = 0x7FF, 0x1FFFFFFF
"""Largest ids of 11 and of 29 bits (ISO 11898-1, base and extended frame format)."""

PDU2_FIRST = 0xF0
"""PDU format from which on the PDU specific byte belongs to the parameter group (SAE J1939-21, 5.1.2; from memory of it)."""

IDENTITIES = ("id", "pgn", "carrier")
"""Keys by which a frame is known; each has one of them."""

Fitted = Mapping[str, tuple[int | str, ...]]
"""What the trial says is fitted: numbers or buses by instance name; a name that is missing has all that the map says."""


@dataclass(frozen=True, slots=True)
class FrameId:
    """One id of a frame: ``numbers`` fill the instance names and the `each` variable, ``bus`` is "" where the map names none.

    For a carried message the id is that of its segments, and ``asked_by`` the id that asks for it, where the map says.
    """

    instance: str
    numbers: Mapping[str, int]
    bus: str
    id: int
    extended: bool
    asked_by: int | None = None


@dataclass(frozen=True, slots=True)
class GroupId:
    """What a frame with a `pgn` is known by; None for ``source`` and ``destination``: any."""

    instance: str
    numbers: Mapping[str, int]
    bus: str
    pgn: int
    source: int | None
    destination: int | None

    def matches(self, id: int) -> bool:
        """Return whether a 29-bit id carries this group: the priority never counts, the destination only below PF 240 (SAE J1939-21)."""
        pgn, destination = group_of(id)
        if pgn != self.pgn or (self.source is not None and self.source != id & 0xFF):
            return False
        return self.destination is None or destination is None or destination == self.destination


def group_of(id: int) -> tuple[int, int | None]:
    """Return parameter group and destination of a 29-bit id, None for a group that goes to all (SAE J1939-21, 5.1.2).

    >>> [hex(part) for part in group_of(0x18EF20FF)]
    ['0xef00', '0x20']
    """
    if id >> 16 & 0xFF < PDU2_FIRST:
        return id >> 8 & 0x3FF00, id >> 8 & 0xFF
    return id >> 8 & 0x3FFFF, None


def _filled(node: Node, numbers: Mapping[str, int]) -> Node:
    match node:
        case Name(parts=(name,), index=None) if name in numbers:
            return Number(Fraction(numbers[name]))
        case Unary(operator=operator, operand=operand):
            return Unary(operator, _filled(operand, numbers))
        case Binary(operator=operator, left=left, right=right):
            return Binary(operator, _filled(left, numbers), _filled(right, numbers))
    return node


def number_at(expression: Expression, numbers: Mapping[str, int]) -> int | None:
    """Return the whole number of a formula of instance names; None where it names anything else or gives no whole number."""
    value = fold_numbers(_filled(expression.root, numbers))
    return int(value) if value is not None and value.denominator == 1 else None


def id_formulas(message: Message) -> dict[str, Expression]:
    """Return every formula of a frame that instance names may stand in, by its key; those that make up its id first."""
    formulas = {key: getattr(message, key) for key in ("id", "pgn", "source", "destination")}
    if message.carrier is not None:
        formulas |= {"iso_tp": message.carrier.iso_tp, "asked_by": message.carrier.asked_by}
    return {key: formula for key, formula in formulas.items() if formula is not None}


def names_in(expressions: Collection[Expression]) -> set[str]:
    """Return every name of one part that expressions mention."""
    return {name.parts[0] for expression in expressions for name in expression.names() if len(name.parts) == 1}


def axes_of(register_map: RegisterMap, message: Message) -> tuple[Axis, ...]:
    """Return the axes that tell a message's devices apart, in the head's order: numbers that its id names, and like buses."""
    named = names_in(id_formulas(message).values())
    return tuple(
        axis
        for axis in register_map.instances
        if axis.name in named or (axis.buses and (message.bus in ("", axis.name) or message.bus in axis.buses))
    )


def each_numbers(message: Message) -> tuple[int, ...]:
    """Return the numbers that a frame's `each` runs over, none where it has no `each`."""
    each = message.each
    last = each.last.constant() if each is not None and each.last is not None else None
    return () if each is None or last is None else tuple(range(each.first, int(last) + 1))


def instance_text(axes: tuple[Axis, ...], values: Mapping[str, int | str]) -> str:
    """Return such as ``string[a].rack[3]``; "" without axes."""
    return ".".join(f"{axis.name}[{values[axis.name]}]" for axis in axes if axis.name in values)


def _combinations(register_map: RegisterMap, message: Message, fitted: Fitted | None) -> Iterator[tuple[str, dict[str, int], str]]:
    """Give instance, numbers and bus of every device and `each` number of a message."""
    axes = axes_of(register_map, message)
    choices: list[tuple[int | str, ...]] = []
    for axis in axes:
        values: tuple[int | str, ...] = axis.numbers or axis.buses
        if axis.buses and message.bus in axis.buses:
            values = (message.bus,)
        chosen = (fitted or {}).get(axis.name)
        choices.append(values if chosen is None else tuple(value for value in values if value in chosen))
    for combination in product(*choices):
        values_of = {axis.name: value for axis, value in zip(axes, combination, strict=True)}
        numbers = {name: value for name, value in values_of.items() if isinstance(value, int)}
        bus = next((value for value in values_of.values() if isinstance(value, str)), message.bus)
        instance = instance_text(axes, values_of)
        if message.each is None:
            yield instance, numbers, bus
        for number in each_numbers(message):
            yield instance, numbers | {message.each.variable if message.each is not None else "": number}, bus


def message_ids(register_map: RegisterMap, message: Message, fitted: Fitted | None = None) -> list[FrameId | GroupId]:
    """Return every id of a frame, or, for one with a `pgn`, what it is known by; those whose formulas give no whole number are left out.

    ``fitted`` says which instances there are (None: all that the map says). The bus is that of the map; the trial says which
    interface it is.
    """
    found: list[FrameId | GroupId] = []
    for instance, numbers, bus in _combinations(register_map, message, fitted):
        at = {key: number_at(formula, numbers) for key, formula in id_formulas(message).items()}
        if None in at.values():
            continue
        whole = {key: number for key, number in at.items() if number is not None}
        if "pgn" in whole:
            found.append(GroupId(instance, numbers, bus, whole["pgn"], whole.get("source"), whole.get("destination")))
        elif (id := whole.get("id", whole.get("iso_tp"))) is not None:
            extended = id > STANDARD_LAST if message.extended is None else message.extended
            found.append(FrameId(instance, numbers, bus, id, extended, whole.get("asked_by")))
    return found
