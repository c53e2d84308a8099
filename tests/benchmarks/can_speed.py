"""How fast CAN logs, wires and CRCs are read, beside what a user would take today: python-can, cantools, pyvcd, crcmod.

Run it from the project's folder: ``python -m tests.benchmarks.can_speed [--frames N]``. A short version runs with the tests.

It makes its own log: 20 ids, 124 fields, every frame with a counter and a CRC, half of them big-endian, 48 cells that the bench drives.
Both sides of a line are timed in turn, three times, and their medians compared. The slow libraries read the first part of the same data;
times are compared per frame (per value change, per row). Files are in the page cache, everything runs in one process.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from importlib.util import find_spec
from pathlib import Path

import can
import crcmod
import numpy as np
from cantools.database.can import Database, Message, Signal
from cantools.database.conversion import BaseConversion
from numpy.typing import NDArray
from vcd.reader import tokenize

from regcheck.checks.finding import Verdict
from regcheck.checks.run import check_trial
from regcheck.checks.trial import load_trial
from regcheck.codec.checksums import crc8_column
from regcheck.codec.plan import ColumnPlan
from regcheck.device_map.compile import load_map
from regcheck.device_map.crc_catalogue import CRC_CATALOGUE
from regcheck.traffic.batch import Batch
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_writer import vcd_text, wire_end_ns

FRAMES, THEIR_FRAMES = 2_000_000, 100_000
IDS, CELL_IDS, VALUES, STATE_IDS = 20, 12, 4, 4
"""80 values of 12 bits, 20 counters, 20 CRCs and 4 states: 124 fields. The cells are in the first ids."""

FIRST_ID = 0x100
PERIOD_NS = 10_000_000
BEGIN_S = 1_780_000_000
HOLDS = 20
TRANSFERS, THEIR_TRANSFERS = 35_000, 2_000
ROWS, THEIR_ROWS = 1_000_000, 100_000
CRC = CRC_CATALOGUE["CRC-8/SAE-J1850"]


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: ``ratio`` is how many times as fast as the other, or where ``at_most`` how many times as long it takes."""

    work: str
    other: str
    ratio: float
    goal: float
    ours: str
    theirs: str
    at_most: bool = False

    @property
    def share(self) -> float:
        """How much of the goal is reached: 1 is all of it."""
        return self.goal / self.ratio if self.at_most else self.ratio / self.goal

    def __str__(self) -> str:
        ratio = f"{self.ratio:6.1f} times {'the time' if self.at_most else 'as fast '}"
        goal = f"(goal {'at most ' if self.at_most else ''}{self.goal:g})"
        return f"{self.work:<24} {self.other:<34} {ratio} {goal:<16} {self.ours:>12} {self.theirs:>12}"


def place(value: int, is_big: bool) -> int:
    """Return where value ``value`` of an id begins: its most significant bit where big-endian, else its least significant one."""
    if not is_big:
        return 12 * value
    at = 12 * value
    return at // 8 * 8 + 7 - at % 8


def write_trial_files(folder: Path, rows: Sequence[str]) -> None:
    """Write what stands beside the log `bus.log`: map, bench, the stimulus log of ``rows``, and the trial that names them."""
    cells = range(CELL_IDS * VALUES)
    texts = {
        "map.yaml": map_text(),
        "stimulus.csv": "\n".join(rows) + "\n",
        "bench.yaml": f"regcheck_bench: 1\nchannels:\n  wire[0..{len(cells) - 1}]: {{unit: mV, uncertainty: 0.5 mV}}\napplied:\n"
        + "".join(f"  cell_{cell}: wire[{cell}]\n" for cell in cells)
        + f"timing: {{settle: 100 ms, latency: 100 ms, timestamps: +/- 0.1 ms}}\nclock: {BEGIN_S} s +/- 1 ms\n",
        "trial.yaml": "regcheck_trial: 1\nmap: map.yaml\ncaptures: [bus.log]\nbench: bench.yaml\nstimulus: stimulus.csv\n",
    }
    for name, text in texts.items():
        (folder / name).write_text(text, encoding="utf-8")


def map_text() -> str:
    """Return the map of the made log."""
    text = "regcheck: 1\ndevice: {name: probe rack, source: this benchmark}\ncan: {bitrate: 1 Mbit/s}\nframes:\n"
    for index in range(IDS):
        is_big, is_cells = index % 2 == 1, index < CELL_IDS
        text += f"  page_{index}:\n    id: {FIRST_ID + index:#x}\n    length: 8\n    every: 10 ms +/- 1 ms\n    fields:\n"
        for value in range(VALUES):
            at = place(value, is_big)
            where = f"{'msb' if is_big else 'lsb'}: byte {at // 8} bit {at % 8}, width: 12, order: {'big' if is_big else 'little'}"
            if is_cells:
                text += f"      cell_{VALUES * index + value}: {{{where}, unit: mV, range: 2000 .. 4000 mV, accuracy: 5 mV}}\n"
            else:
                name = f"current_{VALUES * index + value}"
                text += f"      {name}: {{{where}, type: signed, unit: A, scale: 0.25, range: -500 .. 500 A}}\n"
        text += "      alive: {bits: 48..51, counter: 0..15}\n"
        text += "      state: {bits: 52..55, names: {0: open, 1: closed}}\n" if index < STATE_IDS else ""
        text += f"      check: {{bytes: 7, crc: {CRC.name}, over: bytes 0..6}}\n"
    return text


def database() -> Database:
    """Return the same layout as cantools has it."""
    messages = []
    for index in range(IDS):
        is_big, is_cells = index % 2 == 1, index < CELL_IDS
        signals = [
            Signal(
                f"{'cell' if is_cells else 'current'}_{VALUES * index + value}",
                place(value, is_big),
                12,
                "big_endian" if is_big else "little_endian",
                is_signed=not is_cells,
                conversion=BaseConversion.factory(1 if is_cells else 0.25, 0, None, False),
            )
            for value in range(VALUES)
        ]
        signals += [Signal("alive", 48, 4), Signal("check", 56, 8)]
        signals += [Signal("state", 52, 4)] if index < STATE_IDS else []
        messages.append(Message(FIRST_ID + index, f"page_{index}", 8, signals, strict=True))
    return Database(messages)


def levels(duration_s: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the times at which the bench steps, f8[h], and what it applies to each cell in mV, i8[h, cells]."""
    cells = CELL_IDS * VALUES
    hold = np.arange(HOLDS)
    applied = (
        2030 + (hold[:, np.newaxis] * 7 + np.arange(cells)) % HOLDS * 100 + np.arange(cells)
    )  # every cell sees every level, no two alike
    return np.round(hold * duration_s / HOLDS, 3), applied


def payloads(count: int, random: np.random.Generator) -> NDArray[np.uint8]:
    """Return the bytes of frame 0 .. count - 1, u1[count, 8]; frame n has id n mod 20."""
    number = np.arange(count)
    index, cycle = number % IDS, number // IDS
    steps, applied = levels(count / IDS * PERIOD_NS / 1e9)
    hold = np.searchsorted(steps, cycle * (PERIOD_NS / 1e9), side="right") - 1
    codes = random.integers(-1800, 1800, (count, VALUES)) & 0xFFF
    cells = index < CELL_IDS
    columns = index[cells, np.newaxis] * VALUES + np.arange(VALUES)
    codes[cells] = applied[hold[cells, np.newaxis], columns] + random.integers(-1, 2, columns.shape)
    data = np.zeros((count, 8), np.uint8)
    first, second, is_big = codes[:, ::2], codes[:, 1::2], (index % 2 == 1)[:, np.newaxis]
    data[:, 0:6:3] = np.where(is_big, first >> 4, first & 0xFF)
    data[:, 1:6:3] = np.where(is_big, (first & 15) << 4 | second >> 8, first >> 8 | (second & 15) << 4)
    data[:, 2:6:3] = np.where(is_big, second & 0xFF, second >> 4)
    data[:, 6] = cycle % 16 | np.where(index < STATE_IDS, 0x10, 0)
    data[:, 7] = crc8_column(data[:, :7], CRC)
    return data


class Data:
    """The made files of one run, in ``folder``; those named ``their`` are the first part of the others."""

    def __init__(self, folder: Path, frames: int, their_frames: int = THEIR_FRAMES) -> None:
        self.folder, self.frames = folder, frames
        self.their_frames = min(frames, their_frames)
        self.log, self.their_log = folder / "bus.log", folder / "part.log"
        self.wires, self.their_wires = folder / "bus.vcd", folder / "part.vcd"
        self._write_log()
        self._write_trial()
        self.transfers = max(TRANSFERS * frames // FRAMES, 500)
        self.their_transfers = min(self.transfers, THEIR_TRANSFERS)
        self._write_wires()

    def _write_log(self) -> None:
        random = np.random.default_rng(20)
        text = payloads(self.frames, random).tobytes().hex().upper()
        micros = np.arange(self.frames) * (PERIOD_NS // IDS // 1000) + random.integers(0, 100, self.frames)
        with self.log.open("w", encoding="ascii") as whole, self.their_log.open("w", encoding="ascii") as part:
            for number, micro in enumerate(micros.tolist()):
                seconds, rest = divmod(micro, 1_000_000)
                id, content = FIRST_ID + number % IDS, text[16 * number : 16 * number + 16]
                line = f"({BEGIN_S + seconds}.{rest:06d}) can0 {id:03X}#{content}\n"
                whole.write(line)
                if number < self.their_frames:
                    part.write(line)

    def _write_trial(self) -> None:
        steps, applied = levels(self.frames / IDS * PERIOD_NS / 1e9)
        rows = [",".join(["time_s", *(f"wire_{cell}" for cell in range(CELL_IDS * VALUES))])]
        rows += [",".join([f"{at:.3f}", *map(str, row)]) for at, row in zip(steps.tolist(), applied.tolist(), strict=True)]
        rows.append(f"{self.frames / IDS * PERIOD_NS / 1e9 + 1:.3f},end" + "," * (CELL_IDS * VALUES - 1))
        write_trial_files(self.folder, rows)

    def _write_wires(self) -> None:
        pec = crcmod.mkCrcFun(0x107, initCrc=0, rev=False)

        def transfers(count: int) -> Iterator[Transfer]:
            at = 50_000
            for number in range(count):
                word = (number * 40503 & 0xFFFF).to_bytes(2, "little")
                sent = b"\x16\x09", b"\x17" + word
                transfer = Transfer(at, (sent[0], sent[1] + bytes([pec(b"".join(sent))])))
                yield transfer
                at = wire_end_ns(transfer) + 200_000

        for path, count in ((self.wires, self.transfers), (self.their_wires, self.their_transfers)):
            with path.open("w", encoding="ascii") as file:
                file.writelines(vcd_text(transfers(count)))

    @cached_property
    def batches(self) -> list[Batch]:
        return list(open_capture(self.log).batches())


def medians(ours: Callable[[], object], theirs: Callable[[], object]) -> tuple[float, float]:
    """Return how long each takes in s, the median of three; they take turns."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(3):
        for function, found in zip((ours, theirs), times, strict=True):
            begin = time.perf_counter()
            function()
            found.append(time.perf_counter() - begin)
    return statistics.median(times[0]), statistics.median(times[1])


def against(
    work: str, other: str, goal: float, *, ours: tuple[Callable[[], object], int], theirs: tuple[Callable[[], object], int]
) -> Line:
    """Return how many times as fast ours is, each a function and how many items it takes."""
    our_s, their_s = medians(ours[0], theirs[0])
    our_rate, their_rate = ours[1] / our_s, theirs[1] / their_s
    return Line(work, other, our_rate / their_rate, goal, f"{our_rate / 1e6:.3f} M/s", f"{their_rate / 1e6:.3f} M/s")


def count_of(items: Iterable[object]) -> int:
    return sum(1 for _ in items)


def values_of(plan: ColumnPlan, batches: Iterable[Batch]) -> Iterator[list[NDArray[np.float64]]]:
    """Yield the values of every field, batch by batch."""
    for batch in batches:
        yield [column.values() for one in plan.decode(batch).messages for column in one.fields.values()]


def lines(data: Data) -> Iterator[Line]:
    """Yield the table, each line when it is measured."""
    plan, layout = ColumnPlan(load_map(data.folder / "map.yaml")), database()
    frames, their_frames = data.frames, data.their_frames
    part = [(message.arbitration_id, bytes(message.data)) for message in can.CanutilsLogReader(data.their_log)]

    def their_values() -> None:
        for message in can.CanutilsLogReader(data.their_log):
            layout.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)

    def their_decoding() -> None:
        for id, payload in part:
            layout.decode_message(id, payload, decode_choices=False)

    yield against(
        "text log to frames",
        "python-can's reader",
        20,
        ours=(lambda: count_of(open_capture(data.log).batches()), frames),
        theirs=(lambda: count_of(can.CanutilsLogReader(data.their_log)), their_frames),
    )
    yield copying(plan, data)
    yield against(
        "frames to values",
        "cantools decode_message",
        40,
        ours=(lambda: count_of(values_of(plan, data.batches)), frames),
        theirs=(their_decoding, their_frames),
    )
    yield against(
        "text log to values",
        "python-can + cantools",
        40,
        ours=(lambda: count_of(values_of(plan, open_capture(data.log).batches())), frames),
        theirs=(their_values, their_frames),
    )

    def whole_check() -> None:
        run = check_trial(load_trial(data.folder))
        assert {one.verdict for one in run.findings} == {Verdict.PASS}, [
            one.says for one in run.findings if one.verdict is not Verdict.PASS
        ]

    yield against(
        "whole check of the log",
        "python-can + cantools decoding it",
        20,
        ours=(whole_check, frames),
        theirs=(their_values, their_frames),
    )
    yield wires(data)
    yield checksums(max(ROWS * frames // FRAMES, 10_000))


def copying(plan: ColumnPlan, data: Data) -> Line:
    """Return how many times as long decoding takes as copying the values that come out, batch by batch into arrays that are there."""
    held = list(values_of(plan, data.batches))
    room = [[np.zeros_like(one) for one in values] for values in held]

    def copy() -> None:
        for values, copies in zip(held, room, strict=True):
            for one, target in zip(values, copies, strict=True):
                np.copyto(target, one)

    our_s, their_s = medians(lambda: count_of(values_of(plan, data.batches)), copy)
    ours, theirs = (f"{data.frames / one / 1e6:.3f} M/s" for one in (our_s, their_s))
    return Line("frames to values", "np.copyto of the values", our_s / their_s, 5, ours, theirs, at_most=True)


def wires(data: Data) -> Line:
    """Return how many times as fast transfers are read as the tokenizer alone reads the value changes."""

    def read_transfers() -> None:
        found = sum(len(batch) for batch in open_capture(data.wires).batches())
        assert found == data.transfers

    def tokens() -> None:
        with data.their_wires.open("rb") as file:
            count_of(tokenize(file))

    sizes = [path.read_bytes().count(b"\n") for path in (data.wires, data.their_wires)]
    return against("VCD to transfers", "pyvcd's tokenizer alone", 60, ours=(read_transfers, sizes[0]), theirs=(tokens, sizes[1]))


def checksums(count: int) -> Line:
    """Return how many times as fast the CRCs of rows are as crcmod's, one message at a time."""
    data = np.random.default_rng(8).integers(0, 256, (count, 7), np.uint8)
    few = [row.tobytes() for row in data[:THEIR_ROWS]]
    made = crcmod.mkCrcFun(0x100 | CRC.poly, initCrc=CRC.init ^ CRC.xorout, rev=False, xorOut=CRC.xorout)
    assert [made(one) for one in few[:1000]] == crc8_column(data[:1000], CRC).tolist()[: len(few)]
    is_fast = find_spec("crcmod._crcfunext") is not None
    other = "crcmod's C extension" if is_fast else "crcmod WITHOUT its C extension"
    return against(
        "CRC-8 of rows",
        other,
        20,
        ours=(lambda: crc8_column(data, CRC), count),
        theirs=(lambda: [made(one) for one in few], len(few)),
    )


def main(arguments: list[str]) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=FRAMES, help=f"frames of the log ({FRAMES})")
    frames = parser.parse_args(arguments).frames
    with tempfile.TemporaryDirectory() as folder:
        data = Data(Path(folder), frames)
        size = data.log.stat().st_size / 1e6
        sys.stdout.write(f"{frames} frames of {IDS} ids, {size:.0f} MB as text; VCD of {data.wires.stat().st_size / 1e6:.0f} MB\n")
        for line in lines(data):
            sys.stdout.write(f"{line}\n")
            sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
