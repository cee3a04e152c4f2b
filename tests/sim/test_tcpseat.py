"""A line over TCP that one client after the other comes to."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from kerfbus.bench.errors import PortBusyError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.tcpseat import TcpSeat

NS = 1_000_000_000
Streams = tuple[asyncio.StreamReader, asyncio.StreamWriter]


@pytest.fixture
async def seat() -> AsyncIterator[TcpSeat]:
    """Return a seat that listens."""
    async with await TcpSeat.listen(Endpoint("127.0.0.1", 0), LineSettings()) as opened:
        assert isinstance(opened, TcpSeat)
        yield opened


async def caller(seat: TcpSeat) -> Streams:
    return await asyncio.open_connection(seat.endpoint.host, seat.endpoint.port)


async def hang_up(streams: Streams) -> None:
    streams[1].close()
    await streams[1].wait_closed()


async def heard(seat: TcpSeat, size: int) -> bytes:
    data = b""
    while len(data) < size:
        chunk = await seat.receive(seat.clock.now() + 20 * NS)
        assert chunk is not None
        data += chunk.data
    return data


async def test_one_client_after_the_other(seat: TcpSeat) -> None:
    for text in (b"one", b"two"):
        streams = await caller(seat)
        streams[1].write(text)
        assert await heard(seat, 3) == text
        await seat.send(text.upper())
        assert await streams[0].readexactly(3) == text.upper()
        await hang_up(streams)


async def test_the_youngest_client_has_the_line(seat: TcpSeat) -> None:
    first = await caller(seat)
    first[1].write(b"first")
    assert await heard(seat, 5) == b"first"
    waiting = asyncio.create_task(heard(seat, 6))
    second = await caller(seat)
    second[1].write(b"second")
    assert await waiting == b"second"
    assert await first[0].read() == b"", "the first one is hung up on"
    await seat.send(b"reply")
    assert await second[0].readexactly(5) == b"reply"
    await hang_up(second)
    await hang_up(first)


async def test_nobody_is_there(seat: TcpSeat) -> None:
    assert await seat.receive(seat.clock.now()) is None
    before = seat.clock.now()
    assert await seat.send(b"into the void") >= before


async def test_its_port_is_taken(seat: TcpSeat) -> None:
    with pytest.raises(PortBusyError):
        await TcpSeat.listen(seat.endpoint, LineSettings())


async def test_closing_ends_a_receive() -> None:
    seat = await TcpSeat.listen(Endpoint("127.0.0.1", 0), LineSettings())
    waiting = asyncio.create_task(seat.receive(None))
    await asyncio.sleep(0)
    await seat.close()
    await seat.close()
    with pytest.raises(PortLostError):
        await waiting
    with pytest.raises(PortLostError):
        await seat.send(b"x")
