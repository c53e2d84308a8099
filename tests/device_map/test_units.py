import subprocess
import sys
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from regcheck.device_map.units import DIMENSIONLESS, TABLE, UnitError, convert, known_unit, parse_unit

PINT: pint.UnitRegistry[Fraction] = pint.UnitRegistry(non_int_type=Fraction)
BASES = {"meter": "m", "kilogram": "kg", "second": "s", "ampere": "A", "kelvin": "K", "mole": "mol", "bit": "bit"}
NAMES = {"1": "dimensionless", "var": "VA", "mvar": "mVA", "kvar": "kVA", "Mvar": "MVA"}  # pint has no var, which is a VA (IEC 80000-6)
UNITS = st.sampled_from(sorted(TABLE))


@pytest.mark.parametrize("symbol", [symbol for symbol in TABLE if symbol != "rpm"])
def test_every_unit_of_the_table_is_pints(symbol: str) -> None:
    unit = TABLE[symbol]
    one = PINT.Quantity(Fraction(1), NAMES.get(symbol, symbol)).to_base_units()
    zero = PINT.Quantity(Fraction(0), NAMES.get(symbol, symbol)).to_base_units()
    assert unit.symbol == symbol
    assert unit.offset == zero.magnitude
    assert unit.factor == one.magnitude - zero.magnitude
    powers = {BASES[str(name)]: power for name, power in one.units._units.items() if str(name) != "radian"}
    assert dict(unit.dimension) == powers


def test_rpm_is_turns_a_minute() -> None:
    # pint counts a turn as 2 pi radian; a turn of our own keeps the factor rational (ISO 80000-3: rotational frequency)
    assert PINT.Quantity(Fraction(1), "turn/minute").to("turn/second").magnitude == Fraction(1, 60)
    assert (TABLE["rpm"].factor, TABLE["rpm"].dimension) == (Fraction(1, 60), (("s", -1), ("turn", 1)))


@pytest.mark.parametrize(
    ("typed", "symbol"),
    [
        ("µV", "uV"), ("μV", "uV"), ("°C", "degC"), ("%", "percent"), ("Ω", "ohm"), ("kΩ", "kohm"), ("m\u2126", "mohm"), ("hours", "h"),
        ("kbit/s", "kbit/s"), ("A*h", "A*h"), ("m²", "m^2"), (" mV ", "mV"), ("mohm / K", "mohm/K"), ("%/K", "percent/K"), ("1/K", "1/K"),
    ],
)  # fmt: skip
def test_spellings_have_one_symbol(typed: str, symbol: str) -> None:
    assert parse_unit(typed).symbol == symbol
    assert parse_unit(symbol) == parse_unit(typed)


@pytest.mark.parametrize("text", ["mV/s", "mohm/K", "V*s", "kbit/s", "W*h/kg", "m/s^2", "1/K", "J/kg/K", "mV/degC", "A^2*s"])
def test_compounds_are_pints(text: str) -> None:
    unit = parse_unit(text)
    factor, base = PINT.get_base_units(PINT.parse_units(text.replace("degC", "delta_degC")))
    assert unit.factor == factor
    assert unit.offset == 0
    assert dict(unit.dimension) == {BASES[str(name)]: power for name, power in base._units.items()}


def test_rare_units_come_from_pint_exactly() -> None:
    assert parse_unit("inch").factor == Fraction(254, 10000)  # international yard and pound agreement of 1959, from memory
    assert parse_unit("acre_foot").dimension == (("m", 3),)
    assert parse_unit("inch/s").symbol == "inch/s"
    assert parse_unit("delta_degF").factor == Fraction(5, 9)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("mAH", "did you mean mAh?"),
        ("mv", "did you mean mV?"),
        ("kOhm", "did you mean kohm?"),
        ("flub", "expected such as mV"),
        ("C", "write degC"),
        ("k", "did you mean K?"),
        ("c", "is no known unit"),
        ("", "is no known unit"),
        ("V/", "is no known unit"),
        ("V/C", "is no known unit"),
        ("10", "is no known unit"),
        ("__import__('os')", "is no known unit"),
        ("V" * 1000, "is no known unit"),
    ],
)
def test_what_is_no_unit_is_refused_with_the_nearest(typed: str, words: str) -> None:
    with pytest.raises(UnitError) as caught:
        parse_unit(typed)
    assert words in str(caught.value)


def test_celsius_is_a_point_or_a_difference() -> None:
    celsius, kelvin, fahrenheit = TABLE["degC"], TABLE["K"], TABLE["degF"]
    assert convert(Fraction("25.05"), celsius, kelvin) == Fraction("298.2")
    assert convert(Fraction("25.05"), celsius, kelvin, difference=True) == Fraction("25.05")
    assert convert(Fraction(-40), celsius, fahrenheit) == -40
    assert convert(Fraction(212), fahrenheit, celsius) == 100
    assert convert(Fraction(9), fahrenheit, kelvin, difference=True) == 5


def test_what_does_not_fit_is_refused() -> None:
    assert TABLE["mAh"].fits(parse_unit("A*s"))
    assert not TABLE["Hz"].fits(parse_unit("kbit/s"))
    with pytest.raises(UnitError, match="mV cannot be given in mA"):
        convert(Fraction(1), TABLE["mV"], TABLE["mA"])


@given(UNITS, UNITS)
def test_products_quotients_and_powers_read_back_from_their_symbols(one: str, other: str) -> None:
    first, second = TABLE[one], TABLE[other]
    for unit in (first.times(second), first.per(second), first.per(second).per(second.per(first)), first.per(second).power(2)):
        again = parse_unit(unit.symbol)
        assert (again.factor, again.dimension) == (unit.factor, unit.dimension)
    assert first.times(second).per(second).factor == first.factor
    assert first.power(0) == DIMENSIONLESS
    assert first.power(2).factor == first.factor**2


@given(UNITS, UNITS, st.fractions())
def test_conversion_there_and_back_is_exact(one: str, other: str, value: Fraction) -> None:
    first, second = TABLE[one], TABLE[other]
    if first.fits(second):
        for difference in (False, True):
            assert convert(convert(value, first, second, difference), second, first, difference) == value


def test_the_table_serves_without_pint() -> None:
    program = """import sys
from regcheck.device_map.units import parse_unit
for text in ("mV", "kbit/s", "mohm/K", "%"):
    parse_unit(text)
sys.exit("pint" in sys.modules)"""
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0
    assert known_unit("inch") is None
