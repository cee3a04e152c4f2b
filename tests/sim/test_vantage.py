"""What a client on a simulated line does at once is what it does when it waits."""

from __future__ import annotations

import asyncio
from pathlib import Path

from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from kerfbus.bench import wire
from kerfbus.bench.capture import LineEvent, read_capture
from kerfbus.bench.client import Client, Policy
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.ports import open_port
from kerfbus.bench.recorder import recorded
from kerfbus.bench.transport import Chunk, LineCounters, LineEventKind, Through, Transport
from kerfbus.sim.vantage import YIELD_EVERY

MS = 1_000_000
POLL = wire.ReadInputRegisters(0, 10)
REQUESTS: tuple[wire.Request, ...] = (
    POLL,
    wire.ReadInputRegisters(0, 30),
    wire.ReadInputRegisters(777, 1),
    wire.ReadHoldingRegisters(0, 3),
    wire.ReadCoils(0, 3),
    wire.WriteSingleRegister(0, 700),
    wire.WriteSingleRegister(0, 65535),
    wire.WriteMultipleCoils(0, (True,)),
    wire.Diagnostics(10, b"\0\0"),
    wire.RawRequest(0x41, b"\1\2"),
)
ASKED = st.tuples(st.sampled_from([1, 1, 1, 1, 2]), st.sampled_from(REQUESTS))
BROADCAST = st.just((0, wire.WriteSingleRegister(0, 650)))
PAUSES = st.sampled_from([0, 0, 0, 1, 700])
SCRIPTS = st.lists(st.tuples(ASKED | BROADCAST, PAUSES, st.booleans()), min_size=1, max_size=12)
Script = list[tuple[tuple[int, wire.Request], int, bool]]
"""Whom to ask what, milliseconds to wait before, and whether other characters go out first."""


class Counting(Through):
    """Passes on what can be done at once, and counts it."""

    done = 0

    def send_at_once(self, data: bytes, silent_until: int) -> int | None:
        sent = self._inner.send_at_once(data, silent_until)
        self.done += sent is not None
        return sent

    def receive_at_once(self, until: int) -> Chunk | None:
        return self._inner.receive_at_once(until)


async def play(script: Script, path: Path, *, quick: bool) -> tuple[list[object], int]:
    """Return what came of a script, and how many requests went out at once; record it."""
    port = await open_port("sim:", LineSettings(), PortOptions(speed="fast"))
    inner = Counting(port) if quick else Through(port)
    found: list[object] = []
    async with recorded(inner, path, "client", overwrite=True) as line:
        client = Client(line, Policy(response_timeout=0.1, late_window=0.0, retries=1))
        for (server, request), pause, noise in script:
            await line.clock.sleep_until(line.clock.now() + pause * MS)
            if noise:
                await line.send(b"\1\2\3")
            found += [await client.request(server, request), line.clock.now()]
    return found, inner.done if isinstance(inner, Counting) else 0


@given(SCRIPTS)
@examples(max_examples=25, deadline=None)
def test_at_once_or_not_the_same_comes_of_it(tmp_path_factory, script: Script) -> None:  # type: ignore[no-untyped-def]
    folder = tmp_path_factory.mktemp("line")
    quick, _ = asyncio.run(play(script, folder / "quick.pcapng", quick=True))
    long, _ = asyncio.run(play(script, folder / "long.pcapng", quick=False))
    assert quick == long
    assert (folder / "quick.pcapng").read_bytes() == (folder / "long.pcapng").read_bytes()


async def test_a_poll_is_done_at_once_but_for_the_turns_of_others(tmp_path: Path) -> None:
    """A test that compares a way with itself says nothing."""
    count = 10 * YIELD_EVERY
    script: Script = [((1, POLL), 0, False)] * count
    _, done = await play(script, tmp_path / "a.pcapng", quick=True)
    assert count - count // 8 < done <= count


def at_once(port: Transport) -> bool:
    return port.send_at_once(wire.adu(1, POLL), port.clock.now()) is not None


async def test_nothing_is_done_at_once_where_something_is_heard_before_or_somebody_waits() -> None:
    async with await open_port("sim:", LineSettings(), PortOptions(speed="fast")) as port:
        assert port.receive_at_once(10**12) is None
        assert at_once(port)
        now = port.clock.now()
        assert not at_once(port)  # the reply is on its way
        assert port.receive_at_once(now) is None
        assert port.clock.now() == now
        assert port.receive_at_once(10**12) is not None
        waiting = asyncio.create_task(port.receive(None))
        await asyncio.sleep(0)
        assert not at_once(port)
        await port.send(wire.adu(1, POLL))
        assert await waiting is not None
    assert not at_once(port)
    assert port.receive_at_once(10**12) is None


async def test_in_real_time_nothing_is_done_at_once() -> None:
    async with await open_port("sim:", LineSettings(), PortOptions(speed="real")) as port:
        assert not at_once(port)
        assert port.receive_at_once(port.clock.now()) is None


async def test_callers_in_a_hurry_pass_nobody_by() -> None:
    """Requests are served in the order of the calls, at once or not."""
    called: list[int] = []
    served: list[int] = []

    async def poll(client: Client) -> None:
        for _ in range(3 * YIELD_EVERY):
            number = len(called)
            called.append(number)
            assert (await client.request(1, POLL)).ok
            served.append(number)

    async with await open_port("sim:", LineSettings(), PortOptions(speed="fast")) as port:
        client = Client(port)
        await asyncio.gather(poll(client), poll(client))
    assert served == called


async def test_a_client_that_polls_lets_others_run() -> None:
    turns = 0

    async def count() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    async with await open_port("sim:", LineSettings(), PortOptions(speed="fast")) as port:
        client, task = Client(port), asyncio.create_task(count())
        for _ in range(10 * YIELD_EVERY):
            await client.request(1, POLL)
        task.cancel()
    assert turns >= 10


class Dropping(Counting):
    """A host that loses a character with each request."""

    def counters(self) -> LineCounters:
        return LineCounters(dropped=self.done)


async def test_what_the_host_drops_is_recorded_at_once_as_well(tmp_path: Path) -> None:
    path = tmp_path / "a.pcapng"
    port = Dropping(await open_port("sim:", LineSettings(), PortOptions(speed="fast")))
    async with recorded(port, path, "client") as line:
        for _ in range(2):
            assert at_once(line)
            assert line.receive_at_once(10**12) is not None
            await line.clock.sleep_until(line.clock.now() + 1500 * MS)
    events = [each for each in read_capture(path).records if isinstance(each, LineEvent)]
    dropped = [each.value for each in events if each.kind is LineEventKind.DROPPED]
    assert dropped == [1, 1]
