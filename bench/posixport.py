"""A transport over a file descriptor: serial ports, ptys and sockets on POSIX systems.

Nothing is between the event loop and the descriptor: it is non-blocking, its reader stays
registered, and a future exists only while somebody waits. What arrives while nobody waits is
stamped and kept. No threads.

What is particular to a kind of port (settings, counters, locks) is behind `FdHandle`.

How late a deadline may be: the system's poll counts in milliseconds, so `receive` may answer None
up to about a millisecond after `until`, never before it.
"""

from __future__ import annotations

import asyncio
import os
from collections import deque
from contextlib import suppress
from typing import Protocol

from kerfbus.bench import linecounts
from kerfbus.bench.clock import NS, Clock
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.parmrk import ErrorSorter, Mark, MarkDecoder
from kerfbus.bench.porttrouble import lost_words
from kerfbus.bench.transport import (
    CharacterError,
    Chunk,
    LineCounters,
    PortFacts,
    Timing,
    Transport,
)

READ_SIZE = 4096
"""As much as the kernel's line discipline holds."""
HOLD_LIMIT = 1 << 20
"""Characters kept for a caller who does not fetch them; then reading stops, and the kernel holds
back the sender or counts what it drops."""
STALL_SECONDS = 5.0
"""How long the other side may take no character before the link is given up (chosen)."""

_new = tuple.__new__


class FdHandle(Protocol):
    """An open port as the operating system gives it.

    Attributes:
        name: the port string.
        fd: its file descriptor, non-blocking.
        settings: rate and format in force.
        marks: whether line errors are marked in what is read, as `kerfbus.bench.parmrk` says.
    """

    name: str
    settings: LineSettings
    marks: bool

    @property
    def fd(self) -> int:
        """Return the file descriptor."""

    def apply(self, settings: LineSettings) -> None:
        """Put settings into force; PortError and the old ones when the port refuses."""

    def facts(self) -> PortFacts:
        """Return what the port can and cannot say."""

    def uncertainty_ns(self) -> int:
        """Return how late a stamp may be with the settings in force."""

    def counters(self) -> LineCounters | None:
        """Return the driver's counts since it was loaded, None when it has none; may OSError."""

    def close(self) -> None:
        """Release the port."""


class PosixPort(Transport):
    """A transport over an `FdHandle`, made inside the event loop that uses it."""

    timing: Timing = "host"

    def __init__(self, handle: FdHandle, clock: Clock) -> None:
        self.name = handle.name
        self.clock = clock
        self._handle = handle
        self._fd = handle.fd
        self._now = clock.now
        self._loop = asyncio.get_running_loop()
        self._chunks: deque[Chunk] = deque()
        self._held = 0
        self._paused = False
        self._waiter: asyncio.Future[None] | None = None
        self._until: int | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._end = ""  # why it ended, once it did
        self._cause: OSError | None = None
        self._closed = False
        self._writing = asyncio.Lock()
        self._writable: asyncio.Future[None] | None = None
        self._line_free_at = 0
        self._marks = MarkDecoder() if handle.marks else None
        self._sorter = ErrorSorter(handle.settings.parity)
        self._first_counts = self._last_counts = self._counts = handle.counters()
        self._take_over()
        self._loop.add_reader(self._fd, self._read)

    def _take_over(self) -> None:
        """Copy what depends on the settings in force."""
        self.settings = self._handle.settings
        self.uncertainty_ns = self._handle.uncertainty_ns()
        self.facts = self._handle.facts()
        self._sorter.parity = self.settings.parity

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`."""
        chunks = self._chunks
        if not chunks:
            if self._end:
                raise self._gone()
            if until is not None and (left := until - self._now()) <= 0:
                self._read()  # the event loop may not have come round to it
            else:
                if self._waiter is not None:
                    raise RuntimeError(f"{self.name}: two tasks in receive at once")
                self._until = until
                if until is not None:
                    self._set_timer(left)
                self._waiter = self._loop.create_future()
                try:
                    await self._waiter
                finally:
                    self._waiter = None
            if not chunks:
                if self._end:
                    raise self._gone()
                return None
        chunk = chunks.popleft()
        self._held -= len(chunk.data)
        if self._paused and not chunks:
            self._paused = False
            self._loop.add_reader(self._fd, self._read)
        return chunk

    def _set_timer(self, left_ns: int) -> None:
        """Have `_on_timer` called in time. A timer that is set for earlier serves as well."""
        when = self._loop.time() + left_ns / NS
        if self._timer is not None:
            if self._timer.when() <= when:
                return
            self._timer.cancel()
        self._timer = self._loop.call_at(when, self._on_timer)

    def _on_timer(self) -> None:
        self._timer = None
        if self._waiter is None or self._waiter.done() or self._until is None:
            return
        left = self._until - self._now()
        if left > 0:
            self._set_timer(left)
        else:
            self._waiter.set_result(None)

    def _read(self) -> bool:
        """Take what is there; False when nothing was, or the port ended."""
        try:
            data = os.read(self._fd, READ_SIZE)
        except (BlockingIOError, InterruptedError):
            return False
        except OSError as error:
            self._finish(lost_words(error), error)
            return False
        at = self._now()
        if not data:
            self._finish(lost_words(None))
            return False
        errors: tuple[CharacterError, ...] = ()
        if self._marks is not None:
            data, marks = self._marks.decode(data)
            if not data:
                return True  # the beginning of a mark
            if marks or self._last_counts is not None:
                errors = self._sort(marks, len(data))
        self._chunks.append(_new(Chunk, (data, at, errors)))
        self._held += len(data)
        waiter = self._waiter
        if waiter is not None:
            if not waiter.done():
                waiter.set_result(None)
        elif self._held > HOLD_LIMIT and not self._paused:
            self._paused = True
            self._loop.remove_reader(self._fd)
        return True

    def _sort(self, marks: tuple[Mark, ...], length: int) -> tuple[CharacterError, ...]:
        before, now = self._last_counts, self._read_counts()
        self._last_counts = now
        fresh = None if now is None or before is None else linecounts.since(now, before)
        return self._sorter.sort(marks, length, fresh)

    def _read_counts(self) -> LineCounters | None:
        """Return the driver's counts; those read last when the port is gone."""
        if self._counts is not None and not self._end:
            with suppress(OSError):  # unplugged; the next read will say so
                self._counts = self._handle.counters()
        return self._counts

    def counters(self) -> LineCounters | None:
        """Return what the driver counted since the port was opened."""
        now = self._read_counts()
        if now is None or self._first_counts is None:
            return None
        return linecounts.since(now, self._first_counts)

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`.

        Returns:
            On a port known to be unpaced the instant of the write. On others the instant of the
            write, or of the end of what was sent before, and the characters' time on the wire.

        Raises:
            PortLostError: the port is gone, or the other side took nothing for 5 seconds.
        """
        if self._end:
            raise self._gone()
        at = self._now()
        done = 0 if self._writing.locked() else self._write(data)
        written_at = at if done == len(data) else await self._write_rest(data, done)
        if self.facts.paced is False:
            return written_at
        start = max(at, self._line_free_at)
        self._line_free_at = start + self.settings.characters_ns(len(data))
        return self._line_free_at

    def _write(self, data: bytes) -> int:
        """Hand characters to the system and return how many it took."""
        try:
            return os.write(self._fd, data)
        except (BlockingIOError, InterruptedError):
            return 0
        except OSError as error:
            while self._held <= HOLD_LIMIT and self._read():
                pass  # what arrived before the end is still delivered
            self._finish(lost_words(error), error)
            raise self._gone() from error

    async def _write_rest(self, data: bytes, done: int) -> int:
        """Write from `done` on, and return the instant of the last write."""
        async with self._writing:
            while True:
                if self._end:
                    raise self._gone()
                at = self._now()
                done += self._write(data[done:])
                if done == len(data):
                    return at
                await self._until_writable()

    async def _until_writable(self) -> None:
        self._writable = self._loop.create_future()
        self._loop.add_writer(self._fd, self._on_writable)
        try:
            async with asyncio.timeout(STALL_SECONDS):
                await self._writable
        except TimeoutError:
            self._finish(f"the other side has taken no character for {STALL_SECONDS:g} s")
        finally:
            self._writable = None
            if not self._closed:
                self._loop.remove_writer(self._fd)

    def _on_writable(self) -> None:
        if self._writable is not None and not self._writable.done():
            self._writable.set_result(None)

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format; see `Transport.reconfigure`.

        What was sent before still goes out with the old ones.
        """
        await self.clock.sleep_until(self._line_free_at)
        if self._end:
            raise self._gone()
        while self._held <= HOLD_LIMIT and self._read():
            pass  # what was received under the old settings is decoded under them
        self._handle.apply(settings)
        self._take_over()

    def _finish(self, why: str, cause: OSError | None = None) -> None:
        """Note that the port ended and wake who waits for it."""
        if self._end:
            return
        self._end, self._cause = why, cause
        self._loop.remove_reader(self._fd)
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)
        self._on_writable()

    def _gone(self) -> PortLostError:
        error = PortLostError(self.name, self._end)
        error.__cause__ = self._cause
        return error

    async def close(self) -> None:
        """Release the port; who waits in `receive` or `send` gets PortLostError."""
        if self._closed:
            return
        self._finish("closed")
        self._end, self._cause = "closed", None
        self._chunks.clear()
        self._loop.remove_writer(self._fd)
        self._closed = True
        if self._timer is not None:
            self._timer.cancel()
        self._handle.close()
