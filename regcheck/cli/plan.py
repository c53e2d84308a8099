"""`regcheck plan`: the stimuli that exercise everything a map requires."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Optional

import typer

from regcheck.errors import UsageError


def plan(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="A register map (YAML).")],
    bench: Annotated[
        Optional[Path],  # noqa: UP045 - typer reads it
        typer.Option(metavar="FILE", help="Which channels the bench drives and what each field should then report (YAML); needed."),
    ] = None,
    output: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--output", "-o", metavar="FILE", help="Write the steps as a stimulus log (CSV)."),
    ] = None,
    instances: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="NAMES", help="Which of several like devices are fitted: rack=3, or rack=1..4,string=a."),
    ] = None,
    poll: Annotated[str, typer.Option(metavar="TIME", help="How often messages are read of which the map does not say it.")] = "1 s",
) -> int:
    """Plan the stimuli that exercise everything a map requires.

    Reads a map and a bench file; the file that it writes is a stimulus log as check reads it. Nothing is applied: that is the bench's part.

    Prints each step with what it is for, how often to read meanwhile, and what cannot be reached, with the reason and what to do.

    \b
    Exit codes:
      0    planned; something may stay out of reach
      2    usage, or a wrong map or bench file

    \b
    Examples:
      regcheck plan maps/ridge_4s.yaml --bench bench.yaml -o stimulus.csv
      regcheck plan maps/scarp_96.yaml --bench bench.yaml --instances rack=3
    """
    from regcheck.bench.bench_file import load_bench
    from regcheck.cli import drop_output
    from regcheck.cli.inputs import fitted_of, readable, refuse_outputs
    from regcheck.device_map.compile import load_map
    from regcheck.device_map.limits import parse_time_ns
    from regcheck.planning.schedule import make_plan
    from regcheck.report.lines import wants_ascii
    from regcheck.report.show_plan import show_plan

    if bench is None:
        raise UsageError(f"{map_file}: a map alone; expected --bench FILE, which says what can be applied")
    try:
        poll_ns = parse_time_ns(poll)
    except ValueError as error:
        raise UsageError(f"--poll: {error}") from error
    if not poll_ns:
        raise UsageError("--poll: 0 s was found; expected how often messages are read, such as 500 ms")
    register_map = load_map(readable(map_file, "map"))
    loaded = load_bench(readable(bench, "bench file"), register_map)
    refuse_outputs({"--output": output}, [map_file, bench])
    made = make_plan(register_map, loaded, fitted_of(instances, register_map, map_file), poll_ns)
    if output is not None:
        output.write_text(made.csv(), encoding="utf-8")
    try:
        for line in show_plan(made, ascii=wants_ascii(sys.stdout, os.environ)):
            typer.echo(line)
        sys.stdout.flush()
    except BrokenPipeError:  # `| head`: the log is written all the same
        drop_output()
    return 0
