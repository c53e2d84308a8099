"""What a recipe may say: the YAML file that whole trials of a simulated board are made from."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any

from pydantic import Field as Key

from regcheck.device_map import leaves
from regcheck.device_map.limits import parse_quantity
from regcheck.device_map.numbers import as_fraction
from regcheck.device_map.syntax import Entry, Nanoseconds, Text, leaf
from regcheck.device_map.units import parse_unit
from regcheck.device_map.yaml_source import Mapping as MappingNode
from regcheck.device_map.yaml_source import Node, Scalar

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


def _numbers(node: Node, what: str) -> tuple[int, ...]:
    spans = leaves.one_or_list(node, lambda item: leaves.number_range(item, what))
    return tuple(number for first, last in spans for number in range(first, last + 1))


def _pages(node: Node) -> dict[str, tuple[int, ...]]:
    if not isinstance(node, MappingNode) or len(node) != 1:
        raise ValueError("`pages` names one field and its values in turn, such as {page: 0..29}")
    return {str(name): _numbers(value, "pages such as 0..29") for name, value in node.items()}


def _instances(node: Node) -> dict[str, tuple[int, ...]]:
    if not isinstance(node, MappingNode):
        raise ValueError("instances are written such as {rack: [1, 2]}")
    return {str(name): _numbers(value, "numbers such as 1..8") for name, value in node.items()}


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
Format = Annotated[str, *leaf(leaves.text, {"enum": ["vcd", "transfers", "can_log"]})]
Pages = Annotated[dict[str, tuple[int, ...]], *leaf(_pages, {"type": "object"})]
Instances = Annotated[dict[str, tuple[int, ...]], *leaf(_instances, {"type": "object"})]
Run = Annotated[tuple[int, int], *leaf(lambda node: leaves.number_range(node, "numbers such as 1..96"), {"type": "string"})]


class SenseEntry(Entry):
    """How one field is sensed: one of `difference`, `ntc` and `divider`, and how well.

    With ``n: 1..96`` it is an array's: `[n]` and `[n - 1]` in its path and its channels stand for the numbers in turn.
    """

    n: Run | None = Key(None, description="the numbers of the array's elements")
    difference: Names | None = Key(None, description="one channel, or two: the first less the second")
    times: Number = Key(1.0, description="the field's units for each unit of the channel")
    integrates: Annotated[bool, *leaf(leaves.truth, {"type": "boolean"})] = False
    ntc: Names | None = Key(None, description="a temperature by r25 and beta; of several channels the first that is neither open nor short")
    r25: Ohm = 10_000.0
    beta: Kelvin = 3435.0
    celsius: Annotated[bool, *leaf(leaves.truth, {"type": "boolean"})] = Key(False, description="true: in degC instead of K")
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
    spread: Number = Key(0.0, description="an array's offsets differ by up to this both ways, evenly drawn")
    noise: Number = 0.0
    starts: Nanoseconds = Key(0, description="until then the board says that it has no value")


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


class FoldEntry(Entry):
    """A field that is worked out of all elements of an array: one of `max`, `min`, `sum` and `which`."""

    max: Text | None = None
    min: Text | None = None
    sum: Text | None = None
    which: Text | None = Key(None, description="the number of the largest one")
    times: Number = 1.0


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


class PatternEntry(Entry):
    """Values of an array of channels that all differ: channel n of N gets about + step x (n x turn mod (N + 1) - (N + 1) / 2)."""

    n: Run = Key(description="the numbers of the channels, from 1")
    about: Number
    step: Number
    turn: Count = Key(1, description="another one gives another order")
    stack: Number | None = Key(None, description="the channels are a stack: each is so much higher than the one below, number 0 is this")
    beta: Kelvin | None = Key(None, description="the values are degC, and the channels are set to the ohms of this thermistor")
    r25: Ohm = 10_000.0


class BoardEntry(Entry):
    """The board as designed."""

    senses: dict[str, SenseEntry]
    means: dict[str, MeanEntry] = Key(default_factory=dict)
    gauge: GaugeEntry | None = None
    folds: dict[str, FoldEntry] = Key(default_factory=dict)
    watches: dict[str, WatchEntry] = Key(default_factory=dict)
    constants: dict[str, Constant] = Key(default_factory=dict)


class HostEntry(Entry):
    """The host that polls it."""

    begin: Nanoseconds = 0
    jitter: Nanoseconds = 0
    stretch: Nanoseconds = 0
    reads: dict[str, Nanoseconds]
    broadcasts: dict[str, Nanoseconds] = Key(default_factory=dict)


class SendEntry(Entry):
    """One message that the board sends by itself."""

    every: Nanoseconds
    pages: Pages = Key(default_factory=dict, description="the values that a field takes in turn: {page: 0..29}")


class SendsEntry(Entry):
    """What boards on a CAN bus send by themselves."""

    begin: Nanoseconds = 0
    jitter: Nanoseconds = 0
    bus: Text = Key("can0", description="the name of the interface in the log")
    clock: Nanoseconds = Key(0, description="what the recorder's clock shows at the bench's time 0")
    instances: Instances = Key(default_factory=dict, description="which boards there are: {rack: [1, 2]}")
    frames: dict[str, SendEntry]


class FaultEntry(Entry):
    """One fault: its kind as the key that names a field or message, and what belongs to it."""

    broken_wire: Text | None = None
    late_report: Text | None = None
    wrong_gain: Text | None = None
    factor: Number = 1.0
    wrong_offset: Text | None = None
    by: Number = 0.0
    slow_update: Text | None = None
    every: Nanoseconds = 0
    slow_start: Text | None = None
    until: Nanoseconds = 0
    swapped: Names | None = None
    shifted: Text | None = None
    elements: Run = (0, 0)
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
    stuck_counter: Text | None = None
    late: Text | None = None
    later: Nanoseconds = 0
    omitted: Text | None = None
    bad_check: Text | None = None
    cut_short: Text | None = None
    from_: Nanoseconds = Key(0, alias="from")
    count: Count = Key(0, description="how many reads from then on; 0: all")


class TrialPlan(Entry):
    """One trial that the recipe makes: a folder of that name."""

    format: Format
    faults: Text | None = Key(None, description="which list of faults; none: a faultless board")
    faulty: Instances = Key(default_factory=dict, description="which of several boards have them; all unless said")
    schedule: Text | None = Key(None, description="which of the recipe's `schedules`; its `schedule` unless said")
    tested: dict[str, Text] = Key(default_factory=dict)
    note: Text | None = None


class RecipeEntry(Entry):
    """A recipe, version 1."""

    regcheck_recipe: Annotated[int, *leaf(leaves.integer(1, 1, "version of the recipe (this is 1)"), {"const": 1})]
    map: Text = Key(description="the map, seen from the recipe and from the trials alike")
    bench: Text = Key(description="the bench file, beside the recipe; it is copied into each trial")
    seed: Seed
    board: BoardEntry
    host: HostEntry | None = None
    sends: SendsEntry | None = None
    schedule: Rows | None = None
    schedules: dict[str, Rows] = Key(default_factory=dict, description="several by name, each for trials that ask for it")
    faults: dict[str, list[FaultEntry]] = Key(default_factory=dict)
    trials: dict[str, TrialPlan]
    note: Text | None = None
