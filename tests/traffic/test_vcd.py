"""Value change dumps, IEEE 1364-2001, clause 18; and against pyvcd, an independent reader of them."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from regcheck.errors import CaptureError
from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.open import open_capture
from regcheck.traffic.shapes import Transfer
from regcheck.traffic.vcd_header import find_signals, parse_header
from regcheck.traffic.vcd_tokens import IdentifierTable, Tokenizer
from regcheck.traffic.vcd_writer import vcd_text

READ = bytes.fromhex("16 09 17 D0 39 7E")  # a word of 0x39D0 at 0x0B with PEC 7E (CRC-8 of SMBus 3.1, clause 6.4)
WIRES = '$var wire 1 ! scl $end\n$var wire 1 " sda $end\n'


def dump(body: str, variables: str = WIRES, scale: str = "1 ns") -> str:
    return f"$timescale {scale} $end\n$scope module top $end\n{variables}$upscope $end\n$enddefinitions $end\n{body}"


BODY = "".join(vcd_text([Transfer(1_000_000, (READ[:2], READ[2:]))])).split("$enddefinitions $end\n")[1]


def batches(tmp_path: Path, text: str | bytes, **options: object) -> list[Batch]:
    path = tmp_path / "bus.vcd"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(open_capture(path, **options).batches())  # type: ignore[arg-type]


def only(found: list[Batch]) -> bytes:
    assert [len(batch) for batch in found] == [1]
    assert found[0].complained == {}
    assert found[0].flags[0] == 0
    return found[0].message(0)


def test_a_dump_as_written(tmp_path):
    found = batches(tmp_path, dump(BODY))
    assert only(found) == READ
    assert MessageKey.unpack(int(found[0].key[0])) == MessageKey(Kind.READ, 0x0B, 0x09)
    assert (found[0].begin_ns, found[0].time[0]) == (0, 1_000_000)
    assert found[0].end_ns == int(BODY.rsplit("#", 1)[1])
    place = int(found[0].place[0])
    assert dump(BODY)[place:].startswith('0"\n'), "the place is the byte offset of SDA's fall"


@pytest.mark.parametrize(
    "rewritten",
    [
        BODY.replace("\n", " "),
        BODY.replace("\n", "\r\n"),
        BODY.replace("\n", "\n\n\t "),
        BODY.replace("#", "$comment #1 0! $end\n#"),
        BODY.replace("1!", "b1 !").replace('0"', 'b0 "'),
        BODY.replace("1!", "b0001 !").replace('1"', 'bz "'),
        BODY.replace("1!", "B1 !").replace('1"', 'Z"'),
        BODY.replace("1!", "z!"),
        BODY.replace("#", "r1.5 $\nb0 #\n#"),
        BODY.replace("#", "b0101 b\nb1 b\n#"),
        BODY.replace("#", "$dumpall\n#"),
        BODY.rstrip("\n"),
    ],
    ids=[
        "one line",
        "crlf",
        "blanks",
        "comments",
        "vectors",
        "long vectors",
        "capitals",
        "z",
        "strange codes",
        "codes like values",
        "dumpall",
        "no end",
    ],
)
def test_other_spellings_of_the_same_changes(tmp_path, rewritten):
    variables = WIRES + "$var real 64 $ volt $end\n$var wire 1 # other $end\n$var wire 4 b nibble [3:0] $end\n"
    for size in (1 << 20, 11):
        assert only(batches(tmp_path, dump(rewritten, variables), chunk_size=size)) == READ


def test_long_identifier_codes_and_aliases(tmp_path):
    variables = "$var wire 1 clock_of_the_bus scl $end\n$var wire 1 d~ sda $end\n$var wire 1 clock_of_the_bus scl $end\n"
    body = BODY.replace("!", "clock_of_the_bus").replace('"', "d~")
    assert only(batches(tmp_path, dump(body, variables))) == READ
    assert only(batches(tmp_path, dump(body.replace("0clock", "b0 clock"), variables))) == READ


@pytest.mark.parametrize("codes", [3, 40])
def test_other_signals_are_passed_over(tmp_path, codes):
    more = "".join(f"$var wire 1 s{number} other{number} $end\n" for number in range(codes))
    assert only(batches(tmp_path, dump(BODY.replace("#", f"1s0\nxs{codes - 1}\n#"), WIRES + more))) == READ


@pytest.mark.parametrize(
    ("scl", "sda"),
    [
        ("scl", "sda"),
        ("SCL", "SDA"),
        ("clk", "data"),
        ("SMBCLK", "SMBDAT"),
        ("sck", "dat"),
        ("clock", "Data"),
        ("scl [0]", "sda [0:0]"),
        ("scl[0]", "sda[0]"),
    ],
)
def test_signals_are_guessed_by_the_usual_words(tmp_path, scl, sda):
    assert only(batches(tmp_path, dump(BODY, f'$var wire 1 ! {scl} $end\n$var wire 1 " {sda} $end\n'))) == READ


@pytest.mark.parametrize("names", [("a", "b"), ("top.a", "top.b"), ("A", "TOP.B")])
def test_signals_are_told(tmp_path, names):
    variables = '$var wire 1 ! a $end\n$var wire 1 " b $end\n$var wire 1 % scl $end\n'
    assert only(batches(tmp_path, dump(BODY, variables), signals=names)) == READ


def test_bits_of_a_vector_extend_to_the_left(tmp_path):
    """Clause 18.2.3: a shorter value is filled with 0 for 0 and 1, with x for x, with z for z."""
    body = "#0\nb11 v\n#100000\nb1 v\n#105000\nb0 v\n#110000\nbz v\n#115000\nb1 v\n#300000\n"
    found = batches(tmp_path, dump(body, "$var wire 4 v pins [3:0] $end\n"), signals=("pins[0]", "pins[1]"))
    # pins[1], SDA: 1, 0 (start), 0, z (high with SCL), 0
    assert [len(batch) for batch in found] == [1]
    assert found[0].time[0] == 100_000
    assert found[0].flags[0] & Flag.NO_STOP == Flag.NO_STOP


@pytest.mark.parametrize(
    ("variables", "signals", "words"),
    [
        ("$var wire 1 ! a $end\n", None, ["no signal is named as SCL usually is", "top.a", "--signals SCL=name,SDA=name"]),
        (WIRES + "$var wire 1 % clk $end\n", None, ["several signals may be SCL: top.clk, top.scl"]),
        (WIRES, ("scl", "sdb"), ["no signal is named 'sdb'", "top.scl, top.sda"]),
        (WIRES, ("scl", "scl"), ["one and the same"]),
        (
            WIRES + "$scope module u $end $var wire 1 % sda $end $upscope $end\n",
            ("scl", "sda"),
            ["several signals are named 'sda'", "top.u.sda"],
        ),
        ("$var real 64 ! scl $end\n", None, ["signals of the file: none"]),
    ],
)
def test_signals_that_cannot_be_found(tmp_path, variables, signals, words):
    with pytest.raises(CaptureError) as caught:
        batches(tmp_path, dump(BODY, variables), signals=signals)
    for word in [*words, "bus.vcd"]:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("$timescale 1 ns $end\n$var wire 1 ! scl $end\n", "the VCD ends inside its declarations"),
        ("$timescale 5 ns $end $enddefinitions $end\n", "$timescale is '5ns'; expected 1, 10 or 100"),
        ("$date now $end\n$enddefinitions $end\n", "the VCD has no $timescale"),
        ("$timescale 1 ns $end $var wire $end $enddefinitions $end\n", "$var is 'wire'; expected a type, a width"),
        ("$timescale 1 ns $end\nscl 1\n$enddefinitions $end\n", "byte 21: 'scl' stands among the declarations"),
    ],
)
def test_declarations_that_cannot_be_read(tmp_path, text, words):
    with pytest.raises(CaptureError) as caught:
        batches(tmp_path, text)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("scale", "factor_text"),
    [("1 ps", "000"), ("1ps", "000"), ("100 ps", "0"), ("10 ns", None), ("1 us", None), ("1 fs", "000000"), ("10 fs", "00000")],
)
def test_time_scales(tmp_path, scale, factor_text):
    if factor_text is None:
        factor = {"10 ns": 10, "1 us": 1000}[scale]
        found = batches(tmp_path, dump(BODY, scale=scale))
        assert found[0].time[0] == 1_000_000 * factor
        assert found[0].end_ns == int(BODY.rsplit("#", 1)[1]) * factor
        return
    scaled = "\n".join(line + factor_text if line.startswith("#") else line for line in BODY.splitlines())
    found = batches(tmp_path, dump(scaled, scale=scale))
    assert only(found) == READ
    assert found[0].end_ns == int(BODY.rsplit("#", 1)[1])


@pytest.mark.parametrize(
    ("stamp", "ns"),
    [
        ("499999", 0),
        ("500000", 0),
        ("500001", 1),
        ("1500000", 2),
        ("2500000", 2),
        ("3600000000000500001", 3_600_000_000_001),
        ("10000000000000000000", 10**13),
    ],
)
def test_femtoseconds_are_rounded_half_even(tmp_path, stamp, ns):
    found = batches(tmp_path, dump(f'#0\n1!\n1"\n#{stamp}\n', scale="1 fs"))
    assert found[-1].end_ns == ns


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 10**20), min_size=1, max_size=30), st.sampled_from([1, 10, 10**3, 10**6, 10**9]))
def test_time_stamps_of_any_length(stamps, scale_fs):
    builder = BatchBuilder("stamps")
    text = "".join(f"#{stamp}\n" for stamp in stamps).encode()
    tokens, _ = Tokenizer(IdentifierTable([b"!"]), scale_fs, builder).tokenize(text, 0, is_last=False)
    assert tokens is not None
    exact = [divmod(stamp * scale_fs, 10**6) for stamp in stamps]
    rounded = [whole + (2 * rest > 10**6 or (2 * rest == 10**6 and whole % 2)) for whole, rest in exact]
    assert tokens.times_ns.tolist() == [ns for ns in rounded if ns < 1 << 62]
    assert builder.room_for("bad time stamp") == max(0, 5 - sum(ns >= 1 << 62 for ns in rounded))


@pytest.mark.parametrize(
    ("damage", "kind", "words"),
    [
        ("2!", "no VCD record", "'2!'"),
        ("0?", "unknown identifier code", "'0?'"),
        ("0", "unknown identifier code", "'0'"),
        ("#12a", "bad time stamp", "'#12a'"),
        ("#", "bad time stamp", "'#'"),
        ("#-5", "bad time stamp", "'#-5'"),
        ("#99999999999999999999999", "bad time stamp", "too large"),
        ("b102 !", "bad value", "'b102'"),
        ("b !", "bad value", "'b'"),
        ("rfast !", "bad value", "'rfast'"),
        ("b1 ?", "unknown identifier code", "'b1'"),
        ("$dumpports", "no VCD record", "'$dumpports'"),
        ("0!\xff", "no VCD record", "\\\\xff"),
        ("0\x01!", "control character", "0x01"),
    ],
)
def test_a_damaged_record_is_told_with_its_place_and_the_rest_is_read(tmp_path, damage, kind, words):
    text = dump(BODY.replace("$end\n#", f"$end\n{damage}\n#", 1)).encode("latin-1")
    for size in (1 << 20, 9):
        found = batches(tmp_path, text, chunk_size=size)
        assert found[0].message(0) == READ
        assert found[0].complained[kind] == 1
        complaint = next(item for item in found[0].complaints if item.kind == kind)
        assert words in complaint.text
        at = text.index(b"$end\n" + damage.encode("latin-1") + b"\n") + len("$end\n")
        assert complaint.place.offset == at + (1 if kind == "control character" else 0)


def test_only_the_first_five_complaints_of_a_kind_are_kept_in_full(tmp_path):
    found = batches(tmp_path, dump("#0\n" + "0?\n" * 1000 + "#99\n" + "9\n" * 3))
    assert found[0].complained == {"unknown identifier code": 1000, "no VCD record": 3}
    assert len(found[0].complaints) == 8


def test_a_dump_without_edges_holds_no_transfers(tmp_path):
    found = batches(tmp_path, dump('#0\n$dumpvars\n1!\n1"\n$end\n#5000\n'))
    assert [(len(batch), batch.begin_ns, batch.end_ns) for batch in found] == [(0, 0, 5000)]


def test_a_dump_begins_at_its_first_time_stamp(tmp_path):
    found = batches(tmp_path, dump('#700\n1!\n1"\n#5000\n'))
    assert [(batch.begin_ns, batch.end_ns) for batch in found] == [(700, 5000)]


def test_recording_switched_off_makes_no_edges(tmp_path):
    """Clause 18.2.3: $dumpoff writes x for every variable."""
    off = '#50\n$dumpoff\nx!\nx"\n$end\n#60\n$dumpon\n1!\n0"\n$end\n#70\n1"\n'
    found = batches(tmp_path, dump('#0\n1!\n1"\n' + off + "#9000\n"))
    assert [(len(batch), batch.complained) for batch in found] == [(0, {})]


@pytest.mark.parametrize(("pull_up", "flag"), [(True, Flag(0)), (False, Flag.UNKNOWN_LEVEL)])
def test_a_released_line_reads_high_only_with_a_pull_up(tmp_path, pull_up, flag):
    text = dump(BODY.replace('1"', 'z"', 2).replace('z"', '1"', 1))
    found = batches(tmp_path, text, pull_up=pull_up)
    assert found[0].message(0) == READ
    assert found[0].flags[0] == flag


def test_time_that_goes_backwards_begins_a_new_epoch(tmp_path):
    end = int(BODY.rsplit("#", 1)[1])
    body = BODY + f"#{end + 10_000_000_000}\n" + BODY.replace("#0\n", "#5\n")
    for size in (1 << 20, 13):
        found = batches(tmp_path, dump(body), chunk_size=size)
        assert [batch.epoch for batch in found] == [0, 1]
        assert [batch.message(0) for batch in found] == [READ, READ]
        assert found[0].end_ns == end + 10_000_000_000
        assert found[1].begin_ns == 5
        assert [batch.complained for batch in found] == [{}, {"time goes backwards": 1}]


def test_a_record_without_end_is_left_out(tmp_path, monkeypatch):
    monkeypatch.setattr("regcheck.traffic.vcd._TOKEN_LIMIT", 1000)
    found = batches(tmp_path, dump(BODY.replace("$end\n", "$end\n" + "b" + "1" * 5000 + "\n", 1)), chunk_size=100)
    assert found[0].message(0) == READ
    assert found[0].complained["VCD record too long"] >= 1


# ---- pyvcd as the oracle -------------------------------------------------------------------------------------------------------------
def changes_by_pyvcd(text: str) -> list[tuple[int, str, str]]:
    time = 0
    found = []
    for token in tokenize(io.BytesIO(text.encode())):
        if token.kind is TokenKind.CHANGE_TIME:
            time = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            found.append((time, token.scalar_change.id_code, str(token.scalar_change.value).lower()))
        elif token.kind is TokenKind.CHANGE_VECTOR:
            value = token.vector_change.value
            found.append((time, token.vector_change.id_code, str(value & 1) if isinstance(value, int) else value[-1].lower()))
    return found


changes = st.one_of(
    st.builds("{}{}".format, st.sampled_from("01xzXZ"), st.sampled_from(["!", "ab", "b", "#", "$x"])),
    st.builds("b{} {}".format, st.text("01xz", min_size=1, max_size=4), st.sampled_from(["!", "ab", "b", "#", "$x"])),
    st.builds("r{} r".format, st.sampled_from(["1.5", "-2e3", "0"])),
)


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 10**12), st.lists(changes, max_size=4)), max_size=20),
    st.sampled_from(["\n", " ", "\r\n"]),
    st.integers(1, 40),
)
def test_changes_as_pyvcd_reads_them(stretches, separator, size):
    time = 0
    lines = []
    for step, changed in stretches:
        time += step
        lines += [f"#{time}", *changed]
    body = separator.join(lines) + separator
    codes = ["!", "ab", "b", "#", "$x"]
    head = (
        "$timescale 1 ns $end\n" + "".join(f"$var wire 4 {code} n{i} $end\n" for i, code in enumerate(codes)) + "$var real 64 r volt $end\n"
    )
    expected = changes_by_pyvcd(head + "$enddefinitions $end\n" + body)
    builder = BatchBuilder("changes")
    tokenizer = Tokenizer(IdentifierTable([code.encode() for code in codes] + [b"r"]), 10**6, builder)
    found: dict[str, list[tuple[int, str]]] = {code: [] for code in codes}
    now, carry = 0, b""
    pieces = body.encode().split(b" ") if separator == " " else body.encode().splitlines()
    groups = [pieces[i : i + size] for i in range(0, len(pieces), size)]
    for group in groups:
        text = carry + b"".join(piece + b"\n" for piece in group)
        tokens, used = tokenizer.tokenize(text, 0, is_last=False)
        carry = text[used:]
        if tokens is None:
            continue
        times = [now, *tokens.times_ns.tolist()]
        before = tokens.stamps_before()
        for code in codes:
            index, values = tokens.values_of(code.encode(), 0)
            found[code] += [(times[before[i]], chr(value).lower()) for i, value in zip(index, values, strict=True)]
        now = times[-1]
    for code in codes:
        assert found[code] == [(time, value) for time, own, value in expected if own == code]
    assert list(builder.finish()) == []


def test_the_writer_is_read_by_pyvcd():
    text = "".join(vcd_text([Transfer(1_000_000, (READ[:2], READ[2:]))]))
    kinds = {token.kind for token in tokenize(io.BytesIO(text.encode()))}
    assert {TokenKind.TIMESCALE, TokenKind.VAR, TokenKind.ENDDEFINITIONS, TokenKind.CHANGE_SCALAR} <= kinds
    # bits sampled by a plain loop where SCL rises
    level = {"!": "1", '"': "1"}
    bits = []
    for _, code, value in changes_by_pyvcd(text):
        if code == "!" and value == "1" and level["!"] == "0":
            bits.append(level['"'])
        level[code] = value
    assert (
        "".join(bits)
        == "".join(f"{byte:08b}{ack}" for byte, ack in zip(READ[:2], "00", strict=True))
        + "1"
        + "".join(f"{byte:08b}{ack}" for byte, ack in zip(READ[2:], "0001", strict=True))
        + "0"
    )


def test_header_names_have_their_scopes():
    inner = b"$scope module b $end $var wire 1 ! scl $end $upscope $end"
    text = b"$timescale 10ns $end $scope module a $end " + inner + b" $var reg 8 % v [7:0] $end $enddefinitions $end"
    header = parse_header(text, "f")
    assert header is not None
    assert [variable.name for variable in header.variables] == ["a.b.scl", "a.v"]
    assert header.scale_fs == 10**7
    assert find_signals(header, ("scl", "v[7]"), "f")[1].bit == 7
