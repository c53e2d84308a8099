"""What a map asks of how often messages come: periods, tolerances, the silence after which a message is late (verdicts, rule 22)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from regcheck.checks.decision import PASS, Acceptance, acceptance
from regcheck.checks.streams import is_from_device
from regcheck.checks.wording import slug
from regcheck.codec.formulas import Condition, Naming, condition
from regcheck.codec.states import absolute
from regcheck.device_map.limits import Cadence, Conditional
from regcheck.device_map.model import Layout, Message, RegisterMap

LATE_PERIODS = 3
"""A message is late after so many periods where the map does not say."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one case of `every` allows between two messages, ns: late after ``late_ns``, else ``low_ns`` to ``high_ns``; None: anything.

    ``u_ns`` is the standard uncertainty of a gap: two time stamps, each rectangular within +/- x (verdicts, rule 22).
    """

    cadence: Cadence | None
    late_ns: int | None
    low_ns: int | None
    high_ns: int | None
    u_ns: float

    @property
    def is_bound(self) -> bool:
        """Whether anything is asked at all."""
        return self.period_ns > 0 or not (self.late_ns is None and self.low_ns is None and self.high_ns is None)

    @property
    def period_ns(self) -> int:
        """The period that the map names, 0 where it names none."""
        return self.cadence.period_ns if self.cadence is not None and self.cadence.kind == "period" else 0

    def lateness(self, gap_ns: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return for each silence whether it was too long: codes PASS, FAIL, UNDECIDED."""
        return _within(gap_ns, None, self.late_ns, self.u_ns)

    def spacing(self, gap_ns: NDArray[np.int64]) -> NDArray[np.uint8]:
        """Return for each gap whether it keeps the tolerance: codes PASS, FAIL, UNDECIDED."""
        return _within(gap_ns, self.low_ns, self.high_ns, self.u_ns)


def _within(gap_ns: NDArray[np.int64], low: int | None, high: int | None, u_ns: float) -> NDArray[np.uint8]:
    if low is None and high is None:
        return np.full(len(gap_ns), PASS, np.uint8)
    return _acceptance(low, high, u_ns).decide(gap_ns)


@lru_cache(maxsize=256)
def _acceptance(low: int | None, high: int | None, u_ns: float) -> Acceptance:
    return acceptance(-np.inf if low is None else low, np.inf if high is None else high, u_ns)


def stamp_u(timestamps_ns: int) -> float:
    """Return the standard uncertainty of the time between two stamps of +/- x: sqrt(2) x / sqrt(3) (verdicts, rule 22)."""
    return float(np.sqrt(2 / 3) * timestamps_ns)


def _bounds(cadence: Cadence | None, late_ns: int | None, not_before_ns: int | None, u_ns: float) -> Bounds:
    low = high = None
    if cadence is not None and (cadence.kind == "between" or cadence.tolerance_ns is not None):
        low, high = cadence.low_ns, cadence.high_ns
    if late_ns is None and cadence is not None:
        late_ns = {"period": LATE_PERIODS * cadence.period_ns, "between": cadence.high_ns}.get(cadence.kind)
    return Bounds(cadence, late_ns, low if not_before_ns is None else not_before_ns, high, u_ns)


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One cadence of a map: a message's own, or that of the pages of one of its layouts.

    ``conditions`` and ``bounds`` go together, a case each; a bound of None is not judged. ``selectors`` name the fields that tell
    a layout's pages apart: where its elements are numbered by another field, each value of it is a page of its own.
    """

    message: Message
    layout: int | None
    conditions: tuple[Condition | None, ...]
    bounds: tuple[Bounds | None, ...]
    selectors: tuple[str, ...] = ()

    @property
    def field(self) -> str:
        """What stands in the id after the message: nothing, or the first field that no other layout with a cadence has."""
        if self.layout is None:
            return ""
        layouts = self.message.layouts
        others = {item.name for number, one in enumerate(layouts) if one.every and number != self.layout for item in one.fields}
        own = next((item.name for item in layouts[self.layout].fields if item.name not in others), None)
        return f"{slug(layouts[self.layout].when.text)}-{self.layout}" if own is None else own

    @property
    def longest_late_ns(self) -> int | None:
        """The longest silence that some case allows; None where one of them allows any."""
        limits = [None if one is None else one.late_ns for one in self.bounds]
        known = [one for one in limits if one is not None]
        return max(known) if known and len(known) == len(limits) else None


def series_of(register_map: RegisterMap, timestamps_ns: int = 0) -> list[Series]:
    """Return every cadence that a map asks of its device, in its order."""
    found = []
    axes = tuple(axis.name for axis in register_map.instances)
    for message in register_map.messages:
        if not is_from_device(message):
            continue
        naming = Naming(register_map, message, axes)
        if message.every or message.late_after_ns is not None or message.not_before_ns is not None:
            cases = message.every or (Conditional[Cadence](None, Cadence("change")),)
            found.append(_series(message, None, cases, naming, timestamps_ns))
        found += [
            _series(message, number, layout.every, naming, timestamps_ns) for number, layout in enumerate(message.layouts) if layout.every
        ]
    return found


def _series(message: Message, layout: int | None, cases: Sequence[Conditional[Cadence]], naming: Naming, timestamps_ns: int) -> Series:
    late, soon = (message.late_after_ns, message.not_before_ns) if layout is None else (None, None)
    return Series(
        message,
        layout,
        tuple(None if case.when is None else condition(case.when, naming, timed=True) for case in cases),
        tuple(None if case.item is None else _bounds(case.item, late, soon, stamp_u(timestamps_ns)) for case in cases),
        () if layout is None else _selectors(message, message.layouts[layout]),
    )


def _selectors(message: Message, layout: Layout) -> tuple[str, ...]:
    own = {item.name for item in message.all_fields()}
    named = [name.parts[-1] for item in layout.fields if item.each and item.each.number for name in item.each.number.names()]
    return tuple(sorted({name for name in named if name in own}))


def cadence_paths(register_map: RegisterMap) -> frozenset[str]:
    """Return the states that conditions of `every` hang on: variables of other messages, and every one inside a `for`."""
    paths: set[str] = set()
    for series in series_of(register_map):
        for one in series.conditions:
            if one is not None:
                lasting = {name for name, _, _ in one.lasting}
                paths |= {name for name in one.variables if not name.startswith(".") and name not in lasting}
                paths |= {absolute(name, series.message) for _, inner, _ in one.lasting for name in inner.variables}
    return frozenset(paths - {axis.name for axis in register_map.instances})
