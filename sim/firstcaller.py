"""One controller over TCP: listens, takes the first that calls, and no other.

RTU over TCP, frames with their CRC. The protocol has no authentication; loopback unless told
otherwise.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from kerfbus.bench.clock import Clock, SystemClock
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Transport
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.tcp import SocketTransport, listen_error


@asynccontextmanager
async def first_caller(
    endpoint: Endpoint,
    settings: LineSettings,
    ready: Callable[[Endpoint], None],
    clock: Clock | None = None,
) -> AsyncIterator[Transport]:
    """Wait for a controller and give its connection; closed at the end.

    Args:
        endpoint: where to listen.
        settings: rate and format that the line is said to have.
        ready: called with the port that the system chose, once it is listened on.
        clock: of the instants; None for wall time.

    Raises:
        PortBusyError: the port is taken.
        PortDeniedError: this user may not have it.
        PortError: there is no such address here.
    """
    called: asyncio.Future[tuple[asyncio.StreamReader, asyncio.StreamWriter]]
    called = asyncio.get_running_loop().create_future()

    async def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if called.done():
            writer.close()  # one line, one controller
        else:
            called.set_result((reader, writer))

    try:
        listener = await asyncio.start_server(accept, endpoint.host, endpoint.port)
    except OSError as error:
        raise listen_error(endpoint, error) from error
    async with listener:
        chosen = Endpoint(endpoint.host, listener.sockets[0].getsockname()[1])
        ready(chosen)
        streams = await called
        line = SocketTransport(str(chosen), streams, settings, clock or SystemClock())
        try:
            yield line
        finally:
            await line.close()
