"""Running the asynchronous part of a command, and stopping it cleanly."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


def run(work: Coroutine[Any, Any, T]) -> T:
    """Run to the end; Ctrl-C cancels the work, lets it clean up, and raises KeyboardInterrupt."""
    try:
        return asyncio.run(_with_terminate(work))
    except asyncio.CancelledError as error:
        raise KeyboardInterrupt from error


def run_until_stopped(work: Coroutine[Any, Any, None]) -> None:
    """Run what has no end of its own: being stopped is how it is meant to end."""
    asyncio.run(_swallow_cancel(work))


async def _swallow_cancel(work: Coroutine[Any, Any, None]) -> None:
    try:
        await _with_terminate(work)
    except asyncio.CancelledError:
        return


async def _with_terminate(work: Coroutine[Any, Any, T]) -> T:
    """Treat a request to terminate like Ctrl-C, so that captures are closed then, too."""
    task = asyncio.current_task()
    assert task is not None
    loop = asyncio.get_running_loop()
    try:
        loop.add_signal_handler(signal.SIGTERM, task.cancel)
    except (NotImplementedError, ValueError, RuntimeError):
        return await work  # Windows, or not in the main thread: the default stays in force
    try:
        return await work
    finally:
        loop.remove_signal_handler(signal.SIGTERM)
