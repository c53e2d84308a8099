"""Decode, check and tabulate from a script or notebook, in three lines each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal, overload

from regcheck.checks.finding import Run
from regcheck.checks.plot_data import Plots
from regcheck.checks.run import check_and_plot as checked_and_plotted
from regcheck.checks.run import check_trial, decoded_batches
from regcheck.checks.trial import Trial, load_trial
from regcheck.codec.readings import Row, rows
from regcheck.device_map.model import RegisterMap
from regcheck.errors import UsageError
from regcheck.traffic.open import Capture

if TYPE_CHECKING:
    import pandas
    import polars
    import pyarrow

Kind = Literal["polars", "pandas", "arrow"]


def decode(register_map: RegisterMap, capture: Capture) -> Iterator[Row]:
    """Give a capture's readings in order of time: exact times in ns, raw codes, values as exact decimal texts, statuses.

    Raises CaptureError where the capture cannot be read.
    """
    for decoded in decoded_batches(register_map, capture):
        yield from rows(decoded.batch, decoded)


def check(
    map_or_trial: str | Path, captures: Sequence[str | Path] = (), *, bench: str | Path | None = None, stimulus: str | Path | None = None
) -> Run:
    """Check captures against a map, or a trial folder alone; return the run with its findings.

    Raises SourceError for a wrong map, bench file or stimulus log, CaptureError for a capture that cannot be read.
    """
    return check_trial(_trial(map_or_trial, captures, bench, stimulus))


def check_and_plot(
    map_or_trial: str | Path, captures: Sequence[str | Path] = (), *, bench: str | Path | None = None, stimulus: str | Path | None = None
) -> tuple[Run, Plots]:
    """Check as ``check`` does, and gather what figures and the HTML page draw. Raises as ``check`` does."""
    return checked_and_plotted(_trial(map_or_trial, captures, bench, stimulus))


def _trial(map_or_trial: str | Path, captures: Sequence[str | Path], bench: str | Path | None, stimulus: str | Path | None) -> Trial:
    path = Path(map_or_trial)
    if not captures:
        return load_trial(path)
    files = [Path(file) if file is not None else None for file in (bench, stimulus)]
    return Trial(path, tuple(map(Path, captures)), files[0], files[1])


@overload
def readings(register_map: RegisterMap, capture: Capture, kind: Literal["polars"] = ...) -> polars.DataFrame: ...
@overload
def readings(register_map: RegisterMap, capture: Capture, kind: Literal["pandas"]) -> pandas.DataFrame: ...
@overload
def readings(register_map: RegisterMap, capture: Capture, kind: Literal["arrow"]) -> pyarrow.Table: ...
def readings(register_map: RegisterMap, capture: Capture, kind: Kind = "polars") -> polars.DataFrame | pandas.DataFrame | pyarrow.Table:
    """Return a capture's readings as one table, a row a reading, with the columns of ``decode --format jsonl``.

    ``time`` is in seconds, exact. Each row has its unit; those of all fields by path (``message.field``) stand in the metadata, too:
    in pandas as ``attrs["units"]``, in arrow as JSON under ``units``. Raises UsageError where the library of ``kind`` is not
    installed, CaptureError where the capture cannot be read.
    """
    from regcheck.codec.tables import need_polars, table_schema, tables, units_of

    need_polars()
    import polars as pl

    frames = list(tables(register_map, decoded_batches(register_map, capture)))
    whole = pl.concat(frames) if frames else pl.DataFrame(schema=table_schema(register_map))
    return _as(whole, kind, units_of(register_map))


@overload
def findings(run: Run, kind: Literal["polars"] = ...) -> polars.DataFrame: ...
@overload
def findings(run: Run, kind: Literal["pandas"]) -> pandas.DataFrame: ...
@overload
def findings(run: Run, kind: Literal["arrow"]) -> pyarrow.Table: ...
def findings(run: Run, kind: Kind = "polars") -> polars.DataFrame | pandas.DataFrame | pyarrow.Table:
    """Return a run's findings as a table, a row a requirement, in the order of the map.

    ``error``, ``limit_low``, ``limit_high`` and ``uncertainty`` (expanded) are those of the error strip, in ``unit``; null where there is
    none. ``evidence`` is JSON. Raises UsageError where the library of ``kind`` is not installed.
    """
    import json

    from regcheck.codec.tables import need_polars

    need_polars()
    import polars as pl

    numbers = ("error", "limit_low", "limit_high", "uncertainty")
    words = ("id", "kind", "message", "field", "instance", "verdict", "reason", "says", "remedy", "unit", "evidence")
    types = dict.fromkeys(words, pl.String()) | dict.fromkeys(numbers, pl.Float64())
    body = []
    for finding in run.findings:
        one, strip = finding.as_json(), finding.strip
        held = {key: one.get(key) for key in words} | dict.fromkeys(numbers)
        held |= {"unit": one["evidence"].get("unit"), "evidence": json.dumps(one["evidence"], ensure_ascii=False)}
        if strip is not None:
            held |= dict(zip(numbers, (strip.worst, strip.low, strip.high, strip.uncertainty), strict=True)) | {"unit": strip.unit or None}
        body.append(held)
    return _as(pl.DataFrame(body, schema=types, orient="row"), kind, {})


def _as(frame: polars.DataFrame, kind: Kind, units: Mapping[str, str]) -> polars.DataFrame | pandas.DataFrame | pyarrow.Table:
    if kind == "polars":
        return frame
    if kind not in ("pandas", "arrow"):
        raise UsageError(f"there is no table of kind {kind!r}; expected polars, pandas or arrow")
    try:
        import pyarrow  # noqa: F401

        if kind == "pandas":
            import pandas  # noqa: F401
    except ImportError as error:
        raise UsageError(f"tables for {kind} take libraries that are not installed: pip install 'regcheck[notebook]'") from error
    if kind == "pandas":
        made = frame.to_pandas()
        made.attrs["units"] = dict(units)
        return made
    import json

    whole = frame.to_arrow()
    return whole.replace_schema_metadata({"units": json.dumps(dict(units), ensure_ascii=False)})
