"""The supply's machine: mode, timers, fault latch, and what it does to the plant.

`Machine.advance` brings it to an instant by firing every timer that is due at its own instant, in
order; so what has happened by then does not depend on how often anybody looked. What a timer does
when it fires is the hook `_fire` (`kerfbus.sim.happenings`); what people, contacts and the link do
to it is `kerfbus.sim.supply`. Nothing reads a clock here.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field

from kerfbus.sim.faults import Fault, FaultLog, LogEntry
from kerfbus.sim.link import Link, Station
from kerfbus.sim.plant import NS, PILOT_AMPERES, Drive, Plant, Ramp
from kerfbus.sim.ratings import (
    LOW_SHARE,
    MODE_NS,
    SLEW_NS_PER_AMPERE,
    SOFT_FAULTS,
    STOP_CAUSE_OF,
    WORK_CURRENT_NS,
    Ratings,
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
from kerfbus.sim.settings import Settings
from kerfbus.sim.surroundings import Surroundings
from kerfbus.sim.tally import Tally
from kerfbus.sim.timers import NEVER, Timer, Timers
from kerfbus.sim.wear import Consumables

HUNDREDTH_HOUR_NS = 36 * NS
MAX_WEAR = 2000
"""Tenths of a percent; the log holds no more."""
_COOLED = frozenset({Mode.IGNITION, Mode.PILOT, Mode.TRANSFER, Mode.POST_FLOW}) | ON_WORK
"""Modes after which the gas flows on for the post-flow time when a fault ends them."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a supply is switched on with.

    Attributes:
        settings: in force and stored.
        seed: of the arc's noise.
        ratings: what the unit is.
        surroundings: what it finds.
    """

    settings: Settings = field(default_factory=Settings)
    seed: int = 0
    ratings: Ratings = field(default_factory=Ratings)
    surroundings: Surroundings = field(default_factory=Surroundings)


class Machine(ABC):
    """Mode, timers, fault latch and plant.

    Call everything from one task. Instants must not fall; one in the past counts as `now`.

    Args:
        beginning: what it is switched on with.
        at: instant of switching on.

    Attributes:
        now: instant that the supply was brought to.
        revision: counts everything that can change a register which is not a reading.
        watchers: called with each change of mode, after it.
        work_seen: current has flown in the work lead since the pilot arc was struck.
        notices: warnings that the next accepted start takes away.
    """

    def __init__(self, beginning: Beginning | None = None, at: int = 0) -> None:
        given = beginning or Beginning()
        self.settings = self.stored = given.settings
        self.ratings = given.ratings
        self.surroundings = given.surroundings
        self.now = self.born = self.mode_since = at
        self.mode = Mode.OFF
        self.fault = Fault.NONE
        self.log = FaultLog()
        self.tally = Tally()
        self.consumables = Consumables()
        self.link = Link(Station(self.settings.address_setting, self.settings.line))
        self.last_stop = StopCause.NONE
        self.notices: set[str] = set()
        self.work_seen = False
        self.revision = 0
        self.watchers: list[Callable[[Transition], None]] = []
        self.plant = Plant(given.seed, at, self.surroundings.ambient, self.surroundings.inlet_bar)
        self.timers = Timers()
        self._stopped_at = at - 1
        self._drive(at)

    # --- time ------------------------------------------------------------------------------------

    @property
    def next_due(self) -> int | None:
        """Return when something happens by itself next; None for never."""
        return self.timers.next if self.timers.next != NEVER else None

    @property
    def powered_hundredths(self) -> int:
        """Return the time since switching on, hundredths of an hour."""
        return (self.now - self.born) // HUNDREDTH_HOUR_NS

    def advance(self, now: int) -> None:
        """Bring the supply to `now`."""
        while self.timers.next <= now:
            at, timer = self.timers.pop()
            self.now = max(at, self.now)
            self._fire(timer)
        self.now = max(self.now, now)

    @abstractmethod
    def _fire(self, timer: Timer) -> None:
        """Let happen what `timer` waited for; it is now."""

    def change(self, settings: Settings) -> None:
        """Put new settings in force."""
        self.settings = settings
        self.revision += 1
        self._drive(self.now)

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
            self.fault = fault
            self.log.add(self._entry(fault, detail))
            self.drop_link()
        cause = STOP_CAUSE_OF.get(fault, StopCause.FAULT)
        if fault in SOFT_FAULTS and next_mode(self.mode, Event.STOP) is Mode.RAMP_DOWN:
            self.stop(cause)  # the end of the ramp leads to the mode `FAULT`
        elif fault not in SOFT_FAULTS or self.mode is not Mode.RAMP_DOWN:
            self.feed(Event.FAULT, cause)

    def _entry(self, fault: Fault, detail: int) -> LogEntry:
        total = self.tally.total(self.now, self.plant.charge(self.now))
        wear = min(round(10 * self.consumables.wear("electrode", total)), MAX_WEAR)
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
            self.tally.arc_begins(self.now, self.plant.charge(self.now))

    def work_changed(self) -> None:
        """Take note that an arc to the work has become possible or impossible."""
        if not self.surroundings.may_transfer:
            self.timers.cancel(Timer.WORK_CURRENT)
            if self.mode is Mode.TRANSFER:
                self.feed(Event.WORK_LOST)
            elif self.mode in ON_WORK:
                self._lose_arc()
        elif self.mode is Mode.PILOT:
            self.timers.set(Timer.WORK_CURRENT, self.now + WORK_CURRENT_NS)

    def _lose_arc(self) -> None:
        self.tally.arc_losses += 1
        self.notices.add("arc-lost")
        if self.fault is not Fault.NONE:
            self.feed(Event.FAULT)
        elif self.surroundings.work_lead_ok:
            self.feed(Event.ARC_LOST, StopCause.ARC_LOST)
        else:
            self.latch(Fault.WORK_LEAD_OPEN)

    # --- the plant -------------------------------------------------------------------------------

    @property
    def valve_open(self) -> bool:
        """Return whether gas flows."""
        return self.mode in GAS_OPEN or Timer.GAS_CLOSE in self.timers

    @property
    def low_flow_bar(self) -> float:
        """Return the flow pressure below which no arc may burn, bar gauge."""
        now = self.settings
        return LOW_SHARE * min(now.cutting_pressure_setpoint, now.flow_pressure_setpoint)

    def _drive(self, at: int) -> None:
        """Tell the plant what it is driven with from `at` on."""
        settings, around, mode = self.settings, self.surroundings, self.mode
        on_work = mode in ON_WORK
        hot = settings.current_setpoint / self.ratings.endless_current if on_work else 0.0
        self.plant.drive(
            at,
            Drive(
                valve=self.valve_open,
                gas_bar=(
                    settings.cutting_pressure_setpoint
                    if on_work
                    else settings.flow_pressure_setpoint
                ),
                inlet_bar=around.inlet_bar,
                current=self._ramp(at),
                pilot=mode in PILOT_BURNS,
                live=mode is Mode.IGNITION,
                ambient=around.ambient,
                heat=hot * hot,
            ),
        )
        watched = mode in RUNNING and mode is not Mode.PRE_FLOW
        low_at = self.plant.flow_falls_below(self.low_flow_bar) if watched else None
        self.timers.set(Timer.GAS_LOW, low_at)

    def _ramp(self, at: int) -> Ramp:
        """Return the current in the work lead from `at` on."""
        mode, aim = self.mode, self.settings.current_setpoint
        here = self.plant.current(at)
        if mode is Mode.TRANSFER:
            return Ramp(at, PILOT_AMPERES, PILOT_AMPERES, 0)
        if mode in (Mode.RAMP_UP, Mode.RAMP_DOWN):
            left = (self.timers.due(Timer.MODE) or at) - at
            return Ramp(at, here, aim if mode is Mode.RAMP_UP else 0.0, left)
        if mode in ON_WORK:
            return Ramp(at, here, aim, round(abs(aim - here) * SLEW_NS_PER_AMPERE))
        return Ramp(at, 0.0, 0.0, 0)
