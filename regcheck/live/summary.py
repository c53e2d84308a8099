"""What a recording came to, in lines for a person."""

from __future__ import annotations

from collections.abc import Iterator

from regcheck.device_map.model import RegisterMap
from regcheck.live.can_listening import Listener
from regcheck.live.ear import Counts
from regcheck.live.listening import Listening
from regcheck.live.polling import Poller

ERROR_WORDS = {
    "nack": "address not acknowledged",
    "refused": "byte not acknowledged",
    "bus": "bus fault or byte not acknowledged",
    "arbitration": "arbitration lost",
    "timeout": "timeout",
    "bad_pec": "wrong PEC",
    "busy": "bus busy",
    "count": "block count not allowed",
    "unsupported": "not possible through this adapter",
    "adapter": "adapter gone",
}


def summary_lines(source: Listening, register_map: RegisterMap, *, seconds: float) -> Iterator[str]:
    """Yield the summary: what was heard on each bus, message by message, errors by kind, missed polls; then the files."""
    for ear in source.ears:
        if isinstance(ear, Poller):
            yield from _polled(ear)
        elif isinstance(ear, Listener):
            yield from _listened(ear, register_map)
    recorder = source.recorder
    if recorder is not None:
        files = recorder.files
        named = "nothing" if not files else str(files[0]) if len(files) == 1 else f"{files[0]} to {files[-1].name} ({len(files)} files)"
        yield f"{named}: {recorder.bytes} bytes, {source.heard} records in {seconds:.1f} s"


def _polled(ear: Poller) -> Iterator[str]:
    width = max((len(name) for name in ear.counts), default=0)
    yield f"{ear.name}: {'register':<{width}}  {'read':>8}  {'missed':>6}  {'retried':>7}  errors"
    for name, counts in ear.counts.items():
        pad = " " * (len(ear.name) + 2)
        yield f"{pad}{name:<{width}}  {counts.good:>8}  {counts.missed:>6}  {counts.retries:>7}  {_errors(counts.errors)}".rstrip()
    total = Counts()
    for counts in ear.counts.values():
        total.good += counts.good
        total.missed += counts.missed
        for kind, number in counts.errors.items():
            total.errors[kind] = total.errors.get(kind, 0) + number
    said = f"; errors: {_errors(total.errors)}" if total.errors else "; no errors"
    yield f"{ear.name}: {total.good} good reads, {total.missed} polls missed{said}"


def _listened(ear: Listener, register_map: RegisterMap) -> Iterator[str]:
    from regcheck.device_map.frames import FrameId, message_ids

    exact: dict[tuple[int, bool], str] = {}
    groups = []
    for message in register_map.messages:
        if message.kind != "frame":
            continue
        for known in message_ids(register_map, message):
            name = f"{known.instance}.{message.name}" if known.instance else message.name
            if isinstance(known, FrameId):
                exact[known.id, known.extended] = name
            else:
                groups.append((known, name))
    counts: dict[str, int] = {}
    strange = 0
    for (number, extended), count in ear.ids.items():
        found = exact.get((number, extended))
        if found is None and extended:
            found = next((name for known, name in groups if known.matches(number)), None)
        if found is None:
            strange += count
        else:
            counts[found] = counts.get(found, 0) + count
    for name, count in sorted(counts.items()):
        yield f"{ear.name}: {name}  {count}"
    said = f"; errors: {_errors(ear.errors)}" if ear.errors else "; no errors"
    yield f"{ear.name}: {sum(ear.ids.values())} frames, {strange} of them by ids that the map lacks{said}"


def _errors(errors: dict[str, int]) -> str:
    return ", ".join(f"{number} {ERROR_WORDS.get(kind, kind)}" for kind, number in sorted(errors.items()))
