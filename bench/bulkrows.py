"""Which bursts of a capture are exactly one good frame, found out for all of them at once.

Job: what `kerfbus.bench.walk` says of a burst that comes when nothing is held back, for columns of
bursts. Rule: what is not certain is "no". A doubtful burst costs the time of the framer; a wrong
answer would be wrong.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from kerfbus.bench.bulkcrc import Bytes, Flags, Ints, residues
from kerfbus.bench.bulkdamage import hopeless, table
from kerfbus.bench.line import MAX_ADU
from kerfbus.bench.seek import prefers_shorter
from kerfbus.bench.shapes import MIN_ADU, Shape

_REQUEST = int(Shape.REQUEST)
_REPLY = int(Shape.REPLY)
_READS = 4
"""Function codes 1 to 4 ask for a number of bits (1, 2) or registers (3, 4)."""


class Bursts(NamedTuple):
    """Bursts as columns.

    Attributes:
        data: bytes that hold the characters.
        offsets: where each begins; all even.
        lengths: characters of each.
        marked: indices of those with line errors.
        ended: whether a segment ends behind each.
        final: whether nothing that follows each can belong to it, torn or not.
    """

    data: Bytes
    offsets: Ints
    lengths: Ints
    marked: Ints
    ended: Flags
    final: Flags

    def frame(self, index: int) -> bytes:
        """Return the characters of one."""
        offset = int(self.offsets[index])
        return self.data[offset : offset + int(self.lengths[index])].tobytes()


class Verdict(NamedTuple):
    """What is known of each burst, should nothing be held back when it comes.

    Attributes:
        frame: whether it is exactly one good frame, whatever was said before it.
        follows: whether it is one because the burst before it is what it is.
        damage: whether it is exactly one piece of damage.
        shapes: its shapes, where it is a frame.
    """

    frame: Flags
    follows: Flags
    damage: Flags
    shapes: Bytes


def judge(bursts: Bursts) -> Verdict:
    """Return what is known of each burst."""
    data, offsets, lengths = bursts.data, bursts.offsets, bursts.lengths
    known = table()
    functions = data.take(offsets + 1, mode="clip")
    place = known.place.take(functions)
    key = functions.astype(np.int64) << 8
    key |= data.take(offsets + place, mode="clip")
    short, longer, risky = known.short.take(key), known.longer.take(key), known.risky.take(key)
    is_short, is_longer = lengths == short, lengths == longer
    good = (is_short | is_longer) & (lengths > place) & (lengths >= MIN_ADU)
    good[bursts.marked] = False
    where = np.flatnonzero(good)
    good[where] = residues(data, offsets[where], lengths[where]) == 0
    shapes = np.where(is_short, known.shape.take(key), known.longer_shape.take(key))
    # A shorter frame that fits too is the one, or at least a doubt: one character may be its end or
    # the beginning of the next frame.
    both = np.flatnonzero(good & is_longer)
    both = both[residues(data, offsets[both], short[both]) == 0]
    good[both] = risky[both]
    doubt = risky & is_short & ~bursts.ended
    doubt[both] = True
    frame = good & ~doubt
    damage = _damage(bursts, good, frame)
    follows = np.zeros_like(frame)
    found = _Found(good, damage, shapes, short, known.shape.take(key))
    for is_short_one, rows in ((True, is_short), (False, is_longer)):
        where = np.flatnonzero(good & doubt & rows)
        where = where[where > 0]
        where = where[good[where - 1] | damage[where - 1]]
        follows[where] = _prefers_shorter(bursts, where, found) == is_short_one
    return Verdict(frame, follows, damage, shapes)


def _damage(bursts: Bursts, good: Flags, frame: Flags) -> Flags:
    """Return which bursts are one piece of damage each: no frame alone, nor with what follows.

    A torn frame is put together again, but not with what is a good frame in itself.
    """
    before_a_frame = np.append(frame[1:], np.zeros(min(len(frame), 1), dtype=np.bool_))
    found = ~good & (bursts.final | (bursts.ended & before_a_frame)) & (bursts.lengths <= MAX_ADU)
    found[bursts.marked] = False
    where = np.flatnonzero(found)
    found[where] = hopeless(bursts.data, bursts.offsets[where], bursts.lengths[where])
    return found


class _Found(NamedTuple):
    """By burst: good, damage, its shapes, its shorter length, the shapes of that."""

    good: Flags
    damage: Flags
    shapes: Bytes
    short: Ints
    short_shape: Bytes


def _prefers_shorter(bursts: Bursts, where: Ints, found: _Found) -> Flags:
    """Return what `prefers_shorter` does of bursts of which the one before is good or damage.

    It is asked itself where the answer is not one of the usual ones.
    """
    before = where - 1
    data, start, here = bursts.data, bursts.offsets[before], bursts.offsets[where]
    said, shape, length = found.shapes[before], found.short_shape[where], found.short[where]
    server, function = data[start], data[start + 1]
    same = (server == data[here]) & (function == data[here + 1]) & (server != 0)
    answers = same & (said == _REQUEST)
    asked = data.take(start + 4, mode="clip").astype(np.int64) << 8
    asked |= data.take(start + 5, mode="clip")
    expected = np.where(function < 3, (asked + 7) >> 3, 2 * asked) + 5
    usual = answers & (shape & _REPLY != 0) & (function <= _READS)
    asks = ~answers & (shape & _REQUEST != 0) & ((said == _REQUEST) | (said == _REPLY))
    prefers: Flags = (usual & (expected == length)) | asks
    spoilt = found.damage[before]
    for each in np.flatnonzero(~(usual | asks | spoilt)).tolist():
        context = bursts.frame(int(before[each])), int(said[each])
        shorter = bursts.frame(int(where[each]))[: int(length[each])]
        prefers[each] = prefers_shorter(context, shorter, int(shape[each]))
    prefers[spoilt] = False
    return prefers
