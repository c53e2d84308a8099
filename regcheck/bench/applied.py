"""What each field should have reported: the bench file's formulas over the stimulus log, with uncertainty by cause."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import count
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from regcheck.bench.bench_file import Applied, Bench, BenchScope, Channel
from regcheck.bench.curves import FIRST_WORD, KNOWN, OPEN, SHORT, UNKNOWN, AppliedCurve, curve_from_rows, merge_breakpoints, resample
from regcheck.bench.filters import first_order, moving_mean
from regcheck.bench.stimulus import OPEN as OPEN_WORD
from regcheck.bench.stimulus import SHORT as SHORT_WORD
from regcheck.bench.stimulus import LogColumn, StimulusLog
from regcheck.device_map.binding import Bound, bind
from regcheck.device_map.expression_tree import Expression, Name, Number
from regcheck.device_map.expression_tree import Node as Tree
from regcheck.device_map.limits import Term
from regcheck.device_map.model import Field
from regcheck.device_map.sensors import SENSORS
from regcheck.device_map.units import Unit, convert

Array = NDArray[np.float64]

PIECES = 16
"""A straight run of a channel is cut into so many before a formula that is not linear sees it."""


@dataclass(frozen=True, slots=True, eq=False)
class AppliedField:
    """One field (or element) that the bench drives: its applied curve in the field's unit, and how it is known.

    ``channels`` are the log's columns that it rests on; ``correlation_stated`` is False where several channels' uncertainties
    were added at their worst for want of a named cause; ``turned`` is True where channel and field count the other way positive.
    """

    field: Field
    element: int | None
    curve: AppliedCurve
    channels: tuple[str, ...]
    correlation_stated: bool
    turned: bool
    instance: str = ""


def channel_curve(channel: Channel, log: StimulusLog, column: str = "") -> AppliedCurve:
    """Return a channel's log column as a curve in the channel's own unit, without uncertainty."""
    rows = log.columns[column or channel.counts]
    between = channel.between if not column else "hold"
    # an empty cell is unchanged: what was set holds as long as the log has rows
    end_ns = log.last_ns if log.end_ns is None and between == "hold" else log.end_ns
    curve = curve_from_rows(rows.time, rows.value, _states(rows, channel), between=between, end_ns=end_ns, max_gap_ns=channel.max_gap_ns)
    # lines between set values are ramps that the bench drove; only a measured value can have leapt between its rows
    return curve if channel.measured else replace(curve, edge=np.zeros(len(curve), np.bool_))


def _states(rows: LogColumn, channel: Channel) -> NDArray[np.int64]:
    states = np.zeros(len(rows.time), np.int64)
    for index, word in rows.words.items():
        states[index] = {OPEN_WORD: OPEN, SHORT_WORD: SHORT}.get(
            word, FIRST_WORD + channel.states.index(word) if word in channel.states else UNKNOWN
        )
    return states


def term_size(term: Term, unit: Unit | None, value: Array) -> Array:
    """Return the size of one uncertainty term in the channel's unit, at ``value``; a share is of the magnitude applied."""
    if term.kind == "reading":
        return np.abs(value) * float(term.amount)
    amount = (
        term.amount if term.unit is None or unit is None or term.unit == unit else convert(term.amount, term.unit, unit, difference=True)
    )
    return np.full(value.shape, float(amount))


class Formulas:
    """The bench file's formulas, bound once, evaluated on any channel values."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        fields = {name: one.field for one in bench.applied for name in (one.field.path, one.field.name)}
        self.by_name: dict[str, list[Applied]] = {}
        self.bound: dict[int, Bound] = {}
        for index, one in enumerate(bench.applied):
            scope = BenchScope(bench.channels, fields, (one.variable,) if one.variable else ())
            self.bound[index] = bind(one.formula, scope, one.field.unit if one.field.unit is not None else "any", sensors=SENSORS)
            for name in {one.field.path, one.field.name}:
                self.by_name.setdefault(name, []).append(one)

    def channel_name(self, name: Name, variables: Mapping[str, int]) -> str | None:
        """Return the channel that a name in a formula means, None where it is an applied field."""
        bare = ".".join(name.parts)
        if name.index is None:
            return bare if bare in self.bench.channels else None
        found = f"{bare}[{_whole(name.index, variables)}]"
        return found if found in self.bench.channels else None

    def _inner(self, name: Name, variables: Mapping[str, int]) -> tuple[Applied, dict[str, int]] | None:
        element = None if name.index is None else _whole(name.index, variables)
        for one in self.by_name.get(".".join(name.parts), ()):
            if one.element == element or one.variable:
                return one, ({one.variable: element} if one.variable and element is not None else {})
        return None

    def channels_of(self, one: Applied, variables: Mapping[str, int], depth: int = 0) -> list[str] | None:
        """Return the channels that a target rests on, None where one of them does not exist (an element beyond the bench's wires)."""
        found: list[str] = []
        for name in self.bound[self.bench.applied.index(one)].names:
            if len(name.parts) == 1 and name.parts[0] in variables:
                continue
            channel = self.channel_name(name, variables)
            if channel is not None:
                found.append(channel)
                continue
            inner = self._inner(name, variables)
            if inner is None or depth > len(self.bench.applied):
                return None
            below = self.channels_of(inner[0], inner[1], depth + 1)
            if below is None:
                return None
            found += below
        return list(dict.fromkeys(found))

    def value(self, one: Applied, variables: Mapping[str, int], channels: Mapping[str, Array]) -> Array:
        """Return a target's values from its channels' values (each in its channel's unit)."""

        def look_up(name: Name) -> Any:
            if len(name.parts) == 1 and name.parts[0] in variables:
                return variables[name.parts[0]]
            channel = self.channel_name(name, variables)
            if channel is not None:
                return channels[channel]
            inner = self._inner(name, variables)
            assert inner is not None  # noqa: S101 - channels_of has found it
            return self.value(inner[0], inner[1], channels)

        with np.errstate(all="ignore"):  # an open or shorted sensor has no value, and says so by NaN
            return np.asarray(self.bound[self.bench.applied.index(one)].evaluate(look_up), np.float64)


def _whole(node: Tree, variables: Mapping[str, int]) -> int:
    from regcheck.errors import Place

    if isinstance(node, Number):
        return int(node.value)
    plain = Expression("", node, Place(""))
    return int(bind(plain, _Variables(variables), "any").evaluate(lambda name: Fraction(variables[name.parts[0]])))


class _Variables:
    """A scope of loop variables alone."""

    def __init__(self, variables: Mapping[str, int]) -> None:
        self.variables = variables

    def unit_of(self, name: Name) -> Unit | None:
        if name.parts[0] not in self.variables:
            raise LookupError(f"'{name.parts[0]}' is not known here")
        return None

    def labels_of(self, name: Name) -> Mapping[str, int]:  # noqa: ARG002 - a scope's own form
        return {}

    def kind_of(self, name: Name) -> Any:  # noqa: ARG002
        return "number"


def _is_linear(function: Callable[[dict[str, Array]], Array], channels: Mapping[str, Array]) -> bool:
    """Return whether the formula is a straight line between two ends of its channels, judged on the log's own values.

    All channels are moved together, then each alone: what bends two channels alike may bend the one and not their difference.
    """
    ends = {
        name: (float(np.nanmin(values)), float(np.nanmax(values))) if np.isfinite(values).any() else (0.0, 0.0)
        for name, values in channels.items()
    }
    for moved in (None, *ends):
        places = {
            name: np.array([low, (low + high) / 2, high]) if moved in (None, name) else np.full(3, low)
            for name, (low, high) in ends.items()
        }
        low, middle, high = function(places)
        if not abs(middle - (low + high) / 2) <= 1e-9 * max(abs(low), abs(high), abs(high - low), 1e-300):
            return False
    return True


def _uncertainty(
    function: Callable[[dict[str, Array]], Array], values: dict[str, Array], channels: Mapping[str, Channel], log: StimulusLog
) -> tuple[Array, Array, bool]:
    """Return u_s, u_r at each breakpoint, and whether every correlation was stated (JCGM 100:2008, 5.1.3 note 2 and 5.2.2)."""
    shape = next(iter(values.values())).shape
    causes: dict[str, Array] = {}
    unnamed, fresh = np.zeros(shape), np.zeros(shape)
    without_cause = 0

    def moved(name: str, size: Array) -> Array:
        up, down = function({**values, name: values[name] + size}), function({**values, name: values[name] - size})
        return (up - down) / 2

    for name, channel in channels.items():
        plain = np.zeros(shape)
        for term in channel.uncertainty.high if channel.uncertainty is not None else ():
            size = term_size(term, channel.unit, values[name]) / (sqrt(3) if term.rectangular else float(channel.k))
            if term.cause is None:
                plain = plain + size
            else:
                cause = f"{term.cause}/{name}" if term.cause == "each" else term.cause
                causes[cause] = causes.get(cause, np.zeros(shape)) + moved(name, size)
        if plain.any():
            without_cause += 1
            unnamed = unnamed + np.abs(moved(name, plain))
        column = log.columns[channel.counts]
        if not channel.resolution_included and column.decimals > -99:
            size = np.full(shape, 10.0**-column.decimals / sqrt(12))
            if channel.between == "line":
                fresh = np.hypot(fresh, moved(name, size))
            else:
                causes[f"resolution/{name}"] = moved(name, size)
    total = unnamed**2
    for part in causes.values():
        total = total + part**2
    return np.nan_to_num(np.sqrt(total)), np.nan_to_num(fresh), without_cause < 2


def driven_elements(one: Applied, formulas: Formulas) -> Iterator[tuple[int | None, dict[str, int]]]:
    """Give the elements whose channels there are: as the map counts them or, where a formula numbers them, as the channels do."""
    each = one.field.each
    if each is None or not one.variable:
        yield one.element, {}
        return
    last = each.last.constant() if each.last is not None else None
    numbers: Iterable[int]
    if each.number is not None or not each.step:
        most = max((int(match[1]) for name in formulas.bench.channels if (match := re.search(r"\[(\d+)\]$", name))), default=0)
        numbers = range(most + 2)
    else:
        numbers = count(each.first) if last is None else range(each.first, int(last) + 1)
    for element in numbers:
        if formulas.channels_of(one, {one.variable: element}) is not None:
            yield element, {one.variable: element}
        elif each.number is None and each.step:
            return


def applied_fields(bench: Bench, log: StimulusLog) -> list[AppliedField]:
    """Return every field that the bench drives, with its applied curve.

    Raises LookupError never: a target whose channels are missing is left out, as it is untested then.
    """
    formulas = Formulas(bench)
    curves: dict[str, AppliedCurve] = {}
    results = []
    for one in bench.applied:
        for element, variables in driven_elements(one, formulas):
            names = formulas.channels_of(one, variables)
            if not names:
                continue
            for name in names:
                if name not in curves:
                    curves[name] = channel_curve(bench.channels[name], log)
            results.append(applied_field(one, element, variables, formulas, {name: curves[name] for name in names}, log))
    return results


def applied_field(
    one: Applied,
    element: int | None,
    variables: dict[str, int],
    formulas: Formulas,
    curves: dict[str, AppliedCurve],
    log: StimulusLog,
    *,
    steady: bool = False,
) -> AppliedField:
    """Return what one target (or one element of it) should have reported, given the curves of its channels.

    ``steady``: each value taken as if it had stood for long, so without the field's filter and mean.
    """

    def function(values: Mapping[str, Array]) -> Array:
        return formulas.value(one, variables, values)

    channels = {name: formulas.bench.channels[name] for name in curves}
    linear = _is_linear(function, {name: curve.after for name, curve in curves.items()})
    times = merge_breakpoints(tuple(curves.values()), 1 if linear else PIECES)
    parts = {name: resample(curve, times) for name, curve in curves.items()}
    state = np.zeros(len(times), np.int64)
    edge = np.zeros(len(times), np.bool_)
    for part in parts.values():
        state = np.where(state == UNKNOWN, state, np.where(part.state != KNOWN, part.state, state))
        edge |= part.edge
    after_values = {name: part.after for name, part in parts.items()}
    before_values = {name: part.before for name, part in parts.items()}
    after, before = function(after_values), function(before_values)
    turned = is_turned(one.field, channels)
    if turned:
        after, before = -after, -before
    state = np.where((state == KNOWN) & ~np.isfinite(after), UNKNOWN, state)
    after = np.where(state == KNOWN, after, np.nan)
    s_after, r_after, stated = _uncertainty(function, after_values, channels, log)
    s_before, r_before, _ = _uncertainty(function, before_values, channels, log)
    u_s, u_r = np.maximum(s_after, np.append(s_before[1:], 0.0)), np.maximum(r_after, np.append(r_before[1:], 0.0))
    curve = AppliedCurve(times, before, after, state, u_s, u_r, edge)
    if one.field.filter_ns and not steady:
        curve = first_order(curve, one.field.filter_ns)
    if one.field.averages_ns and not steady:
        curve = moving_mean(curve, one.field.averages_ns)
    columns = tuple(dict.fromkeys(channel.counts for channel in channels.values()))
    return AppliedField(one.field, element, curve, columns, stated, turned, one.instance)


def is_turned(field: Field, channels: Mapping[str, Channel]) -> bool:
    """Return whether the bench counts positive the other way round than the field."""
    ways = {channel.positive for channel in channels.values() if channel.positive}
    return bool(field.positive and ways and field.positive not in ways)


def shifted(curve: AppliedCurve, offset_ns: int) -> AppliedCurve:
    """Return a curve on the capture's clock: every time later by ``offset_ns``."""
    return replace(curve, time=curve.time + offset_ns)
