"""Sensor models: what a thermistor, a platinum element, a shunt or a divider makes of the quantity that the bench plays.

Every model takes and gives base SI values (ohm, volt, ampere, kelvin) as float64 arrays or scalars. Where a model has no
number (an open or shorted element, a value outside its table or range) it gives NaN and warns of nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from regcheck.errors import UsageError

Array = NDArray[np.float64]

ZERO_CELSIUS = 273.15
"""0 degC in kelvin, exact (ITS-90)."""

T25 = 298.15
OPEN_OHM = 1e9
"""At and above this a resistance is an open circuit, not a sensor (ours: insulation, not a part, is measured there)."""

THERMISTOR_RANGE = (193.15, 623.15)
"""-80 .. 350 degC: outside it no thermistor is used, so a formula's answer there is no temperature (common practice)."""

PLATINUM_RANGE = (-200.0, 850.0)  # degC, IEC 60751:2022, 4.2 (from memory)
PLATINUM_A, PLATINUM_B, PLATINUM_C = 3.9083e-3, -5.775e-7, -4.183e-12  # IEC 60751:2022, 4.2 (from memory)


def _resistance(ohm: ArrayLike) -> Array:
    """Return resistances as float64, NaN where they are none: not above 0, or open."""
    values = np.asarray(ohm, np.float64)
    return np.where((values > 0) & (values < OPEN_OHM), values, np.nan)


def _inside(values: Array, low: float, high: float) -> Array:
    return np.where((values >= low) & (values <= high), values, np.nan)


def _thermistor(per_kelvin: Array) -> Array:
    """Return temperatures in kelvin from 1/T, NaN where no thermistor works."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return _inside(1.0 / per_kelvin, *THERMISTOR_RANGE)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (np.isfinite(value) and value > 0):
            raise UsageError(f"{name} is {value:g}, expected a number above 0")


def ntc(ohm: ArrayLike, *, r25: float, beta: float, t25: float = T25) -> Array:
    """Return kelvin of a thermistor by its beta equation, R = R25 exp(B (1/T - 1/T25)) (IEC 60539-1).

    ``ohm`` any shape; ``r25`` ohm at ``t25`` kelvin; ``beta`` kelvin. Raises UsageError where a parameter is not above 0.
    """
    _positive(r25=r25, beta=beta, t25=t25)
    return _thermistor(1.0 / t25 + (np.log(_resistance(ohm)) - np.log(r25)) / beta)


def ntc_ohm(kelvin: ArrayLike, *, r25: float, beta: float, t25: float = T25) -> Array:
    """Return ohm of a thermistor by its beta equation; the inverse of ``ntc``."""
    _positive(r25=r25, beta=beta, t25=t25)
    return np.asarray(r25 * np.exp(beta * (1.0 / _inside(np.asarray(kelvin, np.float64), *THERMISTOR_RANGE) - 1.0 / t25)))


def steinhart_hart(ohm: ArrayLike, *, a: float, b: float, c: float) -> Array:
    """Return kelvin by 1/T = a + b L + c L^3, L = ln(R / 1 ohm); a, b, c in 1/kelvin."""
    log = np.log(_resistance(ohm))
    return _thermistor(np.asarray(a + b * log + c * log**3))


def steinhart_hart_ohm(kelvin: ArrayLike, *, a: float, b: float, c: float) -> Array:
    """Return ohm by the Steinhart-Hart equation, solved as the cubic in L that it is; needs b and c above 0."""
    _positive(b=b, c=c)
    temperature = _inside(np.asarray(kelvin, np.float64), *THERMISTOR_RANGE)
    p, q = b / c, (a - 1.0 / temperature) / c
    half = np.sqrt(3.0 / p) * 1.5 * q / p  # depressed cubic with one real root, p > 0
    return np.asarray(np.exp(-2.0 * np.sqrt(p / 3.0) * np.sinh(np.arcsinh(half) / 3.0)))


def four_term(ohm: ArrayLike, *, r25: float, a: float, b: float, c: float, d: float) -> Array:
    """Return kelvin by 1/T = a + b L + c L^2 + d L^3, L = ln(R / R25); a .. d in 1/kelvin, ``r25`` in ohm."""
    _positive(r25=r25)
    log = np.log(_resistance(ohm)) - np.log(r25)
    return _thermistor(np.asarray(a + log * (b + log * (c + log * d))))


def _table(pairs: tuple[float, ...], first: str, second: str, *, positive: bool) -> tuple[Array, Array]:
    """Return two columns from alternating values, ordered by the first; raises UsageError where they are no table."""
    if len(pairs) < 4 or len(pairs) % 2:
        raise UsageError(f"a table needs at least two pairs of {first} and {second}, found {len(pairs)} values")
    x, y = np.array(pairs[::2], np.float64), np.array(pairs[1::2], np.float64)
    if not (np.isfinite(x).all() and np.isfinite(y).all()) or (positive and ((x <= 0).any() or (y <= 0).any())):
        raise UsageError(f"a table of {first} and {second} holds a value that is no {'positive ' if positive else ''}number")
    if x[0] > x[-1]:
        x, y = x[::-1], y[::-1]
    if (np.diff(x) <= 0).any():
        at = int(np.argmax(np.diff(x) <= 0)) + 1
        raise UsageError(f"the {first} column of a table must only rise or only fall; it turns at {x[at]:g}")
    return x, y


def _ntc_table(pairs: tuple[float, ...]) -> tuple[Array, Array]:
    resistance, kelvin = _table(pairs, "resistance", "temperature", positive=True)
    if (np.diff(kelvin) >= 0).any():
        raise UsageError("the temperatures of a thermistor's table must fall as the resistance rises")
    return np.log(resistance), 1.0 / kelvin


def ntc_table(ohm: ArrayLike, *pairs: float) -> Array:
    """Return kelvin by a table given as ohm, kelvin, ohm, kelvin ...; NaN outside it.

    Between two points 1/T is linear over ln R, which is the beta equation through both: over 10 K steps it stays within
    20 mK of a real curve, where T linear over ln R errs by 90 mK. Raises UsageError where the table is not monotone.
    """
    log, per_kelvin = _ntc_table(pairs)
    at = np.log(_resistance(ohm))
    with np.errstate(invalid="ignore"):
        return np.asarray(1.0 / np.interp(at, log, per_kelvin, left=np.nan, right=np.nan))


def platinum_ohm(kelvin: ArrayLike, *, r0: float = 100.0) -> Array:
    """Return ohm of a platinum element (IEC 60751:2022, 4.2); NaN outside -200 .. 850 degC. ``r0`` ohm at 0 degC."""
    _positive(r0=r0)
    celsius = _platinum_celsius(np.asarray(kelvin, np.float64) - ZERO_CELSIUS)
    return np.asarray(r0 * _platinum_ratio(celsius))


def _platinum_celsius(celsius: Array) -> Array:
    """Return temperatures within the standard's range, NaN outside; 1e-9 K beyond an end is rounding, not outside."""
    low, high = PLATINUM_RANGE
    return np.clip(_inside(celsius, low - 1e-9, high + 1e-9), low, high)


def _platinum_ratio(celsius: Array) -> Array:
    cold = np.where(celsius < 0, PLATINUM_C * (celsius - 100.0) * celsius**3, 0.0)
    return np.asarray(1.0 + celsius * (PLATINUM_A + celsius * PLATINUM_B) + cold)


def _platinum_rate(celsius: Array) -> Array:
    cold = np.where(celsius < 0, PLATINUM_C * (4.0 * celsius - 300.0) * celsius**2, 0.0)
    return np.asarray(PLATINUM_A + 2.0 * PLATINUM_B * celsius + cold)


def platinum(ohm: ArrayLike, *, r0: float = 100.0) -> Array:
    """Return kelvin of a platinum element (IEC 60751:2022, 4.2); NaN outside -200 .. 850 degC. ``r0`` ohm at 0 degC.

    Above 0 degC in closed form; below by Newton's steps from it, four of which leave under 1e-9 K.
    """
    _positive(r0=r0)
    ratio = _resistance(ohm) / r0
    with np.errstate(invalid="ignore"):
        celsius = 2.0 * (ratio - 1.0) / (PLATINUM_A + np.sqrt(PLATINUM_A**2 + 4.0 * PLATINUM_B * (ratio - 1.0)))
        for _ in range(4):
            celsius = np.where(celsius < 0, celsius - (_platinum_ratio(celsius) - ratio) / _platinum_rate(celsius), celsius)
    return _platinum_celsius(celsius) + ZERO_CELSIUS


def shunt(volt: ArrayLike, *, r: float) -> Array:
    """Return ampere through a shunt of ``r`` ohm; the sign is the voltage's."""
    _positive(r=r)
    return _times(volt, 1.0 / r)


def divider(volt: ArrayLike, *, upper: float, lower: float) -> Array:
    """Return volt at the top of a divider from volt at its tap; ``upper`` and ``lower`` in ohm."""
    _positive(upper=upper, lower=lower)
    return _times(volt, (upper + lower) / lower)


def _finite(values: ArrayLike) -> Array:
    array = np.asarray(values, np.float64)
    return np.where(np.isfinite(array), array, np.nan)


def _times(values: ArrayLike, factor: float) -> Array:
    with np.errstate(over="ignore"):
        return _finite(_finite(values) * factor)


def polynomial(x: ArrayLike, *coefficients: float) -> Array:
    """Return c0 + c1 x + c2 x^2 ... of plain numbers; divide by a unit before and multiply after."""
    if not coefficients:
        raise UsageError("a polynomial needs at least one coefficient, the constant first")
    at = _finite(x)
    with np.errstate(over="ignore", invalid="ignore"):
        return _finite(np.polynomial.polynomial.polyval(at, np.array(coefficients, np.float64)) + 0.0 * at)


def points(x: ArrayLike, *pairs: float) -> Array:
    """Return y on straight lines between points given as x, y, x, y ...; NaN outside them."""
    at, value = _table(pairs, "x", "y", positive=False)
    return np.asarray(np.interp(_finite(x), at, value, left=np.nan, right=np.nan))


SENSORS: Mapping[str, Callable[..., Array]] = {
    "ntc": ntc,
    "steinhart": steinhart_hart,
    "four_term": four_term,
    "table": ntc_table,
    "platinum": platinum,
    "shunt": shunt,
    "divider": divider,
    "polynomial": polynomial,
    "points": points,
}
"""Every model by the name that formulas use; sensor_signatures has the units that each takes and gives."""


def fit_steinhart_hart(ohm: tuple[float, float, float], kelvin: tuple[float, float, float]) -> tuple[float, float, float]:
    """Return a, b, c in 1/kelvin through three points of a thermistor.

    Raises UsageError where the points do not fix the curve: equal, not falling, or so close together that an error of
    one of them is amplified more than a hundredfold somewhere in -40 .. 100 degC, or where the curve through them rises.
    """
    order = np.argsort(np.array(kelvin, np.float64))
    resistance, temperature = np.array(ohm, np.float64)[order], np.array(kelvin, np.float64)[order]
    if not (np.isfinite(resistance).all() and (resistance > 0).all() and np.isfinite(temperature).all() and (temperature > 0).all()):
        raise UsageError(f"three points of a thermistor must be above 0 ohm and 0 K, found {ohm} ohm at {kelvin} K")
    if (np.diff(temperature) <= 0).any() or (np.diff(resistance) >= 0).any():
        raise UsageError(f"a thermistor's resistance must fall with temperature, found {ohm} ohm at {kelvin} K")
    log = np.log(resistance)
    cubes = log**3 - log[1] ** 3  # centred, so that the three columns do not look alike
    system = np.stack([np.ones(3), log - log[1], cubes], axis=1)
    beta = (log[0] - log[2]) / (1.0 / temperature[0] - 1.0 / temperature[2])
    ends = log[1] + beta * (1.0 / np.array([233.15, 373.15]) - 1.0 / temperature[1])
    span = np.linspace(min(ends[1], log[2]), max(ends[0], log[0]), 201)
    basis = np.stack([np.ones(201), span - log[1], span**3 - log[1] ** 3], axis=1)
    refusal = "the three points lie too close together to fix a Steinhart-Hart curve; take them about 20 K apart or more"
    if abs(np.linalg.det(system / np.abs(system).max(axis=0))) < 1e-9:
        raise UsageError(refusal)
    if np.abs(basis @ np.linalg.inv(system)).sum(axis=1).max() > 100.0:
        raise UsageError(refusal)
    centre, b, c = (float(value) for value in np.linalg.solve(system, 1.0 / temperature))
    if (b + 3.0 * c * log**2 <= 0).any():
        raise UsageError(f"the Steinhart-Hart curve through {ohm} ohm at {kelvin} K rises with temperature; check the points")
    return float(centre - b * log[1] - c * log[1] ** 3), b, c
