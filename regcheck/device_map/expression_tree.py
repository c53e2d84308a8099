"""What an expression is, once read: frozen nodes that know no parser.

``column`` is the offset in the text, from 0, for the caret under it; it never counts when nodes are compared.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, TypeAlias, Union

from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.units import Unit
from regcheck.errors import Place


@dataclass(frozen=True, slots=True)
class Number:
    """A number, with its unit where one was written."""

    value: Fraction
    unit: Unit | None = None
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Version:
    """A version such as v2.0."""

    major: int
    minor: int
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Word:
    """A label in quotes; a bare label is read as a Name, and binding knows it from the other side's field."""

    text: str
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Name:
    """A field, element or variable: ``message.field[index]``.

    ``view`` and ``whole`` are set by binding, for the callable that gives values: ``view`` is "", "raw", "applied", "reported" or
    "seen" (has any arrived?); ``whole`` asks for all elements of an array.
    """

    parts: tuple[str, ...]
    index: Node | None = None
    view: str = ""
    whole: bool = False
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Call:
    """A function with its arguments; keyword arguments only for sensor functions."""

    function: str
    arguments: tuple[Node, ...]
    keywords: tuple[tuple[str, Node], ...] = ()
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Unary:
    """A sign before an operand that is no plain number."""

    operator: Literal["-"]
    operand: Node
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Binary:
    """Arithmetic."""

    operator: Literal["+", "-", "*", "/", "^"]
    left: Node
    right: Node
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Compare:
    """One comparison; they do not chain."""

    operator: Literal["=", "!=", "<", "<=", ">", ">="]
    left: Node
    right: Node
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class In:
    """A value between two others, both included."""

    value: Node
    low: Node
    high: Node
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Logic:
    """``and``, ``or`` (two or more operands) and ``not`` (one)."""

    operator: Literal["and", "or", "not"]
    operands: tuple[Node, ...]
    column: int = field(default=0, compare=False)


@dataclass(frozen=True, slots=True)
class Lasting:
    """A condition that has held for a duration: ``for 2 s``."""

    condition: Node
    duration: Number
    column: int = field(default=0, compare=False)


Node: TypeAlias = Union[Number, Version, Word, Name, Call, Unary, Binary, Compare, In, Logic, Lasting]  # noqa: UP007 - the classes name it in quotes


@dataclass(frozen=True, slots=True)
class Expression:
    """An expression as typed (``text``), as read (``root``), and where it stands. Its string is its canonical form."""

    text: str
    root: Node
    place: Place

    def names(self) -> tuple[Name, ...]:
        """Return every name in order, each once, those of indexes too; a bare label beside `=` is among them until it is bound."""
        return tuple(dict.fromkeys(node for node in walk(self.root) if isinstance(node, Name)))

    def constant(self) -> Fraction | None:
        """Return the exact value of numbers alone, without units (``1/16``, ``10 ^ -3``); None where there is more."""
        return fold_numbers(self.root)

    def __str__(self) -> str:
        return show(self.root)


def children(node: Node) -> tuple[Node, ...]:
    """Return the nodes right below a node, from left to right."""
    match node:
        case Name(index=index):
            return () if index is None else (index,)
        case Call(arguments=arguments, keywords=keywords):
            return arguments + tuple(value for _, value in keywords)
        case Unary(operand=operand):
            return (operand,)
        case Binary(left=left, right=right) | Compare(left=left, right=right):
            return (left, right)
        case In(value=value, low=low, high=high):
            return (value, low, high)
        case Logic(operands=operands):
            return operands
        case Lasting(condition=condition, duration=duration):
            return (condition, duration)
        case Number() | Version() | Word():
            return ()


def walk(node: Node) -> Iterator[Node]:
    """Give a node and all below it, from left to right."""
    yield node
    for child in children(node):
        yield from walk(child)


def raise_exactly(base: Fraction, exponent: Fraction) -> Fraction | None:
    """Return base ^ exponent if that is a fraction of a size that fits anything real; None for roots, 0 ^ -1 and beyond 4096 bits."""
    if exponent.denominator != 1 or (base == 0 and exponent < 0):
        return None
    bits = max(base.numerator.bit_length(), base.denominator.bit_length())
    return base**exponent.numerator if bits * abs(exponent.numerator) <= 4096 or abs(base) in (0, 1) else None


def fold_numbers(node: Node) -> Fraction | None:
    """Return the exact value of a node of plain numbers; None where a unit, name or function is in it, or no value."""
    match node:
        case Number(value=value, unit=None):
            return value
        case Unary(operand=operand):
            inner = fold_numbers(operand)
            return None if inner is None else -inner
        case Binary(operator=operator, left=left, right=right):
            one, other = fold_numbers(left), fold_numbers(right)
            if one is None or other is None:
                return None
            match operator:
                case "+":
                    return one + other
                case "-":
                    return one - other
                case "*":
                    return one * other
                case "/":
                    return one / other if other else None
                case "^":
                    return raise_exactly(one, other)
    return None


_LEVELS = {"or": 1, "and": 2, "not": 3, "+": 6, "-": 6, "*": 7, "/": 7, "^": 9}


def show(node: Node, least: int = 0) -> str:
    """Return the canonical text of a node, in parentheses where it binds weaker than ``least``."""
    level, text = _shown(node)
    return f"({text})" if level < least else text


def _shown(node: Node) -> tuple[int, str]:
    match node:
        case Number(value=value, unit=unit):
            return (10 if value >= 0 else 8), format_fraction(value) + (f" {unit}" if unit else "")
        case Version(major=major, minor=minor):
            return 10, f"v{major}.{minor}"
        case Word(text=text):
            return 10, f"'{text}'" if '"' in text else f'"{text}"'
        case Name(parts=parts, index=index):
            return 10, ".".join(parts) + (f"[{show(index)}]" if index is not None else "")
        case Call(function=function, arguments=arguments, keywords=keywords):
            inner = [show(argument) for argument in arguments] + [f"{key} = {show(value, 6)}" for key, value in keywords]
            return 10, f"{function}({', '.join(inner)})"
        case Unary(operand=operand):
            return 8, f"-{show(operand, 8)}"
        case Binary(operator="^", left=left, right=right):
            return 9, f"{show(left, 10)} ^ {show(right, 8)}"
        case Binary(operator=operator, left=left, right=right):
            level = _LEVELS[operator]
            return level, f"{show(left, level)} {operator} {show(right, level + 1)}"
        case Compare(operator=operator, left=left, right=right):
            return 5, f"{show(left, 6)} {operator} {show(right, 6)}"
        case In(value=value, low=low, high=high):
            return 5, f"{show(value, 6)} in {show(low, 6)} .. {show(high, 6)}"
        case Logic(operator="not", operands=(operand,)):
            return 3, f"not {show(operand, 3)}"
        case Logic(operator=operator, operands=operands):
            return _LEVELS[operator], f" {operator} ".join(show(operand, _LEVELS[operator] + 1) for operand in operands)
        case Lasting(condition=condition, duration=duration):
            return 4, f"{show(condition, 5)} for {show(duration)}"
