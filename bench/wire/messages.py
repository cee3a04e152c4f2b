"""PDUs and frames to messages and back: the fast way first, construct for the rest.

Job: the door of this package. Rule: nothing is decided here. Construct is imported when a message
first needs it, which a program that only reads and writes coils and registers never does.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import NamedTuple

from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import WireError
from kerfbus.bench.wire import fast
from kerfbus.bench.wire.replies import Reply
from kerfbus.bench.wire.requests import Request


class Layouts(NamedTuple):
    """What `kerfbus.bench.wire.layouts` can do."""

    parse_request: Callable[[bytes], Request]
    parse_reply: Callable[[bytes], Reply]
    build: Callable[[Request | Reply], bytes]


@functools.cache
def load_layouts() -> Layouts:
    """Import construct and the layouts.

    It happens by itself when a message needs it and takes some tens of milliseconds. A server that
    must answer in time calls this before its first request.
    """
    # The one late import: construct would double the time in which a command starts.
    from kerfbus.bench.wire import layouts  # noqa: PLC0415

    return Layouts(layouts.parse_request, layouts.parse_reply, layouts.build)


def parse_request(pdu: bytes) -> Request:
    """Return what a request says.

    Limits on quantities and values are not checked; `check_limits` does that.

    Args:
        pdu: function code and data.

    Raises:
        WireError: it keeps to no layout. `path` names the field, `exception` the code that a server
            answers (03, or 01 for a function code that none can have; 0 for no function code).
    """
    message = fast.parse_request(pdu)
    return message if message is not None else load_layouts().parse_request(pdu)


def parse_reply(pdu: bytes) -> Reply:
    """Return what a reply says; an exception is an `ExceptionReply`.

    Args:
        pdu: function code and data.

    Raises:
        WireError: it keeps to no layout. `path` names the field.
    """
    message = fast.parse_reply(pdu)
    return message if message is not None else load_layouts().parse_reply(pdu)


def build(message: Request | Reply) -> bytes:
    """Return the PDU of a message.

    Raises:
        WireError: a value does not fit into its field, or the whole not into a PDU; `path` names
            the field.
    """
    pdu = fast.build(message)
    return pdu if pdu is not None else load_layouts().build(message)


def adu(address: int, message: Request | Reply) -> bytes:
    """Return the frame of a message: address, PDU, CRC.

    Args:
        address: 0 to 255. Who may have which is not decided here.
        message: what it says.

    Raises:
        WireError: the address is no byte, or as for `build`.

    >>> adu(17, fast.ReadHoldingRegisters(107, 3)).hex(" ")
    '11 03 00 6b 00 03 76 87'
    """
    if not 0 <= address <= 0xFF:
        raise WireError(f"is {address}, must be 0 to 255", "address")
    return with_crc(bytes((address,)) + build(message))
