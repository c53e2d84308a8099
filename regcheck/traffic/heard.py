"""What a recorder hears beside whole transfers: attempts that came to nothing, and events of the bus itself."""

from __future__ import annotations

from dataclasses import dataclass, replace

from regcheck.traffic.batch import Flag
from regcheck.traffic.build import BatchBuilder
from regcheck.traffic.shapes import Transfer

BAD_PEC = "bad_pec"

ERRORS = {
    "arbitration": "another host won the arbitration",
    "timeout": "the transfer took too long",
    "refused": "a byte was not acknowledged; the adapter does not say which",
    "bus": "the adapter reports a fault of the bus or a byte that was not acknowledged, not which",
    "busy": "the bus or the address was not free",
    "count": "the count of a block is not allowed",
    "unsupported": "the adapter cannot do this transfer",
    "adapter": "the adapter is gone",
    BAD_PEC: "the adapter found the PEC wrong and kept the data",
}
"""Words of the key ``error`` of a transfer log, and what they say. What a NACK of the address looks like is known: it has no word."""


@dataclass(frozen=True, slots=True)
class Tried:
    """An attempt of the recorder: ``error`` is a word of ``ERRORS``, "" where it went through.

    ``errno`` names what the adapter's driver returned, ``attempt`` counts from 1: beyond it, it was a retry. With an error, the parts
    of the transfer are what was to be sent; what of it came on the wire is not known.
    """

    transfer: Transfer
    error: str = ""
    errno: str = ""
    attempt: int = 1


@dataclass(frozen=True, slots=True)
class Event:
    """Something about the bus that is no message: ``text`` is a few words, the same for every event alike."""

    time_ns: int
    text: str
    bus: str = ""


def take(builder: BatchBuilder, heard: Transfer | Tried | Event, place: int) -> None:
    """Put what was heard into a batch: a transfer, or a complaint that is counted by what it is."""
    if isinstance(heard, Transfer):
        builder.add(heard, place)
    elif isinstance(heard, Event):
        builder.complain(f"bus event: {heard.text}", f"{heard.bus}: {heard.text}" if heard.bus else heard.text, place)
    elif not heard.error:
        builder.add(heard.transfer, place)
    elif heard.error == BAD_PEC:
        builder.add(replace(heard.transfer, flags=heard.transfer.flags | Flag.BAD_PEC), place)
    else:
        sent = " | ".join(part.hex(" ").upper() for part in heard.transfer.parts)
        said = f" ({heard.errno})" if heard.errno else ""
        builder.complain(f"bus error: {heard.error}", f"{sent}: {ERRORS[heard.error]}{said}", place)
