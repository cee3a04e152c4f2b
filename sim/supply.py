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

from typing import Any

from kerfbus.sim.faults import Fault
from kerfbus.sim.happenings import FIRE
from kerfbus.sim.link import Station
from kerfbus.sim.machine import Machine
from kerfbus.sim.plant import NS
from kerfbus.sim.ratings import INLET_BAR, StopCause
from kerfbus.sim.sequence import RUNNING, Event, Mode
from kerfbus.sim.settings import StartSource
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
        before, self.surroundings = self.surroundings, after
        self.revision += 1
        self._drive(self.now)
        fault = after.broken_interlock()
        if fault is not Fault.NONE:
            self.latch(fault)
        if before.start_contact and not after.start_contact:
            self.stop(StopCause.START_RELEASED)
        if before.may_transfer != after.may_transfer:
            self.work_changed()
        if after.start_contact and not before.start_contact:
            self._contact_closed()

    def heard(self) -> None:
        """Take note of a good request to this supply: the watchdog starts from zero."""
        if not self.link.armed:
            return
        self.link.silent_at = at = self.now + round(self.settings.watchdog_time * NS)
        # A timer that fires too early looks at `silent_at` and waits on; only a later one is wrong.
        if at < (self.timers.due(Timer.WATCHDOG) or NEVER):
            self.timers.set(Timer.WATCHDOG, at)

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
        total = self.tally.total(self.now, self.plant.charge(self.now))
        self.consumables.replace(name, total, self.powered_hundredths)
        self.revision += 1

    def power_cycle(self) -> None:
        """Switch off and on: settings as stored, no order and no fault survives."""
        self.disable()
        self.timers.cancel(*Timer)
        self.fault = Fault.NONE
        self.notices.clear()
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
            and self.surroundings.broken_interlock() is Fault.NONE
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
        self.tally.starts += 1
        self.tally.tries = 0
        warm = self.mode is Mode.POST_FLOW and self.plant.flow_bar(self.now) > self.low_flow_bar
        self.feed(Event.RESTART if warm else Event.START)

    def still_caused(self) -> bool:
        """Return whether the cause of the latched fault is still there."""
        if self.fault is Fault.WORK_LEAD_OPEN:
            return not self.surroundings.work_lead_ok
        if self.fault in (Fault.INLET_PRESSURE_LOW, Fault.NO_GAS):
            return self.surroundings.inlet_bar < INLET_BAR[0]
        if self.fault is Fault.INLET_PRESSURE_HIGH:
            return self.surroundings.inlet_bar > INLET_BAR[1]
        return self.surroundings.broken_interlock() is not Fault.NONE

    def clear_fault(self) -> None:
        """Clear the latched fault; whoever calls this has checked cause and start."""
        self.fault = Fault.NONE
        self.revision += 1
        self.feed(Event.CLEAR)
