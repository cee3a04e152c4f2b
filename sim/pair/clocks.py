"""Clocks with an error: when a sender's bits begin and when a receiver looks.

All arithmetic is of whole numbers, so that a long run drifts no further than its clocks do and the
same instant comes out however a run was cut into pieces.
"""

from __future__ import annotations

from math import gcd

import numpy as np
from numpy.typing import NDArray

_PPM = 1_000_000
_NS_PPM = 1_000_000_000 * _PPM
LONGEST_PIECE = 8192
"""Ticks that `TickClock.instants` may be asked for at once: more could leave 64 bits."""


class TickClock:
    """Ticks of a crystal, numbered from 0.

    Args:
        rate: nominal ticks a second.
        ppm: error, parts per million, taken to a whole number; positive is fast.
        origin: instant of tick 0.
    """

    def __init__(self, rate: int, ppm: float = 0.0, origin: int = 0) -> None:
        self.origin = origin
        per_second = rate * (_PPM + round(ppm))
        common = gcd(_NS_PPM, per_second)
        self._up, self._down = _NS_PPM // common, per_second // common

    @property
    def tick_ns(self) -> float:
        """Return the time between ticks in nanoseconds."""
        return self._up / self._down

    def at(self, tick: int) -> int:
        """Return the instant of a tick, cut to a whole nanosecond."""
        return self.origin + tick * self._up // self._down

    def last(self, until: int) -> int:
        """Return the last tick that is not after `until`; negative when there is none."""
        # at(k) <= until  <=>  k * up // down <= d  <=>  k * up < (d + 1) * down
        return ((until - self.origin + 1) * self._down - 1) // self._up

    def instants(self, first: int, count: int) -> NDArray[np.int64]:
        """Return what `at` says of `count` ticks from `first` on, at most LONGEST_PIECE."""
        return self.some(first, np.arange(count, dtype=np.int64))

    def some(self, first: int, ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what `at` says of ticks ``first + ticks``, each 0 to LONGEST_PIECE."""
        whole, rest = divmod(first * self._up, self._down)
        return (rest + ticks * self._up) // self._down + (self.origin + whole)
