"""The transfer log: what is read, what is written, what is refused."""

from __future__ import annotations

import json
from io import StringIO
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regcheck.errors import CaptureError
from regcheck.traffic.batch import NO_BYTE, Batch, Flag, Kind, MessageKey
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.transfer_log import WORDS, TransferLogWriter, transfer_line

HEAD = '{"regcheck_transfers": 1, "bus": "smbus", "clock": "epoch", "note": "by hand"}\n'
GOOD = '{"time": 12.345678901, "end": 12.346012345, "parts": ["16 09", "17 D0 39 7E"]}\n'


def read(tmp_path: Path, text: str | bytes) -> list[Batch]:
    path = tmp_path / "bus.log"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(open_capture(path).batches())


def test_a_transfer(tmp_path):
    batch = read(tmp_path, HEAD + GOOD)[0]
    assert (batch.time[0], batch.end[0]) == (12_345_678_901, 12_346_012_345)
    assert MessageKey.unpack(int(batch.key[0])) == MessageKey(Kind.READ, 0x0B, 9)
    assert batch.message(0) == bytes.fromhex("16 09 17 D0 39 7E")
    assert (batch.split[0], batch.nack[0], batch.flags[0], batch.place[0]) == (2, 5, 0, 2)


def test_times_never_pass_through_a_float(tmp_path):
    batch = read(tmp_path, HEAD + '{"time": 1764028800.123456789, "parts": ["16"]}\n')[0]
    assert batch.time[0] == batch.end[0] == 1_764_028_800_123_456_789


@pytest.mark.parametrize(
    ("keys", "nack", "flags"),
    [
        ('"parts": ["16 09", "17"], "nack": 2', 2, 0),
        ('"parts": ["16"], "nack": 0', 0, 0),
        ('"parts": ["16 09", "17 D0"], "nack": null', NO_BYTE, 0),
        ('"parts": ["16 09", "17 D0"], "stop": false', 3, Flag.NO_STOP),
        ('"parts": ["16 09", "17 D0"], "stop": true, "flags": ["glitch", "sent_here"]', 3, Flag.GLITCH | Flag.SENT_HERE),
    ],
)
def test_keys(tmp_path, keys, nack, flags):
    batch = read(tmp_path, HEAD + f'{{"time": 1, {keys}}}\n')[0]
    assert (batch.nack[0], batch.flags[0], batch.complained) == (nack, flags, {})


def test_a_tick_extends_the_horizon(tmp_path):
    found = read(tmp_path, HEAD + '{"time": 5, "tick": true}\n{"time": 6, "parts": ["16"]}\n{"time": 9.5, "tick": true}\n')
    assert [(len(batch), batch.begin_ns, batch.end_ns) for batch in found] == [(1, 5 * 10**9, 9_500_000_000)]


def test_several_buses_stay_apart(tmp_path):
    text = HEAD + "".join(f'{{"time": {i}, "parts": ["16 0{i}"], "bus": "{bus}"}}\n' for i, bus in enumerate("abca"))
    batch = read(tmp_path, text)[0]
    assert batch.buses == ("a", "b", "c")
    assert [MessageKey.unpack(int(key)).bus for key in batch.key] == [0, 1, 2, 0]
    assert open_capture(tmp_path / "bus.log").buses == ("a", "b", "c")


@pytest.mark.parametrize(
    ("line", "kind", "words"),
    [
        ('{"time": 1, "parts": ["16"]', "damaged line", "no whole JSON object"),
        ("[1]", "damaged line", "no JSON object"),
        ('{"parts": ["16"]}', "damaged line", "time is None; expected a number of seconds"),
        ('{"time": "1", "parts": ["16"]}', "damaged line", "time is '1'"),
        ('{"time": true, "parts": ["16"]}', "damaged line", "time is True"),
        ('{"time": NaN, "parts": ["16"]}', "damaged line", "time is 'NaN'"),
        ('{"time": 1e300, "parts": ["16"]}', "damaged line", "beyond the times"),
        ('{"time": 2, "end": 1, "parts": ["16"]}', "damaged line", "end lies before time"),
        ('{"time": 1, "parts": []}', "damaged line", "parts is []"),
        ('{"time": 1, "parts": "16"}', "damaged line", "expected a list of byte texts"),
        ('{"time": 1, "parts": ["1"]}', "damaged line", "pairs of hexadecimal digits"),
        ('{"time": 1, "parts": ["16"], "nack": 1}', "damaged line", "nack is 1; expected the index of one of 1 bytes"),
        ('{"time": 1, "parts": ["16"], "nack": -1}', "damaged line", "nack is -1"),
        ('{"time": 1, "parts": ["16"], "flags": ["loud"]}', "damaged line", "flags is ['loud']"),
        ('{"time": 1, "parts": ["16"], "stop": 0}', "damaged line", "stop is '0'"),
        ('{"time": 1, "parts": ["16"], "bus": 3}', "damaged line", "bus is '3'"),
        ('{"time": 1, "parts": ["16"], "adress": 3}', "unknown key", "unknown key: adress"),
        ('{"time": 1, "tick": true, "parts": ["16"]}', "unknown key", "unknown key: parts"),
        ("\xff\xff", "damaged line", "no text"),
        ("[" * 100_000, "damaged line", "nested too deeply"),
    ],
)
def test_a_damaged_line_is_told_and_the_rest_is_read(tmp_path, line, kind, words):
    found = read(tmp_path, (HEAD + '{"time": 0, "parts": ["17"]}\n' + line + "\n" + GOOD).encode("latin-1"))
    assert found[0].message(len(found[0]) - 1) == bytes.fromhex("16 09 17 D0 39 7E")
    assert found[0].complained == {kind: 1}
    assert words in found[0].complaints[0].text
    assert found[0].complaints[0].place.line == 3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{}\n", "of version none; version 1 can be read"),
        ('{"regcheck_transfers": 2}\n', "of version 2; version 1 can be read"),
        ('{"regcheck_transfers": 1, "bus": "can"}\n', "of bus 'can'"),
        ('{"regcheck_transfers": 1, "clock": "local"}\n', "clock is 'local'"),
        ("{\n", "has no head"),
    ],
)
def test_a_log_without_its_head(tmp_path, text, words):
    with pytest.raises(CaptureError) as caught:
        read(tmp_path, text)
    assert words in str(caught.value)
    assert "bus.log:1" in str(caught.value)
    assert "begin it with" in str(caught.value)


def test_time_that_goes_backwards_begins_a_new_epoch(tmp_path):
    found = read(tmp_path, HEAD + GOOD + '{"time": 3, "parts": ["16"]}\n{"time": 4, "parts": ["17"]}\n')
    assert [(batch.epoch, len(batch), batch.begin_ns) for batch in found] == [(0, 1, 12_345_678_901), (1, 2, 3 * 10**9)]
    assert [batch.complained for batch in found] == [{}, {"time goes backwards": 1}]


def test_a_log_continued_under_a_new_head_is_a_new_epoch(tmp_path):
    found = read(tmp_path, HEAD + '{"time": 3, "parts": ["16"]}\n' + HEAD + GOOD)
    assert [(batch.epoch, len(batch)) for batch in found] == [(0, 1), (1, 1)]


parts = st.lists(st.binary(max_size=6), min_size=1, max_size=4).map(tuple)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(
            parts, st.integers(0, 10**12), st.integers(0, 10**8), st.data(), st.sets(st.sampled_from([*WORDS.values(), Flag.NO_STOP]))
        )
    )
)
def test_what_is_written_is_read(tmp_path, drawn):
    transfers = []
    at = 1_764_028_800_000_000_000
    for pieces, step, length, data, words in drawn:
        at += step
        count = sum(map(len, pieces))
        nack = data.draw(st.sampled_from([None, NO_BYTE, *range(count)]))
        flags = Flag(0)
        for word in words:
            flags |= word
        transfers.append(Transfer(at, pieces, at + length, nack, flags, data.draw(st.sampled_from(["", "i2c-1", 'b"\\']))))
    file = StringIO()
    writer = TransferLogWriter(file, clock="epoch")
    for transfer in transfers:
        writer.write(transfer)
        json.loads(transfer_line(transfer))
    found = [(batch, i) for batch in read(tmp_path, file.getvalue()) for i in range(len(batch))]
    assert len(found) == len(transfers)
    for (batch, i), transfer in zip(found, transfers, strict=True):
        assert (batch.time[i], batch.end[i]) == (transfer.time_ns, transfer.end_ns)
        assert batch.message(i) == b"".join(transfer.parts)
        assert batch.nack[i] == transfer.first_refused
        assert batch.flags[i] == transfer.flags
        assert batch.buses[MessageKey.unpack(int(batch.key[i])).bus] == transfer.bus
        assert batch.complained == {}
