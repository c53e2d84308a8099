"""Opening captures: what a file is, and what is said where it is none."""

from __future__ import annotations

import gzip
import hashlib

import pytest

from regcheck.errors import CaptureError, UsageError
from regcheck.traffic.open import FORMATS, open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_writer import vcd_text

VCD = "".join(vcd_text([Transfer(1_000_000, (b"\x16\x09",))])).encode()


@pytest.mark.parametrize("name", ["bus.csv", "bus", "bus.pcap.gz", "bus.vcd"])
def test_the_name_of_a_file_means_nothing(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(VCD)
    assert open_capture(path).format == "vcd"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is empty"),
        (gzip.compress(b"", mtime=0), "is empty"),
        (b"\x1f\x8b\x08", "nothing can be unpacked: the gzip stream is cut short"),
        (b"\x1f\x8b\xff" + bytes(40), "nothing can be unpacked: the gzip stream is damaged"),
        (b"\n \n", "is no capture that can be read here: only blanks"),
        (bytes(range(256)), "is no capture that can be read here: it begins with "),
        (b"\x89PNG\r\n\x1a\n", "is no capture"),
        (b"hello world\n", "it begins with 'hello world"),
        (b"a,b\n1,2\n", "is no capture"),
        ("é".encode("latin-1") * 30, "is no capture"),
    ],
)
def test_what_is_no_capture(tmp_path, content, words):
    path = tmp_path / "thing"
    path.write_bytes(content)
    with pytest.raises(CaptureError) as caught:
        list(open_capture(path).batches())
    assert words in str(caught.value)
    assert str(path) in str(caught.value)
    if "is no capture" in words:
        assert all(what in str(caught.value) for what in FORMATS.values())


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(CaptureError, match="there is no such file"):
        open_capture(tmp_path / "none")
    with pytest.raises(CaptureError, match="is a folder"):
        open_capture(tmp_path)


def test_a_wrong_use(tmp_path):
    with pytest.raises(UsageError, match="no capture format 'xml'; expected one of vcd, csv, transfers, pcap"):
        open_capture(tmp_path, format="xml")
    with pytest.raises(UsageError, match="positive"):
        open_capture(tmp_path, batch_size=0)


@pytest.mark.parametrize("word", sorted(FORMATS))
def test_a_told_format_is_held_to(tmp_path, word):
    path = tmp_path / "thing"
    path.write_bytes(b"stuff and nonsense\n")
    with pytest.raises(CaptureError, match="thing"):
        list(open_capture(path, format=word).batches())


def test_the_digest_is_of_the_file_as_it_stands(tmp_path):
    path = tmp_path / "bus.vcd.gz"
    path.write_bytes(gzip.compress(VCD, mtime=0))
    assert open_capture(path).sha256() == hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.parametrize("size", [1, 3, 1 << 20])
def test_gzip_members_one_behind_the_other_and_zeros_behind_them(tmp_path, size):
    path = tmp_path / "bus"
    path.write_bytes(gzip.compress(VCD[:100], mtime=0) + gzip.compress(VCD[100:], mtime=0) + bytes(7))
    found = list(open_capture(path, chunk_size=size).batches())
    assert [batch.message(0) for batch in found] == [b"\x16\x09"]
    assert found[0].complained == {}


def test_other_bytes_behind_a_gzip_stream_are_told(tmp_path):
    path = tmp_path / "bus"
    path.write_bytes(gzip.compress(VCD, mtime=0) + b"more")
    found = list(open_capture(path).batches())
    assert found[0].complained == {"damaged gzip stream": 1}
    assert found[0].complaints[0].place.offset == len(VCD)


def test_a_wrong_checksum_of_a_gzip_stream_is_told(tmp_path):
    packed = bytearray(gzip.compress(VCD, mtime=0))
    packed[-6] ^= 1
    path = tmp_path / "bus"
    path.write_bytes(packed)
    found = list(open_capture(path).batches())
    assert [batch.message(0) for batch in found] == [b"\x16\x09"]
    assert found[0].complained == {"damaged gzip stream": 1}


def test_memory_stays_flat(tmp_path):
    """A gzip file that unpacks to 60 MB is read within 24 MB beyond what reading a tenth of it takes."""
    import tracemalloc

    body = VCD.split(b"$enddefinitions $end\n")
    peaks = []
    for count in (6, 60):
        path = tmp_path / f"bus{count}"
        with gzip.open(path, "wb", compresslevel=1) as file:
            file.write(body[0] + b'$enddefinitions $end\n#0\n1!\n1"\n')
            for number in range(count):
                file.write(
                    b"".join(
                        b"#%d\n0!\n#%d\n1!\n" % (at * 10_000, at * 10_000 + 5000)
                        for at in range(number * 30_000 + 1, number * 30_000 + 30_001)
                    )
                )
        tracemalloc.start()
        assert sum(len(batch) for batch in open_capture(path).batches()) == 0
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 24_000_000
