"""Stations on a simulated line: who the caller is, and how time passes for it.

Instants are exact. With a virtual clock time moves when somebody waits, and nothing ever suspends
for long; with wall time the same line keeps pace with it.
"""

from __future__ import annotations

import asyncio
from abc import abstractmethod
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.bench.clock import Clock, ManualClock
from kerfbus.bench.errors import PortLostError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, LineCounters, PortFacts, Transport
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.controller import Controller
from kerfbus.sim.server import SupplyServer

NS = 1_000_000_000
YIELD_EVERY = 64
"""In virtual time every so many calls let other tasks run; else they would starve."""
_NO_ERRORS = LineCounters(0, 0, 0, 0, 0)


class Seat(NamedTuple):
    """The caller's place on a simulated line.

    Attributes:
        name: the port string.
        settings: rate and format of the caller.
        clock: virtual or wall.
        identity: of the simulated hardware.
    """

    name: str
    settings: LineSettings
    clock: Clock
    identity: str


class SimTransport(Transport):
    """What all vantages on a simulated line have in common.

    Args:
        seat: where the caller sits.
    """

    def __init__(self, seat: Seat) -> None:
        self.name, self.settings, self.clock, identity = seat
        self.timing = "exact"
        self.uncertainty_ns = 0
        self.facts = PortFacts(
            reports_errors=True, counters=True, exclusive=True, paced=True, identity=identity
        )
        self._virtual = self.clock if isinstance(self.clock, ManualClock) else None
        self._inbox: deque[Chunk] = deque()
        self._calls = 0
        self._closed = False
        self._waiter: asyncio.Future[None] | None = None

    @property
    def servers(self) -> Sequence[SupplyServer]:
        """Return the simulated supplies' servers, for whoever has a hand on them."""
        return ()

    def catch_up(self, now: int) -> None:
        """Bring the line to `now`, before somebody changes the world on it."""

    @abstractmethod
    def _look_ahead(self, until: int) -> None:
        """Put into the inbox what is heard next if nobody sends anything up to `until`."""

    def _silent(self, until: int) -> bool:  # noqa: ARG002 (for those who can tell)
        """Return whether it is certain that nothing comes up to `until`."""
        return False

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        self._calls += 1
        if not self._calls % YIELD_EVERY:
            await asyncio.sleep(0)
        virtual, inbox = self._virtual, self._inbox
        if virtual is not None and inbox and (until is None or inbox[0].at <= until):
            virtual.advance_to(inbox[0].at)  # the usual case, on the short way
            return inbox.popleft()
        if virtual is not None and until is not None and self._silent(until):
            virtual.advance_to(until)  # as usual: the silence before a request
            return None
        while True:
            if not self._inbox and not self._closed:
                self._look_ahead(self.clock.now() if until is None else until)
            chunk = self._due(until)
            if chunk is not None:
                return chunk
            if self._closed:
                raise PortLostError(self.name, "the port is closed")
            if until is not None and self.clock.now() >= until:
                return None
            await self._wait(until)

    def receive_at_once(self, until: int) -> Chunk | None:
        """Return the next characters; see `Transport.receive_at_once`."""
        virtual, inbox = self._virtual, self._inbox
        if virtual is None or not inbox or inbox[0].at > until or self._others_wait():
            return None
        self._calls += 1
        chunk = inbox.popleft()
        virtual.advance_to(chunk.at)
        return chunk

    def _others_wait(self) -> bool:
        """Return whether it is time to let other tasks run, or one of them is in `receive`."""
        return not (self._calls + 1) % YIELD_EVERY or self._waiter is not None

    def _due(self, until: int | None) -> Chunk | None:
        """Return the next characters when it is time, in virtual time by making it time."""
        if not self._inbox:
            if self._virtual is not None and until is not None:
                self._virtual.advance_to(until)
            return None
        at = self._inbox[0].at
        if self._virtual is not None:
            self._virtual.advance_to(at if until is None else min(at, until))
        return self._inbox.popleft() if at <= self.clock.now() else None

    async def _wait(self, until: int | None) -> None:
        """Suspend until something is due, `until` has come, or somebody sends or closes."""
        ends = [chunk.at for chunk in (*self._inbox,)[:1]]
        if until is not None:
            ends.append(until)
        loop = asyncio.get_running_loop()
        self._waiter = waiter = loop.create_future()
        timer = None
        if ends:
            seconds = max(min(ends) - self.clock.now(), 0) / NS
            timer = loop.call_later(seconds, _wake, waiter)
        try:
            await waiter
        finally:
            self._waiter = None
            if timer is not None:
                timer.cancel()

    def _deliver(self, chunks: list[Chunk]) -> None:
        if chunks:
            self._inbox.extend(chunks)
            if self._waiter is not None:
                _wake(self._waiter)

    def _check(self) -> None:
        if self._closed:
            raise PortLostError(self.name, "the port is closed")

    async def close(self) -> None:
        """Release the port."""
        self._closed = True
        if self._waiter is not None:
            _wake(self._waiter)

    def counters(self) -> LineCounters:
        """Return zeros: a clean line has no errors."""
        return _NO_ERRORS


def _wake(waiter: asyncio.Future[None]) -> None:
    if not waiter.done():
        waiter.set_result(None)


class ClientTransport(SimTransport):
    """The caller asks.

    Args:
        seat: where the caller sits.
        line: the line, with its servers.
    """

    def __init__(self, seat: Seat, line: CleanLine) -> None:
        super().__init__(seat)
        self.line = line

    @property
    def servers(self) -> Sequence[SupplyServer]:
        """Return the servers on the line."""
        return self.line.servers

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`. They start when the line is free."""
        self._check()
        line, now = self.line, self.clock.now()
        if not data:
            return now
        start = line.free_at if line.free_at > now else now
        end = start + line.span_ns(len(data))
        if self._virtual is not None:
            self._virtual.advance_to(end)
        if line.waiting:
            self._deliver(line.tick(start))
        self._deliver(line.transmit(data, end))
        return end

    def send_at_once(self, data: bytes, silent_until: int) -> int | None:
        """Send characters; see `Transport.send_at_once`."""
        virtual, line = self._virtual, self.line
        if virtual is None or not data or not self._silent(silent_until) or self._others_wait():
            return None
        self._calls += 1
        end = max(silent_until, virtual.now(), line.free_at) + line.span_ns(len(data))
        virtual.advance_to(end)
        self._inbox.extend(line.transmit(data, end))
        return end

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format of the caller; the supply keeps its own."""
        self._check()
        self.settings = settings
        self.line.reconfigure(settings)

    def _silent(self, until: int) -> bool:  # noqa: ARG002
        return not (self._inbox or self._closed or self.line.waiting)

    def _look_ahead(self, until: int) -> None:
        self._deliver(self.line.tick(until))


class OverhearingTransport(SimTransport):
    """The caller hears a controller with a timetable: with a supply (tap), or instead of one.

    Args:
        seat: where the caller sits.
        address: of the supply.
        line: the line with the supply, None when the caller plays it.
    """

    def __init__(self, seat: Seat, address: int, line: CleanLine | None) -> None:
        super().__init__(seat)
        self.address = address
        self.line = line
        self._begin = self._free_at = self.clock.now()
        self._questions = Controller().questions()

    @property
    def servers(self) -> Sequence[SupplyServer]:
        """Return the servers on the line, none where the caller plays the supply."""
        return () if self.line is None else self.line.servers

    async def send(self, data: bytes) -> int:
        """Send the reply that the caller plays; a tap sends nothing.

        Raises:
            UsageError: the caller is a tap.
            PortLostError: the port is closed.
        """
        self._check()
        if self.line is not None:
            raise UsageError(f"{self.name}: a tap sends nothing; open the port as a client")
        start = max(self.clock.now(), self._free_at)
        self._free_at = end = start + self.settings.characters_ns(len(data))
        if self._virtual is not None:
            self._virtual.advance_to(end)
        return end

    def _look_ahead(self, until: int) -> None:  # noqa: ARG002 (the timetable knows when)
        question = next(self._questions)
        frame = wire.adu(self.address, question.request)
        start = max(self._begin + question.at, self._free_at + self.settings.t35_ns)
        self._free_at = end = start + self.settings.characters_ns(len(frame))
        chunks = [Chunk(frame, end)]
        if self.line is not None:
            chunks += self.line.transmit(frame, end)
            self._free_at = self.line.free_at
        self._deliver(chunks)
