"""Samples of a run: what happened at a supply, as columns over time.

Looking changes nothing: every quantity is a function of time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.run import RunOptions, run_scenario
from kerfbus.sim.scenario.world import MODES, World
from kerfbus.sim.sequence import PILOT_BURNS

MAX_SAMPLES = 2_000_000
"""More than this fits nobody's picture or memory."""

COLUMNS: Mapping[str, Callable[[Place, int], Any]] = MappingProxyType(
    {
        "output_current": lambda place, now: place.supply.plant.current(now),
        "arc_voltage": lambda place, now: place.supply.plant.arc_volts(now),
        "inlet_pressure": lambda place, now: place.supply.plant.inlet_bar(now),
        "flow_pressure": lambda place, now: place.supply.plant.flow_bar(now),
        "gas_flow": lambda place, now: place.supply.plant.litres_a_minute(now),
        "stand_off": lambda place, _: place.supply.surroundings.stand_off,
        "table_speed": lambda place, _: place.supply.surroundings.table_speed,
        "mode": lambda place, _: MODES[place.supply.mode],
        "ready": lambda place, _: place.supply.ready,
        "start": lambda place, _: place.supply.start_present,
        "gas": lambda place, _: place.supply.valve_open,
        "pilot_arc": lambda place, _: place.supply.mode in PILOT_BURNS,
        "arc_transferred": lambda place, _: place.supply.arc_transferred,
        "fault": lambda place, _: bool(place.supply.fault),
    }
)
"""What is sampled: A, V, bar gauge, normal litres a minute, mm, mm/min; the mode by its name."""


@dataclass
class Trace:
    """Samples at even intervals.

    Attributes:
        supply: name of the supply.
        at: instants, ns.
        columns: samples by name, of `COLUMNS`.
    """

    supply: str
    at: list[int] = field(default_factory=list)
    columns: dict[str, list[Any]] = field(default_factory=lambda: {name: [] for name in COLUMNS})

    def column(self, name: str) -> list[Any]:
        """Return the samples of one quantity."""
        return self.columns[name]


class Window(NamedTuple):
    """What is to be sampled.

    Attributes:
        begin: first instant, ns.
        end: last instant, ns.
        step: between samples, ns.
        supply: index of the supply.
    """

    begin: int
    end: int
    step: int
    supply: int = 0


async def trace_scenario(scenario: Scenario, window: Window, seed: int | None = None) -> Trace:
    """Run a scenario to the end of a window and return the samples in it.

    Raises:
        UsageError: the window is empty, or the samples are too many.
    """
    if not (0 <= window.begin < window.end and window.step > 0):
        raise UsageError("there is nothing between the beginning and the end: give rising times")
    if (window.end - window.begin) // window.step > MAX_SAMPLES:
        raise UsageError(f"more than {MAX_SAMPLES} samples: give a shorter time or longer steps")
    trace = Trace(scenario.supplies[window.supply].name)

    def prepare(world: World) -> None:
        place = world.places[window.supply]

        def sample(now: int) -> None:
            trace.at.append(now)
            for name, look in COLUMNS.items():
                trace.columns[name].append(look(place, now))
            if now + window.step <= window.end:
                world.agenda.put(now + window.step, sample)

        world.agenda.put(window.begin, sample)

    options = RunOptions(duration_ns=window.end, seed=seed)
    await run_scenario(scenario, options, prepare=prepare)
    return trace
