"""What is left of level changes that have not settled yet, and changes by a failing contact."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.changes import Integers, Stretch
from kerfbus.sim.pair.episodes import Episode, Kind
from kerfbus.sim.pair.reflections import Response

TAIL_NS = 3_000_000
"""A change is followed for no longer."""
CONTACT = -1
"""Stands for the failing contact where the station that changes something is meant."""
Volts = NDArray[np.float64]


class Tails:
    """What is left of changes that have not settled.

    Args:
        stretch: the changes.
        volts: settled, before the first change and after each.
        response: how a change by a station into a state arrives.
    """

    def __init__(
        self, stretch: Stretch, volts: Volts, response: Callable[[int, int], Response]
    ) -> None:
        self._at = stretch.at
        self._steps = np.diff(volts)
        keys = np.stack((stretch.station, stretch.codes[1:]), axis=1)
        kinds, self._which = _distinct(keys)
        self._responses = [response(int(station), int(code)) for station, code in kinds]
        settled = [min(each.settled_ns, TAIL_NS) for each in self._responses]
        self.settled = np.ceil(settled).astype(np.int64)[self._which]
        """Of each change, ns after it."""
        self._longest = int(self.settled.max(initial=0))

    def left(self, part: Integers, at: Integers) -> Volts:
        """Return what samples in these parts, at these instants, lack to the settled level, V."""
        lacks = np.zeros(len(part))
        change, where = part - 1, np.arange(len(part))
        while len(where):
            where, change = where[change >= 0], change[change >= 0]
            since = at[where] - self._at[change]
            near = since < self._longest
            where, change, since = where[near], change[near], since[near]
            moving = since < self.settled[change]
            for kind in np.unique(self._which[change[moving]]):
                these = moving & (self._which[change] == kind)
                shape = self._responses[kind].at(since[these].astype(np.float64))
                lacks[where[these]] += self._steps[change[these]] * (shape - 1)
            change = change - 1
        return lacks


def _distinct(keys: Integers) -> tuple[Integers, Integers]:
    """Return different rows, and which of them each row is."""
    if not len(keys):
        return keys, np.zeros(0, np.int64)
    kinds, which = np.unique(keys, axis=0, return_inverse=True)
    return kinds, which.reshape(-1)


def with_contact(stretch: Stretch, told: list[Episode]) -> Stretch:
    """Return changes with those of the failing contact among them; codes are doubled."""
    spans = [(each.begin, each.end) for each in told if each.kind is Kind.OPEN]
    if not spans:
        return stretch._replace(codes=stretch.codes * 2)
    begins, ends = np.array(spans, np.int64).T
    at = np.concatenate((stretch.at, begins, ends))
    station = np.concatenate((stretch.station, np.full(2 * len(spans), CONTACT)))
    rest = np.zeros(2 * len(spans), np.int64)
    moves = np.concatenate((np.diff(stretch.codes) * 2, rest))
    depth = np.zeros(len(at), np.int64)
    depth[len(stretch.at) :] = np.repeat((1, -1), len(spans))
    order = np.argsort(at, kind="stable")
    codes = 2 * stretch.codes[0] + np.cumsum(moves[order]) + (np.cumsum(depth[order]) > 0)
    return Stretch(at[order], station[order], np.concatenate((2 * stretch.codes[:1], codes)))
