"""A recording transport is a transport, records what passes, and never disturbs it."""

from __future__ import annotations

import asyncio
import resource
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from portcables import pty_pair

from kerfbus.bench.capture import Burst, CaptureWriter, LineEvent, Record, read_capture
from kerfbus.bench.clock import NS, ManualClock, SystemClock
from kerfbus.bench.conformance import CHECKS, Check, Pair, run_check
from kerfbus.bench.errors import CaptureError, PortLostError, UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.reopen import BackOff, ReopeningTransport
from kerfbus.bench.transport import (
    CharacterError,
    Chunk,
    LineCounters,
    LineEventKind,
    PortFacts,
    Transport,
)

Kind = LineEventKind
OPENED = LineEvent(Kind.OPENED, 0)


def kinds(records: tuple[Record, ...]) -> list[object]:
    """Return what the records are: characters, or the kind of event."""
    return [record.data if isinstance(record, Burst) else record.kind for record in records]


# It is a transport


@asynccontextmanager
async def over_loopback(path: Path) -> AsyncIterator[Pair]:
    near, far = loopback_pair()
    recording = recorded(near, path, "client")

    async def cut() -> None:
        near.unplug()

    yield Pair(recording, far, cut)
    await recording.close()


@asynccontextmanager
async def over_pty(path: Path) -> AsyncIterator[Pair]:
    async with pty_pair() as pair:
        recording = recorded(pair.near, path, "client")
        yield Pair(recording, pair.far, pair.cut)
        await recording.close()


MAKERS: dict[str, Callable[[Path], AbstractAsyncContextManager[Pair]]] = {
    "loopback": over_loopback,
    "pty": over_pty,
}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("maker", MAKERS)
async def test_it_keeps_the_contract(maker: str, check: Check, tmp_path: Path) -> None:
    async with MAKERS[maker](tmp_path / "a.pcapng") as pair:
        await run_check(check, pair)
        assert isinstance(pair.near, RecordingTransport)
        assert pair.near.capture_error is None
    assert read_capture(tmp_path / "a.pcapng").warning is None


# It records what passes


async def test_a_conversation_is_recorded_from_both_ends(tmp_path: Path) -> None:
    clock = ManualClock()
    client, server = loopback_pair(LineSettings(), clock)
    request, reply = b"\x11\x03\x00\x6b\x00\x03\x76\x87", b"\x11\x83\x02\xc1\x34"
    async with (
        recorded(client, tmp_path / "client.pcapng", "client", seed=3) as asking,
        recorded(server, tmp_path / "server.pcapng", "server") as answering,
    ):

        async def answer() -> None:
            assert await answering.receive(None)
            await clock.sleep_until(clock.now() + LineSettings().t35_ns)
            await answering.send(reply)

        await asyncio.gather(asking.send(request), answer())
        assert await asking.receive(None)
    at_client = read_capture(tmp_path / "client.pcapng")
    at_server = read_capture(tmp_path / "server.pcapng")
    assert at_client.info.vantage == "client"
    assert at_client.info.timing == "exact"
    assert at_client.info.clock == "virtual"
    assert at_client.info.seed == 3
    asked = LineSettings().characters_ns(len(request))
    answered = asked + LineSettings().t35_ns + LineSettings().characters_ns(len(reply))
    end = LineEvent(Kind.LOST, answered, comment="closed")
    assert at_client.records == (
        OPENED,
        Burst(request, asked, True),
        Burst(reply, answered),
        end,
    )
    assert at_server.records[:-1] == (OPENED, Burst(request, asked), Burst(reply, answered, True))
    assert kinds(at_server.records[-1:]) == [Kind.LOST]


async def test_line_errors_echo_marks_and_settings_are_recorded(tmp_path: Path) -> None:
    near, _ = loopback_pair(echo=True)
    bad = CharacterError(0, Kind.PARITY)
    near.damage = lambda chunk: (chunk._replace(errors=(bad,)),)
    async with recorded(near, tmp_path / "a.pcapng", "client") as transport:
        sent = await transport.send(b"abc")
        assert await transport.receive(None) == Chunk(b"abc", sent, (bad,))
        transport.mark("arc", "on")
        transport.mark("arc", "off", sent + 5)
        transport.event(Kind.DROPPED, value=4)
        await transport.reconfigure(LineSettings.parse(9600, "8N2"))
        await transport.reconfigure(LineSettings.parse(9600, "8N2"))
    assert read_capture(tmp_path / "a.pcapng").records == (
        OPENED,
        Burst(b"abc", sent, True),
        Burst(b"abc", sent, False, (bad,)),
        LineEvent(Kind.MARK, sent, comment="arc=on"),
        LineEvent(Kind.MARK, sent + 5, comment="arc=off"),
        LineEvent(Kind.DROPPED, sent, value=4),
        LineEvent(Kind.SETTINGS, sent, comment="baud=9600 format=8N2"),
        LineEvent(Kind.LOST, sent, comment="closed"),
    )


class Slow(Transport):
    """A transport whose sends and receives end when the test says so, as a real driver's may."""

    timing = "host"
    uncertainty_ns = 5
    facts = PortFacts(counters=True)

    def __init__(self) -> None:
        self.name = "slow"
        self.settings = LineSettings()
        self.clock = ManualClock(1000)
        self.sends: asyncio.Queue[Any] = asyncio.Queue()
        self.receives: asyncio.Queue[Any] = asyncio.Queue()
        self.dropped: int | None = 7

    async def send(self, data: bytes) -> int:
        outcome = await self.sends.get()
        if isinstance(outcome, Exception):
            raise outcome
        return int(outcome)

    async def receive(self, until: int | None) -> Chunk | None:
        outcome = await self.receives.get()
        if isinstance(outcome, Exception):
            raise outcome
        self.clock.advance_to(outcome.at if outcome else 0)
        return outcome  # type: ignore[no-any-return]

    def counters(self) -> LineCounters:
        return LineCounters(dropped=self.dropped)

    async def close(self) -> None:
        pass


async def turns() -> None:
    """Let other tasks get as far as they can."""
    for _ in range(10):
        await asyncio.sleep(0)


async def test_what_is_heard_during_a_send_is_recorded_behind_it(tmp_path: Path) -> None:
    slow = Slow()
    async with recorded(slow, tmp_path / "a.pcapng", "client") as transport:
        sending = asyncio.ensure_future(transport.send(b"request"))
        await turns()
        early, echo, reply = Chunk(b"early", 900), Chunk(b"req", 2000), Chunk(b"reply", 9000)
        for chunk in (early, echo, reply):
            slow.receives.put_nowait(chunk)
            assert await transport.receive(None) == chunk
        slow.sends.put_nowait(5000)
        assert await sending == 5000
    assert read_capture(tmp_path / "a.pcapng").records[1:-1] == (
        Burst(b"early", 900),
        Burst(b"request", 5000, True),
        Burst(b"req", 2000),
        Burst(b"reply", 9000),
    )


async def test_a_send_that_hangs_does_not_hold_up_the_recording(tmp_path: Path) -> None:
    slow = Slow()
    path = tmp_path / "a.pcapng"
    writer = CaptureWriter(
        path, settings=slow.settings, vantage="client", timing="host", clock="virtual"
    )
    async with RecordingTransport(slow, writer) as transport:
        sending = asyncio.ensure_future(transport.send(b"request"))
        await turns()
        slow.receives.put_nowait(Chunk(b"one", 2000))
        slow.receives.put_nowait(Chunk(b"two", 10 * NS))
        await transport.receive(None)
        await transport.receive(None)
        assert read_capture(path).records[1:] == (Burst(b"one", 2000), Burst(b"two", 10 * NS))
        sending.cancel()
        await asyncio.gather(sending, return_exceptions=True)
    note = "note=a send of 7 characters was broken off"
    assert read_capture(path).records[3:-1] == (LineEvent(Kind.MARK, 10 * NS, comment=note),)


async def test_a_loss_is_recorded_once_and_the_return_before_what_comes_then(
    tmp_path: Path,
) -> None:
    slow = Slow()
    lost = PortLostError("slow", "unplugged")
    async with recorded(slow, tmp_path / "a.pcapng", "client") as transport:
        for _ in range(2):
            slow.receives.put_nowait(lost)
            with pytest.raises(PortLostError):
                await transport.receive(None)
        slow.sends.put_nowait(lost)
        with pytest.raises(PortLostError):
            await transport.send(b"into nowhere")
        slow.receives.put_nowait(None)
        assert await transport.receive(5) is None
        slow.receives.put_nowait(Chunk(b"back", 5000))
        await transport.receive(None)
        slow.sends.put_nowait(lost)
        with pytest.raises(PortLostError):
            await transport.send(b"half")
    note = "note=a send of 4 characters was broken off"
    assert read_capture(tmp_path / "a.pcapng").records == (
        LineEvent(Kind.OPENED, 1000),
        LineEvent(Kind.LOST, 1000),
        LineEvent(Kind.OPENED, 5000),
        Burst(b"back", 5000),
        LineEvent(Kind.MARK, 5000, comment=note),
        LineEvent(Kind.LOST, 5000),
    )


async def test_what_the_host_dropped_is_recorded_as_it_is_counted(tmp_path: Path) -> None:
    slow = Slow()
    async with recorded(slow, tmp_path / "a.pcapng", "tap") as transport:
        for at, dropped in [
            (1 * NS, 7),
            (3 * NS, 10),
            (3 * NS + 5, 12),
            (9 * NS, 12),
            (11 * NS, 2),
        ]:
            slow.dropped = dropped
            slow.receives.put_nowait(Chunk(b"a", at))
            await transport.receive(None)
        slow.dropped = 3
        slow.clock.advance_to(12 * NS)
    found = read_capture(tmp_path / "a.pcapng").records
    assert [
        (record.at, record.value)
        for record in found
        if isinstance(record, LineEvent) and record.kind is Kind.DROPPED
    ] == [(3 * NS, 3), (9 * NS, 2), (12 * NS, 1)]


async def test_a_transport_that_reopens_tells_the_capture(tmp_path: Path) -> None:
    clock = ManualClock()
    ends = [loopback_pair(LineSettings(), clock) for _ in range(2)]
    waiting = iter(ends)
    told: list[RecordingTransport] = []

    async def opener() -> Transport:
        return next(waiting)[0]

    def tell(kind: LineEventKind, at: int, comment: str) -> None:
        told[0].port_event(kind, at, comment)

    reopening = await ReopeningTransport.open(opener, tell, BackOff())
    async with recorded(reopening, tmp_path / "a.pcapng", "tap") as transport:
        told.append(transport)
        ends[0][0].unplug()
        with pytest.raises(PortLostError):
            await transport.receive(NS)
        receiving = asyncio.ensure_future(transport.receive(None))
        await turns()
        await ends[1][1].send(b"back")
        assert await receiving
        await ends[1][1].close()
    found = read_capture(tmp_path / "a.pcapng").records
    assert kinds(found) == [Kind.OPENED, Kind.LOST, Kind.OPENED, b"back", Kind.LOST]
    assert isinstance(found[1], LineEvent)
    assert found[1].comment
    assert 0 < found[2].at < found[3].at


# It never disturbs the link


async def test_a_full_disk_is_told_and_the_link_goes_on(
    tmp_path: Path, full_after: Callable[[int], None]
) -> None:
    near, far = loopback_pair(LineSettings(), SystemClock())
    path = tmp_path / "a.pcapng"
    transport = recorded(near, path, "tap")
    await far.send(b"before")
    assert await transport.receive(None)
    assert transport.capture_error is None
    full_after(path.stat().st_size + 10)
    for data in (b"this does not fit", b"and this is not tried"):
        await far.send(data)
        chunk = await transport.receive(None)
        assert chunk is not None
        assert chunk.data == data
    assert await transport.send(b"x") > 0
    transport.mark("note", "no more room")
    assert isinstance(transport.capture_error, CaptureError)
    assert "make room" in str(transport.capture_error)
    await transport.close()
    found = read_capture(path)
    assert kinds(found.records) == [Kind.OPENED, b"before"]
    assert found.warning is None


@pytest.fixture
def full_after() -> Iterator[Callable[[int], None]]:
    """Return a function that limits how long files may grow, for this test."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def limit(size: int) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))

    yield limit
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


async def test_a_bad_mark_is_its_authors_mistake(tmp_path: Path) -> None:
    near, _ = loopback_pair()
    async with recorded(near, tmp_path / "a.pcapng", "tap") as transport:
        with pytest.raises(UsageError):
            transport.mark("a=b", "c")
        assert transport.capture_error is None


async def test_a_chunk_that_cannot_be_recorded_is_told_and_passed_on(tmp_path: Path) -> None:
    slow = Slow()
    async with recorded(slow, tmp_path / "a.pcapng", "tap") as transport:
        odd = Chunk(b"a", 2000, (CharacterError(5, Kind.BREAK),))
        for chunk in (odd, Chunk(b"b", 3000)):
            slow.receives.put_nowait(chunk)
            assert await transport.receive(None) == chunk
        assert "line error 3 at 5" in str(transport.capture_error)
    assert kinds(read_capture(tmp_path / "a.pcapng").records) == [Kind.OPENED, b"b", Kind.LOST]


async def test_a_writer_that_is_closed_elsewhere_does_not_break_the_link(tmp_path: Path) -> None:
    near, far = loopback_pair()
    writer = CaptureWriter(
        tmp_path / "a.pcapng",
        settings=near.settings,
        vantage="tap",
        timing=near.timing,
        clock=near.clock.kind,
    )
    transport = RecordingTransport(near, writer)
    writer.close()
    await far.send(b"a")
    assert await transport.receive(None)
    assert isinstance(transport.capture_error, UsageError)
    await transport.close()


async def test_what_is_recorded_does_not_depend_on_the_run(tmp_path: Path) -> None:
    contents = set()
    for run in range(2):
        near, far = loopback_pair()
        async with recorded(near, tmp_path / str(run), "client", seed=5) as transport:
            for number in range(50):
                await far.send(bytes([number]) * 5)
                await transport.receive(None)
                await transport.send(bytes([number]))
                await far.receive(None)
        contents.add((tmp_path / str(run)).read_bytes())
    assert len(contents) == 1
