"""J1939 transport put back together: broadcasts, connections, what is lost, what comes too late. Times: SAE J1939-21 (from memory)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.traffic.batch import Batch, Flag, MessageKey
from regcheck.traffic.frames import Frame, FrameBuilder
from regcheck.traffic.j1939 import J1939Id
from regcheck.traffic.transport_j1939 import J1939Reassembler

MS = 1_000_000
BAM_ID, DT_ID = 0x18ECFF00, 0x18EBFF00  # from address 0 to all
RTS_ID, CTS_ID, TO_ID = 0x18EC1000, 0x18EC0010, 0x18EB1000  # between addresses 0 and 0x10
TWENTY = bytes(range(1, 21))
BAM = "20 14 00 03 FF CA FE 00"  # 20 bytes in 3 packets, PGN 0xFECA
RTS = "10 14 00 03 FF CA FE 00"
PACKETS = ("01 01 02 03 04 05 06 07", "02 08 09 0A 0B 0C 0D 0E", "03 0F 10 11 12 13 14 FF")
END = "13 14 00 03 FF CA FE 00"

Step = tuple[int, int, str]


def frames(steps: list[Step], bus: str = "") -> list[Frame]:
    return [Frame(time, number, bytes.fromhex(text), extended=True, bus=bus) for time, number, text in steps]


def every(gap: int, *items: tuple[int, str]) -> list[Step]:
    return [(i * gap, number, text) for i, (number, text) in enumerate(items)]


def cut(content: list[Frame], batch_size: int = 1000) -> list[Batch]:
    builder = FrameBuilder("x", 0, batch_size, by_line=True)
    for place, frame in enumerate(content, 1):
        builder.add_frame(frame, place)
    return list(builder.finish())


Row = tuple[int, int, int, bytes, int]


def carry(content: list[Frame], batch_size: int = 1000, bus: int | None = None) -> tuple[list[Row], dict[str, int], list[str]]:
    reassembler = J1939Reassembler("x", bus=bus)
    batches = [reassembler.update(batch).batch for batch in cut(content, batch_size)]
    batches.append(reassembler.finish().batch)
    assert not reassembler.under_way().sessions
    complained: dict[str, int] = {}
    rows, texts = [], []
    for batch in batches:
        for i in range(len(batch)):
            key = MessageKey.unpack(int(batch.key[i]))
            assert key.extended
            rows.append((int(batch.time[i]), int(batch.end[i]), key.number, batch.message(i), int(batch.place[i])))
        for kind, count in batch.complained.items():
            complained[kind] = complained.get(kind, 0) + count
        texts += [complaint.text for complaint in batch.complaints]
    return rows, complained, texts


def test_a_broadcast():
    steps = every(100 * MS, (BAM_ID, BAM), *((DT_ID, text) for text in PACKETS))
    assert carry(frames(steps)) == ([(0, 300 * MS, 0x18FECA00, TWENTY, 1)], {}, [])


def test_a_connection_waits_for_its_acknowledgement():
    steps = every(10 * MS, (RTS_ID, RTS), (CTS_ID, "11 03 01 FF FF CA FE 00"), *((TO_ID, text) for text in PACKETS), (CTS_ID, END))
    assert carry(frames(steps)) == ([(0, 40 * MS, 0x18FECA00, TWENTY, 1)], {}, [])
    assert carry(frames(steps[:-1]))[0] == [(0, 40 * MS, 0x18FECA00, TWENTY, 1)]  # whole, if unacknowledged


def test_packets_are_sent_again_where_they_are_asked_for_again():
    texts = [(CTS_ID, "11 03 01 FF FF CA FE 00"), *((TO_ID, text) for text in PACKETS), (CTS_ID, "11 02 02 FF FF CA FE 00")]
    steps = every(10 * MS, (RTS_ID, RTS), *texts, (TO_ID, PACKETS[1]), (TO_ID, PACKETS[2]), (CTS_ID, END))
    assert carry(frames(steps)) == ([(0, 70 * MS, 0x18FECA00, TWENTY, 1)], {}, [])


def test_a_destination_below_pf_240_stands_in_the_id():
    steps = every(MS, (0x18EC1000, "10 09 00 02 FF 00 EF 00"), (TO_ID, "01" + "AA" * 7), (TO_ID, "02" + "BB" * 7), (CTS_ID, END))
    assert [(row[2], row[3]) for row in carry(frames(steps))[0]] == [(J1939Id(6, 0xEF00, 0, 0x10).join(), b"\xaa" * 7 + b"\xbb" * 2)]


def test_two_messages_whose_lost_packets_would_fit_are_not_merged():
    """BAM of 20 bytes in 3 packets; packets 1 and 3, then 2 and 3 of the next message: incomplete, no values."""
    steps = every(100 * MS, (BAM_ID, BAM), (DT_ID, PACKETS[0]), (DT_ID, PACKETS[2]), (DT_ID, PACKETS[1]), (DT_ID, PACKETS[2]))
    rows, complained, texts = carry(frames(steps))
    assert rows == []
    assert complained == {"incomplete message": 1, "packet without a beginning": 2}
    assert "packet 3 where 2 is due" in texts[0]


@pytest.mark.parametrize("number", range(1, 5))
def test_every_lost_frame_of_a_broadcast_is_told(number):
    steps = every(100 * MS, (BAM_ID, BAM), *((DT_ID, text) for text in PACKETS), (BAM_ID, BAM), *((DT_ID, text) for text in PACKETS))
    rows, complained, _ = carry(frames([step for i, step in enumerate(steps) if i != 3 + number]))
    if number == 1:  # the second announcement is gone
        assert complained == {"packet without a beginning": 3}
    elif number == 4:
        assert complained == {"message cut by the end of the capture": 1}
    else:
        assert complained["incomplete message"] == 1
    assert [row[3] for row in rows] == [TWENTY]


@pytest.mark.parametrize(("gap", "whole"), [(750 * MS, 1), (750 * MS + 1, 0)])
@pytest.mark.parametrize("batch_size", [1, 2, 100])
def test_a_packet_comes_within_750_ms(gap, whole, batch_size):
    steps = every(gap, (BAM_ID, BAM), *((DT_ID, text) for text in PACKETS))
    rows, complained, _ = carry(frames(steps), batch_size)
    assert len(rows) == whole
    assert complained == ({} if whole else {"incomplete message": 1, "packet without a beginning": 3})


@pytest.mark.parametrize(
    ("steps", "whole"),
    [
        (
            [
                (0, RTS_ID, RTS),
                (1250, CTS_ID, "11 03 01 FF FF CA FE 00"),
                (2500, TO_ID, PACKETS[0]),
                (3250, TO_ID, PACKETS[1]),
                (4000, TO_ID, PACKETS[2]),
            ],
            1,
        ),
        ([(0, RTS_ID, RTS), (1251, TO_ID, PACKETS[0]), (1252, TO_ID, PACKETS[1]), (1253, TO_ID, PACKETS[2])], 0),
        (
            [
                (0, RTS_ID, RTS),
                (1, CTS_ID, "11 00 FF FF FF CA FE 00"),
                (1051, CTS_ID, "11 03 01 FF FF CA FE 00"),
                *((1060, TO_ID, p) for p in PACKETS),
            ],
            1,
        ),
        (
            [
                (0, RTS_ID, RTS),
                (1, CTS_ID, "11 00 FF FF FF CA FE 00"),
                (1052, CTS_ID, "11 03 01 FF FF CA FE 00"),
                *((1060, TO_ID, p) for p in PACKETS),
            ],
            0,
        ),
        ([(0, RTS_ID, RTS), (1, CTS_ID, "11 01 01 FF FF CA FE 00"), *((2, TO_ID, p) for p in PACKETS)], 0),  # more than was cleared
        ([(0, RTS_ID, RTS), (1, CTS_ID, "11 04 01 FF FF CA FE 00"), *((2, TO_ID, p) for p in PACKETS)], 0),  # more cleared than there is
        ([(0, RTS_ID, RTS), (1, TO_ID, PACKETS[0]), (2, CTS_ID, END)], 0),  # acknowledged, but not all of it is here
    ],
)
def test_connections(steps, whole):
    rows, complained, _ = carry(frames([(time * MS, number, text) for time, number, text in steps]))
    assert len(rows) == whole
    assert ("incomplete message" in complained) == (not whole)


@pytest.mark.parametrize("number", [RTS_ID, CTS_ID])
@pytest.mark.parametrize(("reason", "said"), [(3, "reason 3: a timeout"), (250, "reason 250")])
def test_an_abort_from_either_side_ends_it(number, reason, said):
    steps = every(MS, (RTS_ID, RTS), *((TO_ID, text) for text in PACKETS), (number, f"FF {reason:02X} FF FF FF CA FE 00"))
    rows, complained, texts = carry(frames(steps))
    assert (rows, complained) == ([], {"incomplete message": 1})
    assert said in texts[0]
    other = every(MS, (RTS_ID, RTS), *((TO_ID, text) for text in PACKETS), (number, "FF 03 FF FF FF CB FE 00"))
    assert len(carry(frames(other))[0]) == 1, "an abort of another PGN is not its own"


@pytest.mark.parametrize(
    ("number", "text", "says"),
    [
        (BAM_ID, "20 08 00 02 FF CA FE 00", "8 bytes in 2 packets"),
        (BAM_ID, "20 FA 06 FF FF CA FE 00", "1786 bytes in 255 packets"),
        (BAM_ID, "20 14 00 04 FF CA FE 00", "20 bytes in 4 packets"),
        (BAM_ID, "20 14 00 03 FF CA EA 00", "PGN 0xEACA"),
        (BAM_ID, "20 14 00 03 FF CA FE 04", "PGN 0x4FECA"),
        (BAM_ID, RTS, "a request to send goes to address 255"),
        (RTS_ID, BAM, "a broadcast goes to address 16"),
        (BAM_ID, "21 14 00 03 FF CA FE 00", "control byte 33"),
        (BAM_ID, "20 14 00 03 FF CA FE", "of 7 bytes; expected 8"),
    ],
)
def test_impossible_announcements(number, text, says):
    rows, complained, texts = carry(frames(every(MS, (number, text))))
    assert (rows, complained) == ([], {"impossible transport frame": 1})
    assert says in texts[0]


def test_1785_bytes():
    content = bytes(i % 251 for i in range(1785))
    steps = every(
        50 * MS, (BAM_ID, "20 F9 06 FF FF CA FE 00"), *((DT_ID, f"{i + 1:02X}" + content[7 * i : 7 * i + 7].hex()) for i in range(255))
    )
    assert [row[3] for row in carry(frames(steps))[0]] == [content]


def test_a_capture_that_begins_inside_a_message():
    rows, complained, _ = carry(frames(every(50 * MS, (DT_ID, PACKETS[2]), (BAM_ID, BAM), *((DT_ID, text) for text in PACKETS))))
    assert [row[3] for row in rows] == [TWENTY]
    assert complained == {"message begun before the capture": 1}


def test_sources_and_buses_stay_apart():
    other = J1939Id(7, 0xEB00, 0x21, 255).join()
    mixed = []
    for i, text in enumerate((BAM, *PACKETS)):
        mixed += frames([(i * 50 * MS, BAM_ID if i == 0 else DT_ID, text)], "a")
        mixed += frames([(i * 50 * MS + 1, BAM_ID if i == 0 else DT_ID, text.replace("01 01", "01 EE"))], "b")
        mixed += frames([(i * 50 * MS + 2, 0x1CECFF21 if i == 0 else other, text)], "a")
    rows, complained, _ = carry(mixed)
    assert [(row[2], row[3][0]) for row in rows] == [(0x18FECA00, 1), (0x18FECA00, 0xEE), (0x1CFECA21, 1)]
    assert complained == {}
    assert len(carry(mixed, bus=0)[0]) == 2


def test_a_clock_set_back_gives_up_what_is_under_way():
    steps = [(1000 * MS, BAM_ID, BAM), (1050 * MS, DT_ID, PACKETS[0]), (10 * MS, DT_ID, PACKETS[1])]
    rows, complained, _ = carry(frames(steps))
    assert (rows, complained) == ([], {"incomplete message": 1, "message begun before the capture": 1})


def test_what_is_used_and_that_others_are_not():
    content = [*frames([(0, BAM_ID, BAM), (1, 0x18FEF100, PACKETS[0])]), Frame(2, 0x123, b""), Frame(3, DT_ID, b"", True, Flag.REMOTE)]
    assert J1939Reassembler().update(cut(content)[0]).is_used.tolist() == [True, False, False, False]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_where_batches_are_cut_means_nothing(data):
    """Any frames at all: the same comes out, and every byte that comes out was announced."""
    choices = [(BAM_ID, BAM), (RTS_ID, RTS), (CTS_ID, "11 03 01 FF FF CA FE 00"), (CTS_ID, END), (CTS_ID, "FF 03 FF FF FF CA FE 00")]
    choices += [(number, text) for number in (DT_ID, TO_ID) for text in PACKETS]
    content, at = [], 0
    for number, text in data.draw(st.lists(st.sampled_from(choices), max_size=20)):
        at += data.draw(st.sampled_from([0, 1, 50, 700, 1300])) * MS
        content += frames([(at, number, text)])
    whole = carry(content)
    assert carry(content, data.draw(st.integers(1, 7)))[:2] == whole[:2]
    assert all(row[3] == TWENTY for row in whole[0])
