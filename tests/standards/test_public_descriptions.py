"""Public CAN descriptions, those in the source distribution of cantools (tests/files and examples): read by cantools, turned into maps,
random frames decoded by both.

It is looked for in the folder that REGCHECK_SDISTS names, else in .cache/sdists of the checkout, where .ci/run puts it.
"""

from __future__ import annotations

import os
import re
import tarfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

import cantools.database
import numpy as np
import pytest
from cantools.database.can import Database, Message, Signal
from cantools.database.errors import UnsupportedDatabaseFormatError

from regcheck.codec.plan import ColumnPlan
from regcheck.traffic.batch import Flag
from regcheck.traffic.frames import Frame
from tests.codec.can_frames import MS, batches_of, map_of
from tests.properties.cantools_maps import map_text, numbers_of, of_columns, same

ENCODINGS = {".dbc": "cp1252", ".sym": "cp1252", ".kcd": "utf-8", ".arxml": "utf-8"}
FD_LENGTHS = (12, 16, 20, 24, 32, 48, 64)  # ISO 11898-1, table of DLC codes
FRAMES = 24
"""Random frames of each message."""


def archive() -> Path:
    """Return the newest source distribution that is there; skips where there is none."""
    folder = Path(os.environ.get("REGCHECK_SDISTS", Path(__file__).parents[2] / ".cache" / "sdists"))
    found = sorted(folder.glob("cantools-*.tar.gz"), key=lambda one: [int(part) for part in re.findall(r"\d+", one.name)])
    if not found:
        pytest.skip(f"no source distribution of cantools in {folder}: pip download --no-deps --no-binary cantools cantools -d {folder}")
    return found[-1]


def databases() -> Iterator[tuple[str, Database]]:
    """Yield every description that cantools itself can read; some are there because they are wrong."""
    with tarfile.open(archive()) as files:
        for member in sorted(files.getmembers(), key=lambda one: one.name):
            path = PurePosixPath(member.name)
            content = files.extractfile(member)
            if path.suffix not in ENCODINGS or content is None:
                continue
            text = content.read().decode(ENCODINGS[path.suffix])
            try:
                database = cantools.database.load_string(text, path.suffix[1:], strict=False)
            except UnsupportedDatabaseFormatError:
                continue
            if isinstance(database, Database):
                yield str(path.relative_to(path.parts[0])), database


def bits(signal: Signal) -> list[int]:
    """Return the bits of a signal, the least significant first: bit n is bit n mod 8 of byte n div 8."""
    if signal.byte_order == "little_endian":
        return list(range(signal.start, signal.start + signal.length))
    first = signal.start // 8 * 8 + 7 - signal.start % 8
    return [at // 8 * 8 + 7 - at % 8 for at in reversed(range(first, first + signal.length))]


def selected(signals: list[Signal], selector: str, page: int) -> list[Signal]:
    return [one for one in signals if one.multiplexer_signal == selector and page in (one.multiplexer_ids or ())]


def pages_of(signals: list[Signal], selector: str) -> list[int]:
    return sorted({page for one in signals if one.multiplexer_signal == selector for page in one.multiplexer_ids or ()})


def groups(message: Message) -> Iterator[list[Signal]]:
    """Yield the signals that stand in a message together, by what is selected: the fixed ones, those of each page with them."""

    def inner(outer: list[Signal], own: list[Signal]) -> Iterator[list[Signal]]:
        yield outer + own
        for one in own:
            if one.is_multiplexer:
                for page in pages_of(message.signals, one.name):
                    yield from inner(outer + own, selected(message.signals, one.name, page))

    yield from inner([], [one for one in message.signals if not one.multiplexer_ids])


def why_not(message: Message) -> str:
    """Return why a message has no place in a map, "" where it has."""
    if message.is_container:
        return "a container of other messages"
    if not message.signals:
        return "no signals"
    if message.length > 8 and message.length not in FD_LENGTHS:
        return "longer than a frame, or of no length of FD"
    if any(one.length > 64 for one in message.signals):
        return "a number of more than 64 bits"
    for group in groups(message):
        taken = [bit for one in group for bit in bits(one)]
        if len(taken) != len(set(taken)):
            return "signals share bits"
        if max(taken) >= 8 * message.length:
            return "a signal ends beyond the message"
    for one in message.signals:
        siblings = [other for other in message.signals if other.is_multiplexer and other.multiplexer_signal == one.multiplexer_signal]
        if len([other for other in siblings if set(other.multiplexer_ids or (0,)) & set(one.multiplexer_ids or (0,))]) > 1:
            return "several multiplexers side by side"
    return ""


def payload_of(message: Message, random: np.random.Generator) -> bytes:
    """Return random bytes with pages that the message knows."""
    number = int.from_bytes(random.bytes(message.length), "little")
    selectors = [one for one in message.signals if one.is_multiplexer and not one.multiplexer_ids]
    while selectors:
        one = selectors.pop()
        page = int(random.choice(pages_of(message.signals, one.name)))
        for at, bit in enumerate(bits(one)):
            number = number & ~(1 << bit) | (page >> at & 1) << bit
        selectors += [inner for inner in selected(message.signals, one.name, page) if inner.is_multiplexer]
    return number.to_bytes(message.length, "little")


def named(name: str) -> str:
    """Return a name as a map wants it; what it may not hold is told by its number, so that two names stay two."""
    return "x_" + re.sub(r"[^a-z0-9_]", lambda found: f"_{ord(found[0])}", name)


def test_public_descriptions_decode_as_cantools_does() -> None:
    random = np.random.default_rng(11898)
    seen: Counter[str] = Counter()
    left_out: Counter[str] = Counter()
    for file, database in databases():
        messages: list[Message] = []
        known: set[object] = set()
        for one in database.messages:
            own = {named(one.name), (one.frame_id, one.is_extended_frame)}
            reason = why_not(one) or ("its id or name is another's, too" if own & known else "")
            left_out.update([reason] if reason else [])
            if not reason:
                messages.append(one)
                known |= own
        if not messages:
            continue
        register_map = map_of(map_text(messages, named))
        sent = [(one, payload_of(one, random)) for one in messages for _ in range(FRAMES)]
        frames = [
            Frame(at * MS, one.frame_id, payload, one.is_extended_frame, Flag.FD if one.is_fd or one.length > 8 else Flag(0))
            for at, (one, payload) in enumerate(sent)
        ]
        (batch,) = batches_of(frames)
        found = of_columns(ColumnPlan(register_map).decode(batch).messages)
        for at, (message, payload) in enumerate(sent):
            raw, value = numbers_of(message, payload, scaling=False), numbers_of(message, payload)
            where = f"{file}: {message.name} {payload.hex()}"
            assert set(found[at]) == {named(name) for name in value}, where
            floats = {one.name: one.is_float for one in message.signals}
            for name in value:
                ours = found[at][named(name)]
                assert same(ours, raw[name], value[name], is_float=floats[name]), (where, name, ours, raw[name], value[name])
        signals = [one for message in messages for one in message.signals]
        seen.update(files=1, messages=len(messages), signals=len(signals))
        seen.update(big=sum(one.byte_order == "big_endian" for one in signals), signed=sum(one.is_signed for one in signals))
        seen.update(pages=sum(bool(one.multiplexer_ids) for one in signals), floats=sum(one.is_float for one in signals))
    # a little less than what version 45.1.0 holds, so that nothing is left out in silence
    least = {"files": 90, "messages": 650, "signals": 1700, "signed": 600, "pages": 290, "big": 150, "floats": 25}
    assert not {key: seen[key] for key, number in least.items() if seen[key] < number}
    assert sum(number for reason, number in left_out.items() if reason != "no signals") <= 0.05 * seen["messages"], left_out
