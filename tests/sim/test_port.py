"""The scheme ``sim:``: exact, repeatable, in virtual and in wall time, from each vantage."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Coroutine
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Policy
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.conversation import Conversation, Role
from kerfbus.bench.errors import (
    PortLostError,
    PortMissingError,
    ScenarioError,
    SettingsError,
    UsageError,
)
from kerfbus.bench.framing import Framer
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import PortOptions, open_port
from kerfbus.bench.transport import Chunk, Transport
from kerfbus.sim.link import COMMAND_KEY
from kerfbus.sim.maps import default_map
from kerfbus.sim.orders import Order
from kerfbus.sim.scenario import scenario_text
from kerfbus.sim.sequence import Mode
from kerfbus.sim.vantage import ClientTransport

LINE = LineSettings()
READ = wire.ReadInputRegisters(0, 10)
FRAME = wire.adu(1, READ)
POLICY = Policy(response_timeout=0.5, retries=0)
S = 1_000_000_000


async def opened(**options: Any) -> Transport:
    return await open_port("sim:", LINE, PortOptions(**{"speed": "fast", **options}))


def at_once(call: Coroutine[Any, Any, Any]) -> Any:
    """Run a coroutine that must not suspend."""
    try:
        call.send(None)
    except StopIteration as done:
        return done.value
    raise AssertionError("it suspended")


# --- client --------------------------------------------------------------------------------------


async def test_a_transaction_takes_the_time_of_the_wire() -> None:
    async with await opened() as port:
        result = await Client(port, POLICY).request(1, READ)
        assert isinstance(port.clock, ManualClock)
    assert result.outcome is Outcome.REPLY
    assert result.sent_at == LINE.characters_ns(8)
    assert result.turnaround_ns == LINE.t35_ns
    assert result.at == LINE.characters_ns(8) + LINE.t35_ns + LINE.characters_ns(25)


async def test_nothing_suspends_when_something_is_due() -> None:
    async with await opened() as port:
        for _ in range(20):
            end = at_once(port.send(FRAME))
            chunk = at_once(port.receive(end + S))
            assert len(chunk.data) == 25
            assert at_once(port.receive(chunk.at + S)) is None


async def test_other_tasks_get_their_turn() -> None:
    turns = 0

    async def count() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    async with await opened() as port:
        task = asyncio.create_task(count())
        for _ in range(1000):
            await port.receive(await port.send(FRAME) + S)
        task.cancel()
    assert turns >= 10


async def run(seed: int) -> list[Chunk]:
    async with await opened(seed=seed, vantage="tap") as port:
        return [chunk async for chunk in everything(port, 20 * S)]


async def everything(port: Transport, until: int):  # type: ignore[no-untyped-def]
    while (chunk := await port.receive(until)) is not None:
        yield chunk


async def test_the_same_seed_gives_the_same_bytes_at_the_same_instants() -> None:
    one, two, other = await run(3), await run(3), await run(4)
    assert one == two
    assert [chunk.at for chunk in one] == [chunk.at for chunk in other]
    assert one != other


async def test_a_request_in_parts_is_answered() -> None:
    async with await opened() as port:
        await port.send(FRAME[:5])
        end = await port.send(FRAME[5:])
        chunk = await port.receive(end + S)
        assert chunk is not None
        assert chunk.at == end + LINE.t35_ns + LINE.characters_ns(25)


async def test_a_request_torn_by_silence_is_not() -> None:
    async with await opened() as port:
        end = await port.send(FRAME[:5])
        assert await port.receive(end + 3 * LINE.character_ns) is None
        end = await port.send(FRAME[5:])
        assert await port.receive(end + S) is None
        end = await port.send(FRAME)
        assert await port.receive(end + S) is not None


async def test_damage_is_counted_by_the_server() -> None:
    async with await opened() as port:
        assert isinstance(port, ClientTransport)
        end = await port.send(b"\x01\x02")
        assert await port.receive(end + S) is None
        result = await Client(port, POLICY).request(1, wire.ReadInputRegisters(777, 1))
        assert result.reply == wire.ReadInputRegistersReply((1,))


async def test_broadcasts_and_foreign_addresses_are_met_with_silence() -> None:
    async with await opened() as port:
        client = Client(port, POLICY)
        assert (await client.request(0, wire.WriteSingleRegister(0, 700))).outcome is Outcome.SENT
        assert (await client.request(2, READ)).outcome is Outcome.TIMEOUT
        result = await client.request(1, wire.ReadHoldingRegisters(0, 1))
        assert result.reply == wire.ReadHoldingRegistersReply((700,))


async def test_the_address_is_an_option() -> None:
    async with await opened(address=17) as port:
        assert (await Client(port, POLICY).request(17, READ)).outcome is Outcome.REPLY
        assert (await Client(port, POLICY).request(1, READ)).outcome is Outcome.TIMEOUT
    with pytest.raises(SettingsError):
        await opened(address=248)


@pytest.mark.parametrize("text", ["8N1", "8N2", "8O1"])
async def test_at_a_wrong_format_the_supply_is_silent_and_unmoved(text: str) -> None:
    wrong = LineSettings.parse(19200, text)
    async with await open_port("sim:", wrong, PortOptions(speed="fast")) as port:
        client = Client(port, POLICY)
        assert (await client.request(1, wire.WriteSingleRegister(0, 700))).outcome is (
            Outcome.TIMEOUT
        )
        await port.reconfigure(LINE)
        result = await Client(port, POLICY).request(1, wire.ReadHoldingRegisters(0, 1))
        assert result.reply == wire.ReadHoldingRegistersReply((600,))


async def test_a_closed_port_is_lost_after_what_was_heard() -> None:
    port = await opened()
    await port.send(FRAME)
    await port.close()
    await port.close()
    assert await port.receive(10 * S) is not None
    for _ in range(2):
        with pytest.raises(PortLostError):
            await port.receive(20 * S)
    with pytest.raises(PortLostError):
        await port.send(FRAME)


@pytest.mark.parametrize("speed", ["fast", "real"])
async def test_a_receive_without_limit_wakes_by_a_send_and_by_closing(speed: str) -> None:
    port = await opened(speed=speed)
    waiting = asyncio.create_task(port.receive(None))
    await asyncio.sleep(0)
    await port.send(FRAME)
    chunk = await waiting
    assert chunk is not None
    waiting = asyncio.create_task(port.receive(None))
    await asyncio.sleep(0)
    await port.close()
    with pytest.raises(PortLostError):
        await waiting


async def test_cancelling_loses_nothing() -> None:
    async with await opened(speed="real") as port:
        await port.send(FRAME)
        waiting = asyncio.create_task(port.receive(None))
        await asyncio.sleep(0)
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        chunk = await port.receive(port.clock.now() + 10 * S)
        assert chunk is not None
        assert len(chunk.data) == 25


async def test_in_real_time_nothing_comes_before_its_time() -> None:
    async with await opened(speed="real") as port:
        assert port.clock.kind == "wall"
        begin = port.clock.now()
        end = await port.send(FRAME)
        assert end >= begin + LINE.characters_ns(8)
        assert await port.receive(end + LINE.t35_ns) is None
        chunk = await port.receive(end + 10 * S)
        assert chunk is not None
        assert chunk.at == end + LINE.t35_ns + LINE.characters_ns(25)
        assert port.clock.now() >= chunk.at


async def test_a_scenario_that_there_is_not() -> None:
    with pytest.raises(PortMissingError, match=r"^sim:storm: there is no such scenario; there"):
        await open_port("sim:storm", LINE)


# --- scenarios -----------------------------------------------------------------------------------


async def test_a_scenario_by_name_has_its_own_addresses() -> None:
    async with await open_port("sim:two-supplies", LINE, PortOptions(speed="fast")) as port:
        client = Client(port, POLICY)
        for address in (1, 2):
            assert (await client.request(address, READ)).outcome is Outcome.REPLY
        assert (await client.request(3, READ)).outcome is Outcome.TIMEOUT


async def test_a_scenario_by_path_has_its_own_line(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    text = scenario_text("clean-table").replace("[[supply]]", "[line]\nbaud = 9600\n[[supply]]")
    file.write_text(text.replace("address = 1", "address = 9"))
    fast = PortOptions(speed="fast")
    async with await open_port(f"sim:{file}", LineSettings(9600), fast) as port:
        assert (await Client(port, POLICY).request(9, READ)).outcome is Outcome.REPLY
    async with await open_port(f"sim:{file}", LINE, fast) as port:
        assert (await Client(port, POLICY).request(9, READ)).outcome is Outcome.TIMEOUT
    file.write_text(text.replace("address = 1", "address = 999"))
    with pytest.raises(ScenarioError, match=r"mine\.toml: line \d+: supply 999\.address: 999 is"):
        await open_port(f"sim:{file}", LINE, fast)
    with pytest.raises(ScenarioError, match=r"none\.toml: there is no such file"):
        await open_port(f"sim:{tmp_path / 'none.toml'}", LINE, fast)


async def test_in_a_scenario_things_happen_to_a_client_of_ones_own() -> None:
    """The controller is outside: it starts over the link, the torch follows, a defect comes."""
    words = {each.name: each.address for each in default_map().registers}
    async with await open_port("sim:worn-electrode", LINE, PortOptions(speed="fast")) as port:
        client = Client(port, POLICY)

        async def write(address: int, *values: int) -> None:
            result = await client.request(1, wire.WriteMultipleRegisters(address, values))
            assert result.outcome is Outcome.REPLY, result

        await client.request(1, READ)
        await write(words["start_source"], 1)
        await client.request(1, wire.WriteMultipleCoils(words["enable"], (True,)))
        await port.clock.sleep_until(2 * S)
        await write(words["command_key"], COMMAND_KEY, Order.ARM_LINK)
        await write(words["command_key"], COMMAND_KEY, Order.NONE, 1)
        modes, wear = set(), 0
        for _ in range(200):
            result = await client.request(1, wire.ReadInputRegisters(words["status"], 13))
            assert isinstance(result.reply, wire.ReadInputRegistersReply)
            modes.add(result.reply.values[words["mode"]])
        result = await client.request(1, wire.ReadInputRegisters(words["electrode_wear"], 1))
        assert isinstance(result.reply, wire.ReadInputRegistersReply)
        (wear,) = result.reply.values
    assert Mode.CUTTING in modes
    assert wear > 900


async def test_a_tap_on_a_scenario_hears_its_controllers() -> None:
    async def heard(seed: int) -> list[Chunk]:
        options = PortOptions(speed="fast", vantage="tap", seed=seed)
        async with await open_port("sim:two-supplies", LINE, options) as port:
            with pytest.raises(UsageError, match="a tap sends nothing"):
                await port.send(FRAME)
            return [chunk async for chunk in everything(port, 20 * S)]

    chunks = await heard(0)
    assert chunks == await heard(0)
    assert chunks != await heard(7)
    framer, talk = Framer(LINE, "exact"), Conversation("tap", LINE, paced=True)
    roles: Counter[tuple[Role, int]] = Counter()
    for chunk in chunks:
        for piece in framer.receive(chunk.data, chunk.at):
            message = talk.inbound(piece)
            assert not message.errors
            roles[message.role, piece.data[0]] += 1
    assert roles[Role.REQUEST, 1] == roles[Role.REPLY, 1] > 100
    assert roles[Role.REQUEST, 2] == roles[Role.REPLY, 2] > 100


async def test_a_tap_on_a_scenario_without_a_table_hears_nothing(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("title = 'x'\n[[supply]]\n")
    options = PortOptions(speed="fast", vantage="tap")
    async with await open_port(f"sim:{file}", LINE, options) as port:
        assert await port.receive(5 * S) is None
        assert port.clock.now() == 5 * S


async def test_in_real_time_a_scenario_keeps_pace() -> None:
    options = PortOptions(vantage="tap")
    async with await open_port("sim:clean-table", LINE, options) as port:
        for _ in range(4):
            chunk = await port.receive(port.clock.now() + 10 * S)
            assert chunk is not None
            assert chunk.at <= port.clock.now()


async def test_as_a_server_in_a_scenario_the_caller_has_its_first_address(tmp_path: Path) -> None:
    file = tmp_path / "mine.toml"
    file.write_text("title = 'x'\n[[supply]]\naddress = 42\n")
    options = PortOptions(speed="fast", vantage="server")
    async with await open_port(f"sim:{file}", LINE, options) as port:
        chunk = await port.receive(None)
        assert chunk is not None
        assert chunk.data[0] == 42


# --- tap -----------------------------------------------------------------------------------------


async def test_a_tap_hears_a_controller_and_a_supply_talk() -> None:
    framer, talk = Framer(LINE, "exact"), Conversation("tap", LINE, paced=True)
    questions: dict[int, bytes] = {}
    answered, exceptions, modes = 0, 0, []
    async with await opened(vantage="tap") as port:
        async for chunk in everything(port, 40 * S):
            for piece in framer.receive(chunk.data, chunk.at, chunk.errors):
                message = talk.inbound(piece)
                assert not message.errors
                if message.role is Role.REQUEST:
                    assert message.number is not None
                    questions[message.number] = piece.data
                    continue
                assert message.pairs_with is not None
                question = wire.parse_request(questions[message.pairs_with][1:-2])
                reply = wire.parse_reply(piece.data[1:-2])
                answered += 1
                exceptions += isinstance(reply, wire.ExceptionReply)
                if question == wire.ReadInputRegisters(0, 8):
                    assert isinstance(reply, wire.ReadInputRegistersReply)
                    modes.append(reply.values[2])
    assert len(questions) == answered > 300
    assert exceptions == 0
    # The table's own round: idle, pre-flow, ..., cutting (9), post-flow (11), and again.
    assert {2, 9, 11} <= set(modes)
    assert not {0, 12} & set(modes[20:])


async def test_a_tap_sends_nothing() -> None:
    async with await opened(vantage="tap") as port:
        with pytest.raises(UsageError, match="a tap sends nothing"):
            await port.send(FRAME)


async def test_bursts_on_a_tap_do_not_overlap() -> None:
    chunks = await run(0)
    for one, two in pairwise(chunks):
        begin = two.at - LINE.characters_ns(len(two.data))
        assert begin >= one.at + LINE.t35_ns


async def test_a_tap_in_real_time() -> None:
    async with await opened(vantage="tap", speed="real") as port:
        for _ in range(3):
            chunk = await port.receive(port.clock.now() + 10 * S)
            assert chunk is not None
            assert chunk.at <= port.clock.now()


# --- server --------------------------------------------------------------------------------------


async def test_as_a_server_the_caller_is_asked() -> None:
    async with await opened(vantage="server", address=5) as port:
        for _ in range(50):
            chunk = await port.receive(None)
            assert chunk is not None
            assert chunk.data[0] == 5
            wire.parse_request(chunk.data[1:-2])
            end = await port.send(b"\x05\x84\x04\x00\x00")
            assert end == chunk.at + LINE.characters_ns(5)
