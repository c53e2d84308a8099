"""`regcheck lint`: every fault of a map, at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


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
    from regcheck.errors import Severity

    problems = examine_files(files, bench)
    for problem in problems:
        if json:
            import json as json_format

            place = problem.place
            body = {
                "file": place.file,
                "line": place.line,
                "column": place.column,
                "severity": problem.severity.value,
                "problem": problem.text,
                "hint": problem.hint,
            }
            typer.echo(json_format.dumps(body, ensure_ascii=False))
        else:
            typer.echo(str(problem), err=True)
    return 2 if any(problem.severity is Severity.FAULT for problem in problems) else 0
