"""RFC 2217 against a real server: ser2net, which serves a pty.

The numbers and the order of negotiation are those of RFC 2217 (G. Clark, October 1997); that both
ends agree on them is what these tests show.
"""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from portcables import SETTINGS, Cable, Ser2net, ser2net, wait_until

from kerfbus.bench.errors import NotAPortError, PortBusyError, PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import SamePort, open_port
from kerfbus.bench.reopen import BackOff, ReopeningTransport
from kerfbus.bench.threadedport import ThreadedPort
from kerfbus.bench.transport import LineEventKind, Transport


@pytest.fixture
async def cable() -> AsyncIterator[Cable]:
    with Cable() as made:
        yield made


@pytest.fixture
async def server(cable: Cable, tmp_path: Path) -> AsyncIterator[Ser2net]:
    async with ser2net(cable.near, tmp_path) as running:
        yield running


async def heard(transport: Transport, count: int) -> bytes:
    data = b""
    async with asyncio.timeout(10):
        while len(data) < count:
            chunk = await transport.receive(None)
            assert chunk is not None
            data += chunk.data
    return data


def rate_in_force(path: str) -> tuple[int, int]:
    """Return the input and output rate of a device as termios codes."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        attributes = termios.tcgetattr(fd)
    finally:
        os.close(fd)
    return attributes[4], attributes[5]


async def test_every_value_passes_both_ways(cable: Cable, server: Ser2net) -> None:
    """FF is doubled on the way (Telnet's IAC) and single again at both ends."""
    values = bytes(range(256)) + b"\xff\xff\x00\xff"
    async with (
        await open_port(server.url, SETTINGS) as port,
        await open_port(cable.far, SETTINGS) as device,
    ):
        await port.send(values)
        assert await heard(device, len(values)) == values
        await device.send(values)
        assert await heard(port, len(values)) == values


async def test_settings_are_put_into_force_at_the_far_end(cable: Cable, server: Ser2net) -> None:
    async with await open_port(server.url, LineSettings(9600, 8, "N", 1)) as port:
        assert rate_in_force(cable.near) == (termios.B9600, termios.B9600)
        await port.reconfigure(LineSettings(115200, 8, "E", 2))
        assert rate_in_force(cable.near) == (termios.B115200, termios.B115200)
        assert port.settings == LineSettings(115200, 8, "E", 2)


async def test_what_it_cannot_say_it_says(server: Ser2net) -> None:
    async with await open_port(server.url, SETTINGS) as port:
        assert isinstance(port, ThreadedPort)
        assert port.counters() is None
        assert port.facts.reports_errors is False
        assert port.facts.counters is False
        assert port.facts.exclusive is None
        assert port.facts.paced is None, "a wire may be behind it, or a pty"
        assert port.facts.identity == server.url
        assert any(note.startswith("line errors are not reported") for note in port.facts.notes)


async def test_a_send_is_held_to_take_its_time_on_the_wire(server: Ser2net) -> None:
    async with await open_port(server.url, SETTINGS) as port:
        before = port.clock.now()
        first = await port.send(b"12345678")
        assert first - SETTINGS.characters_ns(8) >= before
        assert await port.send(b"1") >= first


async def test_a_port_that_serves_another_client(server: Ser2net) -> None:
    async with await open_port(server.url, SETTINGS):
        with pytest.raises((PortBusyError, NotAPortError)) as caught:
            await open_port(f"{server.url}?timeout=0.5", SETTINGS)
    message = str(caught.value)
    assert "another client" in message
    assert "\n" not in message


async def test_a_server_that_dies_is_a_port_lost(cable: Cable, server: Ser2net) -> None:
    async with await open_port(server.url, SETTINGS) as port:
        waiting = asyncio.ensure_future(port.receive(None))
        await server.stop()
        with pytest.raises(PortLostError, match=f"^{server.url}: the other side closed it"):
            await waiting
        with pytest.raises(PortLostError):
            await port.send(b"1")


@pytest.mark.slow
async def test_a_server_that_is_started_again_is_found(
    cable: Cable, server: Ser2net, tmp_path: Path
) -> None:
    events: list[LineEventKind] = []
    opener = SamePort(server.url, SETTINGS)
    port = await ReopeningTransport.open(
        opener, lambda kind, at, comment: events.append(kind), BackOff(0.05, 2, 0.2)
    )
    await server.stop()
    with pytest.raises(PortLostError):
        await port.receive(None)
    waiting = asyncio.ensure_future(port.receive(None))
    number = int(server.url.rpartition(":")[2])
    async with ser2net(cable.near, tmp_path, number):
        await wait_until(lambda: LineEventKind.OPENED in events)
        async with await open_port(cable.far, SETTINGS) as device:
            await device.send(b"\x07")
            chunk = await waiting
        assert chunk is not None
        assert chunk.data == b"\x07"
        await port.close()
    assert events == [LineEventKind.LOST, LineEventKind.OPENED]


async def test_a_server_that_speaks_something_else() -> None:
    """A raw TCP port that answers nothing: found out, closed, and told what to write."""
    ended = asyncio.Event()

    async def silent(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while await reader.read(1000):
            pass
        writer.close()
        ended.set()

    listening = await asyncio.start_server(silent, "127.0.0.1", 0)
    number = listening.sockets[0].getsockname()[1]
    port = f"rfc2217://127.0.0.1:{number}?timeout=0.2"
    with pytest.raises(NotAPortError, match=r"no RFC 2217 server answers there.*write socket://"):
        await open_port(port, SETTINGS)
    async with asyncio.timeout(5):
        await ended.wait()
    listening.close()
    await listening.wait_closed()


async def test_a_server_that_hangs_up_at_once(capfd: pytest.CaptureFixture[str]) -> None:
    async def rude(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.close()

    listening = await asyncio.start_server(rude, "127.0.0.1", 0)
    number = listening.sockets[0].getsockname()[1]
    with pytest.raises(PortError) as caught:
        await open_port(f"rfc2217://127.0.0.1:{number}?timeout=0.2", SETTINGS)
    assert "another client" in str(caught.value)
    assert capfd.readouterr().err == "", "no traceback of a library's thread"
    listening.close()
    await listening.wait_closed()


async def test_an_option_that_it_does_not_know() -> None:
    with pytest.raises(ValueError, match=r"not understood; give rfc2217://HOST:PORT"):
        await open_port("rfc2217://127.0.0.1:1?nonsense=1", SETTINGS)
