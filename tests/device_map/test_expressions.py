from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.device_map.expression_tree import (
    Binary,
    Call,
    Compare,
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
    walk,
)
from regcheck.device_map.expressions import KEYWORDS, SENSORS, ExpressionError, parse_expression, parse_range
from regcheck.device_map.units import TABLE, parse_unit
from regcheck.device_map.yaml_source import Scalar
from regcheck.errors import Place


def number(text: str, unit: str | None = None) -> Number:
    return Number(Fraction(text), parse_unit(unit) if unit else None)


def name(text: str, index: Node | None = None) -> Name:
    return Name(tuple(text.split(".")), index)


def root(text: str) -> Node:
    return parse_expression(text).root


# every expression of the language's own page and of its example files, and what binds how
EXAMPLES = [
    ("0x200 + rack * 16", "512 + rack * 16"),
    ("page * 4 + k + 1", "page * 4 + k + 1"),
    ("2 * cell_count", "2 * cell_count"),
    ("1 + 2 * cell_count", "1 + 2 * cell_count"),
    ("10 ^ specification.v_scale", "10 ^ specification.v_scale"),
    ("350 uV + gain", "350 uV + gain"),
    ("1/16", "1 / 16"),
    ("-18000", "-18000"),
    ("last - 1", "last - 1"),
    ("length - 4", "length - 4"),
    ("battery_mode.capacity_mode = ten_mWh", "battery_mode.capacity_mode = ten_mWh"),
    ("battery_mode.silent = 1 for 2 s", "battery_mode.silent = 1 for 2 s"),
    ("balancing = 0 for 500 ms and applied in 3.0 .. 3.65 V", "balancing = 0 for 500 ms and applied in 3 V .. 3.65 V"),
    ("applied in 0 .. 60 degC", "applied in 0 degC .. 60 degC"),
    ("t in -40 .. 85 degC", "t in -40 degC .. 85 degC"),
    ("content = summary and page = 0", "content = summary and page = 0"),
    ("firmware.version >= v2.0", "firmware.version >= v2.0"),
    ("ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)", "ntc(10 kohm * raw / (4095 - raw), r25 = 10 kohm, beta = 3435 K)"),
    ("ntc(r25 = 10 kohm, beta = 3435 K)", "ntc(r25 = 10 kohm, beta = 3435 K)"),
    ("highest = max(cell_voltage)", "highest = max(cell_voltage)"),
    ("cell_voltage[highest_cell] = highest", "cell_voltage[highest_cell] = highest"),
    ("abs(raw(current)) <= 2", "abs(raw(current)) <= 2"),
    ("any(temperature > 60 degC) for 1 s", "any(temperature > 60 degC) for 1 s"),
    ("max(cell_voltage) > 4.30 V for 2 s", "max(cell_voltage) > 4.3 V for 2 s"),
    ("change(remaining_capacity) = integral(current)", "change(remaining_capacity) = integral(current)"),
    ("change(throughput) >= 0 mAh", "change(throughput) >= 0 mAh"),
    ("none(charging_current_sent)", "none(charging_current_sent)"),
    ("mean(x, 1 min)", "mean(x, 1 min)"),
    ("wire[c] - wire[c - 1]", "wire[c] - wire[c - 1]"),
    ("shunt / 5 mohm", "shunt / 5 mohm"),
    ("10 mV/s", "10 mV/s"),
    ("100 kbit/s", "100 kbit/s"),
    ("10 kohm*raw/(4095-raw)", "10 kohm * raw / (4095 - raw)"),
    ("5mV", "5 mV"),
    ("3 %", "3 percent"),
    ("25 °C", "25 degC"),
    ("3 µV", "3 uV"),
    ('state = "over voltage"', 'state = "over voltage"'),
    ("not a = 1 or b = 2 and c = 3", "not a = 1 or b = 2 and c = 3"),
    ("+5", "5"),
    ("2 inch", "2 inch"),
]


@pytest.mark.parametrize(("text", "shown"), EXAMPLES)
def test_expressions_of_the_language_are_read_and_printed(text: str, shown: str) -> None:
    found = parse_expression(text)
    assert str(found) == shown
    assert parse_expression(shown).root == found.root
    assert found.text == text


@pytest.mark.parametrize(
    ("text", "tree"),
    [
        ("1 - 2 - 3", Binary("-", Binary("-", number("1"), number("2")), number("3"))),
        ("a / b * c", Binary("*", Binary("/", name("a"), name("b")), name("c"))),
        ("a + b * c ^ d", Binary("+", name("a"), Binary("*", name("b"), Binary("^", name("c"), name("d"))))),
        ("2 ^ 3 ^ 2", Binary("^", number("2"), Binary("^", number("3"), number("2")))),
        ("-a ^ 2", Unary("-", Binary("^", name("a"), number("2")))),
        ("-2 ^ 2", Unary("-", Binary("^", number("2"), number("2")))),
        ("(-2) ^ 2", Binary("^", number("-2"), number("2"))),
        ("- -3", number("3")),
        ("a - -3 mV", Binary("-", name("a"), number("-3", "mV"))),
        ("a = 1 for 2 s", Lasting(Compare("=", name("a"), number("1")), number("2", "s"))),
        ("not a = 1 for 2 s", Logic("not", (Lasting(Compare("=", name("a"), number("1")), number("2", "s")),))),
        (
            "(a = 1 and b = 2) for 2 s",
            Lasting(Logic("and", (Compare("=", name("a"), number("1")), Compare("=", name("b"), number("2")))), number("2", "s")),
        ),
        ("a in 2 .. 3 V", In(name("a"), number("2", "V"), number("3", "V"))),
        ("a in 2 mV .. 3 V", In(name("a"), number("2", "mV"), number("3", "V"))),
        ("a in 2 .. 3", In(name("a"), number("2"), number("3"))),
        ("x = v1.9", Compare("=", name("x"), Version(1, 9))),
        ("x = 'a b'", Compare("=", name("x"), Word("a b"))),
        ("t[i + 1]", name("t", Binary("+", name("i"), number("1")))),
        ("5 V / s", Binary("/", number("5", "V"), name("s"))),
        ("5 V/s", number("5", "V/s")),
        ("0x1F", number("31")),
        ("1e3", number("1000")),
        ("max(a, b)", Call("max", (name("a"), name("b")))),
        ("platinum(r, r0 = 100 ohm)", Call("platinum", (name("r"),), (("r0", number("100", "ohm")),))),
    ],
)  # fmt: skip
def test_what_binds_to_what(text: str, tree: Node) -> None:
    assert root(text) == tree


@pytest.mark.parametrize(
    ("text", "words", "column"),
    [
        ("", "an empty text", 0),
        ("a = 1 and", "the end was found; expected a number, a name or a function", 9),
        ("a == 1", "'==' is no comparison; expected one of = != < <= > >=", 2),
        ("a => 1", "'=>' is no comparison", 2),
        ("a < b < c", "comparisons do not chain", 6),
        ("4 raw", "'raw' is no known unit", 2),
        ("10 cell_count", "'cell_count' is no known unit", 3),
        ("x > 5 mAH", "did you mean mAh?", 6),
        ("5 ntc(3)", "'ntc' was found after a number", 2),
        ("mex(x)", "'mex' is no function; did you mean max?", 0),
        ("eval(x)", "'eval' is no function", 0),
        ("a = 1 AND b = 2", "'and' is written in lower case", 6),
        ("a AND b", "'and' is written in lower case", 2),
        ('a = "b', "the quote that opens here is never closed", 4),
        ("a ! b", "write not", 2),
        ("a && b", "write and", 2),
        ("a ≤ b", "write <=", 2),
        ("a × b", "write *", 2),
        ("a ** 2", "write ^ for a power", 2),
        ("a % 3", "% stands only right after a number", 2),
        ("a @ 3", "'@' does not belong in an expression", 2),
        ("(a", "expected ) to close the parenthesis", 2),
        ("a[1", "expected ] to close the index", 3),
        ("a b", "expected an operator before it", 2),
        ("a )", "expected an operator or the end", 2),
        ("abs()", "abs() needs what it is to work on", 0),
        ("abs(a b)", "expected , or ) after an argument", 6),
        ("ntc(1, a = 2, 3)", "expected a name and = after the first of them", 14),
        ("ntc(1, a = 2, a = 3)", "'a' stands twice", 14),
        ("x = 1 for 3", "expected a duration such as 2 s", 10),
        ("x = 1 for 3 V", "expected a duration such as 2 s", 10),
        ("x = 1 for y", "expected a duration such as 2 s", 10),
        ("1..2", "a range does not belong here", 1),
        ("x in 3", "expected .. between the ends of a range", 6),
        ("v300.1", "two numbers up to 255", 0),
        ("010 + 1", "starts with a zero", 0),
        ("1e999999999", "a power of ten beyond 300", 0),
        ("^2", "'^' was found; expected a number", 0),
        ("+a", "a + before something that is no number", 0),
        ("(" * 60 + "1" + ")" * 60, "more than 40 levels", 40),
        ("-" * 100 + "1", "too many signs", 40),
        ("2" + "^2" * 100, "too many powers", 80),
        ("not " * 100 + "a", "too many times not", 0),
        ("a" + "+a" * 1000, "more than 150 operators", 301),
        ("1" + " + 1" * 2000, "expected at most 4000", 0),
    ],
)
def test_what_is_wrong_is_said_in_words_with_a_caret(text: str, words: str, column: int) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse_expression(text)
    error = caught.value
    assert words in error.problem
    assert error.column == column
    assert str(error) == f"{error.problem}\n  {text}\n  {' ' * column}^"


@pytest.mark.parametrize("word", sorted(KEYWORDS))
def test_keywords_are_never_units(word: str) -> None:
    with pytest.raises(ExpressionError):
        root(f"5 {word}")


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("2 .. 3 V", "2 V", "3 V"),
        ("-40 .. 85 degC", "-40 degC", "85 degC"),
        ("0x10..0x1F", "16", "31"),
        ("1..cell_count", "1", "cell_count"),
        ("1..", "1", None),
        ("..5 V", None, "5 V"),
        ("8", "8", "8"),
        ("1 + 2 * cell_count", "1 + 2 * cell_count", "1 + 2 * cell_count"),
        ("2 mV .. 3 V", "2 mV", "3 V"),
    ],
)
def test_ranges(text: str, low: str | None, high: str | None) -> None:
    found = parse_range(text)
    assert tuple(None if end is None else str(end) for end in found) == (low, high)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("3 .. 2 V", "expected 2 V .. 3 V"),
        ("..", "a range without ends"),
        ("1 .. 2 .. 3", "expected an operator or the end"),
        ("1 .. a = 2", "do not chain"),
    ],
)
def test_wrong_ranges_are_refused(text: str, words: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        parse_range(text)
    assert words in caught.value.problem


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1/16", Fraction(1, 16)),
        ("10 ^ -3", Fraction(1, 1000)),
        ("(1 + 0.1) * 3 - 2", Fraction(13, 10)),
        ("-2 ^ 2", Fraction(-4)),
        ("2 ^ 0.5", None),
        ("1 / 0", None),
        ("0 ^ -1", None),
        ("9 ^ 9 ^ 9", None),
        ("5 mV", None),
        ("a", None),
        ("abs(1)", None),
    ],
)
def test_constants_fold_exactly(text: str, value: Fraction | None) -> None:
    assert parse_expression(text).constant() == value


def test_names_come_in_order_each_once_with_those_of_indexes() -> None:
    found = parse_expression("b.c[d] + a * a - ntc(e, r25 = f)").names()
    assert [".".join(each.parts) for each in found] == ["b.c", "d", "a", "e", "f"]


def test_columns_point_into_the_text_and_do_not_count_in_comparisons() -> None:
    text = "voltage = sum(cell_voltage) + 3 mV"
    columns = {type(node).__name__: node.column for node in walk(root(text))}
    assert columns == {"Compare": 8, "Name": 14, "Binary": 28, "Call": 10, "Number": 30}
    assert root("a + 1") == root("  a  +  1")


def test_an_expression_has_the_place_of_its_scalar() -> None:
    place = Place("map.yaml", 3, 7)
    assert parse_expression(Scalar("a + 1", place)).place == place
    assert parse_expression("a", place).place == place
    assert parse_range(Scalar("1..a", place))[1] == parse_expression("a", place).__class__("1..a", name("a"), place)


# printing and reading again

LEAVES = st.one_of(
    st.builds(
        lambda digits, places, unit: Number(Fraction(digits, 10**places), None if unit is None else TABLE[unit]),
        st.integers(-(10**9), 10**9),
        st.integers(0, 9),
        st.none() | st.sampled_from(sorted(set(TABLE) - {"1"})),
    ),
    st.builds(Version, st.integers(0, 255), st.integers(0, 255)),
    st.builds(Word, st.text(st.characters(codec="ascii", exclude_characters='"', categories=["L", "N", "P", "S", "Zs"]))),
    st.builds(
        lambda parts: Name(tuple(parts)), st.lists(st.sampled_from(["a", "mV", "cell_voltage", "x1", "raw", "V"]), min_size=1, max_size=2)
    ),
)


def _longer(nodes: st.SearchStrategy[Node]) -> st.SearchStrategy[Node]:
    several = st.lists(nodes, min_size=2, max_size=3).map(tuple)
    return st.one_of(
        st.builds(lambda parts, index: Name((parts,), index), st.sampled_from(["a", "b"]), nodes),
        st.builds(Call, st.sampled_from(["max", "abs", "none"]), st.lists(nodes, min_size=1, max_size=2).map(tuple)),
        st.builds(
            lambda function, arguments, keys: Call(function, tuple(arguments), tuple(keys.items())),
            st.sampled_from(sorted(SENSORS)),
            st.lists(nodes.filter(lambda node: not isinstance(node, Compare)), max_size=1),
            st.dictionaries(st.sampled_from(["r25", "beta"]), nodes, max_size=2),
        ),
        st.builds(lambda operand: Unary("-", operand), nodes.filter(lambda node: not isinstance(node, Number))),
        st.builds(Binary, st.sampled_from(["+", "-", "*", "/", "^"]), nodes, nodes),
        st.builds(Compare, st.sampled_from(["=", "!=", "<", "<=", ">", ">="]), nodes, nodes),
        st.builds(In, nodes, nodes, nodes).filter(_has_units_on_both_ends),
        st.builds(lambda operator, operands: Logic(operator, operands), st.sampled_from(["and", "or"]), several),
        st.builds(lambda operand: Logic("not", (operand,)), nodes),
        st.builds(Lasting, nodes, st.just(Number(Fraction(2), TABLE["s"]))),
    )  # fmt: skip


def _has_units_on_both_ends(node: In) -> bool:
    """Leave out what the text cannot say: in `2 .. 3 V` the last unit holds for both."""
    ends = node.low, node.high
    return not (isinstance(ends[0], Number) and isinstance(ends[1], Number) and ends[0].unit is None and ends[1].unit is not None)


@settings(max_examples=400, deadline=None)
@given(st.recursive(LEAVES, _longer, max_leaves=12))
def test_printing_and_reading_back_gives_the_same_tree(tree: Node) -> None:
    assert root(show(tree)) == tree


FRAGMENTS = (
    "a", "1", "5 mV", "(", ")", "[", "]", " and ", " in ", "..", " = ", "^", "-", "ntc(", ",", "v1.0", " for 2 s", '"', "µ", "%",
)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=30) | st.lists(st.sampled_from(FRAGMENTS), max_size=12).map("".join))
def test_any_text_is_read_or_refused_at_a_place_inside_it(text: str) -> None:
    try:
        tree = root(text)
    except ExpressionError as error:
        column = error.column
    else:
        column = 0
        assert root(show(tree)) == tree
    assert 0 <= column <= len(text)


def _numbers() -> st.SearchStrategy[Node]:
    leaf = st.builds(lambda digits, places: Number(Fraction(digits, 10**places)), st.integers(-999, 999), st.integers(0, 3))
    return st.recursive(leaf, lambda nodes: st.builds(Binary, st.sampled_from(["+", "-", "*", "/"]), nodes, nodes), max_leaves=8)


def _reckon(node: Node) -> Fraction:
    if isinstance(node, Number):
        return node.value
    assert isinstance(node, Binary)
    left, right = _reckon(node.left), _reckon(node.right)
    return {"+": lambda: left + right, "-": lambda: left - right, "*": lambda: left * right, "/": lambda: left / right}[node.operator]()


@given(_numbers())
def test_constants_agree_with_fraction_arithmetic(tree: Node) -> None:
    try:
        expected: Fraction | None = _reckon(tree)
    except ZeroDivisionError:
        expected = None
    assert parse_expression(show(tree)).constant() == expected
