"""Lines of text with the part that each piece plays: what all views give and all widgets draw.

A role is a meaning, not a colour, and whatever a role means the text says as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from itertools import pairwise
from typing import NamedTuple

TICKS = " ▁▂▃▄▅▆▇█"
"""Heights of a bar, from none to full."""


class Role(StrEnum):
    """What a piece of text is."""

    PLAIN = "plain"
    TITLE = "title"
    GOOD = "good"
    WARN = "warn"
    BAD = "bad"
    FAINT = "faint"
    KEY = "key"
    """A key that may be pressed."""
    CHOSEN = "chosen"
    """What the next key acts on."""
    HIT = "hit"
    """Damage, or what a search has found."""


class Span(NamedTuple):
    """A piece of text.

    Attributes:
        text: without line ends.
        role: what it is.
    """

    text: str
    role: Role = Role.PLAIN


Line = tuple[Span, ...]


def line(*parts: str | Span) -> Line:
    """Return a line of pieces; bare strings are plain."""
    return tuple(part if isinstance(part, Span) else Span(part) for part in parts)


def plain(given: Line) -> str:
    """Return a line's text."""
    return "".join(span.text for span in given)


def texts(given: Sequence[Line]) -> list[str]:
    """Return the text of each line, without blanks at its end."""
    return [plain(each).rstrip() for each in given]


def width(given: Line) -> int:
    """Return how many characters a line has; all that is shown is one cell wide."""
    return sum(len(span.text) for span in given)


def cut(given: Line, room: int) -> Line:
    """Return a line that fits, with an ellipsis where something is left out."""
    if width(given) <= room:
        return given
    left, kept = max(room - 1, 0), []
    for text, role in given:
        if left <= 0:
            break
        kept.append(Span(text[:left], role))
        left -= len(text)
    return (*kept, Span("…", Role.FAINT)) if room > 0 else ()


def beside(left: Line, right: Line, room: int) -> Line:
    """Return two lines in one, the second flush right; the first gives way to it."""
    right = cut(right, room)
    left = cut(left, max(room - width(right) - 1, 0))
    return (*left, Span(" " * (room - width(left) - width(right))), *right)


def spark(values: Sequence[float]) -> str:
    """Return values as bars, from the lowest to the highest of them; level ones as a line.

    >>> spark([0, 1, 2, 4]), spark([3, 3])
    ('▁▃▅█', '──')
    """
    if not values:
        return ""
    low, high = min(values), max(values)
    if high <= low:
        return "─" * len(values)
    return "".join(TICKS[1 + round(7 * (each - low) / (high - low))] for each in values)


def resampled(values: Sequence[float], count: int) -> list[float]:
    """Return values as at most so many means of neighbours, in their order.

    >>> resampled([1, 3, 5, 7], 2)
    [2.0, 6.0]
    """
    if len(values) <= count:
        return list(values)
    edges = [number * len(values) // count for number in range(count + 1)]
    return [sum(values[begin:end]) / (end - begin) for begin, end in pairwise(edges)]


def wrapped(text: str, room: int, role: Role = Role.PLAIN) -> list[Line]:
    """Return a text as lines of at most `room` characters, broken between words."""
    import textwrap

    return [line(Span(each, role)) for each in textwrap.wrap(text, max(room, 8)) or [""]]
