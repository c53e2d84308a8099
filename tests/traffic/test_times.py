"""Decimal text and nanoseconds, against exact fractions."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.traffic.times import NS_LIMIT, format_seconds, parse_time, round_ratio


@pytest.mark.parametrize(
    ("text", "power", "ns"),
    [
        ("0", 9, 0),
        ("12.345678901", 9, 12_345_678_901),
        ("1764028800.123456789", 9, 1_764_028_800_123_456_789),
        ("0.0000000005", 9, 0),
        ("0.0000000015", 9, 2),
        ("0.00000000050000000001", 9, 1),
        ("-0.001", 9, -1_000_000),
        ("+3", 9, 3_000_000_000),
        (".5", 9, 500_000_000),
        ("5.", 9, 5_000_000_000),
        ("1.5E-6", 9, 1_500),
        ("2e2", 9, 200_000_000_000),
        ("1.25", 6, 1_250_000),
        ("7", 0, 7),
        ("7.5", 0, 8),
    ],
)
def test_text_to_nanoseconds(text, power, ns):
    assert parse_time(text, power) == ns


@pytest.mark.parametrize("text", ["", ".", "-", "1,5", "0x10", "1e", "nan", "inf", "1 2", "١", "1_000", "--1", "1.2.3", "9" * 500])
def test_what_is_no_number(text):
    with pytest.raises(ValueError, match="no decimal number"):
        parse_time(text)


@pytest.mark.parametrize("text", ["4611686018.427387904", "-1e99", "1e999"])
def test_what_is_too_far(text):
    with pytest.raises(ValueError, match="beyond the times"):
        parse_time(text)


@given(st.integers(-NS_LIMIT + 1, NS_LIMIT - 1))
def test_written_times_are_exact(ns):
    assert Fraction(format_seconds(ns)) == Fraction(ns, 10**9)
    assert parse_time(format_seconds(ns)) == ns


@given(st.integers(0, 10**30), st.integers(1, 10**9), st.integers(1, 10**9))
def test_ratios_are_rounded_half_even(value, numerator, denominator):
    assert round_ratio(value, numerator, denominator) == round(Fraction(value * numerator, denominator))
