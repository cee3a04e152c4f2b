"""Where a frame is hurt: at its head, at its tail, inside, cut off, or all over.

Job: words for patterns. It must not know any cause.
"""

from __future__ import annotations

from enum import Enum

from kerfbus.bench.diagnosis.pattern import Pattern

EDGE = 2
"""Characters that count as the head or the tail of a frame (chosen)."""


class Place(Enum):
    """Where the damage is; the value is said to a person."""

    HEAD = "its first characters, or something in front of them"
    TAIL = "its last characters, or something behind them"
    INSIDE = "characters inside it"
    LATE = "its beginning is missing"
    CUT = "its end is missing"
    GARBLED = "beyond recognition"
    VALUES = "somewhere in values that nobody can know"


def place_of(pattern: Pattern) -> Place:
    """Return where a damaged frame is hurt.

    >>> place_of(Pattern(8, 8, wrong=(7,), likeness=0.9)).name
    'TAIL'
    >>> place_of(Pattern(8, 5, tail_lost=3, likeness=0.6)).name
    'CUT'
    """
    if not pattern.like:
        return Place.GARBLED
    first, last = EDGE, pattern.due - EDGE
    ahead = [place for place in pattern.wrong if place < first]
    behind = [place for place in pattern.wrong if place >= last]
    inner = len(pattern.wrong) - len(ahead) - len(behind) or pattern.inner
    head = bool(pattern.before or pattern.head_lost or ahead)
    tail = bool(pattern.tail_lost or pattern.behind or behind)
    if pattern.head_lost > EDGE and not inner and not tail:
        return Place.LATE
    if pattern.tail_lost > EDGE and not head:
        return Place.CUT
    if inner or (head and tail):
        return Place.INSIDE
    if head or tail:
        return Place.HEAD if head else Place.TAIL
    return Place.VALUES


def chance_of_edge(pattern: Pattern) -> float:
    """Return how likely damage that may strike anywhere strikes one given edge alone."""
    return min(0.5, EDGE / max(pattern.due, EDGE + 1))


def line_bits(value: int, parity: str, stop_bits: int) -> list[int]:
    """Return a character as levels on the line: start bit, data, parity, stop bits; 1 is idle."""
    data = [value >> place & 1 for place in range(8)]
    even = sum(data) & 1
    extra = {"E": [even], "O": [1 - even], "M": [1], "S": [0]}.get(parity, [])
    return [0, *data, *extra, *[1] * stop_bits]
