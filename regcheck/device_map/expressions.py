"""The parser of expressions: a small recursive descent, no eval.

From weak to strong: ``or``, ``and``, ``not``, ``for 2 s``, one comparison or ``in a .. b``, ``+ -``, ``* /``, a sign, ``^`` (from the
right). A unit stands only right after a number, and is as long as the table of units knows it (``10 mV/s``, but ``5 mohm / x``).
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Literal, NoReturn, cast

from regcheck.device_map.expression_tree import (
    Binary,
    Call,
    Compare,
    Expression,
    In,
    Lasting,
    Logic,
    Name,
    Node,
    Number,
    Unary,
    Version,
    Word,
    show,
)
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.units import TABLE, Unit, UnitError, known_unit, parse_unit
from regcheck.device_map.words import known_list, nearest
from regcheck.errors import Place

FOLDS = frozenset({"sum", "min", "max", "mean", "count", "any", "all", "none"})
TEMPORALS = frozenset({"change", "integral"})
VIEWS = frozenset({"raw", "applied", "reported"})
SENSORS = frozenset({"ntc", "steinhart", "table", "points", "platinum", "shunt", "divider", "polynomial", "four_term"})
FUNCTIONS = FOLDS | TEMPORALS | VIEWS | SENSORS | {"abs"}
KEYWORDS = frozenset({"and", "or", "not", "in", "for", "of"})

DEEPEST = 40
LONGEST = 4000
MOST_OPERATORS = 150

_TOKEN = re.compile(
    r"""\s*(?:
    (?P<version>v[0-9]+\.[0-9]+(?![\w.]))
  | (?P<name>[A-Za-z_][A-Za-z0-9_]*(?:\.[A-Za-z_][A-Za-z0-9_]*)*)
  | (?P<number>0[xX][0-9A-Fa-f]+|0o[0-7]+|(?:[0-9]+(?:\.[0-9]+)?|(?<!\.)\.[0-9]+)(?:[eE][-+]?[0-9]+)?)
  | (?P<word>"[^"]*"|'[^']*')
  | (?P<sign>\.\.|!=|<=|>=|[-+*/^=<>(),\[\]])
    )""",
    re.VERBOSE,
)
_LETTERS = r"(?:%|°[CF]|℃|℉|[A-Za-zµμΩ\u2126]+(?:_[A-Za-z]+)*)(?:\^-?[0-9]|[²³])?"
_UNIT = re.compile(rf"\s*({_LETTERS}(?:[*/]{_LETTERS})*)")
_HINTS = {
    "==": "one = compares", "<>": "write !=", "&": "write and", "|": "write or", "!": "write not", "**": "write ^ for a power",
    "×": "write *", "·": "write *", "÷": "write /", "≤": "write <=", "≥": "write >=", "≠": "write !=",
    "%": "% stands only right after a number", "±": "+/- stands in limits only", "?": "use a list of when and is",
}  # fmt: skip


class ExpressionError(ValueError):
    """An expression is wrong: ``problem`` in one sentence, ``column`` from 0 in ``text``.

    The message is the problem, the text and a line with a caret.
    """

    def __init__(self, problem: str, text: str, column: int) -> None:
        self.problem, self.text, self.column = problem, text, column
        shown = text.replace("\n", " ")
        super().__init__(f"{problem}\n  {shown}\n  {' ' * min(column, len(shown))}^")


class _Parser:
    """Reads one text from left to right; ``kind`` and ``token`` are what stands at ``at``."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.depth = self.operators = self.end = 0
        if len(text) > LONGEST:
            self.at = 0
            self.fail(f"an expression of {len(text)} characters was found; expected at most {LONGEST}")
        self.advance()

    def advance(self) -> None:
        match = _TOKEN.match(self.text, self.end)
        if match:
            self.kind = cast(str, match.lastgroup)
            self.token = match[self.kind]
            self.at, self.end = match.start(self.kind), match.end()
            return
        rest = self.text[self.end :]
        self.at = len(self.text) - len(rest.lstrip())
        self.kind, self.token = "end", ""
        if rest.strip():
            sign = next((sign for sign in _HINTS if self.text.startswith(sign, self.at)), None)
            what = sign or self.text[self.at]
            if what in "\"'":
                self.fail("the quote that opens here is never closed")
            self.fail(f"'{what}' does not belong in an expression" + (f"; {_HINTS[sign]}" if sign else ""))

    def fail(self, problem: str, column: int | None = None) -> NoReturn:
        raise ExpressionError(problem, self.text, self.at if column is None else column)

    def joined(self, operator: str, left: Node, right: Node, column: int) -> Binary:
        self.operators += 1  # a long chain is a deep tree
        if self.operators > MOST_OPERATORS:
            self.fail(f"more than {MOST_OPERATORS} operators; expected sum() of an array, or a shorter formula", column)
        return Binary(cast('Literal["+", "-", "*", "/", "^"]', operator), left, right, column)

    def is_sign(self, *signs: str) -> bool:
        return self.kind == "sign" and self.token in signs

    def is_word(self, *words: str) -> bool:
        return self.kind == "name" and self.token in words

    def take(self, sign: str, why: str) -> None:
        if not self.is_sign(sign):
            self.fail(f"{self.found()} was found; expected {sign} {why}")
        self.advance()

    def found(self) -> str:
        return f"'{self.token}'" if self.kind != "end" else "the end"

    def finish(self) -> None:
        if self.kind == "end":
            return
        if self.is_sign("=", "!=", "<", "<=", ">", ">=") or self.is_word("in"):
            self.fail("comparisons do not chain; join two of them with and")
        if self.kind == "name" and self.token not in KEYWORDS:
            lower = self.token.lower()
            hint = f"; '{lower}' is written in lower case" if lower in KEYWORDS else ""
            self.fail(f"{self.found()} was found; expected an operator before it{hint}")
        self.fail(f"{self.found()} was found; expected an operator or the end")

    # from weak to strong

    def condition(self) -> Node:
        self.depth += 1
        if self.depth > DEEPEST:
            self.fail(f"more than {DEEPEST} levels of parentheses")
        node = self.logic("or")
        self.depth -= 1
        return node

    def logic(self, operator: Literal["or", "and"]) -> Node:
        column = self.at
        operands = [self.logic("and") if operator == "or" else self.negation()]
        while self.is_word(operator):
            column = self.at if len(operands) == 1 else column
            self.advance()
            operands.append(self.logic("and") if operator == "or" else self.negation())
        return operands[0] if len(operands) == 1 else Logic(operator, tuple(operands), column)

    def negation(self) -> Node:
        column, count = self.at, 0
        while self.is_word("not"):
            self.advance()
            count += 1
        node = self.lasting()
        if count > DEEPEST:
            self.fail("too many times not", column)
        for _ in range(count):
            node = Logic("not", (node,), column)
        return node

    def lasting(self) -> Node:
        node = self.comparison()
        if self.is_word("for"):
            column = self.at
            self.advance()
            duration = self.unary() if self.kind == "number" else self.fail(f"{self.found()} was found; expected a duration such as 2 s")
            if not isinstance(duration, Number) or duration.unit is None or not duration.unit.fits(TABLE["s"]):
                self.fail("expected a duration such as 2 s after for", duration.column)
            node = Lasting(node, duration, column)
        return node

    def comparison(self) -> Node:
        node = self.sum()
        column = self.at
        if self.is_sign("=", "!=", "<", "<=", ">", ">="):
            operator = cast('Literal["=", "!=", "<", "<=", ">", ">="]', self.token)
            self.advance()
            if operator in ("=", "<", ">") and self.is_sign("=", ">", "<"):
                self.fail(f"'{operator}{self.token}' is no comparison; expected one of = != < <= > >=", column)
            return Compare(operator, node, self.sum(), column)
        if self.is_word("in"):
            self.advance()
            low = self.sum()
            self.take("..", "between the ends of a range")
            return In(node, *same_unit(low, self.sum()), column)
        return node

    def sum(self) -> Node:
        node = self.product()
        while self.is_sign("+", "-"):
            operator, column = self.token, self.at
            self.advance()
            node = self.joined(operator, node, self.product(), column)
        return node

    def product(self) -> Node:
        node = self.unary()
        while self.is_sign("*", "/"):
            operator, column = self.token, self.at
            self.advance()
            if self.is_sign("*"):
                self.fail("write ^ for a power", column)
            node = self.joined(operator, node, self.unary(), column)
        return node

    def unary(self) -> Node:
        column = self.at
        if self.is_sign("+"):
            self.advance()
            node = self.power()
            return node if isinstance(node, Number) else self.fail("a + before something that is no number", column)
        if not self.is_sign("-"):
            return self.power()
        self.advance()
        self.depth += 1
        if self.depth > DEEPEST:
            self.fail("too many signs")
        node = self.unary()
        self.depth -= 1
        return replace(node, value=-node.value, column=column) if isinstance(node, Number) else Unary("-", node, column)

    def power(self) -> Node:
        base = self.atom()
        if not self.is_sign("^"):
            return base
        column = self.at
        self.advance()
        self.depth += 1
        if self.depth > DEEPEST:
            self.fail("too many powers of powers")
        exponent = self.unary()
        self.depth -= 1
        return self.joined("^", base, exponent, column)

    def atom(self) -> Node:
        column, token, kind = self.at, self.token, self.kind
        if kind == "number":
            return self.number()
        if kind == "version":
            self.advance()
            major, minor = map(int, token[1:].split("."))
            if major > 255 or minor > 255:
                self.fail(f"{token} is no version; expected two numbers up to 255, such as v2.0", column)
            return Version(major, minor, column)
        if kind == "word":
            self.advance()
            return Word(token[1:-1], column)
        if kind == "name" and token not in KEYWORDS:
            self.advance()
            return self.call(token, column) if self.is_sign("(") else self.name(token, column)
        if self.is_sign("("):
            self.advance()
            node = self.condition()
            self.take(")", "to close the parenthesis")
            return node
        return self.fail(f"{self.found()} was found; expected a number, a name or a function")

    def name(self, token: str, column: int) -> Node:
        index = None
        if self.is_sign("["):
            self.advance()
            index = self.condition()
            self.take("]", "to close the index")
        return Name(tuple(token.split(".")), index, column=column)

    def number(self) -> Number:
        column, token = self.at, self.token
        try:
            value = as_fraction(token)
        except ValueError as error:
            self.fail(str(error))
        unit = self.unit()
        self.advance()
        return Number(value, unit, column)

    def unit(self) -> Unit | None:
        """Return the unit that stands at ``end``, right after a number, and move behind it."""
        match = _UNIT.match(self.text, self.end)
        if not match:
            return None
        text = match[1]
        while text:
            after = self.text[match.start(1) + len(text) :][:1]
            unit = (
                known_unit(text)
                if text not in KEYWORDS and after not in ("(", "[", "_") and not (after.isalnum() or after == ".")
                else None
            )
            if unit is not None:
                self.end = match.start(1) + len(text)
                return unit
            shorter = re.split(r"[*/](?!.*[*/])", text)[0]
            if shorter == text:
                break
            text = shorter
        if text in KEYWORDS:
            return None
        return self.rare_unit(text, match.start(1))

    def rare_unit(self, text: str, start: int) -> Unit:
        after = re.compile(r"[\w.]*\s*[(\[]?").match(self.text, start + len(text))
        if after and after[0].strip():
            self.fail(f"'{text}{after[0].rstrip(' ([')}' was found after a number; expected a unit or an operator", start)
        try:
            unit = parse_unit(text)
        except UnitError as error:
            hint = f"; '{text.lower()}' is written in lower case" if text.lower() in KEYWORDS else ""
            self.fail(f"{error} (a unit or an operator stands after a number)" if not hint else f"'{text}' is no known unit{hint}", start)
        self.end = start + len(text)
        return unit

    def call(self, function: str, column: int) -> Node:
        if function not in FUNCTIONS:
            near = nearest(function, sorted(FUNCTIONS))
            self.fail(
                f"'{function}' is no function; " + (f"did you mean {near}?" if near else f"expected {known_list(sorted(FUNCTIONS), 20)}"),
                column,
            )
        self.advance()
        arguments: list[Node] = []
        keywords: dict[str, Node] = {}
        while not self.is_sign(")"):
            if arguments or keywords:
                self.take(",", "or ) after an argument")
            key, key_column = self.token, self.at
            if function in SENSORS and self.kind == "name" and re.compile(r"\s*=(?!=)").match(self.text, self.end):
                self.advance()
                self.advance()
                if key in keywords:
                    self.fail(f"'{key}' stands twice", key_column)
                keywords[key] = self.sum()
            elif keywords:
                self.fail(f"{self.found()} was found; expected a name and = after the first of them", key_column)
            else:
                arguments.append(self.condition())
        self.advance()
        if not arguments and function not in SENSORS:
            self.fail(f"{function}() needs what it is to work on", column)
        return Call(function, tuple(arguments), tuple(keywords.items()), column)


def same_unit(low: Node, high: Node) -> tuple[Node, Node]:
    """Return both ends of a range; in ``2 .. 3 V`` the last unit holds for both."""
    if isinstance(low, Number) and isinstance(high, Number) and low.unit is None and high.unit is not None:
        return replace(low, unit=high.unit), high
    return low, high


def _place(text: str, place: Place | None) -> Place:
    found = place or getattr(text, "place", None)
    return found if isinstance(found, Place) else Place("")


def parse_expression(text: str, place: Place | None = None) -> Expression:
    """Return what an expression says; ``place`` is that of a Scalar unless given. Raises ExpressionError."""
    parser = _Parser(str(text))
    if parser.kind == "end":
        parser.fail("an empty text was found; expected an expression")
    root = parser.condition()
    if parser.is_sign(".."):
        parser.fail("a range does not belong here; expected one value, or `in` before the range")
    parser.finish()
    return Expression(str(text), root, _place(text, place))


def parse_range(text: str, place: Place | None = None) -> tuple[Expression | None, Expression | None]:
    """Return low and high of ``2 .. 3 V``, ``1..cell_count``, ``1..``; None for an open end, one value twice for a lone one.

    In ``2 .. 3 V`` the last unit holds for both. Raises ExpressionError.
    """
    parser = _Parser(str(text))
    where = _place(text, place)
    low = None if parser.is_sign("..") else parser.sum()
    if low is not None and not parser.is_sign(".."):
        parser.finish()
        alone = Expression(str(text), low, where)
        return alone, alone
    parser.advance()
    high = None if parser.kind == "end" else parser.sum()
    parser.finish()
    if low is None and high is None:
        parser.fail("a range without ends was found; expected such as 2 .. 3 V", 0)
    if low is not None and high is not None:
        low, high = same_unit(low, high)
    if isinstance(low, Number) and isinstance(high, Number) and low.unit == high.unit and low.value > high.value:
        parser.fail(f"the range runs backwards; expected {show(high)} .. {show(low)}", 0)
    return (
        None if low is None else Expression(str(text), low, where),
        None if high is None else Expression(str(text), high, where),
    )
