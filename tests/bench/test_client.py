"""The client over an in-memory line in virtual time: waits, retries, echo, late replies."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable

import pytest

from kerfbus.bench import wire
from kerfbus.bench.client import Client, Outcome, Policy, Result
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.crc import with_crc
from kerfbus.bench.errors import PortLostError, SettingsError, UsageError
from kerfbus.bench.framing import Frame, Framer
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import LoopbackEnd, loopback_pair

SETTINGS = LineSettings(9600)
MS = 1_000_000
READ = wire.ReadHoldingRegisters(16, 2)
VALUES = wire.ReadHoldingRegistersReply((7, 8))

Answer = Iterable[tuple[int, bytes]]
"""What the server says to a request: pauses in nanoseconds and frames."""
Script = Callable[[int, bytes], Answer]
"""Makes the answer from the number of the request, from 0, and its frame."""


async def serve(end: LoopbackEnd, script: Script) -> None:
    framer = Framer(SETTINGS, "exact")
    number = 0
    with contextlib.suppress(PortLostError):
        while True:
            chunk = await end.receive(None)
            assert chunk is not None
            for piece in framer.receive(chunk.data, chunk.at):
                if isinstance(piece, Frame) and piece.usable:
                    for pause, frame in script(number, piece.data):
                        await end.clock.sleep_until(end.clock.now() + pause)
                        await end.send(frame)
                    number += 1


@contextlib.asynccontextmanager
async def talking(
    script: Script, *, echo: bool = False, **policy: float | bool
) -> AsyncIterator[Client]:
    """A client whose server follows a script."""
    ours, theirs = loopback_pair(SETTINGS, ManualClock(), echo=echo)
    serving = asyncio.create_task(serve(theirs, script))
    try:
        yield Client(ours, Policy(**{"response_timeout": 0.3, **policy}))  # type: ignore[arg-type]
    finally:
        await ours.close()
        await theirs.close()
        await serving


def good(_number: int, frame: bytes) -> Answer:
    """Answer any read of two registers, any write."""
    if frame[1] == 3:
        return [(5 * MS, wire.adu(frame[0], VALUES))]
    return [(5 * MS, frame)]


async def test_reply() -> None:
    async with talking(good) as client:
        result = await client.request(1, READ)
    assert result.ok
    assert result.outcome is Outcome.REPLY
    assert result.reply == VALUES
    assert result.attempts == 1
    # The clock is exact: what the server waited is what is measured.
    assert result.turnaround_ns == 5 * MS
    assert result.frame == wire.adu(1, VALUES)


async def test_exception_is_an_answer_and_is_not_retried() -> None:
    def refuse(_number: int, frame: bytes) -> Answer:
        return [(5 * MS, wire.adu(frame[0], wire.ExceptionReply(frame[1], 2)))]

    async with talking(refuse) as client:
        result = await client.request(1, READ)
    assert (result.outcome, result.exception, result.attempts) == (Outcome.EXCEPTION, 2, 1)
    assert not result.ok


async def test_reads_are_tried_again_and_the_result_says_how_often() -> None:
    def third(number: int, frame: bytes) -> Answer:
        return good(number, frame) if number == 2 else []

    async with talking(third, retries=2) as client:
        result = await client.request(1, READ)
    assert (result.outcome, result.attempts) == (Outcome.REPLY, 3)


async def test_writes_are_not_tried_again_unless_told_so() -> None:
    def second(number: int, frame: bytes) -> Answer:
        return good(number, frame) if number == 1 else []

    write = wire.WriteSingleRegister(1, 2)
    async with talking(second, retries=2) as client:
        assert (await client.request(1, write)).outcome is Outcome.TIMEOUT
    async with talking(second, retries=2, retry_writes=True) as client:
        assert (await client.request(1, write)).attempts == 2


async def test_time_out_takes_the_time_that_was_set() -> None:
    async with talking(lambda *_: [], retries=0) as client:
        start = client.transport.clock.now()
        result = await client.request(1, READ)
        took = client.transport.clock.now() - start
    assert result.outcome is Outcome.TIMEOUT
    assert result.turnaround_ns is None
    assert took == SETTINGS.characters_ns(8) + 300 * MS + SETTINGS.characters_ns(9)


async def test_broadcast_is_sent_and_waits_for_the_turnaround_delay() -> None:
    async with talking(lambda *_: [], turnaround_delay=0.1) as client:
        start = client.transport.clock.now()
        result = await client.request(0, wire.WriteSingleRegister(1, 2))
        took = client.transport.clock.now() - start
    assert result.outcome is Outcome.SENT
    assert result.ok
    assert took == SETTINGS.characters_ns(8) + 100 * MS


async def test_a_read_cannot_be_broadcast() -> None:
    async with talking(good) as client:
        with pytest.raises(UsageError, match="cannot be broadcast"):
            await client.request(0, READ)


@pytest.mark.parametrize("server", [-1, 248, 255])
async def test_reserved_addresses_are_refused(server: int) -> None:
    async with talking(good) as client:
        with pytest.raises(SettingsError, match="1 to 247"):
            await client.request(server, READ)


async def test_foreign_reply_does_not_end_the_wait() -> None:
    def foreign(number: int, frame: bytes) -> Answer:
        return [(5 * MS, wire.adu(9, wire.ReadHoldingRegistersReply((1, 1)))), *good(number, frame)]

    async with talking(foreign) as client:
        result = await client.request(1, READ)
    assert result.reply == VALUES
    assert [message.piece.data[0] for message in result.heard] == [9]


async def test_late_reply_is_never_the_answer_to_the_same_question() -> None:
    def slow_once(number: int, frame: bytes) -> Answer:
        words = (number + 1, 0)
        reply = wire.adu(frame[0], wire.ReadHoldingRegistersReply(words))
        return [(400 * MS if number == 0 else 5 * MS, reply)]

    async with talking(slow_once, retries=0) as client:
        first = await client.request(1, READ)
        second = await client.request(1, READ)
        third = await client.request(1, READ)
    assert first.outcome is Outcome.TIMEOUT
    assert second.reply == wire.ReadHoldingRegistersReply((2, 0))
    assert [message.late for message in second.heard] == [True]
    assert third.reply == wire.ReadHoldingRegistersReply((3, 0))


async def test_late_reply_to_another_question() -> None:
    def slow_once(number: int, frame: bytes) -> Answer:
        if number == 0:
            return [(320 * MS, wire.adu(1, wire.ReadHoldingRegistersReply((1, 2, 3))))]
        return [(5 * MS, wire.adu(1, VALUES))]

    async with talking(slow_once, retries=0) as client:
        assert (await client.request(1, wire.ReadHoldingRegisters(0, 3))).outcome is Outcome.TIMEOUT
        second = await client.request(1, READ)
    assert second.reply == VALUES
    assert [message.late for message in second.heard] == [True]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda frame: frame[:-1] + bytes((frame[-1] ^ 1,)),
        lambda frame: frame[:-3],
        lambda frame: frame[:2],
        lambda frame: frame + b"\x55\x55",
    ],
    ids=["flipped", "short", "very short", "long"],
)
async def test_damaged_reply(spoil: Callable[[bytes], bytes]) -> None:
    def damaged(number: int, frame: bytes) -> Answer:
        (answer,) = good(number, frame)
        return [(answer[0], spoil(answer[1]))]

    async with talking(damaged, retries=0) as client:
        result = await client.request(1, READ)
    # A good frame with rubbish behind it is read; all else is a damaged reply, never a time-out.
    long = spoil(b"abcdefgh")[8:]
    assert result.outcome is (Outcome.REPLY if long else Outcome.DAMAGED)


@pytest.mark.parametrize("request_", [READ, wire.WriteSingleRegister(1, 2)])
async def test_own_echo_is_recognised_without_a_setting(request_: wire.Request) -> None:
    async with talking(good, echo=True) as client:
        result = await client.request(1, request_)
        assert result.outcome is Outcome.REPLY
        assert client.echoes is True
        assert [message.echo for message in result.heard] == [True]


async def test_damaged_echo_before_anything_is_known_costs_no_attempt() -> None:
    """A collision or noise on the way; the reply that follows is the answer."""

    def spoilt_echo(number: int, frame: bytes) -> Answer:
        spoilt = bytearray(frame)
        spoilt[4] ^= 0x21
        return [(0, bytes(spoilt)), *good(number, frame)]

    async with talking(spoilt_echo, retries=0) as client:
        result = await client.request(1, READ)
    assert result.outcome is Outcome.REPLY
    assert [message.echo for message in result.heard] == [True]
    assert result.heard[0].errors


async def test_no_echo() -> None:
    async with talking(good) as client:
        await client.request(1, READ)
        assert client.echoes is False


async def test_refused_write_on_a_line_that_echoes() -> None:
    def refuse(_number: int, frame: bytes) -> Answer:
        return [(5 * MS, wire.adu(frame[0], wire.ExceptionReply(frame[1], 4)))]

    async with talking(refuse, echo=True) as client:
        result = await client.request(1, wire.WriteSingleRegister(1, 2))
    assert (result.outcome, result.exception) == (Outcome.EXCEPTION, 4)


async def test_reply_with_the_right_crc_that_keeps_to_no_format() -> None:
    def odd(_number: int, _frame: bytes) -> Answer:
        return [(5 * MS, with_crc(bytes.fromhex("01 03 05 00 07 00 08 09")))]  # an odd count

    async with talking(odd, retries=0) as client:
        result = await client.request(1, READ)
    assert result.outcome is Outcome.DAMAGED


async def test_reply_of_another_length_is_not_taken() -> None:
    def three(_number: int, frame: bytes) -> Answer:
        return [(5 * MS, wire.adu(frame[0], wire.ReadHoldingRegistersReply((1, 2, 3))))]

    async with talking(three, retries=0) as client:
        result = await client.request(1, READ)
    assert result.outcome is Outcome.DAMAGED


async def test_port_lost_is_an_outcome() -> None:
    ours, theirs = loopback_pair(SETTINGS, ManualClock())
    client = Client(ours)
    theirs.unplug()
    result = await client.request(1, READ)
    assert result.outcome is Outcome.PORT_LOST
    assert result.detail
    await ours.close()


async def test_concurrent_requests_take_turns() -> None:
    asked: list[bytes] = []

    def remember(number: int, frame: bytes) -> Answer:
        asked.append(frame)
        return good(number, frame)

    async with talking(remember) as client:
        results: list[Result] = await asyncio.gather(*(client.request(1, READ) for _ in range(5)))
    assert all(result.reply == VALUES for result in results)
    assert len(asked) == 5


async def test_cancelled_request_does_not_leave_its_reply_to_the_next() -> None:
    def reply(number: int) -> bytes:
        return wire.adu(1, wire.ReadHoldingRegistersReply((number, number)))

    async def slow_server() -> None:
        await theirs.clock.sleep_until(theirs.clock.now() + 50 * MS)
        await theirs.send(reply(1))
        await serve(theirs, lambda *_: [(5 * MS, reply(2))])

    ours, theirs = loopback_pair(SETTINGS, ManualClock())
    client = Client(ours, Policy(response_timeout=0.3))
    task = asyncio.create_task(client.request(1, READ))
    assert await theirs.receive(None)  # the request is here
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    serving = asyncio.create_task(slow_server())
    result = await client.request(1, READ)
    assert result.frame == reply(2)
    assert [message.piece.data for message in result.heard if message.late] == [reply(1)]
    await ours.close()
    await theirs.close()
    await serving


async def test_silent_interval_before_each_request() -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1."""
    starts: list[int] = []

    async with talking(good) as client:
        for _ in range(3):
            result = await client.request(1, READ)
            starts.append(result.sent_at - SETTINGS.characters_ns(8))
            end = result.at
            again = await client.request(1, READ)
            assert again.sent_at - SETTINGS.characters_ns(8) - end >= SETTINGS.t35_ns


async def test_reconfigure_changes_the_line() -> None:
    ours, theirs = loopback_pair(SETTINGS, ManualClock())
    client = Client(ours)
    await client.reconfigure(LineSettings(19200))
    assert ours.settings.baud == 19200
    await ours.close()
    await theirs.close()
