"""Why a message gives no reading, and how a person is told."""

from __future__ import annotations

from enum import IntEnum


class Unexplained(IntEnum):
    """Why a message gives no reading."""

    ADDRESS_REFUSED = 1  # nobody acknowledged the address
    OTHER_DEVICE = 2  # an address that the map does not have
    UNKNOWN_COMMAND = 3  # the map has the address, but not this command
    WRONG_DIRECTION = 4  # the map's command, written where it can only be read, or the reverse
    UNKNOWN_SELECTOR = 5  # an indirect read of a word that the map does not have
    QUICK = 6
    STRAY = 7  # no whole transfer
    UNKNOWN_ID = 8  # a frame whose id the map does not have
    OTHER_BUS = 9  # the map has the id, but on another bus
    NOT_FITTED = 10  # the map has the id, of a device that is not there
    OTHER_BEGINNING = 11  # the map has the id, but no message that begins so
    REMOTE = 12  # a remote frame, which carries nothing
    ERROR = 13  # an error frame of the recorder


UNEXPLAINED_TEXT: dict[Unexplained, str] = {
    Unexplained.ADDRESS_REFUSED: "nobody acknowledged the address",
    Unexplained.OTHER_DEVICE: "they went to an address that the map does not have",
    Unexplained.UNKNOWN_COMMAND: "the map does not have their command",
    Unexplained.WRONG_DIRECTION: "the map has their command for the other direction only",
    Unexplained.UNKNOWN_SELECTOR: "the map does not have the word that selected them",
    Unexplained.QUICK: "quick commands carry no data",
    Unexplained.STRAY: "they were no whole transfers",
    Unexplained.UNKNOWN_ID: "the map does not have their id",
    Unexplained.OTHER_BUS: "the map has their id on another bus only",
    Unexplained.NOT_FITTED: "they came from a device that is not said to be fitted",
    Unexplained.OTHER_BEGINNING: "no message of the map begins as they do",
    Unexplained.REMOTE: "remote frames carry no data",
    Unexplained.ERROR: "error frames carry no data",
}
