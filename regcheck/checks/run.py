"""One check of one trial: captures through the accumulators, findings out, with what they rest on."""

from __future__ import annotations

import platform
import time
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from importlib.metadata import version

from regcheck.bench.bench_file import Bench, load_bench
from regcheck.bench.stimulus import StimulusLog, load_stimulus
from regcheck.checks.accuracy_findings import expected_errors
from regcheck.checks.decision import RULE
from regcheck.checks.finding import NamedFile, Run
from regcheck.checks.fold import ONE_PASS, Progress, Splitting, watched
from regcheck.checks.plan import Plan
from regcheck.checks.plot_data import Plots
from regcheck.checks.trial import Trial, refuse_lacking, refuse_misfits
from regcheck.codec.decoded import DecodedBatch
from regcheck.codec.plan import decoded_to_the_end
from regcheck.device_map.compile import load_map
from regcheck.device_map.frames import Fitted
from regcheck.device_map.model import RegisterMap
from regcheck.traffic.open import Capture, open_capture
from regcheck.traffic.stream import file_sha256


def decoded_batches(
    register_map: RegisterMap,
    capture: Capture,
    progress: Progress | None = None,
    *,
    fitted: Fitted | None = None,
    buses: Mapping[str, str] | None = None,
) -> Iterator[DecodedBatch]:
    """Give a capture decoded, batch by batch in order of time; reads it again for each level of state that its meanings hang on."""
    plan = Plan(register_map, None, None, fitted, buses)
    plan.survey([capture], progress)
    yield from decoded_to_the_end(plan.decoder(0, capture), watched(capture, progress))


@dataclass(frozen=True, slots=True)
class Inputs:
    """What a trial is judged by, read from its files: the map, and what the bench applied (both None without a bench)."""

    register_map: RegisterMap
    bench: Bench | None
    log: StimulusLog | None
    map_file: NamedFile
    bench_files: tuple[NamedFile, ...]


def load_inputs(trial: Trial) -> Inputs:
    """Return what a trial is judged by. Raises SourceError for a wrong map, bench file or stimulus log."""
    register_map = load_map(trial.map)
    bench = load_bench(trial.bench, register_map) if trial.bench is not None else None
    log = load_stimulus(trial.stimulus, bench.columns(), bench.words()) if bench is not None and trial.stimulus is not None else None
    refuse_misfits(trial, register_map)
    files = tuple(NamedFile(str(path), file_sha256(path)) for path in (trial.bench, trial.stimulus) if path is not None)
    return Inputs(register_map, bench, log, NamedFile(str(trial.map), file_sha256(trial.map)), files)


def check_trial(trial: Trial, progress: Progress | None = None, splitting: Splitting = ONE_PASS) -> Run:
    """Check a trial: every requirement of its map gets a finding. ``splitting`` shares the work and changes nothing of the result.

    Raises SourceError for a wrong map, bench file or stimulus log, CaptureError for a capture that cannot be read at all.
    """
    return check_by(load_inputs(trial), trial, progress, splitting)


def check_and_plot(trial: Trial, progress: Progress | None = None, splitting: Splitting = ONE_PASS) -> tuple[Run, Plots]:
    """Check a trial as ``check_trial`` does, and gather what a report of it draws; takes one more pass over the captures."""
    return _check(load_inputs(trial), trial, progress, splitting, plots=True)


def check_by(inputs: Inputs, trial: Trial, progress: Progress | None = None, splitting: Splitting = ONE_PASS) -> Run:
    """Check a trial whose map and bench have been read. Raises CaptureError for a capture that cannot be read at all."""
    return _check(inputs, trial, progress, splitting, plots=False)[0]


def _check(inputs: Inputs, trial: Trial, progress: Progress | None, splitting: Splitting, *, plots: bool) -> tuple[Run, Plots]:
    register_map, bench, log = inputs.register_map, inputs.bench, inputs.log
    captures = [
        open_capture(path, source=number, signals=trial.signals, columns=trial.columns) for number, path in enumerate(trial.captures)
    ]
    refuse_lacking(trial, captures)
    plan = Plan(register_map, bench, log, trial.fitted or None, trial.buses)
    with ThreadPoolExecutor(1) as beside:
        hashes = [beside.submit(capture.sha256) for capture in captures]  # a third of a core that nothing waits for
        plan.survey(captures, progress, splitting)
        folded = [plan.fold(number, capture, progress, splitting, plots=plots) for number, capture in enumerate(captures)]
        named = tuple(NamedFile(str(capture.path), one.result()) for capture, one in zip(captures, hashes, strict=True))
    done = folded[0]
    for later in folded[1:]:
        done.then(later)
    about = {
        "tool": f"regcheck {version('regcheck')}",
        "when": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "where": platform.node(),
        "tested": dict(trial.tested),
    }
    findings = tuple(plan.findings(done))
    run = Run(
        map_name=register_map.name,
        map_file=inputs.map_file,
        captures=named,
        bench=inputs.bench_files,
        decision="; ".join(part for part in (RULE, expected_errors(findings)) if part),
        findings=findings,
        about=about,
        complaints=tuple(done.transfers.first_complaints),
    )
    return run, plan.plots(done, findings, captures, progress) if plots else Plots()
