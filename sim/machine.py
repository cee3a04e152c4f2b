"""The supply's machine: the sequence of its modes, and the fault that it latches.

What it is made of stands in `kerfbus.sim.works`. What a timer does when it fires is the hook
`_fire` (`kerfbus.sim.happenings`); what people, contacts and the link do to it is
`kerfbus.sim.supply`.
"""

from __future__ import annotations

from collections.abc import Callable

from kerfbus.sim.curves import NS
from kerfbus.sim.faults import Fault, LogEntry
from kerfbus.sim.ratings import (
    ARC_LOSSES_IN_A_ROW,
    LOOK_NS,
    MODE_NS,
    SOFT_FAULTS,
    STOP_CAUSE_OF,
    WORK_CURRENT_NS,
    StopCause,
    Transition,
)
from kerfbus.sim.sequence import (
    GAS_OPEN,
    ON_WORK,
    PILOT_BURNS,
    RUNNING,
    Event,
    Mode,
    next_mode,
)
from kerfbus.sim.timers import Timer
from kerfbus.sim.works import Beginning, Works

__all__ = ["Beginning", "Machine"]

PIERCE_SPEED = 50.0
"""mm/min; a torch slower than this when the arc reaches the work pierces (invented)."""
MAX_WEAR = 2000
"""Tenths of a percent; the log holds no more."""
_COOLED = frozenset({Mode.IGNITION, Mode.PILOT, Mode.TRANSFER, Mode.POST_FLOW}) | ON_WORK
"""Modes after which the gas flows on for the post-flow time when a fault ends them."""


class Machine(Works):
    """Mode and fault latch; see `Works` for the arguments and the other attributes.

    Attributes:
        watchers: called with each change of mode, after it.
        work_seen: current has flown in the work lead since the pilot arc was struck.
        last_stop: why the last arc, or the last try, ended.
        fault_at: instant at which the latched fault, or the last one, was latched.
    """

    def __init__(self, beginning: Beginning | None = None, at: int = 0) -> None:
        super().__init__(beginning, at)
        self.last_stop = StopCause.NONE
        self.work_seen = False
        self.fault_at = at
        self.watchers: list[Callable[[Transition], None]] = []
        self._stopped_at = at - 1

    def stop(self, cause: StopCause) -> None:
        """Stop whatever a start has begun; a start at this very instant is too late."""
        self._stopped_at = self.now
        self.link.start = False
        self.revision += 1
        self.feed(Event.STOP, cause)

    def drop_link(self) -> None:
        """Take away every permission that the link has; what runs is not touched."""
        self.link.drop()
        self.timers.cancel(Timer.WATCHDOG)
        self.revision += 1

    # --- faults ----------------------------------------------------------------------------------

    def latch(self, fault: Fault, detail: int = 0) -> None:
        """Latch a fault, unless the supply is off or has one already.

        Args:
            fault: which.
            detail: the measured raw value that was out of bounds, for the log.
        """
        if self.mode is Mode.OFF:
            return
        if self.fault is Fault.NONE:
            self.fault, self.fault_at = fault, self.now
            self.log.add(self._entry(fault, detail))
            self.drop_link()
        cause = STOP_CAUSE_OF.get(fault, StopCause.FAULT)
        if fault in SOFT_FAULTS and next_mode(self.mode, Event.STOP) is Mode.RAMP_DOWN:
            self.stop(cause)  # the end of the ramp leads to the mode `FAULT`
        elif fault not in SOFT_FAULTS or self.mode is not Mode.RAMP_DOWN:
            self.feed(Event.FAULT, cause)

    def _entry(self, fault: Fault, detail: int) -> LogEntry:
        wear = min(round(10 * self.consumables.wear("electrode", self.usage)), MAX_WEAR)
        hours, starts = self.powered_hundredths, self.tally.starts
        return LogEntry(fault, self.mode, hours, starts, detail, wear)

    # --- the sequence ----------------------------------------------------------------------------

    def feed(self, event: Event, cause: StopCause | None = None) -> bool:
        """Let `event` happen now and return whether it moved the mode.

        Args:
            event: what happens.
            cause: why this ends an arc or a try, when it does.
        """
        before, after = self.mode, next_mode(self.mode, event)
        if after is None:
            return False
        if cause is not None and before in RUNNING:
            self.last_stop = cause
        self._leave(before, after)
        self.mode, self.mode_since = after, self.now
        self.revision += 1
        self._enter(before, after)
        self._drive(self.now)
        for watcher in self.watchers:
            watcher(Transition(self.now, before, event, after))
        return True

    def _leave(self, before: Mode, after: Mode) -> None:
        """Settle what ends with the mode `before`."""
        self.timers.cancel(Timer.MODE)
        if before in ON_WORK and after not in ON_WORK:
            cut_off = self.plant.current(self.now) > 0 or self.now == self.mode_since
            self.tally.arc_ends(self.now, self.plant.charge(self.now), hard=cut_off)
        if before in PILOT_BURNS and after not in PILOT_BURNS:
            self.timers.cancel(Timer.PILOT_LIMIT, Timer.WORK_CURRENT)
        if after not in RUNNING:
            self.link.start = False

    def _enter(self, before: Mode, after: Mode) -> None:
        """Begin what belongs to the mode `after`."""
        own = MODE_NS.get(after)
        if own is not None:
            self.timers.set(Timer.MODE, self.now + own(self.settings))
        if after in GAS_OPEN or after is Mode.OFF:
            self.timers.cancel(Timer.GAS_CLOSE)
        if after is Mode.OFF:
            self.drop_link()
        elif after is Mode.FAULT and before in _COOLED:
            self.timers.set(Timer.GAS_CLOSE, self.now + round(self.settings.postflow_time * NS))
        elif after is Mode.IGNITION:
            self.tally.tries += 1
        elif after is Mode.PILOT:
            if before is Mode.IGNITION:
                self.work_seen = False
                self.tally.struck()
                self.timers.set(Timer.PILOT_LIMIT, self.now + round(self.settings.pilot_limit * NS))
            self.work_changed()
        elif after is Mode.TRANSFER:
            self.work_seen = True
        elif after is Mode.RAMP_UP:
            stands = self.surroundings.table_speed < PIERCE_SPEED
            self.tally.arc_begins(self.now, self.plant.charge(self.now), pierces=stands)
            self.timers.set(Timer.LOOK, self.now + LOOK_NS)
        elif after is Mode.CUTTING:
            self.tally.losses_in_a_row = 0

    def work_changed(self) -> None:
        """Take note that an arc to the work has become possible or impossible."""
        if self.mode in ON_WORK:
            if not self.surroundings.may_burn:
                self.lose_arc()
        elif not self.may_transfer:
            self.timers.cancel(Timer.WORK_CURRENT)
            if self.mode is Mode.TRANSFER:
                self.feed(Event.WORK_LOST)
        elif self.mode is Mode.PILOT and Timer.WORK_CURRENT not in self.timers:
            self.timers.set(Timer.WORK_CURRENT, self.now + WORK_CURRENT_NS)

    def lose_arc(self) -> None:
        """Let the arc go out by itself. The third in a row before a cut has begun is a fault."""
        self.tally.lost(cutting=self.mode is Mode.CUTTING)
        self.notices.add("arc-lost")
        if self.fault is not Fault.NONE:
            self.feed(Event.FAULT)
        elif not self.surroundings.work_lead_ok:
            self.latch(Fault.WORK_LEAD_OPEN)
        elif self.tally.losses_in_a_row >= ARC_LOSSES_IN_A_ROW:
            self.latch(Fault.ARC_LOST)
        else:
            self.feed(Event.ARC_LOST, StopCause.ARC_LOST)
