"""One line over TCP that clients may come to and go from: RTU frames with their CRC.

Where `kerfbus.sim.tcp.TcpLines` makes a line of each connection, here there is one line for whoever
is connected: the youngest connection. In between nobody is there, as on a cable that is pulled out.
"""

from __future__ import annotations

import asyncio
from typing import Self

from kerfbus.bench.clock import Clock, SystemClock
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, PortFacts, Transport
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.tcp import UNCERTAINTY_NS, SocketTransport, listen_error

NS = 1_000_000_000


class TcpSeat(Transport):
    """The server's end of the line; made by `listen`.

    Args:
        endpoint: where it listens.
        settings: rate and format that the line is said to have.
        clock: of the instants.

    Attributes:
        endpoint: with the port that the system chose.
    """

    def __init__(self, endpoint: Endpoint, settings: LineSettings, clock: Clock) -> None:
        self.endpoint = endpoint
        self.name = str(endpoint)
        self.settings = settings
        self.clock = clock
        self.timing = "host"
        self.uncertainty_ns = UNCERTAINTY_NS
        self.facts = PortFacts(
            reports_errors=False,
            counters=False,
            paced=False,
            notes=("RTU over TCP: no line errors, no pace of a wire, no authentication",),
        )
        self._listener: asyncio.Server | None = None
        self._there: SocketTransport | None = None
        self._came = asyncio.Event()
        self._closed = False

    @classmethod
    async def listen(
        cls, endpoint: Endpoint, settings: LineSettings, clock: Clock | None = None
    ) -> Self:
        """Begin to listen.

        Raises:
            PortBusyError: the port is taken.
            PortDeniedError: this user may not have it.
            PortError: there is no such address here.
        """
        seat = cls(endpoint, settings, clock or SystemClock())
        try:
            listener = await asyncio.start_server(seat._accept, endpoint.host, endpoint.port)
        except OSError as error:
            raise listen_error(endpoint, error) from error
        seat._listener = listener
        seat.endpoint = Endpoint(endpoint.host, listener.sockets[0].getsockname()[1])
        seat.name = str(seat.endpoint)
        return seat

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        before = self._there
        self._there = SocketTransport(self.name, (reader, writer), self.settings, self.clock)
        self._came.set()
        if before is not None:
            await before.close()

    async def send(self, data: bytes) -> int:
        """Send characters; they are lost where nobody is connected."""
        self._check()
        there = self._there
        if there is not None:
            try:
                return await there.send(data)
            except PortLostError:
                await self._left(there)
        return self.clock.now()

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters of whoever is connected; see `Transport.receive`."""
        while True:
            self._check()
            there = self._there
            if there is None:
                if not await self._somebody(until):
                    return None
                continue
            try:
                return await there.receive(until)
            except PortLostError:
                await self._left(there)

    async def _somebody(self, until: int | None) -> bool:
        """Wait until somebody is connected and return whether it was in time."""
        self._came.clear()
        seconds = None if until is None else max(until - self.clock.now(), 0) / NS
        try:
            async with asyncio.timeout(seconds):
                await self._came.wait()
        except TimeoutError:
            return False
        return True

    async def _left(self, there: SocketTransport) -> None:
        if self._there is there:
            self._there = None
        await there.close()

    def _check(self) -> None:
        if self._closed:
            raise PortLostError(self.name, "the port is closed")

    async def close(self) -> None:
        """Stop to listen and close the connection."""
        if self._closed:
            return
        self._closed = True
        self._came.set()
        if self._listener is not None:
            self._listener.close()
        if self._there is not None:
            await self._there.close()
        if self._listener is not None:
            await self._listener.wait_closed()
