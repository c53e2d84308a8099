"""Readings as Parquet files: a folder a message, so that a query of one message reads no other."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

from regcheck.errors import UsageError

if TYPE_CHECKING:
    import polars

ROWS_HELD = 2_000_000
"""Readings that are gathered before files are written: enough for files of a good size, little enough for any memory."""


def write_parquet(frames: Iterable[polars.DataFrame], folder: Path, units: Mapping[str, str], *, rows_held: int = ROWS_HELD) -> int:
    """Write frames as ``folder/message=NAME/part-0000.parquet``, the layout that Hive partitions have; return the number of readings.

    The folder is there whole or not at all. Each file keeps the columns but ``message``, which its folder says, in the order of time,
    and under the key ``units`` of its metadata the units of the map's fields as JSON. UsageError: the folder is there, or cannot be made.
    """
    if folder.exists():
        raise UsageError(f"{folder}: is there already; name a new folder")
    part = folder.with_name(f".{folder.name}.{os.getpid()}.part")
    try:
        part.mkdir()
        try:
            count = _write(frames, part, units, rows_held)
            part.replace(folder)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise UsageError(f"{folder}: cannot be written: {error.strerror or error}") from error
    return count


def _write(frames: Iterable[polars.DataFrame], folder: Path, units: Mapping[str, str], rows_held: int) -> int:
    held: dict[str, list[polars.DataFrame]] = {}
    written: dict[str, int] = {}
    count = waiting = 0
    for frame in frames:
        for (name,), rows in frame.partition_by("message", as_dict=True, include_key=False).items():
            held.setdefault(str(name), []).append(rows)
        count += len(frame)
        waiting += len(frame)
        if waiting >= rows_held:
            _flush(held, written, folder, units)
            waiting = 0
    _flush(held, written, folder, units)
    return count


def _flush(held: dict[str, list[polars.DataFrame]], written: dict[str, int], folder: Path, units: Mapping[str, str]) -> None:
    import polars as pl

    for name, parts in held.items():
        home = folder / f"message={quote(name, safe='')}"
        home.mkdir(exist_ok=True)
        number = written.get(name, 0)
        own = {path: unit for path, unit in units.items() if path.split(".")[0] == name}
        pl.concat(parts).write_parquet(home / f"part-{number:04}.parquet", metadata={"units": json.dumps(own, ensure_ascii=False)})
        written[name] = number + 1
    held.clear()
