"""What the registers show: the supply's state, by register name, as pages of the bank.

Readings are computed for the instant of the poll; everything else follows the supply's revision.
Names are those of the register map; a map may lack any of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from kerfbus.sim.bank import Bank, Freshness, Page
from kerfbus.sim.cells import Cell, mask_of
from kerfbus.sim.draft import Limits
from kerfbus.sim.faults import LOG_ENTRIES, Fault
from kerfbus.sim.plant import NS, OPEN_CIRCUIT_VOLTS
from kerfbus.sim.ratings import INLET_BAR
from kerfbus.sim.sequence import ON_WORK, PILOT_BURNS, Mode
from kerfbus.sim.settings import BAUDS, FORMATS, NAMES
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import PARTS, PHASES
from kerfbus.sim.wear import WORN_PERCENT

HOUR_NS = 3600 * NS
MAINS_VOLTS = 400.0
MAINS_FACTOR = 0.85 * 0.9 * 3**0.5
"""Efficiency, power factor and the root of three: output power to mains current (invented)."""
IDLE_MAINS_AMPERES = 0.4
_LONGEST_MODE_SECONDS = 655.35


class Panel:
    """Values of all registers that mean something to the supply.

    Args:
        supply: whose.
        limits: of the set-points.
        bank: takes the pages.
    """

    def __init__(self, supply: Supply, limits: Limits, bank: Bank) -> None:
        self._supply = supply
        self._limits = limits
        self._bank = bank
        self._steady_mask = (-1, 0)
        self._inlet_bit = self._mask("interlocks", frozenset({"inlet-pressure-ok"}))
        self._flow_bit = self._mask("interlocks", frozenset({"flow-pressure-ok"}))
        bank.show(self.readings())
        for group, freshness in (
            (self.state, Freshness.REVISION),
            (self.settings, Freshness.REVISION),
            (self.fault_log, Freshness.REVISION),
            (self.usage, Freshness.INSTANT),
        ):
            bank.add(_page(group, freshness))

    # --- readings --------------------------------------------------------------------------------

    def readings(self) -> dict[str, Callable[[int], Cell]]:
        """Return what changes by itself: a function of the instant for each register."""
        supply, plant = self._supply, self._supply.plant
        return {
            "mode_time": lambda now: min((now - supply.mode_since) / NS, _LONGEST_MODE_SECONDS),
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
        revision, mask = self._steady_mask
        if revision != self._supply.revision:
            mask = self._mask("interlocks", _names(self._steady_interlocks()))
            self._steady_mask = self._supply.revision, mask
        inlet, flow = self._pressures(now)
        return mask | (inlet and self._inlet_bit) | (flow and self._flow_bit)

    def _steady_interlocks(self) -> Mapping[str, bool]:
        around, fault = self._supply.surroundings, self._supply.fault
        return {
            "torch-cover-closed": around.torch_cover_closed,
            "parts-in-place": not around.parts_missing,
            "phases-ok": len(around.phases) == len(PHASES),
            "temperature-ok": not around.too_hot,
            "work-lead-ok": fault is not Fault.WORK_LEAD_OPEN,
            "stop-chain-closed": around.stop_chain_closed,
            "fan-ok": around.fan_ok,
            "self-test-ok": fault is not Fault.SELF_TEST_FAILED,
            "memory-ok": fault is not Fault.MEMORY,
        }

    # --- state -----------------------------------------------------------------------------------

    def state(self) -> dict[str, Cell]:
        """Return what changes with the revision only."""
        supply = self._supply
        warnings = self._warnings()
        return {
            "status": self._mask("status", _names(self._status(warnings=bool(warnings)))),
            "mode": supply.mode,
            "fault": supply.fault,
            "warnings": self._mask("warnings", warnings),
            "active_process": supply.settings.process,
            "duty_allowed": self._duty_allowed(),
            "last_stop": supply.last_stop,
            "ignition_tries": supply.tally.tries,
            "watchdog_state": supply.link.state(tripped=supply.fault is Fault.WATCHDOG),
            **self._contacts(warnings=bool(warnings)),
            **self._mains(),
            **self._limits_in_force(),
            **self._identity(),
            **self._link(),
        }

    def _status(self, *, warnings: bool) -> Mapping[str, bool]:
        supply, mode = self._supply, self._supply.mode
        return {
            "enabled": mode is not Mode.OFF,
            "ready": supply.ready,
            "start-present": supply.start_present,
            "gas-flowing": supply.valve_open,
            "pilot-arc": mode in PILOT_BURNS,
            "arc-transferred": mode in ON_WORK,
            "cutting": mode is Mode.CUTTING,
            "ramping": mode in (Mode.RAMP_UP, Mode.RAMP_DOWN),
            "post-flow": mode is Mode.POST_FLOW,
            "gas-test": mode is Mode.GAS_TEST,
            "fault": bool(supply.fault),
            "warning": warnings,
            "link-armed": supply.link.armed,
            "link-start": supply.link.start,
            "watchdog-tripped": supply.fault is Fault.WATCHDOG,
            "settings-pending": self._pending,
        }

    def _contacts(self, *, warnings: bool) -> dict[str, Cell]:
        supply, around, mode = self._supply, self._supply.surroundings, self._supply.mode
        return {
            "start_contact": around.start_contact,
            "ready": supply.ready,
            "pilot_arc": mode in PILOT_BURNS,
            "arc_transferred": mode in ON_WORK,
            "cutting": mode is Mode.CUTTING,
            "gas_flowing": supply.valve_open,
            "gas_test_active": mode is Mode.GAS_TEST,
            "fault_active": bool(supply.fault),
            "warning_active": warnings,
            "torch_cover_closed": around.torch_cover_closed,
            "parts_in_place": not around.parts_missing,
            "phases_ok": len(around.phases) == len(PHASES),
            "over_temperature": around.too_hot,
            "work_lead_ok": supply.fault is not Fault.WORK_LEAD_OPEN,
            "stop_chain_closed": around.stop_chain_closed,
            "fan_ok": around.fan_ok,
            "link_armed": supply.link.armed,
            "watchdog_tripped": supply.fault is Fault.WATCHDOG,
            "settings_pending": self._pending,
        }

    @property
    def _pending(self) -> bool:
        settings, active = self._supply.settings, self._supply.link.active
        return (settings.address_setting, settings.line) != (active.address, active.line)

    def _warnings(self) -> frozenset[str]:
        supply = self._supply
        total = supply.tally.usage  # committed arcs: between events nothing changes
        worn = {
            f"{name.replace('_', '-')}-worn"
            for name in PARTS
            if supply.consumables.wear(name, total) >= WORN_PERCENT
        }
        if self._pending:
            worn.add("settings-pending")
        if len(supply.log) == LOG_ENTRIES:
            worn.add("fault-log-full")
        return frozenset(worn | supply.notices)

    def _duty_allowed(self) -> float:
        share = self._supply.ratings.endless_current / self._supply.settings.current_setpoint
        return min(100.0, 100.0 * share * share)

    def _mains(self) -> dict[str, Cell]:
        phases = self._supply.surroundings.phases
        lost = len(phases) < len(PHASES)
        present = [name in phases for name in PHASES]
        # Phase to phase: a voltage needs both of its ends.
        ends = {name: present[i] and present[(i + 1) % 3] for i, name in enumerate(PHASES)}
        return {
            "mains_state": int(lost),
            "mains_phases": self._mask("mains_phases", phases),
            **{f"mains_{name}_voltage": MAINS_VOLTS if on else 0.0 for name, on in ends.items()},
        }

    def _limits_in_force(self) -> dict[str, Cell]:
        found: dict[str, Cell] = {}
        for name in Limits.NAMES:
            span = self._limits.of(name, self._supply.settings.process)
            stem = name.removesuffix("_setpoint")
            found[f"{stem}_low_limit"], found[f"{stem}_high_limit"] = span
        return found

    def _identity(self) -> dict[str, Cell]:
        ratings = self._supply.ratings
        return {
            "options": self._mask("options", ratings.options),
            "rated_current": ratings.current,
            "rated_duty": ratings.duty,
            "open_circuit_voltage": OPEN_CIRCUIT_VOLTS,
            "divider_resistance": ratings.divider_kilohms,
        }

    def _link(self) -> dict[str, Cell]:
        link = self._supply.link
        return {
            "active_address": link.active.address,
            "active_baud": BAUDS.index(link.active.line.baud),
            "active_format": FORMATS.index(link.active.line.format),
            "watchdog_trips": link.trips & 0xFFFF,
        }

    # --- settings, log, usage --------------------------------------------------------------------

    def settings(self) -> dict[str, Cell]:
        """Return the settings, and the orders that are in force, as the coils read back."""
        supply = self._supply
        return {
            **{name: getattr(supply.settings, name) for name in sorted(NAMES)},
            "start": supply.link.start,
            "gas_test": supply.mode is Mode.GAS_TEST,
            "enable": supply.mode is not Mode.OFF,
        }

    def fault_log(self) -> dict[str, Cell]:
        """Return the fault log, empty places as zeros."""
        log = self._supply.log
        found: dict[str, Cell] = {"log_count": len(log), "fault_fifo": len(log)}
        for place in range(1, LOG_ENTRIES + 1):
            entry = log.entries[place - 1] if place <= len(log) else None
            found[f"log_{place}_code"] = entry.fault if entry else 0
            found[f"log_{place}_mode"] = entry.mode if entry else 0
            found[f"log_{place}_hours"] = entry.hours / 100 if entry else 0
            found[f"log_{place}_starts"] = entry.starts if entry else 0
            found[f"log_{place}_detail"] = entry.detail if entry else 0
            found[f"log_{place}_wear"] = entry.wear / 10 if entry else 0
        return found

    def usage(self) -> dict[str, Cell]:
        """Return counters and consumables at the supply's own instant."""
        supply, tally = self._supply, self._supply.tally
        total = tally.total(supply.now, supply.plant.charge(supply.now))
        found: dict[str, Cell] = {
            "powered_hours": supply.powered_hundredths / 100,
            "arc_hours": total.arc_ns // (HOUR_NS // 100) / 100,
            "total_starts": tally.starts,
            "total_transfers": tally.transfers,
            "failed_ignitions": tally.failed_ignitions,
            "failed_transfers": tally.failed_transfers,
            "arc_losses": tally.arc_losses,
            "total_hard_stops": total.hard_stops,
            "total_faults": supply.log.total,
            "gas_used": supply.plant.gas_litres(supply.now) / 1000,
        }
        for name in PARTS:
            usage, part = supply.consumables.usage(name, total), supply.consumables.part(name)
            missing = supply.surroundings.parts_missing
            found |= {
                f"{name}_state": supply.consumables.state(name, total, missing),
                f"{name}_wear": supply.consumables.wear(name, total),
                f"{name}_starts": usage.starts,
                f"{name}_arc_seconds": usage.arc_ns // NS,
                f"{name}_hard_stops": usage.hard_stops,
                f"{name}_replacements": part.replacements,
                f"{name}_replaced_at": part.replaced_at / 100,
            }
        return found

    def _mask(self, name: str, bits: frozenset[str]) -> int:
        register = self._bank.find(name)
        return 0 if register is None else mask_of(register, bits)


def _names(facts: Mapping[str, bool]) -> frozenset[str]:
    """Return the names of the facts that hold."""
    return frozenset(name for name, holds in facts.items() if holds)


def _page(values: Callable[[], dict[str, Cell]], freshness: Freshness) -> Page:
    """Return a page of values by name; `values` must always give the same names in one order."""
    return Page(tuple(values()), lambda _: tuple(values().values()), freshness)
