import math
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.device_map.binding import Bound, bind
from regcheck.device_map.expression_tree import Binary, Name, Node, Number, show
from regcheck.device_map.expressions import ExpressionError, parse_expression
from regcheck.device_map.units import Unit, parse_unit

UNITS = {
    "voltage": "mV",
    "cell_voltage": "mV",
    "limit": "mV",
    "highest": "mV",
    "current": "mA",
    "temperature": "degC",
    "coolant": "degC",
    "kelvin": "K",
    "soc": "percent",
    "gain": "uV",
    "shunt": "mV",
    "ntc_1": "ohm",
    "remaining": "mAh",
}
PLAIN = {"page", "k", "raw", "cell_count", "highest_cell", "v_scale", "silent", "a", "b"}
LABELS: dict[str, Mapping[str, int]] = {"state": {"open": 1, "closed": 3}, "content": {"voltages": 0, "summary": 2}}


class Scope:
    def unit_of(self, name: Name) -> Unit | None:
        field = ".".join(name.parts)
        if field in UNITS:
            return parse_unit(UNITS[field])
        if field in PLAIN or field in LABELS or field in ("firmware.version", "serial"):
            return None
        raise LookupError(f"no field '{field}'")

    def labels_of(self, name: Name) -> Mapping[str, int]:
        return LABELS.get(name.parts[0], {})

    def kind_of(self, name: Name) -> Literal["number", "version", "text", "message"]:
        if name.parts == ("clear",):
            return "message"
        self.unit_of(name)
        return "version" if name.parts[-1] == "version" else "text" if name.parts == ("serial",) else "number"


class MessageScope(Scope):
    def unit_of(self, name: Name) -> Unit | None:
        return None if name.parts == ("clear",) else super().unit_of(name)


VALUES: dict[str, Any] = {
    "voltage": 14800,
    "cell_voltage": [3700, 3690, 3695, 3715],
    "limit": 3710,
    "highest": 3715,
    "current": -1500,
    "temperature": 25,
    "coolant": 20,
    "kelvin": 300,
    "soc": 50,
    "gain": 5,
    "shunt": 10,
    "ntc_1": 10000,
    "remaining": 2000,
    "page": 1,
    "k": 2,
    "raw": 2000,
    "cell_count": 4,
    "highest_cell": 4,
    "v_scale": 0,
    "silent": 1,
    "state": 3,
    "content": 2,
    "firmware.version": 0x0109,
    "serial": "A7",
}


def exact(name: Name) -> Any:
    value = VALUES[".".join(name.parts)]
    if name.index is not None:
        assert isinstance(name.index, Number)
        return Fraction(value[int(name.index.value) - 1])
    if name.whole:
        return [Fraction(each) for each in (value if isinstance(value, list) else [value])]
    return Fraction(value) if isinstance(value, int) else value


def floats(name: Name) -> Any:
    value = exact(name)
    return [float(each) for each in value] if isinstance(value, list) else float(value) if isinstance(value, Fraction) else value


def arrays(name: Name) -> Any:
    """Three instants of each value; elements first."""
    value = floats(name)
    return np.array([[each] * 3 for each in value]) if isinstance(value, list) else np.array([value] * 3)


def integers(name: Name) -> Any:
    value = exact(name)
    return np.array([[int(each)] * 3 for each in value], "u2") if isinstance(value, list) else np.array([int(value)] * 3, "i4")


def bound(text: str, wanted: str | None = "any", **options: Any) -> Bound:
    unit: Any = wanted if wanted in ("any", "condition", None) else parse_unit(wanted)
    return bind(parse_expression(text), Scope(), unit, **options)


NUMBERS = [
    ("voltage", "V", "14.8"),
    ("sum(cell_voltage)", "V", "14.8"),
    ("mean(cell_voltage)", "V", "3.7"),
    ("max(cell_voltage) - min(cell_voltage)", "mV", "25"),
    ("max(cell_voltage[1], cell_voltage[4], 3.71 V)", "mV", "3715"),
    ("min(voltage, limit)", "mV", "3710"),
    ("sum(cell_voltage, limit)", "mV", "18510"),
    ("mean(cell_voltage, limit)", "mV", "3702"),
    ("count(cell_voltage)", None, "4"),
    ("count(cell_voltage > 3.695 V)", None, "2"),
    ("cell_voltage[page + 1]", "mV", "3690"),
    ("cell_voltage[highest_cell] - cell_voltage[highest_cell - 1]", "mV", "20"),
    ("voltage + 200 mV", "V", "15"),
    ("voltage - 14.8", "V", "14.7852"),  # a bare number has the other side's unit
    ("shunt / 5 mohm", "A", "2"),
    ("current * 2 h", "mAh", "-3000"),
    ("350 uV + gain", "mV", "0.355"),
    ("10 ^ v_scale", "mV", "1"),
    ("1/16", "mV", "0.0625"),
    ("voltage ^ 2", "V^2", "219.04"),
    ("page * 4 + k + 1", None, "7"),
    ("soc", None, "0.5"),
    ("soc + 1", "percent", "51"),
    ("-current", "A", "1.5"),
    ("abs(current)", "mA", "1500"),
    ("10 kohm * raw / (4096 - raw)", "ohm", "9541.98473282442748"),
    ("temperature", "K", "298.15"),
    ("kelvin", "degC", "26.85"),
    ("temperature - coolant", "K", "5"),
    ("kelvin - temperature", "K", "1.85"),
    ("temperature - 5 degC", "degC", "20"),
    ("5 degC + temperature", "K", "303.15"),
    ("temperature + 5 K", "degC", "30"),
    ("max(temperature, 30 degC)", "K", "303.15"),
    ("mean(temperature)", "K", "298.15"),
    ("-40 degC", "K", "233.15"),
    ("-40", "degC", "-40"),
    ("0.1 K * 2982", "degC", "25.05"),
    ("0.5 degC * raw - 40 degC", "degC", "960"),
    ("raw(current)", None, "-1500"),
    ("applied(current) - reported(current)", "A", "0"),
    ("-5 degC + 6 degC", "degC", "1"),
]


@pytest.mark.parametrize(("text", "wanted", "value"), NUMBERS)
@pytest.mark.parametrize("values", [exact, floats, arrays, integers])
def test_values_in_the_wanted_unit(text: str, wanted: str | None, value: str, values: Callable[[Name], Any]) -> None:
    found = bound(text, wanted).evaluate(values)
    expected = Fraction(value)
    if values is exact:
        assert found == expected or abs(found - expected) < Fraction(1, 10**14)
    else:
        np.testing.assert_allclose(np.asarray(found, "float64"), float(expected), rtol=1e-12, atol=1e-12)


CONDITIONS = [
    ("voltage = sum(cell_voltage)", True),
    ("voltage > 14.7999 V", True),
    ("voltage > 14800", False),
    ("14.8 V <= voltage", True),
    ("voltage in 14 .. 15 V", True),
    ("voltage in 14.8 V .. 14800 mV", True),
    ("not voltage in 14 .. 15 V", False),
    ("temperature >= 25 degC", True),
    ("temperature > 298.15 K", False),
    ("77 degF = temperature", True),
    ("temperature in -40 .. 85 degC", True),
    ("kelvin > 26.8 degC", True),
    ("kelvin in 26 .. 27 degC", True),
    ("temperature = kelvin", False),
    ("temperature - coolant < 6 K", True),
    ("abs(temperature - coolant) = 5", True),
    ("temperature = 25", True),
    ("soc > 40", True),
    ("soc = 0.5", False),  # a bare number has the field's unit: 0.5 %
    ("soc = 50 %", True),
    ("content = summary", True),
    ("summary = content", True),
    ("content != voltages", True),
    ('state = "closed"', True),
    ("content = state", False),
    ("content = page", False),
    ("firmware.version < v2.0", True),
    ("v1.9 = firmware.version", True),
    ("firmware.version > v1.10", False),
    ("abs(raw(current)) <= 2", False),
    ("cell_voltage[highest_cell] = highest", True),
    ("count(cell_voltage) = cell_count", True),
    ("any(cell_voltage > limit)", True),
    ("any(cell_voltage > highest)", False),
    ("all(cell_voltage > 3.6 V)", True),
    ("none(cell_voltage > 4 V)", True),
    ("any(cell_voltage > mean(cell_voltage) + 14 mV)", True),
    ("page = 1 and (k = 1 or state = closed)", True),
    ("page = 2 or k = 1", False),
    ("max(state) = closed", True),
]


@pytest.mark.parametrize(("text", "holds"), CONDITIONS)
@pytest.mark.parametrize("values", [exact, floats, arrays, integers])
def test_conditions(text: str, holds: bool, values: Callable[[Name], Any]) -> None:
    found = bound(text, "condition")
    assert found.is_condition
    result = found.evaluate(values)
    if values in (arrays, integers):
        assert result.dtype == bool
        assert result.tolist() == [holds] * 3
    else:
        assert result is holds


REFUSALS = [
    ("voltage + current", "any", "mV and mA cannot be added", 8),
    ("voltage - 5 A", "any", "mV and A cannot be subtracted", 8),
    ("voltage + page", "any", "mV and a plain number cannot be added", 8),
    ("voltage > current", "condition", "mV and mA cannot be compared", 8),
    ("voltage in 1 .. 2 A", "condition", "mV and A cannot be compared", 8),
    ("max(voltage, current)", "any", "mV and mA cannot stand in one max()", 13),
    ("voltage", "A", "this gives mV; expected A", 0),
    ("soc", "V", "this gives percent; expected V", 0),
    ("voltage", None, "this gives mV; expected a plain number", 0),
    ("voltage", "condition", "voltage is a value; expected a condition, such as voltage = 1", 0),
    ("voltage and page = 1", "condition", "expected a condition", 0),
    ("voltage = 1", "V", "voltage = 1 is a condition; expected a number", 8),
    ("abs(page = 1)", None, "expected a number", 9),
    ("temperature + coolant", "any", "two temperatures in degC cannot be added", 12),
    ("temperature * 2", "any", "a point on the degC scale", 0),
    ("-temperature", "any", "a point on the degC scale", 1),
    ("sum(temperature)", "any", "a point on the degC scale", 4),
    ("5 degC - temperature", "any", "a temperature cannot be subtracted from a difference", 7),
    ("temperature - coolant < 6 degC", "condition", "give the limit in K", 22),
    ("10 ^ voltage", "any", "an exponent is a plain number", 5),
    ("10 ^ soc", "any", "an exponent has no unit", 5),
    ("voltage ^ page", "any", "only be raised to a whole number", 10),
    ("cell_voltage[voltage]", "any", "an element's number has no unit", 13),
    ("content = sumary", "condition", "'sumary' is no label of content; did you mean summary?", 10),
    ("content = other", "condition", "'other' is no label of content; expected voltages or summary", 10),
    ("state >= closed", "condition", "labels are only equal (=) or not (!=)", 9),
    ("foo = 1", "condition", "no field 'foo'", 0),
    ("firmware.version = 3", "condition", "these cannot be compared", 17),
    ("serial > 'A'", "condition", "texts are only equal or not", 7),
    ("serial + 1", "any", "serial is a text; expected a number", 0),
    ("voltage = 'x'", "condition", "these cannot be compared", 8),
    ("clear = 1", "condition", "no field 'clear'", 0),
    ("x.y", "any", "no field 'x.y'", 0),
    ("abs(a, b)", "any", "abs() takes one argument; 2 were found", 0),
    ("raw(voltage + 1)", "any", "raw() takes a field's name", 12),
    ("raw(applied(voltage))", "any", "raw() takes a field's name", 4),
    ("applied(raw(voltage))", "any", "raw() stands inside applied()", 8),
    ("ntc(ntc_1, r25 = 10 kohm)", "degC", "ntc() needs beta", 0),
    ("ntc(ntc_1, r26 = 10 kohm, beta = 1 K)", "degC", "ntc() has no 'r26'; expected r25", 17),
    ("ntc(voltage, r25 = 10 kohm, beta = 1 K)", "degC", "mV was found; expected ohm", 4),
    ("ntc(r25 = 10 kohm, beta = 1 K)", "degC", "needs the quantity that it converts", 0),
    ("ntc(ntc_1, 3, r25 = 10 kohm, beta = 1 K)", "degC", "ntc() takes one value", 11),
    ("change(voltage) = 0", "condition", "change() needs readings over time", 0),
    ("integral(current)", "mAh", "integral() needs readings over time", 0),
    ("mean(current, 1 min)", "mA", "mean() over time needs readings over time", 0),
    ("voltage = 1 for 2 s", "condition", "`for` needs readings over time", 12),
    ("none(foo)", "condition", "no field 'foo'", 5),
]


@pytest.mark.parametrize(("text", "wanted", "words", "column"), REFUSALS)
def test_what_does_not_fit_is_refused_with_a_caret(text: str, wanted: str | None, words: str, column: int) -> None:
    with pytest.raises(ExpressionError) as caught:
        bound(text, wanted)
    assert words in caught.value.problem
    assert str(caught.value).endswith(f"\n  {text}\n  {' ' * column}^")


@pytest.mark.parametrize(
    ("text", "words"),
    [("integral(temperature)", "a point on"), ("mean(current, 0 s)", "is no duration"), ("mean(page, 1 mV)", "a duration")],
)
def test_what_runs_over_time_is_checked(text: str, words: str) -> None:
    with pytest.raises(ExpressionError) as caught:
        bound(text, allow_temporal=True)
    assert words in caught.value.problem


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("shunt / 5 mohm", "mV/mohm", 2),
        ("soc", "percent", 50),
        ("page", None, 1),
        ("temperature", "degC", 25),
        ("-40 degC", "degC", -40),
        ("5", None, 5),
    ],
)
def test_any_keeps_the_expressions_own_unit(text: str, unit: str | None, value: int) -> None:
    found = bound(text)
    assert (None if found.unit is None else str(found.unit)) == unit
    assert found.evaluate(exact) == value


def test_a_degree_literal_alone_is_a_point_or_asked_for_as_a_difference() -> None:
    assert bound("5 degC", "K").evaluate(exact) == Fraction("278.15")
    assert bound("5 degC", "K", difference=True).evaluate(exact) == 5


def test_names_say_what_the_values_are_asked_for() -> None:
    asked: list[Name] = []

    def values(name: Name) -> Any:
        asked.append(name)
        return exact(name)

    found = bound("any(cell_voltage > limit) and content = summary and raw(current) = cell_count + cell_count", "condition")
    found.evaluate(values)
    assert [(each.parts[0], each.view, each.whole) for each in found.names] == [
        ("cell_voltage", "", True),
        ("limit", "", True),
        ("content", "", False),
        ("current", "raw", False),
        ("cell_count", "", False),
    ]
    assert asked == [*found.names, found.names[-1]]


def test_an_index_is_evaluated_before_its_element_is_asked_for() -> None:
    found = bound("cell_voltage[page + 1]")
    assert [show(each) for each in found.names] == ["cell_voltage[page + 1]", "page"]
    cells = np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]])

    def values(name: Name) -> Any:
        if name.parts == ("page",):
            return np.array([0, 1, 7])
        assert isinstance(name.index, Number)
        if name.index.value > 2:
            raise LookupError(name)
        return cells[int(name.index.value) - 1]

    np.testing.assert_array_equal(found.evaluate(values), [1.0, 5.0, np.nan])


def test_no_value_comes_of_a_division_by_zero() -> None:
    assert math.isnan(bound("1 / (page - 1)", None).evaluate(exact))
    assert math.isnan(bound("1 / (page - 1)", None).evaluate(floats))
    assert np.isnan(bound("1 / (page - 1)", None).evaluate(arrays)).all()
    assert bound("1 / (page - 1) > 0", "condition").evaluate(exact) is False


def test_sensor_functions_get_base_units_and_give_points() -> None:
    asked: list[tuple[tuple[Any, ...], dict[str, Any]]] = []

    def model(*arguments: Any, **keywords: Any) -> float:
        asked.append((arguments, keywords))
        return 300.0

    text = "ntc(10 kohm * raw / (4000 - raw), r25 = 10 kohm, beta = 3435 K, t25 = 25 degC)"
    found = bound(text, "degC", sensors={"ntc": model})
    assert found.evaluate(exact) == pytest.approx(26.85, abs=1e-12)
    assert asked == [((10000.0,), {"r25": 10000.0, "beta": 3435.0, "t25": 298.15})]
    assert bound(text + " > 26 degC", "condition", sensors={"ntc": model}).evaluate(exact) is True
    assert bound("points(shunt, 0 mV, 0 A, 100 mV, 20 A)", "mA", sensors={"points": lambda *a: a[0] * a[4] / a[3]}).evaluate(exact) == 2000
    with pytest.raises(ExpressionError, match="no sensor model is at hand"):
        bound(text, "degC").evaluate(exact)


def test_what_runs_over_time_goes_through_the_hook() -> None:
    asked: list[tuple[str, int | None]] = []

    def temporal(what: str, run: Callable[[Any], Any], duration_ns: int | None, values: Any) -> Any:
        asked.append((what, duration_ns))
        return run(values) if what in ("for", "mean") else run(values) * 2

    found = bound("change(remaining) = 4000 mAh and page = 1 for 1.5 s and mean(current, 1 min) = -1.5 A", "condition", temporal=temporal)
    assert found.evaluate(exact) is True
    assert asked == [("change", None), ("for", 1_500_000_000), ("mean", 60_000_000_000)]
    assert bound("integral(current)", "mAh", temporal=temporal).evaluate(exact) == Fraction(-3000, 3600)
    assert bound("change(temperature)", "K", temporal=temporal).evaluate(exact) == 50
    with pytest.raises(ExpressionError, match="for checking only"):
        bound("change(voltage) = 0", "condition", allow_temporal=True).evaluate(exact)


def test_none_of_a_message_asks_whether_it_was_seen() -> None:
    found = bind(parse_expression("none(clear)"), MessageScope(), "condition")
    assert [(each.parts, each.view) for each in found.names] == [(("clear",), "seen")]
    assert found.evaluate(lambda name: name.view != "seen") is True
    assert found.evaluate(lambda _: np.array([True, False])).tolist() == [False, True]
    with pytest.raises(ExpressionError, match=r"is a message; expected a field, or none\(clear\)"):
        bind(parse_expression("clear = 1"), MessageScope(), "condition")


def test_a_constant_beside_floats_is_not_rounded_twice() -> None:
    # 4.20 V is exactly 4200 mV; 4.2 * 1000 in doubles may not be, and 0.1 + 0.2 is not 0.3
    assert bound("limit = 4.20 V", "condition").evaluate(lambda _: np.array([4200.0])).tolist() == [True]
    assert bound("a + 0.1 = 0.3", "condition").evaluate(lambda _: Fraction(1, 5)) is True


def test_integers_do_not_wrap_around() -> None:
    assert bound("a - b", None).evaluate(lambda name: np.array([1 if name.parts == ("a",) else 2], "u1")).tolist() == [-1]
    big = np.array([2**40])
    np.testing.assert_allclose(bound("a * b", None).evaluate(lambda _: big), 2.0**80)
    assert bound("a * a", None).evaluate(lambda _: 2**40) == 2**80


def test_a_chain_as_long_as_is_allowed_is_evaluated() -> None:
    assert bound("a" + "+a" * 150, None).evaluate(lambda _: 1) == 151
    with pytest.raises(ExpressionError, match="more than 150 operators"):
        parse_expression("a" + "+a" * 151)


def test_sums_of_floats_run_in_order_of_the_elements() -> None:
    elements = [0.1 * n for n in range(1, 100)]
    alone = bound("sum(cell_voltage)", "mV").evaluate(lambda _: elements)
    beside = bound("sum(cell_voltage)", "mV").evaluate(lambda _: np.array([elements] * 5).T)
    total = 0.0
    for element in elements:
        total += element
    assert alone == total
    assert beside.tolist() == [total] * 5


TREES = st.recursive(
    st.builds(lambda digits: Number(Fraction(digits, 8)), st.integers(-64, 64)) | st.sampled_from([Name(("a",)), Name(("b",))]),
    lambda nodes: st.builds(Binary, st.sampled_from(["+", "-", "*"]), nodes, nodes),
    max_leaves=8,
)


def reckon(node: Node, a: Fraction, b: Fraction) -> Fraction:
    if isinstance(node, Number):
        return node.value
    if isinstance(node, Name):
        return a if node.parts == ("a",) else b
    assert isinstance(node, Binary)
    left, right = reckon(node.left, a, b), reckon(node.right, a, b)
    return left + right if node.operator == "+" else left - right if node.operator == "-" else left * right


@settings(deadline=None)
@given(TREES, st.integers(-(10**4), 10**4), st.integers(-(10**4), 10**4))
def test_evaluation_agrees_with_fraction_arithmetic(tree: Node, a: int, b: int) -> None:
    expected = reckon(tree, Fraction(a), Fraction(b))
    found = bound(show(tree), None)

    def value(name: Name) -> int:
        return a if name.parts == ("a",) else b

    assert found.evaluate(lambda name: Fraction(value(name))) == expected
    assert found.evaluate(value) == expected
    wide = found.evaluate(lambda name: np.array([value(name)] * 2))
    rough = found.evaluate(lambda name: np.array([float(value(name))] * 2))
    scale = max(reckon(_magnitudes(tree), Fraction(abs(a)), Fraction(abs(b))), Fraction(1))
    for array in (wide, rough):
        np.testing.assert_allclose(np.asarray(array, "float64"), float(expected), rtol=0, atol=float(scale) * 1e-14)


def _magnitudes(node: Node) -> Node:
    """Return the tree that bounds every part of a sum, for a bound on its rounding."""
    if isinstance(node, Number):
        return Number(abs(node.value))
    if isinstance(node, Binary):
        return Binary("*" if node.operator == "*" else "+", _magnitudes(node.left), _magnitudes(node.right))
    return node
