"""Stations that talk and hear on one pair, in causal order.

The bus goes from one instant to the next at which something may happen: the end of a talk, a
deadline of a station, something that was put down. At each it first brings the world there (so
that the arc is known), then lets every station hear up to it, unless it is for an act that has
nothing to do with what is heard, then lets them act. Nobody acts before that instant, so nothing
that is said later can change what was heard. A station notices the end of a talk one character
late, which no station can use: the silent interval is longer (MODBUS over Serial Line V1.02,
2.5.1.1).

Sans-IO: instants go in, talks and characters come out.
"""

from __future__ import annotations

import heapq
from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.bursts import NEVER
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.ledger import Ledger
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.talk import Arc, Character, PairLine, Talk

LOOK_NS = 50_000_000
"""Stations hear at least so often, so that strays in a silence come when they do (chosen)."""
PROPAGATION_NS = 20_000
"""Longer than any cable and receiver here takes (1200 m at 0.6 of the speed of light: 7 us)."""
PPM = 1_000_000

Act = Callable[[int], None]
"""Something to do; it is given its instant."""


class Listener(ABC):
    """A station's ears, and what it does about what it hears.

    Attributes:
        index: of the station in the plant.
    """

    index: int

    @property
    @abstractmethod
    def deadline(self) -> int:
        """Return when `take` must be called even if nothing is heard, `NEVER` for never."""

    @abstractmethod
    def take(self, heard: Sequence[Character], until: int) -> None:
        """Take what was heard since the last call, up to `until`, which is now."""

    def spoke(self, talk: Talk, end: int) -> None:  # noqa: B027 (most need not know)
        """Take note that the station itself begins to talk, up to `end`."""


class Bus:
    """The stations of one pair.

    Args:
        make_line: makes the line for a plant; called again when the plant changes.
        plant: at the beginning.
        at: instant of the beginning.

    Attributes:
        plant: as it stands now.
        now: the present instant; nothing behind it has been heard.
        ledger: takes down who said what and who heard it; None for nobody.
        prepare: called with each instant before anybody hears up to it.
    """

    def __init__(self, make_line: Callable[[Plant], PairLine], plant: Plant, at: int = 0) -> None:
        self._make_line = make_line
        self.plant = plant
        self.now = self._origin = at  # the line counts from here
        self.ledger: Ledger | None = None
        self.prepare: Act = _nothing
        self._line = make_line(plant)
        self._ears: dict[int, list[Listener]] = {}
        self._filters: dict[int, Callable[[Sequence[Character]], Sequence[Character]]] = {}
        self._arcs: list[tuple[int, Arc]] = []
        self._talks: list[Talk] = []
        self._ends: list[int] = []  # when talks have arrived everywhere
        self._events: list[tuple[int, int, Act]] = []
        self._look_at = at + LOOK_NS
        self._count = 0
        self._margin = _margin(plant)

    @property
    def next(self) -> int:
        """Return the next instant at which something may happen."""
        due = self._events[0][0] if self._events else NEVER
        return min(due, self._next_hearing)

    @property
    def _next_hearing(self) -> int:
        """Return when stations must hear next."""
        due = self._ends[0] if self._ends else NEVER
        for listeners in self._ears.values():
            for each in listeners:
                at = each.deadline
                if at < due:  # noqa: PLR1730 (asked all the time)
                    due = at
        return max(min(due, self._look_at), self.now)

    @property
    def busy_until(self) -> int:
        """Return when the last talk that was said has ended everywhere; past when it is quiet."""
        return max((each.release_at + self._margin for each in self._talks), default=self.now)

    def attach(self, listener: Listener, *, first: bool = False) -> None:
        """Let a station hear; several listeners at one station hear the same.

        Args:
            listener: at its station.
            first: before those that are there: whoever writes down what is heard must have it
                before somebody answers it.
        """
        if listener.index not in self._ears:
            self._ears[listener.index] = []
            self._line.hear(listener.index, self.now - self._origin)
        listeners = self._ears[listener.index]
        listeners.insert(0 if first else len(listeners), listener)

    def filter(
        self, index: int, keeps: Callable[[Sequence[Character]], Sequence[Character]]
    ) -> None:
        """Let what a station hears go through `keeps` before anybody there gets it."""
        self._filters[index] = keeps

    def put(self, at: int, act: Act) -> None:
        """Put down an act for an instant; not before now."""
        self._count += 1
        heapq.heappush(self._events, (max(at, self.now), self._count, act))

    def say(self, talk: Talk, end: int, role: str) -> None:
        """Let a station talk; its driver must not have been on before now.

        Args:
            talk: what it says.
            end: of its last stop bit, by its own clock.
            role: for the ledger, e.g. ``request``.
        """
        self._line.say(_later(talk, -self._origin))
        self._talks = [each for each in self._talks if each.release_at > self.now - LOOK_NS]
        self._talks.append(talk)
        if self.ledger is not None:
            self.ledger.said(talk, end, role)
        for listener in self._ears.get(talk.station, ()):
            listener.spoke(talk, end)
        heapq.heappush(self._ends, end + self._margin)

    def arc(self, at: int, state: Arc) -> None:
        """Note that the arc is in `state` from `at` on; not before now."""
        self._arcs.append((at - self._origin, state))
        self._line.arc(at - self._origin, state)

    def change(self, plant: Plant) -> None:
        """Let the plant be another one from now on; its stations are the same.

        What is being said goes on; characters that were under way at a station are lost there.
        """
        self.plant = plant
        self._margin = _margin(plant)
        self._line = self._make_line(plant)
        for at, state in self._arcs:
            self._line.arc(at, state)
        for talk in self._talks:
            if talk.release_at > self.now:
                self._line.say(_later(talk, -self._origin))
        for index in self._ears:
            self._line.hear(index, self.now - self._origin)

    def tune(self, index: int, settings: LineSettings) -> None:
        """Set a station's UART to another rate or format from now on."""
        stations = list(self.plant.stations)
        if stations[index].settings != settings:
            stations[index] = replace(stations[index], settings=settings)
            self.change(replace(self.plant, stations=tuple(stations)))

    def step(self, until: int) -> None:
        """Go to the next instant at which something may happen, at most to `until`."""
        hearing = min(self._next_hearing, until)
        at = self._events[0][0] if self._events else NEVER
        at = max(min(at, hearing), self.now)
        self.prepare(at)
        self.now = at
        if at >= hearing:
            self._listen(at)
        events = self._events
        while events and events[0][0] <= at:
            heapq.heappop(events)[2](at)

    def _listen(self, at: int) -> None:
        """Let everybody hear up to now, and act."""
        self._look_at = at + LOOK_NS
        while self._ends and self._ends[0] <= at:
            heapq.heappop(self._ends)
        ears = [(listeners, self._hear(index, at)) for index, listeners in self._ears.items()]
        if self.ledger is not None:
            self.ledger.settle(at)
        for listeners, heard in ears:
            for listener in listeners:
                if heard or listener.deadline <= at:
                    listener.take(heard, at)

    def _hear(self, index: int, until: int) -> Sequence[Character]:
        """Return what a station hears, and let the ledger know."""
        origin = self._origin
        heard = self._line.hear(index, until - origin)
        if heard:
            if origin:
                heard = [each._replace(at=each.at + origin) for each in heard]
            if index in self._filters:
                heard = self._filters[index](heard)
            if self.ledger is not None:
                self.ledger.heard(index, heard)
        return heard

    def run(self, until: int) -> None:
        """Go on to `until`."""
        while self.now < until:
            self.step(until)


def _later(talk: Talk, span_ns: int) -> Talk:
    """Return a talk so much later."""
    if not span_ns:
        return talk
    return talk._replace(
        start=talk.start + span_ns,
        enable_at=talk.enable_at + span_ns,
        release_at=talk.release_at + span_ns,
    )


def _nothing(_: int) -> None:
    """Do nothing: it is enough that everybody hears."""


def _margin(plant: Plant) -> int:
    """Return how long after a talk its last character has arrived everywhere.

    A station that runs at a much lower rate than the first one hears its characters later, and
    makes nothing of them anyway.
    """
    first = plant.stations[0].settings.character_ns
    slow = [each.settings.character_ns for each in plant.stations]
    return min(max(slow), first * 5 // 4) + PROPAGATION_NS


# --- a station's mouth ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Manner:
    """How a station talks. Spans are those of a good one unless given (invented).

    Attributes:
        lead_ns: its driver is on so long before the first start bit.
        hold_ns: and so long after the last stop bit; below 0 it lets go before the end.
        slip_ns: the same, in a share of its talks.
        slip_share: that share, 0 to 1.
        turnaround_ns: a server waits at least so long before a reply, besides t3.5.
        spread_ns: and exponentially longer, with this mean.
        answers: share of the requests that a server answers.
        echo_share: of its talks, whose echo its receiver lets through where it hears itself.
    """

    lead_ns: int = 20_000
    hold_ns: int = 20_000
    slip_ns: int = 0
    slip_share: float = 0.0
    turnaround_ns: int = 0
    spread_ns: int = 0
    answers: float = 1.0
    echo_share: float = 1.0


class Mouth:
    """A station's transmitter.

    Args:
        bus: on which it talks.
        index: of the station.
        manner: how.
        seed: of all chance here, together with the station's name.

    Attributes:
        manner: as given.
        chance: of this station.
        free_at: end of what it has said last.
    """

    def __init__(self, bus: Bus, index: int, manner: Manner, seed: int) -> None:
        self.bus = bus
        self.index = index
        self.manner = manner
        self.chance = dice(seed, bus.plant.stations[index].name, 0)
        self.free_at = bus.now
        self._silenced: list[tuple[int, int]] = []
        if manner.echo_share < 1.0:
            bus.filter(index, self._filtered)

    @property
    def settings(self) -> LineSettings:
        """Return the rate and format that it talks at."""
        return self.bus.plant.stations[self.index].settings

    def span_ns(self, count: int) -> int:
        """Return how long it takes for some characters, by its own clock."""
        place = self.bus.plant.stations[self.index]
        return round(place.settings.characters_ns(count) / (1 + place.clock_ppm / PPM))

    def say(self, data: bytes, earliest: int, role: str) -> tuple[int, int]:
        """Say something and return when its first start bit begins and its last stop bit ends.

        Args:
            data: characters, at least one.
            earliest: of the first start bit; later while it still talks, or where that is past.
            role: for the ledger.
        """
        manner, bus = self.manner, self.bus
        start = max(earliest, self.free_at, bus.now)
        end = start + self.span_ns(len(data))
        hold = manner.hold_ns
        if manner.slip_share and self.chance.random() < manner.slip_share:
            hold = manner.slip_ns
        enable = max(start - manner.lead_ns, bus.now)
        release = max(end + hold, start + 1)
        bus.say(Talk(self.index, data, start, self.settings, enable, release), end, role)
        self.free_at = end
        if manner.echo_share < 1.0 and self.chance.random() >= manner.echo_share:
            slack = self.span_ns(1) // 2
            self._silenced = [each for each in self._silenced if each[1] >= bus.now]
            self._silenced.append((start + slack, end + slack))
        return start, end

    def _filtered(self, heard: Sequence[Character]) -> Sequence[Character]:
        """Return what is heard without the echoes that the adapter keeps back."""
        if not (heard and self._silenced):
            return heard
        spans = self._silenced
        return [c for c in heard if not any(begin < c.at <= end for begin, end in spans)]

    def pause_ns(self) -> int:
        """Return how long a server waits before this reply, besides t3.5."""
        manner = self.manner
        wait = manner.turnaround_ns
        if manner.spread_ns:
            wait += round(self.chance.expovariate(1.0) * manner.spread_ns)
        return wait
