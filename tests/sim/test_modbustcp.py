"""Modbus TCP with a real client, and what that client would never send."""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus.client import AsyncModbusTcpClient, ModbusTcpClient

from kerfbus.bench import wire
from kerfbus.bench.clock import SystemClock
from kerfbus.bench.errors import PortBusyError, PortError
from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.modbustcp import ModbusTcp
from kerfbus.sim.port import make_server

HERE = Endpoint.parse("127.0.0.1:0")
READ = wire.build(wire.ReadHoldingRegisters(0, 2))
ANSWER = bytes.fromhex("03 04 0258 0208")


@asynccontextmanager
async def supply(*addresses: int) -> AsyncIterator[ModbusTcp]:
    servers = [make_server(address, 0, SystemClock().now()) for address in addresses or (1,)]
    async with ModbusTcp(servers, HERE) as found:
        yield found


@asynccontextmanager
async def client(server: ModbusTcp) -> AsyncIterator[AsyncModbusTcpClient]:
    found = AsyncModbusTcpClient(
        server.endpoint.host, port=server.endpoint.port, timeout=5, retries=0
    )
    assert await found.connect()
    try:
        yield found
    finally:
        found.close()


def mbap(pdu: bytes, unit: int = 1, transaction: int = 7, protocol: int = 0) -> bytes:
    return struct.pack(">HHHB", transaction, protocol, len(pdu) + 1, unit) + pdu


@asynccontextmanager
async def raw(
    server: ModbusTcp,
) -> AsyncIterator[tuple[asyncio.StreamReader, asyncio.StreamWriter]]:
    reader, writer = await asyncio.open_connection(server.endpoint.host, server.endpoint.port)
    try:
        async with asyncio.timeout(20):
            yield reader, writer
    finally:
        writer.close()
        await writer.wait_closed()


async def test_a_client_reads_writes_and_is_refused() -> None:
    async with supply() as server, client(server) as one:
        assert (await one.read_holding_registers(0, count=2, device_id=1)).registers == [600, 520]
        assert not (await one.write_registers(0, [700], device_id=1)).isError()
        assert (
            await one.readwrite_registers(
                read_address=0, read_count=1, write_address=1, values=[500], device_id=1
            )
        ).registers == [700]
        assert (await one.read_discrete_inputs(16, count=9, device_id=1)).bits[0] is True
        refused = await one.write_register(0, 9999, device_id=1)
        assert refused.exception_code == ExceptionCode.SERVER_DEVICE_FAILURE
        hole = await one.read_input_registers(30, count=10, device_id=1)
        assert hole.exception_code == ExceptionCode.ILLEGAL_DATA_ADDRESS


async def test_identification_comes_through() -> None:
    async with supply() as server, client(server) as one:
        reply = await one.read_device_information(read_code=1, device_id=1)
        assert reply.information[1] == b"BENCH-125"


async def test_the_fault_log_comes_through() -> None:
    async with supply() as server, client(server) as one:
        unit = server.servers[0].device.supply
        unit.enable()
        unit.surround(unit.now, fan_ok=False)
        assert (await one.read_fifo_queue(address=1024, device_id=1)).values == [41]


async def test_a_synchronous_client() -> None:
    async with supply() as server:

        def talk() -> list[int]:
            one = ModbusTcpClient(server.endpoint.host, port=server.endpoint.port, timeout=5)
            assert one.connect()
            try:
                return list(one.read_holding_registers(0, count=2, device_id=1).registers)
            finally:
                one.close()

        assert await asyncio.to_thread(talk) == [600, 520]


async def test_serial_line_functions_are_refused() -> None:
    async with supply() as server, client(server) as one:
        reply = await one.diag_query_data(b"\x12\x34", device_id=1)
        assert reply.exception_code == ExceptionCode.ILLEGAL_FUNCTION


@pytest.mark.parametrize("unit", [0, 1, 255])
async def test_units_that_mean_the_device_itself(unit: int) -> None:
    async with supply(1) as server, raw(server) as (reader, writer):
        writer.write(mbap(READ, unit))
        assert await reader.readexactly(13) == mbap(ANSWER, unit)


async def test_another_unit_is_told_that_nobody_answers() -> None:
    async with supply(1) as server, raw(server) as (reader, writer):
        writer.write(mbap(READ, 9))
        assert await reader.readexactly(9) == mbap(b"\x83\x0b", 9)


async def test_several_supplies_are_told_apart_by_unit() -> None:
    async with supply(1, 2) as server, client(server) as one:
        await one.write_register(0, 700, device_id=2)
        assert (await one.read_holding_registers(0, device_id=1)).registers == [600]
        assert (await one.read_holding_registers(0, device_id=2)).registers == [700]
    async with supply(1, 2) as server, raw(server) as (reader, writer):
        writer.write(mbap(READ, 0))
        assert (await reader.readexactly(9))[-2:] == b"\x83\x0b"


async def test_requests_in_one_lump_are_all_answered() -> None:
    async with supply() as server, raw(server) as (reader, writer):
        writer.write(b"".join(mbap(READ, transaction=number) for number in range(200)))
        for number in range(200):
            assert await reader.readexactly(13) == mbap(ANSWER, transaction=number)


async def test_a_request_in_pieces_is_answered_once() -> None:
    async with supply() as server, raw(server) as (reader, writer):
        for byte in mbap(READ) + mbap(READ, transaction=8)[:5]:
            writer.write(bytes((byte,)))
            await writer.drain()
            await asyncio.sleep(0)
        assert await reader.readexactly(13) == mbap(ANSWER)
        writer.write(mbap(READ, transaction=8)[5:])
        assert await reader.readexactly(13) == mbap(ANSWER, transaction=8)


async def test_an_unknown_function() -> None:
    async with supply() as server, raw(server) as (reader, writer):
        writer.write(mbap(b"\x64\x01\x02"))
        assert await reader.readexactly(9) == mbap(b"\xe4\x01")


@pytest.mark.parametrize(
    "data",
    [
        mbap(READ, protocol=1),
        struct.pack(">HHHB", 1, 0, 0, 1),
        struct.pack(">HHHB", 1, 0, 1, 1),
        struct.pack(">HHHB", 1, 0, 255, 1) + bytes(254),
        b"GET / HTTP/1.1\r\n\r\n",
    ],
)
async def test_what_is_not_modbus_ends_the_connection(data: bytes) -> None:
    async with supply() as server:
        async with raw(server) as (reader, writer):
            writer.write(data)
            assert await reader.read() == b""
        async with raw(server) as (reader, writer):
            writer.write(mbap(READ))
            assert await reader.readexactly(13) == mbap(ANSWER)


async def test_the_longest_pdu_is_taken() -> None:
    values = tuple(range(0x4100, 0x4100 + 8))
    request = wire.build(wire.WriteMultipleRegisters(128, values)) + bytes(253 - 22)
    async with supply() as server, raw(server) as (reader, writer):
        writer.write(mbap(request))
        assert (await reader.readexactly(9))[-2:] == b"\x90\x03"


async def test_a_port_that_is_taken() -> None:
    async with supply() as server:
        with pytest.raises(PortBusyError):
            async with ModbusTcp(server.servers, server.endpoint):
                pass


async def test_an_address_that_is_not_here() -> None:
    with pytest.raises(PortError):
        async with ModbusTcp([make_server(1, 0, 0)], Endpoint("192.0.2.1", 0)):
            pass


async def test_closing_ends_every_connection() -> None:
    async with supply() as server:
        reader, writer = await asyncio.open_connection(server.endpoint.host, server.endpoint.port)
        writer.write(mbap(READ))
        await reader.readexactly(13)
    assert await reader.read() == b""
    writer.close()
    await writer.wait_closed()
