"""What can be done to a reply on its way to a controller, as bytes.

Sources: a receiver discards a frame whose CRC does not fit, and a client one from a server that it
did not ask (MODBUS over Serial Line V1.02, 2.4.1 and 2.5.1.2); a reply's byte count follows from
the request (MODBUS Application Protocol V1.1b3, 6.1 to 6.4).

Every bad frame made here can be known for one by a client that follows these rules: none has a good
CRC, the right address, the right function and the right length at once.
"""

from __future__ import annotations

from enum import Enum

from kerfbus.bench.crc import with_crc
from kerfbus.bench.wire import ExceptionCode

MAX_ADDRESS = 247


class Treatment(Enum):
    """What is done to a reply."""

    NONE = "none"
    DAMAGED = "damaged"
    """One bit of the CRC is wrong."""
    LATE = "late"
    """It comes when the next request, for something else, is out."""
    FOREIGN = "foreign"
    """A good frame of another server comes first."""
    SHORT = "short"
    """It breaks off, or holds less than was asked for."""
    LONG = "long"
    """It holds more than was asked for, or has a character too many."""
    EXCEPTION = "exception"
    """The server says that it is busy."""
    SILENCE = "silence"
    """It does not come."""
    LINK_DOWN = "link down"
    """Nothing comes through, neither way."""


LURING = (
    Treatment.DAMAGED,
    Treatment.LATE,
    Treatment.FOREIGN,
    Treatment.SHORT,
    Treatment.LONG,
    Treatment.EXCEPTION,
)
"""Treatments that put something wrong before the controller."""


def bad_frame(kind: Treatment, address: int, pdu: bytes, turn: int) -> bytes:
    """Return what is sent in place of a reply.

    Args:
        kind: DAMAGED, FOREIGN, SHORT, LONG or EXCEPTION.
        address: of the server that was asked.
        pdu: of a reply to a read, with the lure in it.
        turn: counts the bad frames; SHORT and LONG have two forms that take turns.
    """
    frame = with_crc(bytes((address,)) + pdu)
    match kind:
        case Treatment.DAMAGED:
            return frame[:-1] + bytes((frame[-1] ^ 0x01,))
        case Treatment.FOREIGN:
            other = address + 1 if address < MAX_ADDRESS else 1
            return with_crc(bytes((other,)) + pdu)
        case Treatment.SHORT:
            return frame[:-3] if turn % 2 else with_crc(bytes((address,)) + resized(pdu, -1))
        case Treatment.LONG:
            middle = len(frame) - 3
            longer = frame[:middle] + b"\x55" + frame[middle:]
            return longer if turn % 2 else with_crc(bytes((address,)) + resized(pdu, 2))
        case Treatment.EXCEPTION:
            busy = int(ExceptionCode.SERVER_DEVICE_BUSY)
            return with_crc(bytes((address, pdu[0] | 0x80, busy)))
    raise ValueError(f"{kind}: puts no frame in place of a reply")


def resized(pdu: bytes, words: int) -> bytes:
    """Return the PDU of a reply to a read with so many words more (or less), byte count and all.

    >>> [resized(bytes.fromhex("0404 0001 0002"), words).hex() for words in (-1, 1)]
    ['04020001', '0406000100020000']
    """
    data = pdu[2:] + bytes(max(2 * words, 0))
    data = data[: len(data) + min(2 * words, 0)]
    return bytes((pdu[0], len(data))) + data
