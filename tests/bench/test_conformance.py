"""Every transport of the bench passes the suite, and the suite can fail."""

from __future__ import annotations

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from functools import partial
from pathlib import Path

import pytest
from portcables import pty_pair, rfc2217_pair, socket_pair

from kerfbus.bench import conformance
from kerfbus.bench.clock import SystemClock
from kerfbus.bench.conformance import CHECKS, Check, ConformanceError, Pair, run_check
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.bench.reopen import ReopeningTransport
from kerfbus.bench.transport import Chunk, Transport

FAST = LineSettings(4_000_000)


@asynccontextmanager
async def virtual_loopback() -> AsyncIterator[Pair]:
    near, far = loopback_pair()

    async def cut() -> None:
        near.unplug()

    yield Pair(near, far, cut)


@asynccontextmanager
async def wall_loopback() -> AsyncIterator[Pair]:
    near, far = loopback_pair(FAST, SystemClock())

    async def cut() -> None:
        near.unplug()

    yield Pair(near, far, cut)


MAKERS: dict[str, Callable[[], AbstractAsyncContextManager[Pair]]] = {
    "loopback, virtual time": virtual_loopback,
    "loopback, wall time": wall_loopback,
    "pty": pty_pair,
    "socket": socket_pair,
    "socket with a thread": partial(socket_pair, threaded=True),
}


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
@pytest.mark.parametrize("maker", MAKERS)
async def test_transport_keeps_the_contract(maker: str, check: Check) -> None:
    async with MAKERS[maker]() as pair:
        await run_check(check, pair)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_rfc2217_keeps_the_contract(check: Check, tmp_path: Path) -> None:
    async with rfc2217_pair(tmp_path) as pair:
        await run_check(check, pair)


async def test_all_checks_in_one_call() -> None:
    await conformance.check_transport(virtual_loopback)


class Wrong(Transport):
    """A transport with one fault, over a good one."""

    def __init__(self, good: Transport) -> None:
        self.good = good
        self.name, self.settings, self.clock = good.name, good.settings, good.clock
        self.timing, self.uncertainty_ns, self.facts = good.timing, 0, good.facts

    async def send(self, data: bytes) -> int:
        return await self.good.send(data)

    async def receive(self, until: int | None) -> Chunk | None:
        return await self.good.receive(until)

    async def close(self) -> None:
        await self.good.close()

    async def reconfigure(self, settings: LineSettings) -> None:
        await self.good.reconfigure(settings)
        self.settings = settings


class Early(Wrong):
    async def receive(self, until: int | None) -> Chunk | None:
        return await self.good.receive(None if until is None else until - 5_000_000)


class Backwards(Wrong):
    async def receive(self, until: int | None) -> Chunk | None:
        chunk = await self.good.receive(until)
        return chunk and chunk._replace(data=chunk.data[::-1])


class Forgetful(Wrong):
    async def receive(self, until: int | None) -> Chunk | None:
        if until is not None and until <= self.clock.now():
            return None
        return await self.good.receive(until)


class Stubborn(Wrong):
    async def close(self) -> None:
        pass


class Mute(Wrong):
    async def reconfigure(self, settings: LineSettings) -> None:
        await self.good.reconfigure(settings)


class Unborn(Wrong):
    async def receive(self, until: int | None) -> Chunk | None:
        chunk = await self.good.receive(until)
        return chunk and chunk._replace(at=self.clock.now() + 1)


class Boastful(Wrong):
    def send_at_once(self, data: bytes, silent_until: int) -> int | None:
        return silent_until  # and nothing goes out


class Doubling(Wrong):
    def receive_at_once(self, until: int) -> Chunk | None:
        return Chunk(b"\x04\x05", until)  # and they come again


@pytest.mark.parametrize(
    ("fault", "check"),
    [
        (Boastful, "does_at_once_all_or_nothing"),
        (Doubling, "does_at_once_all_or_nothing"),
        (Early, "keeps_deadlines"),
        (Backwards, "keeps_order"),
        (Forgetful, "gives_what_is_there"),
        (Mute, "changes_its_settings"),
        (Unborn, "keeps_order"),
        (Wrong, "says_what_it_cannot"),  # its facts promise counters that it does not give
    ],
    ids=lambda value: value if isinstance(value, str) else value.__name__,
)
async def test_a_fault_is_found_and_named(fault: type[Wrong], check: str) -> None:
    found = next(each for each in CHECKS if each.__name__ == check)
    near, far = loopback_pair()

    async def cut() -> None:
        near.unplug()

    with pytest.raises(ConformanceError, match=f"^{check}: "):
        await run_check(found, Pair(fault(near), far, cut))


async def test_a_check_that_does_not_end_is_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(conformance, "LIMIT_SECONDS", 0.05)
    near, far = loopback_pair(FAST, SystemClock())

    async def cut() -> None:
        near.unplug()

    with pytest.raises(ConformanceError, match="closes_for_good: not done after"):
        await run_check(conformance.closes_for_good, Pair(Stubborn(near), far, cut))


@asynccontextmanager
async def reopening(inner: Callable[[], AbstractAsyncContextManager[Pair]]) -> AsyncIterator[Pair]:
    async with inner() as pair:

        async def opener() -> Transport:
            return pair.near

        yield Pair(await ReopeningTransport.open(opener), pair.far, pair.cut)


_BACK: tuple[Callable[[Pair], Awaitable[None]], ...] = (
    conformance.delivers_before_it_is_lost,  # it opens again instead of staying lost
    conformance.closes_when_lost,
)


@pytest.mark.parametrize(
    "check", [each for each in CHECKS if each not in _BACK], ids=lambda check: check.__name__
)
async def test_a_port_that_can_come_back_keeps_the_rest(check: Check) -> None:
    async with reopening(virtual_loopback) as pair:
        await run_check(check, pair)
