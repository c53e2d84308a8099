"""What the commands take in common: a map and captures, or a trial folder in their place; progress on standard error."""

from __future__ import annotations

import os
import stat
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from regcheck.errors import CaptureError, Place, UsageError

if TYPE_CHECKING:
    from regcheck.checks.fold import Progress
    from regcheck.checks.trial import Trial
    from regcheck.device_map.frames import Fitted
    from regcheck.device_map.model import RegisterMap
    from regcheck.traffic.open import Capture

MAP_HELP = "A register map (YAML), or a trial: a folder with a trial.yaml, in place of map, captures, bench and stimulus."
CAPTURES_HELP = "Captures: VCD or CSV of the wires, transfer log, pcap; plain or gzip."
COLUMNS_HELP = "Columns of time and the two wires in a CSV: TIME,SCL,SDA, names or numbers from 1. Guessed where this is not said."
WORKERS_HELP = "Processes that share the work; the result is the same, to the byte."
SIGNALS_HELP = "Names of the two wires in a VCD: SCL=name,SDA=name. Guessed where this is not said."

_PLACES = {
    "capture": "it stands behind the map: MAP CAPTURE",
    "map": "it stands first: MAP CAPTURE",
    "bench file": "give it as --bench FILE",
    "trial file": "name it, or its folder, alone",
}


def readable(path: Path, expected: str) -> Path:
    """Return a file that is there, can be read, and is not of another of our kinds. Raises UsageError."""
    from regcheck.checks.lint import kind_of

    try:
        if path.is_dir():
            raise UsageError(f"{path}: is a folder; expected a {expected}")
        if path.exists() and not path.is_file():
            raise UsageError(f"{path}: is a pipe or a device; expected a {expected}, which is a file: save it in one first")
        kind = kind_of(path)
    except FileNotFoundError as error:
        words = "map, or a folder with a trial" if expected == "map" else expected
        raise UsageError(f"{path}: {_not_there(path)} (expected a {words})") from error
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}; expected a {expected}") from error
    if kind not in ("", expected):
        raise UsageError(f"{path}: this is a {kind}, expected a {expected}; {_PLACES[kind]}")
    return path


def _not_there(path: Path) -> str:
    """Return which part of a path is missing, and the nearest name that is there."""
    from regcheck.device_map.words import nearest

    while not path.parent.is_dir():
        path = path.parent
    near = nearest(path.name, sorted(other.name for other in path.parent.iterdir()))
    found = f"there is no '{path.name}' in {'this folder' if path.parent == Path() else path.parent}"
    return found + (f", did you mean '{path.parent / near}'?" if near else "")


def trial_of(
    map_or_trial: Path,
    captures: list[Path],
    bench: Path | None = None,
    stimulus: Path | None = None,
    *,
    signals: str | None = None,
    columns: str | None = None,
) -> Trial:
    """Return the trial that the arguments mean.

    Raises UsageError where they do not go together, CaptureError for a capture that is not there.
    """
    from regcheck.checks.trial import Trial, load_trial, parse_columns, parse_signals

    try:
        wires = parse_signals(signals) if signals is not None else None
    except ValueError as error:
        raise UsageError(f"--signals: {error}") from error
    try:
        table = parse_columns(columns) if columns is not None else None
    except ValueError as error:
        raise UsageError(f"--columns: {error}") from error
    if _is_trial(map_or_trial):
        trial = load_trial(map_or_trial)
        if captures or bench or stimulus:
            raise UsageError(
                f"{map_or_trial}: this is a trial, which names its own captures, bench and stimulus; give the map to use others"
            )
        return replace(trial, signals=wires or trial.signals, columns=table)
    readable(map_or_trial, "map")
    if not captures:
        raise UsageError(f"{map_or_trial}: a map alone; expected captures behind it, or a trial folder in its place")
    for number, path in enumerate(captures):
        _capture_there(path)
        if path in captures[:number]:
            raise UsageError(f"{path}: given twice; its readings would count twice")
    if (bench is None) != (stimulus is None):
        raise UsageError("--bench and --stimulus go together: the bench file says what the log's columns mean")
    if bench is not None:
        readable(bench, "bench file")
    if stimulus is not None:
        readable(stimulus, "stimulus log")
    return Trial(map_or_trial, tuple(captures), bench, stimulus, wires, columns=table)


def _is_trial(path: Path) -> bool:
    from regcheck.checks.lint import kind_of

    try:
        return path.is_dir() or (path.is_file() and kind_of(path) == "trial file")
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}; expected a map or a trial folder") from error


def _capture_there(path: Path) -> None:
    try:
        if not stat.S_ISREG(path.stat().st_mode) and not path.is_dir():
            raise CaptureError(Place(str(path)), "is a pipe or a device, and captures are read more than once", "save it in a file first")
    except FileNotFoundError as error:
        raise CaptureError(Place(str(path)), _not_there(path), "expected a capture") from error
    except OSError as error:
        raise CaptureError(Place(str(path)), f"cannot be read: {error.strerror}", "give the path of a file") from error


def check_outputs(trial: Trial, outputs: Mapping[str, Path | None]) -> None:
    """Refuse, before any long work, output files that cannot be written or that would overwrite what is read. Raises UsageError."""
    refuse_outputs(outputs, [path for path in (trial.map, *trial.captures, trial.bench, trial.stimulus, trial.file) if path is not None])


def refuse_outputs(outputs: Mapping[str, Path | None], inputs: Sequence[Path]) -> None:
    """Refuse output files that cannot be written or are among those that are read. Raises UsageError."""
    wanted = {option: path for option, path in outputs.items() if path is not None}
    for number, (option, path) in enumerate(wanted.items()):
        try:
            if path.is_dir():
                raise UsageError(f"{option} {path}: is a folder; name a file in it")
            if not path.parent.is_dir():
                raise UsageError(f"{option} {path}: there is no folder {path.parent}; make it first")
            for other in inputs:
                if path.is_file() and other.is_file() and path.samefile(other):
                    raise UsageError(f"{option} {path}: is read by this command, and would be overwritten; name another file")
        except OSError as error:
            raise UsageError(f"{option} {path}: cannot be written: {error.strerror}") from error
        for other_option, other in list(wanted.items())[:number]:
            if other.resolve() == path.resolve() and not path.is_char_device():
                raise UsageError(f"{other_option} and {option} name the same file, {path}")


def fitted_of(text: str | None, register_map: RegisterMap, map_file: Path) -> Fitted | None:
    """Return which like devices are fitted, as `rack=3` or `rack=1..4,string=a` says; None where nothing is said. Raises UsageError."""
    from regcheck.checks.trial import Trial, misfits

    if text is None:
        return None
    fitted: dict[str, tuple[int | str, ...]] = {}
    for part in text.split(","):
        name, equals, items = (one.strip() for one in part.partition("="))
        if not (name and equals and items):
            raise UsageError(f"--instances: '{part}' was found; expected a name and what is fitted, such as rack=3 or rack=1..4")
        low, dots, high = items.partition("..")
        if low.isdigit() and (high.isdigit() or not dots):
            fitted[name] = (*fitted.get(name, ()), *range(int(low), int(high or low) + 1))
        else:
            fitted[name] = (*fitted.get(name, ()), items)
    for problem in misfits(Trial(map_file, (), fitted=fitted), register_map):
        raise UsageError(f"--instances: {problem.text}" + (f" ({problem.hint})" if problem.hint else ""))
    return fitted


def progress_line(clock: Callable[[], float] = time.monotonic) -> Progress | None:
    """Return what shows progress of long work on a terminal: nothing for the first second, then one line rewritten twice a second."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        return None
    began = clock()
    last = began + 0.5

    def show(capture: Capture, messages: int, reached_ns: int) -> None:
        nonlocal last
        now = clock()
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
