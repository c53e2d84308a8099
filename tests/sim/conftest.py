"""The shipped recipe, and what tests ask of a run of its board."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from regcheck.sim.faults import Fault
from regcheck.sim.recipe import Recipe, load_recipe, record, record_frames
from regcheck.sim.stimuli import Stimuli
from regcheck.traffic.frames import Frame

Reads = dict[int, list[tuple[bytes, ...]]]
"""The reads of a run by command, each its two parts on the wire."""


@pytest.fixture(scope="session")
def captures() -> Path:
    return Path(__file__).parents[2] / "captures"


@pytest.fixture(scope="session")
def recipe(captures: Path) -> Recipe:
    return load_recipe(captures / "recipes" / "ridge_4s.yaml")


@pytest.fixture(scope="session")
def short_recipe(recipe: Recipe) -> Recipe:
    """The first 120 s: eight holds, both signs of current, an open thermistor."""
    return replace(recipe, stimuli=Stimuli.of(recipe.stimuli.rows[:8], 120_000_000_000))


@pytest.fixture(scope="session")
def reads_with(short_recipe: Recipe) -> Callable[..., Reads]:
    """A function that gives the reads of a short run of the board with some faults."""

    def reads(*faults: Fault) -> Reads:
        found: Reads = {}
        for transfer in record(short_recipe, faults):
            if len(transfer.parts) == 2:
                found.setdefault(transfer.parts[0][1], []).append(transfer.parts)
        return found

    return reads


@pytest.fixture(scope="session")
def faultless(reads_with: Callable[..., Reads]) -> Reads:
    return reads_with()


@pytest.fixture(scope="session")
def rack_recipe(captures: Path) -> Recipe:
    return load_recipe(captures / "recipes" / "scarp_96.yaml")


@pytest.fixture(scope="session")
def short_rack(rack_recipe: Recipe) -> Recipe:
    """The first 16 s of the rack: a whole hold, and some of the next."""
    return replace(rack_recipe, stimuli=Stimuli.of(rack_recipe.stimuli.rows[:2], 16_000_000_000))


@pytest.fixture(scope="session")
def rack_frames(short_rack: Recipe) -> list[Frame]:
    """What the faultless rack sends in that time."""
    return record_frames(short_rack)
