"""How long a frame is, as far as its first characters tell.

RTU does not carry a length. The function code and, for some codes, a byte count say how long a
request or a reply must be. This module holds that knowledge as one table; the framer tries each
length that the table allows and lets the CRC decide.

Source: MODBUS Application Protocol V1.1b3, sections 6.1-6.21 and 7 (layouts of requests, replies
and exceptions). Lengths are of the whole frame: address, PDU and CRC.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

from kerfbus.bench.line import MAX_ADU

MIN_ADU = 4
"""Shortest frame: address, function code, CRC."""
USER_DEFINED = frozenset((*range(65, 73), *range(100, 111)))
"""Function codes whose layout is the user's (Application Protocol V1.1b3, section 5)."""


class Shape(IntFlag):
    """What a frame of some length can be."""

    REQUEST = 1
    REPLY = 2
    """A normal reply or an exception."""
    RAW = 4
    """The CRC fits but no layout of the standard does: a user-defined or malformed frame."""


class Layout(NamedTuple):
    """The length of one kind of frame of one function code.

    Attributes:
        base: length without the counted part.
        count_at: where the count stands in the frame, -1 for a fixed length.
        wide: whether the count has two bytes.
        even: whether the count must be even.
        least: the smallest count that the standard allows.
    """

    base: int
    count_at: int = -1
    wide: bool = False
    even: bool = False
    least: int = 0

    def length(self, count: int = 0) -> int:
        """Return the frame's length when the count is `count`, 0 when there is no such frame."""
        if self.count_at < 0:
            return self.base
        if (self.even and count & 1) or count < self.least or self.base + count > MAX_ADU:
            return 0
        return self.base + count


_REQUESTS: dict[int, Layout] = {
    **{function: Layout(8) for function in (1, 2, 3, 4, 5, 6, 8)},
    **{function: Layout(4) for function in (0x07, 0x0B, 0x0C, 0x11)},
    0x0F: Layout(9, 6, least=1),
    0x10: Layout(9, 6, even=True, least=2),
    0x14: Layout(5, 2),
    0x15: Layout(5, 2),
    0x16: Layout(10),
    0x17: Layout(13, 10, even=True, least=2),
    0x18: Layout(6),
    0x2B: Layout(7),
}
_REPLIES: dict[int, Layout] = {
    **{function: Layout(5, 2, least=1) for function in (1, 2)},
    **{function: Layout(5, 2, even=True, least=2) for function in (3, 4, 0x17)},
    **{function: Layout(8) for function in (0x05, 0x06, 0x08, 0x0B, 0x0F, 0x10)},
    0x07: Layout(5),
    0x0C: Layout(5, 2),
    0x11: Layout(5, 2),
    0x14: Layout(5, 2),
    0x15: Layout(5, 2),
    0x16: Layout(10),
    0x18: Layout(6, 2, wide=True),
}
_EXCEPTION = Layout(5)
PUBLIC = frozenset(_REQUESTS)
"""The public function codes that RTU carries."""
_DEVICE_IDENTIFICATION = 0x2B
_MEI_DEVICE_IDENTIFICATION = 0x0E


class Candidate(NamedTuple):
    """A length that a frame may have.

    Attributes:
        length: the length in characters, 0 while the characters that tell are not there yet.
        shape: what the frame would be.
        known_after: how many characters are needed before `length` is known.
    """

    length: int
    shape: int
    known_after: int = 0


def _measure(layout: Layout, shape: Shape, data: bytes, start: int) -> Candidate | None:
    if layout.count_at < 0:
        return Candidate(layout.base, shape)
    place = start + layout.count_at
    after = layout.count_at + (2 if layout.wide else 1)
    if start + after > len(data):
        return Candidate(0, shape, after)
    length = layout.length(data[place] << 8 | data[place + 1] if layout.wide else data[place])
    return Candidate(length, shape, after) if length else None


def _identification_reply(data: bytes, start: int) -> Candidate | None:
    """Walk the objects of a 2B/0E reply (section 6.21): id, length, value, repeated."""
    head = 8  # address, 2B, 0E, code, conformity, more follows, next object, number of objects
    if start + head > len(data):
        return Candidate(0, Shape.REPLY, head)
    at = known = head
    for _ in range(data[start + 7]):
        if at + 2 > MAX_ADU - 2:
            return None
        if start + at + 2 > len(data):
            return Candidate(0, Shape.REPLY, at + 2)
        known = at + 2
        at = known + data[start + at + 1]
    return Candidate(at + 2, Shape.REPLY, known) if at + 2 <= MAX_ADU else None


def candidates(data: bytes, start: int = 0) -> list[Candidate]:
    """Return the lengths that a frame starting at `start` may have, shortest first.

    A length that is not known yet sorts by the least it can be. Two candidates of one length become
    one with both shapes. An empty list means that the function code has no layout: the frame's end
    is then known only by silence.

    Args:
        data: the characters; at least two from `start` on.
        start: where the frame starts.
    """
    function = data[start + 1]
    if function & 0x80:
        return [Candidate(_EXCEPTION.base, Shape.REPLY)] if function != 0x80 else []
    found = []
    if function == _DEVICE_IDENTIFICATION:
        if start + 2 >= len(data):
            return [Candidate(0, Shape.REQUEST, 3)]
        if data[start + 2] != _MEI_DEVICE_IDENTIFICATION:
            return []
        found = [Candidate(7, Shape.REQUEST), _identification_reply(data, start)]
    else:
        for table, shape in ((_REQUESTS, Shape.REQUEST), (_REPLIES, Shape.REPLY)):
            layout = table.get(function)
            if layout is not None:
                found.append(_measure(layout, shape, data, start))
    known = sorted((c for c in found if c), key=lambda c: c.length or c.known_after + 2)
    if len(known) == 2 and known[0].length == known[1].length != 0:
        return [Candidate(known[0].length, known[0].shape | known[1].shape)]
    return known


def layouts(function: int) -> tuple[Layout | None, Layout | None] | None:
    """Return the layouts of request and reply, None where they are not all in the table.

    An exception is a reply without a request of its function code.
    """
    if function > 0x80:
        return None, _EXCEPTION
    request, reply = _REQUESTS.get(function), _REPLIES.get(function)
    return (request, reply) if request and reply else None


def expected_reply_length(request: bytes) -> int:
    """Return the length of the normal reply that a request asks for, 0 when it does not tell.

    Args:
        request: the whole request frame, CRC included.
    """
    function = request[1]
    if function in (1, 2):
        return 5 + ((request[4] << 8 | request[5]) + 7) // 8
    if function in (3, 4, 0x17):
        return 5 + 2 * (request[4] << 8 | request[5])
    if function == 0x08:
        return len(request)
    if function == 0x15:
        return len(request)
    layout = _REPLIES.get(function)
    return layout.base if layout is not None and layout.count_at < 0 else 0


def echoes_request(function: int) -> bool:
    """Return whether the normal reply repeats the request to the letter.

    For these codes a client cannot tell its own echo from the reply by content: 05, 06, 08, 15, 16
    (sections 6.5, 6.6, 6.8, 6.15, 6.16).
    """
    return function in (0x05, 0x06, 0x08, 0x15, 0x16)
