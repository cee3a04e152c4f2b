"""Characters in hand, with all that is known of each: instant, silence before it, line errors.

Job: answer questions about a stretch of characters that arrived in several chunks. It must not know
what a frame is.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections.abc import Iterable, Sequence

from kerfbus.bench.frames import ERROR_OF_KIND, FrameError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import CharacterError

SCALE_BITS = 8
"""Character times are multiples of 2^-8 ns: whole numbers below 2^30 at usual rates, which
Python multiplies quickly, and off by under 1 ns in a frame."""


def scaled_character(settings: LineSettings) -> int:
    """Return the time of a character in units of 2^-8 ns."""
    return settings.characters_ns(1 << SCALE_BITS)


def stamp_of(index: int, marks: Sequence[tuple[int, int]], floor: int, scale: int) -> int:
    """Return the instant at which a character ended.

    In the middle of a chunk it is computed back from the chunk's stamp, and never earlier than the
    stamp before.

    Args:
        index: of the character.
        marks: end offset and stamp of each chunk.
        floor: the stamp before the first of them.
        scale: time of a character in units of 2^-8 ns.
    """
    for end, at in marks:
        if index < end:
            return max(at - ((end - 1 - index) * scale >> SCALE_BITS), floor)
        floor = at
    raise IndexError(index)


class Held:
    """Characters in hand.

    Args:
        buf: the characters.
        marks: end offset and stamp of each chunk that they came in.
        floor: the stamp before the first mark: no character in hand ended before.
        gap: silence before the first character, in ns; None when unknown.
        scale: time of a character in units of 2^-8 ns.

    Attributes:
        closed: the last segment has ended by silence.
    """

    __slots__ = ("_breaks", "_faults", "_gaps", "_scale", "buf", "closed", "cuts", "floor", "marks")

    def __init__(
        self, buf: bytes, marks: list[tuple[int, int]], floor: int, gap: int | None, scale: int
    ) -> None:
        self.buf = buf
        self.closed = False
        self.cuts: list[int] = []  # chunk starts after t3.5 or more
        self._breaks: list[int] = []  # chunk starts after more than t1.5
        self._gaps: dict[int, int | None] = {0: gap}  # chunk start -> silence before it, if any
        self._faults: list[tuple[int, int]] = []  # (offset, FrameError bit), in order
        self.marks = marks
        self.floor = floor
        self._scale = scale

    def add(self, data: bytes, at: int, errors: Iterable[CharacterError]) -> None:
        """Take the next chunk; `silence` comes first where there is one."""
        base = len(self.buf)
        for position, kind, _ in errors:
            insort(self._faults, (base + position, int(ERROR_OF_KIND[kind])))
        self.buf += data
        if self.marks and self.marks[-1][1] > at:
            # The clock was set back. Nothing in hand can have ended later than this chunk.
            self.marks = [(end, min(stamp, at)) for end, stamp in self.marks]
        self.floor = min(self.floor, at)
        self.marks.append((base + len(data), at))

    def silence(self, gap: int | None, *, breaks: bool, cuts: bool) -> None:
        """Note a silence behind what is held.

        Args:
            gap: how long, in ns; None when unknown.
            breaks: whether it is longer than t1.5.
            cuts: whether it is at least t3.5, so that a segment ends here.
        """
        base = len(self.buf)
        self._gaps[base] = gap
        if breaks and base:
            self._breaks.append(base)
            if cuts:
                self.cuts.append(base)

    def cut_behind(self, index: int) -> int:
        """Return the first cut behind `index`, 0 for none."""
        for cut in self.cuts:
            if cut > index:
                return cut
        return 0

    def gap(self, start: int) -> int | None:
        """Return the silence before the character at `start`: 0 for none, None when unknown."""
        return self._gaps.get(start, 0)

    def stamp(self, index: int) -> int:
        """Return the instant at which the character at `index` ended."""
        return stamp_of(index, self.marks, self.floor, self._scale)

    def errors(self, start: int, stop: int) -> int:
        """Return the `FrameError` bits of the characters from `start` to before `stop`."""
        errors = 0
        for place in range(bisect_left(self._faults, (start, 0)), len(self._faults)):
            offset, bit = self._faults[place]
            if offset >= stop:
                break
            errors |= bit
        if self._breaks and any(start < offset < stop for offset in self._breaks):
            errors |= FrameError.GAP
        return int(errors)

    def ordinary(self, start: int) -> bool:
        """Return whether there is nothing to remark on the characters from `start` on."""
        return not (
            self.closed
            or max(self._gaps) > start
            or (self._faults and self._faults[-1][0] >= start)
        )

    def drop(self, count: int) -> None:
        """Forget the first `count` characters."""
        if not count:
            return
        self.buf = self.buf[count:]
        gone = 0
        while gone < len(self.marks) and self.marks[gone][0] <= count:
            self.floor = self.marks[gone][1]
            gone += 1
        self.marks = [(end - count, at) for end, at in self.marks[gone:]]
        gap = self._gaps.get(count, 0)
        if len(self._gaps) > 1:
            self._gaps = {o - count: gap for o, gap in self._gaps.items() if o > count}
        self._gaps[0] = gap
        if self._breaks:
            self._breaks = [offset - count for offset in self._breaks if offset > count]
            self.cuts = [offset - count for offset in self.cuts if offset > count]
        if self._faults:
            self._faults = [(o - count, bit) for o, bit in self._faults if o >= count]
