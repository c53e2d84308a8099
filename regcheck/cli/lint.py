"""`regcheck lint`: every fault of a map, at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer


def lint(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Maps, bench files and trial files (YAML).")],
    bench: Annotated[Optional[Path], typer.Option(metavar="FILE", help="A bench file that the maps are checked with.")] = None,  # noqa: UP045 - typer reads it
    json: Annotated[bool, typer.Option("--json", help="Print the problems as JSON lines on standard output.")] = False,
) -> int:
    """Look for every fault of maps, bench files and trials, each with file:line:column.

    Checks keys, places of bits, commands, units, codes, ranges, accuracies, names in formulas, and works the map's examples through its own parser. Prints as compilers do, on standard error; exit 0 with notes only, 2 with a fault.

    Example: regcheck lint maps/ridge_4s.yaml
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
