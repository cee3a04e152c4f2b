"""Where frames stand in a run of characters, by length and CRC alone.

Job: try the lengths that the function code allows (`kerfbus.bench.shapes`), shortest first, and let
the CRC decide. Rule: plain functions over bytes. It must not know time: what a silence means is for
`kerfbus.bench.resync`.

An answer that depends on characters still to come is "so many are needed", never a guess, so that
the answer does not depend on how much has arrived.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from kerfbus.bench.crc import crc16
from kerfbus.bench.line import MAX_ADU
from kerfbus.bench.shapes import (
    MIN_ADU,
    PUBLIC,
    Layout,
    Shape,
    candidates,
    echoes_request,
    expected_reply_length,
    layouts,
)

MAX_ADDRESS = 247
"""Higher server addresses are reserved (MODBUS over Serial Line V1.02, 2.2)."""

_REQUEST = int(Shape.REQUEST)
_REPLY = int(Shape.REPLY)


Said = tuple[Any, ...]
"""What was said last on the line: first the characters of the last good frame, none at the start
and behind damage; last its `Shape` bits. A `Frame` is one."""
NOTHING_SAID: Said = (b"", 0)

Row = tuple[int, int, int, int, bool]
"""Length and shape, longer length and its shape (0 where there is none), and whether the two
lengths are one character apart."""
OUT_OF_REACH = 1 << 30
"""The place of the character that settles the lengths, where no single one does."""


@cache
def _rows(*both: Layout | None) -> tuple[int, tuple[Row, ...]]:
    """Return the place of the character that settles the lengths, and a row for each value.

    Args:
        both: the layouts of request and reply.
    """
    given = [
        (layout, shape) for layout, shape in zip(both, (_REQUEST, _REPLY), strict=True) if layout
    ]
    places = {layout.count_at for layout, _ in given if layout.count_at >= 0}
    if len(places) > 1 or any(layout.wide for layout, _ in given):
        return OUT_OF_REACH, ()
    rows = []
    for count in range(256 if places else 1):
        lengths: dict[int, int] = {}
        for layout, shape in given:
            if length := layout.length(count):
                lengths[length] = lengths.get(length, 0) | shape
        (short, shape), (longer, other), *_ = [*sorted(lengths.items()), (0, 0), (0, 0)]
        rows.append((short, shape, longer, other, longer == short + 1))
    # Where all lengths are fixed, any character that every frame has will do.
    return max(places, default=2), tuple(rows) * (256 // len(rows))


def _settled(function: int) -> tuple[int, tuple[Row, ...]]:
    found = layouts(function)
    return _rows(*found) if found is not None else (OUT_OF_REACH, ())


SETTLED = tuple(_settled(function) for function in range(256))
"""By function code: the place of the character that settles the lengths (`OUT_OF_REACH` where none
does) and a row for each value of it."""

LIKELY = frozenset(function for function in range(256) if (function & 0x7F) in PUBLIC)
"""Function codes that are taken for the start of a frame where no good CRC says so."""
# Nor is a reserved address: each false start is a chance in 65,536 to be taken for a frame.
_LIKELY_START = re.compile(
    b"(?=[\0-" + bytes((MAX_ADDRESS,)) + b"][" + re.escape(bytes(sorted(LIKELY))) + b"])"
)


def prefers_shorter(said: Said, found: bytes, shape: int) -> bool:
    """Return whether what was said last makes `found` the frame, not one a character longer.

    A frame that ends in 00 has a good CRC one character earlier too (the residue is 0 and a 00
    keeps it 0). After a request the reply of the length that it asks for follows, or the request
    again; after all else, a request.

    Args:
        said: what was said last.
        found: the shorter frame.
        shape: its shapes.
    """
    context, shapes = said[0], said[-1]
    if not context:
        return False
    if shapes == _REQUEST and context[:2] == found[:2] and context[0]:
        expected = expected_reply_length(context)
        if shape & _REPLY:
            return expected == len(found)
        return found == context or expected not in (0, len(found) + 1)
    if not shape & _REQUEST:
        return False
    # A frame that may be request or reply leaves no doubt when its function code repeats requests:
    # what follows with another function code does not answer it.
    return shapes in (_REQUEST, _REPLY) or echoes_request(context[1])


def frame_at(buf: bytes, start: int, limit: int, said: Said, *, sealed: bool) -> tuple[int, int]:
    """Return length and shape of the frame that stands at `start`.

    Args:
        buf: characters.
        start: where the frame would start.
        limit: how far the characters go that may belong to it.
        said: what was said last.
        sealed: whether no more characters can follow at `limit`.

    Returns:
        A length of 0 for none. A negative one: so many characters are needed to tell; never when
        `sealed`.
    """
    room = limit - start
    if room < MIN_ADU:
        return (0, 0) if sealed else (-MIN_ADU, 0)
    place, rows = SETTLED[buf[start + 1]]
    if not rows:
        return _unsettled_at(buf, start, limit, said, sealed=sealed)
    needed = place + 1
    if needed <= room:
        length, shape, longer, longer_shape, risky = rows[buf[start + place]]
        needed = length
        if length <= room:
            found = buf[start : start + length]
            good = not crc16(found)
            if good and (not risky or prefers_shorter(said, found, shape)):
                return length, shape
            needed = longer
            if longer <= room:
                if longer and not crc16(buf[start : start + longer]):
                    return longer, longer_shape
                return (length, shape) if good else (0, 0)
            if good and sealed:
                return length, shape
    return (0, 0) if sealed else (-needed, 0)


def _unsettled_at(
    buf: bytes, start: int, limit: int, said: Said, *, sealed: bool
) -> tuple[int, int]:
    """Return what `frame_at` does, where one character does not settle the lengths."""
    room = limit - start
    shorter: tuple[int, int] | None = None
    for length, shape, known_after in candidates(buf[start:limit]):
        if shorter and length != shorter[0] + 1:
            break
        if not 0 < length <= room:
            return shorter or (0, 0) if sealed else (-(length or known_after), 0)
        found = buf[start : start + length]
        if not crc16(found):
            if shorter or prefers_shorter(said, found, int(shape)):
                return length, int(shape)
            shorter = length, int(shape)
    return shorter or (0, 0)


def seek(buf: bytes, start: int, limit: int, *, sealed: bool) -> tuple[int, int, int]:
    """Find the next frame behind characters that fit none.

    Args:
        buf: characters.
        start: where to begin.
        limit: how far the characters go that may belong to the frame.
        sealed: whether no more characters can follow at `limit`.

    Returns:
        Where it stands, its length and its shape; the length as from `frame_at`.
    """
    for match in _LIKELY_START.finditer(buf, start, limit):
        start = match.start()
        place, rows = SETTLED[buf[start + 1]]
        if start + place < limit:
            # Most starts are false ones: the same as `frame_at`, cut short.
            short, _, longer, _, _ = rows[buf[start + place]]
            if (
                start + (longer or short) <= limit
                and crc16(buf[start : start + short])
                and crc16(buf[start : start + longer])  # that of no characters is not 0
            ):
                continue
        length, shape = frame_at(buf, start, limit, NOTHING_SAID, sealed=sealed)
        if length:
            return start, length, shape
    if sealed:
        return limit, 0, 0
    return max(start, limit - 1), -MIN_ADU, 0


def user_defined_at(buf: bytes, start: int, limit: int, *, sealed: bool) -> int:
    """Return the length of the user-defined frame at `start`.

    Its function code tells no length. It ends by silence, or where a frame with a layout begins
    and its CRC fits; after 256 characters without either, by CRC alone.

    Args:
        buf: characters.
        start: where the frame would start.
        limit: how far the characters go that may belong to it.
        sealed: whether no more characters can follow at `limit`.

    Returns:
        0 for none. A negative one: so many characters are needed to tell; never when `sealed`.
    """
    full = start + MAX_ADU
    stop, length, _ = seek(buf, start + 1, min(limit, full), sealed=sealed)
    if length < 0:
        return _shortest_by_crc(buf, start, full) if limit >= full else start - stop + length
    if stop - start >= MIN_ADU and not crc16(buf[start:stop]):
        return stop - start
    # More than one, perhaps: then they fill the space together.
    first = end = _shortest_by_crc(buf, start, stop)
    while end and start + end < stop:
        more = _shortest_by_crc(buf, start + end, stop)
        end = end + more if more else 0
    return first if end else 0


def _shortest_by_crc(buf: bytes, start: int, stop: int) -> int:
    """Return the length of the shortest frame at `start` by CRC alone, 0 for none."""
    for end in range(start + MIN_ADU, stop + 1):
        if not crc16(buf[start:end]):
            return end - start
    return 0
