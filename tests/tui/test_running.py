"""Stopping: Ctrl-C and a request to terminate both let the work clean up."""

from __future__ import annotations

import asyncio
import os
import signal

import pytest

from kerfbus.tui.running import run, run_until_stopped


class Work:
    """Work that stops itself by a signal, and notes whether it could clean up."""

    def __init__(self, stop: signal.Signals) -> None:
        self.stop = stop
        self.cleaned = False

    async def go_on(self) -> None:
        try:
            os.kill(os.getpid(), self.stop)
            await asyncio.Event().wait()
        finally:
            await asyncio.sleep(0)
            self.cleaned = True


@pytest.fixture(params=[signal.SIGINT, signal.SIGTERM])
def work(request: pytest.FixtureRequest) -> Work:
    if os.name != "posix":
        pytest.skip("other platform: signals to oneself")
    return Work(request.param)


def test_work_that_should_have_ended_is_interrupted(work: Work) -> None:
    with pytest.raises(KeyboardInterrupt):
        run(work.go_on())
    assert work.cleaned


def test_work_without_an_end_ends(work: Work) -> None:
    run_until_stopped(work.go_on())
    assert work.cleaned


def test_results_and_errors_come_through() -> None:
    async def give() -> int:
        return 7

    async def fail() -> None:
        raise LookupError

    assert run(give()) == 7
    with pytest.raises(LookupError):
        run_until_stopped(fail())
