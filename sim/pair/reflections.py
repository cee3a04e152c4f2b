"""How a level change arrives: the step of one driver as another station's receiver sees it.

A plant becomes a lattice (`kerfbus.sim.pair.lattice`): the trunk with all stations on it, stubs as
open branches, terminators, bias, unit loads, and the source resistance of each driver that is on.
What happens may be that a driver changes its level, or that one lets go: a current out of a network
that it no longer loads.

Only the shape is taken, from 0 before to 1 when settled: the volts are those of
`kerfbus.sim.pair.levels`. The trunk is cut into cells of a quarter of the quickest rise time, but
`MIN_CELLS` to `MAX_CELLS` of them; places and stubs are moved to whole cells, and a stub of less
than half a cell is left out. The pair is taken as balanced. When a driver lets go while older
changes still ring, their rest rings on as if it drove.
"""

from __future__ import annotations

from functools import lru_cache
from math import ceil, inf
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from kerfbus.sim.pair.lattice import Lattice, Section
from kerfbus.sim.pair.levels import UNIT_LOAD_OHMS
from kerfbus.sim.pair.plant import Plant

MIN_CELLS, MAX_CELLS = 40, 240
CELLS_PER_RISE = 4
MAX_STEPS = 60_000
"""About a millisecond of the longest trunk; a response that still moves then is cut there."""
SETTLED = 2e-3
"""Of the whole step: less than this is left when a response counts as settled."""


class Change(NamedTuple):
    """A level change on a pair.

    Attributes:
        station: whose driver does it.
        driving: all stations whose drivers are on when it is done, rising. Without `station`, the
            change is that it lets go.
    """

    station: int
    driving: tuple[int, ...]


class Response(NamedTuple):
    """What a step of height 1 looks like at a receiver.

    Attributes:
        step_ns: between samples.
        values: from 0 at the instant of the change to 1, shape (samples,).
    """

    step_ns: float
    values: npt.NDArray[np.float64]

    @property
    def settled_ns(self) -> float:
        """Return the time after which it stays at 1 but for `SETTLED`."""
        return self.step_ns * len(self.values)

    @property
    def overshoot(self) -> float:
        """Return by how much it goes beyond 1 at most."""
        return max(0.0, float(self.values.max()) - 1)

    def reaches_ns(self, share: float) -> int:
        """Return the time after which it stays within `share` of 1."""
        moving = np.flatnonzero(np.abs(self.values - 1) > share)
        return ceil((int(moving[-1]) + 1) * self.step_ns) if len(moving) else 0

    def at(self, nanoseconds: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return its values at times after the change, not before it, interpolated."""
        where = nanoseconds / self.step_ns
        before = np.minimum(where.astype(np.int64), len(self.values) - 1)
        after = np.minimum(before + 1, len(self.values) - 1)
        low, high = self.values[before], self.values[after]
        return np.asarray(low + (high - low) * np.minimum(where - before, 1.0), np.float64)


class _Trunk(NamedTuple):
    """A plant on a grid: nodes 0 to len(cells) - 1 are places, then the ends of stubs."""

    step_ns: float
    cells: tuple[int, ...]
    sections: tuple[Section, ...]
    siemens: tuple[float, ...]

    def node(self, metres: float, plant: Plant) -> int:
        return self.cells.index(_cell(metres, plant))


def _trunk_cells(plant: Plant) -> int:
    """Return into how many cells the trunk is cut."""
    cable = plant.cable
    rises = [place.driver.rise_ns for place in plant.stations if place.driver is not None]
    quickest = min(rises, default=inf)
    wanted = ceil(CELLS_PER_RISE * cable.metres / cable.metres_per_ns / quickest)
    return min(max(wanted, MIN_CELLS), MAX_CELLS)


def _cell(metres: float, plant: Plant) -> int:
    return round(metres / plant.cable.metres * _trunk_cells(plant))


@lru_cache(maxsize=8)
def _lay(plant: Plant) -> _Trunk:
    """Lay a plant's lines on a grid, without drivers."""
    cable, count = plant.cable, _trunk_cells(plant)
    metres_per_cell = cable.metres / count
    places = (0.0, cable.metres, plant.bias_metres)
    along = [*places, *(place.metres for place in plant.stations)]
    along += [stub.at_metres for stub in plant.stubs]
    cells = sorted({_cell(metres, plant) for metres in along})
    ohms = 2 * cable.conductor_ohms_per_metre
    skin = _skin(plant)
    runs = [(near, near + 1, cells[near + 1] - cells[near]) for near in range(len(cells) - 1)]
    for stub in plant.stubs:
        if length := round(stub.metres / metres_per_cell):
            tip = len(cells) + sum(far >= len(cells) for _, far, _ in runs)
            runs.append((cells.index(_cell(stub.at_metres, plant)), tip, length))
    siemens = [0.0] * (1 + max(far for _, far, _ in runs))
    for metres, each in ((0.0, plant.near_ohms), (cable.metres, plant.far_ohms)):
        siemens[cells.index(_cell(metres, plant))] += 1 / each
    if plant.bias is not None:
        both = plant.bias.pull_up + plant.bias.pull_down
        siemens[cells.index(_cell(plant.bias_metres, plant))] += 1 / both
    for place in plant.stations:
        load = 2 * UNIT_LOAD_OHMS / place.receiver.unit_loads
        siemens[cells.index(_cell(place.metres, plant))] += 1 / load
    return _Trunk(
        step_ns=metres_per_cell / cable.metres_per_ns,
        cells=tuple(cells),
        sections=tuple(
            Section(near, far, length, *(each * length * metres_per_cell for each in (ohms, skin)))
            for near, far, length in runs
        ),
        siemens=tuple(siemens),
    )


def _skin(plant: Plant) -> float:
    """Return ohms per metre and root of a hertz that make the cable's loss at 1 MHz.

    A line whose resistance is small against its impedance loses ``R / (2 Z0)`` nepers (textbook).
    """
    cable = plant.cable
    at_megahertz = 2 * cable.ohms * cable.loss_db / 100 / 8.685_889_638
    return max(0.0, at_megahertz - 2 * cable.conductor_ohms_per_metre) / 1000


@lru_cache(maxsize=256)
def _responses(plant: Plant, change: Change) -> tuple[_Trunk, npt.NDArray[np.float64]]:
    """Return the shapes at all nodes, (steps, nodes)."""
    trunk = _lay(plant)
    siemens = list(trunk.siemens)
    for station in change.driving:
        place = plant.stations[station]
        assert place.driver is not None, "Levels refuses talkers without a driver before"
        siemens[trunk.node(place.metres, plant)] += 1 / place.driver.ohms
    changer = plant.stations[change.station]
    assert changer.driver is not None
    ramp = max(1, round(changer.driver.rise_ns / 0.8 / trunk.step_ns))
    lattice = Lattice(trunk.sections, plant.cable.ohms, siemens, trunk.step_ns)
    trip = 2 * trunk.cells[-1]
    node = trunk.node(changer.metres, plant)
    rise = np.minimum(1.0, (np.arange(ramp + trip) + 0.5) / ramp)
    parts = [lattice.feed(rise, node)]
    steps = len(rise)
    while steps < MAX_STEPS:
        parts.append(lattice.feed(np.ones(trip), node))
        steps += trip
        if np.ptp(parts[-1], axis=0).max() < SETTLED / 10 * np.abs(parts[-1][-1]).min():
            break
    volts = np.concatenate(parts)
    return trunk, volts / volts[-1]


class Reflections:
    """Shapes of level changes on a plant; computed once for each plant and change."""

    def __init__(self, plant: Plant) -> None:
        self.plant = plant

    def response(self, change: Change, listener: int) -> Response:
        """Return how a change arrives at a station."""
        trunk, volts = _responses(self.plant, change)
        values = volts[:, trunk.node(self.plant.stations[listener].metres, self.plant)]
        moving = np.flatnonzero(np.abs(values - 1) > SETTLED)
        # The first value belongs to the end of the first step: what is fed in shows half a step on.
        end = int(moving[-1]) + 2 if len(moving) else 1
        return Response(trunk.step_ns, np.concatenate(([0.0], values[:end])))
