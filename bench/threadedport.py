"""A transport over a blocking port: Windows, and URLs that have no file descriptor.

One thread reads, stamps and keeps; the event loop fetches. One lock guards what both touch. Writes
and everything slow run in the loop's executor.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from contextlib import suppress
from typing import Protocol

from kerfbus.bench.clock import NS, Clock
from kerfbus.bench.errors import PortError, PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.porttrouble import words_of
from kerfbus.bench.transport import Chunk, PortFacts, Timing, Transport

HOLD_LIMIT = 1 << 20
"""Characters kept for a caller who does not fetch them; then the thread stops reading."""


class BlockingHandle(Protocol):
    """An open port as pyserial gives it; all but `read` and `write` are called one at a time.

    Attributes:
        name: the port string.
        settings: rate and format in force.
    """

    name: str
    settings: LineSettings

    def read(self) -> bytes:
        """Return what is there; wait a short while when nothing is. PortLostError at the end."""

    def write(self, data: bytes) -> None:
        """Send all of it; PortLostError when the port is gone."""

    def apply(self, settings: LineSettings) -> None:
        """Put settings into force; PortError and the old ones when the port refuses."""

    def facts(self) -> PortFacts:
        """Return what the port can and cannot say."""

    def uncertainty_ns(self) -> int:
        """Return how late a stamp may be."""

    def close(self) -> None:
        """Release the port, when no `read` is under way; it may take a second."""


class ThreadedPort(Transport):
    """A transport over a `BlockingHandle`, made inside the event loop that uses it."""

    timing: Timing = "host"

    def __init__(self, handle: BlockingHandle, clock: Clock) -> None:
        self.name = handle.name
        self.settings = handle.settings
        self.clock = clock
        self.uncertainty_ns = handle.uncertainty_ns()
        self.facts = handle.facts()
        self._handle = handle
        self._loop = asyncio.get_running_loop()
        self._lock = threading.Condition()
        self._chunks: deque[Chunk] = deque()
        self._held = 0
        self._end = ""  # why it ended, once it did
        self._waiter: asyncio.Future[None] | None = None
        self._sending = asyncio.Lock()
        self._line_free_at = 0
        self._closing: asyncio.Future[None] | None = None
        self._thread = threading.Thread(target=self._run, name=f"reader {self.name}", daemon=True)
        self._thread.start()

    # In the thread

    def _run(self) -> None:
        while True:
            try:
                data = self._handle.read()
            except PortError as error:
                self._finish(words_of(error))
                return
            at = self.clock.now()
            with self._lock:
                if self._end:
                    return
                if data:
                    self._chunks.append(Chunk(data, at))
                    self._held += len(data)
            if data:
                self._call_wake()
            with self._lock:
                self._lock.wait_for(lambda: self._held <= HOLD_LIMIT or self._end)

    def _finish(self, why: str) -> None:
        with self._lock:
            if self._end:
                return
            self._end = why
            self._lock.notify_all()
        self._call_wake()

    def _call_wake(self) -> None:
        with suppress(RuntimeError):  # the loop was closed: nobody can be waiting
            self._loop.call_soon_threadsafe(self._wake)

    # In the event loop

    def _wake(self) -> None:
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    def _take(self) -> Chunk | None:
        """Return the next chunk; None when there is none; PortLostError when none will come."""
        with self._lock:
            if self._chunks and self._closing is None:
                chunk = self._chunks.popleft()
                self._held -= len(chunk.data)
                if not self._chunks:
                    self._lock.notify_all()
                return chunk
            if self._end:
                raise PortLostError(self.name, self._end)
            return None

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        while (chunk := self._take()) is None:
            left = None if until is None else until - self.clock.now()
            if left is not None and left <= 0:
                return None
            if self._waiter is not None:
                raise RuntimeError(f"{self.name}: two tasks in receive at once")
            self._waiter = self._loop.create_future()
            timer = None if left is None else self._loop.call_later(left / NS, self._wake)
            try:
                # What came after the look is not missed: its _wake runs in this loop, hence later.
                await self._waiter
            finally:
                self._waiter = None
                if timer is not None:
                    timer.cancel()
        return chunk

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send` and `PosixPort.send`."""
        async with self._sending:
            if self._end:
                raise PortLostError(self.name, self._end)
            at = self.clock.now()
            # When it fails the thread goes on: it reads what had arrived, then meets the end.
            await self._loop.run_in_executor(None, self._handle.write, data)
            if self.facts.paced is False:
                return at
            start = max(at, self._line_free_at)
            self._line_free_at = start + self.settings.characters_ns(len(data))
            return self._line_free_at

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format; see `Transport.reconfigure`."""
        async with self._sending:
            await self.clock.sleep_until(self._line_free_at)
            if self._end:
                raise PortLostError(self.name, self._end)
            await self._loop.run_in_executor(None, self._handle.apply, settings)
            self.settings = self._handle.settings
            self.uncertainty_ns = self._handle.uncertainty_ns()
            self.facts = self._handle.facts()

    async def close(self) -> None:
        """Release the port and end the thread; who waits in `receive` gets PortLostError."""
        if self._closing is None:
            self._finish("closed")
            with self._lock:
                self._end = "closed"
                self._chunks.clear()
            self._closing = self._loop.run_in_executor(None, self._shut_down)
        await asyncio.shield(self._closing)

    def _shut_down(self) -> None:
        self._thread.join()  # ends with its present read: pyserial cannot be closed under it
        self._handle.close()
