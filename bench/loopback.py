"""Two transports joined in memory: exact times, echo, damage, loss.

What one end sends, the other hears after the characters' time on the wire, on a clock that both
share. With a `SystemClock` that time really passes. With a `ManualClock` it passes when both ends
wait in `receive` (or are closed): then the clock moves to whatever comes first, an arrival or a
deadline. When only one end waits, the other's task is given `PATIENCE` turns of the event loop to
come to a call; an end that no task serves does not hold up time for longer than that.

The line is full duplex: what the ends send at once does not collide. Collisions belong to the
simulated line of `kerfbus.sim`; here `damage` can bring them about.
"""

from __future__ import annotations

import asyncio
from bisect import insort
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import NamedTuple

from kerfbus.bench.clock import NS, Clock, ManualClock
from kerfbus.bench.errors import PortLostError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import (
    CharacterError,
    Chunk,
    LineCounters,
    LineEventKind,
    PortFacts,
    Timing,
    Transport,
)

Damage = Callable[[Chunk], Iterable[Chunk]]
"""What becomes of a burst on its way to an end: the same, changed, marked, later, several, none.
Its `at` is the end of the last stop bit; what is given back must not end before now."""

PATIENCE = 50
"""Turns of the event loop; a task needs one or two from one call to the next."""


class _Burst(NamedTuple):
    """Characters under way; `at` comes first, so that bursts are ordered by it."""

    at: int
    order: int
    data: bytes
    errors: tuple[CharacterError, ...]
    settings: LineSettings
    source: int


class _Line:
    """What the ends share: the clock, and the rule when it moves."""

    def __init__(self, clock: Clock, *, echo: bool) -> None:
        self.clock = clock
        self.echo = echo
        self.ends: list[LoopbackEnd] = []
        self.order = 0
        self._stirs = 0

    def stir(self) -> None:
        """Note that something happened: look again who waits, from the next turn on."""
        if isinstance(self.clock, ManualClock):
            self._stirs += 1
            asyncio.get_running_loop().call_soon(self._turn, self._stirs, PATIENCE)

    def _turn(self, stir: int, patience: int) -> None:
        if stir != self._stirs:
            return  # something happened since; a later turn is on its way
        if patience and not all(end.idle for end in self.ends):
            asyncio.get_running_loop().call_soon(self._turn, stir, patience - 1)
            return
        goals = [(end.goal, end) for end in self.ends if end.goal is not None]
        if goals:
            goal, first = min(goals, key=lambda pair: pair[0])
            assert isinstance(self.clock, ManualClock)
            self.clock.advance_to(goal)
            first.wake()
            self.stir()  # others may have goals of their own


@dataclass
class _Tally:
    """Line errors heard."""

    framing: int = 0
    parity: int = 0
    break_: int = 0
    overrun: int = 0

    def add(self, errors: Iterable[CharacterError]) -> None:
        for error in errors:
            match error.kind:
                case LineEventKind.FRAMING:
                    self.framing += 1
                case LineEventKind.PARITY:
                    self.parity += 1
                case LineEventKind.BREAK:
                    self.break_ += 1
                case LineEventKind.OVERRUN:
                    self.overrun += 1
                case _:
                    pass


class LoopbackEnd(Transport):
    """One end of a loopback; made by `loopback_pair`.

    Attributes:
        damage: what becomes of bursts on their way to this end; None = nothing. May be changed at
            any time; it applies to what is sent from then on.
    """

    timing: Timing = "exact"
    uncertainty_ns = 0
    facts = PortFacts(
        reports_errors=True, counters=True, paced=True, notes=("a line in memory; times are exact",)
    )

    def __init__(self, name: str, settings: LineSettings, line: _Line) -> None:
        self.name = name
        self.settings = settings
        self.clock = line.clock
        self.damage: Damage | None = None
        self._line = line
        self._place = len(line.ends)
        line.ends.append(self)
        self._bursts: list[_Burst] = []
        self._free_at = 0
        self._waiter: asyncio.Future[None] | None = None
        self._until: int | None = None
        self._end = ""  # why it ended, once it did
        self._tally = _Tally()

    # What the line asks

    @property
    def idle(self) -> bool:
        """Return whether this end waits in `receive`, or never will again."""
        return bool(self._end) or (self._waiter is not None and not self._waiter.done())

    @property
    def goal(self) -> int | None:
        """Return the instant this end waits for, None when it waits for none."""
        if self._waiter is None or self._waiter.done():
            return None
        instants = [self._bursts[0].at] if self._bursts else []
        if self._until is not None:
            instants.append(self._until)
        return min(instants, default=None)

    def wake(self) -> None:
        """Let `receive` look again."""
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)

    # Transport

    async def send(self, data: bytes) -> int:
        """Put characters on the line behind what is still being sent; see `Transport.send`."""
        self._check_end()
        start = max(self.clock.now(), self._free_at)
        if not data:
            return start
        self._free_at = start + self.settings.characters_ns(len(data))
        for end in self._line.ends:
            if end is not self or self._line.echo:
                end._hear(Chunk(data, self._free_at), self.settings, self._place)
        self._line.stir()
        return self._free_at

    def _hear(self, chunk: Chunk, settings: LineSettings, source: int) -> None:
        if self._end:
            return
        heard = (chunk,) if self.damage is None else self.damage(chunk)
        for data, at, errors in heard:
            if not data:
                continue
            self._line.order += 1
            burst = _Burst(at, self._line.order, data, tuple(errors), settings, source)
            last = self._bursts[-1] if self._bursts else None
            if last is not None and _joined(last, burst):
                self._bursts[-1] = _join(last, burst)
            else:
                insort(self._bursts, burst)
        self.wake()

    async def receive(self, until: int | None) -> Chunk | None:
        """Return the next burst, or as much of it as was over at `until`."""
        while True:
            now = self.clock.now()
            if self._bursts and self._bursts[0].at <= now:
                return self._take(self._bursts.pop(0))
            if not self._bursts:
                self._check_end()
            if until is not None and now >= until:
                return self._part(now)
            await self._wait(until)

    async def _wait(self, until: int | None) -> None:
        if self._waiter is not None:
            raise RuntimeError(f"{self.name}: two tasks in receive at once")
        loop = asyncio.get_running_loop()
        self._until = until
        self._waiter = loop.create_future()
        timer = None
        if isinstance(self.clock, ManualClock):
            self._line.stir()
        elif (goal := self.goal) is not None:
            timer = loop.call_later((goal - self.clock.now()) / NS, self.wake)
        try:
            await self._waiter
        finally:
            self._waiter = None
            if timer is not None:
                timer.cancel()

    def _take(self, burst: _Burst) -> Chunk:
        self._tally.add(burst.errors)
        return Chunk(burst.data, burst.at, burst.errors)

    def _part(self, now: int) -> Chunk | None:
        """Take from the first burst the characters that are over."""
        if not self._bursts:
            return None
        burst = self._bursts[0]
        ends = [
            burst.at - burst.settings.characters_ns(len(burst.data) - 1 - i)
            for i in range(len(burst.data))
        ]
        count = sum(end <= now for end in ends)
        if not count:
            return None
        self._bursts[0] = burst._replace(
            data=burst.data[count:],
            errors=tuple(
                error._replace(position=error.position - count)
                for error in burst.errors
                if error.position >= count
            ),
        )
        early = tuple(error for error in burst.errors if error.position < count)
        return self._take(burst._replace(data=burst.data[:count], at=ends[count - 1], errors=early))

    def counters(self) -> LineCounters:
        """Return the line errors of what was received."""
        tally = self._tally
        return LineCounters(tally.framing, tally.parity, tally.break_, tally.overrun, 0)

    def unplug(self) -> None:
        """Make both ends lose the line. What is under way still arrives."""
        for end in self._line.ends:
            end._finish("unplugged")

    async def close(self) -> None:
        """Close this end; the other one loses the line once it has heard all that was sent."""
        self._end = "closed"
        self._bursts.clear()
        self.wake()
        for end in self._line.ends:
            end._finish("the other side closed it")

    def _finish(self, why: str) -> None:
        self._end = self._end or why
        self.wake()
        self._line.stir()

    def _check_end(self) -> None:
        if self._end:
            raise PortLostError(self.name, self._end)


def loopback_pair(
    settings: LineSettings | None = None, clock: Clock | None = None, *, echo: bool = False
) -> tuple[LoopbackEnd, LoopbackEnd]:
    """Return two transports that hear each other.

    Args:
        settings: of both ends, 19200 8E1 unless given.
        clock: of both; a new `ManualClock` unless given.
        echo: whether each end hears itself, too, as on two wires with the receiver on.
    """
    line = _Line(ManualClock() if clock is None else clock, echo=echo)
    chosen = LineSettings() if settings is None else settings
    return LoopbackEnd("loopback:0", chosen, line), LoopbackEnd("loopback:1", chosen, line)


def _joined(first: _Burst, second: _Burst) -> bool:
    """Return whether two bursts of one sender have no more than half a character between them."""
    if first.source != second.source or first.settings != second.settings:
        return False
    gap = second.at - second.settings.characters_ns(len(second.data)) - first.at
    return 0 <= gap <= second.settings.character_ns // 2


def _join(first: _Burst, second: _Burst) -> _Burst:
    shift = len(first.data)
    moved = tuple(e._replace(position=e.position + shift) for e in second.errors)
    return second._replace(data=first.data + second.data, errors=first.errors + moved)
