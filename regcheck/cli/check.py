"""`regcheck check`: a verdict for every requirement."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from regcheck.cli.inputs import CAPTURES_HELP, COLUMNS_HELP, MAP_HELP, SIGNALS_HELP, WORKERS_HELP

if TYPE_CHECKING:
    from regcheck.checks.fold import Splitting
    from regcheck.checks.trial import Trial


def check(
    map_or_trial: Annotated[Path, typer.Argument(metavar="MAP|TRIAL", help=MAP_HELP)],
    captures: Annotated[Optional[list[Path]], typer.Argument(metavar="CAPTURE", help=CAPTURES_HELP)] = None,  # noqa: UP045 - typer reads it
    bench: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Which channels the bench drives and what each field should then report (YAML)."),
    ] = None,
    stimulus: Annotated[Optional[Path], typer.Option(metavar="FILE", help="What the bench applied, over time (CSV).")] = None,  # noqa: UP045
    json: Annotated[Optional[Path], typer.Option(metavar="FILE", help="Write all findings with their evidence as JSON.")] = None,  # noqa: UP045
    junit: Annotated[Optional[Path], typer.Option(metavar="FILE", help="Write a JUnit file, a test case a finding, for CI.")] = None,  # noqa: UP045
    html: Annotated[Optional[Path], typer.Option(metavar="FILE", help="Write a report to read, sign and file, as one page.")] = None,  # noqa: UP045
    signals: Annotated[Optional[str], typer.Option(metavar="NAMES", help=SIGNALS_HELP)] = None,  # noqa: UP045
    columns: Annotated[Optional[str], typer.Option(metavar="NAMES", help=COLUMNS_HELP)] = None,  # noqa: UP045
    untested_fails: Annotated[
        bool, typer.Option("--untested-fails", help="Exit 4 where anything is undecided or untested; such test cases fail in JUnit.")
    ] = False,
    workers: Annotated[int, typer.Option(metavar="N", min=1, help=WORKERS_HELP)] = 1,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="A row for every finding, passes too.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Only the last line.")] = False,
) -> int:
    """Check captured traffic against a map, and against what the bench applied.

    Reads a map and captures, with --bench and --stimulus what was applied; or a trial, the folder that names them all.

    Prints a table, worst first, with the error strip: the brackets are the limits, the mark is the worst error, the bar its uncertainty.

    \b
    Exit codes:
      0    something passed and nothing failed
      1    a requirement failed
      2    usage, or a wrong map, bench, trial or stimulus file
      3    a capture cannot be read, or a worker was lost
      4    nothing passed and nothing failed; with --untested-fails:
           something is undecided or untested, and nothing failed
      130  stopped by Ctrl-C

    \b
    Examples:
      regcheck check captures/ridge-4s
      regcheck check captures/ridge-4s --html report.html
      regcheck check maps/ridge_4s.yaml bus.vcd --junit report.xml
    """
    from regcheck.cli.inputs import check_outputs, trial_of
    from regcheck.cli.sharing import sharing, splitting_of

    trial = trial_of(map_or_trial, captures or [], bench, stimulus, signals=signals, columns=columns)
    check_outputs(trial, {"--json": json, "--junit": junit, "--html": html})
    with sharing(workers) as run:
        splitting = splitting_of(trial, run)
        return check_and_print(
            trial, json=json, junit=junit, html=html, untested_fails=untested_fails, verbose=verbose, quiet=quiet, splitting=splitting
        )


def check_and_print(
    trial: Trial,
    *,
    json: Path | None = None,
    junit: Path | None = None,
    html: Path | None = None,
    untested_fails: bool = False,
    verbose: bool = False,
    quiet: bool = False,
    splitting: Splitting | None = None,
) -> int:
    """Check a trial, print its table, write what was asked for, and return the exit code."""
    from regcheck.checks.finding import Verdict
    from regcheck.checks.fold import ONE_PASS
    from regcheck.checks.plot_data import Plots
    from regcheck.checks.run import check_and_plot, check_trial
    from regcheck.cli import drop_output, say
    from regcheck.cli.inputs import clear_progress, progress_line
    from regcheck.cli.screen import print_table
    from regcheck.report.json_run import write_json
    from regcheck.report.junit import write_junit

    progress = progress_line()
    try:
        shared = splitting or ONE_PASS
        run, plots = check_and_plot(trial, progress, shared) if html is not None else (check_trial(trial, progress, shared), Plots())
    finally:
        clear_progress(progress)
    for complaint in run.complaints:
        say(complaint)
    try:
        print_table(run, verbose=verbose, quiet=quiet)
        sys.stdout.flush()
    except BrokenPipeError:  # `| head`: the verdict and the files are wanted all the same
        drop_output()
    if json is not None:
        write_json(run, json)
    if junit is not None:
        write_junit(run, junit, untested_fails=untested_fails)
    if html is not None:
        from regcheck.report.html_page import write_html

        write_html(run, html, plots, command=shlex.join(["regcheck", *sys.argv[1:]]))
    open_ones = any(finding.verdict in (Verdict.UNDECIDED, Verdict.UNTESTED) for finding in run.findings)
    if untested_fails and run.exit_code == 0 and open_ones:
        return 4
    return run.exit_code
