"""The commands put together."""

from __future__ import annotations

import typer

from regcheck.cli.check import check
from regcheck.cli.compare import compare
from regcheck.cli.decode import decode
from regcheck.cli.demo import demo
from regcheck.cli.lint import lint
from regcheck.cli.plan import plan
from regcheck.cli.record import record
from regcheck.cli.schema import schema
from regcheck.cli.show import show

app = typer.Typer(
    name="regcheck",
    help="""Prove what a battery-management board reports.

    A register map in YAML, captured bus traffic and the bench's stimulus log go in; a verdict for every requirement comes out.

    \b
    First steps:
      regcheck demo                                  see it find faults
      regcheck show maps/ridge_4s.yaml               read a map
      regcheck lint my_map.yaml                      check one of your own
      regcheck check my_map.yaml bus.vcd             check traffic by it""",
    epilog="A battery can burn and its bus can be live: follow your lab's rules, local codes and licensed practice. "
    "regcheck reads; it writes nothing to any device, but for what `record --allow-writes` is told.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 80},
)
for command, purpose in (
    (check, "Check captured traffic against a map and its bench."),
    (decode, "Decode captured traffic by a map, a reading a line."),
    (compare, "Compare runs: what turned, what moved, what spreads."),
    (plan, "Plan the stimuli that exercise all that a map requires."),
    (record, "Record a live bus into a file, as it comes."),
    (lint, "Look for every fault of maps, bench files and trials."),
    (show, "Print a map as a table, or one message with its bits."),
    (schema, "Print the JSON Schema of a language, for editors."),
    (demo, "Check a shipped trial of an invented pack."),
):
    app.command(short_help=purpose)(command)


@app.callback(invoke_without_command=True)
def top(version: bool = typer.Option(False, "--version", help="Print the version and stop.")) -> None:
    """Take the options that stand before any command."""
    if version:
        from importlib.metadata import version as installed

        typer.echo(f"regcheck {installed('regcheck')}")
        raise typer.Exit
