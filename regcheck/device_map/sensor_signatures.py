"""What a formula may give a sensor function: units of its argument, keywords and result, all base SI units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from regcheck.device_map.units import DIMENSIONLESS, TABLE, Unit, parse_unit

Rest: TypeAlias = Unit | Literal["argument", "result"]

_OHM, _KELVIN, _VOLT, _AMPERE, _PER_KELVIN = TABLE["ohm"], TABLE["K"], TABLE["V"], TABLE["A"], parse_unit("1/K")


@dataclass(frozen=True, slots=True)
class Signature:
    """A sensor function's units. ``argument`` and ``result`` None stand for any unit: the argument's own, that of the values after it.

    ``rest`` are the units that the values after the argument take in turn (empty: none are allowed).
    """

    argument: Unit | None
    result: Unit | None
    keywords: Mapping[str, Unit] = field(default_factory=dict)
    optional: frozenset[str] = frozenset()
    rest: tuple[Rest, ...] = ()


_COEFFICIENTS = {"a": _PER_KELVIN, "b": _PER_KELVIN, "c": _PER_KELVIN}

SIGNATURES: Mapping[str, Signature] = {
    "ntc": Signature(_OHM, _KELVIN, {"r25": _OHM, "beta": _KELVIN, "t25": _KELVIN}, frozenset({"t25"})),
    "steinhart": Signature(_OHM, _KELVIN, _COEFFICIENTS),
    "four_term": Signature(_OHM, _KELVIN, {"r25": _OHM, **_COEFFICIENTS, "d": _PER_KELVIN}),
    "table": Signature(_OHM, _KELVIN, rest=(_OHM, _KELVIN)),
    "platinum": Signature(_OHM, _KELVIN, {"r0": _OHM}, frozenset({"r0"})),
    "shunt": Signature(_VOLT, _AMPERE, {"r": _OHM}),
    "divider": Signature(_VOLT, _VOLT, {"upper": _OHM, "lower": _OHM}),
    "polynomial": Signature(DIMENSIONLESS, DIMENSIONLESS, rest=(DIMENSIONLESS,)),
    "points": Signature(None, None, rest=("argument", "result")),
}
"""Every sensor function of the language; the models themselves stand in sensors.py, which needs numpy."""
