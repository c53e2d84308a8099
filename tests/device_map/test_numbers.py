import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.numbers import as_bool, as_fraction, as_hex_bytes, as_integer, as_text, format_fraction
from regcheck.device_map.yaml_source import Scalar


# YAML 1.2.2, clause 10.3.2: the regular expressions of tag:yaml.org,2002:int and float; from memory of it
@pytest.mark.parametrize(("typed", "value"), [("0", 0), ("-12", -12), ("+7", 7), ("0x0B", 11), ("0XfF", 255), ("0o17", 15)])
def test_integers(typed: str, value: int) -> None:
    assert as_integer(typed) == value
    assert as_fraction(typed) == value


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("1.5", "is no whole number"),
        ("", "is no whole number"),
        ("12 ", "is no whole number"),
        ("0b1", "is no whole number"),
        ("on", "is no whole number"),
        ("FF", "a hexadecimal number starts with 0x: 0xFF"),
        ("16h", "a hexadecimal number starts with 0x: 0x16"),
        ("1,5", "the decimal sign is a point"),
        ("1_000", "digits are not grouped"),
        ("010", "starts with a zero, which some read as octal; write 10 or 0o010"),
        ("-007", "write -7 or 0o007"),
        ("1" * 301, "a number of 301 digits"),
        ("١٢", "is no whole number"),
    ],
)
def test_what_is_no_integer_is_refused_in_words(typed: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        as_integer(typed)


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("0.1", Fraction(1, 10)),
        ("-.5", Fraction(-1, 2)),
        ("1.", Fraction(1)),
        ("1e3", Fraction(1000)),
        ("2.5E-3", Fraction(1, 400)),
        ("+1e+2", Fraction(100)),
        ("1/16", Fraction(1, 16)),
        ("-3 / 4", Fraction(-3, 4)),
        ("1e-300", Fraction(1, 10**300)),
    ],
)
def test_fractions_are_exactly_as_typed(typed: str, value: Fraction) -> None:
    assert as_fraction(typed) == value


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("1/0", "divides by zero"),
        ("1e999999999", "a power of ten beyond 300"),
        ("1e-301", "a power of ten beyond 300"),
        ("x", "is no number"),
        (".", "is no number"),
        (".inf", "is no number"),
        ("1.5 mV", "is no number"),
        ("0." + "1" * 300, "a number of 302 digits"),
        ("1,5", "the decimal sign is a point"),
    ],
)
def test_what_is_no_number_is_refused_in_words(typed: str, words: str) -> None:
    with pytest.raises(ValueError, match=re.escape(words)):
        as_fraction(typed)


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-(10**12), max_value=10**12, places=9))
def test_decimals_are_exact_and_printed_exactly(number: Decimal) -> None:
    typed = format(number, "f")
    exact = Fraction(number)
    assert as_fraction(typed) == exact
    assert as_fraction(format_fraction(exact)) == exact
    assert Decimal(format_fraction(exact)) == number


@given(st.fractions(max_denominator=10**6))
def test_format_fraction_reads_back(number: Fraction) -> None:
    assert as_fraction(format_fraction(number)) == number


@pytest.mark.parametrize(
    ("number", "shown"),
    [
        (Fraction(1, 16), "0.0625"),
        (Fraction(-1, 8), "-0.125"),
        (Fraction(1, 3), "1/3"),
        (Fraction(300), "300"),
        (Fraction(5, 1000), "0.005"),
    ],
)
def test_format_fraction(number: Fraction, shown: str) -> None:
    assert format_fraction(number) == shown


@pytest.mark.parametrize(
    ("typed", "value"), [("A6 0B", b"\xa6\x0b"), ("00", b"\0"), ("a60b", b"\xa6\x0b"), ("62  4B 01", b"bK\x01"), ("", b"")]
)
def test_hex_bytes(typed: str, value: bytes) -> None:
    assert as_hex_bytes(typed) == value


@pytest.mark.parametrize(
    ("typed", "words"), [("0x0BA6", "is a number"), ("A6 B", "no list of hex pairs"), ("A 60B", "no list"), ("GG", "no list")]
)
def test_what_are_no_hex_pairs_is_refused_in_words(typed: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        as_hex_bytes(typed)


def test_only_plain_true_and_false_are_truths() -> None:
    assert as_bool("true") is True
    assert as_bool(Scalar("false")) is False
    for word in ("True", "yes", "on", "1", "y", ""):
        with pytest.raises(ValueError, match="expected true or false"):
            as_bool(word)
    with pytest.raises(ValueError, match="without quotes"):
        as_bool(Scalar("true", quoted=True))


def test_text_stays_as_typed() -> None:
    assert as_text(Scalar("1.10")) == "1.10"
    assert type(as_text(Scalar("0017"))) is str
