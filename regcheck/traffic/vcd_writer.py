"""Writes transfers as a value change dump (IEEE 1364-2001, clause 18) of SCL and SDA at a bus speed; the same input gives the same bytes.

A bit is low for 9/17 and high for 8/17 of a clock, data changes a sixth of a clock after SCL has fallen: at 100 kHz 5.3, 4.7 and 1.7 us,
within SMBus 3.1, table of AC specifications (t_LOW 4.7, t_HIGH 4.0, t_SU:STA 4.7, t_HD:STA 4.0, t_SU:STO 4.0, t_BUF 4.7 us).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from regcheck.errors import EncodeError
from regcheck.traffic.batch import Flag
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.times import format_seconds
from regcheck.traffic.wires import TIMEOUT_NS

_SCL, _SDA = "!", '"'
_TIMEOUT_MARGIN_NS = 1_000_000


class _Clock:
    """The times within one bit, in nanoseconds."""

    def __init__(self, speed_hz: int) -> None:
        if not 1_000 <= speed_hz <= 3_400_000:
            raise EncodeError(f"a bus speed of {speed_hz} Hz; expected 1 kHz to 3.4 MHz")
        self.period = round(1_000_000_000 / speed_hz)
        self.low = self.period * 9 // 17
        self.high = self.period - self.low
        self.hold = self.period // 6


def wire_end_ns(transfer: Transfer, speed_hz: int = 100_000) -> int:
    """Return when the stop of ``transfer`` comes at the earliest; without a stop, when its time runs out after the last clock."""
    clock = _Clock(speed_hz)
    at = transfer.time_ns
    for part in transfer.parts:
        at += clock.high + 9 * len(part) * clock.period  # SCL falls after the start and after every ninth clock
        at += clock.low + clock.high  # SCL rises for the stop or the next start, which comes a high time later
    if transfer.flags & Flag.NO_STOP:
        return at - clock.low - clock.high + TIMEOUT_NS
    return at


def vcd_text(
    transfers: Iterable[Transfer], *, speed_hz: int = 100_000, end_ns: int | None = None, names: tuple[str, str] = ("scl", "sda")
) -> Iterator[str]:
    """Yield the text of a dump piece by piece, one for each transfer; time 0 of the dump is time 0 of the transfers.

    A transfer whose ``end_ns`` is later than ``wire_end_ns`` stretches the clock before its stop; one without a stop leaves the clock low
    until the time has run out. The dump ends at ``end_ns``, or a clock after the last transfer. EncodeError: a transfer does not fit
    between its neighbours, at its speed, or carries what two wires in order cannot show (``NO_START``, ``PARTIAL_BYTE``).
    """
    clock = _Clock(speed_hz)
    yield (
        "$timescale 1 ns $end\n$scope module bus $end\n"
        f"$var wire 1 {_SCL} {names[0]} $end\n$var wire 1 {_SDA} {names[1]} $end\n"
        "$upscope $end\n$enddefinitions $end\n"
        f"#0\n$dumpvars\n1{_SCL}\n1{_SDA}\n$end\n"
    )
    free_ns = clock.high
    for transfer in transfers:
        if transfer.time_ns < free_ns:
            raise EncodeError(f"a transfer at {format_seconds(transfer.time_ns)} s; the bus is free from {format_seconds(free_ns)} s on")
        if transfer.flags & (Flag.NO_START | Flag.PARTIAL_BYTE):
            raise EncodeError(f"a transfer at {format_seconds(transfer.time_ns)} s without its start or with a part of a byte")
        lines, last_ns = _transfer_lines(transfer, clock, speed_hz)
        free_ns = last_ns + clock.period
        yield "\n".join(lines) + "\n"
    end_ns = free_ns if end_ns is None else end_ns
    if end_ns < free_ns - clock.period:
        raise EncodeError(f"an end at {format_seconds(end_ns)} s; the last transfer ends at {format_seconds(free_ns - clock.period)} s")
    yield f"#{end_ns}\n"


def _transfer_lines(transfer: Transfer, clock: _Clock, speed_hz: int) -> tuple[list[str], int]:
    natural_ns = wire_end_ns(transfer, speed_hz)
    end_ns = natural_ns if transfer.end_ns in (None, transfer.time_ns) else transfer.end_ns
    if end_ns is None or end_ns < natural_ns:
        raise EncodeError(
            f"a transfer from {format_seconds(transfer.time_ns)} s to {format_seconds(end_ns or 0)} s; "
            f"at {speed_hz} Hz it ends at {format_seconds(natural_ns)} s"
        )
    has_stop = not transfer.flags & Flag.NO_STOP
    refused = transfer.first_refused
    lines: list[str] = []
    at, index = transfer.time_ns, 0
    for number, part in enumerate(transfer.parts):
        lines.append(f"#{at}\n0{_SDA}")
        at += clock.high
        lines.append(f"#{at}\n0{_SCL}")
        level = 0
        for byte in part:
            for bit in (*(byte >> shift & 1 for shift in range(7, -1, -1)), int(index == refused)):
                if bit != level:
                    lines.append(f"#{at + clock.hold}\n{bit}{_SDA}")
                    level = bit
                lines.append(f"#{at + clock.low}\n1{_SCL}\n#{at + clock.period}\n0{_SCL}")
                at += clock.period
            index += 1
        is_last = number == len(transfer.parts) - 1
        if is_last and not has_stop:
            return _left_low(lines, at, level), at + TIMEOUT_NS + _TIMEOUT_MARGIN_NS
        before = 0 if is_last else 1  # a stop is SDA rising, a start SDA falling
        if level != before:
            lines.append(f"#{at + clock.hold}\n{before}{_SDA}")
        at = end_ns - clock.high if is_last else at + clock.low
        lines.append(f"#{at}\n1{_SCL}")
        at += clock.high
    lines.append(f"#{at}\n1{_SDA}")
    return lines, at


def _left_low(lines: list[str], at: int, level: int) -> list[str]:
    """Let SDA go while SCL is low, and SCL once the time has run out: neither is a start or a stop."""
    if not level:
        lines.append(f"#{at + _TIMEOUT_MARGIN_NS}\n1{_SDA}")
    lines.append(f"#{at + TIMEOUT_NS + _TIMEOUT_MARGIN_NS}\n1{_SCL}")
    return lines
