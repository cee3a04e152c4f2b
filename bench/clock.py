"""One interface to time: wall time on real ports, virtual time on simulated lines.

Instants are integer nanoseconds. Protocol code is handed instants and never reads a clock; only
transports and the drivers around the sans-IO parts hold one.
"""

from __future__ import annotations

import asyncio
import time
from typing import Literal, Protocol

NS = 1_000_000_000
"""Nanoseconds in a second."""

ClockKind = Literal["wall", "virtual"]


class Clock(Protocol):
    """A source of instants that never goes backwards."""

    @property
    def kind(self) -> ClockKind:
        """Return what the instants count from: 1970 (wall) or the start of the run (virtual)."""
        ...

    def now(self) -> int:
        """Return the present instant in nanoseconds."""
        ...

    async def sleep_until(self, at: int) -> None:
        """Return when the clock has reached `at`; at once when that is past."""
        ...


class SystemClock:
    """Wall time that cannot step.

    The epoch is read once; from then on the monotonic counter is added to it. A clock that an
    operator or NTP steps during a run therefore does not tear a hole into a capture. The price is
    that a long run drifts from the corrected system clock by what the correction amounts to.
    """

    kind: ClockKind = "wall"

    def __init__(self) -> None:
        self._base = time.time_ns() - time.perf_counter_ns()

    def now(self) -> int:
        """Return nanoseconds since 1970-01-01 UTC."""
        return self._base + time.perf_counter_ns()

    async def sleep_until(self, at: int) -> None:
        """Sleep in the running event loop."""
        while (left := at - self.now()) > 0:  # noqa: ASYNC110 (timers may fire early)
            await asyncio.sleep(left / NS)


class ManualClock:
    """Virtual time: stands still until somebody moves it.

    `sleep_until` moves it, so a single task that sleeps takes no real time at all. It is not meant
    for several tasks that sleep at once; simulated lines order their own events.
    """

    kind: ClockKind = "virtual"

    def __init__(self, start: int = 0) -> None:
        self._now = start

    def now(self) -> int:
        """Return nanoseconds since the start of the run."""
        return self._now

    def advance_to(self, at: int) -> None:
        """Move forward to `at`; an instant in the past changes nothing."""
        self._now = max(self._now, at)

    async def sleep_until(self, at: int) -> None:
        """Move forward to `at` and return without suspending."""
        self.advance_to(at)
