"""What disturbs a pair, as a function of time: `Disturbances`.

Both fidelities ask here, millions of times in a long run; a question about a stretch in which
nothing begins or ends costs a few comparisons. What is told depends on the plan, the routing, the
seed and what the arc did up to then, never on how often, in which order or in what pieces it was
asked.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from itertools import accumulate
from math import cos, pi
from operator import attrgetter
from typing import TypeVar

from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.coupling import Coupling, Routing, Shield
from kerfbus.sim.pair.episodes import FAINT_VOLTS, Episode, Kind
from kerfbus.sim.pair.history import LONG_AGO, NEVER, History
from kerfbus.sim.pair.noiseplan import SECOND, Hum, NoisePlan
from kerfbus.sim.pair.sources import PIECE_NS, Piece, piece, sources_of
from kerfbus.sim.pair.talk import Arc

__all__ = ["Disturbances", "Episode", "Kind", "NoisePlan", "Routing", "Shield"]

_Kept = TypeVar("_Kept")

MOST_PIECES = 64
"""Pieces of time whose episodes are kept; further ones are made anew when asked for."""


class _Window:
    """The episodes that overlap a piece of time, in order of their beginning."""

    def __init__(self, span: Piece, episodes: list[Episode]) -> None:
        self.span = span
        self.episodes = sorted(episodes, key=attrgetter("begin"))
        self.begins = [each.begin for each in self.episodes]
        self.ends = list(accumulate((each.end for each in self.episodes), max))
        """The latest end of all up to each."""


class Disturbances:
    """All that disturbs a pair.

    Args:
        plan: how often, how long, how strong.
        routing: what of it reaches the pair.
        seed: of all chance.

    Attributes:
        plan, routing, seed: as given.
        coupling: what the routing leaves.
        sigma: background between the conductors, V rms, always there.
    """

    def __init__(self, plan: NoisePlan, routing: Routing, seed: int) -> None:
        self.plan = plan
        self.routing = routing
        self.seed = seed
        self.coupling: Coupling = routing.coupling
        self.sigma = plan.gaussian
        self._sources = sources_of(plan, self.coupling, seed)
        longest = max(each.longest_ns for each in self._sources)
        self._back = -(-longest // PIECE_NS)
        self._steady = [
            self._hum(each, index)
            for index, each in enumerate(plan.hum, 1)
            if abs(each.volts) * plan.gain * self.coupling.common_slow >= FAINT_VOLTS
        ]
        self._history = History()
        self._begun: dict[int, list[Episode]] = {}
        self._windows: dict[int, _Window] = {}
        self._still_from = self._still_until = 0
        self._still: list[Episode] = []
        self._knots: tuple[int, float, float] | None = None

    def _hum(self, hum: Hum, index: int) -> Episode:
        volts = hum.volts * self.plan.gain * self.coupling.common_slow
        begin = -round(dice(self.seed, "hum", index).random() * SECOND / hum.hertz)
        return Episode(begin, NEVER, Kind.HUM, volts, hum.hertz, source=f"hum {index}")

    def arc(self, at: int, state: Arc) -> None:
        """Note that the arc is in `state` from `at` on; noting the state it is in changes nothing.

        Raises:
            UsageError: `at` lies before what was noted last.
        """
        if not self._history.note(at, state):
            return
        self._still_until = min(self._still_until, at)
        for kept in (self._begun, self._windows):
            for index in [index for index in kept if (index + 1) * PIECE_NS > at]:
                del kept[index]

    def episodes(self, begin: int, end: int) -> list[Episode]:
        """Return all that overlaps a span of time, in order of their beginning.

        What lasts (a hum, a load, an open contact) may be told as several episodes, each of which
        begins where the one before ends.
        """
        if self._still_from <= begin and end <= self._still_until:
            return self._still.copy()
        found = self._steady.copy()
        first, last = begin // PIECE_NS, (end - 1) // PIECE_NS
        for index in range(first, last + 1):
            window = self._window(index)
            coming = bisect_left(window.begins, end)
            over = bisect_right(window.ends, begin, 0, coming)
            for each in window.episodes[over:coming]:
                if each.end > begin and (index == first or each.begin >= window.span.begin):
                    found.append(each)
        if first == last:
            self._note_still(window, slice(over, coming), begin, found)
        return found

    def _note_still(self, window: _Window, near: slice, begin: int, found: list[Episode]) -> None:
        """Remember from when until when the same is told as has just been found in a window."""
        since = max(window.span.begin, window.ends[near.start - 1] if near.start else LONG_AGO)
        until = window.span.end
        if near.stop < len(window.begins):
            until = min(until, window.begins[near.stop])
        for each in window.episodes[near]:
            if each.end > begin:
                since, until = max(since, each.begin), min(until, each.end)
            else:
                since = max(since, each.end)
        self._still_from, self._still_until, self._still = since, until, found.copy()

    def _window(self, index: int) -> _Window:
        """Return the episodes that overlap a piece of time, from what is kept or made anew."""
        window = self._windows.get(index)
        if window is None:
            span = piece(index)
            found = self._begun_in(index).copy()
            for earlier in range(index - self._back, index):
                found += [each for each in self._begun_in(earlier) if each.end > span.begin]
            window = _Window(span, found)
            _keep(self._windows, index, window)
        return window

    def _begun_in(self, index: int) -> list[Episode]:
        """Return the episodes that begin in a piece of time."""
        found = self._begun.get(index)
        if found is None:
            span = piece(index)
            found = [each for source in self._sources for each in source.begun(span, self._history)]
            _keep(self._begun, index, found)
        return found

    def drift(self, at: int) -> float:
        """Return what an undriven pair without bias has wandered to, V.

        Gaussian at knots of the plan's distance, with a smooth way between them.
        """
        wander = self.plan.drift
        if not wander.volts:
            return 0.0
        index, since = divmod(at, wander.knot_ns)
        if self._knots is None or self._knots[0] != index:
            here, there = (dice(self.seed, "drift", i).gauss(0.0, 1.0) for i in (index, index + 1))
            self._knots = (index, here, there)
        _, here, there = self._knots
        weight = 0.5 - 0.5 * cos(pi * since / wander.knot_ns)
        return wander.volts * (here + weight * (there - here))


def _keep(kept: dict[int, _Kept], index: int, what: _Kept) -> None:
    """Keep what was made for a piece of time; the one kept longest makes room."""
    if len(kept) >= MOST_PIECES:
        del kept[next(iter(kept))]
    kept[index] = what
