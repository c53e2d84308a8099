"""Everything that can be said of maps, bench files and trials without a capture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from regcheck.bench.applied import applied_fields
from regcheck.bench.bench_file import Bench, examine_bench
from regcheck.bench.stimulus import StimulusLog, load_stimulus
from regcheck.checks.decision import bench_too_uncertain, largest_u
from regcheck.checks.judge import make_judge
from regcheck.checks.trial import load_trial
from regcheck.codec.columns import FieldId
from regcheck.codec.examples import prove_examples
from regcheck.device_map.compile import examine_map
from regcheck.device_map.model import RegisterMap
from regcheck.device_map.yaml_source import read_yaml
from regcheck.errors import Place, Problem, Severity, SourceError, UsageError


def examine_files(files: Sequence[Path], bench: Path | None = None) -> list[Problem]:
    """Return every problem of the files, in the order given. A bench file among them is checked with the first map.

    Raises UsageError where there is nothing to check a bench file with.
    """
    maps: list[RegisterMap] = []
    benches: list[Path] = [bench] if bench is not None else []
    problems: list[Problem] = []
    for path in files:
        kind = _kind(path, problems)
        if kind == "bench":
            benches.append(path)
        elif kind == "trial":
            problems += _trial(path)
        elif kind == "map":
            found, own = _map(path)
            problems += own
            maps += [found] if found is not None else []
    for path in benches:
        if not maps:
            if not problems:
                raise UsageError(f"{path}: a bench file is checked with a map; give the map, too")
            continue
        problems += examine_bench(path, maps[0])[1]
    return problems


def _kind(path: Path, problems: list[Problem]) -> str:
    if path.is_dir():
        return "trial"
    try:
        node = read_yaml(path)
    except SourceError as error:
        problems += error.problems
        return ""
    keys = {str(key) for key in node}
    for key, kind in (("regcheck_bench", "bench"), ("regcheck_trial", "trial"), ("regcheck", "map")):
        if key in keys:
            return kind
    problems.append(
        Problem(
            Place(str(path), 1, 1),
            "this is no file of ours: it has none of the keys regcheck, regcheck_bench, regcheck_trial",
            "a map begins with `regcheck: 1`",
        )
    )
    return ""


def _map(path: Path) -> tuple[RegisterMap | None, list[Problem]]:
    found, problems = examine_map(path)
    if found is None:
        return None, problems
    return found, sorted([*problems, *prove_examples(found)], key=lambda problem: problem.place)


def _trial(path: Path) -> list[Problem]:
    try:
        trial = load_trial(path)
        found, problems = _map(trial.map)
        if found is None or trial.bench is None or trial.stimulus is None:
            return problems
        bench, own = examine_bench(trial.bench, found)
        problems += own
        if bench is not None:
            problems += poor_bench(found, bench, load_stimulus(trial.stimulus, bench.columns(), bench.words()))
    except SourceError as error:
        return list(error.problems)
    return problems


def poor_bench(register_map: RegisterMap, bench: Bench, log: StimulusLog) -> list[Problem]:
    """Return a note for every field whose limits nothing can pass with this bench's uncertainty (verdicts, rule 4)."""
    notes = []
    for one in applied_fields(bench, log):
        settle, latency = bench.timing.of(one.field)
        id = FieldId(one.field.message, one.field.name, one.element)  # noqa: A001 - a field's id is called so everywhere
        judge, _ = make_judge(id, one, register_map, (), settle_ns=settle, latency_ns=latency, warm_up_ns=0)
        for table in judge.tables:
            u = np.hypot(one.curve.u_s, one.curve.u_r)
            poor = table.limits.judged & bench_too_uncertain(table.limits.pass_low, table.limits.pass_high, u)
            if one.field.accuracy and poor.any():
                at = int(np.flatnonzero(poor)[0])
                needed = float(largest_u(table.limits.pass_low[at], table.limits.pass_high[at]))
                text = f"nothing can pass the accuracy of {id} with this bench: u is {float(u[at]):.3g} {one.field.unit or ''} at {float(one.curve.after[at]):.5g}"
                notes.append(Problem(one.field.given_keys.get("accuracy", one.field.place), text, f"needs u of at most {needed:.3g}", Severity.NOTE))
                break
    return notes
