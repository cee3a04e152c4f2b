"""Work that must come to its end although its task is cancelled."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


async def unstoppable(work: Coroutine[Any, Any, T]) -> T:
    """Run work to its end; a cancellation meanwhile is passed on afterwards.

    A person who presses Ctrl-C twice does not thereby leave a set-point where a test put it.

    Raises:
        asyncio.CancelledError: the task was cancelled while the work ran; the work is done.
    """
    task = asyncio.ensure_future(work)
    cancelled: asyncio.CancelledError | None = None
    while not task.done():
        try:
            await asyncio.shield(task)
        except asyncio.CancelledError as error:
            if task.cancelled():
                raise
            cancelled = error
    result = task.result()
    if cancelled is not None:
        raise cancelled
    return result
