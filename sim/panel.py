"""What the registers show: the supply's state, by register name, as pages of the bank.

What changes by itself is in `kerfbus.sim.readings`; here is what follows the supply's revision, and
the sums. Names are those of the register map; a map may lack any of them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from kerfbus.sim.arc import OPEN_CIRCUIT_VOLTS
from kerfbus.sim.bank import Bank, Freshness, Page
from kerfbus.sim.cells import Cell, mask_of, names_of
from kerfbus.sim.curves import NS
from kerfbus.sim.draft import Limits
from kerfbus.sim.faults import LOG_ENTRIES, Fault
from kerfbus.sim.link import Station
from kerfbus.sim.ratings import MAINS_OFF_SHARE
from kerfbus.sim.readings import Readings
from kerfbus.sim.sequence import ON_WORK, PILOT_BURNS, Mode
from kerfbus.sim.settings import BAUDS, FORMATS, NAMES, Settings
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import (
    MAINS_HIGH_VOLTS,
    MAINS_LOW_VOLTS,
    MAINS_UNEQUAL_VOLTS,
    MAINS_VOLTS,
    PARTS,
    PHASES,
)
from kerfbus.sim.wear import WORN_PERCENT, Usage

HOUR_NS = 3600 * NS
_MAINS_OK, _MAINS_LOST, _MAINS_LOW, _MAINS_HIGH, _MAINS_UNEQUAL = range(5)
"""Codes of the enumeration ``mains_state``."""


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
        self._worn: tuple[Usage | None, int, frozenset[str]] = (None, 0, frozenset())
        self._known_pending: tuple[Settings | None, Station | None, bool] = (None, None, False)
        for each in Readings(supply, bank.find("interlocks")).groups():
            bank.show(each.values, each.sampling)
        for group, freshness in (
            (self.state, Freshness.REVISION),
            (self.contacts, Freshness.REVISION),
            (self.mains, Freshness.REVISION),
            (self.limits_in_force, Freshness.REVISION),
            (self.identity, Freshness.REVISION),
            (self.link, Freshness.REVISION),
            (self.settings, Freshness.REVISION),
            (self.fault_log, Freshness.REVISION),
            (self.usage, Freshness.INSTANT),
        ):
            bank.add(_page(group, freshness))

    # --- state -----------------------------------------------------------------------------------

    def state(self) -> dict[str, Cell]:
        """Return what a controller polls: status, mode, fault, warnings."""
        supply = self._supply
        warnings = self._warnings()
        return {
            "status": self._mask("status", names_of(self._status(warnings=bool(warnings)))),
            "mode": supply.mode,
            "fault": supply.fault,
            "warnings": self._mask("warnings", warnings),
            "active_process": supply.settings.process,
            "duty_allowed": supply.ratings.duty_at(supply.settings.current_setpoint),
            "last_stop": supply.last_stop,
            "ignition_tries": supply.tally.tries,
            "watchdog_state": supply.link.state(tripped=supply.fault is Fault.WATCHDOG),
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

    def contacts(self) -> dict[str, Cell]:
        """Return the discrete inputs."""
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
            "warning_active": bool(self._warnings()),
            "torch_cover_closed": around.torch_cover_closed,
            "parts_in_place": not around.parts_missing,
            "phases_ok": len(around.phases) == len(PHASES),
            "over_temperature": supply.too_hot,
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
        known_settings, known_active, pending = self._known_pending
        if settings is not known_settings or active is not known_active:
            wanted = settings.address_setting, settings.line
            pending = wanted != (active.address, active.line)
            self._known_pending = settings, active, pending
        return pending

    def _warnings(self) -> frozenset[str]:
        supply, around = self._supply, self._supply.surroundings
        found = self._worn_parts() | supply.notices | supply.alerts
        if self._pending:
            found |= {"settings-pending"}
        if len(supply.log) == LOG_ENTRIES:
            found |= {"fault-log-full"}
        volts = (around.mains_volts, around.lowest_mains_volts)
        if any(abs(each / MAINS_VOLTS - 1) > MAINS_OFF_SHARE for each in volts):
            found |= {"mains-off-nominal"}
        if supply.aimed_amperes < supply.settings.current_setpoint:
            found |= {"set-point-limited"}
        for sensor in around.sensors_failed & {"ambient", "plenum"}:
            if f"{sensor}-sensor" in supply.ratings.options:
                found |= {f"{sensor}-sensor-absent"}
        return found

    def _worn_parts(self) -> frozenset[str]:
        """Return the warnings of worn parts; only an arc that ends and a new part change them."""
        total, parts = self._supply.tally.usage, self._supply.consumables
        usage, replaced, found = self._worn
        if usage is not total or replaced != len(parts.log):
            worn = [name for name in PARTS if parts.wear(name, total) >= WORN_PERCENT]
            found = frozenset(f"{name.replace('_', '-')}-worn" for name in worn)
            self._worn = total, len(parts.log), found
        return found

    def mains(self) -> dict[str, Cell]:
        """Return the verdict on the mains and its reasons."""
        around = self._supply.surroundings
        phases, volts = around.phases, around.mains_volts
        lowest = around.lowest_mains_volts
        state = _MAINS_OK
        if len(phases) < len(PHASES):
            state = _MAINS_LOST
        elif lowest < MAINS_LOW_VOLTS:
            state = _MAINS_LOW
        elif volts > MAINS_HIGH_VOLTS:
            state = _MAINS_HIGH
        elif around.mains_unequal > MAINS_UNEQUAL_VOLTS:
            state = _MAINS_UNEQUAL
        present = [name in phases for name in PHASES]
        # Phase to phase: a voltage needs both of its ends.
        ends = {name: present[i] and present[(i + 1) % 3] for i, name in enumerate(PHASES)}
        return {
            "mains_state": state,
            "mains_phases": self._mask("mains_phases", phases),
            **{
                f"mains_{name}_voltage": shown if ends[name] else 0.0
                for name, shown in zip(PHASES, (volts, volts, lowest), strict=True)
            },
        }

    def limits_in_force(self) -> dict[str, Cell]:
        """Return the limits of the set-points."""
        found: dict[str, Cell] = {}
        for name in Limits.NAMES:
            span = self._limits.of(name, self._supply.settings.process)
            stem = name.removesuffix("_setpoint")
            found[f"{stem}_low_limit"], found[f"{stem}_high_limit"] = span
        return found

    def identity(self) -> dict[str, Cell]:
        """Return what the unit is."""
        ratings = self._supply.ratings
        return {
            "options": self._mask("options", ratings.options),
            "rated_current": ratings.current,
            "rated_duty": ratings.duty,
            "open_circuit_voltage": OPEN_CIRCUIT_VOLTS,
            "divider_resistance": ratings.divider_kilohms,
        }

    def link(self) -> dict[str, Cell]:
        """Return the link's settings in force."""
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
        return mask_of(self._bank.find(name), bits)


def _page(values: Callable[[], dict[str, Cell]], freshness: Freshness) -> Page:
    """Return a page of values by name; `values` must always give the same names in one order."""
    return Page(tuple(values()), lambda _: tuple(values().values()), freshness)
