import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.expression_tree import Name, Number
from regcheck.device_map.expressions import ExpressionError
from regcheck.device_map.limits import (
    Cadence,
    Conditional,
    Limit,
    Term,
    parse_cadence,
    parse_conditional,
    parse_limit,
    parse_quantity,
    parse_time_ns,
    parse_time_range_ns,
)
from regcheck.device_map.numbers import format_fraction
from regcheck.device_map.units import TABLE, parse_unit
from regcheck.device_map.yaml_source import Node, Scalar, load_yaml


def absolute(amount: str, unit: str | None = None, cause: str | None = None, *, rectangular: bool = False) -> Term:
    return Term("absolute", Fraction(amount), parse_unit(unit) if unit else None, None, cause, rectangular)


def reading(percent: str, cause: str | None = None) -> Term:
    return Term("reading", Fraction(percent) / 100, cause=cause)


def both(*terms: Term, sensor: tuple[Term, ...] = ()) -> Limit:
    return Limit(terms, terms, sensor=sensor)


def node(text: str) -> Node:
    found, problems = load_yaml(f"a: {text}", "map.yaml")
    assert problems == []
    return found[Scalar("a")]


# every limit of the language's page, of its example files and of the rules for verdicts
@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("1 K", both(absolute("1", "K"))),
        ("1.5 K", both(absolute("1.5", "K"))),
        ("5", both(absolute("5"))),
        ("1 % of design_voltage", both(Term("field", Fraction(1, 100), field=Name(("design_voltage",))))),
        ("0.5 % of reading + 20 mA", both(reading("0.5"), absolute("20", "mA"))),
        ("1 % of range", both(Term("range", Fraction(1, 100)))),
        ("100 ppm of reading", both(Term("reading", Fraction(1, 10_000)))),
        ("1 percent of reading", both(reading("1"))),
        ("0.5 %", both(absolute("0.5", "percent"))),
        ("2 lsb", both(Term("lsb", Fraction(2)))),
        ("max_error", both(Term("field", Fraction(1), field=Name(("max_error",))))),
        ("10 % of a.b[2]", both(Term("field", Fraction(1, 10), field=Name(("a", "b"), Number(Fraction(2)))))),
        ("+/- 10 mV", both(absolute("10", "mV"))),
        ("± 10 mV", both(absolute("10", "mV"))),
        ("1e+1 mV+2e-3 V", both(absolute("10", "mV"), absolute("0.002", "V"))),
        ("0.01 % of reading (meter gain) + 0.3 mV (each)", both(reading("0.01", "meter gain"), absolute("0.3", "mV", "each"))),
        ("1 mV (gain + offset)", both(absolute("1", "mV", "gain + offset"))),
        ("0.3 mV rectangular", both(absolute("0.3", "mV", rectangular=True))),
        ("0.3 mV rectangular (each)", both(absolute("0.3", "mV", "each", rectangular=True))),
        ("0.3 mV (each) rectangular", both(absolute("0.3", "mV", "each", rectangular=True))),
        ("3 K of which sensor 1 K", both(absolute("3", "K"), sensor=(absolute("1", "K"),))),
        ("-0 .. +max_error", Limit((absolute("0"),), (Term("field", Fraction(1), field=Name(("max_error",))),))),
        ("-1 .. 2 K", Limit((absolute("1", "K"),), (absolute("2", "K"),))),
        ("-1 mV .. +0.1 % of reading + 2 mV", Limit((absolute("1", "mV"),), (reading("0.1"), absolute("2", "mV")))),
        ("0 .. 3 %", Limit((absolute("0", "percent"),), (absolute("3", "percent"),))),
        ("-3 K .. 0", Limit((absolute("3", "K"),), (absolute("0"),))),
    ],
)
def test_limits(text: str, limit: Limit) -> None:
    assert parse_limit(node(text)) == limit


@pytest.mark.parametrize(
    ("text", "of"),
    [
        ("{limit: 3 mV, of: mean}", "mean"),
        ("{limit: 3 mV, of: readings}", "readings"),
        ("{limit: 3 mV}", "readings"),
        ("{limit: 3 mV, of: 99.7 % of readings}", Fraction(997, 1000)),
        ("{limit: 3 mV, of: 100 percent of readings}", "readings"),
    ],
)
def test_what_is_judged(text: str, of: object) -> None:
    assert parse_limit(node(text)) == Limit((absolute("3", "mV"),), (absolute("3", "mV"),), of)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('""', "a term is missing"),
        ("5 mV +", "a term is missing in '5 mV +'"),
        ("5 mV + + 2 mV", "a term is missing"),
        ("5 mV - 2 mV", "subtracts; a limit is a sum of magnitudes"),
        ("-5 mV", "is below 0"),
        ("5 mAH", "did you mean mAh?"),
        ("3 mV of reading", "only a share is of something, such as 3 % of reading"),
        ("1 % reading", "expected `of` after the percent sign"),
        ("1 % of 5", "'5' is no field's name"),
        ("1 % of readings", "{limit: 3 mV, of: 99.7 % of readings}"),
        ("none", "`is: none` stands only in a list"),
        ("reading", "is no term of a limit"),
        ("rectangular", "has no amount"),
        ("(each)", "has no amount"),
        ("3 mV ()", "the cause in '3 mV ()' is empty"),
        ("1 .. 2 K", "'1' is above 0; expected a low side"),
        ("-1 .. -2 K", "'-2 K' is below 0; expected a high side"),
        ("{limt: 3 mV}", "'limt' is no key of a limit; did you mean limit?"),
        ("{of: mean}", "the key limit is missing"),
        ("{limit: 3 mV, of: 99.7 %}", "expected mean, readings, or a share"),
        ("{limit: 3 mV, of: 120 % of readings}", "expected mean, readings, or a share"),
        ("{limit: [1]}", "a list stands here"),
        ("[1 K]", "a list stands here"),
    ],
)
def test_wrong_limits_are_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        parse_limit(node(text))


def test_conditional_values_keep_their_conditions_in_order() -> None:
    found = parse_conditional(
        node("[{when: balancing = 1, is: none}, {when: balancing = 0 for 500 ms and applied in 3.0 .. 3.65 V, is: 3 mV}, {is: 10 mV}]"),
        parse_limit,
    )
    assert [None if case.when is None else case.when.text for case in found] == [
        "balancing = 1",
        "balancing = 0 for 500 ms and applied in 3.0 .. 3.65 V",
        None,
    ]
    assert [case.item for case in found] == [None, both(absolute("3", "mV")), both(absolute("10", "mV"))]
    assert found[0].when is not None
    assert found[0].when.place.column == 12


def test_one_item_is_a_conditional_value_without_condition() -> None:
    assert parse_conditional(node("1 K"), parse_limit) == (Conditional(None, both(absolute("1", "K"))),)
    assert parse_conditional(node("none"), parse_limit) == (Conditional(None, None),)
    assert parse_conditional(node("[{when: state = sleep, is: 1 s}, {is: 100 ms +/- 10 ms}]"), parse_cadence)[1].item == parse_cadence(
        node("100 ms +/- 10 ms")
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[]", "an empty list"),
        ("[1 K]", "item 1 of the list is no case"),
        ("[{is: 1 K}, {is: 2 K}]", "case 1 has no `when`, so the cases after it are never reached"),
        ("[{when: a = 1}]", "case 1 has no `is`"),
        ("[{wen: a = 1, is: 1 K}]", "'wen' is no key of a case; did you mean when?"),
        ("[{when: [a], is: 1 K}]", "a list stands here; expected a condition"),
    ],
)
def test_wrong_conditional_values_are_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        parse_conditional(node(text), parse_limit)


def test_a_wrong_condition_is_refused_with_its_caret() -> None:
    with pytest.raises(ExpressionError, match="comparisons do not chain"):
        parse_conditional(node("[{when: 1 < a < 2, is: 1 K}]"), parse_limit)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("100 kHz", "100", "kHz"),
        ("25.05 degC", "25.05", "degC"),
        ("-1500 mA", "-1500", "mA"),
        ("250 kbit/s", "250", "kbit/s"),
        ("400", "400", "1"),
        ("5 %", "5", "percent"),
    ],
)
def test_quantities(text: str, value: str, unit: str) -> None:
    assert parse_quantity(text) == (Fraction(value), parse_unit(unit))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("fast", "expected such as 2 s"),
        ("3", "'3' has no unit; expected such as 3 s"),
        ("3 V", "'3 V' is in V; expected s"),
        ("3 sx", "is no known unit"),
        ("-3 s", "is below 0"),
        ("0.1 ns", "finer than a nanosecond"),
        ("3 s 4", "is no known unit"),
    ],
)
def test_wrong_times_are_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        parse_time_ns(text)


@given(st.integers(0, 10**15), st.sampled_from(["ns", "us", "ms", "s", "min", "h"]))
def test_times_are_exact(nanoseconds: int, unit: str) -> None:
    amount = Fraction(nanoseconds, 10**9) / TABLE[unit].factor
    if "/" not in format_fraction(amount):
        assert parse_time_ns(f"{format_fraction(amount)} {unit}") == nanoseconds


def test_time_ranges() -> None:
    assert parse_time_range_ns("1 s") == (0, 10**9)
    assert parse_time_range_ns("1 s .. 1.5 s") == (10**9, 1_500_000_000)
    assert parse_time_range_ns("2 .. 3 ms") == (2_000_000, 3_000_000)
    with pytest.raises(ValueError, match="runs backwards"):
        parse_time_range_ns("3 s .. 2 s")
    with pytest.raises(ValueError, match="'2 V' is in V; expected a time"):
        parse_time_range_ns("2 V .. 3 s")


MS = 1_000_000


@pytest.mark.parametrize(
    ("text", "cadence"),
    [
        ("100 ms", Cadence("period", 100 * MS, None, 100 * MS, 100 * MS)),
        ("100 ms +/- 10 ms", Cadence("period", 100 * MS, 10 * MS, 90 * MS, 110 * MS)),
        ("100 ms ± 5 %", Cadence("period", 100 * MS, 5 * MS, 95 * MS, 105 * MS)),
        ("5 s .. 60 s", Cadence("between", low_ns=5000 * MS, high_ns=60_000 * MS)),
        ("5 .. 60 s", Cadence("between", low_ns=5000 * MS, high_ns=60_000 * MS)),
        ("change", Cadence("change")),
        ("request", Cadence("request")),
    ],
)
def test_cadences(text: str, cadence: Cadence) -> None:
    assert parse_cadence(node(text)) == cadence


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("chnge", "did you mean change?"),
        ("often", "'often' was found"),
        ("0 s", "a period of 0"),
        ("0 s .. 0 s", "leaves no time"),
        ("100 ms +/- 100 ms", "is as long as its period"),
        ("100 ms +/- 5", "'5' has no unit"),
        ("60 s .. 5 s", "runs backwards"),
        ("[1 s]", "a list stands here; expected a cadence"),
    ],
)
def test_wrong_cadences_are_refused_in_words(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        parse_cadence(node(text))
