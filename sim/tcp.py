"""RTU over TCP: frames with their CRC, as on a serial line, through a socket.

Each connection is a line of its own that leads to the same servers: several clients may be there at
once, and none hears the others. The servers' counters count for all of them. The protocol has no
authentication; loopback unless told otherwise.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Sequence
from types import TracebackType
from typing import Self

from kerfbus.bench.clock import Clock, SystemClock
from kerfbus.bench.errors import PortBusyError, PortDeniedError, PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, PortFacts, Transport
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.station import Station, StationOptions

NS = 1_000_000_000
UNCERTAINTY_NS = 50_000_000
"""How long a network is believed to hold characters back (chosen)."""
READ_SIZE = 4096
FIRST_UNPRIVILEGED = 1024

_FACTS = PortFacts(
    reports_errors=False,
    counters=False,
    paced=False,
    notes=("RTU over TCP: no line errors, no pace of a wire, no authentication",),
)


class SocketTransport(Transport):
    """One connection.

    Args:
        name: for messages.
        streams: of the connection.
        settings: rate and format that the line is said to have.
        clock: of the instants.
    """

    def __init__(
        self,
        name: str,
        streams: tuple[asyncio.StreamReader, asyncio.StreamWriter],
        settings: LineSettings,
        clock: Clock,
    ) -> None:
        self._reader, self._writer = streams
        self.name = name
        self.settings = settings
        self.clock = clock
        self.timing = "host"
        self.uncertainty_ns = UNCERTAINTY_NS
        self.facts = _FACTS
        self._lost = ""

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`."""
        if self._lost or self._reader.at_eof():
            raise self._gone("the peer has closed the connection")
        try:
            self._writer.write(data)
            await self._writer.drain()
        except (OSError, RuntimeError) as error:
            raise self._gone("the peer has closed the connection") from error
        return self.clock.now()

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        if self._lost:
            raise self._gone(self._lost)
        seconds = None if until is None else max(until - self.clock.now(), 0) / NS
        try:
            async with asyncio.timeout(seconds):
                data = await self._reader.read(READ_SIZE)
        except TimeoutError:
            return None
        except OSError as error:
            raise self._gone("the connection broke") from error
        if not data:
            raise self._gone("the peer has closed the connection")
        return Chunk(data, self.clock.now())

    def _gone(self, why: str) -> PortLostError:
        self._lost = self._lost or why
        return PortLostError(self.name, self._lost)

    async def close(self) -> None:
        """Close the connection."""
        self._lost = self._lost or "the port is closed"
        self._writer.close()
        with contextlib.suppress(OSError):
            await self._writer.wait_closed()


class TcpLines:
    """Listens and serves every connection; use it as an async context manager.

    Args:
        servers: on each line; each has its own state.
        endpoint: where to listen.
        options: of the stations.
        clock: of the instants; None for wall time.
        wrap: makes another transport of each connection's, e.g. one that records.

    Attributes:
        endpoint: with the port that the system chose.
        connections: open now.
    """

    def __init__(
        self,
        servers: Sequence[SupplyServer],
        endpoint: Endpoint,
        options: StationOptions | None = None,
        clock: Clock | None = None,
        wrap: Callable[[Transport], Transport] | None = None,
    ) -> None:
        self.servers = tuple(servers)
        self.endpoint = endpoint
        self._options = options
        self._clock = clock or SystemClock()
        self._wrap = wrap or (lambda transport: transport)
        self._tasks: set[asyncio.Task[None]] = set()
        self._listener: asyncio.Server | None = None

    @property
    def connections(self) -> int:
        """Return how many clients are connected."""
        return len(self._tasks)

    async def __aenter__(self) -> Self:
        """Start to listen.

        Raises:
            PortBusyError: the port is taken.
            PortDeniedError: this user may not have it.
            PortError: there is no such address here.
        """
        where = self.endpoint
        try:
            self._listener = await asyncio.start_server(self._accept, where.host, where.port)
        except OSError as error:
            raise listen_error(where, error) from error
        self.endpoint = Endpoint(where.host, self._listener.sockets[0].getsockname()[1])
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop to listen and close every connection."""
        if self._listener is not None:
            self._listener.close()
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        if self._listener is not None:
            await self._listener.wait_closed()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        peer = writer.get_extra_info("peername")
        name = f"{self.endpoint} from {Endpoint(*peer[:2])}" if peer else str(self.endpoint)
        settings = self.servers[0].settings
        bare = SocketTransport(name, (reader, writer), settings, self._clock)
        transport = self._wrap(bare)
        try:
            await Station(self.servers, transport, self._options).run()
        except (PortLostError, asyncio.CancelledError):
            pass  # the client has gone, or we are closing: both end this line and nothing else
        finally:
            self._tasks.discard(task)
            await transport.close()


def listen_error(endpoint: Endpoint, error: OSError) -> PortError:
    """Return why `endpoint` cannot be listened on, in words."""
    where = str(endpoint)
    if isinstance(error, PermissionError):
        return PortDeniedError(
            where, f"this user may not listen there; choose a port from {FIRST_UNPRIVILEGED} on"
        )
    if error.errno is not None and "in use" in str(error.strerror).lower():
        return PortBusyError(where, "another program listens there; choose another port")
    return PortError(where, f"cannot be listened on: {error.strerror or error}")
