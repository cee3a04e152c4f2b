"""The transport with a reader thread: the path of Windows and of RFC 2217, here over sockets."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

import pytest
from portcables import SETTINGS, Relay, wait_until

from kerfbus.bench import threadedport
from kerfbus.bench.clock import SystemClock
from kerfbus.bench.errors import PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port
from kerfbus.bench.serialport import open_socket_threaded
from kerfbus.bench.threadedport import ThreadedPort
from kerfbus.bench.transport import PortFacts


@pytest.fixture
async def relay() -> AsyncIterator[Relay]:
    with Relay() as made:
        yield made


def readers() -> list[threading.Thread]:
    return [thread for thread in threading.enumerate() if thread.name.startswith("reader ")]


async def test_close_ends_the_thread(relay: Relay) -> None:
    port = await open_socket_threaded(relay.url, SETTINGS)
    assert [thread.name for thread in readers()] == [f"reader {relay.url}"]
    await asyncio.gather(port.close(), port.close())
    assert readers() == []


async def test_a_close_that_is_cancelled_goes_on(relay: Relay) -> None:
    port = await open_socket_threaded(relay.url, SETTINGS)
    closing = asyncio.ensure_future(port.close())
    await asyncio.sleep(0)
    closing.cancel()
    await asyncio.gather(closing, return_exceptions=True)
    await wait_until(lambda: not readers())
    await port.close()


async def test_a_loss_ends_the_thread_and_what_came_before_is_kept(relay: Relay) -> None:
    async with await open_socket_threaded(relay.url, SETTINGS) as port:
        far = await relay.accept()
        far.sendall(b"last words")
        await relay.drop()
        await wait_until(lambda: not readers())
        data = b""
        while len(data) < 10:
            chunk = await port.receive(0)
            assert chunk is not None
            data += chunk.data
        assert data == b"last words"
        with pytest.raises(PortLostError, match=f"^{relay.url}: the other side closed it"):
            await port.receive(None)


@dataclass
class Far:
    """A port whose every step a test decides: for what no real port does on demand."""

    name: str = "far"
    settings: LineSettings = SETTINGS
    arrived: list[bytes] = field(default_factory=list)
    closed: bool = False
    gone: bool = False
    refuses: bool = False
    more: threading.Event = field(default_factory=threading.Event)

    def read(self) -> bytes:
        if self.arrived:
            return self.arrived.pop(0)
        if self.gone:
            raise PortLostError(self.name, "unplugged")
        self.more.wait(0.01)
        return b""

    def write(self, data: bytes) -> None:
        if self.gone:
            raise PortLostError(self.name, "unplugged")

    def apply(self, settings: LineSettings) -> None:
        if self.refuses:
            raise PortError(self.name, f"it does not take {settings}")
        self.settings = settings

    def facts(self) -> PortFacts:
        return PortFacts(paced=True)

    def uncertainty_ns(self) -> int:
        return self.settings.character_ns

    def close(self) -> None:
        assert not readers(), "pyserial must not be closed under a read"
        self.closed = True


async def test_what_nobody_fetches_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(threadedport, "HOLD_LIMIT", 1000)
    far = Far(arrived=[bytes(600)] * 10)
    async with ThreadedPort(far, SystemClock()) as port:
        await wait_until(lambda: port._held > 1000)
        assert len(far.arrived) == 8, "the thread stops until something is fetched"
        for _ in range(10):
            chunk = await port.receive(None)
            assert chunk is not None
            assert chunk.data == bytes(600)


async def test_a_send_that_fails_takes_nothing_from_what_had_arrived() -> None:
    far = Far(arrived=[b"1", b"2"], gone=True)
    async with ThreadedPort(far, SystemClock()) as port:
        with pytest.raises(PortLostError, match=r"^far: unplugged$"):
            await port.send(b"x")
        assert [(await port.receive(None)) is not None for _ in range(2)] == [True, True]
        with pytest.raises(PortLostError, match=r"^far: unplugged$"):
            await port.receive(None)
        with pytest.raises(PortLostError, match=r"^far: unplugged$"):
            await port.reconfigure(SETTINGS)
    assert far.closed


async def test_settings_and_what_hangs_on_them() -> None:
    far = Far()
    async with ThreadedPort(far, SystemClock()) as port:
        wanted = LineSettings(9600)
        await port.reconfigure(wanted)
        assert (port.settings, port.uncertainty_ns) == (wanted, wanted.character_ns)
        far.refuses = True
        with pytest.raises(PortError, match="does not take"):
            await port.reconfigure(SETTINGS)
        assert port.settings == wanted
        end = await port.send(b"1234")
        assert await port.send(b"1234") - end == wanted.characters_ns(4)


async def test_two_tasks_in_receive_are_told() -> None:
    async with ThreadedPort(Far(), SystemClock()) as port:
        first = asyncio.ensure_future(port.receive(None))
        await asyncio.sleep(0)
        with pytest.raises(RuntimeError, match=r"^far: two tasks in receive at once$"):
            await port.receive(None)
        first.cancel()


def test_a_loop_that_ends_without_a_close_leaves_a_thread_that_is_quiet() -> None:
    far = Far()
    ports: list[ThreadedPort] = []

    async def forgetful() -> None:
        ports.append(ThreadedPort(far, SystemClock()))

    asyncio.run(forgetful())
    far.arrived.append(b"nobody hears this")
    far.gone = True
    ports[0]._thread.join(10)
    assert readers() == []


async def test_an_open_that_is_cancelled_closes_what_it_opens_later(relay: Relay) -> None:
    opening = asyncio.ensure_future(open_port(relay.url, SETTINGS))
    await asyncio.sleep(0)
    opening.cancel()
    await asyncio.gather(opening, return_exceptions=True)
    assert opening.cancelled()
    far = await relay.accept()
    async with asyncio.timeout(5):
        assert await asyncio.get_running_loop().sock_recv(far, 10) == b"", "it was closed again"
