"""`SampledLine`: the electrical fidelity of a pair, for studies of causes.

Each receiver's comparator is sampled 16 times a bit, as its UART does, and every sample's voltage
follows from the waves on the cable and the noise at that instant (`kerfbus.sim.pair.frontend`).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import ceil
from operator import attrgetter

import numpy as np

from kerfbus.bench.line import NS
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.changes import Changes
from kerfbus.sim.pair.clocks import TickClock
from kerfbus.sim.pair.fetching import Fetching
from kerfbus.sim.pair.frontend import MOST_SAMPLES, FrontEnd
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.tails import TAIL_NS
from kerfbus.sim.pair.talk import Arc, Character, PairLine, Talk
from kerfbus.sim.pair.uart import OVERSAMPLING, UartReceiver

_instant = attrgetter("at")


class _Ear:
    """A station that listens.

    Args:
        plant: what stands on the table.
        station: its index.
        disturbances: None for a pair without any noise.
        changes: what drivers do.
    """

    def __init__(
        self, plant: Plant, station: int, disturbances: Disturbances | None, changes: Changes
    ) -> None:
        place = plant.stations[station]
        rate = place.settings.baud * OVERSAMPLING
        seed = disturbances.seed if disturbances else 0
        # Sampling begins somewhere within a tick: no two UARTs are in step.
        phase = dice(seed, f"phase of {station}", 0).random()
        self._clock = TickClock(rate, place.clock_ppm, round(phase * NS / rate))
        self._uart = UartReceiver(place.settings)
        self._front = FrontEnd(plant, station, disturbances, changes, self._clock)
        self._fetching = None if place.host is None else Fetching(place.host)
        self._ready: list[Character] = []

    @property
    def needs(self) -> int:
        """Return from when on it needs to know what drivers did."""
        return self._clock.at(self._uart.position) - TAIL_NS

    def hear(self, until: int) -> list[Character]:
        """Return what was delivered up to an instant since the last time."""
        last = self._clock.last(until)
        while (first := self._uart.position) <= last:
            if not (self._uart.resting and self._skip(first, last)):
                left = last + 1 - first
                pieces = ceil(left / MOST_SAMPLES)  # alike: a short one costs as much as a long one
                self._listen(first, ceil(left / pieces))
        count = bisect_right(self._ready, until, key=_instant)
        heard = self._ready[:count]
        del self._ready[:count]
        return heard

    def _skip(self, first: int, last: int) -> bool:
        """Pass over samples that surely are mark; return whether there were any."""
        begin, end = self._clock.at(first), self._clock.at(last) + 1
        count = self._clock.last(self._front.quiet_until(begin, end) - 1) + 1 - first
        if count <= 0:
            return False
        self._uart.skip(count)
        return True

    def _listen(self, first: int, count: int) -> None:
        """Sample a stretch and let the UART have it."""
        outputs = self._front.outputs(first, count)
        found = self._uart.feed(outputs.tobytes())
        if not found:
            return
        ends = np.array([each.end for each in found])
        instants = self._clock.some(int(ends[0]), ends - ends[0]).tolist()
        arrived = [
            Character(value, at, errors)
            for (value, _, _, errors), at in zip(found, instants, strict=True)
        ]
        if self._fetching is not None:
            fetched = map(self._fetching.take, arrived)
            arrived = [each for each in fetched if each is not None]
        self._ready += arrived


class SampledLine(PairLine):
    """A pair with its stations, volt by volt.

    A station that is never asked what it hears keeps all talks in memory.

    Args:
        plant: what stands on the table.
        disturbances: what disturbs it, with the seed of all chance; None for nothing at all.

    Raises:
        UsageError: there are more stations than it bears.
    """

    def __init__(self, plant: Plant, disturbances: Disturbances | None = None) -> None:
        self.plant = plant
        self._disturbances = disturbances
        self._changes = Changes(plant)
        self._ears = [
            _Ear(plant, each, disturbances, self._changes) for each in range(len(plant.stations))
        ]

    def say(self, talk: Talk) -> None:
        """Let a station talk; talks may overlap. Told before anybody hears past its `enable_at`.

        Raises:
            UsageError: the station has no driver.
        """
        self._changes.forget(min(ear.needs for ear in self._ears))
        self._changes.say(talk)

    def arc(self, at: int, state: Arc) -> None:
        """Note that the arc is in `state` from `at` on. Told before anybody hears past `at`."""
        if self._disturbances is not None:
            self._disturbances.arc(at, state)

    def hear(self, station: int, until: int) -> Sequence[Character]:
        """Return what a station's receiver delivered with ``at <= until`` since it was last asked.

        `kerfbus.sim.pair.talk.PairLine.hear` says what holds.
        """
        return self._ears[station].hear(until)
