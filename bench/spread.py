"""How many spans were how long, in bounded memory.

The first values are kept as they are; beyond them each joins its neighbours within one part in 128,
so that days of traffic need no more memory than an hour. Percentiles are by nearest rank, and from
then on at most 0.8 % too low; the longest and the shortest stay exact.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Sequence

EXACT = 65_536
"""So many values are kept as they are: half a megabyte."""
STEP_BITS = 7
"""Beyond them: bins of the leading bits of a value, 2**7 in each octave."""


def percentile(ordered: Sequence[int], percent: int) -> int:
    """Return the smallest value that at least `percent` per cent do not exceed (nearest rank)."""
    return ordered[nearest_rank(len(ordered), percent)]


def nearest_rank(count: int, percent: int) -> int:
    """Return the index, from 0, of a percentile among `count` ordered values."""
    rank = -(-percent * count // 100)
    return max(rank, 1) - 1


class Spread:
    """Spans of time, in nanoseconds, none negative.

    Attributes:
        count: how many there were.
    """

    __slots__ = ("_bins", "_longest", "_shortest", "_values", "count")

    def __init__(self) -> None:
        self.count = 0
        self._values = array("q")
        self._bins: Counter[int] | None = None
        self._shortest = self._longest = 0

    def add(self, value: int) -> None:
        """Take one in."""
        if self.count == 0:
            self._shortest = self._longest = value
        elif value > self._longest:
            self._longest = value
        elif value < self._shortest:
            self._shortest = value
        self.count += 1
        if self._bins is not None:
            self._bins[_floor(value)] += 1
            return
        self._values.append(value)
        if self.count == EXACT:
            self._bins = Counter(map(_floor, self._values))
            self._values = array("q")

    @property
    def shortest(self) -> int | None:
        """Return the shortest, None while there is none."""
        return self._shortest if self.count else None

    @property
    def longest(self) -> int | None:
        """Return the longest, None while there is none."""
        return self._longest if self.count else None

    def percentiles(self, *percents: int) -> tuple[int, ...]:
        """Return some percentiles.

        Raises:
            ValueError: nothing was taken in.
        """
        if not self.count:
            raise ValueError("no values, no percentiles")
        if self._bins is None:
            ordered = sorted(self._values)
            return tuple(percentile(ordered, each) for each in percents)
        return tuple(self._binned(nearest_rank(self.count, each)) for each in percents)

    def histogram(self) -> list[tuple[int, int]]:
        """Return (value, how many) in rising order; values as fine as they are kept."""
        counted = self._bins if self._bins is not None else Counter(self._values)
        return sorted(counted.items())

    def _binned(self, rank: int) -> int:
        assert self._bins is not None
        passed = 0
        for value in sorted(self._bins):
            passed += self._bins[value]
            if passed > rank:
                return max(value, self._shortest)
        return self._longest


def _floor(value: int) -> int:
    """Return the lower end of a value's bin."""
    shift = max(value.bit_length() - STEP_BITS - 1, 0)
    return value >> shift << shift
