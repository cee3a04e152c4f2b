"""Progress on standard error, for whatever takes longer than a second and only on a terminal."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from collections.abc import Coroutine
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TextIO, TypeVar

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

PATIENCE_SECONDS = 1.0
"""What is over sooner shows nothing."""
TICK_SECONDS = 0.2

T = TypeVar("T")


async def while_waiting(what: str, work: Coroutine[Any, Any, T]) -> T:
    """Run work that says nothing of how far it is, and show how long that takes."""
    with Progress(what, None) as progress:
        task = asyncio.create_task(work)
        try:
            while not (await asyncio.wait({task}, timeout=TICK_SECONDS))[0]:
                progress.reached(0)
        finally:
            task.cancel()
            await asyncio.wait({task})
        return task.result()


class Progress:
    """A bar that comes late and leaves no trace.

    Use it as a context manager and tell it how far the work is; it costs next to nothing while
    there is nothing to show.

    Attributes:
        what: one or two words before the bar.
        total: how much there is to do; None when nobody knows, then there is a count.
    """

    def __init__(self, what: str, total: float | None, stream: TextIO | None = None) -> None:
        self.what = what
        self.total = total
        self._stream = stream or sys.stderr
        terminal = self._stream is not None and self._stream.isatty()  # it may be closed: 2>&-
        self._wanted = terminal and os.environ.get("TERM") != "dumb"
        self._begin = time.monotonic()
        self._bar: Bar | None = None
        self._task: TaskID | None = None

    def __enter__(self) -> Self:
        """Start counting the time."""
        self._begin = time.monotonic()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Take the bar away."""
        if self._bar is not None:
            self._bar.stop()
            self._bar = None

    def reached(self, done: float) -> None:
        """Say how much is done."""
        if not self._wanted:
            return
        if self._bar is None:
            if time.monotonic() - self._begin < PATIENCE_SECONDS:
                return
            self._show()
        assert self._bar is not None
        assert self._task is not None
        self._bar.update(self._task, completed=done)

    def _show(self) -> None:
        """Draw the bar for the first time."""
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
        from rich.progress import TimeElapsedColumn as Elapsed

        self._bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            *([] if self.total is None else [TaskProgressColumn()]),
            Elapsed(),
            console=Console(file=self._stream),
            transient=True,
        )
        self._task = self._bar.add_task(self.what, total=self.total)
        self._bar.start()
