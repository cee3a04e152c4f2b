"""The pace of a wire on ptys and TCP, where characters take no time of their own.

What a client sends at once is heard when its last character would have ended; what a server sends
is handed over character by character, none before its stop bit. So turnaround and rate are honest:
115200 is not faster than 115200. Both directions share one wire.

The event loop's timers may be a millisecond late, which is ten characters at 115200; the last
millisecond of a wait is therefore slept through, without giving other tasks their turn.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from kerfbus.bench.clock import Clock, ClockKind
from kerfbus.bench.transport import Chunk, PortFacts, Through, Transport

NS = 1_000_000_000
COARSE_NS = 3_000_000
"""A timer is trusted to be less late than this (epoll counts in milliseconds)."""
SLICE_NS = 1_000_000
"""Characters are handed over about so often (chosen)."""


class PreciseClock:
    """A clock whose sleep ends within some ten microseconds.

    Args:
        inner: tells the time.
        sleep: of the operating system, in seconds.
    """

    def __init__(self, inner: Clock, sleep: Callable[[float], None] = time.sleep) -> None:
        self._inner = inner
        self._sleep = sleep

    @property
    def kind(self) -> ClockKind:
        """Return what the instants count from."""
        return self._inner.kind

    def now(self) -> int:
        """Return the present instant in nanoseconds."""
        return self._inner.now()

    async def sleep_until(self, at: int) -> None:
        """Return when `at` has come."""
        left = at - self._inner.now()
        if left > COARSE_NS:
            await asyncio.sleep((left - COARSE_NS) / NS)
            left = at - self._inner.now()
        while left > 0:
            self._sleep(min(left, COARSE_NS) / NS)
            left = at - self._inner.now()


class PacedLine(Through):
    """A transport on which characters take the time that they take on a wire.

    Args:
        inner: a pty or a connection; closed by closing this one.
    """

    def __init__(self, inner: Transport) -> None:
        super().__init__(inner)
        self._clock = PreciseClock(inner.clock)
        self._free_at = 0
        self._heard: deque[Chunk] = deque()

    @property
    def clock(self) -> Clock:  # type: ignore[override]
        """Return the clock of all instants; its sleep is precise."""
        return self._clock

    @property
    def facts(self) -> PortFacts:  # type: ignore[override]
        """Return what the port can and cannot say: it has a pace now."""
        facts = self._inner.facts
        notes = tuple(note for note in facts.notes if "pace" not in note)
        return replace(facts, paced=True, notes=(*notes, "paced as a wire of its rate would be"))

    async def send(self, data: bytes) -> int:
        """Send characters, each when its stop bit ends; return when the last one does."""
        settings, clock = self.settings, self._clock
        start = max(clock.now(), self._free_at)
        self._free_at = end = start + settings.characters_ns(len(data))
        sent = 0
        while sent < len(data):
            due = start + settings.characters_ns(sent + 1)
            await clock.sleep_until(min(max(due, clock.now() + SLICE_NS), end))
            ended = self._ended(clock.now() - start, len(data))
            if ended > sent:
                await self._inner.send(data[sent:ended])
                sent = ended
        return end

    def _ended(self, span_ns: int, most: int) -> int:
        """Return how many characters have ended after a span."""
        count = min(span_ns * most // self.settings.characters_ns(most) + 1, most)
        while count and self.settings.characters_ns(count) > span_ns:
            count -= 1
        return count

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters once the last of them would have ended."""
        if not self._heard:
            chunk = await self._inner.receive(until)
            if chunk is None:
                return None
            start = max(chunk.at, self._free_at)
            self._free_at = start + self.settings.characters_ns(len(chunk.data))
            self._heard.append(chunk._replace(at=self._free_at))
        end = self._heard[0].at
        if until is not None and until < end:
            await self._clock.sleep_until(until)
            return None
        await self._clock.sleep_until(end)
        return self._heard.popleft()
