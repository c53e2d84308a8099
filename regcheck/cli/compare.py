"""`regcheck compare`: what changed between runs."""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from regcheck.report.comparison import Side
    from regcheck.report.history import History
    from regcheck.report.lines import Line


def compare(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN", help="Runs that `check --json` wrote, oldest first, or folders of them.")],
    by: Annotated[
        Optional[str],  # noqa: UP045 - typer reads it
        typer.Option(metavar="TAG", help="Take runs together that are alike in this word of `tested`, such as firmware."),
    ] = None,
    requirement: Annotated[Optional[str], typer.Option(metavar="ID", help="Show one requirement run by run.")] = None,  # noqa: UP045
    json: Annotated[Optional[Path], typer.Option(metavar="FILE", help="Write what changed as JSON.")] = None,  # noqa: UP045
    html: Annotated[Optional[Path], typer.Option(metavar="FILE", help="Write what changed as one HTML page.")] = None,  # noqa: UP045
    database: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(metavar="FILE", help="Keep the runs in this SQLite file, so that the next call reads only new ones."),
    ] = None,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="All that changed, not only the first of each kind.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Only the last line.")] = False,
) -> int:
    """Compare runs: the last with the first, and what those between show.

    Prints verdicts that turned, errors that moved by more than their uncertainty, the spread over the runs of the last side, and errors
    that drift from run to run. Runs in a folder come in the order in which they ran.

    \b
    Exit codes:
      0    nothing turned for the worse
      1    something did: it fails now, or what passed no longer does
      2    usage, or a file that is no run
      130  stopped by Ctrl-C

    \b
    Examples:
      regcheck compare before.json after.json
      regcheck compare soak/ --by firmware
    """
    from regcheck.cli import drop_output, say
    from regcheck.cli.inputs import refuse_outputs
    from regcheck.report.compare_json import write_comparison
    from regcheck.report.compare_lines import compare_lines
    from regcheck.report.compare_page import write_comparison_page
    from regcheck.report.comparison import compare as compared
    from regcheck.report.comparison import sides_of
    from regcheck.report.history import History
    from regcheck.report.lines import wants_ascii

    refuse_outputs({"--json": json, "--html": html}, [path for path in runs if path.is_file()])
    history = History(database)
    try:
        added = history.add(runs)
        for other in added.others:
            say(f"{other}: is no run, passed over")
        sides = sides_of(history.runs(runs), by)
        ascii_only = wants_ascii(sys.stdout, os.environ)
        if requirement is not None:
            lines, code = _one(history, sides, requirement, ascii_only=ascii_only), 0
        else:
            found = compared(history, sides)
            lines, code = compare_lines(found, ascii_only=ascii_only, verbose=verbose), found.exit_code
            if json is not None:
                write_comparison(found, json)
            if html is not None:
                write_comparison_page(found, html, command=shlex.join(["regcheck", *sys.argv[1:]]))
    finally:
        history.close()
    try:
        _print(lines[-1:] if quiet else lines)
    except BrokenPipeError:
        drop_output()
    return code


def _one(history: History, sides: list[Side], id: str, *, ascii_only: bool) -> list[Line]:
    from regcheck.device_map.words import nearest
    from regcheck.errors import UsageError
    from regcheck.report.compare_lines import requirement_lines

    runs = [run for side in sides for run in side.runs]
    known = dict(history.requirements(runs))
    if id not in known:
        near = nearest(id, known)
        raise UsageError(f"--requirement: no run has {id}" + (f"; did you mean {near}?" if near else ""))
    rows = [(run, history.finding(id, run) if run.number in known[id] else None) for run in runs]
    return requirement_lines(id, rows, ascii_only=ascii_only)


def _print(lines: list[Line]) -> None:
    from regcheck.report.lines import choose_paint, painted

    for line in painted(lines, choose_paint(sys.stdout, os.environ)):
        typer.echo(line)
    sys.stdout.flush()
