"""Readings: what the registers show that changes by itself, each as a function of the instant.

The control looks at its sensors on a fixed grid of time, at some of them more often than at others,
and not at all where it knows that nothing changes before the next event. What is shown is what was
seen at the last look, so it does not depend on when anybody asks.

Names are those of the register map. See `kerfbus.sim.panel` for everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from kerfbus.bench.regmap import Register
from kerfbus.sim.bank import Sample, Sampling, always
from kerfbus.sim.cells import Cell, mask_of, names_of
from kerfbus.sim.curves import NEVER, NS
from kerfbus.sim.faults import Fault
from kerfbus.sim.ratings import INLET_BAR, MAINS_FACTOR
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import MAINS_VOLTS, PHASES

IDLE_MAINS_AMPERES = 0.4
LONGEST_MODE_SECONDS = 655.35
"""Where the time in a mode stays."""
GAS_GRID_NS, HEAT_GRID_NS = 10_000_000, 1 * NS
"""How often pressures and temperatures are looked at (invented)."""

Values = dict[str, Callable[[int], Cell]]
"""Functions of the instant, by register name."""


class Group(NamedTuple):
    """Readings that are looked at together."""

    values: Values
    sampling: Sampling


class Readings:
    """All of them.

    Args:
        supply: whose.
        interlocks: the register of the interlocks, None when the map has none.
    """

    def __init__(self, supply: Supply, interlocks: Register | None) -> None:
        self._supply = supply
        self._plant = supply.plant
        self._register = interlocks
        self._mask = (-1, 0)  # revision, and the interlocks without the pressures
        self._inlet_bit = mask_of(interlocks, {"inlet-pressure-ok"})
        self._flow_bit = mask_of(interlocks, {"flow-pressure-ok"})

    def groups(self) -> tuple[Group, ...]:
        """Return what changes by itself."""
        return (
            Group(self._clock(), always),
            Group(self._arc(), self._arc_sample),
            Group(self._current(), self._current_sample),
            Group(self._gas(), self._gas_sample),
            Group(self._heat(), self._heat_sample),
        )

    # --- when ------------------------------------------------------------------------------------

    def _arc_sample(self, now: int) -> Sample:
        return Sample(now, now if self._plant.burns else NEVER)

    def _current_sample(self, now: int) -> Sample:
        return Sample(now, NEVER if now >= self._plant.ramped_at else now)

    def _gas_sample(self, now: int) -> Sample:
        return self._on_grid(now, GAS_GRID_NS, self._plant.settled_at)

    def _heat_sample(self, now: int) -> Sample:
        return self._on_grid(now, HEAT_GRID_NS, NEVER)

    def _on_grid(self, now: int, grid: int, settled_at: int) -> Sample:
        """Return the last look: on the grid, or at the last event when that was later."""
        if now >= settled_at:
            return Sample(now, NEVER)
        tick = now - now % grid
        return Sample(max(tick, self._plant.driven_at), tick + grid)

    # --- what ------------------------------------------------------------------------------------

    def _clock(self) -> Values:
        supply = self._supply
        return {
            "mode_time": lambda now: min((now - supply.mode_since) / NS, LONGEST_MODE_SECONDS),
            "watchdog_left": self._watchdog_left,
        }

    def _arc(self) -> Values:
        supply, plant = self._supply, self._plant
        return {
            "arc_voltage": lambda now: plant.arc_volts(now) * supply.settings.voltage_trim,
            "divided_voltage": lambda now: plant.arc_volts(now) / supply.settings.voltage_ratio,
            "arc_power": plant.kilowatts,
            "mains_current": self._mains_current,
            "cut_time": lambda now: supply.tally.cut_ns(now) / NS,
        }

    def _current(self) -> Values:
        plant = self._plant
        return {
            "output_current": plant.current,
            "demanded_current": lambda now: plant.demand(now) or plant.pilot(now),
            "pilot_current": plant.pilot,
        }

    def _gas(self) -> Values:
        plant = self._plant
        return {
            "inlet_pressure": plant.inlet_bar,
            "flow_pressure": plant.flow_bar,
            "plenum_pressure": self._optional("plenum", plant.plenum_bar),
            "gas_flow": self._optional("flow", plant.litres_a_minute),
            "interlocks": self._interlocks,
            "inlet_pressure_ok": self._inlet_ok,
            "flow_pressure_ok": self._flow_ok,
        }

    def _heat(self) -> Values:
        supply, plant = self._supply, self._plant
        return {
            "heat_sink_temperature": self._unless_failed("heat_sink", plant.sink),
            "transformer_temperature": self._unless_failed("transformer", plant.winding),
            "ambient_temperature": self._optional("ambient", lambda _: supply.surroundings.ambient),
            "duty": supply.tally.duty_percent,
        }

    def _unless_failed(self, sensor: str, value: Callable[[int], Cell]) -> Callable[[int], Cell]:
        """Return `value`, which gives no reading while the sensor has failed."""
        supply = self._supply
        return lambda now: None if sensor in supply.surroundings.sensors_failed else value(now)

    def _optional(self, sensor: str, value: Callable[[int], Cell]) -> Callable[[int], Cell]:
        """Return the same, or what never gives a reading when the option is not fitted."""
        if f"{sensor}-sensor" in self._supply.ratings.options:
            return self._unless_failed(sensor, value)
        return lambda _: None

    def _watchdog_left(self, now: int) -> float:
        link = self._supply.link
        return max(link.silent_at - now, 0) / NS if link.armed else 0.0

    def _mains_current(self, now: int) -> float:
        volts = max(self._supply.surroundings.mean_mains_volts, 0.1 * MAINS_VOLTS)
        return IDLE_MAINS_AMPERES + 1000 / MAINS_FACTOR * self._plant.kilowatts(now) / volts

    def _inlet_ok(self, now: int) -> bool:
        return INLET_BAR[0] <= self._plant.inlet_bar(now) <= INLET_BAR[1]

    def _flow_ok(self, now: int) -> bool:
        supply = self._supply
        return not supply.valve_open or self._plant.flow_bar(now) > supply.low_flow_bar

    def _interlocks(self, now: int) -> int:
        """Return the mask of the conditions that hold."""
        revision, mask = self._mask
        if revision != self._supply.revision:
            mask = mask_of(self._register, names_of(self._steady_interlocks()))
            self._mask = self._supply.revision, mask
        inlet = self._inlet_bit if self._inlet_ok(now) else 0
        return mask | inlet | (self._flow_bit if self._flow_ok(now) else 0)

    def _steady_interlocks(self) -> Mapping[str, bool]:
        supply, around = self._supply, self._supply.surroundings
        return {
            "torch-cover-closed": around.torch_cover_closed,
            "parts-in-place": not around.parts_missing,
            "phases-ok": len(around.phases) == len(PHASES),
            "temperature-ok": not supply.too_hot,
            "work-lead-ok": supply.fault is not Fault.WORK_LEAD_OPEN,
            "stop-chain-closed": around.stop_chain_closed,
            "fan-ok": around.fan_ok,
            "self-test-ok": supply.fault is not Fault.SELF_TEST_FAILED,
            "memory-ok": supply.fault is not Fault.MEMORY,
        }
