"""ISO 15765-2:2016, clause on network protocol data units (from memory): the first nibble, lengths, escapes, sequence, flow control."""

from __future__ import annotations

import numpy as np
import pytest

from regcheck.traffic.batch import Batch, Flag, Kind, MessageKey
from regcheck.traffic.frames import Frame, FrameBuilder
from regcheck.traffic.transport_iso_tp import IsoTpLink, IsoTpReassembler

MS = 1_000_000
LINK = IsoTpLink(0x7A8, 0x7A0)


def carry(
    frames: list[Frame], *links: IsoTpLink, batch_size: int = 1000
) -> tuple[list[tuple[int, int, MessageKey, bytes]], dict[str, int], list[str]]:
    builder = FrameBuilder("x", 0, batch_size, by_line=True)
    for place, frame in enumerate(frames, 1):
        builder.add_frame(frame, place)
    reassembler = IsoTpReassembler(links or (LINK,), "x")
    batches: list[Batch] = [reassembler.update(batch).batch for batch in builder.finish()]
    batches.append(reassembler.finish().batch)
    complained: dict[str, int] = {}
    rows, texts = [], []
    for batch in batches:
        rows += [(int(batch.time[i]), int(batch.end[i]), MessageKey.unpack(int(batch.key[i])), batch.message(i)) for i in range(len(batch))]
        for kind, count in batch.complained.items():
            complained[kind] = complained.get(kind, 0) + count
        texts += [complaint.text for complaint in batch.complaints]
    return rows, complained, texts


def frames(*texts: str, id: int = 0x7A8, gap: int = 10 * MS, flags: Flag = Flag(0)) -> list[Frame]:  # noqa: B008 (immutable)
    return [Frame(i * gap, id, bytes.fromhex(text), flags=flags) for i, text in enumerate(texts)]


def datas(*texts: str, **options) -> list[bytes]:
    return [row[-1] for row in carry(frames(*texts, **options))[0]]


FIRST, LAST = "10 0A 01 02 03 04 05 06", "21 07 08 09 0A 55 55 55"
TEN = bytes(range(1, 11))


def test_a_first_frame_and_a_consecutive_one():
    rows, complained, _ = carry(frames(FIRST, LAST))
    assert rows == [(0, 10 * MS, MessageKey(Kind.FRAME, 0x7A8), TEN)]
    assert complained == {}


@pytest.mark.parametrize(
    ("text", "flags", "data"),
    [
        ("07 01 02 03 04 05 06 07", Flag(0), bytes(range(1, 8))),
        ("01 FF", Flag(0), b"\xff"),  # not padded
        ("01 FF 55 55 55 55 55 55", Flag(0), b"\xff"),
        ("07 01 02 03 04 05 06 07", Flag.FD, bytes(range(1, 8))),  # eight bytes of CAN FD have no escape
        ("00 08 01 02 03 04 05 06 07 08 55 55", Flag.FD, bytes(range(1, 9))),
        ("00 3E" + "AB" * 62, Flag.FD, b"\xab" * 62),
    ],
)
def test_single_frames(text, flags, data):
    rows, complained, _ = carry(frames(text, flags=flags))
    assert [row[-1] for row in rows] == [data]
    assert complained == {}


@pytest.mark.parametrize(
    ("text", "flags"),
    [
        ("00 01 02 03 04 05 06 07", Flag(0)),  # no length, and no escape in a classic frame
        ("08 01 02 03 04 05 06 07", Flag(0)),  # more than a classic frame holds
        ("03 01 02", Flag(0)),  # more than is there
        ("00 08 01 02 03 04 05 06", Flag.FD),  # the escape in a frame of eight bytes
        ("07 01 02 03 04 05 06 07 08 09 0A 0B", Flag.FD),  # the escape missed in a longer one
        ("00 07 01 02 03 04 05 06 07 55 55 55", Flag.FD),  # the escape used for what needs none
        ("00 0B 01 02 03 04 05 06 07 08 09 0A", Flag.FD),  # more than is there
        ("10 06 01 02 03 04 05 06", Flag(0)),  # a first frame of what fits into a single one
        ("10 0A 01 02 03", Flag(0)),  # a first frame is as long as can be
        ("10 00 00 00 0F FF 01 02", Flag(0)),  # the escape for more than 4095, used for 4095
        ("40 00", Flag(0)),  # no kind of frame
        ("", Flag(0)),
    ],
)
def test_impossible_frames(text, flags):
    rows, complained, _ = carry(frames(text, flags=flags))
    assert rows == []
    assert complained == {"impossible transport frame": 1}


def test_the_sequence_goes_from_15_to_0():
    content = bytes(range(200))
    texts = ["10 C8" + content[:6].hex()]
    texts += [f"{0x20 | (i + 1) & 0xF:02X}" + content[6 + 7 * i : 13 + 7 * i].hex() for i in range(28)]
    assert datas(*texts) == [content]


def test_4095_bytes_and_one_more():
    for size, head in ((4095, "1FFF"), (4096, "100000001000")):
        content = bytes(i % 251 for i in range(size))
        room = 8 - len(head) // 2
        texts = [head + content[:room].hex()]
        texts += [f"{0x20 | (n + 1) & 0xF:02X}" + content[at : at + 7].hex() for n, at in enumerate(range(room, size, 7))]
        assert datas(*texts) == [content]


def test_fd_frames_of_64_bytes():
    content = bytes(range(150))
    texts = ["1096" + content[:62].hex(), "21" + content[62:125].hex(), "22" + content[125:150].hex() + "55" * 6]
    assert datas(*texts, flags=Flag.FD) == [content]


@pytest.mark.parametrize(
    ("texts", "says"),
    [
        ((FIRST, "22 07 08 09 0A 55 55 55"), "consecutive frame 2 where 1 is due"),
        (("10 14 01 02 03 04 05 06", "21 07 08 09 0A 0B 0C 0D", "21 07 08 09 0A 0B 0C 0D"), "consecutive frame 1 where 2 is due"),
        (("10 14 01 02 03 04 05 06", "21 07 08 09"), "a consecutive frame of 4 bytes where 8 are due"),
        ((FIRST, FIRST, LAST), "another one begins in its place"),
        ((FIRST, "01 FF"), "a single frame comes in its place"),
    ],
)
def test_what_is_lost_is_told_and_nothing_is_made_of_it(texts, says):
    rows, complained, told = carry(frames(*texts))
    assert complained == {"incomplete message": 1}
    assert says in told[0]
    assert [row[-1] for row in rows] == {FIRST: [TEN], "01 FF": [b"\xff"]}.get(texts[1], [])


def test_a_consecutive_frame_alone():
    assert carry(frames(LAST))[1] == {"message begun before the capture": 1}
    assert carry(frames(FIRST, LAST, LAST))[1] == {"packet without a beginning": 1}


@pytest.mark.parametrize(("gap", "whole"), [(1000 * MS, 1), (1000 * MS + 1, 0)])
@pytest.mark.parametrize("batch_size", [1, 10])
def test_the_timeout_is_a_second(gap, whole, batch_size):
    rows, complained, _ = carry(frames(FIRST, LAST, gap=gap), batch_size=batch_size)
    assert len(rows) == whole
    assert complained == ({} if whole else {"incomplete message": 1, "packet without a beginning": 1})


def test_a_message_cut_by_the_end_of_the_capture():
    assert carry(frames(FIRST))[1] == {"message cut by the end of the capture": 1}


FLOW = Frame(900 * MS, 0x7A0, bytes.fromhex("30 00 0A"))


def test_flow_control_is_never_data_and_extends_the_time():
    first, last = Frame(0, 0x7A8, bytes.fromhex(FIRST)), Frame(1800 * MS, 0x7A8, bytes.fromhex(LAST))
    assert [row[-1] for row in carry([first, FLOW, last])[0]] == [TEN]
    wait = Frame(900 * MS, 0x7A0, bytes.fromhex("31 00 0A"))
    assert [row[-1] for row in carry([first, wait, last])[0]] == [TEN]
    assert carry([first, last])[0] == []
    own = Frame(900 * MS, 0x7A8, bytes.fromhex("30 00 0A"))  # for a message that the other side sends
    assert carry([own])[:2] == ([], {})


def test_a_receiver_without_room_ends_it():
    overflow = Frame(5 * MS, 0x7A0, bytes.fromhex("32 00 00"))
    rows, complained, told = carry([Frame(0, 0x7A8, bytes.fromhex(FIRST)), overflow])
    assert (rows, complained) == ([], {"incomplete message": 1})
    assert "no room" in told[0]


def test_extended_addressing():
    link = IsoTpLink(0x7A8, 0x7A0, has_address=True)
    texts = ["F1 10 0A 01 02 03 04 05", "F2 02 AA BB", "F1 21 06 07 08 09 0A", "F1 06 01 02 03 04 05 06"]
    rows, complained, _ = carry(frames(*texts), link)
    assert [(row[2].command, row[-1]) for row in rows] == [(0xF2, b"\xaa\xbb"), (0xF1, TEN), (0xF1, bytes(range(1, 7)))]
    assert complained == {}
    assert carry(frames("F1 07 01 02 03 04 05 06"), link)[1] == {"impossible transport frame": 1}


def test_other_ids_remote_and_error_frames_are_no_part_of_it():
    others = [
        Frame(1, 0x7A9, bytes.fromhex(LAST)),
        Frame(2, 0x7A8, bytes.fromhex(LAST), extended=True),
        Frame(3, 0x7A8, b"", flags=Flag.REMOTE),
        Frame(4, 0x7A8, bytes.fromhex(LAST), flags=Flag.ERROR),
    ]
    rows, complained, _ = carry([Frame(0, 0x7A8, bytes.fromhex(FIRST)), *others, Frame(5, 0x7A8, bytes.fromhex(LAST))])
    assert [row[-1] for row in rows] == [TEN]
    assert complained == {}


def test_buses_stay_apart_and_a_link_may_name_one():
    both = [
        Frame(i, 0x7A8, bytes.fromhex(text), bus=bus)
        for i, (text, bus) in enumerate([(FIRST, "a"), (FIRST, "b"), (LAST, "b"), (LAST, "a")])
    ]
    assert [row[2].bus for row in carry(both)[0]] == [1, 0]
    assert [row[2].bus for row in carry(both, IsoTpLink(0x7A8, bus=1))[0]] == [1]


def test_a_message_too_long_to_be_held_is_told_once_and_passed_over():
    texts = ["10 00 00 02 00 00 01 02"] + [f"{0x20 | (n + 1) & 0xF:02X}" + "11" * 7 for n in range(18725)]
    rows, complained, told = carry(frames(*texts, "01 FF", gap=MS), batch_size=5000)
    assert [row[-1] for row in rows] == [b"\xff"]
    assert complained == {"message too long to be held": 1}
    assert "131072 bytes" in told[0]


def test_which_frames_are_used():
    builder = FrameBuilder("x", 0, 10)
    for i, number in enumerate([0x7A8, 0x100, 0x7A0]):
        builder.add_frame(Frame(i, number, b"\x01\xff"), i)
    carried = IsoTpReassembler([LINK]).update(next(builder.finish()))
    assert carried.is_used.tolist() == [True, False, True]
    assert carried.batch.time.dtype == np.int64
