"""Makes whole trials from a recipe: map, bench and stimuli in, a folder for each trial out, the same bytes each time."""

from __future__ import annotations

import gzip
import io
import json
from dataclasses import dataclass
from pathlib import Path

from regcheck.device_map.compile import load_map
from regcheck.device_map.merge import child
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.validate import validate
from regcheck.device_map.yaml_source import Node, read_yaml
from regcheck.errors import Place, Problem, SourceError, UsageError
from regcheck.sim import faults as kinds
from regcheck.sim.board import Board, Design, Gauge, Mean, Watch
from regcheck.sim.faults import Fault, Span
from regcheck.sim.front_end import Difference, Divider, FrontEnd, Sensor, Step, Thermistor
from regcheck.sim.host import PollPlan, transfers
from regcheck.sim.recipe_syntax import BoardEntry, FaultEntry, HostEntry, RecipeEntry, SenseEntry, StepEntry, TrialPlan, schedule_rows
from regcheck.sim.stimuli import Row, Stimuli
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.transfer_log import TransferLogWriter
from regcheck.traffic.vcd_writer import vcd_text

BENCH, STIMULUS = "bench.yaml", "stimulus.csv"
CAPTURES = {"vcd": "bus.vcd.gz", "transfers": "bus.jsonl"}


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe ready to be made. ``faults`` by the name of their list."""

    file: Path
    map_text: str
    register_map: RegisterMap
    bench_text: str
    seed: int
    design: Design
    plan: PollPlan
    stimuli: Stimuli
    faults: dict[str, tuple[Fault, ...]]
    trials: dict[str, TrialPlan]


def load_recipe(path: Path) -> Recipe:
    """Return a recipe; raise SourceError with every fault of its file, or of its map's."""
    node = read_yaml(path)
    problems: list[Problem] = []
    entry = validate(RecipeEntry, node, problems, set())
    if entry is None or problems:
        raise SourceError(problems)
    try:
        rows, end_ns = schedule_rows(entry.schedule)
        stimuli = Stimuli.of([Row(time, cells) for time, cells in rows], end_ns)
        fault_lists = {name: tuple(_fault(fault) for fault in listed) for name, listed in entry.faults.items()}
        design = _design(entry.board)
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
    return Recipe(
        path, entry.map, load_map(path.parent / entry.map), bench.read_text(encoding="utf-8"), entry.seed,
        design, _plan(entry.host, entry.seed), stimuli, fault_lists, entry.trials,
    )  # fmt: skip


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
        return Thermistor(entry.ntc, entry.r25, entry.beta)
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
    )


def _step(entry: StepEntry) -> Step:
    if (entry.above is None) == (entry.below is None):
        raise ValueError("a step of a state has one of `above` and `below`")
    at = entry.above if entry.above is not None else entry.below
    return Step(entry.raw, at or 0.0, entry.until, entry.above is not None, entry.after)


def _design(entry: BoardEntry) -> Design:
    gauge = (
        None
        if entry.gauge is None
        else Gauge(entry.gauge.of, entry.gauge.start, entry.gauge.full, entry.gauge.remaining, entry.gauge.share)
    )
    return Design(
        senses={path: _front_end(one) for path, one in entry.senses.items()},
        constants=dict(entry.constants),
        means={path: Mean(one.of, one.over, one.every, one.delay) for path, one in entry.means.items()},
        watches={path: Watch(one.of, tuple(_step(step) for step in one.steps)) for path, one in entry.watches.items()},
        gauge=gauge,
    )


def _plan(entry: HostEntry, seed: int) -> PollPlan:
    return PollPlan(entry.reads, entry.broadcasts, entry.begin, entry.jitter, entry.stretch, seed=seed)


def _fault(entry: FaultEntry) -> Fault:
    """Return the fault that an entry names."""
    span = Span(entry.from_, entry.count)
    found: list[Fault] = []
    if entry.wrong_gain is not None:
        found.append(kinds.WrongGain(entry.wrong_gain, entry.factor))
    if entry.wrong_offset is not None:
        found.append(kinds.WrongOffset(entry.wrong_offset, entry.by))
    if entry.slow_update is not None:
        found.append(kinds.SlowUpdate(entry.slow_update, entry.every))
    if entry.swapped is not None:
        if len(entry.swapped) != 2:
            raise ValueError(f"`swapped` names {len(entry.swapped)} fields; expected two")
        found.append(kinds.Swapped(*entry.swapped))
    if entry.sign_flipped is not None:
        found.append(kinds.SignFlipped(entry.sign_flipped))
    if entry.wrong_unit is not None:
        found.append(kinds.WrongUnit(entry.wrong_unit, entry.per_unit, entry.zero))
    if entry.stuck is not None:
        found.append(kinds.Stuck(entry.stuck, entry.from_))
    if entry.plausible_open is not None:
        found.append(kinds.PlausibleOpen(entry.plausible_open, entry.code, entry.open_from))
    if entry.bit_set is not None:
        found.append(kinds.BitSet(entry.bit_set, entry.bit))
    if entry.bytes_swapped is not None:
        found.append(kinds.BytesSwapped(entry.bytes_swapped, entry.byte))
    if entry.bad_pec is not None:
        found.append(kinds.BadPec(entry.bad_pec, span))
    if entry.missing_pec is not None:
        found.append(kinds.MissingPec(entry.missing_pec, span))
    if entry.wrong_count is not None:
        found.append(kinds.WrongCount(entry.wrong_count, round(entry.by), span))
    if entry.dropped is not None:
        found.append(kinds.Dropped(entry.dropped, span))
    if len(found) != 1:
        raise ValueError(f"an entry of `faults` names {len(found)} kinds of fault; expected one")
    return found[0]


def record(recipe: Recipe, faults: tuple[Fault, ...] = ()) -> list[Transfer]:
    """Return the transfers of one run of the recipe's board with these faults."""
    board = Board(recipe.register_map, recipe.design, recipe.stimuli, seed=recipe.seed, faults=faults)
    return list(transfers(board, recipe.register_map, recipe.plan, recipe.stimuli.end_ns))


def make_trial(recipe: Recipe, name: str) -> dict[str, bytes]:
    """Return the files of one trial by name."""
    trial = recipe.trials[name]
    run = record(recipe, recipe.faults[trial.faults] if trial.faults is not None else ())
    return {
        "trial.yaml": _trial_text(recipe, trial).encode(),
        BENCH: recipe.bench_text.encode(),
        STIMULUS: recipe.stimuli.csv().encode(),
        CAPTURES[trial.format]: _capture(run, trial.format, recipe),
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
    if trial.tested:
        lines.append("tested: {" + ", ".join(f"{key}: {json.dumps(text, ensure_ascii=False)}" for key, text in trial.tested.items()) + "}")
    if trial.note:
        lines.append(f"note: {json.dumps(trial.note, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


def _capture(run: list[Transfer], form: str, recipe: Recipe) -> bytes:
    end_ns = recipe.stimuli.end_ns
    if form == "vcd":
        text = "".join(vcd_text(run, speed_hz=recipe.plan.speed_hz, end_ns=end_ns))
        packed = io.BytesIO()
        # no file name and no time in the head, so that the same run gives the same bytes
        with gzip.GzipFile(filename="", mode="wb", fileobj=packed, compresslevel=9, mtime=0) as stream:
            stream.write(text.encode())
        return packed.getvalue()
    lines = io.StringIO()
    writer = TransferLogWriter(lines, clock="capture")
    for transfer in run:
        writer.write(transfer)
    writer.tick(end_ns)
    return lines.getvalue().encode()
