"""The pty that a controller opens: whose path it is, what passes, what is left behind."""

from __future__ import annotations

import asyncio
import os
import signal
import subprocess
import sys
import termios
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
import serial

from kerfbus.bench.conformance import CHECKS, Check, Pair, run_check
from kerfbus.bench.errors import (
    NotAPortError,
    PortBusyError,
    PortError,
    PortLostError,
    PortMissingError,
)
from kerfbus.bench.line import LineSettings
from kerfbus.bench.ports import open_port
from kerfbus.sim.pty import PtyTransport, open_pty

LINE = LineSettings()
ALL_VALUES = bytes(range(256))

HOLDER = """
import sys, time
from kerfbus.bench.errors import KerfbusError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pty import open_pty
print("loaded", flush=True)
sys.stdin.readline()
try:
    held = open_pty(sys.argv[1], LineSettings())
except KerfbusError as error:
    print(error.kind, flush=True)
else:
    print("ready", flush=True)
    sys.stdin.read()
"""


def holder(path: Path) -> subprocess.Popen[str]:
    """Start a process that, after a line of input, holds a pty at `path` until its input ends."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert said(process) == "loaded"
    return process


def go(process: subprocess.Popen[str]) -> None:
    assert process.stdin is not None
    process.stdin.write("\n")
    process.stdin.flush()


def said(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


def end(process: subprocess.Popen[str]) -> None:
    process.communicate(timeout=20)


@pytest.fixture
async def port(tmp_path: Path) -> AsyncIterator[PtyTransport]:
    async with open_pty(tmp_path / "supply", LINE) as transport:
        assert isinstance(transport, PtyTransport)
        yield transport


async def hear(transport: PtyTransport, count: int) -> bytes:
    data = b""
    while len(data) < count:
        chunk = await transport.receive(transport.clock.now() + 10_000_000_000)
        assert chunk is not None, f"only {data.hex()}"
        data += chunk.data
    return data


# --- what passes ---------------------------------------------------------------------------------


async def test_every_character_passes_both_ways(port: PtyTransport) -> None:
    with serial.Serial(str(port.link), timeout=10) as client:
        client.write(ALL_VALUES)
        assert await hear(port, 256) == ALL_VALUES
        await port.send(ALL_VALUES)
        assert await asyncio.to_thread(client.read, 256) == ALL_VALUES


async def test_nothing_passes_before_a_client_has_set_up_the_tty(port: PtyTransport) -> None:
    # A client that sets nothing finds a raw tty: no echo, no line editing, no signals.
    fd = os.open(port.slave_path, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(fd, b"\x03\x04\r\n\x11")
        assert await hear(port, 5) == b"\x03\x04\r\n\x11"
        assert await port.receive(port.clock.now() + 20_000_000) is None
    finally:
        os.close(fd)


async def test_clients_come_and_go(port: PtyTransport) -> None:
    for number in range(5):
        with serial.Serial(str(port.link), timeout=10, exclusive=True) as client:
            client.write(bytes((number,)))
            assert await hear(port, 1) == bytes((number,))
            await port.send(bytes((number, number)))
            assert await asyncio.to_thread(client.read, 2) == bytes((number, number))


async def test_a_later_client_may_ask_for_parity(port: PtyTransport) -> None:
    # Linux ptys have none; glibc then fails a tcsetattr that changes nothing else.
    for number in range(3):
        with serial.Serial(str(port.link), 19200, parity="E", timeout=10) as client:
            client.write(bytes((number,)))
            assert await hear(port, 1) == bytes((number,))


async def test_what_nobody_reads_is_dropped(port: PtyTransport) -> None:
    await port.send(bytes(200_000))
    assert port.dropped > 0
    fd = os.open(port.slave_path, os.O_RDWR | os.O_NOCTTY)
    try:
        termios.tcflush(fd, termios.TCIFLUSH)
        await port.send(b"\x01\x02")
        assert os.read(fd, 2) == b"\x01\x02"
    finally:
        os.close(fd)


async def test_a_closed_port_is_lost(port: PtyTransport) -> None:
    waiting = asyncio.create_task(port.receive(None))
    await asyncio.sleep(0)
    await port.close()
    await port.close()
    with pytest.raises(PortLostError):
        await waiting
    with pytest.raises(PortLostError):
        await port.send(b"\x01")


@asynccontextmanager
async def pair(tmp_path: Path) -> AsyncIterator[Pair]:
    near = open_pty(tmp_path / "near", LINE)

    async def cut() -> None:
        raise AssertionError("nobody can unplug a pty's own side")

    async with near, await open_port(near.slave_path, LINE) as far:
        yield Pair(near, far, cut)


@pytest.mark.parametrize(
    "check",
    [check for check in CHECKS if "lost" not in check.__name__],
    ids=lambda check: check.__name__,
)
async def test_the_contract_of_transports_is_kept(check: Check, tmp_path: Path) -> None:
    async with pair(tmp_path) as both:
        await run_check(check, both)


# --- whose path ----------------------------------------------------------------------------------


async def test_the_link_leads_to_the_slave_side_and_is_removed(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    port = open_pty(path, LINE)
    assert str(path.readlink()) == port.slave_path
    assert port.name == str(path)
    await port.close()
    assert not path.is_symlink()


async def test_without_a_path_there_is_only_the_device() -> None:
    async with open_pty(None, LINE) as port:
        assert isinstance(port, PtyTransport)
        assert port.name == port.slave_path
        assert port.link is None


async def test_two_supplies_on_one_path(port: PtyTransport) -> None:
    assert port.link is not None
    with pytest.raises(PortBusyError, match="another supply answers there") as caught:
        open_pty(port.link, LINE)
    assert "\n" not in str(caught.value)
    assert str(port.link.readlink()) == port.slave_path


async def test_a_supply_of_another_process_is_seen_and_its_end_too(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    other = holder(path)
    try:
        go(other)
        assert said(other) == "ready"
        with pytest.raises(PortBusyError):
            open_pty(path, LINE)
        other.send_signal(signal.SIGKILL)
        other.wait(timeout=20)
        assert path.is_symlink()  # nobody could clean up
        async with open_pty(path, LINE) as port:
            assert isinstance(port, PtyTransport)
            assert str(path.readlink()) == port.slave_path
    finally:
        other.kill()
        end(other)


async def test_of_many_at_once_one_gets_the_path(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    path.symlink_to("/dev/pts/999999")  # what a dead supply leaves
    several = [holder(path) for _ in range(4)]
    try:
        for process in several:
            go(process)
        words = sorted([said(process) for process in several])
        assert words == ["port-busy"] * 3 + ["ready"]
    finally:
        for process in several:
            process.kill()
            end(process)


async def test_a_link_to_somebody_elses_tty_is_left_alone(tmp_path: Path) -> None:
    # It may be a dead supply's whose number was given to another terminal since, or not.
    master, slave = os.openpty()
    try:
        path = tmp_path / "supply"
        path.symlink_to(os.ttyname(slave))
        with pytest.raises(PortBusyError, match=r"something else uses; remove the link"):
            open_pty(path, LINE)
        assert str(path.readlink()) == os.ttyname(slave)
    finally:
        os.close(master)
        os.close(slave)


@pytest.mark.parametrize("kind", ["file", "folder", "link to a file", "link to null"])
async def test_what_is_not_ours_is_left_alone(kind: str, tmp_path: Path) -> None:
    path, other = tmp_path / "supply", tmp_path / "other"
    other.write_text("precious")
    if kind == "file":
        path.write_text("precious")
    elif kind == "folder":
        path.mkdir()
    else:
        path.symlink_to(other if kind == "link to a file" else "/dev/null")
    with pytest.raises(NotAPortError) as caught:
        open_pty(path, LINE)
    assert "choose another PATH" in str(caught.value)
    assert path.lstat()
    assert other.read_text() == "precious"


async def test_a_folder_that_is_missing(tmp_path: Path) -> None:
    with pytest.raises(PortMissingError, match="make it first"):
        open_pty(tmp_path / "nowhere" / "supply", LINE)
    (tmp_path / "file").write_text("")
    with pytest.raises(PortMissingError):
        open_pty(tmp_path / "file" / "supply", LINE)


async def test_a_folder_that_takes_no_links() -> None:
    with pytest.raises(PortError) as caught:
        open_pty("/proc/self/supply", LINE)
    assert "\n" not in str(caught.value)


async def test_a_link_that_somebody_replaced_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "supply"
    port = open_pty(path, LINE)
    path.unlink()
    path.symlink_to("/dev/null")
    await port.close()
    assert str(path.readlink()) == "/dev/null"


def test_nothing_is_left_open_when_opening_fails(tmp_path: Path) -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(5):
        with pytest.raises(PortMissingError):
            open_pty(tmp_path / "nowhere" / "supply", LINE)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
