"""A station on a line in memory, in virtual time: who answers, when, and who does not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace

import pytest
from supplies import MS, Bench, S, settings

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import PortLostError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import LoopbackEnd, loopback_pair
from kerfbus.sim.device import Device
from kerfbus.sim.diagnostics import Count
from kerfbus.sim.machine import Beginning
from kerfbus.sim.orders import Order
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.station import Station, StationOptions, serve

READ = wire.ReadInputRegisters(0, 4)
LINE = LineSettings()
POLICY = Policy(response_timeout=0.5, retries=0)


def server(address: int) -> SupplyServer:
    return SupplyServer(Device(Beginning(settings=settings(address_setting=address))))


@asynccontextmanager
async def line(
    *servers: SupplyServer, options: StationOptions | None = None, echo: bool = False
) -> AsyncIterator[tuple[LoopbackEnd, Station]]:
    """Put servers on a line; yield the client's end and the station."""
    near, far = loopback_pair(echo=echo)
    station = Station(servers, far, options)
    task = asyncio.create_task(station.run())
    try:
        yield near, station
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await near.close()
        await far.close()


async def test_a_request_is_answered_after_the_silent_interval() -> None:
    async with line(server(1)) as (near, _):
        result = await Client(near, POLICY).request(1, READ)
    assert result.outcome is Outcome.REPLY
    assert result.turnaround_ns == LINE.t35_ns


@pytest.mark.parametrize("milliseconds", [0, 1, 25, 200])
async def test_the_reply_delay_comes_on_top(milliseconds: int) -> None:
    one = SupplyServer(Device(Beginning(settings=settings(reply_delay=milliseconds))))
    async with line(one) as (near, _):
        result = await Client(near, POLICY).request(1, READ)
    assert result.turnaround_ns == LINE.t35_ns + milliseconds * MS


async def test_the_turnaround_is_a_setting() -> None:
    async with line(server(1), options=StationOptions(turnaround_seconds=0.03)) as (near, _):
        result = await Client(near, POLICY).request(1, READ)
    assert result.turnaround_ns == 30 * MS
    with pytest.raises(UsageError):
        StationOptions(turnaround_seconds=-1)


async def test_each_server_has_its_own_state() -> None:
    one, two = server(1), server(2)
    async with line(one, two) as (near, _):
        client = Client(near, POLICY)
        await client.request(2, wire.WriteSingleRegister(0, 700))
        await client.request(1, wire.WriteSingleRegister(0, 800))
        assert (await client.request(3, READ)).outcome is Outcome.TIMEOUT
    assert (one.device.value("current_setpoint"), two.device.value("current_setpoint")) == (80, 70)
    # Each hears everything: three requests and the two replies.
    for each in (one, two):
        counts = each.diagnostics.counts
        assert counts[Count.SERVER_MESSAGES] == 1
    assert two.diagnostics.counts[Count.BUS_MESSAGES] >= 3


async def test_a_broadcast_reaches_all_and_nobody_answers() -> None:
    one, two = server(1), server(2)
    async with line(one, two) as (near, station):
        result = await Client(near, POLICY).request(0, wire.WriteSingleRegister(0, 650))
        assert result.outcome is Outcome.SENT
        assert await near.receive(near.clock.now() + S) is None
        assert station.replies == 0
    assert one.device.value("current_setpoint") == two.device.value("current_setpoint") == 65


async def test_a_dead_server_does_not_hurt_the_rest() -> None:
    alive, deaf = server(1), server(2)
    deaf.diagnostics.listen_only = True
    async with line(alive, deaf) as (near, _):
        client = Client(near, POLICY)
        outcomes = [(await client.request(address, READ)).outcome for address in (2, 1, 2, 1)]
    assert outcomes == [Outcome.TIMEOUT, Outcome.REPLY] * 2


async def test_a_station_does_not_answer_its_own_echo() -> None:
    # The first reply repeats its request: content alone cannot tell the echo.
    one = server(1)
    async with line(one, echo=True) as (near, station):
        await near.send(wire.adu(1, wire.WriteSingleRegister(0, 700)))
        await near.receive(near.clock.now() + 100 * MS)
        await near.receive(near.clock.now() + 2 * S)
        await near.receive(near.clock.now() + 2 * S)
        assert station.replies == 1
    assert one.diagnostics.counts[Count.SERVER_MESSAGES] == 1


async def test_a_write_that_is_repeated_is_answered_again() -> None:
    async with line(server(1)) as (near, station):
        client = Client(near, POLICY)
        for _ in range(3):
            result = await client.request(1, wire.WriteSingleRegister(0, 700))
            assert result.outcome is Outcome.REPLY
        assert station.replies == 3


async def test_damage_is_counted_and_the_next_request_answered() -> None:
    one = server(1)
    async with line(one) as (near, _):
        await near.send(b"\x01\x04\x00\x00\x00\x04\xff\xff")
        assert await near.receive(near.clock.now() + 100 * MS) is None
        await near.send(b"\x00")
        assert await near.receive(near.clock.now() + 100 * MS) is None
        result = await Client(near, POLICY).request(1, READ)
    assert result.outcome is Outcome.REPLY
    assert one.diagnostics.counts[Count.BUS_ERRORS] == 2


async def test_a_gap_inside_a_frame_spoils_it_where_time_is_exact() -> None:
    # MODBUS over Serial Line V1.02, 2.5.1.1: more than 1.5 characters of silence inside.
    one, frame = server(1), wire.adu(1, READ)
    async with line(one) as (near, station):
        end = await near.send(frame[:3])
        assert await near.receive(end + 2 * LINE.character_ns) is None
        await near.send(frame[3:])
        assert await near.receive(near.clock.now() + S) is None
        assert station.replies == 0


async def test_requests_in_one_lump_are_all_answered() -> None:
    async with line(server(1)) as (near, station):
        await near.send(wire.adu(1, READ) + wire.adu(1, wire.ReadHoldingRegisters(0, 2)))
        heard = b""
        while (chunk := await near.receive(near.clock.now() + S)) is not None:
            heard += chunk.data
    assert station.replies == 2
    assert heard.startswith(b"\x01\x04\x08")
    assert b"\x01\x03\x04\x02\x58\x02\x08" in heard


async def test_the_line_follows_the_server() -> None:
    bench = Bench(server=server(1))
    async with line(bench.server) as (near, station):
        client = Client(near, POLICY)
        await client.request(1, wire.WriteMultipleRegisters(97, (3, 2)))
        result = await client.request(1, bench.order(Order.APPLY_LINK_SETTINGS))
        assert result.outcome is Outcome.REPLY  # still at the old rate
        assert str(station.transport.settings) == "9600 8N2"
        await near.reconfigure(LineSettings.parse(9600, "8N2"))
        assert (await Client(near, POLICY).request(1, READ)).outcome is Outcome.REPLY


async def test_a_lost_port_is_told() -> None:
    near, far = loopback_pair()
    task = asyncio.create_task(serve(server(1), far))
    await asyncio.sleep(0)
    await far.close()
    with pytest.raises(PortLostError):
        await task
    await near.close()


async def test_a_frame_of_the_users_own_function_is_refused() -> None:
    async with line(server(1)) as (near, _):
        await near.send(with_crc(b"\x01\x64\x01\x02\x03"))
        chunk = await near.receive(near.clock.now() + S)
    assert chunk is not None
    assert chunk.data == with_crc(b"\x01\xe4\x01")


async def test_a_restart_that_is_said_twice_is_obeyed_twice() -> None:
    # In listen-only mode the first one is obeyed in silence; the second looks like its reply.
    one = server(1)
    one.diagnostics.listen_only = True
    restart = wire.adu(1, wire.Diagnostics(1, b"\x00\x00"))
    async with line(one) as (near, station):
        await near.send(restart)
        assert await near.receive(near.clock.now() + S) is None
        await near.send(restart)
        chunk = await near.receive(near.clock.now() + S)
    assert chunk is not None
    assert chunk.data == restart
    assert station.replies == 1


async def test_the_replies_of_others_are_not_requests() -> None:
    # Server 5 is a real unit on the same line, played by the client's end.
    one = server(1)
    write = wire.adu(5, wire.WriteSingleRegister(0, 700))
    async with line(one) as (near, station):
        for frame in (write, write, wire.adu(5, READ), wire.adu(5, wire.ExceptionReply(4, 2))):
            end = await near.send(frame)
            assert await near.receive(end + 10 * MS) is None
        assert station.replies == 0
    assert one.diagnostics.counts[Count.BUS_MESSAGES] == 4
    assert one.diagnostics.counts[Count.SERVER_MESSAGES] == 0


async def test_noise_during_the_turnaround_does_not_cost_the_reply() -> None:
    options = StationOptions(turnaround_seconds=0.05)
    async with line(server(1), options=options) as (near, _):
        end = await near.send(wire.adu(1, READ))
        assert await near.receive(end + 20 * MS) is None
        await near.send(b"\x00")
        chunk = await near.receive(near.clock.now() + S)
        assert chunk is not None
        assert chunk.at == end + 50 * MS + LINE.characters_ns(len(chunk.data))


@pytest.mark.parametrize("pace", [True, False])
async def test_where_nothing_is_paced_the_station_can_pace(pace: bool) -> None:
    near, far = loopback_pair()
    far.facts = replace(far.facts, paced=False)
    station = Station((server(1),), far, StationOptions(pace=pace))
    task = asyncio.create_task(station.run())
    result = await Client(near, POLICY).request(1, READ)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    await near.close()
    await far.close()
    assert result.turnaround_ns == (LINE.t35_ns + LINE.characters_ns(8 + 13) if pace else 0)
