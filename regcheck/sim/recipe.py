"""Makes whole trials from a recipe: map, bench and stimuli in, a folder for each trial out, the same bytes each time."""

from __future__ import annotations

import gzip
import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import product
from pathlib import Path
from zlib import crc32

from regcheck.device_map.compile import load_map
from regcheck.device_map.merge import child
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Node, read_yaml
from regcheck.errors import Place, Problem, SourceError, UsageError
from regcheck.sim.board import Board, Design, Fold, Gauge, Mean, Watch
from regcheck.sim.fault_entries import fault_of
from regcheck.sim.faults import Fault
from regcheck.sim.front_end import FOLDS, Difference, Divider, FrontEnd, Sensor, Step, Thermistor, even_draws
from regcheck.sim.host import PollPlan, transfers
from regcheck.sim.recipe_syntax import BoardEntry, FoldEntry, HostEntry, RecipeEntry, SendsEntry, SenseEntry, StepEntry, TrialPlan
from regcheck.sim.schedule import CELSIUS_ZERO, schedule_rows
from regcheck.sim.sender import SendPlan, Sent, frames
from regcheck.sim.stimuli import Row, Stimuli
from regcheck.traffic.can_log import CanLogWriter
from regcheck.traffic.frames import Frame
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.transfer_log import TransferLogWriter
from regcheck.traffic.vcd_writer import vcd_text

BENCH, STIMULUS = "bench.yaml", "stimulus.csv"
CAPTURES = {"vcd": "bus.vcd.gz", "transfers": "bus.jsonl", "can_log": "bus.log.gz"}
_NUMBERED = re.compile(r"\[n\s*(?:([+-])\s*(\d+))?\]")


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe ready to be made. ``faults`` by the name of their list, ``schedules`` by theirs; ``stimuli`` are what most trials take."""

    file: Path
    map_text: str
    register_map: RegisterMap
    bench_text: str
    seed: int
    design: Design
    plan: PollPlan | SendPlan
    instances: Mapping[str, tuple[int, ...]]
    stimuli: Stimuli
    faults: dict[str, tuple[Fault, ...]]
    trials: dict[str, TrialPlan]
    schedules: Mapping[str, Stimuli] = field(default_factory=dict)


def load_recipe(path: Path) -> Recipe:
    """Return a recipe; raise SourceError with every fault of its file, or of its map's."""
    node = read_yaml(path)
    problems: list[Problem] = []
    entry = validate(RecipeEntry, node, problems, set())
    if entry is None or problems:
        raise SourceError(problems)
    try:
        if entry.schedule is None and not entry.schedules:
            raise ValueError("a recipe has a `schedule`, or `schedules` by name")
        schedules = {name: _stimuli(rows) for name, rows in entry.schedules.items()}
        stimuli = _stimuli(entry.schedule) if entry.schedule is not None else next(iter(schedules.values()))
        fault_lists = {name: tuple(fault_of(fault) for fault in listed) for name, listed in entry.faults.items()}
        design = _design(entry.board, entry.seed)
    except (ValueError, UsageError) as error:
        raise SourceError([Problem(node.place, str(error))]) from error
    bench = path.parent / entry.bench
    if not bench.is_file():
        raise SourceError([Problem(_at(child(node, "bench"), node.place), f"`bench` names '{entry.bench}', which is not there")])
    for name, trial in entry.trials.items():
        if trial.faults is not None and trial.faults not in fault_lists:
            place = _at(child(child(node, "trials"), name), node.place)
            raise SourceError(
                [
                    Problem(
                        place,
                        f"trial '{name}' names the faults '{trial.faults}', which the recipe lacks",
                        "known: " + ", ".join(fault_lists),
                    )
                ]
            )
        if trial.schedule is not None and trial.schedule not in schedules:
            place = _at(child(child(node, "trials"), name), node.place)
            text = f"trial '{name}' names the schedule '{trial.schedule}', which the recipe lacks"
            raise SourceError([Problem(place, text, "known: " + ", ".join(schedules))])
    plan = _plan(entry)
    if plan is None:
        text = "a recipe has one of `host`, who reads the board, and `sends`, what the board sends by itself"
        raise SourceError([Problem(node.place, text)])
    return Recipe(
        path,
        entry.map,
        load_map(path.parent / entry.map),
        bench.read_text(encoding="utf-8"),
        entry.seed,
        design,
        plan,
        entry.sends.instances if entry.sends is not None else {},
        stimuli,
        fault_lists,
        entry.trials,
        schedules,
    )


def _stimuli(schedule: Node) -> Stimuli:
    rows, end_ns = schedule_rows(schedule)
    return Stimuli.of([Row(time, cells) for time, cells in rows], end_ns)


def _at(node: Node | None, otherwise: Place) -> Place:
    return otherwise if node is None else node.place


def _sensor(entry: SenseEntry) -> Sensor:
    given = [key for key in ("difference", "ntc", "divider") if getattr(entry, key) is not None]
    if len(given) != 1:
        raise ValueError(f"a field is sensed by {' and '.join(given) or 'nothing'}; expected one of difference, ntc, divider")
    if entry.difference is not None:
        if len(entry.difference) > 2:
            raise ValueError(f"a difference of {len(entry.difference)} channels; expected one or two")
        return Difference(entry.difference, entry.times, entry.integrates)
    if entry.ntc is not None:
        return Thermistor(entry.ntc, entry.r25, entry.beta, CELSIUS_ZERO if entry.celsius else 0.0)
    return Divider(entry.divider or "", entry.pull_up, entry.full)


def _front_end(entry: SenseEntry) -> FrontEnd:
    sensor = _sensor(entry)
    return FrontEnd(
        sensor,
        entry.every,
        entry.phase,
        entry.delay,
        entry.filter,
        gain=entry.gain,
        offset=entry.offset,
        noise=entry.noise,
        raw_codes=isinstance(sensor, Divider),
        unfiltered=entry.unfiltered,
        starts_ns=entry.starts,
    )


def _senses(path: str, entry: SenseEntry, seed: int) -> dict[str, FrontEnd]:
    """Return how a field is sensed, or every element of an array."""
    if entry.n is None:
        return {path: _front_end(entry)}
    found = {}
    first, last = entry.n
    for number in range(first, last + 1):
        own = _filled(path, number)
        channels: dict[str, object] = {"divider": None if entry.divider is None else _channel(entry.divider, number)}
        for key, names in (("difference", entry.difference), ("ntc", entry.ntc)):
            channels[key] = None if names is None else tuple(_channel(name, number) for name in names)
        (drawn,) = even_draws(seed, crc32(f"offset {own}".encode()), 1, 2000).tolist()
        offset = entry.offset + entry.spread * (drawn / 1000 - 1)
        found[own] = _front_end(entry.model_copy(update={**channels, "offset": offset}))
    if len(found) != last - first + 1:
        raise ValueError(f"'{path}' has `n` but no [n] in its path, such as cell_voltage[n]")
    return found


def _filled(text: str, number: int, form: str = "[{}]") -> str:
    """Return a text with its `[n]` and `[n - 1]` filled in."""
    return _NUMBERED.sub(lambda found: form.format(number + int(f"{found[1] or '+'}{found[2] or 0}")), text)


def _channel(name: str, number: int) -> str:
    """Return the log's column of a channel: wire[n - 1] is wire_0 for number 1, as in a bench file."""
    return _filled(name, number, "_{}")


def _fold(entry: FoldEntry) -> Fold:
    given = [(kind, getattr(entry, kind)) for kind in FOLDS if getattr(entry, kind) is not None]
    if len(given) != 1:
        raise ValueError(f"a fold has one of {', '.join(FOLDS)}; {len(given)} were found")
    return Fold(*given[0], entry.times)


def _step(entry: StepEntry) -> Step:
    if (entry.above is None) == (entry.below is None):
        raise ValueError("a step of a state has one of `above` and `below`")
    at = entry.above if entry.above is not None else entry.below
    return Step(entry.raw, at or 0.0, entry.until, entry.above is not None, entry.after)


def _design(entry: BoardEntry, seed: int) -> Design:
    gauge = (
        None
        if entry.gauge is None
        else Gauge(entry.gauge.of, entry.gauge.start, entry.gauge.full, entry.gauge.remaining, entry.gauge.share)
    )
    return Design(
        senses={path: front_end for name, one in entry.senses.items() for path, front_end in _senses(name, one, seed).items()},
        constants=dict(entry.constants),
        means={path: Mean(one.of, one.over, one.every, one.delay) for path, one in entry.means.items()},
        watches={path: Watch(one.of, tuple(_step(step) for step in one.steps)) for path, one in entry.watches.items()},
        gauge=gauge,
        folds={path: _fold(one) for path, one in entry.folds.items()},
    )


def _plan(entry: RecipeEntry) -> PollPlan | SendPlan | None:
    if entry.host is not None:
        return None if entry.sends is not None else _poll_plan(entry.host, entry.seed)
    return None if entry.sends is None else _send_plan(entry.sends, entry.seed)


def _poll_plan(entry: HostEntry, seed: int) -> PollPlan:
    return PollPlan(entry.reads, entry.broadcasts, entry.begin, entry.jitter, entry.stretch, seed=seed)


def _send_plan(entry: SendsEntry, seed: int) -> SendPlan:
    sends = {}
    for name, one in entry.frames.items():
        ((selector, pages),) = one.pages.items() or (("", ()),)
        sends[name] = Sent(one.every, selector, pages)
    return SendPlan(sends, entry.begin, entry.jitter, entry.bus, clock_ns=entry.clock, seed=seed)


def record(recipe: Recipe, faults: tuple[Fault, ...] = ()) -> list[Transfer]:
    """Return the transfers of one run of the recipe's board with these faults, read by a host."""
    if not isinstance(recipe.plan, PollPlan):
        raise UsageError(f"{recipe.file.name} has no `host` that reads its board")
    board = Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed, faults=faults)
    return list(transfers(board, recipe.register_map, recipe.plan, recipe.stimuli.end_ns))


def record_frames(recipe: Recipe, faults: tuple[Fault, ...] = (), faulty: Mapping[str, tuple[int, ...]] | None = None) -> list[Frame]:
    """Return the frames of one run of the recipe's boards; those that ``faulty`` names (all, where it names none) have these faults."""
    return list(sent_frames(recipe, faults, faulty))


def sent_frames(recipe: Recipe, faults: tuple[Fault, ...] = (), faulty: Mapping[str, tuple[int, ...]] | None = None) -> Iterator[Frame]:
    """Yield the frames of ``record_frames`` as they are made."""
    if not isinstance(recipe.plan, SendPlan):
        raise UsageError(f"{recipe.file.name} has no `sends`: its board sends nothing by itself")
    boards = []
    for numbers in product(*recipe.instances.values()):
        own = dict(zip(recipe.instances, numbers, strict=True))
        has = all(own.get(name) in wanted for name, wanted in (faulty or {}).items())
        boards.append(
            Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed, faults=faults if has else (), numbers=own)
        )
    yield from frames(boards, recipe.register_map, recipe.plan, recipe.stimuli.end_ns)


def make_trial(recipe: Recipe, name: str) -> dict[str, bytes]:
    """Return the files of one trial by name."""
    trial = recipe.trials[name]
    if trial.schedule is not None:
        recipe = replace(recipe, stimuli=recipe.schedules[trial.schedule])
    faults = recipe.faults[trial.faults] if trial.faults is not None else ()
    if trial.format == "can_log":
        data = _packed(_can_log(record_frames(recipe, faults, trial.faulty)))
    else:
        data = _capture(record(recipe, faults), trial.format, recipe)
    return {
        "trial.yaml": _trial_text(recipe, trial).encode(),
        BENCH: recipe.bench_text.encode(),
        STIMULUS: recipe.stimuli.csv().encode(),
        CAPTURES[trial.format]: data,
    }


def write_trials(recipe: Recipe, folder: Path) -> list[Path]:
    """Write every trial of a recipe, each into its own folder below ``folder``, and return these folders."""
    made = []
    for name in recipe.trials:
        home = folder / name
        home.mkdir(parents=True, exist_ok=True)
        for file, data in make_trial(recipe, name).items():
            (home / file).write_bytes(data)
        made.append(home)
    return made


def _trial_text(recipe: Recipe, trial: TrialPlan) -> str:
    lines = [
        f"# Made from recipes/{recipe.file.name}: change the recipe, not this file (captures/README.md).",
        "regcheck_trial: 1",
        f"map: {recipe.map_text}",
        f"captures: [{CAPTURES[trial.format]}]",
        f"bench: {BENCH}",
        f"stimulus: {STIMULUS}",
    ]
    if recipe.instances:
        fitted = (f"{name}: [{', '.join(map(str, numbers))}]" for name, numbers in recipe.instances.items())
        lines.append("instances: {" + ", ".join(fitted) + "}")
    if trial.tested:
        lines.append("tested: {" + ", ".join(f"{key}: {json.dumps(text, ensure_ascii=False)}" for key, text in trial.tested.items()) + "}")
    if trial.note:
        lines.append(f"note: {json.dumps(trial.note, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


def _capture(run: list[Transfer], form: str, recipe: Recipe) -> bytes:
    end_ns = recipe.stimuli.end_ns
    if form == "vcd":
        speed_hz = recipe.plan.speed_hz if isinstance(recipe.plan, PollPlan) else 0
        return _packed("".join(vcd_text(run, speed_hz=speed_hz, end_ns=end_ns)))
    lines = io.StringIO()
    writer = TransferLogWriter(lines, clock="capture")
    for transfer in run:
        writer.write(transfer)
    writer.tick(end_ns)
    return lines.getvalue().encode()


def _can_log(run: list[Frame]) -> str:
    lines = io.StringIO()
    writer = CanLogWriter(lines)
    for frame in run:
        writer.write(frame)
    return lines.getvalue()


def _packed(text: str) -> bytes:
    """Return a text packed by gzip, without file name and time in its head, so that the same run gives the same bytes."""
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=packed, compresslevel=9, mtime=0) as stream:
        stream.write(text.encode())
    return packed.getvalue()
