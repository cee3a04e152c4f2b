"""Our client talks to servers that are not ours over a real tty."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import subprocess
import tty
from collections.abc import AsyncIterator, Iterator

import pytest
from interop.programs import compiled, running
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port

SETTINGS = LineSettings(19200)


@contextlib.contextmanager
def crossed_ptys(*, raw: bool = False) -> Iterator[tuple[str, str]]:
    """Two ptys joined like a null modem by a process that only copies."""
    masters, slaves = zip(*(pty.openpty() for _ in range(2)), strict=True)
    # Where a program opens the other end it is not made raw before: one that then changes nothing
    # but parity would get EINVAL.
    for slave in slaves if raw else ():
        tty.setraw(slave)
    copy = (
        "import os,select\n"
        f"a,b={masters[0]},{masters[1]}\n"
        "while True:\n"
        "    for end in select.select([a,b],[],[])[0]:\n"
        "        os.write(b if end==a else a, os.read(end,4096))\n"
    )
    process = subprocess.Popen(["python3", "-c", copy], pass_fds=masters)
    try:
        yield os.ttyname(slaves[0]), os.ttyname(slaves[1])
    finally:
        process.kill()
        process.wait()
        for end in (*masters, *slaves):
            os.close(end)


@contextlib.asynccontextmanager
async def client_on(port: str, patience: float = 0.5) -> AsyncIterator[Client]:
    transport = await open_port(port, SETTINGS)
    async with transport:
        yield Client(transport, Policy(response_timeout=patience, retries=1, late_window=0))


async def use(client: Client, first: int) -> None:
    """Ask for everything that both servers have in the same places."""
    reply = await client.request(1, wire.ReadHoldingRegisters(0, 10))
    assert reply.outcome is Outcome.REPLY, reply
    assert reply.reply == wire.ReadHoldingRegistersReply(tuple(range(first, first + 10)))
    reply = await client.request(1, wire.ReadInputRegisters(5, 2))
    assert reply.reply == wire.ReadInputRegistersReply((2005, 2006))
    reply = await client.request(1, wire.ReadCoils(0, 8))
    assert reply.reply == wire.ReadCoilsReply(tuple(i % 3 == 0 for i in range(8)))
    reply = await client.request(1, wire.ReadDiscreteInputs(0, 8))
    assert reply.reply == wire.ReadDiscreteInputsReply(tuple(i % 5 == 0 for i in range(8)))
    for request in (
        wire.WriteSingleRegister(3, 77),
        wire.WriteMultipleRegisters(4, (78, 79)),
        wire.WriteSingleCoil.of(1, True),
        wire.WriteMultipleCoils(2, (True, False, True)),
        wire.MaskWriteRegister(3, 0x00F2, 0x0025),
    ):
        result = await client.request(1, request)
        assert result.outcome is Outcome.REPLY, (request, result)
    reply = await client.request(1, wire.ReadWriteMultipleRegisters(3, 3, 5, (80,)))
    masked = (77 & 0xF2) | (0x25 & ~0xF2)  # Application Protocol V1.1b3, 6.16
    assert reply.reply == wire.ReadWriteMultipleRegistersReply((masked, 78, 80))
    refused = await client.request(1, wire.ReadHoldingRegisters(5000, 1))
    assert (refused.outcome, refused.exception) == (Outcome.EXCEPTION, 2)


async def test_libmodbus_server() -> None:
    with (
        crossed_ptys() as (ours, theirs),
        running(compiled("server"), theirs, "19200", "E", "1", "1"),
    ):
        async with client_on(ours) as client:
            await use(client, 1000)
            nobody = await client.request(9, wire.ReadHoldingRegisters(0, 1))
            assert nobody.outcome is Outcome.TIMEOUT


async def test_pymodbus_server() -> None:
    def bits(step: int) -> list[bool]:
        return [index % step == 0 for index in range(96)]

    device = SimDevice(
        1,
        simdata=(
            [SimData(0, values=bits(3), datatype=DataType.BITS)],
            [SimData(0, values=bits(5), datatype=DataType.BITS)],
            [SimData(0, values=list(range(1000, 1100)), datatype=DataType.REGISTERS)],
            [SimData(0, values=list(range(2000, 2100)), datatype=DataType.REGISTERS)],
        ),
    )
    with crossed_ptys() as (ours, theirs):
        # Without parity: pymodbus sets it twice, which a pty answers with EINVAL.
        server = ModbusSerialServer(
            device, port=theirs, baudrate=19200, parity="N", stopbits=1, bytesize=8
        )
        serving = asyncio.create_task(server.serve_forever())
        try:
            async with client_on(ours) as client:
                await use(client, 1000)
        finally:
            await server.shutdown()
            serving.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await serving


@pytest.mark.parametrize("server", [9, 247])
async def test_nobody_at_an_address_is_a_time_out(server: int) -> None:
    with crossed_ptys(raw=True) as (ours, _):
        async with client_on(ours, 0.05) as client:
            result = await client.request(server, wire.ReadHoldingRegisters(0, 1))
            assert result.outcome is Outcome.TIMEOUT
            assert result.attempts == 2
