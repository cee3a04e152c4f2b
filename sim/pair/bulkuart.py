"""What a UART hears of frames with wrong bits, with numpy: all such frames side by side.

Most wrong bits are data or parity: they change a character and nothing else. A wrong start or stop
bit can put the receiver out of step; from there on a frame is laid out bit by bit and searched for
start edges, one character of each frame a step.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.frames import ERROR_OF_KIND
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.uart import Form, character_levels, form_of, meanings

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
_NONE = np.uint16(0xFFFF)
_NEVER = np.int64(1 << 62)
_SIDE_BY_SIDE = 512
"""Frames laid out at once: more would leave the second-level cache (chosen by measurement)."""


class Hits(NamedTuple):
    """Frames with wrong bits.

    Attributes:
        frames: their numbers, rising.
        begins: number of the first character of each, of all characters.
        lengths: characters of each.
        wrong: the wrong bits, counted within their frame; rising in each frame.
        counts: how many of them each frame has, at least one.
    """

    frames: Ints
    begins: Ints
    lengths: Ints
    wrong: Ints
    counts: Ints


class Found(NamedTuple):
    """What is heard of frames.

    Attributes:
        counts: characters of each frame.
        values: of them, one frame after the other.
        errors: `FrameError` bits of each.
    """

    counts: Ints
    values: Bytes
    errors: Bytes


class Shape(NamedTuple):
    """A format in tables.

    Attributes:
        form: the format.
        levels: the bits of each character, shape (256, bits).
        checked: bits that a receiver looks at behind the start bit: data, parity, first stop bit.
        patterns: those bits of each character, the first one lowest.
        values, errors: what each pattern of those is heard as; `FrameError` bits.
    """

    form: Form
    levels: Bytes
    checked: int
    patterns: Ints
    values: Bytes
    errors: Bytes

    @classmethod
    def of(cls, settings: LineSettings) -> Self:
        """Return the tables of a format."""
        return cls(form_of(settings), *_tables(form_of(settings)))


@cache
def _tables(form: Form) -> tuple[Bytes, int, Ints, Bytes, Bytes]:
    levels = np.frombuffer(b"".join(character_levels(form)), np.uint8).reshape(256, -1)
    checked = form.data_bits + (form.parity != "N") + 1
    values = [value for value, _ in meanings(form)]
    errors = [sum(int(ERROR_OF_KIND[kind]) for kind in kinds) for _, kinds in meanings(form)]
    weights = np.left_shift(1, np.arange(checked))
    patterns = np.asarray(levels[:, 1 : 1 + checked] @ weights, np.int64)
    return levels, checked, patterns, np.array(values, np.uint8), np.array(errors, np.uint8)


Search = Callable[[Shape, Bytes, Hits], Found]


def hear(shape: Shape, values: Bytes, hits: Hits, search: Search) -> Found:
    """Return what is heard of frames with wrong bits.

    Args:
        shape: the format of both ends.
        values: all characters that are sent.
        hits: the frames with wrong bits; at least one.
        search: what finds the characters of frames out of step.
    """
    heads, tails, severe = _split(shape, hits)
    found = search(shape, values, tails)
    counts = heads.lengths.copy()
    counts[severe] += found.counts
    begins = np.cumsum(counts) - counts
    heard, errors = np.empty(int(counts.sum()), np.uint8), np.empty(int(counts.sum()), np.uint8)
    places = _spread(begins, heads.lengths)
    heard[places], errors[places] = _change(shape, values, heads)
    places = _spread((begins + heads.lengths)[severe], found.counts)
    heard[places], errors[places] = found.values, found.errors
    return Found(counts, heard, errors)


def _split(shape: Shape, hits: Hits) -> tuple[Hits, Hits, NDArray[np.bool_]]:
    """Cut frames before the character with the first wrong start or stop bit.

    Returns:
        What is surely heard in step, of each frame, perhaps nothing; the rest of those that have
        one; which frames these are.
    """
    bits = shape.levels.shape[1]
    character, bit = np.divmod(hits.wrong, bits)
    limit = np.where((bit == 0) | (bit >= shape.checked), character, _NEVER)
    starts = np.cumsum(hits.counts) - hits.counts
    first = np.minimum.reduceat(limit, starts)
    severe = first < _NEVER
    lengths = np.minimum(first, hits.lengths)
    early = character < np.repeat(lengths, hits.counts)
    before = np.add.reduceat(early.astype(np.int64), starts)
    heads = Hits(hits.frames, hits.begins, lengths, hits.wrong[early], before)
    behind = (hits.counts - before)[severe]
    tails = Hits(
        frames=hits.frames[severe],
        begins=(hits.begins + lengths)[severe],
        lengths=(hits.lengths - lengths)[severe],
        wrong=hits.wrong[~early] - np.repeat(lengths[severe] * bits, behind),
        counts=behind,
    )
    return heads, tails, severe


def _spread(begins: Ints, counts: Ints) -> Ints:
    """Return ``begin, begin + 1, ...``, `count` numbers of each."""
    before = np.cumsum(counts) - counts
    return np.repeat(begins - before, counts) + np.arange(int(counts.sum()))


def _change(shape: Shape, values: Bytes, hits: Hits) -> tuple[Bytes, Bytes]:
    """Return all characters of frames in which data and parity bits are wrong."""
    sent = values[_spread(hits.begins, hits.lengths)] & np.uint8((1 << shape.form.data_bits) - 1)
    errors = np.zeros(len(sent), np.uint8)
    if not len(hits.wrong):
        return sent, errors
    bits = shape.levels.shape[1]
    begins = np.cumsum(hits.lengths) - hits.lengths
    character, bit = np.divmod(np.repeat(begins * bits, hits.counts) + hits.wrong, bits)
    first = np.flatnonzero(np.diff(character, prepend=-1))
    mask = np.bitwise_xor.reduceat(np.left_shift(1, bit - 1), first)
    where = character[first]
    pattern = shape.patterns[sent[where]] ^ mask
    sent[where], errors[where] = shape.values[pattern], shape.errors[pattern]
    return sent, errors


def search(shape: Shape, values: Bytes, hits: Hits) -> Found:
    """Return what is heard of frames in which any bit is wrong; there may be none."""
    counts = np.zeros(len(hits.frames), np.int64)
    # Frames of about the same length side by side, so that little is laid out in vain.
    order = np.argsort(hits.lengths, kind="stable")
    groups = [order[i : i + _SIDE_BY_SIDE] for i in range(0, len(order), _SIDE_BY_SIDE)]
    parts = [_search(shape, values, _some(hits, group)) for group in groups]
    for group, part in zip(groups, parts, strict=True):
        counts[group] = part.counts
    begins = np.cumsum(counts) - counts
    heard, errors = np.empty(int(counts.sum()), np.uint8), np.empty(int(counts.sum()), np.uint8)
    for group, part in zip(groups, parts, strict=True):
        places = _spread(begins[group], part.counts)
        heard[places], errors[places] = part.values, part.errors
    return Found(counts, heard, errors)


def _some(hits: Hits, which: Ints) -> Hits:
    """Return some of the frames, in the order asked for."""
    firsts = (np.cumsum(hits.counts) - hits.counts)[which]
    counts = hits.counts[which]
    wrong = hits.wrong[_spread(firsts, counts)]
    return Hits(hits.frames[which], hits.begins[which], hits.lengths[which], wrong, counts)


def _search(shape: Shape, values: Bytes, hits: Hits) -> Found:
    line = _lay_out(shape, values, hits)
    beyond = len(line) - shape.checked - 1  # no edge is in the mark that ends all rows
    number = np.arange(beyond, dtype=np.int16)[:, None]
    edges = np.where(line[:beyond] > line[1 : beyond + 1], number, np.int16(beyond))
    coming = np.minimum.accumulate(edges[::-1], axis=0)[::-1]
    pattern = np.zeros((beyond, line.shape[1]), np.uint16)
    for bit in range(shape.checked):
        # Behind the edge comes the start bit.
        pattern |= line[2 + bit : 2 + bit + beyond].astype(np.uint16) << np.uint16(bit)
    frames = np.arange(line.shape[1])
    place = np.zeros(line.shape[1], np.int64)
    steps = []
    while True:
        edge = coming[np.minimum(place, beyond - 1), frames].astype(np.int64)
        edge[place >= beyond] = beyond
        if edge.min() >= beyond:
            break
        place = edge + 1 + shape.checked
        steps.append(np.where(edge < beyond, pattern[np.minimum(edge, beyond - 1), frames], _NONE))
    found = np.array(steps).T
    there = found != _NONE
    patterns = found[there]
    return Found(there.sum(axis=1), shape.values[patterns], shape.errors[patterns])


def _lay_out(shape: Shape, values: Bytes, hits: Hits) -> Bytes:
    """Return the bits of frames, a column each, wrong ones turned, mark before and behind."""
    bits = shape.levels.shape[1]
    sent = np.full((len(hits.frames), int(hits.lengths.max())), 256, np.uint16)
    row = np.repeat(np.arange(len(sent)), hits.lengths)
    column = _spread(np.zeros_like(hits.lengths), hits.lengths)
    sent[row, column] = values[_spread(hits.begins, hits.lengths)]
    levels = np.concatenate([shape.levels, np.ones((1, bits), np.uint8)])
    inner = levels[sent].reshape(len(sent), -1)
    inner[np.repeat(np.arange(len(sent)), hits.counts), hits.wrong] ^= 1
    # A start edge before the last bit still needs all bits of a character behind it.
    line = np.ones((1 + inner.shape[1] + shape.checked + 1, len(sent)), np.uint8)
    line[1 : 1 + inner.shape[1]] = inner.T
    return line
