"""Progress comes late, only on a terminal, and leaves no trace."""

from __future__ import annotations

import asyncio
import io

import pytest

from kerfbus.tui import progress
from kerfbus.tui.progress import PATIENCE_SECONDS, Progress


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


class Clock:
    """Seconds that a test moves."""

    def __init__(self) -> None:
        self.seconds = 100.0

    def monotonic(self) -> float:
        return self.seconds


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    monkeypatch.setenv("TERM", "xterm")
    clock = Clock()
    monkeypatch.setattr(progress, "time", clock)
    return clock


def work(stream: io.StringIO, clock: Clock, seconds: float) -> str:
    with Progress("records", 10, stream) as bar:
        bar.reached(1)
        clock.seconds += seconds
        bar.reached(5)
        return stream.getvalue()


def test_nothing_within_a_second(clock: Clock) -> None:
    assert work(Terminal(), clock, PATIENCE_SECONDS * 0.99) == ""


def test_a_bar_after_a_second_and_it_goes_away(clock: Clock) -> None:
    stream = Terminal()
    during = work(stream, clock, PATIENCE_SECONDS)
    assert "records" in during
    assert "\x1b[2K" in stream.getvalue()[len(during) :]  # the line is erased


def test_nothing_where_nobody_looks(clock: Clock, monkeypatch: pytest.MonkeyPatch) -> None:
    assert work(io.StringIO(), clock, 60) == ""
    monkeypatch.setenv("TERM", "dumb")
    assert work(Terminal(), clock, 60) == ""


async def test_waiting_shows_how_long_it_takes_and_gives_the_result(
    clock: Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = Terminal()
    monkeypatch.setattr(progress.sys, "stderr", stream)
    monkeypatch.setattr(progress, "TICK_SECONDS", 0.001)
    shown = asyncio.Event()

    async def answer() -> int:
        clock.seconds += PATIENCE_SECONDS
        while "asking" not in stream.getvalue():  # noqa: ASYNC110 (a terminal has no events)
            await asyncio.sleep(0.001)
        shown.set()
        return 7

    assert await progress.while_waiting("asking", answer()) == 7
    assert shown.is_set()


async def test_waiting_passes_errors_and_cancels_on() -> None:
    async def fail() -> None:
        raise LookupError

    with pytest.raises(LookupError):
        await progress.while_waiting("asking", fail())
    ended = asyncio.Event()

    async def wait() -> None:
        try:
            await asyncio.Event().wait()
        finally:
            ended.set()

    task = asyncio.create_task(progress.while_waiting("asking", wait()))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    await asyncio.wait_for(ended.wait(), 5)
