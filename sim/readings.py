"""Readings: what the registers show that changes by itself, each as a function of the instant.

Names are those of the register map. See `kerfbus.sim.panel` for everything else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from kerfbus.bench.regmap import Register
from kerfbus.sim.cells import Cell, mask_of, names_of
from kerfbus.sim.curves import NS
from kerfbus.sim.faults import Fault
from kerfbus.sim.ratings import INLET_BAR
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import MAINS_VOLTS, PHASES

MAINS_FACTOR = 0.85 * 0.9 * 3**0.5
"""Efficiency, power factor and the root of three: output power to mains current (invented)."""
IDLE_MAINS_AMPERES = 0.4
LONGEST_MODE_SECONDS = 655.35
"""Where the time in a mode stays."""


class Readings:
    """Functions of the instant, by register name.

    Args:
        supply: whose.
        interlocks: the register of the interlocks, None when the map has none.
    """

    def __init__(self, supply: Supply, interlocks: Register | None) -> None:
        self._supply = supply
        self._register = interlocks
        # Revision, mask without the pressures, mask with them once they do not change any more.
        self._known: tuple[int, int, int | None] = (-1, 0, None)
        self._inlet_bit = mask_of(interlocks, {"inlet-pressure-ok"})
        self._flow_bit = mask_of(interlocks, {"flow-pressure-ok"})

    def all(self) -> dict[str, Callable[[int], Cell]]:
        """Return what changes by itself: a function of the instant for each register."""
        supply, plant = self._supply, self._supply.plant
        return {
            "mode_time": lambda now: min((now - supply.mode_since) / NS, LONGEST_MODE_SECONDS),
            "output_current": plant.current,
            "demanded_current": self._demanded,
            "arc_voltage": lambda now: plant.arc_volts(now) * supply.settings.voltage_trim,
            "divided_voltage": lambda now: plant.arc_volts(now) / supply.settings.voltage_ratio,
            "pilot_current": plant.pilot,
            "inlet_pressure": plant.inlet_bar,
            "flow_pressure": plant.flow_bar,
            "plenum_pressure": self._optional("plenum-sensor", plant.plenum_bar),
            "gas_flow": self._optional("flow-sensor", plant.litres_a_minute),
            "heat_sink_temperature": plant.sink,
            "ambient_temperature": self._optional(
                "ambient-sensor", lambda _: supply.surroundings.ambient
            ),
            "transformer_temperature": plant.winding,
            "duty": supply.tally.duty_percent,
            "watchdog_left": self._watchdog_left,
            "cut_time": lambda now: supply.tally.cut_ns(now) / NS,
            "arc_power": plant.kilowatts,
            "mains_current": self._mains_current,
            "interlocks": self._interlocks,
            "inlet_pressure_ok": lambda now: self._pressures(now)[0],
            "flow_pressure_ok": lambda now: self._pressures(now)[1],
        }

    def _optional(self, option: str, value: Callable[[int], Cell]) -> Callable[[int], Cell]:
        """Return `value`, or what gives no reading when the option is not fitted."""
        return value if option in self._supply.ratings.options else lambda _: None

    def _demanded(self, now: int) -> float:
        """Return what the current regulator is asked for, the pilot arc included."""
        plant = self._supply.plant
        return plant.current(now) or plant.pilot(now)

    def _watchdog_left(self, now: int) -> float:
        link = self._supply.link
        return max(link.silent_at - now, 0) / NS if link.armed else 0.0

    def _mains_current(self, now: int) -> float:
        watts = 1000 * self._supply.plant.kilowatts(now)
        return IDLE_MAINS_AMPERES + watts / (MAINS_FACTOR * MAINS_VOLTS)

    def _pressures(self, now: int) -> tuple[bool, bool]:
        """Return whether inlet and flow pressure are within bounds."""
        supply = self._supply
        inlet = INLET_BAR[0] <= supply.plant.inlet_bar(now) <= INLET_BAR[1]
        flow = not supply.valve_open or supply.plant.flow_bar(now) > supply.low_flow_bar
        return inlet, flow

    def _interlocks(self, now: int) -> int:
        """Return the mask of the conditions that hold."""
        supply, (revision, mask, whole) = self._supply, self._known
        if revision == supply.revision and whole is not None:
            return whole
        if revision != supply.revision:
            mask = mask_of(self._register, names_of(self._steady_interlocks()))
        inlet, flow = self._pressures(now)
        all_ = mask | (inlet and self._inlet_bit) | (flow and self._flow_bit)
        settled = now >= supply.plant.settled_at
        self._known = supply.revision, mask, all_ if settled else None
        return all_

    def _steady_interlocks(self) -> Mapping[str, bool]:
        around, fault = self._supply.surroundings, self._supply.fault
        return {
            "torch-cover-closed": around.torch_cover_closed,
            "parts-in-place": not around.parts_missing,
            "phases-ok": len(around.phases) == len(PHASES),
            "temperature-ok": not self._supply.too_hot,
            "work-lead-ok": fault is not Fault.WORK_LEAD_OPEN,
            "stop-chain-closed": around.stop_chain_closed,
            "fan-ok": around.fan_ok,
            "self-test-ok": fault is not Fault.SELF_TEST_FAILED,
            "memory-ok": fault is not Fault.MEMORY,
        }
