"""CSV files of levels."""

from __future__ import annotations

from pathlib import Path

import pytest

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Batch, Flag
from regcheck.traffic.open import open_capture

# 16 09 with both bytes acknowledged, one sample every 2.5 us, by hand: start, 18 bits of four samples, stop
_BITS = "00010110000001001" + "0"
LEVELS = [(1, 1), (1, 1), (1, 0), *((scl, int(bit)) for bit in _BITS for scl in (0, 0, 1, 1)), (0, 0), (1, 0), (1, 1), (1, 1)]


def lines(separator: str = ",", head: str | None = "time_s,scl,sda", form: str = "{:.7f}", scale: float = 1.0) -> list[str]:
    rows = [separator.join((form.format(number * 2.5e-6 * scale), str(scl), str(sda))) for number, (scl, sda) in enumerate(LEVELS)]
    return rows if head is None else [head.replace(",", separator), *rows]


def read(tmp_path: Path, text: str | bytes, **options: object) -> list[Batch]:
    path = tmp_path / "levels.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(open_capture(path, **options).batches())  # type: ignore[arg-type]


def check(found: list[Batch]) -> None:
    assert [len(batch) for batch in found] == [1]
    assert found[0].message(0) == bytes.fromhex("16 09")
    assert found[0].time[0] == 5_000
    assert found[0].end[0] == (len(LEVELS) - 2) * 2_500
    assert found[0].end_ns == (len(LEVELS) - 1) * 2_500
    assert found[0].flags[0] == 0
    assert found[0].complained == {}


@pytest.mark.parametrize(
    "text",
    [
        "\n".join(lines()),
        "\r\n".join(lines()) + "\r\n",
        "\ufeff" + "\n".join(lines()),
        "# made by hand\n\n" + "\n".join(lines()) + "\n\n",
        "\n".join(lines(";")),
        "\n".join(lines("\t")),
        "\n".join(line.replace(".", ",") for line in lines(";")),
        "\n".join(lines(head="Time [s],SCL,SDA")),
        "\n".join(lines(head='"Time(us)","SMBCLK","SMBDAT"', form="{:.1f}", scale=1e6)),
        "\n".join(lines(head="time_ms,clock,data", form="{:.4f}", scale=1e3)),
        "\n".join(lines(head="t_ns,clk,dat", form="{:.0f}", scale=1e9)),
        "\n".join(lines(form="{:.6e}")),
        "\n".join(line.replace(",1", ",z") for line in lines()),
    ],
    ids=["plain", "crlf", "mark", "comments", "semicolons", "tabs", "decimal comma", "capitals", "quotes", "ms", "ns", "exponents", "z"],
)
def test_spellings(tmp_path, text):
    check(read(tmp_path, text))


def test_columns_told_by_name_and_number(tmp_path):
    named = "\n".join(["n,d,when,c", *(f"0,{line.split(',')[2]},{line.split(',')[0]},{line.split(',')[1]}" for line in lines(head=None))])
    check(read(tmp_path, named, columns=("when", "c", "d")))
    check(read(tmp_path, named, columns=("3", "4", "2")))
    check(read(tmp_path, "\n".join(lines(head=None)), columns=("1", "2", "3")))


@pytest.mark.parametrize(
    ("text", "columns", "words"),
    [
        ("time_s,scl,other\n0,1,1\n", None, "levels.csv:1: the CSV has no column for SDA; its columns are time_s, scl, other"),
        ("time_s,scl,sda,data\n0,1,1,1\n", None, "several columns for SDA"),
        ("0,1,1\n", None, "no line that names its columns; it has 3 of them"),
        ("time_s,scl,sda\n0,1,1\n", ("time_s", "scl", "9"), "no column '9'"),
        ("time_s,scl,sda\n0,1,1\n", ("time_s", "scl", "scl"), "three columns"),
    ],
)
def test_columns_that_cannot_be_found(tmp_path, text, columns, words):
    with pytest.raises(CaptureError) as caught:
        read(tmp_path, text, columns=columns)
    assert words in str(caught.value)
    assert "--columns TIME,SCL,SDA" in str(caught.value)


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        ("0.000001,1", "2 columns; expected at least 3"),
        ("soon,1,1", "'soon' is no decimal number"),
        ("0.000001,2,1", "levels are '2' and '1'; expected 0, 1, x or z"),
        ("0.000001,,1", "levels are '' and '1'"),
        ("\xff\xfe", "the line is no text"),
    ],
)
def test_a_damaged_line_is_told_and_the_rest_is_read(tmp_path, damage, words):
    text = lines()
    text.insert(2, damage)
    found = read(tmp_path, "\n".join(text).encode("latin-1"))
    assert found[0].message(0) == bytes.fromhex("16 09")
    assert found[0].complained == {"damaged line": 1}
    assert words in found[0].complaints[0].text
    assert found[0].complaints[0].place.line == 3


def test_the_place_is_the_line_of_the_start(tmp_path):
    assert read(tmp_path, "\n".join(lines()))[0].place[0] == 4


def test_time_that_goes_backwards_begins_a_new_epoch(tmp_path):
    found = read(tmp_path, "\n".join(lines() + lines(head=None)))
    assert [batch.epoch for batch in found] == [0, 1]
    assert [batch.message(0) for batch in found] == [bytes.fromhex("16 09")] * 2
    assert sum(batch.complained.get("time goes backwards", 0) for batch in found) == 1


def test_an_unknown_level_is_flagged(tmp_path):
    text = "\n".join(lines()).replace("0.0000225,1,0", "0.0000225,1,0").splitlines()
    text[1 + 3 + 2] = text[1 + 3 + 2][:-1] + "x"
    text[1 + 3 + 1] = text[1 + 3 + 1][:-1] + "x"
    text[1 + 3 + 3] = text[1 + 3 + 3][:-1] + "x"
    assert read(tmp_path, "\n".join(text))[0].flags[0] & Flag.UNKNOWN_LEVEL


def test_levels_without_edges_hold_no_transfers(tmp_path):
    found = read(tmp_path, "time_s,scl,sda\n1,1,1\n2,1,1\n")
    assert [(len(batch), batch.begin_ns, batch.end_ns) for batch in found] == [(0, 10**9, 2 * 10**9)]
