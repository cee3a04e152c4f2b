"""What is left of level changes that have not settled yet, and changes by a failing contact."""

from __future__ import annotations

from collections.abc import Callable
from math import ceil

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.changes import MOST_STATIONS, Integers, Stretch
from kerfbus.sim.pair.episodes import Episode, Kind
from kerfbus.sim.pair.reflections import Response

TAIL_NS = 3_000_000
"""A change is followed for no longer."""
FIRM = 0.75
"""Share of what a level has to spare that is left for noise while a change settles."""
CONTACT = MOST_STATIONS
"""Stands for the failing contact where the station that changes something is meant."""
Volts = NDArray[np.float64]


class Tails:
    """What is left of changes that have not settled.

    Args:
        stretch: the changes.
        states: codes of different states, and which of them is before and after each change.
        levels: volts of these states, and what they have to spare to the threshold up to which
            they decide.
        response: how a change by a station into a state arrives.

    Attributes:
        doubtful: of each change: how long what is left of it, or of one before, may outdo a
            quarter of what its level has to spare, ns.
    """

    def __init__(
        self,
        stretch: Stretch,
        states: tuple[Integers, Integers],
        levels: tuple[Volts, Volts],
        response: Callable[[int, int], Response],
    ) -> None:
        self._at = stretch.at
        codes, where = states
        self._volts, self._where = levels[0], where
        self._kind = stretch.station * len(codes) + where[1:]
        self._responses: dict[int, Response] = {}
        kinds = np.bincount(self._kind)
        settled, firm = np.zeros(len(kinds), np.int64), np.zeros(len(kinds), np.int64)
        swing = max(float(np.ptp(levels[0])), 1e-9)
        for kind in np.flatnonzero(kinds).tolist():
            station, state = divmod(kind, len(codes))
            found = response(station, int(codes[state]))
            self._responses[kind] = found
            settled[kind] = min(ceil(found.settled_ns), TAIL_NS)
            share = (1 - FIRM) * float(levels[1][state]) / swing
            firm[kind] = min(found.reaches_ns(share), settled[kind])
        self._settled = settled[self._kind]
        self._longest = int(settled.max(initial=0))
        alone = np.diff(self._at, prepend=-(1 << 62)) > self._longest
        self.doubtful = np.where(alone, firm[self._kind], self._settled)

    def left(self, part: Integers, at: Integers) -> Volts:
        """Return what samples in these parts, at these instants, lack to the settled level, V."""
        lacks = np.zeros(len(part))
        change, where = part - 1, np.arange(len(part))
        while len(where):
            where, change = where[change >= 0], change[change >= 0]
            since = at[where] - self._at[change]
            near = since < self._longest
            where, change, since = where[near], change[near], since[near]
            moving = since < self._settled[change]
            for kind in np.unique(self._kind[change[moving]]).tolist():
                these = moving & (self._kind[change] == kind)
                shape = self._responses[kind].at(since[these].astype(np.float64))
                step = self._step(change[these])
                lacks[where[these]] += step * (shape - 1)
            change = change - 1
        return lacks

    def _step(self, change: Integers) -> Volts:
        return self._volts[self._where[change + 1]] - self._volts[self._where[change]]


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
