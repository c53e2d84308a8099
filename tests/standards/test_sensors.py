"""Sensor models against component tables and standards."""

from typing import Any

import numpy as np
import pytest

from regcheck.device_map import sensors

CELSIUS = np.array([-40, -20, 0, 10, 25, 40, 45, 60, 85, 100]) + 273.15
# R = R25 exp(B (1/T - 1/298.15)), IEC 60539-1 (equation from memory of it), recomputed from the definition
BETA_TABLE = {
    3435: [248276.5, 77522.5, 28704.3, 18410.4, 10000, 5758.8, 4846.9, 2980.9, 1451.3, 987.0],
    3950: [401859.7, 105384.7, 33620.6, 20174.6, 10000, 5301.5, 4348.1, 2486.2, 1086.7, 697.5],
}
# component 10K3MCD1: thermistor-probe manual, appendix C, table C-1: degC, ohm
TABLE_C1 = {-40: 336103.2, -30: 176804.8, -20: 97006.9, -10: 55303.9, 0: 32650.9}
# its Steinhart-Hart coefficients, from memory of the component's data sheet
C1_A, C1_B, C1_C = 1.129241e-3, 2.341077e-4, 8.775468e-8
# IEC 60751:2022, 4.2, coefficients from memory of it (A and the end values 18.52 and 149.83 were seen in print): degC, ohm
PLATINUM = {
    -200: 18.5201, -100: 60.2558, -40: 84.2707, -20: 92.1599, 0: 100, 25: 109.7347, 50: 119.3971,
    85: 132.8033, 100: 138.5055, 200: 175.8560, 400: 247.0920, 850: 390.4811,
}  # fmt: skip


@pytest.mark.parametrize("beta", BETA_TABLE)
def test_beta_resistance(beta: Any) -> None:
    assert sensors.ntc_ohm(CELSIUS, r25=10e3, beta=beta) == pytest.approx(BETA_TABLE[beta], abs=0.051)


@pytest.mark.parametrize(
    ("beta", "ohm", "celsius"),
    # recomputed from the same definition
    [(3435, [5e3, 20e3, 100e3, 1e3], [44.086, 8.080, -24.662, 99.472]), (3950, [5e3, 20e3, 100e3, 1e3], [41.460, 10.177, -19.146, 87.720])],
)
def test_beta_temperature(beta: Any, ohm: Any, celsius: Any) -> None:
    assert sensors.ntc(ohm, r25=10e3, beta=beta) - 273.15 == pytest.approx(celsius, abs=6e-4)


def test_steinhart_hart_against_a_component_table() -> None:
    got = sensors.steinhart_hart(list(TABLE_C1.values()), a=C1_A, b=C1_B, c=C1_C) - 273.15
    assert got == pytest.approx(list(TABLE_C1), abs=0.003)


@pytest.mark.parametrize(("celsius", "error"), [(0, 0.71), (-20, 1.60), (-40, 2.82)])
def test_rule_16_beta_against_the_true_table_errs_2_82_k_at_minus_40(celsius: Any, error: Any) -> None:
    got = float(sensors.ntc(TABLE_C1[celsius], r25=10e3, beta=3977)) - 273.15
    assert got - celsius == pytest.approx(error, abs=0.006)


def test_table_between_its_points_stays_near_the_curve() -> None:
    pairs = [value for celsius, ohm in TABLE_C1.items() for value in (ohm, celsius + 273.15)]
    between = np.arange(-39.0, 0.0)
    ohm = sensors.steinhart_hart_ohm(between + 273.15, a=C1_A, b=C1_B, c=C1_C)
    assert sensors.ntc_table(ohm, *pairs) - 273.15 == pytest.approx(between, abs=0.020)
    assert sensors.ntc_table(list(TABLE_C1.values()), *pairs) - 273.15 == pytest.approx(list(TABLE_C1), abs=1e-9)


def test_steinhart_hart_fit_of_a_widely_printed_example() -> None:
    # 25 kohm at 5, 10 kohm at 25, 4 kohm at 45 degC: a widely printed example, from memory, and recomputed
    fitted = sensors.fit_steinhart_hart((25e3, 10e3, 4e3), (278.15, 298.15, 318.15))
    assert fitted == pytest.approx((2.108508173e-3, 7.979204727e-5, 6.535076315e-7), rel=1e-9)


def test_four_term_against_a_component_guide() -> None:
    # component R/T reference guide, revision C, 2014, material type 1
    celsius = np.array([-40, -20, 0, 50, 100, 125])
    ratio = np.array([33.36, 9.681, 3.264, 0.3601, 0.06781, 0.03403])
    got = sensors.four_term(ratio * 10e3, r25=10e3, a=3.3539438e-3, b=2.5646095e-4, c=2.5158166e-6, d=1.0503069e-7)
    assert got - 273.15 == pytest.approx(celsius, abs=0.0115)


def test_platinum_iec_60751_both_ways() -> None:
    celsius = np.array(list(PLATINUM), float)
    assert sensors.platinum_ohm(celsius + 273.15) == pytest.approx(list(PLATINUM.values()), abs=5.1e-5)
    everywhere = np.concatenate([np.linspace(-200, 850, 2101), [-1e-9, 0.0, 1e-9]])
    back = sensors.platinum(sensors.platinum_ohm(everywhere + 273.15)) - 273.15
    assert np.abs(back - everywhere).max() < 1e-9
    assert sensors.platinum(sensors.platinum_ohm(300.0, r0=1000.0), r0=1000.0) == pytest.approx(300.0, abs=1e-9)


def test_platinum_end_values_that_tables_print() -> None:
    # IEC 60751:2022, table 1: 18.52 ohm at -200 degC, 149.83 ohm at 130 degC (seen in printed tables)
    assert sensors.platinum_ohm([73.15, 403.15]) == pytest.approx([18.52, 149.83], abs=0.0051)


@pytest.mark.parametrize(("celsius", "millikelvin"), [(25, 25.9), (100, 40.5), (-40, 15.8)])
def test_rule_16_uncertainty_of_temperature_from_resistance(celsius: Any, millikelvin: Any) -> None:
    # verdicts, rule 16: U(T) = T^2 / (B R) U(R), B 3435, U(R) 0.1 %
    ohm = sensors.ntc_ohm(celsius + 273.15, r25=10e3, beta=3435)
    expanded = (sensors.ntc(ohm * 0.999, r25=10e3, beta=3435) - sensors.ntc(ohm * 1.001, r25=10e3, beta=3435)) / 2
    assert float(expanded) == pytest.approx(millikelvin * 1e-3, abs=5.1e-5)


def test_rule_16_uncertainty_of_a_shunt_current() -> None:
    # verdicts, rule 16: 7.5 mV, 0.05 % + 2 uV on 5 mohm: U 1.15 mA
    assert float(sensors.shunt(7.5e-3 * 0.0005 + 2e-6, r=5e-3)) == pytest.approx(1.15e-3)
