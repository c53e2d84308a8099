"""`regcheck lint`: every fault of a map, at once."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

if TYPE_CHECKING:
    from regcheck.errors import Problem


def lint(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="Maps, bench files and trials (YAML; a trial's folder, too).")],
    bench: Annotated[Optional[Path], typer.Option(metavar="FILE", help="A bench file that the maps are checked with.")] = None,  # noqa: UP045 - typer reads it
    json: Annotated[bool, typer.Option("--json", help="Print the problems as JSON lines on standard output.")] = False,
) -> int:
    """Look for every fault of maps, bench files and trials, each with its place.

    Checks keys, places of bits, commands, units, codes, ranges, accuracies, names in formulas, and works the map's examples
    through its own parser.

    Prints file:line:column: problem, as compilers do, on standard error; nothing where all is well. A line with 'note:' is advice.

    \b
    Exit codes:
      0    no fault; there may be notes
      2    a fault, or usage

    \b
    Examples:
      regcheck lint maps/ridge_4s.yaml
      regcheck lint maps/ridge_4s.yaml --bench bench.yaml
      regcheck lint captures/ridge-4s
    """
    from regcheck.checks.lint import examine_files
    from regcheck.cli import drop_output, say
    from regcheck.errors import Severity

    problems = examine_files(files, bench)
    try:
        for problem in problems:
            if json:
                typer.echo(_as_json(problem))
            else:
                say(str(problem))
        sys.stdout.flush()
    except BrokenPipeError:  # `| head`: the verdict is wanted all the same
        drop_output()
    return 2 if any(problem.severity is Severity.FAULT for problem in problems) else 0


def _as_json(problem: Problem) -> str:
    import json

    place = problem.place
    body = {
        "file": place.file,
        "line": place.line,
        "column": place.column,
        "severity": problem.severity.value,
        "problem": problem.text,
        "hint": problem.hint,
    }
    return json.dumps(body, ensure_ascii=False)
