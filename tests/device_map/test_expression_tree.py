from dataclasses import FrozenInstanceError
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.expression_tree import (
    Binary,
    Call,
    Compare,
    Expression,
    In,
    Lasting,
    Logic,
    Name,
    Number,
    Unary,
    Version,
    Word,
    children,
    fold_numbers,
    raise_exactly,
    show,
    walk,
)
from regcheck.device_map.units import TABLE
from regcheck.errors import Place

ONE, TWO, A = Number(Fraction(1)), Number(Fraction(2), TABLE["s"]), Name(("a",))


@pytest.mark.parametrize(
    ("node", "below"),
    [
        (ONE, ()),
        (Version(1, 2), ()),
        (Word("x"), ()),
        (A, ()),
        (Name(("a",), ONE), (ONE,)),
        (Call("ntc", (A,), (("beta", ONE),)), (A, ONE)),
        (Unary("-", A), (A,)),
        (Binary("+", A, ONE), (A, ONE)),
        (Compare("=", A, ONE), (A, ONE)),
        (In(A, ONE, TWO), (A, ONE, TWO)),
        (Logic("and", (A, ONE)), (A, ONE)),
        (Lasting(A, TWO), (A, TWO)),
    ],
)
def test_children_come_from_left_to_right(node: Any, below: tuple[Any, ...]) -> None:
    assert children(node) == below
    assert next(iter(walk(node))) is node
    assert hash(node) == hash(node)
    with pytest.raises(FrozenInstanceError):
        node.__setattr__("column", 3)


@given(st.fractions(max_denominator=1000), st.integers(-20, 20))
def test_powers_are_exact(base: Fraction, exponent: int) -> None:
    found = raise_exactly(base, Fraction(exponent))
    if base == 0 and exponent < 0:
        assert found is None
    else:
        product = Fraction(1)
        for _ in range(abs(exponent)):
            product *= base
        assert found == (product if exponent >= 0 else 1 / product)


def test_powers_beyond_anything_real_are_no_number() -> None:
    assert raise_exactly(Fraction(10), Fraction(10**9)) is None
    assert raise_exactly(Fraction(2), Fraction(1, 2)) is None
    assert raise_exactly(Fraction(-1), Fraction(10**9 + 1)) == -1


def test_only_plain_numbers_fold() -> None:
    assert fold_numbers(Unary("-", Binary("/", ONE, Number(Fraction(16))))) == Fraction(-1, 16)
    assert fold_numbers(TWO) is None
    assert fold_numbers(Binary("+", ONE, A)) is None
    assert fold_numbers(Unary("-", A)) is None


@pytest.mark.parametrize(
    ("node", "shown"),
    [
        (Binary("-", A, Binary("-", A, A)), "a - (a - a)"),
        (Binary("*", Binary("+", A, ONE), A), "(a + 1) * a"),
        (Binary("^", Binary("^", A, A), Unary("-", A)), "(a ^ a) ^ -a"),
        (Binary("^", Number(Fraction(-2)), ONE), "(-2) ^ 1"),
        (Logic("and", (Logic("or", (A, A)), Logic("not", (A,)))), "(a or a) and not a"),
        (Lasting(Lasting(A, TWO), TWO), "(a for 2 s) for 2 s"),
        (Compare("<", Compare("=", A, A), A), "(a = a) < a"),
        (Word('say "x"'), "'say \"x\"'"),
        (Name(("m", "f"), Binary("-", A, ONE)), "m.f[a - 1]"),
        (Call("ntc", (A,), (("r", Compare("=", A, A)),)), "ntc(a, r = (a = a))"),
    ],
)
def test_parentheses_stand_only_where_they_are_needed(node: Any, shown: str) -> None:
    assert show(node) == shown
    expression = Expression("as typed", node, Place("f"))
    assert str(expression) == shown
