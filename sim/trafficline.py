"""A line on which time passes only with traffic: as fast as the client can ask.

For ptys and serial ports. Time is virtual: each character takes its time on a wire of the line's
rate, each request has the silent interval before it (MODBUS over Serial Line V1.02, 2.5.1.1), and
between requests nothing passes. So a client that polls without pause sees a simulated supply live
hundreds of times faster than life, and one that waits sees it wait.
"""

from __future__ import annotations

from kerfbus.bench.clock import ManualClock
from kerfbus.bench.transport import Chunk, Through, Timing, Transport

MOMENT_NS = 1_000_000


class TrafficLine(Through):
    """A transport with a clock of its own that its traffic moves.

    Stamps say when characters end on that clock. A wait for the end of characters that came in
    part takes its real time, because the rest may be on its way.

    Args:
        inner: does the work; closed by closing this one.
        clock: to move.
    """

    def __init__(self, inner: Transport, clock: ManualClock) -> None:
        super().__init__(inner)
        self._clock = clock

    @property
    def clock(self) -> ManualClock:  # type: ignore[override]
        """Return the clock that the traffic moves."""
        return self._clock

    @property
    def timing(self) -> Timing:  # type: ignore[override]
        """Return that instants are the host's."""
        return "host"

    async def send(self, data: bytes) -> int:
        """Send characters; their time passes."""
        await self._inner.send(data)
        return self._pass(len(data))

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; a silence and their time pass."""
        inner, wait = self._inner, None
        if until is not None:
            # At least a moment, in which the event loop fetches what is there.
            wait = inner.clock.now() + max(until - self.clock.now(), MOMENT_NS)
        chunk = await inner.receive(wait)
        if chunk is None:
            if until is not None:
                self.clock.advance_to(until)
            return None
        self.clock.advance_to(self.clock.now() + self.settings.t35_ns)
        return Chunk(chunk.data, self._pass(len(chunk.data)), chunk.errors)

    def _pass(self, characters: int) -> int:
        """Let the time of some characters pass and return the instant after it."""
        self.clock.advance_to(self.clock.now() + self.settings.characters_ns(characters))
        return self.clock.now()
