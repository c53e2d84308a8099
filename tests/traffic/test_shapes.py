"""Message keys from the shape of a transfer: against the rules, written one transfer at a time."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from regcheck.traffic.batch import NO_BYTE, Flag, Kind, MessageKey
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.shapes import Transfer


def slow_key(transfer: Transfer) -> MessageKey:
    first, *more = transfer.parts
    if len(first) + sum(map(len, more)) == 0:
        return MessageKey(Kind.STRAY, 0)
    whole = b"".join(transfer.parts)
    nack = transfer.first_refused
    number, head = whole[0] >> 1, 1
    if 0xF0 <= whole[0] <= 0xF7 and not whole[0] & 1 and len(whole) > 1 and nack != 0:
        number, head = 0x400 + ((whole[0] >> 1 & 3) << 8) + whole[1], 2
    stray = MessageKey(Kind.STRAY, number)
    if transfer.flags & Flag.NO_START or len(more) > 1:
        return stray
    if more and (not first or not more[0] or first[0] & 1 or more[0][0] != first[0] | 1):
        return stray
    if nack < head:
        return MessageKey(Kind.REFUSED, number, whole[0] & 1)
    if more:
        if len(first) > head:
            return MessageKey(Kind.READ, number, first[head])
        return MessageKey(Kind.RECEIVE, number) if head == 2 and len(first) >= 1 else stray
    if len(first) == head:
        return MessageKey(Kind.QUICK, number, first[0] & 1)
    return MessageKey(Kind.RECEIVE, number) if first[0] & 1 else MessageKey(Kind.WRITE, number, first[head])


addresses = st.sampled_from([0x16, 0x17, 0x18, 0xF2, 0xF3, 0xF9])
part = st.one_of(st.just(b""), st.builds(lambda first, rest: bytes([first]) + rest, addresses, st.binary(max_size=4)))
transfers = st.builds(
    Transfer,
    st.just(0),
    st.lists(part, min_size=1, max_size=3).map(tuple),
    nack=st.sampled_from([None, NO_BYTE, 0, 1, 2]),
    flags=st.sampled_from([Flag(0), Flag(0), Flag.NO_START, Flag.NO_STOP]),
)


@settings(max_examples=400, deadline=None)
@given(st.lists(transfers, min_size=1, max_size=20))
def test_keys(items):
    builder = BatchBuilder("keys")
    for item in items:
        builder.add(item, 0)
    (batch,) = builder.finish()
    assert [MessageKey.unpack(int(key)) for key in batch.key] == [slow_key(item) for item in items]
