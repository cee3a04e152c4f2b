"""Damage in a capture, found out for many bursts at once.

Job: which bursts hold no frame at all, and what the framer calls such a piece
(`kerfbus.bench.resync`). Rule: what is not certain is "no".
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

from kerfbus.bench.bulkcrc import Bytes, Flags, Ints, residues
from kerfbus.bench.frames import FrameError
from kerfbus.bench.line import MAX_ADU
from kerfbus.bench.seek import LIKELY, MAX_ADDRESS, OUT_OF_REACH, SETTLED
from kerfbus.bench.shapes import MIN_ADU, PUBLIC, USER_DEFINED

FAR = MAX_ADU
"""Place of the character that settles the lengths where none does: behind every frame."""


class Table(NamedTuple):
    """`SETTLED` as arrays: `place` by function code, the rest by that and the character there."""

    place: Ints
    short: Ints
    shape: Bytes
    longer: Ints
    longer_shape: Bytes
    risky: Flags


@cache
def table() -> Table:
    """Return the table."""
    none = ((0, 0, 0, 0, False),) * 256
    rows = np.array([rows or none for _, rows in SETTLED], dtype=np.int64).reshape(-1, 5)
    short, shape, longer, longer_shape, risky = (np.ascontiguousarray(row) for row in rows.T)
    return Table(
        np.array([FAR if place == OUT_OF_REACH else place for place, _ in SETTLED]),
        short,
        shape.astype(np.uint8),
        longer,
        longer_shape.astype(np.uint8),
        risky != 0,
    )


def _functions(codes: frozenset[int]) -> Flags:
    return np.isin(np.arange(256), sorted(codes))


_LIKELY = _functions(LIKELY)
# Where a single character does not settle the lengths, or none does, the framer is asked.
_UNSETTLED = _functions(frozenset(f for f in PUBLIC if not SETTLED[f][1]))
_ASKED_AT_START = _UNSETTLED | _functions(USER_DEFINED)


def hopeless(data: Bytes, offsets: Ints, lengths: Ints) -> Flags:
    """Return which bursts hold no frame, not even in part, if nothing belongs to them but they.

    Args:
        data: bytes that hold the characters.
        offsets: where each burst begins.
        lengths: characters of each, at least 1.
    """
    characters, starts = _packed(data, offsets, lengths)
    owner = np.repeat(np.arange(len(lengths)), lengths)
    left = np.repeat(starts + lengths, lengths) - np.arange(len(characters))
    following = np.append(characters[1:], np.uint8(0))
    first = np.zeros(len(characters), dtype=np.bool_)
    first[starts] = True
    likely = ((characters <= MAX_ADDRESS) & _LIKELY[following]) | first
    likely &= left >= MIN_ADU
    asked = np.where(first, _ASKED_AT_START[following], _UNSETTLED[following]) & likely
    hope = np.zeros(len(lengths), dtype=np.bool_)
    hope[owner[asked]] = True
    whole = np.flatnonzero(lengths >= MIN_ADU)
    hope[whole] |= _fits(characters, starts[whole], lengths[whole])
    begin = np.flatnonzero(likely)
    place = table().place[following[begin]]
    begin, place = begin[place < left[begin]], place[place < left[begin]]
    key = following[begin].astype(np.int64) << 8 | characters[begin + place]
    for sizes in (table().short[key], table().longer[key]):
        there = (sizes > 0) & (sizes <= left[begin])
        good = _fits(characters, begin[there], sizes[there])
        hope[owner[begin[there][good]]] = True
    return ~hope


def _packed(data: Bytes, offsets: Ints, lengths: Ints) -> tuple[Bytes, Ints]:
    """Return the characters of bursts side by side, and where each begins."""
    starts = np.cumsum(lengths) - lengths
    return data[np.repeat(offsets - starts, lengths) + np.arange(int(lengths.sum()))], starts


def _fits(characters: Bytes, begin: Ints, sizes: Ints) -> Flags:
    """Return over which stretches the CRC fits; they may begin anywhere."""
    good = np.zeros(len(begin), dtype=np.bool_)
    for odd in (0, 1):
        where = np.flatnonzero((begin & 1) == odd)
        if len(where):
            shifted = characters[odd:].copy()
            good[where] = residues(shifted, begin[where] - odd, sizes[where]) == 0
    return good


def describe(data: Bytes, offsets: Ints, lengths: Ints, alone: Flags) -> tuple[Ints, Flags]:
    """Return the errors of pieces of damage, and which of them are strays.

    Args:
        data: bytes that hold the characters.
        offsets: where each piece begins.
        lengths: characters of each.
        alone: whether a silence stands before each; one stands behind it anyway.
    """
    characters, starts = _packed(data, offsets, lengths)
    server = characters[starts]
    function = characters.take(starts + 1, mode="clip")
    unlike = (
        np.add.reduceat(characters != np.repeat(server, lengths), starts) if len(starts) else starts
    )
    idle = (unlike == 0) & ((server == 0x00) | (server == 0xFF))
    likely = (server <= MAX_ADDRESS) & _LIKELY[function]
    stray = (lengths < MIN_ADU) | idle | ~(likely | alone)
    place = table().place[function]
    key = function.astype(np.int64) << 8 | characters.take(starts + place, mode="clip")
    short = table().short[key]
    longest = np.maximum(short, table().longer[key])
    sized = alone & likely & (short > 0)
    errors = np.full(len(lengths), int(FrameError.CRC))
    errors[sized & ((lengths < short) | (lengths <= place))] |= int(FrameError.SHORT)
    errors[sized & (lengths > longest) & (lengths > place)] |= int(FrameError.LONG)
    errors[stray] = 0
    return errors, stray
