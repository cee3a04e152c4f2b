"""The checks that every transport must pass, ours and those of plug-ins.

No test framework inside: `CHECKS` holds coroutine functions that take a `Pair` and raise
`ConformanceError`, and `check_transport` runs them all on pairs that the caller makes. Two
transports joined to each other are needed, since nothing can be said about one alone.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, replace

from kerfbus.bench.clock import NS
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.transport import Chunk, LineCounters, PortFacts, Transport

LIMIT_SECONDS = 30
"""Real time within which a check must end."""
SHORT_NS = 30_000_000
LONG_NS = 10 * NS
ALL_VALUES = bytes(range(256)) * 2
LARGE = 32_768


class ConformanceError(AssertionError):
    """A transport does not keep the contract of `kerfbus.bench.transport.Transport`."""


@dataclass(frozen=True, slots=True)
class Pair:
    """Two open transports joined to each other.

    Attributes:
        near: the one that is examined.
        far: the other one.
        cut: takes the link away from `near` as an unplugged cable would, after what `far` sent so
            far has reached `near`.
    """

    near: Transport
    far: Transport
    cut: Callable[[], Awaitable[None]]


MakePair = Callable[[], AbstractAsyncContextManager[Pair]]
Check = Callable[[Pair], Awaitable[None]]


async def check_transport(make_pair: MakePair) -> None:
    """Run every check, each on a new pair.

    Raises:
        ConformanceError: which check failed and why.
    """
    for check in CHECKS:
        async with make_pair() as pair:
            await run_check(check, pair)


async def run_check(check: Check, pair: Pair) -> None:
    """Run one check within its limit of time.

    Raises:
        ConformanceError: which check failed and why.
    """
    try:
        async with asyncio.timeout(LIMIT_SECONDS):
            await check(pair)
    except TimeoutError as error:
        raise ConformanceError(f"{check.__name__}: not done after {LIMIT_SECONDS} s") from error
    except ConformanceError as error:
        raise ConformanceError(f"{check.__name__}: {error}") from error


def _demand(holds: bool, message: str) -> None:
    if not holds:
        raise ConformanceError(message)


async def _collect(transport: Transport, count: int) -> bytes:
    """Receive `count` characters and see that every chunk is of its form."""
    data = b""
    last_at = 0
    until = transport.clock.now() + LONG_NS
    while len(data) < count:
        chunk = await transport.receive(until)
        if chunk is None:
            raise ConformanceError(f"{len(data)} of {count} characters after {LONG_NS // NS} s")
        _demand(isinstance(chunk, Chunk), f"receive gives {type(chunk).__name__}, not a Chunk")
        _demand(bool(chunk.data), "a chunk without characters")
        _demand(chunk.at >= last_at, "a chunk is stamped before the one before it")
        _demand(chunk.at <= transport.clock.now(), "a chunk is stamped in the future")
        places = [error.position for error in chunk.errors]
        _demand(places == sorted(places), "line errors are out of order")
        _demand(all(0 <= place < len(chunk.data) for place in places), "a line error off the chunk")
        data, last_at = data + chunk.data, chunk.at
    return data


async def keeps_order(pair: Pair) -> None:
    """Every value of a character passes, in order, both ways."""
    for sender, receiver in ((pair.far, pair.near), (pair.near, pair.far)):
        for start in range(0, len(ALL_VALUES), 37):
            await sender.send(ALL_VALUES[start : start + 37])
        heard = await _collect(receiver, len(ALL_VALUES))
        _demand(heard == ALL_VALUES, f"sent {ALL_VALUES.hex()}, heard {heard.hex()}")


async def sends_large_amounts(pair: Pair) -> None:
    """More than any buffer holds passes both ways at once."""
    data = bytes(i * 7 & 0xFF for i in range(LARGE))
    _, _, heard_near, heard_far = await asyncio.gather(
        pair.near.send(data),
        pair.far.send(data),
        _collect_until(pair.near, LARGE),
        _collect_until(pair.far, LARGE),
    )
    _demand(heard_near == data, "what near heard is not what far sent")
    _demand(heard_far == data, "what far heard is not what near sent")


async def _collect_until(transport: Transport, count: int) -> bytes:
    """Receive `count` characters; as long a wait as they take on the wire is no fault."""
    data = b""
    while len(data) < count and (chunk := await transport.receive(None)) is not None:
        data += chunk.data
    return data


async def sends_nothing(pair: Pair) -> None:
    """An empty send is no error and no character."""
    await pair.far.send(b"")
    await pair.far.send(b"\x05")
    _demand(await _collect(pair.near, 1) == b"\x05", "an empty send was heard")


async def does_at_once_all_or_nothing(pair: Pair) -> None:
    """What is done at once is done once and in order; else nothing has happened."""
    near, due = pair.near, b"\x01\x02\x03"
    now = near.clock.now()
    sent = near.send_at_once(due[:2], now)
    _demand(sent is None or sent >= now, f"sent at once at {now}, ended {sent}")
    if sent is None:
        due = due[2:]
    await near.send(b"\x03")
    heard = await _collect(pair.far, len(due))
    _demand(heard == due, f"sent {due.hex()}, heard {heard.hex()}")
    await pair.far.send(b"\x04\x05")
    chunk = near.receive_at_once(near.clock.now())
    heard = b"" if chunk is None else chunk.data
    await pair.far.send(b"\x06")
    heard += await _collect(near, 3 - len(heard))
    _demand(heard == b"\x04\x05\x06", f"sent 040506, heard {heard.hex()}")


async def tells_when_it_sent(pair: Pair) -> None:
    """The end of a send is not before its begin, and ends follow each other."""
    before = pair.near.clock.now()
    first = await pair.near.send(b"\x01\x02\x03")
    second = await pair.near.send(b"\x04")
    _demand(before <= first <= second, f"began {before}, ended {first} and {second}")
    _demand(await _collect(pair.far, 4) == b"\x01\x02\x03\x04", "two sends came out changed")


async def keeps_deadlines(pair: Pair) -> None:
    """With nothing heard None comes after the deadline, and at once when it is past."""
    clock = pair.near.clock
    for wait in (SHORT_NS, 1, 0, -SHORT_NS):
        until = clock.now() + wait
        _demand(await pair.near.receive(until) is None, "characters that nobody sent")
        _demand(clock.now() >= until, f"None came {until - clock.now()} ns before the deadline")


async def gives_what_is_there(pair: Pair) -> None:
    """Characters that are there are given even when the deadline is past."""
    clock = pair.near.clock
    await pair.far.send(b"\x11\x12")
    data = b""
    give_up = clock.now() + LONG_NS
    while len(data) < 2:
        chunk = await pair.near.receive(clock.now() - NS)
        data += chunk.data if chunk else b""
        _demand(clock.now() < give_up, "a deadline in the past hides characters that are there")
        if chunk is None:
            await clock.sleep_until(clock.now() + SHORT_NS // 30)
    _demand(data == b"\x11\x12", f"heard {data.hex()} instead of 11 12")


async def loses_nothing_when_cancelled(pair: Pair) -> None:
    """A receive that is cancelled at any moment takes no character with it."""
    heard = b""
    sent = bytes(range(200, 240))
    for number in sent:
        task = asyncio.ensure_future(pair.near.receive(None))
        await asyncio.sleep(0)
        await pair.far.send(bytes((number,)))
        for _ in range(number % 7):
            await asyncio.sleep(0 if number % 2 else 0.0005)
        task.cancel()
        outcome = (await asyncio.gather(task, return_exceptions=True))[0]
        if isinstance(outcome, Chunk):
            heard += outcome.data
    heard += await _collect(pair.near, len(sent) - len(heard)) if len(heard) < len(sent) else b""
    _demand(heard == sent, f"of {sent.hex()} only {heard.hex()} was heard")


async def delivers_before_it_is_lost(pair: Pair) -> None:
    """What arrived before the loss is given first; then, again and again, PortLostError."""
    await pair.far.send(b"\x21\x22\x23")
    await pair.cut()
    _demand(await _collect(pair.near, 3) == b"\x21\x22\x23", "characters before the loss are gone")
    for _ in range(3):
        await _must_be_lost(pair.near.receive(pair.near.clock.now() + LONG_NS), "receive")
    await _must_be_lost(pair.near.send(b"\x01"), "send")


async def wakes_when_it_is_lost(pair: Pair) -> None:
    """A loss ends a receive that waits without limit."""
    task = asyncio.ensure_future(pair.near.receive(None))
    await asyncio.sleep(0)
    await pair.cut()
    await _must_be_lost(task, "a receive that waits")


async def closes_for_good(pair: Pair) -> None:
    """Close ends a waiting receive, may be called again, and leaves nothing usable."""
    task = asyncio.ensure_future(pair.near.receive(None))
    await asyncio.sleep(0)
    await pair.near.close()
    await _must_be_lost(task, "a receive that waits during close")
    await pair.near.close()
    await _must_be_lost(pair.near.receive(None), "receive after close")
    await _must_be_lost(pair.near.receive(0), "receive after close with a deadline in the past")
    await _must_be_lost(pair.near.send(b"\x01"), "send after close")


async def closes_when_lost(pair: Pair) -> None:
    """A port that was lost can be closed, twice."""
    await pair.cut()
    await _must_be_lost(pair.near.receive(None), "receive")
    await pair.near.close()
    await pair.near.close()


async def _must_be_lost(call: Awaitable[object], what: str) -> None:
    try:
        result = await call
    except PortLostError:
        return
    raise ConformanceError(f"{what} gives {result!r} instead of PortLostError")


async def changes_its_settings(pair: Pair) -> None:
    """New settings are in force on return, and what was heard before is not lost."""
    await pair.far.send(b"\x31\x32")
    await pair.near.clock.sleep_until(pair.near.clock.now() + SHORT_NS)
    wanted = replace(pair.near.settings, baud=9600)
    await asyncio.gather(pair.near.reconfigure(wanted), pair.far.reconfigure(wanted))
    _demand(pair.near.settings == wanted, f"asked for {wanted}, is at {pair.near.settings}")
    await pair.far.send(b"\x33")
    heard = await _collect(pair.near, 3)
    _demand(heard == b"\x31\x32\x33", f"heard {heard.hex()} instead of 31 32 33")


async def says_what_it_cannot(pair: Pair) -> None:
    """Facts and counters agree, and nothing that is not reported is shown as a number."""
    near = pair.near
    _demand(isinstance(near.facts, PortFacts), "facts are no PortFacts")
    _demand(near.timing in ("exact", "host"), f"timing {near.timing!r}")
    _demand(near.uncertainty_ns >= 0, "an uncertainty below zero")
    _demand(near.timing == "host" or near.uncertainty_ns == 0, "exact timing with an uncertainty")
    counters = near.counters()
    _demand(counters is None or isinstance(counters, LineCounters), "counters of another kind")
    _demand((counters is not None) == bool(near.facts.counters), "facts and counters disagree")
    _demand(counters != LineCounters(), "counters that count nothing; give None")
    _demand(all("\n" not in note for note in near.facts.notes), "a note of several lines")


CHECKS: tuple[Check, ...] = (
    keeps_order,
    sends_large_amounts,
    sends_nothing,
    does_at_once_all_or_nothing,
    tells_when_it_sent,
    keeps_deadlines,
    gives_what_is_there,
    loses_nothing_when_cancelled,
    delivers_before_it_is_lost,
    wakes_when_it_is_lost,
    closes_for_good,
    closes_when_lost,
    changes_its_settings,
    says_what_it_cannot,
)
