"""`regcheck decode`: captured traffic as readings."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional, TextIO

import typer

from regcheck.cli.inputs import CAPTURES_HELP, MAP_HELP, SIGNALS_HELP
from regcheck.errors import UsageError

if TYPE_CHECKING:
    from regcheck.checks.trial import Trial
    from regcheck.codec.readings import Row

FORMATS = ("text", "jsonl", "csv")


def decode(
    map_or_trial: Annotated[Path, typer.Argument(metavar="MAP|TRIAL", help=MAP_HELP)],
    captures: Annotated[Optional[list[Path]], typer.Argument(metavar="[CAPTURE]...", help=CAPTURES_HELP)] = None,  # noqa: UP045 - typer reads it
    format: Annotated[str, typer.Option("--format", "-f", metavar="text|jsonl|csv", help="How readings are printed.")] = "text",
    field: Annotated[
        Optional[list[str]], typer.Option(metavar="NAME", help="Only this message, field or message.field; may be given again.")
    ] = None,  # noqa: UP045
    output: Annotated[
        Optional[Path], typer.Option("--output", "-o", metavar="FILE", help="Write there instead of to standard output.")
    ] = None,  # noqa: UP045
    signals: Annotated[Optional[str], typer.Option(metavar="NAMES", help=SIGNALS_HELP)] = None,  # noqa: UP045
) -> int:
    """Decode captured traffic by a map, a reading a line, in order of time.

    What gives no reading (refused transfers, transfers that no register explains, damaged records) is counted on standard error.

    Example: regcheck decode maps/ridge_4s.yaml bus.vcd --format jsonl --field cells
    """
    from regcheck.cli.inputs import trial_of

    if format not in FORMATS:
        raise UsageError(f"there is no format '{format}'; expected text, jsonl or csv")
    trial = trial_of(map_or_trial, captures or [], signals=signals)
    if output is None:
        return _decode(trial, format, field or [], sys.stdout)
    try:
        with output.open("w", encoding="utf-8", newline="") as stream:
            return _decode(trial, format, field or [], stream)
    except OSError as error:
        raise UsageError(f"{output}: cannot be written: {error.strerror}") from error


def _decode(trial: Trial, format: str, only: list[str], stream: TextIO) -> int:
    from regcheck.checks.run import decoded_batches
    from regcheck.cli.inputs import clear_progress, progress_line
    from regcheck.codec.readings import rows
    from regcheck.device_map.compile import load_map
    from regcheck.device_map.expression_tree import Name
    from regcheck.device_map.scope import MapScope, UnknownNameError
    from regcheck.traffic.open import open_capture

    register_map = load_map(trial.map)
    for name in only:
        if register_map.message(name) is None:
            try:
                MapScope(register_map).resolve(Name(tuple(name.split("."))))
            except UnknownNameError as error:
                raise UsageError(f"--field {name}: {error}") from error
    progress = progress_line() if not stream.isatty() else None
    printer = {"text": _text, "jsonl": _json_lines, "csv": _csv}[format]
    unexplained: dict[str, int] = {}
    captures = [open_capture(path, source=number, signals=trial.signals) for number, path in enumerate(trial.captures)]

    def readings() -> Iterator[Row]:
        for capture in captures:
            for decoded in decoded_batches(register_map, capture, progress):
                for complaint in decoded.batch.complaints:
                    typer.echo(f"{complaint.place}: {complaint.text}", err=True)
                for reason, count in decoded.without_reading().items():
                    unexplained[reason] = unexplained.get(reason, 0) + count
                for row in rows(decoded.batch, decoded):
                    bare = row.field.partition("[")[0]
                    if not only or {row.message, bare, f"{row.message}.{bare}"} & set(only):
                        yield row

    try:
        printer(readings(), stream)
    finally:
        clear_progress(progress)
    for reason, count in sorted(unexplained.items()):
        typer.echo(f"no reading from {count} transfers: {reason}", err=True)
    return 0


def _text(rows: Iterator[Row], stream: TextIO) -> None:
    for row in rows:
        name = row.field if row.field == row.message else f"{row.message}.{row.field}"
        value = (
            row.value if row.value is not None else (f'"{row.text}"' if row.status == "good" and row.text is not None else row.text or "")
        )
        label = f" ({row.text})" if row.value is not None and row.text is not None else ""
        unit = f" {row.unit}" if row.unit and row.value is not None else ""
        instance = f"{row.instance}." if row.instance else ""
        stream.write(f"{row.time_ns / 1e9:.6f} s  {instance}{name}  {value}{unit}{label}  {row.status}\n")


def _json_lines(rows: Iterator[Row], stream: TextIO) -> None:
    for row in rows:
        stream.write(row.json() + "\n")


def _csv(rows: Iterator[Row], stream: TextIO) -> None:
    import csv

    from regcheck.codec.readings import time_text

    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(["time", "bus", "instance", "message", "field", "raw", "value", "unit", "status", "text"])
    for row in rows:
        writer.writerow(
            [time_text(row.time_ns), row.bus, row.instance, row.message, row.field, row.raw, row.value, row.unit, row.status, row.text]
        )
