"""What the arc did so far."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from typing import NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.talk import Arc

LONG_AGO = -(1 << 62)
NEVER = 1 << 62
"""An instant 146 years away, for what has no end yet."""


class Span(NamedTuple):
    """The arc was in `state` from `since` up to `until`, `NEVER` where that is not over."""

    since: int
    until: int
    state: Arc


class History:
    """The states of the arc over time; OFF before anything was noted."""

    def __init__(self) -> None:
        self._since = [LONG_AGO]
        self._states = [Arc.OFF]

    def note(self, at: int, state: Arc) -> bool:
        """Note that the arc is in `state` from `at` on; return whether that changed anything.

        Raises:
            UsageError: it lies before what was noted last.
        """
        if at < self._since[-1]:
            raise UsageError(f"arc state at {at} ns: the one before was at {self._since[-1]} ns")
        if state is self._states[-1]:
            return False
        if at == self._since[-1]:
            self._states[-1] = state
        else:
            self._since.append(at)
            self._states.append(state)
        return True

    def state(self, at: int) -> Arc:
        """Return what the arc does at an instant."""
        return self._states[bisect_right(self._since, at) - 1]

    def spans(self, begin: int, end: int) -> Iterator[Span]:
        """Yield what overlaps a span of time, in order, uncut."""
        first = bisect_right(self._since, begin) - 1
        for index in range(max(first, 0), len(self._since)):
            since = self._since[index]
            if since >= end:
                return
            over = index + 1 < len(self._since)
            yield Span(since, self._since[index + 1] if over else NEVER, self._states[index])
