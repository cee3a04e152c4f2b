"""Cables, relays and servers that put a real port under test: ptys, TCP on 127.0.0.1, ser2net."""

from __future__ import annotations

import asyncio
import os
import shutil
import socket
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from kerfbus.bench.conformance import Pair
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port
from kerfbus.bench.serialport import open_socket_threaded
from kerfbus.bench.transport import Transport

SETTINGS = LineSettings(19200, 8, "N", 1)


async def wait_until(holds: Callable[[], bool]) -> None:
    """Return when a condition holds; fail after 10 s."""
    async with asyncio.timeout(10):
        while not holds():  # noqa: ASYNC110 (the conditions are the operating system's)
            await asyncio.sleep(0.002)


class Pump:
    """Carries characters between two file descriptors, both ways, in the event loop."""

    def __init__(self, near: int, far: int) -> None:
        self._loop = asyncio.get_running_loop()
        self._waiting = {near: b"", far: b""}
        for source, target in ((near, far), (far, near)):
            os.set_blocking(source, False)
            self._loop.add_reader(source, self._carry, source, target)

    def _carry(self, source: int, target: int) -> None:
        try:
            data = os.read(source, 4096)
        except OSError:
            data = b""
        if not data:  # that side is gone
            self._loop.remove_reader(source)
        self._waiting[target] += data
        self._push(source, target)

    def _push(self, source: int, target: int) -> None:
        data = self._waiting[target]
        if not data:
            return
        try:
            done = os.write(target, data)
        except BlockingIOError:
            done = 0
        except OSError:
            done = len(data)  # nobody is left to hear it
        self._waiting[target] = data[done:]
        if self._waiting[target]:  # full: stop reading until it takes more
            self._loop.remove_reader(source)
            self._loop.add_writer(target, self._push, source, target)
        else:
            self._loop.remove_writer(target)
            self._loop.add_reader(source, self._carry, source, target)

    def stop(self) -> None:
        """Carry nothing more."""
        for fd in self._waiting:
            self._loop.remove_reader(fd)
            self._loop.remove_writer(fd)
        self._waiting = {}


class Cable:
    """Two ptys joined by a pump: what a program writes to one, another reads from the other.

    Args:
        link: a path that leads to the near one, as udev's links do; None for none.

    Attributes:
        near, far: their paths.
        master: the other side of the near one, where a test may put characters on the line.
    """

    def __init__(self, link: Path | None = None) -> None:
        (self.master, near), (far_master, far) = os.openpty(), os.openpty()
        self.near, self.far = os.ttyname(near), os.ttyname(far)
        self._pump = Pump(self.master, far_master)
        # The slaves are kept open: a master whose slave nobody has open fails to read.
        self._files = [self.master, near, far_master, far]
        self._link = link
        if link is not None:
            link.symlink_to(self.near)

    def __enter__(self) -> Cable:
        return self

    def __exit__(self, *exc_info: object) -> None:
        self.cut()

    def cut(self) -> None:
        """Take both ptys away."""
        self._pump.stop()
        while self._files:
            os.close(self._files.pop())
        if self._link is not None:
            self._link.unlink(missing_ok=True)


def joined(near: Transport, far: Transport, break_off: Callable[[], Awaitable[None]]) -> Pair:
    """Return the pair whose `cut` first waits until `near` holds all that `far` has sent.

    That what is under way is lost with a pty or a TCP connection is no fault of a transport.
    """
    sent = 0
    send = far.send

    async def counted(data: bytes) -> int:
        nonlocal sent
        sent += len(data)
        return await send(data)

    async def cut() -> None:
        await wait_until(lambda: near._held == sent)  # type: ignore[attr-defined]
        await break_off()

    far.send = counted  # type: ignore[method-assign]
    return Pair(near, far, cut)


@asynccontextmanager
async def pty_pair() -> AsyncIterator[Pair]:
    """Make two ports over a pty each."""
    with Cable() as cable:

        async def break_off() -> None:
            cable.cut()

        async with (
            await open_port(cable.near, SETTINGS) as near,
            await open_port(cable.far, SETTINGS) as far,
        ):
            yield joined(near, far, break_off)


class Relay:
    """A TCP server on 127.0.0.1 that joins two connections.

    Attributes:
        url: where to connect, as a port string.
    """

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self._connections: list[socket.socket] = []
        self._pump: Pump | None = None
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    def __enter__(self) -> Relay:
        return self

    async def accept(self) -> socket.socket:
        """Take the next connection; the second one is joined to the first."""
        connection, _ = await asyncio.get_running_loop().sock_accept(self._server)
        self._connections.append(connection)
        if len(self._connections) == 2:
            self._pump = Pump(*(each.fileno() for each in self._connections))
        return connection

    async def drop(self) -> None:
        """Close both connections."""
        if self._pump is not None:
            self._pump.stop()
        while self._connections:
            self._connections.pop().close()

    def __exit__(self, *exc_info: object) -> None:
        if self._pump is not None:
            self._pump.stop()
        for each in (*self._connections, self._server):
            each.close()


@asynccontextmanager
async def socket_pair(*, threaded: bool = False) -> AsyncIterator[Pair]:
    """Make two raw TCP ports joined by a relay; near with a reader thread when `threaded`."""
    opener = open_socket_threaded if threaded else open_port
    with Relay() as relay:
        async with await opener(relay.url, SETTINGS) as near:
            await relay.accept()
            async with await open_port(relay.url, SETTINGS) as far:
                await relay.accept()
                yield joined(near, far, relay.drop)


def free_tcp_port() -> int:
    """Return the number of a TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Ser2net:
    """A running ser2net that serves one device by RFC 2217.

    Attributes:
        url: of its port.
    """

    def __init__(self, process: asyncio.subprocess.Process, url: str) -> None:
        self.process = process
        self.url = url

    async def stop(self) -> None:
        """End it."""
        with suppress(ProcessLookupError):
            self.process.terminate()
        await self.process.wait()


@asynccontextmanager
async def ser2net(device: str, folder: Path, number: int = 0) -> AsyncIterator[Ser2net]:
    """Run ser2net on a device; skip the test where it is not installed.

    Args:
        device: path of the tty that it serves.
        folder: for its configuration.
        number: of its TCP port, 0 for any.
    """
    program = shutil.which("ser2net") or shutil.which("ser2net", path="/usr/sbin:/sbin")
    if program is None:
        pytest.skip("ser2net is not installed (Debian package ser2net)")
    number = number or free_tcp_port()
    config = folder / "ser2net.yaml"
    config.write_text(
        "%YAML 1.1\n---\nconnection: &one\n"
        f"  accepter: telnet(rfc2217=true),tcp,127.0.0.1,{number}\n"
        f"  connector: serialdev,{device},19200n81,local\n"
    )
    process = await asyncio.create_subprocess_exec(
        *(program, "-n", "-u", "-c", str(config)),
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.DEVNULL,
    )
    server = Ser2net(process, f"rfc2217://127.0.0.1:{number}")
    try:
        await _listens(number)
        yield server
    finally:
        await server.stop()


async def _listens(number: int) -> None:
    """Return when somebody listens, without taking the one connection that a device has."""
    wanted = f"0100007F:{number:04X}"

    def listening() -> bool:
        rows = [row.split() for row in Path("/proc/net/tcp").read_text().splitlines()[1:]]
        return any(row[1] == wanted and row[3] == "0A" for row in rows)

    await wait_until(listening)


@asynccontextmanager
async def rfc2217_pair(folder: Path) -> AsyncIterator[Pair]:
    """Make an RFC 2217 port on a real server, and a pty that is the other end of its wire."""
    with Cable() as cable:
        async with (
            ser2net(cable.near, folder) as server,
            await open_port(server.url, SETTINGS) as near,
            await open_port(cable.far, SETTINGS) as far,
        ):
            yield joined(near, far, server.stop)
