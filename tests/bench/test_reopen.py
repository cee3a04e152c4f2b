"""A port that goes and comes back: events, back-off, counters, no busy loop."""

from __future__ import annotations

import asyncio
import os
from pathlib import Path

import pytest
from portcables import Cable, wait_until

from kerfbus.bench.capturereader import CaptureReader
from kerfbus.bench.capturerecords import Burst
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.errors import PortError, PortLostError, PortMissingError, SettingsError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.bench.ports import SamePort
from kerfbus.bench.recorder import recorded
from kerfbus.bench.reopen import BackOff, ReopeningTransport
from kerfbus.bench.transport import (
    CharacterError,
    Chunk,
    LineCounters,
    LineEventKind,
    PortFacts,
    Transport,
)

LOST, OPENED = LineEventKind.LOST, LineEventKind.OPENED
MS = 1_000_000
SECOND = 1000 * MS
N81 = LineSettings(19200, 8, "N", 1)


class Socket:
    """Where a cable is plugged in: sessions over loopbacks that share one clock.

    Attributes:
        there: whether opening succeeds.
        tries: instants at which opening was tried.
        near, far: the ends of the session in force.
        greeting: what is heard as soon as a session begins.
        takes: the rates that do not make it refuse.
    """

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.there = True
        self.tries: list[int] = []
        self.events: list[tuple[LineEventKind, int, str]] = []
        self.greeting = b""
        self.takes = {N81.baud, 9600}

    async def __call__(self) -> Transport:
        self.tries.append(self.clock.now())
        if not self.there:
            raise PortMissingError("port", "no such port")
        self.near, self.far = loopback_pair(N81, self.clock)
        take = self.near.reconfigure

        async def picky(settings: LineSettings) -> None:
            if settings.baud not in self.takes:
                raise PortError("port", f"it does not take {settings}")
            await take(settings)

        self.near.reconfigure = picky  # type: ignore[method-assign]
        await self.far.send(self.greeting)
        return self.near

    def note(self, kind: LineEventKind, at: int, comment: str) -> None:
        self.events.append((kind, at, comment))

    async def open(self, back_off: BackOff | None = None) -> ReopeningTransport:
        return await ReopeningTransport.open(self, self.note, back_off)


@pytest.fixture
async def socket() -> Socket:
    return Socket()


async def lost(transport: Transport) -> None:
    """Meet the loss."""
    with pytest.raises(PortLostError, match="unplugged"):
        await transport.receive(None)


async def test_the_loss_is_raised_once_then_it_tries_again_less_and_less_often(
    socket: Socket,
) -> None:
    port = await socket.open()
    socket.there = False
    socket.near.unplug()
    await lost(port)
    assert await port.receive(60 * SECOND) is None
    assert socket.clock.now() == 60 * SECOND
    waits = [b - a for a, b in zip(socket.tries, socket.tries[1:], strict=False)]
    grow = [100, 200, 400, 800, 1600, 3200]
    assert waits == [ms * MS for ms in (*grow, *[5000] * (len(waits) - len(grow)))]
    assert len(waits) == 16, "a minute of absence costs sixteen attempts"
    assert socket.events == [(LOST, 0, "unplugged")], "a failed attempt is no event"
    await port.close()


async def test_it_comes_back_and_goes_on(socket: Socket) -> None:
    port = await socket.open()
    socket.there = False
    socket.near.unplug()
    await lost(port)
    assert await port.receive(SECOND) is None
    socket.there = True
    socket.greeting = b"back"
    end = 1500 * MS + N81.characters_ns(4)
    assert await port.receive(10 * SECOND) == Chunk(b"back", end)
    assert await port.send(b"yes") > end
    assert await socket.far.receive(None) is not None
    assert socket.events == [(LOST, 0, "unplugged"), (OPENED, 1500 * MS, "loopback:0")]
    tries = len(socket.tries)
    # The next loss begins with short waits again.
    socket.there = False
    socket.near.unplug()
    socket.greeting = b""
    start = socket.clock.now()
    await lost(port)
    assert await port.receive(start + SECOND) is None
    assert [at - start for at in socket.tries[tries:]] == [100 * MS, 300 * MS, 700 * MS]
    await port.close()


async def test_a_deadline_before_the_next_attempt_is_kept(socket: Socket) -> None:
    port = await socket.open()
    socket.near.unplug()
    await lost(port)
    assert await port.receive(30 * MS) is None
    assert socket.clock.now() == 30 * MS
    assert await port.receive(10 * MS) is None, "a deadline in the past"
    assert len(socket.tries) == 1
    await port.close()


async def test_a_send_makes_one_attempt_and_says_that_it_failed(socket: Socket) -> None:
    port = await socket.open()
    socket.there = False
    socket.near.unplug()
    with pytest.raises(PortLostError, match="unplugged"):
        await port.send(b"1")
    for attempt in range(1, 4):
        with pytest.raises(PortLostError, match=r"still lost: no such port"):
            await port.send(b"1")
        assert len(socket.tries) == 1 + attempt
    assert socket.clock.now() == 700 * MS, "it waits until an attempt is due: no busy loop"
    socket.there = True
    await port.send(b"2")
    heard = await socket.far.receive(None)
    assert heard is not None
    assert heard.data == b"2"
    await port.close()


async def test_what_arrived_before_a_loss_that_a_send_met_is_not_lost(socket: Socket) -> None:
    port = await socket.open()
    sent = await socket.far.send(b"before")
    socket.near.unplug()
    await socket.clock.sleep_until(sent)
    with pytest.raises(PortLostError):
        await port.send(b"1")
    assert socket.events == [(LOST, sent, "unplugged")]
    assert await port.receive(sent) == Chunk(b"before", sent)
    await port.close()


async def test_counters_go_on_over_sessions(socket: Socket) -> None:
    port = await socket.open()

    async def hear_errors(count: int) -> None:
        socket.near.damage = lambda chunk: [
            chunk._replace(errors=(CharacterError(0, LineEventKind.PARITY),))
        ]
        for _ in range(count):
            await socket.far.send(b"x")
            await port.receive(None)

    await hear_errors(3)
    assert port.counters() == LineCounters(0, 3, 0, 0, 0)
    socket.near.unplug()
    await lost(port)
    assert port.counters() == LineCounters(0, 3, 0, 0, 0), "while it is away"
    await port.receive(SECOND)
    await hear_errors(2)
    assert port.counters() == LineCounters(0, 5, 0, 0, 0)
    await port.close()
    assert port.counters() == LineCounters(0, 5, 0, 0, 0)


async def test_settings_are_put_into_force_again(socket: Socket) -> None:
    port = await socket.open()
    wanted = LineSettings(9600, 8, "N", 1)
    await port.reconfigure(wanted)
    socket.near.unplug()
    await lost(port)
    await port.receive(SECOND)
    assert socket.near.settings == port.settings == wanted
    # Also those that were asked for while it was away.
    socket.near.unplug()
    await lost(port)
    await port.reconfigure(N81)
    await port.receive(socket.clock.now() + SECOND)
    assert socket.near.settings == port.settings == N81
    await port.close()


async def test_settings_that_the_port_does_not_take(socket: Socket) -> None:
    port = await socket.open()
    with pytest.raises(PortError, match="does not take 300"):
        await port.reconfigure(LineSettings(300))
    assert port.settings == N81
    await port.reconfigure(LineSettings(9600, 8, "N", 1))
    socket.takes.remove(9600)  # another adapter, say
    socket.near.unplug()
    await lost(port)
    assert await port.receive(SECOND) is None
    assert len(socket.tries) == 4, "a failed attempt like any other"
    with pytest.raises(PortLostError, match=r"still lost: it does not take 9600"):
        await port.send(b"1")
    await port.close()


async def test_the_first_open_is_made_once(socket: Socket) -> None:
    socket.there = False
    with pytest.raises(PortMissingError):
        await socket.open()
    assert socket.tries == [0]


async def test_a_caller_s_mistake_is_no_absence(socket: Socket) -> None:
    port = await socket.open()
    socket.near.unplug()
    await lost(port)

    async def wrong() -> Transport:
        raise SettingsError("port '': nothing is named")

    port._opener = wrong
    with pytest.raises(SettingsError):
        await port.receive(SECOND)
    await port.close()


async def test_close_ends_the_attempts_at_once(socket: Socket) -> None:
    port = await socket.open(BackOff(3600, 1, 3600))
    socket.near.unplug()
    await lost(port)

    class Slow(ManualClock):
        async def sleep_until(self, at: int) -> None:
            await asyncio.sleep(3600)

    port.clock = Slow()
    waiting = asyncio.ensure_future(port.receive(None))
    await asyncio.sleep(0)
    await port.close()
    with pytest.raises(PortLostError, match=r"closed$"):
        await waiting
    await port.close()
    assert len(socket.tries) == 1


async def test_two_tasks_that_meet_one_loss_make_one_event(socket: Socket) -> None:
    port = await socket.open()
    receiving = asyncio.ensure_future(port.receive(None))
    await asyncio.sleep(0)
    socket.near.unplug()
    with pytest.raises(PortLostError):
        await port.send(b"1")
    with pytest.raises(PortLostError):
        await receiving
    assert [event[0] for event in socket.events] == [LOST]
    # And one attempt at a time.
    await asyncio.gather(port.receive(150 * MS), port.send(b"2"))
    assert socket.tries == [0, 100 * MS]
    await port.close()


@pytest.mark.parametrize(
    "wrong", [(0, 2, 5), (-1, 2, 5), (0.1, 0.5, 5), (6, 2, 5), (float("nan"), 2, 5)]
)
def test_waits_that_cannot_be(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(SettingsError, match=r"^back-off "):
        BackOff(*wrong)


# With real ptys.


@pytest.fixture
def link(tmp_path: Path) -> Path:
    return tmp_path / "ttyUSB0"


@pytest.fixture
def events() -> list[tuple[LineEventKind, str]]:
    return []


QUICK = BackOff(0.01, 2, 0.05)


async def test_a_pty_whose_other_side_dies_and_comes_back(
    link: Path, events: list[tuple[LineEventKind, str]]
) -> None:
    first = Cable(link)
    port = await ReopeningTransport.open(
        SamePort(str(link), LineSettings()),
        lambda kind, at, comment: events.append((kind, comment)),
        QUICK,
    )
    os.write(first.master, b"\x01\xff")
    chunk = await port.receive(None)
    assert chunk is not None
    before = chunk.at
    first.cut()
    with pytest.raises(PortLostError):
        await port.receive(None)
    waiting = asyncio.ensure_future(port.receive(None))
    with Cable(link) as second:
        await wait_until(lambda: len(events) == 2)
        os.write(second.master, b"\x02\xff")
        data = b""
        while len(data) < 2:
            chunk = await waiting
            assert chunk is not None
            assert chunk.at > before, "one clock over all sessions"
            data += chunk.data
            waiting = asyncio.ensure_future(port.receive(None))
        assert data == b"\x02\xff", "marking is armed again"
        waiting.cancel()
        await asyncio.gather(waiting, return_exceptions=True)
        assert [kind for kind, _ in events] == [LOST, OPENED]
        await port.close()


async def test_loss_and_return_are_marked_in_the_capture(link: Path, tmp_path: Path) -> None:
    first = Cable(link)
    port = await ReopeningTransport.open(SamePort(str(link), LineSettings()), None, QUICK)
    path = tmp_path / "unplugged.pcapng"
    async with recorded(port, path, "tap") as line:
        os.write(first.master, b"\x01")
        assert (await line.receive(None)) is not None
        first.cut()
        with pytest.raises(PortLostError):
            await line.receive(None)
        with Cable(link) as second:
            await line.receive(line.clock.now() + 1)
            waiting = asyncio.ensure_future(line.receive(None))
            await wait_until(lambda: port._session is not None)
            os.write(second.master, b"\x02")
            assert (await waiting) is not None
            await line.close()
    with CaptureReader(path) as capture:
        seen = [
            record.data if isinstance(record, Burst) else LineEventKind(record.kind).name
            for record in capture
        ]
    assert seen == ["OPENED", b"\x01", "LOST", "OPENED", b"\x02", "LOST"]


async def test_facts_are_those_of_the_session_in_force(socket: Socket) -> None:
    port = await socket.open()
    socket.near.unplug()
    await lost(port)
    opener = socket.__call__

    async def other() -> Transport:
        session = await opener()
        session.facts = PortFacts(identity="another")
        return session

    port._opener = other
    await port.receive(SECOND)
    assert port.facts.identity == "another"
    assert socket.events[-1] == (OPENED, 100 * MS, "another")
    await port.close()
