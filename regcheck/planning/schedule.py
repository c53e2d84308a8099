"""A whole plan: from a map and a bench file to the rows of a stimulus log, and what is to be said of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, log10

import numpy as np

from regcheck.bench.applied import term_size
from regcheck.bench.bench_file import Bench, Channel
from regcheck.checks.decision import Z
from regcheck.device_map.frames import Fitted
from regcheck.device_map.limits import Term
from regcheck.device_map.model import RegisterMap
from regcheck.errors import Place, Problem, SourceError
from regcheck.planning.bench_model import BenchModel, Target, field_span
from regcheck.planning.foresight import Foreseen, foresee
from regcheck.planning.goals import Pace, levels_of
from regcheck.planning.inversion import Array
from regcheck.planning.lanes import MARGIN, lanes_of, members_of
from regcheck.planning.log_rows import Cell, as_log
from regcheck.planning.order import Order, Step, nominal_values
from regcheck.planning.summary import bench_notes, polling_notes
from regcheck.planning.thresholds import Excursion, Unreached, alarms_of, excursion, find_quiet

MOST_DECIMALS = 9
FINEST = 1e-5
"""How finely a channel without uncertainty is set, as a share of the largest value (ours)."""

DRAWN_IN = 32
"""Shares of the way to nominal that a step is drawn in by, where a field that it moves along would leave its range."""


@dataclass(frozen=True, slots=True, eq=False)
class StimulusPlan:
    """What the bench is to apply: rows of cells by channel (as typed), when each begins and the end, and what it is for.

    ``steps`` go with the rows; ``foreseen`` is what a check of a faultless device would leave untested or undecided, and notes.
    """

    register_map: RegisterMap
    bench: Bench
    steps: tuple[Step, ...]
    begins_ns: tuple[int, ...]
    end_ns: int
    rows: tuple[Mapping[str, str], ...]
    foreseen: Foreseen
    polling: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def csv(self) -> str:
        """Return the stimulus log: a head, a row a step, empty cells for what is unchanged, and the `end` row."""
        names = [name for channel in self.bench.channels.values() for name in (channel.counts, channel.set_column) if name]
        columns = {name: channel.name for channel in self.bench.channels.values() for name in (channel.counts, channel.set_column) if name}
        lines = [",".join(["time_s", *names])]
        shown: dict[str, str] = {}
        for time_ns, row in zip(self.begins_ns, self.rows, strict=True):
            cells = [row[columns[name]] if shown.get(columns[name]) != row[columns[name]] else "" for name in names]
            lines.append(",".join([_seconds(time_ns), *cells]))
            shown |= row
        lines.append(",".join([_seconds(self.end_ns), "end", *("" for _ in names[1:])]))
        return "\n".join(lines) + "\n"


def _seconds(time_ns: int) -> str:
    return f"{time_ns // 10**9}.{time_ns // 10**6 % 1000:03d}"


def make_plan(register_map: RegisterMap, bench: Bench, fitted: Fitted | None, poll_ns: int) -> StimulusPlan:
    """Return the plan for a map and a bench; ``poll_ns`` is how often a message is read of which the map does not say it.

    Raises SourceError where the bench file applies nothing, or nothing that a plan can lead anywhere.
    """
    if not bench.applied:
        raise SourceError(
            [
                Problem(
                    Place(bench.file),
                    "the bench file applies nothing, so there is nothing to plan",
                    "say under `applied` what each field should report",
                )
            ]
        )
    model, pace = BenchModel(bench, register_map), Pace(bench, register_map, poll_ns)
    members, refused = members_of(model, float(bench.coverage.ends))
    if not members:
        raise SourceError(
            [Problem(one.target.applied.place, one.says, one.remedy) for one in refused]
            or [Problem(Place(bench.file), "no channel of the bench file moves a field", "see `channels` and `applied`")]
        )
    lanes = lanes_of(members)
    alarms = alarms_of(register_map, model)
    for lane in lanes:
        find_quiet(lane, model, alarms.watched, nominal_values(lanes))
    order = Order(model, pace, lanes, alarms.watched)
    for lane in lanes:
        lane.levels = levels_of(lane, model, order.affected(lane))
    nominal = nominal_values(lanes)
    excursions: list[Excursion] = []
    unreached = list(alarms.unreached)
    for number, watched in enumerate(alarms.watched):
        found = excursion(watched, model, lanes, nominal, number)
        if isinstance(found, Excursion):
            excursions.append(found)
        else:
            unreached.append(found)
    steps = order.make(excursions)
    state, notes = _inside(model, steps)
    rows = _cells(model, steps, state)
    begins = np.cumsum([0, *(step.hold_ns for step in steps)]).tolist()
    log = as_log(bench, rows, begins[:-1], begins[-1])
    unreached += [Unreached(f"accuracy/{one.target.field.path}", one.says, one.remedy, str(one.target.applied.place)) for one in refused]
    foreseen = foresee(register_map, bench, fitted, log, pace, alarms.watched, order.alarm_period_ns, unreached)
    notes += [*foreseen.notes, *bench_notes(register_map, bench, model, lanes, alarms.watched)]
    polling = polling_notes(pace, alarms.watched)
    return StimulusPlan(
        register_map, bench, tuple(steps), tuple(begins[:-1]), begins[-1], tuple(rows), foreseen, tuple(polling), tuple(notes)
    )


def _wanted(steps: Sequence[Step]) -> dict[str, Array]:
    return {channel: np.array([step.values[channel] for step in steps]) for channel in steps[0].values}


def _inside(model: BenchModel, steps: list[Step]) -> tuple[dict[str, Array], list[str]]:
    """Return all channels' values of every step; where a field that no channel drives by itself would leave its range, draw the step in."""
    state = model.solve(_wanted(steps), len(steps))
    derived = [target for target in model.derived if len(target.channels) > 1 and field_span(target.field) is not None]
    beyond = _beyond(model, state, derived, len(steps))
    notes = []
    for number in np.flatnonzero(beyond).tolist():
        step, nominal = steps[number], steps[0].values
        shares = np.linspace(1.0, 0.0, DRAWN_IN + 1)
        tried = {name: nominal[name] + shares * (value - nominal[name]) for name, value in step.values.items()}
        out = _beyond(model, model.solve(tried, len(shares)), derived, len(shares))
        first = int(np.flatnonzero(~out)[0]) if not out.all() else DRAWN_IN
        step.values = {name: float(values[first]) for name, values in tried.items()}
        notes.append(
            f"step {number + 1} is drawn in by {1 - shares[first]:.0%}: else {', '.join(one.name for one in derived)} would leave its range"
        )
    return (model.solve(_wanted(steps), len(steps)) if notes else state), notes


def _beyond(model: BenchModel, state: Mapping[str, Array], derived: Sequence[Target], count: int) -> np.ndarray:
    found = np.zeros(count, np.bool_)
    values = model.evaluate(state, derived)
    for target in derived:
        seen, span = values[target.key], field_span(target.field)
        assert span is not None  # noqa: S101 - chosen so
        side = MARGIN * (np.maximum(seen.high, -seen.low) + Z * seen.u)
        found |= (seen.value - side < span[0]) | (seen.value + side > span[1])
    return found


def _cells(model: BenchModel, steps: Sequence[Step], state: Mapping[str, Array]) -> list[dict[str, Cell]]:
    """Return every step's cells by channel, with as many decimals as the bench can tell apart."""
    decimals = {name: _decimals(model, name, values) for name, values in state.items()}
    rows = []
    for number, step in enumerate(steps):
        row: dict[str, Cell] = {}
        for name in model.bench.channels:
            home = model.home(name)
            if name in step.words:
                row[name] = step.words[name]
            elif name in state:
                text = f"{float(state[name][number]):.{decimals[name]}f}"
                row[name] = text.removeprefix("-") if float(text) == 0 else text
            else:
                row[name] = home if isinstance(home, str) else f"{home:g}"
        rows.append(row)
    return rows


def _decimals(model: BenchModel, name: str, values: Array) -> int:
    """Return how many decimals a channel's cells have: as fine as the smallest term of its uncertainty, for a common one may cancel."""
    channel = model.bench.channels[name]
    sizes = [size for term in _terms(channel) for size in (term_size(term, channel.unit, values) / float(channel.k)).tolist() if size > 0]
    smallest = min(sizes, default=float(np.max(np.abs(values), initial=0.0) or 1.0) * FINEST)
    return min(max(ceil(-log10(smallest)), 0), MOST_DECIMALS)


def _terms(channel: Channel) -> tuple[Term, ...]:
    return channel.uncertainty.high if channel.uncertainty is not None else ()
