"""`regcheck demo`: the main job on shipped data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from regcheck.errors import UsageError

TRIALS = {"faulty": "ridge-4s", "good": "ridge-4s-good"}


def shipped(name: str) -> Path:
    """Return a shipped trial's folder, beside the package in a checkout, inside it where it was installed."""
    package = Path(__file__).resolve().parents[1]
    for home in (package.parent, package / "shipped"):
        if (home / "captures" / name / "trial.yaml").is_file():
            return home / "captures" / name
    raise UsageError(f"the shipped trial '{name}' is not where it was installed; reinstall regcheck")


def demo(
    board: Annotated[
        str, typer.Argument(metavar="[faulty|good]", help="Which simulated board: one with faulty firmware, or a faultless one.")
    ] = "faulty",
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="A row for every finding, passes too.")] = False,
) -> int:
    """Check a shipped trial of an invented four-cell pack, whose firmware has a handful of faults.

    Exits as its check does: 1 for the faulty board, 0 for the good one.
    """
    from regcheck.checks.trial import load_trial
    from regcheck.cli.check import check_and_print

    if board not in TRIALS:
        raise UsageError(f"there is no board '{board}'; expected faulty or good")
    folder = shipped(TRIALS[board])
    typer.echo(f"regcheck check {folder}")
    return check_and_print(load_trial(folder), verbose=verbose)
