"""Clients of other libraries on the supply's pty, in one process; a smoke test of each."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import minimalmodbus
import pytest
from pymodbus.client import AsyncModbusSerialClient, ModbusSerialClient

from kerfbus.bench.wire import ExceptionCode
from kerfbus.sim.port import make_server
from kerfbus.sim.pty import open_pty
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.station import Station


class Exposed:
    """A supply on a pty.

    Attributes:
        path: where clients find it.
        server: the supply's server.
    """

    def __init__(self, path: Path, server: SupplyServer) -> None:
        self.path = str(path)
        self.server = server


@pytest.fixture
async def supply(tmp_path: Path) -> AsyncIterator[Exposed]:
    port = open_pty(tmp_path / "supply", make_server(1, 0, 0).settings)
    server = make_server(1, 0, port.clock.now())
    task = asyncio.create_task(Station((server,), port).run())
    yield Exposed(tmp_path / "supply", server)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await port.close()


async def test_pymodbus_async(supply: Exposed) -> None:
    client = AsyncModbusSerialClient(supply.path, baudrate=19200, timeout=5, retries=0)
    assert await client.connect()
    try:
        await client.write_registers(0, [700, 530, 410], device_id=1)
        reply = await client.read_holding_registers(0, count=3, device_id=1)
        assert reply.registers == [700, 530, 410]
        await client.write_coil(2, True, device_id=1)
        assert supply.server.device.value("enable") is True
        assert (await client.read_discrete_inputs(16, count=9, device_id=1)).bits[:3] == [True] * 3
        refused = await client.write_register(0, 9999, device_id=1)
        assert refused.exception_code == ExceptionCode.SERVER_DEVICE_FAILURE
        assert (await client.diag_read_bus_message_count(device_id=1)).message == 6
        log = await client.diag_get_comm_event_log(device_id=1)
        assert log.event_count == 5
        identity = await client.read_device_information(read_code=1, device_id=1)
        assert identity.information[1] == b"BENCH-125"
    finally:
        client.close()


async def test_pymodbus_sync(supply: Exposed) -> None:
    def talk() -> list[int]:
        client = ModbusSerialClient(supply.path, baudrate=19200, timeout=5, retries=0)
        assert client.connect()
        try:
            client.write_register(0, 700, device_id=1)
            reply = client.readwrite_registers(
                read_address=0, read_count=2, write_address=1, values=[500], device_id=1
            )
            return list(reply.registers)
        finally:
            client.close()

    assert await asyncio.to_thread(talk) == [700, 500]


async def test_minimalmodbus(supply: Exposed) -> None:
    def talk() -> tuple[float, float, str, list[int]]:
        unit = minimalmodbus.Instrument(supply.path, 1)
        unit.serial.timeout = 5
        try:
            unit.write_register(0, 70.0, number_of_decimals=1, functioncode=6)
            unit.write_float(6, 1.05)
            return (
                unit.read_register(0, 1),
                round(unit.read_float(6), 6),
                unit.read_string(520, 8, functioncode=4).rstrip("\0"),
                unit.read_bits(16, 9, functioncode=2),
            )
        finally:
            unit.serial.close()

    found = await asyncio.to_thread(talk)
    assert found == (70.0, 1.05, "BENCH-125", [1, 1, 1, 0, 1, 1, 1, 1, 1])


async def test_minimalmodbus_is_refused_as_it_should_be(supply: Exposed) -> None:
    def talk() -> None:
        unit = minimalmodbus.Instrument(supply.path, 1)
        unit.serial.timeout = 0.3  # it waits that long for what an exception does not have
        try:
            with pytest.raises(minimalmodbus.IllegalRequestError):
                unit.read_register(60000)
            with pytest.raises(minimalmodbus.SlaveReportedException):
                unit.write_register(0, 9999, functioncode=6)
            unit.address = 9
            with pytest.raises(minimalmodbus.NoResponseError):
                unit.read_register(0)
        finally:
            unit.serial.close()

    await asyncio.to_thread(talk)
