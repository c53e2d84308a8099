"""`--workers`: what shares the work of a command."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from regcheck.checks.fold import Splitting
    from regcheck.checks.ordered_map import OrderedMap
    from regcheck.checks.trial import Trial

LARGE = 64 << 20
"""Bytes of a capture from which on it is worth a word that it is not shared."""


@contextmanager
def sharing(workers: int) -> Iterator[OrderedMap]:
    """Give the map that the options mean, and end what it began."""
    from regcheck.checks.ordered_map import InTurn, Processes

    if workers > 1:
        with Processes(workers) as processes:
            yield processes
    else:
        yield InTurn()


def splitting_of(trial: Trial, run: OrderedMap) -> Splitting:
    """Return how a trial is shared; say which large captures cannot be."""
    from regcheck.checks.fold import Splitting
    from regcheck.cli import say
    from regcheck.traffic.open import open_capture

    if run.workers > 1:
        for path in trial.captures:
            if path.is_file() and path.stat().st_size >= LARGE:
                capture = open_capture(path, signals=trial.signals, columns=trial.columns)
                if why := capture.why_whole:
                    say(f"{path}: {why}: one worker reads it alone")
    return Splitting(run)
