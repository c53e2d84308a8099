"""Small trials in a few lines: a map, transfers, what the bench applied; findings by id come out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from textwrap import dedent, indent

from regcheck.bench.bench_file import Bench, examine_bench, load_bench
from regcheck.bench.stimulus import StimulusLog, load_stimulus
from regcheck.checks.finding import Finding
from regcheck.checks.plan import Plan
from regcheck.codec.checksums import pec
from regcheck.device_map.compile import load_map
from regcheck.device_map.model import RegisterMap
from regcheck.errors import Problem
from regcheck.traffic.batch import Batch
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.open import Capture
from regcheck.traffic.shapes import Transfer

ADDRESS = 0x0B
SECOND = 1_000_000_000
BYTE_NS = 100_000


def ns(seconds: float) -> int:
    return round(seconds * SECOND)


def register_map(registers: str, *, pec: str = "optional") -> RegisterMap:
    """Return a map of registers; ``registers`` is what stands below that key, at any indent."""
    text = (
        "regcheck: 1\n"
        'device: {name: probe-1, title: "Probe 1 (invented)"}\n'
        f"smbus: {{address: 0x0B, pec: {pec}}}\n"
        "registers:\n" + indent(dedent(registers).strip("\n"), "  ") + "\n"
    )
    return load_map(_file("map.yaml", text))


def _file(name: str, text: str) -> Path:
    """Write one file into a folder that goes away with the process's own temporary files."""
    path = Path(_FOLDER.name) / name
    path.write_text(text, encoding="utf-8")
    return path


_FOLDER = TemporaryDirectory(prefix="checks-")


def bench_text(channels: str, applied: str, *, timing: str = "{settle: 0 s, latency: 0 s}", clock: str = "shared", more: str = "") -> str:
    """Return a bench file's text; ``channels`` and ``applied`` are the lines below these keys."""
    parts = [
        "regcheck_bench: 1",
        "channels:\n" + indent(dedent(channels).strip("\n"), "  "),
        "applied:\n" + indent(dedent(applied).strip("\n"), "  "),
        f"timing: {timing}",
        f"clock: {clock}",
    ]
    return "\n".join([*parts, *([more] if more else [])]) + "\n"


def bench(map_: RegisterMap, channels: str, applied: str, **keys: str) -> Bench:
    return load_bench(_file("bench.yaml", bench_text(channels, applied, **keys)), map_)


def bench_problems(map_: RegisterMap, channels: str, applied: str, **keys: str) -> list[Problem]:
    return examine_bench(_file("bench.yaml", bench_text(channels, applied, **keys)), map_)[1]


def log(text: str, bench_: Bench) -> StimulusLog:
    """Return a stimulus log; its rows may be indented."""
    return load_stimulus(_file("stimulus.csv", dedent(text).strip("\n") + "\n"), bench_.columns(), bench_.words())


def read(time_s: float, command: int, data: bytes, *, check: bool | int = False, block: bool = False, address: int = ADDRESS) -> Transfer:
    """Return the host's read of a register; ``check``: with its PEC, or with this byte in its place."""
    sent = bytes((address << 1, command))
    came = bytes((address << 1 | 1,)) + (bytes((len(data),)) if block else b"") + data
    if check is not False:
        came += bytes((pec(sent + came) if check is True else check,))
    start = ns(time_s)
    return Transfer(start, (sent, came), start + BYTE_NS * (len(sent) + len(came)))


def write(time_s: float, command: int, data: bytes, *, check: bool = False, address: int = ADDRESS) -> Transfer:
    sent = bytes((address << 1, command)) + data
    start = ns(time_s)
    return Transfer(start, (sent + (bytes((pec(sent),)) if check else b""),), start + BYTE_NS * len(sent))


def word(time_s: float, command: int, raw: int, *, check: bool | int = False) -> Transfer:
    """Return the read of a word, low byte first."""
    return read(time_s, command, (raw & 0xFFFF).to_bytes(2, "little"), check=check)


def at_once(transfer: Transfer) -> Transfer:
    """Return a transfer that takes no time, for examples that give one time."""
    return replace(transfer, end_ns=transfer.time_ns)


def words(command: int, values: Iterable[tuple[float, int]]) -> list[Transfer]:
    return [word(time_s, command, raw) for time_s, raw in values]


@dataclass(frozen=True)
class Transfers:
    """A capture that never was a file."""

    transfers: Sequence[Transfer]
    source: int = 0
    batch_size: int = 1000
    buses: tuple[str, ...] = ("",)

    def batches(self) -> Iterator[Batch]:
        builder = BatchBuilder("memory", self.source, self.batch_size)
        last = None
        for place, transfer in enumerate(self.transfers):
            if last is not None and transfer.time_ns < last:
                builder.new_epoch()
            builder.add(transfer, place)
            last = transfer.time_ns
        yield from builder.finish()


def capture(transfers: Sequence[Transfer], source: int = 0, batch_size: int = 1000) -> Capture:
    return Capture(Path("memory"), "transfers", Transfers(transfers, source, batch_size))


def check(
    map_: RegisterMap, *captures: Sequence[Transfer], bench: Bench | None = None, log: StimulusLog | None = None, batch_size: int = 1000
) -> dict[str, Finding]:
    """Return the findings of a whole check by id, as `regcheck check` makes them."""
    plan = Plan(map_, bench, log)
    opened = [capture(one, number, batch_size) for number, one in enumerate(captures)]
    plan.survey(opened)
    folded = [plan.fold(number, one) for number, one in enumerate(opened)]
    for later in folded[1:]:
        folded[0].then(later)
    found = plan.findings(folded[0])
    by_id = {finding.id: finding for finding in found}
    assert len(by_id) == len(found), "two findings of one id"
    return by_id
