"""What a recipe may say: the YAML file that whole trials of a simulated board are made from."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Annotated, Any

from pydantic import Field as Key

from regcheck.device_map import leaves
from regcheck.device_map.limits import parse_quantity, parse_time_ns
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.syntax import Entry, Nanoseconds, Text, leaf
from regcheck.device_map.units import parse_unit
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Scalar, Sequence

NUMBER = {"type": "number"}
PAIR = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}


def _number(node: Node) -> float:
    return float(as_fraction(leaves.scalar(node, "a number")))


def _share(node: Node) -> float:
    text = leaves.scalar(node, "a share such as 0.05 %")
    if not text.endswith("%"):
        raise ValueError(f"'{text}' is no share; expected such as 0.05 %")
    return float(as_fraction(Scalar(text[:-1].strip(), text.place)) / 100)


def _ohm(node: Node) -> float:
    amount, unit = parse_quantity(leaves.scalar(node, "a resistance such as 10 kohm"), parse_unit("ohm"))
    return float(amount * unit.factor)


def _kelvin(node: Node) -> float:
    amount, _ = parse_quantity(leaves.scalar(node, "a beta such as 3435 K"), parse_unit("K"))
    return float(amount)


def _names(node: Node) -> tuple[str, ...]:
    return leaves.one_or_list(node, leaves.text)


def _constant(node: Node) -> Fraction | int | str:
    text = leaves.scalar(node, "a number, a label or a text")
    try:
        number = as_fraction(text)
    except ValueError:
        return str(text)
    return int(number) if number.denominator == 1 else number


def _code_spans(node: Node) -> tuple[tuple[int, int], ...]:
    return leaves.one_or_list(node, leaves.number_range)


def _keep(node: Node) -> Node:
    return node


Number = Annotated[float, *leaf(_number, NUMBER)]
Share = Annotated[float, *leaf(_share, {"type": "string"})]
Ohm = Annotated[float, *leaf(_ohm, {"type": "string"})]
Kelvin = Annotated[float, *leaf(_kelvin, {"type": "string"})]
Names = Annotated[tuple[str, ...], *leaf(_names, {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]})]
Constant = Annotated[Any, *leaf(_constant, {"type": ["number", "string"]})]
CodeSpans = Annotated[tuple[tuple[int, int], ...], *leaf(_code_spans, {"type": ["integer", "string", "array"]})]
Count = Annotated[int, *leaf(leaves.integer(0, 10**6, "count"), {"type": "integer"})]
Whole = Annotated[int, *leaf(lambda node: int(as_fraction(leaves.scalar(node, "a whole number"))), {"type": "integer"})]
Seed = Annotated[int, *leaf(leaves.integer(0, 2**31, "seed"), {"type": "integer"})]
Rows = Annotated[Any, *leaf(_keep, {"type": "array"})]
Format = Annotated[str, *leaf(leaves.text, {"enum": ["vcd", "transfers"]})]


class SenseEntry(Entry):
    """How one field is sensed: one of `difference`, `ntc` and `divider`, and how well."""

    difference: Names | None = Key(None, description="one channel, or two: the first less the second")
    times: Number = Key(1.0, description="the field's units for each unit of the channel")
    integrates: Annotated[bool, *leaf(leaves.truth, {"type": "boolean"})] = False
    ntc: Names | None = Key(None, description="a temperature by r25 and beta; of several channels the first that is neither open nor short")
    r25: Ohm = 10_000.0
    beta: Kelvin = 3435.0
    divider: Text | None = Key(None, description="the converter's code behind a thermistor and a pull_up")
    pull_up: Ohm = 10_000.0
    full: Count = 4095
    unfiltered: CodeSpans = ()
    every: Nanoseconds
    phase: Nanoseconds = Key(0, description="when the first conversion ends; a board does not know when the bench steps")
    delay: Nanoseconds = 0
    filter: Nanoseconds = 0
    gain: Share = 0.0
    offset: Number = 0.0
    noise: Number = 0.0


class MeanEntry(Entry):
    """A mean of another field."""

    of: Text
    over: Nanoseconds
    every: Nanoseconds
    delay: Nanoseconds = 0


class GaugeEntry(Entry):
    """A charge counter."""

    of: Text
    start: Number
    full: Number
    remaining: Text
    share: Text


class StepEntry(Entry):
    """One level of a state."""

    raw: Count
    above: Number | None = None
    below: Number | None = None
    until: Number
    after: Nanoseconds = 0


class WatchEntry(Entry):
    """A field that follows others by thresholds."""

    of: Names
    steps: list[StepEntry]


class BoardEntry(Entry):
    """The board as designed."""

    senses: dict[str, SenseEntry]
    means: dict[str, MeanEntry] = Key(default_factory=dict)
    gauge: GaugeEntry | None = None
    watches: dict[str, WatchEntry] = Key(default_factory=dict)
    constants: dict[str, Constant] = Key(default_factory=dict)


class HostEntry(Entry):
    """The host that polls it."""

    begin: Nanoseconds = 0
    jitter: Nanoseconds = 0
    stretch: Nanoseconds = 0
    reads: dict[str, Nanoseconds]
    broadcasts: dict[str, Nanoseconds] = Key(default_factory=dict)


class FaultEntry(Entry):
    """One fault: its kind as the key that names a field or message, and what belongs to it."""

    wrong_gain: Text | None = None
    factor: Number = 1.0
    wrong_offset: Text | None = None
    by: Number = 0.0
    slow_update: Text | None = None
    every: Nanoseconds = 0
    swapped: Names | None = None
    sign_flipped: Text | None = None
    wrong_unit: Text | None = None
    per_unit: Number = 1.0
    zero: Number = 0.0
    stuck: Text | None = None
    plausible_open: Text | None = None
    code: Count = 0
    open_from: Count = 0
    bit_set: Text | None = None
    bit: Count = 0
    bytes_swapped: Text | None = None
    byte: Count = 0
    bad_pec: Text | None = None
    missing_pec: Text | None = None
    wrong_count: Text | None = None
    dropped: Text | None = None
    from_: Nanoseconds = Key(0, alias="from")
    count: Count = Key(0, description="how many reads from then on; 0: all")


class TrialPlan(Entry):
    """One trial that the recipe makes: a folder of that name."""

    format: Format
    faults: Text | None = Key(None, description="which list of faults; none: a faultless board")
    tested: dict[str, Text] = Key(default_factory=dict)
    note: Text | None = None


class RecipeEntry(Entry):
    """A recipe, version 1."""

    regcheck_recipe: Annotated[int, *leaf(leaves.integer(1, 1, "version of the recipe (this is 1)"), {"const": 1})]
    map: Text = Key(description="the map, seen from the recipe and from the trials alike")
    bench: Text = Key(description="the bench file, beside the recipe; it is copied into each trial")
    seed: Seed
    board: BoardEntry
    host: HostEntry
    schedule: Rows
    faults: dict[str, list[FaultEntry]] = Key(default_factory=dict)
    trials: dict[str, TrialPlan]
    note: Text | None = None


def schedule_rows(node: Node) -> tuple[list[tuple[int, dict[str, str]]], int]:
    """Return (time in ns, cells as typed) of every row, and the end; raise ValueError with what is wrong.

    A row has `for:`, how long it stands, and the channels that change. A list is a stack: `wire: [0.0, 3.7, 3.6]` sets wire_0 to the
    first and each next one higher by the following value.
    """
    if not isinstance(node, Sequence) or not node:
        raise ValueError("the schedule is a list of rows such as {for: 15 s, shunt: 2.5}")
    rows, time_ns = [], 0
    for row in node:
        if not isinstance(row, MappingNode) or "for" not in row:
            raise ValueError("a row of the schedule has no `for`; write how long it stands, such as for: 15 s")
        cells: dict[str, str] = {}
        for name, value in row.items():
            if name == "for":
                continue
            if isinstance(value, Sequence):
                cells |= _stacked(str(name), value)
            else:
                cells[str(name)] = str(leaves.scalar(value, "a number, open or short"))
        rows.append((time_ns, cells))
        time_ns += parse_time_ns(leaves.scalar(row["for"], "a time such as 15 s"))  # type: ignore[index]
    return rows, time_ns


def _stacked(name: str, values: Sequence) -> dict[str, str]:
    try:
        steps = [Decimal(str(leaves.scalar(value, "a number"))) for value in values]
    except InvalidOperation:
        raise ValueError(f"'{name}' holds something that is no number") from None
    return {f"{name}_{index}": str(sum(steps[: index + 1], Decimal(0))) for index in range(len(steps))}
