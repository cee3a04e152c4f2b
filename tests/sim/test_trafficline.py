"""A line on which time passes only with traffic."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from kerfbus.bench.clock import ManualClock, SystemClock
from kerfbus.bench.conformance import CHECKS, Check, Pair, run_check
from kerfbus.bench.line import LineSettings
from kerfbus.bench.loopback import loopback_pair
from kerfbus.sim.trafficline import TrafficLine

LINE = LineSettings()
S = 1_000_000_000


@asynccontextmanager
async def over_loopback() -> AsyncIterator[Pair]:
    near, far = loopback_pair(LineSettings(4_000_000), SystemClock())

    async def cut() -> None:
        near.unplug()

    yield Pair(TrafficLine(near, ManualClock()), far, cut)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract_of_a_transport(check: Check) -> None:
    async with over_loopback() as pair:
        await run_check(check, pair)


@pytest.mark.skipif(os.name != "posix", reason="other platform: ptys")
@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_it_keeps_the_contract_over_a_pty(check: Check) -> None:
    from portcables import pty_pair

    async with pty_pair() as pair:
        await run_check(check, Pair(TrafficLine(pair.near, ManualClock()), pair.far, pair.cut))


async def test_characters_take_their_time_and_silence_takes_none() -> None:
    near, far = loopback_pair(LINE, SystemClock())
    async with TrafficLine(near, ManualClock()) as line, far:
        assert line.clock.now() == 0
        assert await line.send(b"12345") == LINE.characters_ns(5)
        await far.send(b"123")
        chunk = await line.receive(None)
        assert chunk is not None
        received = b"123".startswith(chunk.data)
        assert received
        expected = LINE.characters_ns(5) + LINE.t35_ns + LINE.characters_ns(len(chunk.data))
        assert chunk.at == line.clock.now() == expected


async def test_a_wait_that_ends_without_characters_lets_its_time_pass() -> None:
    near, far = loopback_pair(LINE, SystemClock())
    async with TrafficLine(near, ManualClock()) as line, far:
        assert await line.receive(1000) is None
        assert line.clock.now() == 1000
        assert await line.receive(500) is None
        assert line.clock.now() == 1000
