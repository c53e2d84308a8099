"""Wires written for transfers keep the times of SMBus 3.1, table of AC specifications."""

from __future__ import annotations

import pytest

from regcheck.errors import EncodeError
from regcheck.traffic.batch import Flag
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_writer import vcd_text, wire_end_ns

READ = (b"\x16\x09", b"\x17\xd0\x39\x7e")
# ns at 100 and 400 kHz: t_LOW min, t_HIGH min, t_HD:STA min, t_SU:STA min, t_SU:STO min, t_SU:DAT min, t_BUF min
TIMES = {100_000: (4700, 4000, 4000, 4700, 4000, 250, 4700), 400_000: (1300, 600, 600, 600, 600, 100, 1300)}


def changes(text: str) -> list[tuple[int, str]]:
    time, found = 0, []
    for line in text.split("$enddefinitions $end\n")[1].splitlines():
        if line.startswith("#"):
            time = int(line[1:])
        elif line[0] in "01":
            found.append((time, line))
    return found


@pytest.mark.parametrize("speed", sorted(TIMES))
def test_times_of_the_standard_are_kept(speed):
    low, high, hold_start, set_up_start, set_up_stop, set_up_data, free = TIMES[speed]
    transfer = Transfer(50_000, READ)
    end = wire_end_ns(transfer, speed)
    text = "".join(vcd_text([transfer, Transfer(end + 1_000_000_000 // speed, READ)], speed_hz=speed))
    found = changes(text)
    scl, sda = 1, 1
    rise = fall = data = stop = -(10**9)
    started = -(10**9)
    for time, line in found[2:]:
        value = int(line[0])
        if line[1] == "!":
            if value:
                assert time - fall >= low
                assert time - data >= set_up_data
                rise = time
            else:
                assert time - started >= hold_start
                assert started > rise or time - rise >= high
                fall = time
            scl = value
            continue
        if scl and not value:
            assert time - rise >= set_up_start or rise < 0
            assert time - stop >= free
            started = time
        elif scl:
            assert time - rise >= set_up_stop
            stop = time
        else:
            assert time >= fall
        data, sda = time, value
    assert (scl, sda) == (1, 1)


def test_the_same_input_gives_the_same_text():
    assert list(vcd_text([Transfer(50_000, READ)])) == list(vcd_text([Transfer(50_000, READ)]))


@pytest.mark.parametrize("speed", [10_000, 100_000, 400_000, 1_000_000, 333_333])
def test_start_and_stop_stand_where_they_are_told(tmp_path, speed):
    first = Transfer(123_457, READ)
    second = Transfer(wire_end_ns(first, speed) + 200_001, READ, wire_end_ns(first, speed) + 200_001 + 10_000_000)
    path = tmp_path / "bus.vcd"
    path.write_text("".join(vcd_text([first, second], speed_hz=speed, end_ns=20_000_000, names=("smbclk", "smbdat"))))
    (batch,) = open_capture(path).batches()
    assert batch.time.tolist() == [first.time_ns, second.time_ns]
    assert batch.end.tolist() == [wire_end_ns(first, speed), second.end_ns]
    assert batch.end_ns == 20_000_000


@pytest.mark.parametrize(
    ("transfers", "options", "words"),
    [
        ([Transfer(50_000, READ), Transfer(60_000, READ)], {}, "the bus is free from"),
        ([Transfer(50_000, READ, 60_000)], {}, "at 100000 Hz it ends at 0.000619412 s"),
        ([Transfer(50_000, READ, flags=Flag.PARTIAL_BYTE)], {}, "a part of a byte"),
        ([Transfer(50_000, READ)], {"end_ns": 60_000}, "the last transfer ends at"),
        ([], {"speed_hz": 10}, "expected 1 kHz to 3.4 MHz"),
    ],
)
def test_what_does_not_fit_is_refused(transfers, options, words):
    with pytest.raises(EncodeError, match=words):
        list(vcd_text(transfers, **options))
