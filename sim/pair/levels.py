"""Steady volts on a pair: nodal analysis of both conductors with all that loads and drives them.

Each place along the trunk has two nodes, D1 and D0. Between places is the resistance of the
conductors; across them lie the terminators; from each to its station's common the receiver's load
(a unit load is 12 kohm, TIA/EIA-485-A by way of EURASIP JES 2016, table 1); the bias network pulls
D1 up and D0 down; each driver that is on is two sources of half its resistance. Several drivers may
be on: the network is linear, so they add up, as far as real drivers stay below their limit of
current (250 mA in that standard; two of 3.6 V and 40 ohm that fight drive 90 mA).

A receiver whose common mode is out of range is deaf: its inputs saturate, no difference is left,
and it says mark, as failsafe receivers do without a difference. That is invented: the standard
promises nothing there, and many receivers do so.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import inf
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.plant import Plant

UNIT_LOAD_OHMS = 12_000.0
"""From each conductor to the station's common."""
LEAK_OHMS = 1e9
"""From each node to the first station's common, so that a cut piece of cable has a potential."""
Driving = Mapping[int, bool]
"""Which stations drive (by index): mark is True, as they see the pair themselves."""


class Seen(NamedTuple):
    """What a receiver has at its inputs.

    Attributes:
        volts: differential, positive for mark as this receiver is wired.
        common: common mode against its own common, V.
    """

    volts: float
    common: float


class Talked(NamedTuple):
    """What one station's driver makes of another's receiver, alone on the pair.

    Attributes:
        mark, space: differential as the listener is wired, V; space is negative unless one of
            the two is swapped.
        idle: nobody drives, V.
        common: common mode while driven, V.
        mark_margin, space_margin: noise that it takes to mishear, V: from the level to the
            threshold beyond which the other is heard, hysteresis included; negative when the level
            itself is misheard.
        deaf: the common mode is out of the receiver's range.
    """

    mark: float
    space: float
    idle: float
    common: float
    mark_margin: float
    space_margin: float
    deaf: bool


class Network:
    """The network that `Levels` solves: conductances between nodes, currents into them.

    Attributes:
        places: along the trunk, m, rising; node 2i is D1 at place i, 2i + 1 is D0.
    """

    def __init__(self, plant: Plant, *, opened: bool) -> None:
        self._plant = plant
        trunk = plant.cable.metres
        along = {0.0, trunk, plant.bias_metres, *(place.metres for place in plant.stations)}
        self.places = sorted(along)
        count = 2 * len(self.places)
        self._matrix = np.eye(count) / LEAK_OHMS
        self._sources = np.zeros(count)
        self._lay_cable(opened)
        self._across(0.0, plant.near_ohms)
        self._across(trunk, plant.far_ohms)
        for place in plant.stations:
            for side in (0, 1):
                load = UNIT_LOAD_OHMS / place.receiver.unit_loads
                self._feed(self._node(place.metres, side), place.ground, load)
        if plant.bias is not None:
            reference = plant.stations[0].ground
            up, down = (self._node(plant.bias_metres, side) for side in (0, 1))
            self._feed(up, reference + plant.bias.volts, plant.bias.pull_up)
            self._feed(down, reference, plant.bias.pull_down)

    def solve(self, driving: Driving) -> npt.NDArray[np.float64]:
        """Return the volts of all nodes."""
        passive = self._matrix.copy(), self._sources.copy()
        for station, mark in driving.items():
            self._drive(station, mark)
        volts = np.linalg.solve(self._matrix, self._sources)
        self._matrix, self._sources = passive
        return np.asarray(volts, np.float64)

    def _drive(self, station: int, mark: bool) -> None:
        place = self._plant.stations[station]
        driver = place.driver
        if driver is None:
            raise UsageError(f"{place.name} has no driver and cannot talk")
        half = driver.volts / 2 if mark is not place.swapped else -driver.volts / 2
        for side, volts in enumerate((half, -half)):
            source = place.ground + driver.common + volts
            self._feed(self._node(place.metres, side), source, driver.ohms / 2)

    def _node(self, metres: float, side: int) -> int:
        return 2 * self.places.index(metres) + side

    def _feed(self, node: int, volts: float, ohms: float) -> None:
        """Connect a node to a source of `volts` through `ohms`."""
        self._matrix[node, node] += 1 / ohms
        self._sources[node] += volts / ohms

    def _between(self, one: int, other: int, ohms: float) -> None:
        self._matrix[[one, other], [one, other]] += 1 / ohms
        self._matrix[[one, other], [other, one]] -= 1 / ohms

    def _across(self, metres: float, ohms: float) -> None:
        if ohms < inf:
            self._between(self._node(metres, 0), self._node(metres, 1), ohms)

    def _lay_cable(self, opened: bool) -> None:
        weak = self._plant.weak_metres
        for place, (near, far) in enumerate(pairwise(self.places)):
            if opened and near <= weak < far:
                continue
            ohms = self._plant.cable.conductor_ohms_per_metre * (far - near)
            for side in (0, 1):
                self._between(2 * place + side, 2 * place + 2 + side, ohms)


class Levels:
    """Steady volts on a plant, for any set of drivers.

    Args:
        plant: what stands there.
        opened: both conductors are cut beyond the plant's `weak_metres`.
    """

    def __init__(self, plant: Plant, *, opened: bool = False) -> None:
        self.plant = plant
        self._network = Network(plant, opened=opened)
        self._solved: dict[tuple[tuple[int, bool], ...], npt.NDArray[np.float64]] = {}

    def seen(self, listener: int, driving: Driving) -> Seen:
        """Return what a station's receiver has at its inputs, settled.

        Raises:
            UsageError: there is no such station, or one that drives has no driver.
        """
        place = self.plant.stations[listener]
        at = 2 * self._network.places.index(place.metres)
        solved = self._solve(driving)
        first, second = float(solved[at]), float(solved[at + 1])
        volts = second - first if place.swapped else first - second
        return Seen(volts, (first + second) / 2 - place.ground)

    def deaf(self, listener: int, common: float) -> bool:
        """Return whether this common mode, in V, is beyond what a receiver bears."""
        receiver = self.plant.stations[listener].receiver
        return not receiver.common_low <= common <= receiver.common_high

    def talked(self, talker: int, listener: int) -> Talked:
        """Return what one station's driver alone makes of another's receiver."""
        mark, space = (self.seen(listener, {talker: value}) for value in (True, False))
        receiver = self.plant.stations[listener].receiver
        return Talked(
            mark=mark.volts,
            space=space.volts,
            idle=self.seen(listener, {}).volts,
            common=mark.common,
            mark_margin=mark.volts - receiver.low,
            space_margin=receiver.high - space.volts,
            deaf=self.deaf(listener, mark.common) or self.deaf(listener, space.common),
        )

    def _solve(self, driving: Driving) -> npt.NDArray[np.float64]:
        """Return the volts of all nodes, D1 and D0 of each place by turns."""
        key = tuple(sorted(driving.items()))
        if key not in self._solved:
            self._solved[key] = self._network.solve(driving)
        return self._solved[key]
