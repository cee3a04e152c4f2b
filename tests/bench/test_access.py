"""Values by name over a client, against the simulated supply."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

import pytest

from kerfbus.bench import wire
from kerfbus.bench.access import (
    exception_text,
    read_values,
    reading_of,
    readings_wanted,
    write_values,
)
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.regmap import parse_target, plan_write
from kerfbus.bench.transport import Transport
from kerfbus.sim.maps import default_map

MAP = default_map()


@pytest.fixture
async def client() -> AsyncIterator[Client]:
    async with await open_port("sim:", LineSettings(), PortOptions(speed="fast")) as port:
        yield Client(port, Policy(retries=1))


def wanted(*targets: str) -> list:
    return readings_wanted(MAP, map(parse_target, targets))


async def test_read_by_name_in_the_order_asked(client: Client) -> None:
    names = ["arc_voltage", "asset_tag", "mode", "rated_current", "start_contact"]
    found = await read_values(client, 1, MAP, wanted(*names))
    assert [each.name for each in found] == names
    assert [each.value for each in found] == [0.0, "", "off", 125.0, False]
    assert [each.unit for each in found] == ["V", None, None, "A", None]
    assert all(each.at is not None and each.raw is not None for each in found)


async def test_neighbours_come_with_one_reply(client: Client) -> None:
    found = await read_values(client, 1, MAP, wanted("mode", "arc_voltage", "gas_flow"))
    assert len({each.at for each in found}) == 1


@pytest.mark.parametrize(
    ("target", "names"),
    [
        (
            "holding:0+3",
            ["current_setpoint", "cutting_pressure_setpoint", "flow_pressure_setpoint"],
        ),
        ("holding:4", ["voltage_ratio"]),
        ("holding:7", [None]),  # half of a float
        ("holding:0+6", [None]),  # a hole in it
        ("holding:64", [None]),  # can only be written
        ("coil:0+3", ["start", "gas_test", "enable"]),
    ],
)
def test_a_span_of_whole_registers_is_those(target: str, names: list[str | None]) -> None:
    assert [each.name for each in wanted(target)] == names


async def test_unmapped_words_have_no_name(client: Client) -> None:
    half, hole = await read_values(client, 1, MAP, wanted("holding:7", "holding:4+3"))
    assert (half.name, half.unit, half.value, half.raw) == (None, None, 0, (0,))
    assert (hole.name, hole.value) == (None, None)
    assert hole.problem == "server 1 refuses: exception 02, illegal data address"


async def test_a_refusal_does_not_stop_the_rest(client: Client) -> None:
    refused, good = await read_values(client, 1, MAP, wanted("input:900", "mode"))
    assert "exception 02" in refused.problem
    assert good.value == "off"


async def test_nobody_there_costs_one_wait(client: Client) -> None:
    targets = ("mode", "rated_current", "asset_tag", "start")
    found = await read_values(client, 9, MAP, wanted(*targets))
    why = "server 9 does not answer after 2 tries"
    assert {each.problem for each in found} == {why, f"not asked: {why}"}
    assert sum(each.problem == why for each in found) == 1
    assert all(each.value is None for each in found)
    waited = client.transport.clock.now() / 1e9
    assert waited < 4  # one request and its repetition, each with its wait for late replies


async def test_write_only_cannot_be_read(client: Client) -> None:
    with pytest.raises(UsageError, match="written only"):
        await read_values(client, 1, MAP, [reading_of(MAP.by_name("command"))])


@pytest.mark.parametrize(
    ("target", "before", "after"),
    [
        ("current_setpoint=45", [60.0], [45.0]),
        ("voltage_trim=1.05", [1.0], [1.05]),
        ("enable=on", [False], [True]),
        ("panel_lock=on", [False], [True]),
        ("asset_tag=ROW 3", [""], ["ROW 3"]),
        ("holding:0=450,500", [60.0, 5.2], [45.0, 5.0]),
        ("coil:1=off,on", [False, False], [False, True]),
    ],
)
async def test_write_and_read_back(
    client: Client, target: str, before: list[object], after: list[object]
) -> None:
    done = await write_values(client, 1, plan_write(MAP, parse_target(target)))
    assert [each.before and each.before.value for each in done] == before
    assert [each.after.value for each in done] == after
    assert all(each.verified and not each.problem for each in done)


async def test_what_can_only_be_written_is_not_verified(client: Client) -> None:
    (done,) = await write_values(client, 1, plan_write(MAP, parse_target("command_key=0x4B46")))
    assert (done.before, done.verified, done.problem) == (None, None, "")
    assert done.after.raw == (0x4B46,)


async def test_a_refused_write_says_why(client: Client) -> None:
    (done,) = await write_values(client, 1, plan_write(MAP, parse_target("start=on")))
    assert done.problem.startswith("server 1 refuses: exception 04")
    assert done.verified is None
    assert done.before is not None
    assert done.before.value is False


async def stubborn(line: Transport) -> None:
    """Obey every write and always hold 7."""
    while True:
        chunk = await line.receive(None)
        assert chunk is not None
        request = wire.parse_request(chunk.data[1:-2])
        if isinstance(request, wire.ReadHoldingRegisters):
            await line.send(wire.adu(1, wire.ReadHoldingRegistersReply((7,) * request.count)))
        else:
            await line.send(chunk.data)


async def test_a_write_that_does_not_stay_is_not_verified() -> None:
    near, far = loopback_pair(LineSettings(), ManualClock())
    async with near, far, asyncio.TaskGroup() as group:
        task = group.create_task(stubborn(far))
        (done,) = await write_values(Client(near), 1, plan_write(MAP, parse_target("process=3")))
        task.cancel()
    assert (done.problem, done.verified, done.after.value) == ("", False, 7)


async def test_a_broadcast_is_only_sent(client: Client) -> None:
    (done,) = await write_values(client, 0, plan_write(MAP, parse_target("current_setpoint=50")))
    assert (done.before, done.verified, done.problem) == (None, None, "")
    (found,) = await read_values(client, 1, MAP, wanted("current_setpoint"))
    assert found.value == 50.0


def test_exception_texts() -> None:
    assert exception_text(6) == "exception 06, server device busy"
    assert exception_text(0x60) == "exception 60, not in the standard"
    assert exception_text(None) == "no code"
