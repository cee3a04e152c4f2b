"""Chunks that come at their time: what all recorded lines have in common.

What comes, and because of what, is for `kerfbus.bench.recordedline`; here time passes until it is
due, virtual or real.
"""

from __future__ import annotations

import asyncio
from bisect import insort
from collections.abc import Iterator
from dataclasses import dataclass

from kerfbus.bench.answerbook import Repeat
from kerfbus.bench.capturerecords import CaptureInfo
from kerfbus.bench.clock import NS, Clock, ManualClock
from kerfbus.bench.errors import PortError, PortLostError, RecordingEndedError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transactions import part_of
from kerfbus.bench.transport import Chunk, PortFacts, Transport

YIELD_EVERY = 64
"""In virtual time every so many calls let other tasks run; else they would starve."""


@dataclass(frozen=True, slots=True)
class PlayOptions:
    """How a recording is played.

    Attributes:
        repeat: what answers a request once its recorded answers are used up.
        by_character: hand over each character alone, with its own instant, instead of bursts. Where
            the host stamped them nobody knows those, and lumps stay as they were handed over.
    """

    repeat: Repeat = Repeat.LAST
    by_character: bool = False


def by_character(chunk: Chunk, settings: LineSettings) -> Iterator[Chunk]:
    """Yield each character of a chunk alone, each with its own instant.

    Args:
        chunk: characters without a gap; its instant is exact.
        settings: rate and format that they were recorded under.
    """
    for place in range(len(chunk.data)):
        yield part_of(chunk, place, place + 1, settings)


class RecordedLine(Transport):
    """What both kinds have in common: chunks that come at their time.

    Args:
        name: the port string.
        info: of the recording.
        clock: virtual or wall; the recording begins now.
        options: how it is played.

    Attributes:
        info: of the recording.
        coming: what has been put down and not been received yet, by instant.
    """

    def __init__(self, name: str, info: CaptureInfo, clock: Clock, options: PlayOptions) -> None:
        self.name = name
        self.info = info
        self.settings = info.settings
        self.clock = clock
        self.timing = info.timing
        self.uncertainty_ns = info.uncertainty_ns
        exact = info.timing == "exact"
        self.facts = PortFacts(
            reports_errors=True,
            counters=False,
            exclusive=False,
            paced=exact,
            identity=f"recording {name.partition(':')[2]}",
            notes=("a recording: nothing that is sent reaches anybody",),
        )
        self._options = options
        self.coming: list[Chunk] = []
        self._last_at = 0
        self._calls = 0
        self._closed = False
        self._waiter: asyncio.Future[None] | None = None

    def put(self, chunk: Chunk, settings: LineSettings) -> None:
        """Let characters come at their time, never before those that have come."""
        chunk = chunk._replace(at=max(chunk.at, self._last_at, 0))
        single = self._options.by_character and self.timing == "exact"
        parts = by_character(chunk, settings) if single else (chunk,)
        for part in parts:
            insort(self.coming, part._replace(at=max(part.at, self._last_at)), key=instant_of)

    def more(self) -> bool:
        """Put down what comes next; return whether there is any more without anybody sending."""
        return False

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`.

        Raises:
            PortLostError: the port is closed.
            RecordingEndedError: the recording is at its end, and nobody can cause any more of it.
        """
        self._calls += 1
        if not self._calls % YIELD_EVERY:
            await asyncio.sleep(0)
        while True:
            now = self.clock.now()
            coming = bool(self.coming) or self.more()
            if coming and self.coming[0].at <= now and not self._closed:
                chunk = self.coming.pop(0)
                self._last_at = chunk.at
                return chunk
            self.check_open()
            if not coming and self.ended():
                raise RecordingEndedError(self.name, "the recording ends here")
            if until is not None and now >= until:
                return None
            ends = [self.coming[0].at] if coming else []
            if until is not None:
                ends.append(until)
            await self._wait(min(ends, default=None))

    def ended(self) -> bool:
        """Return whether nothing can come any more."""
        return False

    async def _wait(self, goal: int | None) -> None:
        """Let time pass to `goal`, or until somebody sends or closes."""
        if isinstance(self.clock, ManualClock) and goal is not None:
            self.clock.advance_to(goal)
            return
        loop = asyncio.get_running_loop()
        self._waiter = waiter = loop.create_future()
        timer = None
        if goal is not None:
            timer = loop.call_later((goal - self.clock.now()) / NS, _wake, waiter)
        try:
            await waiter
        finally:
            self._waiter = None
            if timer is not None:
                timer.cancel()

    def stir(self) -> None:
        """Let `receive` look again."""
        if self._waiter is not None:
            _wake(self._waiter)

    async def reconfigure(self, settings: LineSettings) -> None:
        """Accept the recording's own settings.

        Raises:
            PortError: they are others.
        """
        if settings != self.settings:
            raise PortError(
                self.name, f"was recorded at {self.settings}; it cannot be heard at {settings}"
            )

    async def close(self) -> None:
        """Release it."""
        self._closed = True
        self.stir()

    def check_open(self) -> None:
        """Raise `PortLostError` once it is closed."""
        if self._closed:
            raise PortLostError(self.name, "the port is closed")


def instant_of(chunk: Chunk) -> int:
    """Return the instant of a chunk, to sort by."""
    return chunk.at


def _wake(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)
