"""The transport over a file descriptor, on real ptys and sockets."""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from portcables import Cable, Relay, wait_until

from kerfbus.bench import posixport
from kerfbus.bench.clock import NS
from kerfbus.bench.errors import PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.portoptions import PortOptions
from kerfbus.bench.ports import open_port
from kerfbus.bench.posixdevice import PosixDevice
from kerfbus.bench.posixport import PosixPort
from kerfbus.bench.serialport import CLOCK, Line
from kerfbus.bench.transport import CharacterError, Chunk, LineCounters, LineEventKind

N81 = LineSettings(19200, 8, "N", 1)
MARKED = bytes.fromhex("01 ff ff ff 00 07 ff 00 00 02")
"""What a driver delivers for 01 FF 07! 00! 02, ! = marked."""


class Counting(PosixDevice):
    """A tty whose driver counts line errors. No such hardware is here: a test sets the counts."""

    counted = LineCounters(100, 200, 300, 400, 500)
    gone = False

    def __init__(self, path: str, settings: LineSettings = N81) -> None:
        super().__init__(Line(path, N81), settings, PortOptions(), pty=False)
        self._counts = True

    def counters(self) -> LineCounters | None:
        if self.gone:
            raise OSError("unplugged")
        return self.counted


@pytest.fixture
async def cable() -> AsyncIterator[Cable]:
    with Cable() as made:
        yield made


def let_marks_through(path: str) -> None:
    """Switch marking off behind the port's back: a test then writes what a driver would mark."""
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    flags = termios.tcgetattr(fd)
    flags[0] &= ~(termios.PARMRK | termios.INPCK)
    termios.tcsetattr(fd, termios.TCSANOW, flags)
    os.close(fd)


async def received(port: PosixPort, count: int) -> Chunk:
    """Return `count` characters as one chunk."""
    data, errors, at = bytearray(), (), 0
    async with asyncio.timeout(10):
        while len(data) < count:
            chunk = await port.receive(None)
            assert chunk is not None
            shifted = [e._replace(position=e.position + len(data)) for e in chunk.errors]
            data += chunk.data
            errors, at = (*errors, *shifted), chunk.at
    return Chunk(bytes(data), at, errors)


async def test_a_good_ff_is_doubled_by_the_kernel_and_halved_again(cable: Cable) -> None:
    sent = bytes.fromhex("ff ff 00 ff 41 00 ff")
    async with await open_port(cable.near, LineSettings()) as port:
        reader = os.open(cable.near, os.O_RDWR | os.O_NOCTTY)  # sees what the port would see
        os.write(cable.master, b"\xff")
        assert os.read(reader, 10) == b"\xff\xff", "marking is in force on the real device"
        os.close(reader)
        os.write(cable.master, sent)
        assert (await received(port, len(sent)))[::2] == (sent, ())
        await port.reconfigure(LineSettings(9600, 8, "N", 2))
        os.write(cable.master, sent)
        assert (await received(port, len(sent)))[::2] == (sent, ())


async def test_marks_are_tied_to_their_characters(cable: Cable) -> None:
    async with PosixPort(Counting(cable.near), CLOCK) as port:
        let_marks_through(cable.near)
        port._handle.counted = LineCounters(101, 200, 301, 400, 500)
        os.write(cable.master, MARKED)
        chunk = await received(port, 5)
        assert chunk.data == b"\x01\xff\x07\x00\x02"
        assert chunk.errors == (
            CharacterError(2, LineEventKind.FRAMING),
            CharacterError(3, LineEventKind.BREAK),
        )
        assert port.counters() == LineCounters(1, 0, 1, 0, 0)


async def test_counts_begin_when_the_port_is_opened_and_outlive_it(cable: Cable) -> None:
    async with PosixPort(Counting(cable.near), CLOCK) as port:
        assert port.counters() == LineCounters(0, 0, 0, 0, 0)
        port._handle.counted = LineCounters(100, 201, 300, 400, 503)
        assert port.counters() == LineCounters(0, 1, 0, 0, 3)
        port._handle.gone = True
        assert port.counters() == LineCounters(0, 1, 0, 0, 3), "what was read last"
    assert port.counters() == LineCounters(0, 1, 0, 0, 3)


async def test_a_driver_that_counts_modulo_two_to_the_32(cable: Cable) -> None:
    device = Counting(cable.near)
    device.counted = LineCounters(-1, 0, 0, 0, 0)  # the kernel's are signed
    async with PosixPort(device, CLOCK) as port:
        device.counted = LineCounters(1, 0, 0, 0, 0)
        assert port.counters() == LineCounters(2, 0, 0, 0, 0)


async def test_without_counters_the_kind_is_the_likeliest(cable: Cable) -> None:
    device = PosixDevice(Line(cable.near, N81), N81, PortOptions(), pty=False)
    async with PosixPort(device, CLOCK) as port:
        let_marks_through(cable.near)
        os.write(cable.master, MARKED)
        kinds = [error.kind for error in (await received(port, 5)).errors]
        assert kinds == [LineEventKind.FRAMING, LineEventKind.BREAK]
        assert port.counters() is None


async def test_a_mark_may_be_cut_by_the_size_of_a_read(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(posixport, "READ_SIZE", 1)
    async with await open_port(cable.near, N81) as port:
        let_marks_through(cable.near)
        os.write(cable.master, MARKED)
        chunk = await received(port, 5)
        assert chunk.data == b"\x01\xff\x07\x00\x02"
        assert [error.position for error in chunk.errors] == [2, 3]


async def test_on_a_paced_port_a_send_ends_when_its_characters_are_over(cable: Cable) -> None:
    slow = LineSettings(50, 8, "N", 1)  # 8 characters take 1.6 s, so a busy machine is no matter
    async with PosixPort(Counting(cable.near, slow), CLOCK) as port:
        before = port.clock.now()
        first = await port.send(b"12345678")
        after = port.clock.now()
        assert before <= first - slow.characters_ns(8) <= after
        second = await port.send(b"1234")
        assert second - first == slow.characters_ns(4), "it waits for the first one's end"
        third = await port.send(b"")
        assert third == second


async def test_on_an_unpaced_port_a_send_ends_with_the_write(cable: Cable) -> None:
    async with await open_port(cable.near, LineSettings(300)) as port:
        before = port.clock.now()
        ends = [await port.send(bytes(50)) for _ in range(3)]
        assert before <= ends[0] <= ends[1] <= ends[2] <= port.clock.now()


@asynccontextmanager
async def full_pty() -> AsyncIterator[tuple[PosixPort, int]]:
    """Give a port and the other side's descriptor; what is sent is read by nobody."""
    master, slave = os.openpty()
    port = await open_port(os.ttyname(slave), N81)
    assert isinstance(port, PosixPort)
    async with port:
        yield port, master
    os.close(slave)
    os.close(master)


LARGE = bytes(range(256)) * 1024


async def test_what_the_system_does_not_take_at_once_follows_in_order() -> None:
    async with full_pty() as (port, master):
        first = asyncio.ensure_future(port.send(LARGE))
        await asyncio.sleep(0)
        assert not first.done(), "otherwise nothing is tested"
        # There is room before the first one's turn comes: the second must not take it.
        heard = os.read(master, 65536)
        second = asyncio.ensure_future(port.send(b"behind it"))
        await asyncio.sleep(0)
        os.set_blocking(master, False)
        async with asyncio.timeout(10):
            while len(heard) < len(LARGE) + 9:
                try:
                    heard += os.read(master, 65536)
                except BlockingIOError:
                    await asyncio.sleep(0)
        assert heard == LARGE + b"behind it"
        assert await first <= await second


async def test_a_peer_that_takes_nothing_ends_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(posixport, "STALL_SECONDS", 0.05)
    async with full_pty() as (port, _):
        with pytest.raises(PortLostError, match=r"the other side has taken no character for 0\.05"):
            await port.send(LARGE)
        with pytest.raises(PortLostError, match="has taken no character"):
            await port.receive(None)


async def test_close_ends_a_send_that_waits() -> None:
    async with full_pty() as (port, _):
        sending = asyncio.ensure_future(port.send(LARGE))
        await asyncio.sleep(0)
        await port.close()
        with pytest.raises(PortLostError, match=r"closed$"):
            await sending


async def test_a_send_that_is_cancelled_leaves_the_port_usable() -> None:
    async with full_pty() as (port, master):
        sending = asyncio.ensure_future(port.send(LARGE))
        await asyncio.sleep(0)
        sending.cancel()
        await asyncio.gather(sending, return_exceptions=True)
        os.write(master, b"\x05")
        assert (await received(port, 1)).data == b"\x05"


async def test_what_nobody_fetches_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(posixport, "HOLD_LIMIT", 10_000)
    with Relay() as relay:
        async with await open_port(relay.url, N81) as port:
            far = await relay.accept()
            far.setblocking(False)
            loop = asyncio.get_running_loop()
            sending = asyncio.ensure_future(loop.sock_sendall(far, LARGE * 100))
            assert isinstance(port, PosixPort)
            await wait_until(lambda: port._paused)
            assert port._held <= 10_000 + posixport.READ_SIZE
            assert not sending.done(), "TCP holds the sender back"
            assert (await received(port, len(LARGE) * 100)).data == LARGE * 100
            await sending


async def test_two_tasks_in_receive_are_told(cable: Cable) -> None:
    async with await open_port(cable.near, N81) as port:
        first = asyncio.ensure_future(port.receive(None))
        await asyncio.sleep(0)
        with pytest.raises(RuntimeError, match=f"^{cable.near}: two tasks in receive at once$"):
            await port.receive(None)
        os.write(cable.master, b"\x05")
        chunk = await first
        assert chunk is not None
        assert chunk.data == b"\x05"


async def test_an_early_deadline_after_a_late_one_that_was_not_needed(cable: Cable) -> None:
    async with await open_port(cable.near, N81) as port:
        os.write(cable.master, b"\x05")
        assert await port.receive(port.clock.now() + 3600 * NS) is not None
        async with asyncio.timeout(10):  # far less than the hour
            for wait_ms in (20, 5, 1):
                until = port.clock.now() + wait_ms * 1_000_000
                assert await port.receive(until) is None
                assert port.clock.now() >= until


async def test_a_late_deadline_after_an_early_one_that_was_not_needed(cable: Cable) -> None:
    async with await open_port(cable.near, N81) as port:
        os.write(cable.master, b"\x05")
        assert await port.receive(port.clock.now() + NS // 100) is not None
        until = port.clock.now() + NS // 10
        assert await port.receive(until) is None
        assert port.clock.now() >= until


async def test_a_timer_of_an_earlier_wait_does_not_end_one_without_limit(
    cable: Cable, caplog: pytest.LogCaptureFixture
) -> None:
    async with await open_port(cable.near, N81) as port:
        os.write(cable.master, b"\x05")
        assert await port.receive(port.clock.now() + NS // 50) is not None
        waiting = asyncio.ensure_future(port.receive(None))
        assert isinstance(port, PosixPort)
        await wait_until(lambda: port._timer is None)  # it has fired
        assert not waiting.done()
        os.write(cable.master, b"\x06")
        assert (await waiting) is not None
    assert not caplog.records


async def test_settings_that_are_refused_change_nothing(cable: Cable) -> None:
    async with PosixPort(Counting(cable.near), CLOCK) as port:
        with pytest.raises(PortError, match="does not take"):
            await port.reconfigure(LineSettings(9600, 7, "E", 1))
        assert port.settings == N81
        os.write(cable.master, b"\xff")
        assert (await received(port, 1)).data == b"\xff"


async def test_what_was_sent_before_goes_out_at_the_old_rate(cable: Cable) -> None:
    async with PosixPort(Counting(cable.near), CLOCK) as port:
        end = await port.send(bytes(40))  # 20 ms
        await port.reconfigure(LineSettings(9600, 8, "N", 1))
        assert port.clock.now() >= end
        assert port._sorter.parity == "N"


async def send_on(port: PosixPort) -> None:
    """Send until the system says that nobody is there."""
    while True:
        await port.send(b"\x01")


async def test_a_reset_connection_still_gives_what_had_arrived() -> None:
    with Relay() as relay:
        async with await open_port(relay.url, N81) as port:
            far = await relay.accept()
            far.sendall(b"last words")
            far.close()
            with pytest.raises(PortLostError, match="the other side closed it"):
                await send_on(port)
            assert (await received(port, 10)).data == b"last words"
            with pytest.raises(PortLostError, match="the other side closed it"):
                await port.receive(None)


@pytest.fixture(autouse=True)
def _no_descriptor_is_left_open() -> Iterator[None]:
    def count() -> int:
        """Count them where the system tells."""
        folder = Path("/proc/self/fd")
        return len(list(folder.iterdir())) if folder.exists() else 0

    before = count()
    yield
    assert count() <= before + 3, "the event loop has three of its own"
