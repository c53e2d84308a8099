"""`regcheck decode`: captured traffic as readings."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional, TextIO

import typer

from regcheck.cli.inputs import CAPTURES_HELP, COLUMNS_HELP, MAP_HELP, SIGNALS_HELP
from regcheck.errors import UsageError

if TYPE_CHECKING:
    import polars

    from regcheck.checks.fold import Progress
    from regcheck.checks.trial import Trial
    from regcheck.codec.decoded import DecodedBatch
    from regcheck.codec.readings import Row
    from regcheck.device_map.model import RegisterMap
    from regcheck.traffic.open import Capture

FORMATS = ("text", "jsonl", "csv", "parquet")
COLUMNS = ("time", "bus", "instance", "message", "field", "raw", "value", "unit", "status", "text")


def decode(
    map_or_trial: Annotated[Path, typer.Argument(metavar="MAP|TRIAL", help=MAP_HELP)],
    captures: Annotated[Optional[list[Path]], typer.Argument(metavar="CAPTURE", help=CAPTURES_HELP)] = None,  # noqa: UP045 - typer reads it
    format: Annotated[
        str, typer.Option("--format", "-f", metavar="text|jsonl|csv|parquet", help="How readings are printed; parquet takes --output.")
    ] = "text",
    field: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="NAME", help="Only this message, field, message.field or element, such as cell[3]; may be given again."),
    ] = None,
    output: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--output", "-o", metavar="FILE", help="Write there instead of to standard output; a new folder for parquet."),
    ] = None,
    signals: Annotated[Optional[str], typer.Option(metavar="NAMES", help=SIGNALS_HELP)] = None,  # noqa: UP045
    columns: Annotated[Optional[str], typer.Option(metavar="NAMES", help=COLUMNS_HELP)] = None,  # noqa: UP045
) -> int:
    """Decode captured traffic by a map, a reading a line, in order of time.

    Reads a map and captures, or a trial, the folder that names them.

    Prints time, field, value and status of every reading, exactly; a value that is joined from several messages stands behind the
    last of them. What gives no reading (refused transfers, transfers that no register explains, damaged records) is counted on
    standard error.

    \b
    Exit codes:
      0    decoded
      2    usage, or a wrong map or trial file
      3    a capture cannot be read
      130  stopped by Ctrl-C

    \b
    Examples:
      regcheck decode maps/ridge_4s.yaml bus.vcd
      regcheck decode captures/ridge-4s --format jsonl --field cells
      regcheck decode captures/scarp-96 --format parquet -o readings
    """
    from regcheck.checks.trial import refuse_lacking, refuse_misfits
    from regcheck.cli.inputs import check_outputs, trial_of
    from regcheck.device_map.compile import load_map
    from regcheck.device_map.words import nearest
    from regcheck.traffic.open import open_capture

    if format not in FORMATS:
        near = nearest(format, FORMATS)
        raise UsageError(f"there is no format '{format}'; " + (f"did you mean {near}?" if near else "expected text, jsonl, csv or parquet"))
    if format == "parquet":
        from regcheck.codec.tables import need_polars

        if output is None:
            raise UsageError("--format parquet takes --output FOLDER: a new folder, in which each message has files of its own")
        need_polars()
    trial = trial_of(map_or_trial, captures or [], signals=signals, columns=columns)
    check_outputs(trial, {"--output": output if format != "parquet" else None})
    register_map = load_map(trial.map)
    refuse_misfits(trial, register_map)
    only = frozenset(_known(register_map, name) for name in field or [])
    opened = [open_capture(path, source=number, signals=trial.signals, columns=trial.columns) for number, path in enumerate(trial.captures)]
    refuse_lacking(trial, opened)
    told = _Told(register_map, trial, opened, only, on_screen=output is None)
    if output is None:
        if isinstance(sys.stdout, io.TextIOWrapper) and format != "text":
            sys.stdout.reconfigure(encoding="utf-8", newline="")  # what machines read is the same everywhere
        _print(told, format, sys.stdout)
        return 0
    if format == "parquet":
        from regcheck.codec.tables import units_of
        from regcheck.report.parquet import write_parquet

        with told:
            write_parquet(told.frames(), output, units_of(register_map))
        return 0
    try:
        with output.open("w", encoding="utf-8", errors="backslashreplace", newline="") as stream:
            _print(told, format, stream)
    except BrokenPipeError:
        raise
    except OSError as error:
        raise UsageError(f"cannot write {output}: {error.strerror}; name a file in a folder that may be written to") from error
    return 0


def _known(register_map: RegisterMap, name: str) -> str:
    """Return the name of a message, field or element, as it was given. Raises UsageError where the map has none of it."""
    from regcheck.device_map.expression_tree import Name
    from regcheck.device_map.scope import MapScope, UnknownNameError
    from regcheck.device_map.words import nearest

    if register_map.message(name) is not None:
        return name
    bare, bracket, element = name.partition("[")
    try:
        if bracket and not element.removesuffix("]").isdecimal():
            raise UnknownNameError(f"'{name}' is no element; write such as {bare}[1]")
        MapScope(register_map).resolve(Name(tuple(bare.split("."))))
    except UnknownNameError as error:
        near = nearest(bare, [message.name for message in register_map.messages])
        hint = f"; did you mean '{near}'?" if near and "did you mean" not in str(error) else ""
        raise UsageError(f"--field {name}: {error}{hint}") from error
    return name


class _Told:
    """The captures' readings, and on standard error, while and after they are read, what gives none."""

    def __init__(self, register_map: RegisterMap, trial: Trial, captures: list[Capture], only: frozenset[str], *, on_screen: bool) -> None:
        self.on_screen = on_screen
        self.register_map, self.trial, self.captures, self.only = register_map, trial, captures, only
        self.progress: Progress | None = None
        self.unexplained: dict[str, int] = {}
        self.met: set[str] = set()

    def __enter__(self) -> None:
        from regcheck.cli.inputs import progress_line

        if not (self.on_screen and sys.stdout.isatty()):
            self.progress = progress_line()

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        from regcheck.cli import say
        from regcheck.cli.inputs import clear_progress

        clear_progress(self.progress)
        if kind is not None:
            return
        for name in sorted(self.only - self.met):
            say(f"no reading of --field {name} is in the capture")
        for reason, count in sorted(self.unexplained.items()):
            say(f"no reading from {count} transfer{'' if count == 1 else 's'}: {reason}")

    def _batches(self, capture: Capture) -> Iterator[DecodedBatch]:
        from regcheck.checks.run import decoded_batches
        from regcheck.cli import say
        from regcheck.cli.inputs import clear_progress

        fitted = self.trial.fitted or None
        for decoded in decoded_batches(self.register_map, capture, self.progress, fitted=fitted, buses=self.trial.buses):
            for complaint in decoded.batch.complaints:
                clear_progress(self.progress)
                say(f"{complaint.place}: {complaint.text}")
            for reason, count in decoded.without_reading().items():
                self.unexplained[reason] = self.unexplained.get(reason, 0) + count
            yield decoded

    def rows(self) -> Iterator[Row]:
        """Give the readings one by one."""
        from regcheck.codec.joined import Joiner
        from regcheck.codec.readings import rows

        for capture in self.captures:
            joiner = Joiner(self.register_map)
            for decoded in self._batches(capture):
                for row in joiner.rows(rows(decoded.batch, decoded)):
                    if not self.only:
                        yield row
                    elif not self.only.isdisjoint(names := _names(row.message, row.field)):
                        self.met.update(names)
                        yield row

    def frames(self) -> Iterator[polars.DataFrame]:
        """Give the readings as data frames."""
        from regcheck.codec.tables import tables

        for capture in self.captures:
            for frame in tables(self.register_map, self._batches(capture)):
                if not self.only:
                    yield frame
                    continue
                pairs = frame.select("message", "field").unique()
                wanted = [pair for pair in pairs.rows() if not self.only.isdisjoint(_names(*pair))]
                self.met.update(name for pair in wanted for name in _names(*pair))
                kept = pairs.filter([pair in wanted for pair in pairs.rows()])
                yield frame.join(kept, on=["message", "field"], how="semi", maintain_order="left")


def _print(told: _Told, format: str, stream: TextIO) -> None:
    with told:
        {"text": _text, "jsonl": _json_lines, "csv": _csv}[format](told.rows(), stream)
        stream.flush()


def _names(message: str, field: str) -> tuple[str, ...]:
    """Return every name that --field may call a reading by."""
    bare = field.partition("[")[0]
    return message, bare, f"{message}.{bare}", field, f"{message}.{field}"


def text_line(row: Row) -> str:
    """Return a reading as people read it: `12.345678 s  pack_state.pack_voltage  401.2 V  good`.

    The time is exact: six decimals, or as many as the nanoseconds need. Where there is no value there are the text, or nothing.
    """
    whole, part = divmod(abs(row.time_ns), 1_000_000_000)
    decimals = f"{part:09d}"
    time = f"{'-' if row.time_ns < 0 else ''}{whole}.{decimals[:6]}{decimals[6:].rstrip('0')} s"
    name = ".".join(part for part in (row.instance, row.message, row.field) if part)
    if row.field == row.message:
        name = f"{row.instance}.{row.field}" if row.instance else row.field
    if row.value is not None:
        label = f" ({row.text})" if row.text is not None else ""
        said = f"{row.value}{f' {row.unit}' if row.unit else ''}{label}"
    elif row.status == "good" and row.text is not None:
        said = f'"{row.text}"'
    else:
        said = row.text or ""
    return "  ".join(part for part in (time, f"{row.bus}:{name}" if row.bus else name, said, row.status) if part)


def _text(rows: Iterator[Row], stream: TextIO) -> None:
    for row in rows:
        stream.write(text_line(row) + "\n")


def _json_lines(rows: Iterator[Row], stream: TextIO) -> None:
    for row in rows:
        stream.write(row.json() + "\n")


def _csv(rows: Iterator[Row], stream: TextIO) -> None:
    import csv

    from regcheck.codec.readings import time_text

    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow(
            [time_text(row.time_ns), row.bus, row.instance, row.message, row.field, row.raw, row.value, row.unit, row.status, row.text]
        )
