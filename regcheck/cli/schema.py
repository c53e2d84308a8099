"""`regcheck schema`: the language for editors."""

from __future__ import annotations

from typing import Annotated

import typer

from regcheck.errors import UsageError


def schema(of: Annotated[str, typer.Argument(metavar="map|bench|trial", help="Which file's language.")] = "map") -> int:
    """Print the JSON Schema of maps, bench files or trials, so that an editor completes and checks as you type.

    Reads nothing. Prints JSON Schema, draft 2020-12.

    \b
    Exit codes:
      0    printed
      2    usage

    \b
    Example:
      regcheck schema > regcheck.schema.json
    """
    import json

    from regcheck.bench.bench_file import BenchEntry
    from regcheck.checks.trial import TrialEntry
    from regcheck.device_map.syntax import Entry, MapEntry, schema_of
    from regcheck.device_map.words import nearest

    entries: dict[str, type[Entry]] = {"map": MapEntry, "bench": BenchEntry, "trial": TrialEntry}
    if of not in entries:
        near = nearest(of, entries)
        raise UsageError(f"there is no schema of '{of}'; " + (f"did you mean {near}?" if near else "expected map, bench or trial"))
    typer.echo(json.dumps(schema_of(entries[of], of), indent=2))
    return 0
