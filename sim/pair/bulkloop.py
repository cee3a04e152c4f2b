"""What a UART hears of frames with wrong bits, bit by bit: a loop that numba compiles.

numba is an optional extra (``fast``); without it the loop is plain Python, too slow for bulk work
but the same.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import import_module
from importlib.util import find_spec
from typing import NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.bulkuart import Bytes, Found, Hits, Ints, Shape


class Place(NamedTuple):
    """Where the loop leaves what it found.

    Attributes:
        checked: bits that a receiver looks at behind the start bit.
        patterns: those of each character, the first one lowest.
        counts: characters of each frame.
    """

    checked: int
    patterns: NDArray[np.uint16]
    counts: Ints


Loop = Callable[[Bytes, Bytes, Hits, Place], int]


@cache
def is_compiled() -> bool:
    """Return whether numba is installed."""
    return find_spec("numba") is not None


def search(shape: Shape, values: Bytes, hits: Hits) -> Found:
    """Return what is heard of frames with wrong bits, as `kerfbus.sim.pair.bulkuart.search` does.

    Raises:
        UsageError: numba is not installed.
    """
    return searched_by(_compiled(), shape, values, hits)


def searched_by(loop: Loop, shape: Shape, values: Bytes, hits: Hits) -> Found:
    """Return what is heard of frames with wrong bits; there may be none.

    Args:
        loop: `each_frame`, compiled or not.
        shape: the format of both ends.
        values: all characters that are sent.
        hits: the frames.
    """
    # No character is heard in fewer bits than the receiver looks at.
    bits = shape.levels.shape[1]
    most = int((hits.lengths * bits // (1 + shape.checked) + 1).sum())
    patterns = np.empty(most, np.uint16)
    counts = np.empty(len(hits.frames), np.int64)
    total = loop(shape.levels, values, hits, Place(shape.checked, patterns, counts))
    patterns = patterns[:total]
    return Found(counts, shape.values[patterns], shape.errors[patterns])


def each_frame(levels: Bytes, values: Bytes, hits: Hits, place: Place) -> int:
    """Fill `place`, and return how many characters were heard."""
    bits, checked = levels.shape[1], place.checked
    line = np.ones(260 * bits, np.uint8)
    total = turned = 0
    for index in range(len(hits.frames)):
        end = hits.lengths[index] * bits
        if end + checked + 1 > len(line):
            line = np.ones(2 * end + checked, np.uint8)
        for character in range(hits.lengths[index]):
            value = values[hits.begins[index] + character]
            for bit in range(bits):
                line[character * bits + bit] = levels[value, bit]
        line[end : end + checked + 1] = 1
        for _ in range(hits.counts[index]):
            line[hits.wrong[turned]] ^= 1
            turned += 1
        before = total
        last, at = 1, 0  # the level before `at`
        while at < end:
            level = line[at]
            if last == 0 or level == 1:
                last = level
                at += 1
                continue
            pattern = 0
            for bit in range(checked):
                if line[at + 1 + bit]:
                    pattern |= 1 << bit
            place.patterns[total] = pattern
            total += 1
            last = line[at + checked]
            at += checked + 1
        place.counts[index] = total - before
    return total


@cache
def _compiled() -> Loop:
    """Return the loop, compiled.

    Raises:
        UsageError: numba is not installed.
    """
    try:
        numba = import_module("numba")
    except ImportError as error:
        raise UsageError(
            "numba is not installed; do without, or pip install 'kerfbus[fast]'"
        ) from error
    return cast(Loop, numba.njit(cache=True)(each_frame))
