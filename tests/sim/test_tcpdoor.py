"""One TCP port for RTU frames and for Modbus TCP."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest
from pymodbus import FramerType
from pymodbus.client import AsyncModbusTcpClient

from kerfbus.bench import wire
from kerfbus.bench.transport import Transport
from kerfbus.sim.endpoint import Endpoint
from kerfbus.sim.port import make_server
from kerfbus.sim.tcpdoor import Speech, TcpDoor, mbap_size, told_apart

REQUESTS = [
    wire.ReadCoils(0, 5),
    wire.ReadInputRegisters(0, 2),
    wire.ReadHoldingRegisters(0, 10),
    wire.WriteSingleRegister(0, 450),
    wire.WriteSingleCoil(2, True),
    wire.WriteMultipleRegisters(0, (450, 520, 400)),
    wire.ReadExceptionStatus(),
    wire.ReportServerId(),
    wire.ReadDeviceIdentification(1, 0),
]


def mbap(transaction: int, unit: int, request: wire.Request) -> bytes:
    """Return a message of Modbus TCP."""
    rest = bytes((unit,)) + wire.build(request)
    return transaction.to_bytes(2, "big") + b"\0\0" + len(rest).to_bytes(2, "big") + rest


@pytest.mark.parametrize("request_", REQUESTS, ids=lambda each: type(each).__name__)
def test_first_requests_are_told_apart(request_: wire.Request) -> None:
    assert told_apart(wire.adu(1, request_)) is Speech.RTU
    wrong = [n for n in range(0, 0x10000, 7) if told_apart(mbap(n, 1, request_)) is not Speech.MBAP]
    assert wrong == []


@pytest.mark.parametrize("request_", REQUESTS, ids=lambda each: type(each).__name__)
def test_a_part_of_a_request_decides_nothing(request_: wire.Request) -> None:
    for whole in (wire.adu(1, request_), mbap(1, 1, request_)):
        assert {told_apart(whole[:end]) for end in range(1, len(whole))} == {None}


def test_several_requests_at_once_are_told_apart() -> None:
    both = REQUESTS[0], REQUESTS[1]
    assert told_apart(b"".join(wire.adu(1, each) for each in both)) is Speech.RTU
    assert told_apart(b"".join(mbap(7, 1, each) for each in both)) is Speech.MBAP
    assert told_apart(b"\xa5" * 300) is Speech.RTU


@pytest.mark.parametrize(
    ("data", "size"),
    [
        ("0001", 0),
        ("000100", 0),
        ("000101", None),
        ("0001000000", 0),
        ("00010000000601", 0),
        ("000100000002010b", 8),
        ("000100000002010b00", 8),
        ("0001000000010b", None),
        ("0001000000ff", None),
    ],
)
def test_size_of_a_message(data: str, size: int | None) -> None:
    assert mbap_size(bytes.fromhex(data)) == size


@pytest.fixture
async def door() -> AsyncIterator[TcpDoor]:
    wrapped: list[Transport] = []

    def wrap(transport: Transport) -> Transport:
        wrapped.append(transport)
        return transport

    server = make_server(1, 0, 0)
    async with TcpDoor((server,), Endpoint("127.0.0.1", 0), wrap=wrap) as door:
        door.wrapped = wrapped  # type: ignore[attr-defined]
        yield door


async def test_pymodbus_gets_its_values_in_both_ways(door: TcpDoor) -> None:
    for framer in (FramerType.SOCKET, FramerType.RTU):
        client = AsyncModbusTcpClient("127.0.0.1", port=door.endpoint.port, framer=framer)
        assert await client.connect()
        try:
            for _ in range(3):
                reply = await client.read_holding_registers(0, count=3, device_id=1)
                assert reply.registers == [600, 520, 400]
            refused = await client.read_holding_registers(500, count=1, device_id=1)
            assert refused.exception_code == 2
        finally:
            client.close()
    assert len(door.wrapped) == 1  # type: ignore[attr-defined]


async def talk(door: TcpDoor, *parts: bytes) -> bytes:
    """Send parts one after another and return what comes before the server closes or is silent."""
    reader, writer = await asyncio.open_connection("127.0.0.1", door.endpoint.port)
    for part in parts:
        writer.write(part)
        await writer.drain()
        await asyncio.sleep(0.01)
    writer.write_eof()
    answer = await reader.read()
    writer.close()
    await writer.wait_closed()
    return answer


async def test_glued_and_torn_messages_are_all_answered(door: TcpDoor) -> None:
    one, two = mbap(1, 1, wire.ReadHoldingRegisters(0, 1)), mbap(2, 1, wire.ReadCoils(0, 1))
    whole = await talk(door, one + two)
    assert whole.hex() == "0001000000050103020258" + "00020000000401010100"
    assert await talk(door, one[:3], one[3:] + two[:7], two[7:]) == whole


async def test_out_of_step_ends_the_connection(door: TcpDoor) -> None:
    good = mbap(1, 1, wire.ReadHoldingRegisters(0, 1))
    assert len(await talk(door, good + b"\xff" * 20)) == 11
    assert await talk(door, good) != b""  # others are served as before


async def test_a_client_that_says_nothing_disturbs_nobody(door: TcpDoor) -> None:
    assert await talk(door) == b""
    assert await talk(door, wire.adu(1, wire.ReadCoils(0, 1))) == wire.adu(
        1, wire.ReadCoilsReply.padded((False,))
    )
