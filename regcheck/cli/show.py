"""`regcheck show`: the map as the datasheet would print it."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Annotated, Optional

import typer


def show(
    map_file: Annotated[Path, typer.Argument(metavar="MAP", help="A register map (YAML).")],
    name: Annotated[
        Optional[str],  # noqa: UP045 - typer reads it
        typer.Argument(metavar="NAME", help="One message or field: everything the map says of it, and its bits as a picture."),
    ] = None,
    ascii_only: Annotated[bool, typer.Option("--ascii", help="Plain ASCII.")] = False,
) -> int:
    """Print a map as a table, or one message with its bits.

    Reads a map. Prints its messages and fields, or all that it says of one.

    \b
    Exit codes:
      0    printed
      2    usage, or a wrong map

    \b
    Examples:
      regcheck show maps/ridge_4s.yaml
      regcheck show maps/ridge_4s.yaml protection
    """
    from regcheck.cli.inputs import readable
    from regcheck.device_map.compile import load_map
    from regcheck.report.lines import wants_ascii
    from regcheck.report.show_map import show_map, show_message

    register_map = load_map(readable(map_file, "map"))
    plain = ascii_only or wants_ascii(sys.stdout, os.environ)
    for line in show_map(register_map, ascii=plain) if name is None else show_message(register_map, name, ascii=plain):
        typer.echo(line)
    return 0
