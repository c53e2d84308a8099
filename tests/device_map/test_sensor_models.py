"""Sensor models where they have no number, the registry, and refusals."""

import inspect
from typing import Any

import numpy as np
import pytest

from regcheck.device_map import sensors
from regcheck.device_map.expressions import SENSORS as SENSOR_WORDS
from regcheck.device_map.sensor_signatures import SIGNATURES
from regcheck.device_map.sensors import SENSORS
from regcheck.device_map.units import TABLE as TABLE_OF_UNITS
from regcheck.errors import UsageError

TABLE = (100e3, 253.15, 30e3, 273.15, 10e3, 298.15, 2e3, 343.15)
CALLS = {
    "ntc": ((), {"r25": 10e3, "beta": 3435.0}, 8e3),
    "steinhart": ((), {"a": 1.129241e-3, "b": 2.341077e-4, "c": 8.775468e-8}, 8e3),
    "four_term": ((), {"r25": 10e3, "a": 3.3539438e-3, "b": 2.5646095e-4, "c": 2.5158166e-6, "d": 1.0503069e-7}, 8e3),
    "table": (TABLE, {}, 8e3),
    "platinum": ((), {}, 92.0),
    "shunt": ((), {"r": 5e-3}, -7.5e-3),
    "divider": ((), {"upper": 90e3, "lower": 10e3}, 1.5),
    "polynomial": ((1.0, -2.0, 3.0), {}, 0.7),
    "points": ((0.0, 120.0, 40.0, 85.0, 128.0, 25.0), {}, 33.0),
}
OF_OHMS = [name for name, signature in SIGNATURES.items() if signature.argument == TABLE_OF_UNITS["ohm"]]


def test_every_model_is_called_below() -> None:
    assert set(CALLS) == set(SENSORS) == set(SIGNATURES) == SENSOR_WORDS


@pytest.mark.parametrize("name", OF_OHMS)
def test_no_number_where_there_is_no_sensor(name: Any) -> None:
    rest, keywords, good = CALLS[name]
    nothing = np.array([np.inf, 0.0, -5.0, 1e9, np.nan, -np.inf, 5e-324, 1.7e308])
    assert np.isnan(SENSORS[name](nothing, *rest, **keywords)).all()
    assert np.isfinite(SENSORS[name](good, *rest, **keywords))


@pytest.mark.parametrize("name", ["shunt", "divider", "polynomial", "points"])
def test_no_number_of_what_is_no_number(name: Any) -> None:
    rest, keywords, _ = CALLS[name]
    for value in (np.nan, np.inf, -np.inf):
        assert np.isnan(SENSORS[name](value, *rest, **keywords))


def test_no_number_outside_a_table_or_points() -> None:
    assert np.isnan(sensors.ntc_table([100.1e3, 1.999e3], *TABLE)).all()
    assert np.isnan(sensors.points([-0.1, 40.1], 0.0, 1.0, 40.0, 2.0)).all()
    assert sensors.points([0.0, 40.0], 0.0, 1.0, 40.0, 2.0).tolist() == [1.0, 2.0]


@pytest.mark.parametrize("name", CALLS)
def test_registry_names_the_keywords_of_the_function(name: Any) -> None:
    signature = SIGNATURES[name]
    parameters = inspect.signature(SENSORS[name]).parameters.values()
    keyword_only = [one for one in parameters if one.kind is inspect.Parameter.KEYWORD_ONLY]
    assert [one.name for one in keyword_only] == list(signature.keywords)
    assert {one.name for one in keyword_only if one.default is not inspect.Parameter.empty} == set(signature.optional)
    assert any(one.kind is inspect.Parameter.VAR_POSITIONAL for one in parameters) == bool(signature.rest)


def test_resistance_and_temperature_are_inverse() -> None:
    kelvin = np.linspace(230.0, 380.0, 31)
    assert sensors.ntc(sensors.ntc_ohm(kelvin, r25=10e3, beta=3435), r25=10e3, beta=3435) == pytest.approx(kelvin, abs=1e-9)
    coefficients = {"a": 1.129241e-3, "b": 2.341077e-4, "c": 8.775468e-8}
    assert sensors.steinhart_hart(sensors.steinhart_hart_ohm(kelvin, **coefficients), **coefficients) == pytest.approx(kelvin, abs=1e-9)


def test_another_reference_temperature() -> None:
    assert float(sensors.ntc(5e3, r25=5e3, beta=3950, t25=293.15)) == pytest.approx(293.15)


def test_plain_models() -> None:
    assert float(sensors.shunt(-1.5e-3, r=1e-3)) == -1.5  # check-values 2.8: -1.5 A on 1 mohm is -1.5 mV
    assert float(sensors.divider(1.5, upper=90e3, lower=10e3)) == 15.0
    assert sensors.polynomial([0.0, 2.0], 1.0, -2.0, 3.0).tolist() == [1.0, 9.0]
    assert sensors.polynomial([0.0, 2.0], 4.0).tolist() == [4.0, 4.0]
    # examples/beck_rack.yaml: coolant points
    assert sensors.points([20, 84], 0, 120, 40, 85, 128, 25).tolist() == [102.5, 55.0]
    assert np.isnan(sensors.shunt(1e308, r=1e-3))


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: sensors.ntc(1e4, r25=0.0, beta=3435), "r25 is 0, expected a number above 0"),
        (lambda: sensors.ntc(1e4, r25=1e4, beta=float("nan")), "beta is nan"),
        (lambda: sensors.shunt(1.0, r=-1.0), "r is -1"),
        (lambda: sensors.ntc_table(1e4, 1e4, 298.15), "at least two pairs"),
        (lambda: sensors.ntc_table(1e4, 1e4, 298.15, 2e4, 280.0, 15e3, 290.0), "must only rise or only fall; it turns at 15000"),
        (lambda: sensors.ntc_table(1e4, 1e4, 298.15, 2e4, 310.0), "must fall as the resistance rises"),
        (lambda: sensors.ntc_table(1e4, 1e4, 298.15, -2e4, 310.0), "no positive number"),
        (lambda: sensors.points(1.0, 0.0, 1.0, 0.0, 2.0), "turns at 0"),
        (lambda: sensors.polynomial(1.0), "at least one coefficient"),
    ],
)
def test_wrong_parameters_are_refused(call: Any, words: Any) -> None:
    with pytest.raises(UsageError, match=words):
        call()


@pytest.mark.parametrize(
    ("ohm", "celsius", "words"),
    [
        ((10.1e3, 10e3, 9.9e3), (24.75, 25.0, 25.25), "too close together"),
        ((25e3, 10.001e3, 10e3), (5.0, 24.9975, 25.0), "too close together"),
        ((25e3, 10e3 + 1e-7, 10e3), (5.0, 25.0, 25.01), "too close together"),
        ((40e3, 2e3, 1e3), (0.0, 25.0, 50.0), "rises with temperature; check the points"),
        ((25e3, 10e3, 10e3), (5.0, 25.0, 45.0), "must fall with temperature"),
        ((4e3, 10e3, 25e3), (5.0, 25.0, 45.0), "must fall with temperature"),
        ((25e3, 10e3, 4e3), (5.0, 25.0, 25.0), "must fall with temperature"),
        ((25e3, 0.0, 4e3), (5.0, 25.0, 45.0), "above 0 ohm"),
    ],
)
def test_badly_conditioned_fits_are_refused(ohm: Any, celsius: Any, words: Any) -> None:
    with pytest.raises(UsageError, match=words):
        sensors.fit_steinhart_hart(ohm, tuple(value + 273.15 for value in celsius))


def test_a_fit_does_not_mind_the_order_of_its_points() -> None:
    one = sensors.fit_steinhart_hart((25e3, 10e3, 4e3), (278.15, 298.15, 318.15))
    assert sensors.fit_steinhart_hart((4e3, 25e3, 10e3), (318.15, 278.15, 298.15)) == one
