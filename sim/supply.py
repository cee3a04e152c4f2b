"""The simulated supply: what contacts, people and the link can do to its machine.

It knows nothing of registers (`kerfbus.sim.panel`, `kerfbus.sim.orders`) nor of frames
(`kerfbus.sim.server`).

Laws that the tests hold:

* A start is a level, taken at its rising edge and only when the supply is ready. A level that is
  already there when the supply becomes ready starts nothing.
* Any stop ends any start, and wins over a start at the same instant.
* A fault is latched and cleared by a separate act, with its cause gone and no start present.
* Nothing restarts by itself: not after a fault, a lost arc, a link that comes back, a power cycle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from kerfbus.bench.cabling.divider import Divider
from kerfbus.sim.curves import NS
from kerfbus.sim.faults import Fault
from kerfbus.sim.happenings import FIRE
from kerfbus.sim.judging import judge_held_current, judge_settings
from kerfbus.sim.link import Station
from kerfbus.sim.machine import Machine
from kerfbus.sim.ratings import CURRENT_SHARES, INLET_BAR, LOOK_NS, StopCause
from kerfbus.sim.sequence import ON_WORK, RUNNING, Event, Mode
from kerfbus.sim.settings import Settings, StartSource
from kerfbus.sim.surroundings import INTERLOCKED
from kerfbus.sim.timers import NEVER, Timer


class Supply(Machine):
    """The supply without its link's frames; see `Machine` for arguments, attributes and rules."""

    def _fire(self, timer: Timer) -> None:
        """Let happen what `timer` waited for."""
        FIRE[timer](self)

    # --- what the rest of the world does ---------------------------------------------------------

    def surround(self, now: int, **changes: Any) -> None:
        """Change the physical side at `now`; names are those of `Surroundings`.

        Raises:
            UsageError: a value that cannot be; nothing has changed.
        """
        after = self.surroundings.changed(**changes)
        self.advance(now)
        before = self.surroundings
        if after is before:
            return
        self.surroundings = after
        if not _UNSEEN.issuperset(changes):
            self.revision += 1
        self._drive(self.now)
        self._judge(changes)
        if before.start_contact and not after.start_contact:
            self.stop(StopCause.START_RELEASED)
        if not _WORK.isdisjoint(changes):
            self.work_changed()
        if after.start_contact and not before.start_contact:
            self._contact_closed()

    def _judge(self, changes: Mapping[str, Any]) -> None:
        """Latch what a change of the surroundings has broken."""
        if not INTERLOCKED.isdisjoint(changes):
            around = self.surroundings
            volts = {
                Fault.MAINS_LOW: around.lowest_mains_volts,
                Fault.MAINS_HIGH: around.mains_volts,
            }
            fault = around.broken_interlock()
            if fault is not Fault.NONE:
                self.latch(fault, round(volts.get(fault, 0.0)))
        if "current_gain" in changes:
            fault, detail = judge_held_current(self)
            if fault is not Fault.NONE:
                self.latch(fault, detail)

    def heard(self) -> None:
        """Take note of a good request to this supply: the watchdog starts from zero."""
        if not self.link.armed:
            return
        self.link.silent_at = at = self.now + round(self.settings.watchdog_time * NS)
        # A timer that fires too early looks at `silent_at` and waits on; only a later one is wrong.
        if at < (self.timers.due(Timer.WATCHDOG) or NEVER):
            self.timers.set(Timer.WATCHDOG, at)

    def change(self, settings: Settings) -> None:
        """Put new settings in force; another watchdog time counts from now."""
        before = self.settings.watchdog_time
        super().change(settings)
        if settings.watchdog_time != before:
            self.heard()

    def arm_link(self) -> None:
        """Accept starts over the link, and supervise it from now on."""
        self.link.armed = True
        self.heard()
        self.revision += 1

    def disarm_link(self) -> None:
        """Take that back; what was started over the link stops."""
        if self.link.start:
            self.stop(StopCause.LINK_STOP)
        self.drop_link()

    def enable(self) -> None:
        """Leave the mode off, by way of the self-test."""
        self.feed(Event.ENABLE)

    def disable(self) -> None:
        """Stop everything at once and go to the mode off; a latched fault stays latched."""
        self._stopped_at = self.now
        self.feed(Event.DISABLE, StopCause.DISABLED)

    def apply_link_settings(self) -> None:
        """Put address, rate and format in force as they are set."""
        self.link.active = Station(self.settings.address_setting, self.settings.line)
        self.revision += 1

    def store_settings(self) -> None:
        """Keep the settings over a power cycle."""
        self.stored = self.settings

    def clear_log(self) -> None:
        """Forget the fault log's entries."""
        self.log.clear()
        self.revision += 1

    def replace_part(self, name: str) -> None:
        """Fit a new part at `name`, of `kerfbus.sim.surroundings.PARTS`."""
        self.consumables.replace(name, self.usage, self.now, self.powered_hundredths)
        self.revision += 1
        self._drive(self.now)

    def wear_part(self, name: str, percent: float) -> None:
        """Let the part at `name` be worn by `percent` of its life from now on."""
        self.consumables.become(name, percent, self.usage)
        self.revision += 1
        self._drive(self.now)

    def power_cycle(self) -> None:
        """Switch off and on: settings as stored, no order and no fault survives.

        Settings that are not whole any more are replaced by the factory's.
        """
        self.disable()
        self.drop_link()
        self.timers.cancel(*Timer)
        if self.alerts:  # they go by themselves, which somebody must see
            self.timers.set(Timer.LOOK, self.now + LOOK_NS)
        self.fault = Fault.NONE
        self.notices.clear()
        if not self.surroundings.memory_ok:
            self.stored = Settings()
        self.change(self.stored)
        self.apply_link_settings()

    # --- start and stop --------------------------------------------------------------------------

    @property
    def start_present(self) -> bool:
        """Return whether any start is present, obeyed or not."""
        return self.surroundings.start_contact or self.link.start

    @property
    def ready(self) -> bool:
        """Return whether a start would be accepted."""
        return self._able and not self.start_present

    @property
    def _able(self) -> bool:
        return (
            self.mode in (Mode.IDLE, Mode.POST_FLOW)
            and self.fault is Fault.NONE
            and self.broken_interlock() is Fault.NONE
        )

    def allows(self, source: StartSource) -> bool:
        """Return whether the settings let `source` start."""
        return self.settings.start_source in (source, StartSource.EITHER)

    def start_by_link(self) -> None:
        """Begin; whoever calls this has checked `ready`, key, permission and arming."""
        self._begin()
        self.link.start = self.mode in RUNNING
        self.revision += 1

    def _contact_closed(self) -> None:
        if self._able and not self.link.start and self.allows(StartSource.CONTACT):
            self._begin()
        elif self.mode not in RUNNING:
            self.notices.add("start-refused")

    def _begin(self) -> None:
        if self.now == self._stopped_at:
            return
        self.notices.clear()
        fault = judge_settings(self.settings, self.ratings)
        if fault is not Fault.NONE:
            self.latch(fault)
            return
        if not self.valve_open:
            self.static_bar = self.plant.inlet_bar(self.now)
        self.tally.starts += 1
        self.tally.tries = 0
        warm = self.mode is Mode.POST_FLOW and self.plant.flow_bar(self.now) > self.low_flow_bar
        self.feed(Event.RESTART if warm else Event.START)

    @property
    def arc_transferred(self) -> bool:
        """Return whether the dry contact "arc transferred" is closed: the table may move."""
        return self.mode in ON_WORK

    @property
    def divider(self) -> Divider:
        """Return the divided output as it is set."""
        return Divider(self.settings.voltage_ratio, self.ratings.divider_kilohms)

    def divided_volts(self, now: int) -> float:
        """Return what the controller's input gets from the divided output, V: loaded by it."""
        return self.divider.output(self.plant.arc_volts(now), self.surroundings.meter_kilohms)

    def still_caused(self) -> bool:
        """Return whether the cause of the latched fault is still there."""
        caused = _STILL_CAUSED.get(self.fault)
        return self.broken_interlock() is not Fault.NONE or (caused is not None and caused(self))

    def clear_fault(self) -> None:
        """Clear the latched fault; whoever calls this has checked cause and start."""
        self.fault = Fault.NONE
        self.revision += 1
        self.feed(Event.CLEAR)


_WORK = frozenset({"over_work", "work_lead_ok", "stand_off", "work_ohms"})
"""Surroundings that decide on an arc to the work."""
_UNSEEN = frozenset({"stand_off", "table_speed", "over_kerf"})
"""Surroundings that nothing shows but readings: what changes all the time under a moving torch."""


def _gas_is_low(supply: Supply) -> bool:
    return supply.plant.source_bar(supply.now) < INLET_BAR[0]


def _current_is_off(supply: Supply) -> bool:
    low, high = CURRENT_SHARES
    return not low <= supply.surroundings.current_gain <= high


_STILL_CAUSED: Mapping[Fault, Callable[[Supply], bool]] = MappingProxyType(
    {
        Fault.NO_GAS: _gas_is_low,
        Fault.INLET_PRESSURE_LOW: _gas_is_low,
        Fault.INLET_PRESSURE_HIGH: lambda supply: supply.surroundings.inlet_bar > INLET_BAR[1],
        Fault.NOZZLE_SHORT: lambda supply: supply.surroundings.electrode_stuck,
        Fault.WORK_LEAD_OPEN: lambda supply: not supply.surroundings.work_lead_ok,
        Fault.OVER_CURRENT: _current_is_off,
        Fault.CURRENT_NOT_REACHED: _current_is_off,
        Fault.PART_WORN_OUT: lambda supply: supply.consumables.failed,
        Fault.MEMORY: lambda supply: not supply.surroundings.memory_ok,
        Fault.PARAMETER_OUT_OF_RANGE: lambda supply: (
            judge_settings(supply.settings, supply.ratings) is not Fault.NONE
        ),
        Fault.SELF_TEST_FAILED: lambda supply: not supply.surroundings.control_ok,
    }
)
"""What must have gone before a fault can be cleared; interlocks must hold in any case."""
