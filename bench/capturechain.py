"""Packets of a capture found and gathered many at once.

Job: in bytes that begin with a block, find runs of Enhanced Packet Blocks that follow one another
without a gap, and gather their fields into arrays. Rule: only what is certain and common is decided
here (little-endian, nanoseconds, no options or epb_flags alone, inbound line errors); everything
else is called odd and left to `kerfbus.bench.captureparser`.

How. Blocks are aligned to 32 bits and repeat their length at their end. So every word that could be
the type of a packet is looked at: is the length behind it plausible, and does it stand again where
the block would end? Most of these candidates form an unbroken chain, each ending where the next
begins. A candidate that is only data cannot enter a chain: it stands inside a block, and a chain
visits only where the block before ended.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.captureparser import Interface
from kerfbus.bench.capturerecords import CHARACTERS, EVENT, EVENTS, OUTBOUND_FLAG
from kerfbus.bench.pcapng import EPB_FLAGS, PACKET, PACKET_DATA_AT

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Words = NDArray[np.uint32]

# Where a packet's fields stand, in words from its head (pcapng draft, 4.3).
_LENGTH, _INTERFACE, _HIGH, _LOW, _SIZE, _DATA = 1, 2, 3, 4, 5, PACKET_DATA_AT // 4
_SHORTEST = 32
_FLAGS_ONLY = 3
"""Words of options that hold epb_flags and the end mark."""
_FLAGS_HEAD = EPB_FLAGS | 4 << 16
_MAX_HIGH = 2**31
"""Upper word of the first instant that a signed 64-bit column does not hold."""

WINDOW = 1 << 18
"""Words that are looked at together: enough to make numpy's calls cheap, and still in the cache."""

_NONE, _ODD = 2, 3
"""Roles beside CHARACTERS and EVENTS: skipped, and to be read by the parser."""


class Chain:
    """The candidates in a window of a buffer, and where they follow one another.

    Args:
        words: the buffer.
        begin: word at which the window begins.

    Attributes:
        end: word at which it ends.
        heads: word at which each candidate begins.
        ends: one past its last word.
    """

    def __init__(self, words: Words, begin: int) -> None:
        end = min(begin + WINDOW, len(words))
        self.words = words
        self.end = end
        heads = np.flatnonzero(words[begin:end] == PACKET) + begin
        heads = heads[: np.searchsorted(heads, end - _SHORTEST // 4, side="right")]
        lengths = words[heads + _LENGTH]
        ends = heads + (lengths >> 2)
        good = ((lengths & 3) == 0) & (lengths >= _SHORTEST) & (ends <= end)
        kept = _selected(good)
        heads, lengths, ends = heads[kept], lengths[kept], ends[kept]
        kept = _selected(words[ends - 1] == lengths)
        self.heads: Ints = heads[kept]
        self.ends: Ints = ends[kept]
        gaps = np.flatnonzero(self.ends[:-1] != self.heads[1:])
        self._last = np.append(gaps, len(self.heads) - 1)

    def run(self, at: int) -> tuple[int, int]:
        """Return the candidates from the word `at` on that follow one another, as a range."""
        first = int(np.searchsorted(self.heads, at))
        if first == len(self.heads) or self.heads[first] != at:
            return first, first
        return first, int(self._last[np.searchsorted(self._last, first)]) + 1


def _selected(good: Flags) -> Flags | slice:
    """Return an index for the good ones; a slice, which copies nothing, in the common cases."""
    if good[:-1].all():
        return slice(None) if good[-1:].all() else slice(-1)  # the last one may be cut off
    return good


class Packets(NamedTuple):
    """Packets that follow one another, and what is certain about them.

    Attributes:
        words: the buffer.
        heads: word at which each begins.
        sizes: bytes of data.
        burst: whether it is a burst of the common form.
        outbound: whether the recording station sent it.
        error: whether it is a line error of the common form.
        odd: indices of those that are neither and must not be skipped.
    """

    words: Words
    heads: Ints
    sizes: Ints
    burst: Flags
    outbound: Flags
    error: Flags
    odd: Ints

    def part(self, first: int, last: int) -> Packets:
        """Return the packets of a range in which none is odd."""
        inside = slice(first, last)
        return Packets(
            self.words,
            self.heads[inside],
            self.sizes[inside],
            self.burst[inside],
            self.outbound[inside],
            self.error[inside],
            self.odd[:0],
        )


class Errors(NamedTuple):
    """Line errors as columns.

    Attributes:
        where: index of each among the packets.
        owners: index among the bursts of the one that each stands before.
        positions: of the character.
        kinds: of line error.
        values: as the kind says.
    """

    where: Ints
    owners: Ints
    positions: Ints
    kinds: Ints
    values: Ints


def gather(words: Words, heads: Ints, ends: Ints, roles: NDArray[np.int8]) -> Packets:
    """Gather what is certain about packets.

    Args:
        words: the buffer.
        heads: word at which each packet begins.
        ends: one past its last word.
        roles: what `roles_of` gave.
    """
    role = roles[np.minimum(words[heads + _INTERFACE], len(roles) - 1)]
    sizes = words[heads + _SIZE].astype(np.int64)
    options = heads + _DATA + ((sizes + 3) >> 2)
    left = ends - 1 - options
    # Clipped: what lies outside of the buffer belongs to packets that are odd already.
    flags = left == _FLAGS_ONLY
    flags &= words.take(options, mode="clip") == _FLAGS_HEAD
    flags &= words.take(options + 2, mode="clip") == 0
    common = flags | (left == 0)
    common &= words[heads + _HIGH] < _MAX_HIGH
    burst = common & (role == CHARACTERS) & (sizes > 0)
    outbound = flags & ((words.take(options + 1, mode="clip") & 3) == OUTBOUND_FLAG)
    error = common & (role == EVENTS) & (sizes >= EVENT.size)
    if error.any():
        # The kind is the first byte of the data; 1 to 4 are line errors.
        error &= ((words.take(heads + _DATA, mode="clip") & 0xFF) - np.uint32(1)) < 4
    odd = np.flatnonzero(~(burst | error | (role == _NONE)))
    return Packets(words, heads, sizes, burst, outbound, error, odd)


def roles_of(interfaces: Sequence[Interface]) -> NDArray[np.int8]:
    """Return the roles by number of interface; the last stands for all that are not described."""
    roles = []
    for each in interfaces:
        if each.role is None:
            roles.append(_NONE)
        else:
            roles.append(each.role if each.plain else _ODD)
    return np.array([*roles, _NONE], dtype=np.int8)


def instants(words: Words, heads: Ints) -> Ints:
    """Return the stamps of packets in nanoseconds."""
    return (words[heads + _HIGH].astype(np.int64) << 32) | words[heads + _LOW]


def errors_of(packets: Packets, bursts: Ints) -> Errors:
    """Return the line errors that stand before the last burst.

    Args:
        packets: what `gather` gave.
        bursts: indices of the bursts among them.
    """
    where = np.flatnonzero(packets.error[: bursts[-1] if len(bursts) else 0])
    at = packets.heads[where] + _DATA
    first = packets.words[at]
    # Events are big-endian whatever the file is: kind, zero, index (two bytes), value.
    return Errors(
        where,
        np.searchsorted(bursts, where),
        (((first >> 8) & 0xFF00) | (first >> 24)).astype(np.int64),
        (first & 0xFF).astype(np.int64),
        packets.words[at + 1].byteswap().astype(np.int64),
    )
