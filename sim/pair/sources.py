"""What makes episodes: one source for each part of a noise plan.

A source tells what begins within a piece of time, from the piece's own dice and from what the arc
did up to each event. So the past is the same whatever comes, and any piece can be told alone.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from math import exp
from random import Random
from typing import NamedTuple

from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.coupling import Coupling
from kerfbus.sim.pair.episodes import FAINT_VOLTS, Episode, Kind
from kerfbus.sim.pair.history import History
from kerfbus.sim.pair.noiseplan import (
    SECOND,
    Bursts,
    Dropouts,
    Held,
    NoisePlan,
    Opening,
    SparkTrain,
    Steps,
    Transients,
)
from kerfbus.sim.pair.talk import Arc

PIECE_NS = 1 << 29
"""Length of a piece of time, about half a second."""
HELD_NS = 1 << 23
"""In slices of this, about 8 ms, what lasts as long as a state is told, for its end is not known
before. A piece holds a whole number of them."""
TIME_CONSTANTS = 5.0
"""After so many a ringing is over (0.7 % of its peak is left)."""


class Piece(NamedTuple):
    """Piece `number` of time: from `begin` up to, not including, `end`."""

    number: int
    begin: int
    end: int


def piece(index: int) -> Piece:
    """Return a piece by its number."""
    return Piece(index, index * PIECE_NS, (index + 1) * PIECE_NS)


class Source(ABC):
    """A source of episodes.

    Attributes:
        longest_ns: no episode lasts longer.
    """

    longest_ns: int

    @abstractmethod
    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield what begins within a piece of time, in any order."""


class _Candidate(NamedTuple):
    """An event of a Poisson process before the arc is asked whether it happens."""

    at: int
    mark: float
    length: float
    strength: float


def _candidates(draw: Random, span: Piece, per_second: float) -> Iterator[_Candidate]:
    """Yield a Poisson process over a piece; each event brings a uniform and two normal numbers."""
    at = float(span.begin)
    while True:
        at += draw.expovariate(per_second) * SECOND
        if at >= span.end:
            return
        yield _Candidate(int(at), draw.random(), draw.gauss(0.0, 1.0), draw.gauss(0.0, 1.0))


def _lasting(plan: Bursts | Steps, normal: float) -> int:
    """Return a lognormal duration, at least 1 ns."""
    return max(1, min(plan.longest_ns, round(plan.median_ns * exp(plan.spread * normal))))


class BurstSource(Source):
    """Bursts by state of the arc: one process at the highest rate, thinned by the state."""

    def __init__(self, seed: int, plans: Mapping[Arc, Bursts], factor: float) -> None:
        self._seed = seed
        self._plans = {s: p for s, p in plans.items() if p.volts * factor >= FAINT_VOLTS}
        self._factor = factor
        self._highest = max((p.per_second for p in self._plans.values()), default=0.0)
        self.longest_ns = max((p.longest_ns for p in self._plans.values()), default=0)

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the bursts that begin within a piece of time."""
        if not self._highest:
            return
        for each in _candidates(dice(self._seed, "bursts", span.number), span, self._highest):
            state = arc.state(each.at)
            plan = self._plans.get(state)
            if plan is not None and each.mark * self._highest < plan.per_second:
                volts = plan.volts * exp(plan.volts_spread * each.strength) * self._factor
                end = each.at + _lasting(plan, each.length)
                yield Episode(each.at, end, Kind.SIGMA, volts, source=state.name.lower())


class OpeningSource(Source):
    """The bursts at the beginning of a state."""

    def __init__(self, seed: int, state: Arc, plan: Opening, coupling: Coupling) -> None:
        self._seed = seed
        self._state = state
        self._plan = plan
        self._name = state.name.lower()
        self._volts = plan.volts * coupling.differential
        self._rise = plan.rise * coupling.common_fast
        self.longest_ns = plan.longest_ns

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the bursts that begin within a piece of time."""
        for since, until, state in arc.spans(span.begin, span.end):
            if state is self._state and since + self._plan.within_ns > span.begin:
                for each in self._bursts(since):
                    if span.begin <= each.begin < min(span.end, until):
                        yield each

    def _bursts(self, since: int) -> Iterator[Episode]:
        draw, plan = dice(self._seed, self._name, since), self._plan
        for _ in range(draw.randint(plan.fewest, plan.most)):
            begin = since + int(draw.random() * plan.within_ns)
            end = begin + draw.randint(plan.shortest_ns, plan.longest_ns)
            sign = draw.choice((-1.0, 1.0))
            if self._volts >= FAINT_VOLTS:
                yield Episode(begin, end, Kind.SIGMA, self._volts, source=self._name)
            if self._rise >= FAINT_VOLTS:
                yield Episode(begin, end, Kind.COMMON, sign * self._rise, source=self._name)


class SparkSource(Source):
    """The pulses of high-frequency ignition."""

    def __init__(self, seed: int, plan: SparkTrain, coupling: Coupling) -> None:
        self._seed = seed
        self._plan = plan
        self._volts = plan.volts * coupling.differential
        self._rise = plan.rise * coupling.common_fast
        self.longest_ns = plan.longest_ring_ns

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the pulses that begin within a piece of time."""
        for since, until, state in arc.spans(span.begin, span.end):
            if state is Arc.IGNITION_HF and since + self._plan.longest_ns > span.begin:
                for each in self._pulses(since):
                    if span.begin <= each.begin < min(span.end, until):
                        yield each

    def _pulses(self, since: int) -> Iterator[Episode]:
        draw, plan = dice(self._seed, "sparks", since), self._plan
        apart = SECOND / draw.uniform(plan.slowest, plan.fastest)
        octaves = plan.highest_hertz / plan.lowest_hertz
        at = since + draw.random() * apart
        while at < since + plan.longest_ns:
            begin = int(at)
            rings = draw.randint(plan.shortest_ns, plan.longest_ring_ns)
            hertz = plan.lowest_hertz * octaves ** draw.random()
            sign = draw.choice((-1.0, 1.0))
            at += apart * draw.uniform(0.9, 1.1)
            if self._volts >= FAINT_VOLTS:
                decay, end = rings / TIME_CONSTANTS, begin + rings
                yield Episode(begin, end, Kind.RING, sign * self._volts, hertz, decay, "sparks")
            if self._rise >= FAINT_VOLTS:
                end = begin + rings
                yield Episode(begin, end, Kind.COMMON, sign * self._rise, source="sparks")


class TransientSource(Source):
    """Trains of fast transients; the seed decides where in the period they lie."""

    def __init__(self, seed: int, name: str, plan: Transients, factor: float) -> None:
        self._seed = seed
        self._name = name
        self._plan = plan
        self._volts = plan.volts * factor
        self._phase = int(dice(seed, name, 0).random() * plan.period_ns)
        self._apart = SECOND / plan.hertz
        self.longest_ns = round(TIME_CONSTANTS * plan.decay_ns)

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the pulses that begin within a piece of time."""
        plan = self._plan
        if self._volts < FAINT_VOLTS:
            return
        first = (span.begin - self._phase - plan.train_ns) // plan.period_ns
        for train in range(first, (span.end - self._phase) // plan.period_ns + 1):
            start = self._phase + train * plan.period_ns
            sign = 1.0 if dice(self._seed, self._name, train).random() < 0.5 else -1.0
            for pulse in range(plan.pulses):
                at = start + round(pulse * self._apart)
                if span.begin <= at < span.end and arc.state(at) in plan.states:
                    yield self._pulse(at, sign * self._volts)

    def _pulse(self, at: int, volts: float) -> Episode:
        plan, end = self._plan, at + self.longest_ns
        return Episode(at, end, Kind.RING, volts, plan.ring_hertz, plan.decay_ns, self._name)


class StepSource(Source):
    """A load that comes and goes and lifts a ground."""

    def __init__(self, seed: int, name: str, plan: Steps, factor: float) -> None:
        self._seed = seed
        self._name = name
        self._plan = plan
        self._volts = plan.volts * factor
        self.longest_ns = plan.longest_ns

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the steps that begin within a piece of time."""
        plan = self._plan
        if not plan.per_second or abs(self._volts) < FAINT_VOLTS:
            return
        for each in _candidates(dice(self._seed, self._name, span.number), span, plan.per_second):
            if arc.state(each.at) in plan.states:
                end = each.at + _lasting(plan, each.length)
                yield Episode(each.at, end, Kind.COMMON, self._volts, source=self._name)


class HeldSource(Source):
    """Something that lasts as long as certain states of the arc, in slices of `HELD_NS`."""

    longest_ns = HELD_NS

    def __init__(self, name: str, plan: Held, coupling: Coupling) -> None:
        slow = plan.kind is Kind.COMMON
        self._name = name
        self._plan = plan
        self._volts = plan.volts * (coupling.common_slow if slow else coupling.differential)

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the slices of a piece of time."""
        if abs(self._volts) < FAINT_VOLTS:
            return
        for since, until, state in arc.spans(span.begin, span.end):
            if state in self._plan.states:
                first = -(-max(since, span.begin) // HELD_NS) * HELD_NS
                for begin in range(first, min(until, span.end), HELD_NS):
                    end = begin + HELD_NS
                    yield Episode(begin, end, self._plan.kind, self._volts, source=self._name)


class DropoutSource(Source):
    """A contact that opens: at Poisson renewals it falls open or shut, whatever it was.

    That is the two-state chain in continuous time, and what it does within a piece of time depends
    on nothing before the last renewal. An open time is told cut at the borders of pieces.
    """

    longest_ns = PIECE_NS

    def __init__(self, seed: int, name: str, plan: Dropouts) -> None:
        self._seed = seed
        self._name = name
        self._plan = plan
        self._last: tuple[int, bool] | None = None

    def begun(self, span: Piece, arc: History) -> Iterator[Episode]:
        """Yield the open times of a piece of time."""
        del arc
        falls = [(span.begin, self._left_open(span.number - 1)), *self._renewals(span.number)]
        since: int | None = None
        for at, opens in falls:
            if opens and since is None:
                since = at
            elif not opens and since is not None:
                yield self._open(since, at)
                since = None
        self._last = (span.number, falls[-1][1])
        if since is not None:
            yield self._open(since, span.end)

    def _open(self, begin: int, end: int) -> Episode:
        return Episode(begin, end, self._plan.kind, self._plan.volts, source=self._name)

    def _renewals(self, index: int) -> list[tuple[int, bool]]:
        draw, span = dice(self._seed, self._name, index), piece(index)
        share = self._plan.open_share
        rate = self._plan.renewals_per_second
        return [(each.at, each.mark < share) for each in _candidates(draw, span, rate)]

    def _left_open(self, index: int) -> bool:
        """Return whether a piece ends with the contact open."""
        if self._last is not None and self._last[0] == index:
            return self._last[1]
        while not (falls := self._renewals(index)):
            index -= 1
        return falls[-1][1]


def sources_of(plan: NoisePlan, coupling: Coupling, seed: int) -> list[Source]:
    """Return the sources of a plan; hum is not among them, for it is always there."""
    strong = Coupling(*(plan.gain * each for each in coupling))
    slow = strong.common_slow
    found: list[Source] = [BurstSource(seed, plan.bursts, strong.differential)]
    found += [OpeningSource(seed, state, each, strong) for state, each in plan.openings.items()]
    if plan.sparks is not None:
        found.append(SparkSource(seed, plan.sparks, strong))
    for index, train in enumerate(plan.transients, 1):
        found.append(TransientSource(seed, f"transients {index}", train, strong.differential))
    for index, steps in enumerate(plan.steps, 1):
        found.append(StepSource(seed, f"ground step {index}", steps, slow))
    for index, held in enumerate(plan.held, 1):
        found.append(HeldSource(f"held {index}", held, strong))
    for index, dropouts in enumerate(plan.dropouts, 1):
        found.append(DropoutSource(seed, f"contact {index}", dropouts))
    return found
