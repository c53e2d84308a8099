"""A report file is there whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from regcheck.errors import UsageError


def write_whole(path: Path, data: bytes) -> None:
    """Write a file beside its place and rename it into it, so that no reader ever sees a part.

    A symbolic link keeps pointing to its target; a pipe or device is written straight. UsageError where the place cannot be written.
    """
    target = Path(os.path.realpath(path))
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(data)
            return
        part = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            with part.open("xb") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
            part.replace(target)
        finally:
            part.unlink(missing_ok=True)
    except OSError as problem:
        raise UsageError(f"cannot write {path}: {problem.strerror or problem}; name a file in a folder that may be written to") from problem
