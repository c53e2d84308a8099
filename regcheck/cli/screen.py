"""How a run is printed on this terminal."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from typing import TYPE_CHECKING

import typer

from regcheck.report.lines import choose_paint, painted, wants_ascii
from regcheck.report.table import table_lines

if TYPE_CHECKING:
    from regcheck.checks.finding import Run

CAUTION = "A pass claims what was exercised here, on this board and build, and nothing else."


def print_table(run: Run, *, verbose: bool, quiet: bool) -> None:
    """Print the findings worst first, then the totals; ``quiet`` prints only the last line."""
    width = max(48, shutil.get_terminal_size((80, 24)).columns)
    lines = table_lines(run.findings, width=width, ascii_only=wants_ascii(sys.stdout, os.environ), verbose=verbose)
    for line in painted(lines[-1:] if quiet else lines, choose_paint(sys.stdout, os.environ)):
        typer.echo(line)
    if not quiet:
        for text in textwrap.wrap(CAUTION, min(79, width - 1)):
            typer.echo(text)
