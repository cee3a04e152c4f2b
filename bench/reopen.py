"""A transport that comes back after an unplug.

It opens its port again and again, less and less often, keeps the counters over all sessions, and
tells of every loss and return. Which port that is, and whether it is still the same device, is the
business of what it is given to open: `kerfbus.bench.ports.SamePort`.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Self

from kerfbus.bench import linecounts
from kerfbus.bench.clock import NS
from kerfbus.bench.errors import PortError, PortLostError, SettingsError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.porttrouble import words_of
from kerfbus.bench.transport import Chunk, LineCounters, LineEventKind, Transport

OnEvent = Callable[[LineEventKind, int, str], None]
"""Told of LOST and OPENED: kind, instant, one line."""


@dataclass(frozen=True, slots=True)
class BackOff:
    """How long to wait before each attempt to open.

    Attributes:
        first_seconds: after the loss.
        factor: by which each wait is longer than the one before, at least 1.
        longest_seconds: where it stops to grow.

    Raises:
        SettingsError: the waits would be none, shrink, or contradict each other.
    """

    first_seconds: float = 0.1
    factor: float = 2.0
    longest_seconds: float = 5.0

    def __post_init__(self) -> None:
        if not (0 < self.first_seconds <= self.longest_seconds and self.factor >= 1):
            raise SettingsError(
                f"back-off {self.first_seconds:g} s, factor {self.factor:g}, at most "
                f"{self.longest_seconds:g} s: the first wait must be above 0 and not above the "
                "longest, the factor 1 or more"
            )

    def wait_ns(self, attempt: int) -> int:
        """Return the wait before an attempt, from 0.

        >>> [BackOff().wait_ns(n) // 1_000_000 for n in (0, 1, 2, 5, 6, 1_000_000)]
        [100, 200, 400, 3200, 5000, 5000]
        """
        seconds = self.first_seconds
        for _ in range(attempt):
            seconds *= self.factor
            if seconds >= self.longest_seconds or self.factor == 1:
                break
        return round(min(seconds, self.longest_seconds) * NS)


class ReopeningTransport(Transport):
    """A transport over one port and its successors; made by `open`.

    The call that meets a loss raises PortLostError, as with any transport: a frame was torn, and
    whoever sent it must know. Later calls open the port again. `receive` keeps trying until its
    deadline; `send` makes one attempt, when the next one is due, and raises PortLostError when it
    fails. An attempt itself may take longer than a deadline allows (a remote host that is silent:
    5 s). Name, facts and uncertainty are those of the session in force or of the last one.
    """

    def __init__(
        self,
        opener: Callable[[], Awaitable[Transport]],
        session: Transport,
        on_event: OnEvent | None,
        back_off: BackOff,
    ) -> None:
        self._opener = opener
        self._on_event = on_event
        self._back_off = back_off
        self._session: Transport | None = None
        self._opening = asyncio.Lock()
        self._receiving = False
        self._closed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._left: deque[Chunk] = deque()
        self._past: LineCounters | None = None
        self._attempt = 0
        self._next_at = 0
        self._why = ""
        self.settings = session.settings
        self._take_over(session)

    @classmethod
    async def open(
        cls,
        opener: Callable[[], Awaitable[Transport]],
        on_event: OnEvent | None = None,
        back_off: BackOff | None = None,
    ) -> Self:
        """Open for the first time; that raises what `opener` raises, without another attempt.

        Args:
            opener: opens the port, now and after each loss.
            on_event: told of each loss and each return.
            back_off: the waits; those of `BackOff` unless given.
        """
        return cls(opener, await opener(), on_event, back_off or BackOff())

    def _take_over(self, session: Transport) -> None:
        self._session = session
        self.name = session.name
        self.clock = session.clock
        self.timing = session.timing
        self.uncertainty_ns = session.uncertainty_ns
        self.facts = session.facts
        self._attempt = 0

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next characters; see `Transport.receive`. While the port is lost, retry."""
        self._check_open()
        while not self._left and (session := self._session) is None:
            if until is not None and until < self._next_at:
                await self._sleep_until(until)
                return self._left.popleft() if self._left else None
            await self._try_again()
        if self._left:
            return self._left.popleft()
        assert session is not None
        self._receiving = True
        try:
            return await session.receive(until)
        except PortLostError as error:
            await self._lose(session, error)
            raise
        finally:
            self._receiving = False

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`. While the port is lost, make one attempt."""
        self._check_open()
        if (session := self._session) is None:
            await self._try_again()
            if (session := self._session) is None:
                raise PortLostError(self.name, self._why)
        try:
            return await session.send(data)
        except PortLostError as error:
            if not self._receiving:  # else that receive takes what is left, and meets the loss
                await self._drain(session)
                await self._lose(session, error)
            raise

    async def _drain(self, session: Transport) -> None:
        """Keep what a lost session has still to give."""
        try:
            while (chunk := await session.receive(session.clock.now())) is not None:
                self._left.append(chunk)
        except PortLostError:
            pass

    async def _lose(self, session: Transport, error: PortLostError) -> None:
        if self._session is not session:
            return  # closed, or another call met the loss before
        self._session = None
        self._why = words_of(error)
        self._past = linecounts.total(self._past, session.counters())
        self._next_at = self.clock.now() + self._back_off.wait_ns(0)
        self._tell(LineEventKind.LOST, self._why)
        await session.close()

    async def _try_again(self) -> None:
        """Wait until the next attempt is due and make it, unless another call does."""
        await self._sleep_until(self._next_at)
        async with self._opening:
            self._check_open()
            if self._session is not None or self.clock.now() < self._next_at:
                return
            try:
                session = await self._opener()
            except PortError as error:
                self._fail(error)
                return
            try:
                if session.settings != self.settings:
                    await session.reconfigure(self.settings)
                self._check_open()
            except PortError as error:
                await session.close()
                self._fail(error)
                return
            self._take_over(session)
            self._tell(LineEventKind.OPENED, session.facts.identity or session.name)

    async def _sleep_until(self, at: int) -> None:
        """Sleep; PortLostError as soon as the transport is closed."""
        sleeping = asyncio.ensure_future(self.clock.sleep_until(at))
        try:
            await asyncio.wait((sleeping, self._closed), return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
        self._check_open()

    def _fail(self, error: PortError) -> None:
        self._check_open()
        self._attempt += 1
        self._why = f"still lost: {words_of(error)}"
        self._next_at = self.clock.now() + self._back_off.wait_ns(self._attempt)

    def _tell(self, kind: LineEventKind, comment: str) -> None:
        if self._on_event is not None:
            self._on_event(kind, self.clock.now(), comment)

    def _check_open(self) -> None:
        if self._closed.done():
            raise PortLostError(self.name, "closed")

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format, now or, while the port is lost, when it is back.

        What a port that comes back does not take counts as a failed attempt.
        """
        self._check_open()
        if (session := self._session) is not None:
            try:
                await session.reconfigure(settings)
            except PortLostError as error:
                if not self._receiving:
                    await self._drain(session)
                    await self._lose(session, error)
                raise
            self.uncertainty_ns = session.uncertainty_ns
            self.facts = session.facts
        self.settings = settings

    def counters(self) -> LineCounters | None:
        """Return what the driver counted in all sessions, without what it did while lost."""
        now = None if self._session is None else self._session.counters()
        return linecounts.total(self._past, now)

    async def close(self) -> None:
        """Release the port and try no more; who waits gets PortLostError."""
        if self._closed.done():
            return
        self._closed.set_result(None)
        session, self._session = self._session, None
        self._left.clear()
        if session is not None:
            self._past = linecounts.total(self._past, session.counters())
            await session.close()
