"""Packets out of the two packet-capture containers, pcap and pcapng: both byte orders, any time resolution, any link type.

pcap: draft-ietf-opsawg-pcap; pcapng: draft-ietf-opsawg-pcapng. A damaged record is a complaint; the next one that fits is searched for.
Places are byte offsets in the unpacked file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from struct import Struct, unpack_from
from typing import Literal

from regcheck.errors import CaptureError, Place
from regcheck.traffic.source import Source
from regcheck.traffic.stream import ByteStream
from regcheck.traffic.times import NS_LIMIT, round_ratio

LINKTYPE_I2C_LINUX = 209
LINKTYPE_CAN_SOCKETCAN = 227
PCAP_MAGICS: dict[bytes, tuple[Literal["<", ">"], int]] = {
    b"\xd4\xc3\xb2\xa1": ("<", 1000),
    b"\xa1\xb2\xc3\xd4": (">", 1000),
    b"\x4d\x3c\xb2\xa1": ("<", 1),
    b"\xa1\xb2\x3c\x4d": (">", 1),
}
"""The first four bytes of a pcap file: its byte order, and how many nanoseconds the fraction of a second counts."""
PCAPNG_MAGIC = b"\x0a\x0d\x0d\x0a"

Complain = Callable[[str, str, int], None]
_LARGEST = 1 << 18  # no record of the link types read here is larger; a length beyond it is damage
_BLOCK_LARGEST = 1 << 24
_DAY_S = 86_400  # a record that is searched for lies no further in time from the one before the damage
_SECTION, _INTERFACE, _OLD_PACKET, _SIMPLE, _ENHANCED = 0x0A0D0D0A, 1, 2, 3, 6
_IF_NAME, _IF_TSRESOL, _IF_TSOFFSET = 2, 9, 14


@dataclass(frozen=True, slots=True)
class Packet:
    """One captured packet: where it stands, when it was seen, its link type, the bytes kept, how many there were, and the interface.

    The interface is named as the capture does, else by its number; the only one without a name, or the first, is "".
    """

    offset: int
    time_ns: int
    link_type: int
    data: bytes
    full_length: int
    interface: str = ""


class _Window:
    """The bytes ahead of a moving offset."""

    def __init__(self, stream: ByteStream) -> None:
        self._chunks = iter(stream)
        self._bytes = b""
        self._at = 0
        self.offset = 0

    def peek(self, count: int, ahead: int = 0) -> bytes:
        """Return ``count`` bytes from ``ahead`` on, fewer at the end of the file."""
        need = ahead + count
        if len(self._bytes) - self._at < need:
            pieces = [self._bytes[self._at :]]
            have = len(pieces[0])
            while have < need and (chunk := next(self._chunks, b"")):
                pieces.append(chunk)
                have += len(chunk)
            self._bytes, self._at = b"".join(pieces), 0
        return self._bytes[self._at + ahead : self._at + need]

    def skip(self, count: int) -> None:
        """Move on by ``count`` bytes, which have been peeked at."""
        self._at += count
        self.offset += count


def packets(stream: ByteStream, complain: Complain) -> Iterator[Packet]:
    """Yield every packet of a pcap or pcapng file, whatever its link type; ``complain`` takes kind, text and byte offset.

    CaptureError: the file is neither, or ends inside its first header.
    """
    window = _Window(stream)
    magic = window.peek(4)
    if magic in PCAP_MAGICS:
        yield from _pcap(window, stream, complain)
    elif magic == PCAPNG_MAGIC:
        yield from _pcapng(window, stream, complain)
    else:
        raise CaptureError(Place(str(stream.path)), "is neither pcap nor pcapng")
    if stream.damage:
        complain("damaged gzip stream", stream.damage, stream.damage_offset)


def _pcap(window: _Window, stream: ByteStream, complain: Complain) -> Iterator[Packet]:
    header = window.peek(24)
    if len(header) < 24:
        raise CaptureError(Place(str(stream.path), offset=0), "the pcap file ends inside its header of 24 bytes", "record it anew")
    order, tick_ns = PCAP_MAGICS[header[:4]]
    limit, link = unpack_from(order + "II", header, 16)
    window.skip(24)
    record = Struct(order + "IIII")
    largest = min(limit, _LARGEST) if limit else _LARGEST
    per_second = 1_000_000_000 // tick_ns
    last_s: int | None = None

    def fits(at: int) -> bool:
        """Tell whether a record that can be one stands ``at`` bytes ahead, and another one, or the end of the file, right behind it."""
        for behind in (False, True):
            head = window.peek(16, at)
            if len(head) < 16:
                return behind and not head
            seconds, part, kept, full = record.unpack(head)
            if (
                part >= per_second
                or not kept <= full <= _LARGEST
                or kept > largest
                or (last_s is not None and abs(seconds - last_s) > _DAY_S)
            ):
                return False
            if len(window.peek(kept, at + 16)) < kept:
                return False
            at += 16 + kept
        return True

    while head := window.peek(16):
        is_whole = len(head) == 16
        seconds, part, kept, full = record.unpack(head) if is_whole else (0, 0, 0, 0)
        if not is_whole or part >= per_second or kept > largest or kept > full:
            complain(*_damage(is_whole, f"lengths {kept} and {full}, fraction {part}"), window.offset)
            if not is_whole or not _find(window, 1, 16, fits):
                return
            continue
        data = window.peek(kept, 16)
        if len(data) < kept:
            complain("packet capture cut short", f"a packet of {kept} bytes; only {len(data)} are there", window.offset)
            return
        last_s = seconds
        yield Packet(window.offset, seconds * 1_000_000_000 + part * tick_ns, link & 0xFFFF, data, full)
        window.skip(16 + kept)


def _damage(is_whole: bool, found: str) -> tuple[str, str]:
    if not is_whole:
        return "packet capture cut short", "the file ends inside the header of a record"
    return "damaged packet record", f"the header of a record cannot be right ({found}); the next one that can is searched for"


def _find(window: _Window, step: int, need: int, fits: Callable[[int], bool]) -> bool:
    """Move to the next offset at which a record fits; False: there is none."""
    at = step
    while len(window.peek(need, at)) == need:
        if fits(at):
            window.skip(at)
            return True
        at += step
        if at >= 4096:
            window.skip(at - step)
            at = step
    return False


@dataclass(slots=True)
class _Interface:
    link_type: int
    limit: int
    per_second: int = 1_000_000
    offset_s: int = 0
    name: str = ""

    def time_ns(self, ticks: int) -> int:
        return round_ratio(ticks, 1_000_000_000, self.per_second) + self.offset_s * 1_000_000_000


@dataclass(slots=True)
class _Section:
    order: str = "<"
    interfaces: list[_Interface] = field(default_factory=list)


def _pcapng(window: _Window, stream: ByteStream, complain: Complain) -> Iterator[Packet]:
    section = _Section()
    is_first = True
    while head := window.peek(12):
        if head[:4] == PCAPNG_MAGIC and len(head) == 12:
            order = {b"\x4d\x3c\x2b\x1a": "<", b"\x1a\x2b\x3c\x4d": ">"}.get(head[8:])
            if order is not None:
                section = _Section(order)
        length = unpack_from(section.order + "I", head, 4)[0] if len(head) >= 8 else 0
        body = window.peek(length) if 12 <= length <= _BLOCK_LARGEST else b""
        is_closed = len(body) == length and length % 4 == 0 and body[-4:] == head[4:8]
        if is_first and (not body or len(body) < length):
            raise CaptureError(
                Place(str(stream.path), offset=0), "the pcapng file ends inside its section header, or that is damaged", "record it anew"
            )
        is_first = False
        if len(head) < 12 or (body and len(body) < length):
            complain("packet capture cut short", "the file ends inside a block", window.offset)
            if len(head) < 12 or not _find(window, 4, 12, partial(_is_block, window, section.order)):
                return
            continue
        if not body or not is_closed:
            complain(
                "damaged packet record", f"a block of length {length} cannot be right; the next one that can is searched for", window.offset
            )
            if not _find(window, 4, 12, partial(_is_block, window, section.order)):
                return
            continue
        packet = _block(section, body, window.offset, complain)
        if packet is not None:
            yield packet
        window.skip(length)


def _is_block(window: _Window, order: str, at: int) -> bool:
    head = window.peek(12, at)
    if head[:4] == PCAPNG_MAGIC and head[8:] in (b"\x4d\x3c\x2b\x1a", b"\x1a\x2b\x3c\x4d"):
        return True
    kind, length = unpack_from(order + "II", head)
    if kind not in (_INTERFACE, _OLD_PACKET, _SIMPLE, _ENHANCED) or length % 4 or not 12 <= length <= _LARGEST:
        return False
    return window.peek(4, at + length - 4) == head[4:8]


def _block(section: _Section, body: bytes, offset: int, complain: Complain) -> Packet | None:
    order = section.order
    kind = unpack_from(order + "I", body)[0]
    if kind == _INTERFACE and len(body) >= 20:
        link, _, limit = unpack_from(order + "HHI", body, 8)
        interface = _Interface(link, limit)
        _options(interface, body[16:-4], order)
        section.interfaces.append(interface)
        return None
    if kind == _SIMPLE:
        complain("packet without a time", "a simple packet block carries no time; it is left out", offset)
        return None
    if kind not in (_ENHANCED, _OLD_PACKET):
        return None
    if len(body) < 32:
        complain("damaged packet record", f"a packet block of {len(body)} bytes; expected at least 32", offset)
        return None
    number, high, low, kept, full = unpack_from(order + ("IIIII" if kind == _ENHANCED else "HxxIIII"), body, 8)
    if number >= len(section.interfaces) or kept > len(body) - 32:
        complain("damaged packet record", f"a packet of interface {number} with {kept} bytes in a block of {len(body)}", offset)
        return None
    interface = section.interfaces[number]
    time_ns = interface.time_ns(high << 32 | low)
    if abs(time_ns) >= NS_LIMIT:
        complain("damaged packet record", "its time is beyond what can be held", offset)
        return None
    name = interface.name or (f"interface {number}" if number else "")
    return Packet(offset, time_ns, interface.link_type, body[28 : 28 + kept], full, name)


def _options(interface: _Interface, options: bytes, order: str) -> None:
    at = 0
    while at + 4 <= len(options):
        code, length = unpack_from(order + "HH", options, at)
        value = options[at + 4 : at + 4 + length]
        if code == 0:
            return
        if code == _IF_NAME:
            interface.name = value.decode("utf-8", "replace").rstrip("\0")
        elif code == _IF_TSRESOL and len(value) == 1:
            interface.per_second = 2 ** (value[0] & 0x7F) if value[0] & 0x80 else 10 ** value[0]
        elif code == _IF_TSOFFSET and len(value) == 8:
            interface.offset_s = unpack_from(order + "q", value)[0]
        at += 4 + (length + 3) // 4 * 4


def require_link_type(source: Source, wanted: int, what: str, remedy: str) -> None:
    """Look at the first packet; CaptureError: no packet capture, or one of another link type than ``wanted``, which holds ``what``."""
    packet = next(packets(source.stream(), lambda *_: None), None)
    if packet is not None and packet.link_type != wanted:
        text = f"the packet capture is of link type {packet.link_type}; expected {wanted} ({what})"
        raise CaptureError(Place(source.file, offset=packet.offset), text, remedy)
