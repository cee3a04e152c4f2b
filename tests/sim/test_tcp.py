"""RTU over TCP: real sockets, a real client of another library, several at once."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient

from kerfbus.bench import wire
from kerfbus.bench.clock import SystemClock
from kerfbus.bench.conformance import CHECKS, Check, Pair, run_check
from kerfbus.bench.errors import PortBusyError, PortError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.diagnostics import Count
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.port import make_server
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.tcp import SocketTransport, TcpLines

HERE = Endpoint.parse("127.0.0.1:0")


@asynccontextmanager
async def supplies(*addresses: int) -> AsyncIterator[tuple[TcpLines, list[SupplyServer]]]:
    servers = [make_server(address, 0, SystemClock().now()) for address in addresses]
    async with TcpLines(servers, HERE) as lines:
        yield lines, servers


@asynccontextmanager
async def client(lines: TcpLines) -> AsyncIterator[AsyncModbusTcpClient]:
    found = AsyncModbusTcpClient(
        lines.endpoint.host, port=lines.endpoint.port, framer=FramerType.RTU, timeout=2, retries=0
    )
    assert await found.connect()
    try:
        yield found
    finally:
        found.close()


async def test_a_foreign_client_reads_and_writes() -> None:
    async with supplies(1) as (lines, servers), client(lines) as one:
        reply = await one.write_registers(0, [700, 530], device_id=1)
        assert not reply.isError()
        assert (await one.read_holding_registers(0, count=3, device_id=1)).registers == [
            700,
            530,
            400,
        ]
        refused = await one.write_register(0, 9999, device_id=1)
        assert refused.isError()
        assert refused.exception_code == wire.ExceptionCode.SERVER_DEVICE_FAILURE
        assert servers[0].diagnostics.counts[Count.EXCEPTIONS] == 1


async def test_several_clients_at_once() -> None:
    async with supplies(1, 2) as (lines, servers), client(lines) as one, client(lines) as two:

        async def poll(who: AsyncModbusTcpClient, address: int) -> None:
            for number in range(20):
                await who.write_register(0, 600 + number, device_id=address)
                reply = await who.read_holding_registers(0, count=1, device_id=address)
                assert reply.registers == [600 + number]

        await asyncio.gather(poll(one, 1), poll(two, 2))
        assert lines.connections == 2
        assert [server.device.value("current_setpoint") for server in servers] == [61.9, 61.9]


async def test_a_client_that_goes_hurts_nobody() -> None:
    async with supplies(1) as (lines, _):
        async with client(lines) as one, client(lines):
            assert (await one.read_holding_registers(0, device_id=1)).registers == [600]
        async with client(lines) as again:
            assert (await again.read_holding_registers(0, device_id=1)).registers == [600]


async def test_closing_ends_every_connection() -> None:
    async with supplies(1) as (lines, _):
        reader, writer = await asyncio.open_connection(lines.endpoint.host, lines.endpoint.port)
        writer.write(wire.adu(1, wire.ReadHoldingRegisters(0, 1)))
        assert await reader.readexactly(7)
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()


async def test_a_port_that_is_taken() -> None:
    async with supplies(1) as (lines, servers):
        with pytest.raises(PortBusyError) as caught:
            async with TcpLines(servers, lines.endpoint):
                pass
        assert "choose another port" in str(caught.value)


async def test_an_address_that_is_not_here() -> None:
    server = make_server(1, 0, 0)
    with pytest.raises(PortError) as caught:
        async with TcpLines([server], Endpoint("192.0.2.1", 0)):
            pass
    assert "\n" not in str(caught.value)


@asynccontextmanager
async def socket_pair() -> AsyncIterator[Pair]:
    accepted: asyncio.Future[tuple[asyncio.StreamReader, asyncio.StreamWriter]]
    accepted = asyncio.get_running_loop().create_future()

    def accept(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        accepted.set_result((reader, writer))

    listener = await asyncio.start_server(accept, "127.0.0.1", 0)
    number = listener.sockets[0].getsockname()[1]
    far_streams = await asyncio.open_connection("127.0.0.1", number)
    clock, line = SystemClock(), LineSettings()
    near = SocketTransport("near", await accepted, line, clock)
    far = SocketTransport("far", far_streams, line, clock)
    async with near, far:
        yield Pair(near, far, far.close)
    listener.close()
    await listener.wait_closed()


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_the_contract_of_transports_is_kept(check: Check) -> None:
    async with socket_pair() as pair:
        await run_check(check, pair)
