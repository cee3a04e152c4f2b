"""The line in memory: exact times, echo, damage, loss, virtual time that waits for both ends."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kerfbus.bench.clock import ManualClock, SystemClock
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import LoopbackEnd, loopback_pair
from kerfbus.bench.transport import CharacterError, Chunk, LineCounters, LineEventKind

E81 = LineSettings(9600, 8, "E", 1)
CHARACTER = E81.character_ns
SECOND = 1_000_000_000


async def all_of(end: LoopbackEnd, until: int) -> list[Chunk]:
    """Return what an end hears up to an instant."""
    chunks = []
    while (chunk := await end.receive(until)) is not None:
        chunks.append(chunk)
    return chunks


async def test_a_burst_arrives_with_the_end_of_its_last_stop_bit() -> None:
    near, far = loopback_pair(E81)
    sent = await near.send(b"12345678")
    assert sent == E81.characters_ns(8)
    assert near.clock.now() == 0, "sending takes no time from the sender"
    assert await far.receive(None) == Chunk(b"12345678", sent)
    assert near.clock.now() == sent


async def test_bursts_without_a_gap_are_one_and_those_with_a_gap_are_not() -> None:
    near, far = loopback_pair(E81)
    await near.send(b"12")
    end = await near.send(b"34")
    assert await far.receive(None) == Chunk(b"1234", end)
    for gap, joined in ((CHARACTER // 2, True), (CHARACTER // 2 + 2, False)):
        await near.send(b"a")
        await near.clock.sleep_until(near._free_at + gap)
        await near.send(b"b")
        heard = await all_of(far, near._free_at)
        assert [chunk.data for chunk in heard] == ([b"ab"] if joined else [b"a", b"b"]), gap


async def test_a_deadline_inside_a_burst_gives_what_is_over() -> None:
    near, far = loopback_pair(E81)
    far.damage = lambda chunk: [
        chunk._replace(
            errors=(
                CharacterError(1, LineEventKind.PARITY),
                CharacterError(4, LineEventKind.FRAMING),
            )
        )
    ]
    end = await near.send(b"12345")
    third = end - E81.characters_ns(2)
    assert await far.receive(third - E81.characters_ns(2) - 1) is None, "none is over yet"
    part = await far.receive(third + 1)
    assert part == Chunk(b"123", third, (CharacterError(1, LineEventKind.PARITY),))
    rest = await far.receive(None)
    assert rest == Chunk(b"45", end, (CharacterError(1, LineEventKind.FRAMING),))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.binary(min_size=1, max_size=9), st.integers(0, 4 * CHARACTER)), max_size=6
    ),
    st.lists(st.integers(0, 60 * CHARACTER), max_size=8),
)
def test_however_it_is_fetched_every_character_has_its_instant(
    bursts: list[tuple[bytes, int]], deadlines: list[int]
) -> None:
    async def run(until: list[int]) -> dict[int, int]:
        near, far = loopback_pair(E81)
        for data, gap in bursts:
            await near.clock.sleep_until(near._free_at + gap)
            await near.send(data)
        instants = {}
        for at in (*sorted(until), 10**12):
            for chunk in await all_of(far, at):
                for place, value in enumerate(chunk.data):
                    end = chunk.at - E81.characters_ns(len(chunk.data) - 1 - place)
                    instants[len(instants)] = (value, end)
        return instants

    whole, pieces = asyncio.run(run([])), asyncio.run(run(deadlines))
    assert len(whole) == sum(len(data) for data, _ in bursts)
    assert whole.keys() == pieces.keys()
    for place, (value, at) in whole.items():
        assert pieces[place][0] == value
        assert abs(pieces[place][1] - at) <= 1  # spans are rounded once each


async def serve(end: LoopbackEnd, turnaround_ns: int) -> None:
    """Answer each burst with itself, reversed, after a pause."""
    while True:
        chunk = await end.receive(None)
        assert chunk is not None
        assert await end.receive(chunk.at + turnaround_ns) is None
        for _ in range(5):  # it has something to do meanwhile
            await asyncio.sleep(0)
        await end.send(chunk.data[::-1])


async def test_virtual_time_waits_for_the_other_end_s_task() -> None:
    near, far = loopback_pair(E81)
    server = asyncio.ensure_future(serve(far, 3_000_000))
    for number in range(50):
        request = bytes((number, 1, 2, 3))
        sent = await near.send(request)
        chunk = await near.receive(sent + SECOND)
        assert chunk == Chunk(request[::-1], sent + 3_000_000 + E81.characters_ns(4))
    server.cancel()
    await asyncio.gather(server, return_exceptions=True)


async def test_both_may_wait_with_deadlines_of_their_own() -> None:
    near, far = loopback_pair(E81)
    order: list[tuple[str, int]] = []

    async def wait(name: str, end: LoopbackEnd, instants: Iterable[int]) -> None:
        for until in instants:
            assert await end.receive(until) is None
            order.append((name, near.clock.now()))

    await asyncio.gather(wait("near", near, (10, 30, 50)), wait("far", far, (20, 40, 60)))
    assert order == [
        ("near", 10),
        ("far", 20),
        ("near", 30),
        ("far", 40),
        ("near", 50),
        ("far", 60),
    ]


async def test_an_end_that_nobody_serves_does_not_stop_time() -> None:
    near, _ = loopback_pair(E81)
    assert await near.receive(5 * SECOND) is None
    assert near.clock.now() == 5 * SECOND


async def test_time_stands_still_while_nobody_waits_for_an_instant() -> None:
    near, far = loopback_pair(E81)
    waiting = [asyncio.ensure_future(end.receive(None)) for end in (near, far)]
    for _ in range(500):
        await asyncio.sleep(0)
    assert near.clock.now() == 0
    await near.send(b"1")
    assert await waiting[1] == Chunk(b"1", CHARACTER)
    waiting[0].cancel()


async def test_wall_time_passes_as_on_a_wire() -> None:
    near, far = loopback_pair(E81, SystemClock())
    sent = await near.send(b"1234")
    chunk = await far.receive(None)
    assert chunk == Chunk(b"1234", sent)
    assert far.clock.now() >= sent


async def test_an_end_hears_itself_where_there_is_an_echo() -> None:
    near, far = loopback_pair(E81, echo=True)
    sent = await near.send(b"12")
    assert await near.receive(None) == Chunk(b"12", sent)
    assert await far.receive(None) == Chunk(b"12", sent)


async def test_damage_is_what_the_other_end_hears() -> None:
    near, far = loopback_pair(E81)
    flip = CharacterError(0, LineEventKind.PARITY)

    def damage(chunk: Chunk) -> Iterable[Chunk]:
        match chunk.data:
            case b"lose":
                return []
            case b"spoil":
                return [chunk._replace(data=b"Spoil", errors=(flip,))]
            case b"delay":
                return [chunk._replace(at=chunk.at + SECOND)]
            case b"tear":
                return [Chunk(b"te", chunk.at - 4 * CHARACTER), chunk._replace(data=b"ar")]
        return [chunk]

    far.damage = damage
    ends = {}
    for data in (b"lose", b"spoil", b"delay", b"tear", b"plain"):
        ends[data] = await near.send(data)
        await near.clock.sleep_until(ends[data] + CHARACTER)
        await near.receive(near.clock.now())
    assert await all_of(far, 2 * SECOND) == [
        Chunk(b"Spoil", ends[b"spoil"], (flip,)),
        Chunk(b"te", ends[b"tear"] - 4 * CHARACTER),
        Chunk(b"ar", ends[b"tear"]),
        Chunk(b"plain", ends[b"plain"]),
        Chunk(b"delay", ends[b"delay"] + SECOND),
    ]
    assert far.counters() == LineCounters(0, 1, 0, 0, 0)
    assert near.counters() == LineCounters(0, 0, 0, 0, 0)


async def test_every_kind_of_line_error_is_counted_when_it_is_heard() -> None:
    near, far = loopback_pair(E81)
    kinds = (
        LineEventKind.FRAMING,
        LineEventKind.PARITY,
        LineEventKind.BREAK,
        LineEventKind.OVERRUN,
    )
    far.damage = lambda chunk: [
        chunk._replace(errors=tuple(CharacterError(i, kind) for i, kind in enumerate(kinds)))
    ]
    await near.send(b"1234")
    assert far.counters() == LineCounters(0, 0, 0, 0, 0)
    await far.receive(None)
    assert far.counters() == LineCounters(1, 1, 1, 1, 0)


async def test_an_unplugged_line_delivers_what_was_under_way() -> None:
    near, far = loopback_pair(E81)
    sent = await near.send(b"12")
    far.unplug()
    assert await far.receive(None) == Chunk(b"12", sent)
    for end in (near, far):
        with pytest.raises(PortLostError, match=r"unplugged$"):
            await end.receive(None)
        with pytest.raises(PortLostError, match=r"unplugged$"):
            await end.send(b"1")


async def test_the_other_end_learns_of_a_close() -> None:
    near, far = loopback_pair(E81)
    waiting = asyncio.ensure_future(far.receive(10**15))
    await asyncio.sleep(0)
    await near.close()
    with pytest.raises(PortLostError, match="loopback:1: the other side closed it"):
        await waiting
    with pytest.raises(PortLostError, match="loopback:0: closed"):
        await near.receive(0)


async def test_settings_change_the_time_on_the_wire() -> None:
    clock = ManualClock(SECOND)
    near, far = loopback_pair(E81, clock)
    await near.reconfigure(LineSettings(19200, 8, "N", 2))
    sent = await near.send(b"1234")
    assert sent == SECOND + LineSettings(19200, 8, "N", 2).characters_ns(4)
    assert await far.receive(None) == Chunk(b"1234", sent)
