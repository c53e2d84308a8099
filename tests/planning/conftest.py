"""Plans for the shipped maps, and what a check says of a simulated board that is led through one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from regcheck.bench.bench_file import load_bench
from regcheck.checks.finding import Finding
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.device_map.compile import load_map
from regcheck.planning.schedule import StimulusPlan, make_plan
from regcheck.sim.faults import Fault
from regcheck.sim.host import PollPlan
from regcheck.sim.recipe import Recipe, load_recipe, write_trials
from regcheck.sim.stimuli import Row, Stimuli

SECOND = 1_000_000_000
HOME = Path(__file__).parents[2]
ALARM_POLL_NS = SECOND // 4
"""How often the host reads the alarm: faster than a quarter of its reaction time, and than what the board waits beyond the least."""

Led = Callable[..., Mapping[str, Finding]]


def stimuli_of(text: str) -> Stimuli:
    """Return a plan's stimulus log as what the simulated bench applies."""
    head, *lines = text.splitlines()
    names = head.split(",")[1:]
    rows = []
    for line in lines[:-1]:
        time_s, *cells = line.split(",")
        rows.append(Row(round(float(time_s) * 1000) * 1_000_000, {name: cell for name, cell in zip(names, cells, strict=True) if cell}))
    return Stimuli.of(rows, round(float(lines[-1].split(",")[0]) * 1000) * 1_000_000)


def led(recipe: Recipe, plan: StimulusPlan, folder: Path, trial: str, *faults: Fault, until: int = 0) -> Mapping[str, Finding]:
    """Return the findings of a run of the recipe's board, with these faults, under a plan, or its first ``until`` steps."""
    stimuli = stimuli_of(plan.csv())
    if until:
        stimuli = Stimuli.of(stimuli.rows[:until], plan.begins_ns[until])
    poll = recipe.plan
    if isinstance(poll, PollPlan):
        poll = replace(poll, reads={**poll.reads, "protection": min(poll.reads["protection"], ALARM_POLL_NS)})
    own = recipe.trials[trial].model_copy(update={"faults": "some" if faults else None, "schedule": None})
    map_file = str((recipe.file.parent / recipe.map_text).resolve())
    (home,) = write_trials(
        replace(recipe, map_text=map_file, plan=poll, stimuli=stimuli, faults={"some": faults}, trials={"led": own}), folder
    )
    if not until:
        assert (home / "stimulus.csv").read_text(encoding="utf-8") == plan.csv()  # the plan is the log that check reads
    return {finding.id: finding for finding in check_trial(load_trial(home)).findings}


@pytest.fixture(scope="session")
def ridge_recipe() -> Recipe:
    return load_recipe(HOME / "captures" / "recipes" / "ridge_4s.yaml")


@pytest.fixture(scope="session")
def ridge_plan() -> StimulusPlan:
    register_map = load_map(HOME / "maps" / "ridge_4s.yaml")
    return make_plan(register_map, load_bench(HOME / "captures" / "recipes" / "ridge_bench.yaml", register_map), None, 2 * SECOND)


@pytest.fixture(scope="session")
def cairn_recipe() -> Recipe:
    return load_recipe(HOME / "captures" / "recipes" / "cairn_4s.yaml")


@pytest.fixture(scope="session")
def rack_recipe() -> Recipe:
    return load_recipe(HOME / "captures" / "recipes" / "scarp_96.yaml")


@pytest.fixture(scope="session")
def rack_plan() -> StimulusPlan:
    register_map = load_map(HOME / "maps" / "scarp_96.yaml")
    return make_plan(register_map, load_bench(HOME / "captures" / "recipes" / "scarp_bench.yaml", register_map), {"rack": (3,)}, SECOND)


@pytest.fixture
def led_ridge(ridge_recipe: Recipe, ridge_plan: StimulusPlan, tmp_path: Path) -> Led:
    return lambda *faults: led(ridge_recipe, ridge_plan, tmp_path, "ridge-4s-good", *faults)


@pytest.fixture
def led_with(tmp_path: Path) -> Callable[[Recipe, StimulusPlan], Mapping[str, Finding]]:
    return lambda recipe, plan: led(recipe, plan, tmp_path, next(name for name in recipe.trials if name.endswith("-good")))


@pytest.fixture
def led_rack(rack_recipe: Recipe, rack_plan: StimulusPlan, tmp_path: Path) -> Led:
    return lambda *faults, until=0: led(rack_recipe, rack_plan, tmp_path, "scarp-96-good", *faults, until=until)
