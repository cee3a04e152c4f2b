"""What a listener's receiver puts out: talkers, silence and troubles laid over one another.

Every trouble is spans of time. Talkers are transmissions with an instant at which their driver goes
on and one at which it lets go. A sweep over all instants at which anything changes gives the level
at one listener; `otheruart.Uart` makes characters of it. All instants are floats in ns.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field

from diagnosis.otheruart import Form, Heard, Uart, edges

Span = tuple[float, float]
Maker = Callable[[float], Iterator[Span]]


class Spans:
    """Spans in order of time, made when they are asked for.

    Args:
        source: spans that follow one another without end, or to the end.
    """

    def __init__(self, source: Iterator[Span] | None = None) -> None:
        self._source = source
        self._starts: list[float] = []
        self._all: list[Span] = []
        self._longest = 0.0

    def add(self, start: float, end: float) -> None:
        """Put one more in."""
        insort(self._starts, start)
        insort(self._all, (start, end))
        self._longest = max(self._longest, end - start)

    def between(self, start: float, end: float) -> list[Span]:
        """Return all that overlap a stretch of time."""
        while self._source is not None and (not self._starts or self._starts[-1] <= end):
            span = next(self._source, None)
            if span is None:
                self._source = None
            else:
                self.add(*span)
        first = bisect_left(self._starts, start - self._longest)
        last = bisect_right(self._starts, end)
        return [span for span in self._all[first:last] if span[1] > start]

    def at(self, now: float) -> bool:
        """Return whether an instant lies in one."""
        return bool(self.between(now, now + 1e-6))


@dataclass
class Talk:
    """One transmission.

    Attributes:
        who: name of the station.
        data: its characters.
        starts: where each start bit begins.
        bit: length of its bit.
        shape: its format.
        on: when its driver begins to drive.
        off: when its driver lets go, early or late.
        kind: ``request``, ``reply`` or ``foreign``.
    """

    who: str
    data: bytes
    starts: list[float]
    bit: float
    shape: Form
    on: float
    off: float
    kind: str = "request"
    changes: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.changes = edges(self.starts, self.data, self.bit, self.shape)

    @property
    def end(self) -> float:
        """Return the end of the last stop bit, sent or not."""
        return self.starts[-1] + self.shape.bits * self.bit


@dataclass
class Ear:
    """A listener and what is wrong where it listens.

    Attributes:
        name: of the station.
        uart: its receiver.
        echo: whether it hears itself.
        swapped: whether its pair is exchanged.
        side: which side of a bad contact it is on, 0 or 1.
        xor: noise: here the level is the opposite of what it should be.
        space: here an undriven line reads as space.
        apart: here the two sides of a bad contact are apart.
        deaf: here `deaf_to` are beyond the common-mode range.
        deaf_level: what the receiver then puts out: 0, 1, or 2 for garbage after `babble`.
    """

    name: str
    uart: Uart
    echo: bool = False
    swapped: bool = False
    side: int = 0
    xor: list[Spans] = field(default_factory=list)
    space: Spans | None = None
    apart: Spans | None = None
    deaf: Spans | None = None
    deaf_to: frozenset[str] = frozenset()
    deaf_level: int = 1
    babble: Spans | None = None


@dataclass
class Wire:
    """All that is on the line.

    Attributes:
        sides: side of the bad contact of each talker, 0 where not named.
        hold: how long an undriven line keeps at mark after a driver let go.
        fight: decides for a listener between talkers that drive different levels.
        shape_edges: changes of a talk as they arrive at a listener.
    """

    talks: list[Talk] = field(default_factory=list)
    sides: dict[str, int] = field(default_factory=dict)
    hold: float = 0.0
    fight: Callable[[str, Sequence[tuple[str, int]]], int | None] = lambda *_: 0
    shape_edges: Callable[[Talk, str], list[float]] | None = None
    _arrived: dict[tuple[int, str], list[float]] = field(default_factory=dict)
    _longest: float = 0.0

    def put(self, talk: Talk) -> None:
        """Add a talk; they stay in the order in which drivers go on."""
        insort(self.talks, talk, key=lambda each: each.on)

    def around(self, start: float, end: float) -> list[Talk]:
        """Return the talks that overlap a stretch of time."""
        for talk in self.talks[-2:]:
            self._longest = max(self._longest, talk.off - talk.on, talk.end - talk.on)
        reach = self._longest * 2 + self.hold
        first = bisect_left(self.talks, start - reach, key=lambda each: each.on)
        last = bisect_left(self.talks, end, key=lambda each: each.on)
        return [
            talk for talk in self.talks[first:last] if max(talk.off, talk.end) + self.hold > start
        ]

    def arrived(self, talk: Talk, ear: str) -> list[float]:
        """Return a talk's level changes as they reach a listener."""
        if self.shape_edges is None:
            return talk.changes
        key = (id(talk), ear)
        if key not in self._arrived:
            self._arrived[key] = self.shape_edges(talk, ear)
        return self._arrived[key]

    def hear(self, ear: Ear, start: float, end: float, *, quick: bool = True) -> list[Heard]:
        """Return the characters that a listener receives in a stretch of time.

        Args:
            ear: who listens.
            start: characters that begin before are not given.
            end: talks that begin later are not looked at.
            quick: whether undisturbed talks may be taken as they were sent.
        """
        frame = (ear.uart.shape.bits + 3) * ear.uart.bit
        found: list[Heard] = []
        for first, last, talks in self._stretches(ear, start - 2 * frame, end, frame):
            plain = quick and len(talks) == 1 and self._plain(ear, talks[0], first, last)
            if plain and talks[0].who == ear.name and not ear.echo:
                continue
            if plain:
                talk = talks[0]
                found += [
                    Heard(at, value) for at, value in zip(talk.starts, talk.data, strict=True)
                ]
            else:
                changes = self._sweep(ear, talks, first, last)
                found += ear.uart.decode(changes, self._idle(ear))
        return [each for each in found if start <= each.start < end]

    @staticmethod
    def _idle(ear: Ear) -> int:
        return 1 ^ ear.swapped

    def _stretches(
        self, ear: Ear, start: float, end: float, frame: float
    ) -> Iterator[tuple[float, float, list[Talk]]]:
        """Yield stretches of time in which something happens, with silence between them."""
        busy: list[tuple[float, float, Talk | None]] = [
            (talk.on, max(talk.off, talk.end) + self.hold, talk) for talk in self.around(start, end)
        ]
        odd = [*ear.xor, *([ear.space] if ear.space else [])]
        if ear.deaf and ear.deaf_level == 0:
            odd.append(ear.deaf)
        busy += [(*span, None) for spans in odd for span in spans.between(start, end)]
        busy.sort(key=lambda each: each[0])
        first = last = None
        talks: list[Talk] = []
        for begin, until, talk in busy:
            if last is not None and begin > last + frame:
                yield first, last + frame, talks
                first, last, talks = None, None, []
            first = begin - frame / 8 if first is None else first
            last = until if last is None else max(last, until)
            if talk is not None:
                talks.append(talk)
        if last is not None:
            yield first, last + frame, talks

    def _plain(self, ear: Ear, talk: Talk, first: float, last: float) -> bool:
        """Return whether nothing at all disturbs a lone talk."""
        same = ear.uart.shape == talk.shape and abs(ear.uart.bit / talk.bit - 1) < 0.02
        clean = not any(spans.between(first, last) for spans in ear.xor)
        for spans in (ear.space, ear.apart, ear.deaf):
            clean = clean and not (spans and spans.between(first, last))
        whole = talk.off >= talk.end - 1 and self.shape_edges is None
        return same and clean and whole and not ear.swapped

    def _sweep(self, ear: Ear, talks: list[Talk], first: float, last: float) -> list[float]:
        """Return the instants at which the receiver's output changes."""
        steps: list[tuple[float, int, int]] = []
        for number, talk in enumerate(talks):
            steps += [(talk.on, 0, number), (talk.off, 1, number)]
            steps.append((talk.off + self.hold, 9, 0))
            steps += [(at, 2, number) for at in self.arrived(talk, ear.name)]
        flags = [*ear.xor, ear.space, ear.apart, ear.deaf, ear.babble]
        for number, spans in enumerate(flags):
            for start, end in spans.between(first, last) if spans else ():
                steps += [(start, 3, number), (end, 4, number)]
        steps.sort()
        state = _State(self, ear, talks, len(flags))
        idle = level = self._idle(ear)
        changes = []
        for at, what, number in steps:
            state.take(at, what, number)
            now = state.level(at)
            if now != level:
                if changes and changes[-1] >= at:
                    changes.pop()
                else:
                    changes.append(at)
                level = now
        if level != idle:
            changes.append(last)  # a stretch ends at rest; what lasts on is taken up by its end
        return changes


class _State:
    """Who drives and what troubles, while a sweep goes on."""

    def __init__(self, wire: Wire, ear: Ear, talks: list[Talk], flags: int) -> None:
        self.wire, self.ear = wire, ear
        self.names = [talk.who for talk in talks]
        self.levels = [1] * len(talks)
        self.active: list[int] = []
        self.flags = [0] * flags
        self.noises = len(ear.xor)
        self.flipped = int(ear.swapped)
        self.free = 0.0  # since when nobody has driven, with the hold added
        self.last = 1

    def take(self, at: float, what: int, number: int) -> None:
        """Take one change."""
        if what == 2:
            self.levels[number] ^= 1
        elif what == 3:
            self.flags[number] += 1
            self.flipped ^= number < self.noises and self.flags[number] == 1
        elif what == 4:
            self.flags[number] -= 1
            self.flipped ^= number < self.noises and self.flags[number] == 0
        elif what == 0:
            self.active.append(number)
        elif what == 1:
            if number in self.active:
                self.active.remove(number)
            self.free = at + self.wire.hold

    def level(self, at: float) -> int:
        """Return the receiver's output."""
        ear, names, levels = self.ear, self.names, self.levels
        space, apart, deaf, babble = self.flags[self.noises :]
        drivers = []
        for number in self.active:
            who = names[number]
            if who == ear.name and not ear.echo:
                return 1  # its receiver is off while it talks
            if not apart or self.wire.sides.get(who, 0) == ear.side:
                drivers.append((who, levels[number]))
        if not drivers:
            out = int(not (space and at >= self.free))
        elif len(drivers) == 1 or all(level == drivers[0][1] for _, level in drivers):
            out = drivers[0][1]
        else:
            fought = self.wire.fight(ear.name, drivers)
            out = self.last if fought is None else fought
        if deaf:
            if drivers and any(who in ear.deaf_to for who, _ in drivers):
                out = out ^ (babble > 0) if ear.deaf_level == 2 else ear.deaf_level
            elif ear.deaf_level == 0:
                out = 0
        self.last = out
        return out ^ self.flipped
