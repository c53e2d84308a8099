"""Whether two conditions can never hold together, as far as that can be proved from how they are written."""

from __future__ import annotations

from fractions import Fraction

from regcheck.device_map.expression_tree import Compare, Expression, In, Logic, Name, Node, Number, Version, Word

_MIRROR = {"<": ">", ">": "<", "<=": ">=", ">=": "<=", "=": "=", "!=": "!="}


def _conjuncts(node: Node) -> list[Node]:
    if isinstance(node, Logic) and node.operator == "and":
        return [part for operand in node.operands for part in _conjuncts(operand)]
    return [node]


def _constant(node: Node) -> Fraction | str | None:
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Version):
        return Fraction(node.major * 256 + node.minor)
    return node.text if isinstance(node, Word) else None


def _simple(node: Node) -> tuple[tuple[str, ...], str, Fraction | str, Fraction | str] | None:
    """Return (name, operator, low, high) of a comparison of one name with a constant; a bare word counts as a constant."""
    if isinstance(node, In) and isinstance(node.value, Name):
        low, high = _constant(node.low), _constant(node.high)
        return None if low is None or high is None else (node.value.parts, "in", low, high)
    if not isinstance(node, Compare):
        return None
    left, right, operator = node.left, node.right, str(node.operator)
    if not isinstance(left, Name):
        left, right, operator = right, left, _MIRROR[operator]
    value = _constant(right)
    if value is None and isinstance(right, Name) and len(right.parts) == 1:
        value = right.parts[0]  # a bare word beside `=` is a label
    return (left.parts, operator, value, value) if isinstance(left, Name) and value is not None else None


def _interval(operator: str, low: Fraction, high: Fraction) -> tuple[Fraction | None, bool, Fraction | None, bool] | None:
    """Return (low, open, high, open) of the values that satisfy a comparison; None for `!=`."""
    return {
        "=": (low, False, high, False),
        "in": (low, False, high, False),
        "<": (None, True, high, True),
        "<=": (None, True, high, False),
        ">": (low, True, None, True),
        ">=": (low, False, None, True),
    }.get(operator)


def _apart(
    one: tuple[tuple[str, ...], str, Fraction | str, Fraction | str], other: tuple[tuple[str, ...], str, Fraction | str, Fraction | str]
) -> bool:
    if one[0] != other[0]:
        return False
    if isinstance(one[2], str) or isinstance(other[2], str):
        same = one[2] == other[2]
        return ({one[1], other[1]} == {"="} and not same) or ({one[1], other[1]} == {"=", "!="} and same)
    if {one[1], other[1]} == {"=", "!="}:
        return one[2] == other[2]
    assert not isinstance(one[3], str)  # noqa: S101 - both ends of one comparison are of one kind
    assert not isinstance(other[3], str)  # noqa: S101
    first, second = _interval(one[1], one[2], one[3]), _interval(other[1], other[2], other[3])
    if first is None or second is None:
        return False

    def below(
        left: tuple[Fraction | None, bool, Fraction | None, bool], right: tuple[Fraction | None, bool, Fraction | None, bool]
    ) -> bool:
        top, bottom = left[2], right[0]
        return top is not None and bottom is not None and (top < bottom or (top == bottom and (left[3] or right[1])))

    return below(first, second) or below(second, first)


def excludes(one: Expression, other: Expression) -> bool:
    """Return whether two conditions provably exclude each other: some comparison of one name rules the other's out."""
    left = [found for found in map(_simple, _conjuncts(one.root)) if found is not None]
    right = [found for found in map(_simple, _conjuncts(other.root)) if found is not None]
    return any(_apart(first, second) for first in left for second in right)
