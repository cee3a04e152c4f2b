"""What drivers do over time: level changes of all talks, told for any stretch.

The state of all drivers is one number, a digit of base 3 for each station: off, space, mark.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.clocks import LONGEST_PIECE, TickClock
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.talk import Talk
from kerfbus.sim.pair.uart import levels

OFF, SPACE, MARK = 0, 1, 2
MOST_STATIONS = 39
"""What fits into 64 bits; 32 unit loads and more than a few taps are beyond any pair."""
Integers = NDArray[np.int64]


class Stretch(NamedTuple):
    """Level changes in order of time.

    Attributes:
        at: instants, shape (changes,).
        station: whose driver changes, shape (changes,).
        codes: state of all drivers before the first change and after each, shape (changes + 1,).
    """

    at: Integers
    station: Integers
    codes: Integers


class _Saying:
    """One talk: when its driver changes, and to what."""

    def __init__(self, plant: Plant, talk: Talk) -> None:
        place = plant.stations[talk.station]
        driver = place.driver
        if driver is None:
            raise UsageError(f"{place.name} has no driver and cannot talk")
        self.station = talk.station
        self.begin = talk.enable_at + round(driver.enable_ns)
        self.end = max(self.begin, talk.release_at + round(driver.release_ns))
        bits = np.frombuffer(levels(talk.data, talk.settings), np.uint8)
        clock = TickClock(talk.settings.baud, place.clock_ppm, talk.start)
        # Behind the last bit it sends mark, as before the first.
        drives = np.concatenate((bits, [1])).astype(np.int64) + SPACE
        at = np.concatenate(
            [
                clock.instants(first, min(LONGEST_PIECE, len(drives) - first))
                for first in range(0, len(drives), LONGEST_PIECE)
            ]
        )
        changed = np.flatnonzero(drives[1:] != drives[:-1]) + 1
        if drives[0] != MARK:
            changed = np.concatenate(([0], changed))
        at, drives = at[changed], drives[changed]
        before = np.searchsorted(at, self.begin, "right")
        state = drives[before - 1] if before else MARK
        during = slice(int(before), int(np.searchsorted(at, self.end)))
        self.at = np.concatenate(([self.begin], at[during], [self.end]))
        self.states = np.concatenate(([OFF, state], drives[during], [OFF]))

    def cut(self, at: int) -> None:
        """Let the driver go at an instant, when it has not done so before."""
        if at < self.end:
            keep = int(np.searchsorted(self.at, at))
            self.at = np.concatenate((self.at[:keep], [at]))
            self.states = np.concatenate((self.states[: keep + 1], [OFF]))
            self.end = at


class Changes:
    """All talks on a plant."""

    def __init__(self, plant: Plant) -> None:
        if len(plant.stations) > MOST_STATIONS:
            raise UsageError(
                f"plant: {len(plant.stations)} stations; the sampled line bears {MOST_STATIONS}"
            )
        self._plant = plant
        self._sayings: list[_Saying] = []
        self._last: dict[int, _Saying] = {}

    def say(self, talk: Talk) -> None:
        """Add a talk. A talk of the same station that is not over ends when its driver is on.

        Raises:
            UsageError: the station has no driver.
        """
        saying = _Saying(self._plant, talk)
        last = self._last.get(talk.station)
        if last is not None:
            last.cut(max(saying.begin, last.begin))
        self._last[talk.station] = saying
        self._sayings.append(saying)

    def forget(self, until: int) -> None:
        """Forget talks that ended before an instant; nobody may ask for what was before it."""
        if self._sayings and self._sayings[0].end < until:
            self._sayings = [each for each in self._sayings if each.end >= until]

    def first(self, begin: int, end: int) -> int:
        """Return from when on, within a span of time, a driver is on; `end` when none is."""
        begins = [max(each.begin, begin) for each in self._sayings if each.end > begin]
        return min([end, *begins])

    def stretch(self, begin: int, end: int) -> Stretch:
        """Return the changes after `begin`, up to, not including, `end`."""
        at, station, moves, code = [], [], [], 0
        for each in self._sayings:
            if each.begin >= end or each.end <= begin:
                continue
            digit = 3**each.station
            low, high = np.searchsorted(each.at, (begin + 1, end))
            code += int(each.states[low]) * digit
            at.append(each.at[low:high])
            moves.append(np.diff(each.states[low : high + 1]) * digit)
            station.append(np.full(high - low, each.station))
        if not at:
            none = np.zeros(0, np.int64)
            return Stretch(none, none, np.zeros(1, np.int64))
        times, who, steps = (np.concatenate(each) for each in (at, station, moves))
        if len(at) > 1:
            order = np.argsort(times, kind="stable")
            times, who, steps = times[order], who[order], steps[order]
        return Stretch(times, who, np.concatenate(([code], code + np.cumsum(steps))))


def driving(code: int, stations: int) -> dict[int, bool]:
    """Return who drives, and whether mark, in a state of all drivers."""
    found = {}
    for station in range(stations):
        code, state = divmod(code, 3)
        if state:
            found[station] = state == MARK
    return found
