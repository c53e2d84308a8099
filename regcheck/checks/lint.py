"""Everything that can be said of maps, bench files and trials without a capture.

The bench and numpy's part of the codec are imported where a file needs them, so that a map alone is told in a moment.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from regcheck.device_map.compile import examine_map
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.yaml_source import read_yaml
from regcheck.errors import Place, Problem, Severity, SourceError, UsageError

if TYPE_CHECKING:
    from regcheck.bench.bench_file import Bench
    from regcheck.bench.stimulus import StimulusLog

KINDS = {"regcheck_bench": "bench file", "regcheck_trial": "trial file", "regcheck": "map"}
"""The key that every file of a language has, and which one that is."""

_HEAD_BYTES = 1 << 16
_KIND_LINE = re.compile(rb"^(regcheck(?:_bench|_trial)?)[ \t]*:", re.MULTILINE)
_CAPTURE_STARTS = (
    b"\x1f\x8b",  # gzip
    b"$",  # VCD
    b"(",  # a log of CAN frames as text, each line with its time in parentheses
    b"MDF ",  # ASAM MDF 4
    b'{"regcheck_transfers"',
    b"\xd4\xc3\xb2\xa1",  # pcap, and its other byte order and nanosecond forms
    b"\xa1\xb2\xc3\xd4",
    b"\x4d\x3c\xb2\xa1",
    b"\xa1\xb2\x3c\x4d",
    b"\x0a\x0d\x0d\x0a",  # pcapng
)


def kind_of(path: Path) -> str:
    """Return what a file shows itself to be in its first bytes: capture, map, bench file, trial file, or "" for none of them.

    Raises OSError.
    """
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if head.lstrip(b" \t\r").startswith(_CAPTURE_STARTS):
        return "capture"
    found = _KIND_LINE.search(head.removeprefix(b"\xef\xbb\xbf"))
    return KINDS[found[1].decode()] if found else ""


def examine_files(files: Sequence[Path], bench: Path | None = None) -> list[Problem]:
    """Return every problem of the files, in the order given; what two of them say of one file stands once.

    Bench files are checked with each map among the files. Raises UsageError where there is none to check them with.
    """
    maps: list[RegisterMap] = []
    benches: list[Path] = [bench] if bench is not None else []
    problems: list[Problem] = []
    unread = False
    for path in files:
        kind = _kind(path, problems)
        if kind == "bench file":
            benches.append(path)
        elif kind == "trial file":
            problems += _trial(path)
        elif kind == "map":
            found, own = _map(path)
            problems += own
            maps += [found] if found is not None else []
            unread = unread or found is None
    for path in dict.fromkeys(benches):
        if not maps and not unread:
            raise UsageError(f"{path}: a bench file is checked with a map; give the map, too: regcheck lint MAP --bench {path}")
        problems += _bench(path, maps)
    return list(dict.fromkeys(problems))


def _kind(path: Path, problems: list[Problem]) -> str:
    """Return which language a file is in, "" where it is in none, which is a problem."""
    try:
        kind = "trial file" if path.is_dir() else kind_of(path)
        if kind == "capture":
            problems.append(Problem(Place(str(path)), "this is a capture; lint reads maps, bench files and trials", "see regcheck check"))
            return ""
        if kind:
            return kind
        node = read_yaml(path)
    except OSError as error:
        problems.append(Problem(Place(str(path)), f"the file cannot be read: {error.strerror or error}"))
        return ""
    except SourceError as error:
        problems += error.problems
        return ""
    for key, kind in KINDS.items():
        if key in node:
            return kind
    first = next(iter(node.values()), None)
    text = f"this is no file of ours: it has none of the keys {', '.join(KINDS)}"
    problems.append(Problem(first.place if first is not None else Place(str(path), 1, 1), text, "a map begins with `regcheck: 1`"))
    return ""


def _map(path: Path) -> tuple[RegisterMap | None, list[Problem]]:
    found, problems = examine_map(path)
    if found is not None and any(message.examples for message in found.messages):
        from regcheck.codec.examples import prove_examples

        problems = sorted([*problems, *prove_examples(found)], key=lambda problem: problem.place)
    faults = any(problem.severity is Severity.FAULT for problem in problems)
    return None if faults else found, problems


def _bench(path: Path, maps: Sequence[RegisterMap]) -> list[Problem]:
    """Return the problems of a bench file with each map; without one (its fault was told), those that need none."""
    from regcheck.bench.bench_file import examine_bench

    if not maps:
        try:
            read_yaml(path)
        except SourceError as error:
            return list(error.problems)
        return []
    return [problem for found in maps for problem in examine_bench(path, found)[1]]


def _trial(path: Path) -> list[Problem]:
    from regcheck.checks.trial import TRIAL_FILE, examine_trial, misfits

    try:
        trial, problems = examine_trial(path)
    except UsageError:
        return [Problem(Place(str(path)), "there is no trial here", f"a trial is a folder with a {TRIAL_FILE}")]
    if trial is None:
        return problems
    found, own = _map(trial.map)
    problems += own + (misfits(trial, found) if found is not None else [])
    maps = [found] if found is not None else []
    if trial.bench is not None:
        problems += _bench(trial.bench, maps)
    if trial.stimulus is None:
        return problems
    from regcheck.bench.bench_file import examine_bench
    from regcheck.bench.stimulus import load_stimulus

    bench = examine_bench(trial.bench, found)[0] if trial.bench is not None and found is not None else None
    try:
        log = load_stimulus(trial.stimulus, *((bench.columns(), bench.words()) if bench is not None else ()))
    except SourceError as error:
        return [*problems, *error.problems]
    return problems + (poor_bench(found, bench, log) if found is not None and bench is not None else [])


def poor_bench(register_map: RegisterMap, bench: Bench, log: StimulusLog) -> list[Problem]:
    """Return a note for every field whose limits nothing can pass with this bench's uncertainty."""
    import numpy as np

    from regcheck.bench.applied import applied_fields
    from regcheck.checks.decision import bench_too_uncertain, largest_u
    from regcheck.checks.judge import make_judge
    from regcheck.codec.columns import FieldId

    notes = []
    for one in applied_fields(bench, log):
        settle, latency = bench.timing.of(one.field)
        id = FieldId(one.field.message, one.field.name, one.element)
        judge, _ = make_judge(id, one, register_map, (), settle_ns=settle, latency_ns=latency, warm_up_ns=0)
        for table in judge.tables:
            u = np.hypot(one.curve.u_s, one.curve.u_r)
            poor = table.limits.judged & bench_too_uncertain(table.limits.pass_low, table.limits.pass_high, u)
            if one.field.accuracy and poor.any():
                at = int(np.flatnonzero(poor)[0])
                needed = float(largest_u(table.limits.pass_low[at], table.limits.pass_high[at]))
                unit = f" {one.field.unit.symbol}" if one.field.unit is not None else ""
                where = f"{float(one.curve.after[at]):.5g}{unit}"
                text = f"nothing can pass the accuracy of {id} with this bench: u is {float(u[at]):.3g}{unit} at {where}"
                notes.append(
                    Problem(
                        one.field.given_keys.get("accuracy", one.field.place), text, f"needs u of at most {needed:.3g}{unit}", Severity.NOTE
                    )
                )
                break
    return notes
