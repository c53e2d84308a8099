"""`regcheck demo`: the main job on shipped data."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from regcheck.errors import UsageError

TRIALS = {"faulty": "ridge-4s", "good": "ridge-4s-good"}


def shipped(name: str) -> Path:
    """Return a shipped trial's folder: inside the package where it was installed, beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    for home in (package / "shipped", package.parent):
        if (home / "captures" / name / "trial.yaml").is_file():
            return home / "captures" / name
    raise UsageError(f"the shipped trial '{name}' is not where it was installed; reinstall regcheck")


def demo(
    board: Annotated[
        str, typer.Argument(metavar="faulty|good", help="Which simulated board: one with faulty firmware, or a faultless one.")
    ] = "faulty",
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="A row for every finding, passes too.")] = False,
) -> int:
    """Check a shipped trial of an invented four-cell pack, whose firmware has a handful of faults.

    Reads a trial that comes with regcheck; its path is said on standard error, so that you can look into it. Prints what check prints.

    \b
    Exit codes:
      0    the good board
      1    the faulty board, as a check of it
      2    usage

    \b
    Example:
      regcheck demo good
    """
    from regcheck.checks.trial import load_trial
    from regcheck.cli import say
    from regcheck.cli.check import check_and_print
    from regcheck.device_map.words import nearest

    if board not in TRIALS:
        near = nearest(board, TRIALS)
        raise UsageError(f"there is no board '{board}'; " + (f"did you mean {near}?" if near else "expected faulty or good"))
    folder = shipped(TRIALS[board])
    say(f"regcheck check {folder}")
    return check_and_print(load_trial(folder), verbose=verbose)
