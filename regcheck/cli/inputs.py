"""What the commands take in common: a map and captures, or a trial folder in their place; progress on standard error."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from regcheck.errors import UsageError

if TYPE_CHECKING:
    from regcheck.checks.run import Progress
    from regcheck.checks.trial import Trial
    from regcheck.traffic.open import Capture

MAP_HELP = "A register map (YAML), or a trial: a folder with a trial.yaml, in place of map, captures, bench and stimulus."
CAPTURES_HELP = "Captures: VCD or CSV of the wires, transfer log, pcap; plain or gzip."
SIGNALS_HELP = "Names of the two wires in a VCD: SCL=name,SDA=name. Guessed where this is not said."


def trial_of(
    map_or_trial: Path, captures: list[Path], bench: Path | None = None, stimulus: Path | None = None, signals: str | None = None
) -> Trial:
    """Return the trial that the arguments mean. Raises UsageError where they do not go together."""
    from regcheck.checks.trial import TRIAL_FILE, Trial, load_trial, parse_signals

    if not map_or_trial.exists():
        raise UsageError(f"{map_or_trial}: no such file or folder; expected a map or a trial folder")
    if map_or_trial.is_dir() or map_or_trial.name == TRIAL_FILE:
        if captures or bench or stimulus:
            raise UsageError(
                f"{map_or_trial} is a trial, which names its own captures, bench and stimulus; give the map instead to use others"
            )
        return load_trial(map_or_trial)
    if not captures:
        raise UsageError(f"{map_or_trial}: a map alone; expected captures behind it, or a trial folder in its place")
    for path in captures:
        if not path.is_file():
            raise UsageError(f"{path}: no such capture")
    if (bench is None) != (stimulus is None):
        raise UsageError("--bench and --stimulus go together: the bench file says what the log's columns mean")
    for extra in (bench, stimulus):
        if extra is not None and not extra.is_file():
            raise UsageError(f"{extra}: no such file")
    try:
        wires = parse_signals(signals) if signals else None
    except ValueError as error:
        raise UsageError(f"--signals: {error}") from error
    return Trial(map_or_trial, tuple(captures), bench, stimulus, wires)


def progress_line() -> Progress | None:
    """Return what shows progress of long work on a terminal: nothing for the first second, then one line rewritten twice a second."""
    if not sys.stderr.isatty():
        return None
    began = time.monotonic()
    last = began + 0.5

    def show(capture: Capture, messages: int, reached_ns: int) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= 0.5:
            last = now
            text = f"{capture.path.name}: {messages} messages, {reached_ns / 1e9:.1f} s of capture, {now - began:.0f} s"
            sys.stderr.write(f"\r{text[:78]:<78}")
            sys.stderr.flush()

    return show


def clear_progress(progress: Progress | None) -> None:
    """Wipe the progress line before anything else is printed."""
    if progress is not None:
        sys.stderr.write("\r" + " " * 78 + "\r")
        sys.stderr.flush()
