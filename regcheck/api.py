"""Decode and check from a script or notebook, in three lines each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from regcheck.checks.finding import Run
from regcheck.checks.run import check_trial, decoded_batches
from regcheck.checks.trial import Trial, load_trial
from regcheck.codec.readings import Row, rows
from regcheck.device_map.model import RegisterMap
from regcheck.traffic.open import Capture


def decode(register_map: RegisterMap, capture: Capture) -> Iterator[Row]:
    """Give a capture's readings in order of time: exact times in ns, raw codes, values as exact decimal texts, statuses.

    Raises CaptureError where the capture cannot be read.
    """
    for decoded in decoded_batches(register_map, capture):
        yield from rows(decoded.batch, decoded)


def check(
    map_or_trial: str | Path, captures: Sequence[str | Path] = (), *, bench: str | Path | None = None, stimulus: str | Path | None = None
) -> Run:
    """Check captures against a map, or a trial folder alone; return the run with its findings.

    Raises SourceError for a wrong map, bench file or stimulus log, CaptureError for a capture that cannot be read.
    """
    path = Path(map_or_trial)
    if not captures:
        return check_trial(load_trial(path))
    files = [Path(file) if file is not None else None for file in (bench, stimulus)]
    return check_trial(Trial(path, tuple(map(Path, captures)), files[0], files[1]))
