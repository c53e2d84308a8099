"""Whatever file stands where another belongs: one line that says so, and the right code."""

from __future__ import annotations

import gzip
import random
import re

import pytest

PNG = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x01"
VCD = """$timescale 1 ns $end
$scope module top $end
$var wire 1 ! ant $end
$var wire 1 " bee $end
$upscope $end
$enddefinitions $end
#0
0!
1"
"""


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("pic.png", PNG, "pic.png: the file is binary or UTF-16; expected YAML text in UTF-8"),
        ("empty.yaml", b"", "empty.yaml: the file is empty; expected keys with values"),
        ("bus.vcd", VCD.encode(), "regcheck: bus.vcd: this is a capture, expected a map; it stands behind the map: MAP CAPTURE"),
        (
            "bus.gz",
            gzip.compress(b"x", mtime=0),
            "regcheck: bus.gz: this is a capture, expected a map; it stands behind the map: MAP CAPTURE",
        ),
        ("b.yaml", b"regcheck_bench: 1\n", "regcheck: b.yaml: this is a bench file, expected a map; give it as --bench FILE"),
        ("text.yaml", b"just words\n", "text.yaml:1:1: a text was found; expected keys with values"),
    ],
)
def test_what_is_no_map_is_refused(cli, home, name, content, words):
    (home / name).write_bytes(content)
    assert cli("check", name, "bus.jsonl") == (2, "", words + "\n")
    assert cli("decode", name, "bus.jsonl") == (2, "", words + "\n")


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("pic.png", PNG, r"regcheck: pic.png: is no capture that can be read here: it begins with .*; plain or gzip\)"),
        ("empty.vcd", b"", r"regcheck: empty.vcd: is empty \(record it anew\)"),
        ("map.yaml", b"regcheck: 1\n", r"regcheck: map.yaml: is no capture that can be read here: it begins with 'regcheck: 1\\n' .*"),
        ("wires.vcd", VCD.encode(), r"regcheck: wires.vcd: no signal is named as SCL usually is .*signals of the file: top.ant, top.bee\)"),
        ("cut.vcd", VCD[:70].encode(), r"regcheck: cut.vcd: byte 70: the VCD ends inside its declarations: .*"),
        (
            "cols.csv",
            b"time_s,ant,bee\n0,1,1\n",
            r"regcheck: cols.csv:1: the CSV has no column for SCL; its columns are time_s, ant, bee .*",
        ),
        ("cut.gz", gzip.compress(b"x" * 99, mtime=0)[:10], r"regcheck: cut.gz: nothing can be unpacked: the gzip stream is cut short .*"),
        ("head.jsonl", b'{"regcheck_tr', r"regcheck: head.jsonl:1: the transfer log has no head: .*"),
    ],
)
def test_what_is_no_capture_is_refused(cli, home, name, content, words):
    (home / name).write_bytes(content)
    for command in ("check", "decode"):
        code, out, err = cli(command, "pack.yaml", name)
        assert (code, out) == (3, "")
        assert re.fullmatch(words + r"\n", err), err


def test_wires_and_columns_may_be_told(cli, home):
    (home / "wires.vcd").write_text(VCD)
    (home / "cols.csv").write_text("t,ant,bee\n0,1,1\n1,0,1\n")
    assert cli("check", "-q", "pack.yaml", "wires.vcd", "--signals", "SCL=ant,SDA=bee")[:2] == (4, "nothing decided: 16 untested\n")
    assert cli("check", "-q", "pack.yaml", "cols.csv", "--columns", "t,ant,bee")[:2] == (4, "nothing decided: 16 untested\n")
    assert cli("check", "pack.yaml", "wires.vcd", "--signals", "ant") == (
        2,
        "",
        "regcheck: --signals: 'ant' does not name the two wires; write SCL=name,SDA=name\n",
    )
    assert cli("check", "pack.yaml", "cols.csv", "--columns", "1,2") == (
        2,
        "",
        "regcheck: --columns: '1,2' does not name three columns; write TIME,SCL,SDA, names or numbers from 1\n",
    )


def test_files_that_are_not_there(cli, home):
    assert cli("check", "pakc.yaml", "bus.jsonl") == (
        2,
        "",
        "regcheck: pakc.yaml: there is no 'pakc.yaml' in this folder, did you mean 'pack.yaml'? "
        "(expected a map, or a folder with a trial)\n",
    )
    assert cli("check", "pack.yaml", "bus.jsnl") == (
        3,
        "",
        "regcheck: bus.jsnl: there is no 'bus.jsnl' in this folder, did you mean 'bus.jsonl'? (expected a capture)\n",
    )
    assert cli("check", "pack.yaml", "deep/er/bus")[2] == "regcheck: deep/er/bus: there is no 'deep' in this folder (expected a capture)\n"
    assert cli("check", ".") == (2, "", "regcheck: .: no trial here; a trial is a folder with a trial.yaml\n")
    assert cli("check", "pack.yaml", ".") == (3, "", "regcheck: .: is a folder, not a capture (give the path of a file in it)\n")
    assert cli("check", "x" * 300)[0] == 2
    assert cli("check", "pack.yaml", "x" * 300)[0] == 3
    assert cli("show", "nothere")[0] == 2


def test_options_that_do_not_go_together(cli, home):
    assert cli("check", "pack.yaml")[2] == "regcheck: pack.yaml: a map alone; expected captures behind it, or a trial folder in its place\n"
    assert cli("check", "pack.yaml", "bus.jsonl", "bus.jsonl")[2] == "regcheck: bus.jsonl: given twice; its readings would count twice\n"
    assert cli("check", "pack.yaml", "bus.jsonl", "--bench", "bench.yaml") == (
        2,
        "",
        "regcheck: --bench and --stimulus go together: the bench file says what the log's columns mean\n",
    )
    assert cli("check", "pack.yaml", "bus.jsonl", "--bench", "pack.yaml", "--stimulus", "log.csv")[2] == (
        "regcheck: pack.yaml: this is a map, expected a bench file; it stands first: MAP CAPTURE\n"
    )


@pytest.mark.parametrize(
    ("log", "words"),
    [
        ("", "log.csv: the stimulus log is empty (it is CSV with a head: time_s and a column a channel)"),
        ("time_s,source_0,source_1\n", "log.csv:2: the stimulus log has a head but no rows"),
        ("time_s;source_0;source_1\n0;1;2\n", "log.csv:1:1: the stimulus log has no column `time_s` (separate the cells by commas)"),
        (
            "time_s,source_0,sauce_1\n0,1,2\n",
            "log.csv:1:1: the stimulus log has no column 'source_1', which the bench file asks for (did you mean 'sauce_1'?)",
        ),
        (
            "time_s,source_0,source_1\n0,1,abc\n",
            "log.csv:2:3: 'abc' in column 'source_1' is no number (expected a number, an empty cell, end, open, short)",
        ),
        ("time_s,source_0,source_1\n0,1,1e999\n", "log.csv:2:3: '1e999' in column 'source_1' is too large for a number (at most 1.7e308)"),
        ("time_s,source_0,source_1\n0,1\n", "log.csv:2: this row has 2 cells, the head has 3"),
        (
            "time_s,source_0,source_1\n5,1,2\n4,1,2\n",
            "log.csv:3: time does not rise here: 4 s follows a later or equal time (rows are in order of time)",
        ),
        (
            "time_s,source_0,source_1\n1000,1,2\n1010,end,\n",
            "log.csv: the stimulus log runs from 1000 s to 1010 s, the capture good.jsonl from 0.123457 s to 19.001 s of the bench's time: "
            "they do not overlap (is it the log of this capture, and is `clock` in the bench file right?)",
        ),
    ],
)
def test_a_wrong_stimulus_log_is_exit_2(cli, home, log, words):
    (home / "log.csv").write_text(log)
    assert cli("check", "pack.yaml", "good.jsonl", "--bench", "bench.yaml", "--stimulus", "log.csv") == (2, "", words + "\n")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "  pack_voltage: source",
            "  pack_voltag: source",
            "bench.yaml:5:3: the map has no field 'pack_voltag'; did you mean 'pack_voltage'?",
        ),
        ("source[1] - source[0]", "source[9] - source[0]", "bench.yaml:5:3: 'source[9]' is no channel; there are source[0] to source[1]"),
        ("regcheck_bench: 1", "regcheck_bench: 2", "bench.yaml:1:17: 2 is no version of the bench file (this is 1); expected 1 .. 1"),
    ],
)
def test_a_wrong_bench_file_is_exit_2(cli, home, old, new, words):
    bench = home / "bench.yaml"
    bench.write_text(bench.read_text().replace(old, new))
    assert cli("check", "pack.yaml", "good.jsonl", "--bench", "bench.yaml", "--stimulus", "log.csv") == (2, "", words + "\n")


@pytest.mark.parametrize("packed", [False, True])
def test_a_cut_or_damaged_recording_never_ends_in_a_fault_of_our_own(cli, home, packed):
    whole = (home / "bus.jsonl").read_bytes()
    whole = gzip.compress(whole, mtime=0) if packed else whole
    dice = random.Random(7)  # noqa: S311 - places to cut, no secret
    for _ in range(25):
        cut = bytearray(whole[: dice.randrange(len(whole))])
        if cut and dice.random() < 0.5:
            cut[dice.randrange(len(cut))] ^= 1 << dice.randrange(8)
        (home / "cut").write_bytes(cut)
        for command in ("check", "decode"):
            assert cli(command, "pack.yaml", "cut")[0] in (0, 1, 3, 4)
