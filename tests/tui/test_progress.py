"""Progress comes late, only on a terminal, and leaves no trace."""

from __future__ import annotations

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
