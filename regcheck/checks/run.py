"""One check of one trial: captures through the accumulators, findings out, with what they rest on."""

from __future__ import annotations

import platform
import time
from collections.abc import Iterator, Mapping
from importlib.metadata import version

from regcheck.bench.bench_file import load_bench
from regcheck.bench.stimulus import load_stimulus
from regcheck.checks.accuracy_findings import expected_errors
from regcheck.checks.decision import RULE
from regcheck.checks.finding import NamedFile, Run
from regcheck.checks.plan import Plan, Progress, watched
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


def check_trial(trial: Trial, progress: Progress | None = None) -> Run:
    """Check a trial: every requirement of its map gets a finding.

    Raises SourceError for a wrong map, bench file or stimulus log, CaptureError for a capture that cannot be read at all.
    """
    return _check(trial, progress, plots=False)[0]


def check_and_plot(trial: Trial, progress: Progress | None = None) -> tuple[Run, Plots]:
    """Check a trial as ``check_trial`` does, and gather what a report of it draws; takes one more pass over the captures."""
    return _check(trial, progress, plots=True)


def _check(trial: Trial, progress: Progress | None, *, plots: bool) -> tuple[Run, Plots]:
    register_map = load_map(trial.map)
    bench = load_bench(trial.bench, register_map) if trial.bench is not None else None
    log = load_stimulus(trial.stimulus, bench.columns(), bench.words()) if bench is not None and trial.stimulus is not None else None
    refuse_misfits(trial, register_map)
    captures = [
        open_capture(path, source=number, signals=trial.signals, columns=trial.columns) for number, path in enumerate(trial.captures)
    ]
    refuse_lacking(trial, captures)
    plan = Plan(register_map, bench, log, trial.fitted or None, trial.buses)
    plan.survey(captures, progress)
    folded = [plan.fold(number, capture, progress, plots=plots) for number, capture in enumerate(captures)]
    done = folded[0]
    for later in folded[1:]:
        done.then(later)
    about = {
        "tool": f"regcheck {version('regcheck')}",
        "when": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
        "where": platform.node(),
        "tested": dict(trial.tested),
    }
    files = [path for path in (trial.bench, trial.stimulus) if path is not None]
    findings = tuple(plan.findings(done))
    run = Run(
        map_name=register_map.name,
        map_file=NamedFile(str(trial.map), file_sha256(trial.map)),
        captures=tuple(NamedFile(str(capture.path), capture.sha256()) for capture in captures),
        bench=tuple(NamedFile(str(path), file_sha256(path)) for path in files),
        decision="; ".join(part for part in (RULE, expected_errors(findings)) if part),
        findings=findings,
        about=about,
        complaints=tuple(done.transfers.first_complaints),
    )
    return run, plan.plots(done, findings, captures, progress) if plots else Plots()
