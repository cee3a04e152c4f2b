"""What is to happen at which instant, in order."""

from __future__ import annotations

import heapq
from collections.abc import Callable

NEVER = 1 << 63
"""Later than every instant."""

Act = Callable[[int], None]
"""Something to do; it is given its instant."""


class Agenda:
    """Acts by instant; at one instant, in the order in which they were put down.

    Attributes:
        next: instant of the first act, `NEVER` without one.
    """

    def __init__(self) -> None:
        self.next = NEVER
        self._heap: list[tuple[int, int, Act]] = []
        self._count = 0

    def put(self, at: int, act: Act) -> None:
        """Put down an act for an instant."""
        self._count += 1
        heapq.heappush(self._heap, (at, self._count, act))
        self.next = self._heap[0][0]

    def pop(self) -> tuple[int, Act]:
        """Take out the first act; there must be one."""
        at, _, act = heapq.heappop(self._heap)
        self.next = self._heap[0][0] if self._heap else NEVER
        return at, act
