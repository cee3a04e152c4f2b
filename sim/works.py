"""The supply's works: what it is made of, its time, and how its control drives the plant.

`Works.advance` brings it to an instant by firing every timer that is due at its own instant, in
order; so what has happened by then does not depend on how often anybody looked. Nothing reads a
clock here. The sequence stands on top: `kerfbus.sim.machine`.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field

from kerfbus.sim.arc import ENVELOPE_NS, TOUCH_MM, TOUCH_NS, transfer_amperes
from kerfbus.sim.curves import NS, Ramp
from kerfbus.sim.faults import Fault, FaultLog
from kerfbus.sim.heat import HeatState
from kerfbus.sim.link import Link, Station
from kerfbus.sim.plant import NEW_PARTS, Drive, HeatStates, Parts, Plant
from kerfbus.sim.ratings import (
    LOW_SHARE,
    SLEW_NS_PER_AMPERE,
    START_STUCK_NS,
    Ratings,
    deliverable_amperes,
)
from kerfbus.sim.sequence import GAS_OPEN, ON_WORK, PILOT_BURNS, RUNNING, Mode
from kerfbus.sim.settings import Settings
from kerfbus.sim.site import Site
from kerfbus.sim.surroundings import Surroundings
from kerfbus.sim.tally import Tally
from kerfbus.sim.timers import NEVER, Timer, Timers
from kerfbus.sim.wear import NOMINAL_AMPERES, RATES, Consumables, Usage, pit_mm

HUNDREDTH_HOUR_NS = 36 * NS
PIT_PER_AMPERE_SECOND = pit_mm(RATES["electrode"].second / NOMINAL_AMPERES)
"""Growth of the electrode's pit, mm for each ampere-second."""
NOZZLE_PER_AMPERE_SECOND = RATES["nozzle"].second / NOMINAL_AMPERES
"""Wear of the nozzle, percent for each ampere-second."""
_RAMPED = frozenset({Mode.RAMP_UP, Mode.RAMP_DOWN})
_COOL: HeatStates = (HeatState.NORMAL,) * 4


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a supply is switched on with.

    Attributes:
        settings: in force and stored.
        seed: of all chance: the arc's noise, the electrode's end.
        ratings: what the unit is.
        surroundings: what it finds.
        site: where it stands, and the parts that it has.
    """

    settings: Settings = field(default_factory=Settings)
    seed: int = 0
    ratings: Ratings = field(default_factory=Ratings)
    surroundings: Surroundings = field(default_factory=Surroundings)
    site: Site = field(default_factory=Site)


class Works(ABC):
    """Settings, surroundings, plant, timers, counters.

    Call everything from one task. Instants must not fall; one in the past counts as `now`.

    Args:
        beginning: what it is switched on with.
        at: instant of switching on.

    Attributes:
        now: instant that the supply was brought to.
        revision: counts everything that can change a register which is not a reading.
        notices: warnings that the next accepted start takes away.
        alerts: warnings that go with their cause.
        heat: verdicts on heat sink and winding, and on their means.
        static_bar: inlet pressure before the last start, bar gauge.
    """

    def __init__(self, beginning: Beginning | None = None, at: int = 0) -> None:
        given = beginning or Beginning()
        self.seed = given.seed
        self.settings = self.stored = given.settings
        self.ratings = given.ratings
        self.surroundings = given.surroundings
        self.now = self.born = self.mode_since = at
        self.mode = Mode.OFF
        self.fault = Fault.NONE
        self.log = FaultLog()
        self.tally = Tally()
        self.consumables = Consumables(given.site.wear)
        self.link = Link(Station(self.settings.address_setting, self.settings.line))
        self.notices: set[str] = set()
        self.alerts: set[str] = set()
        self.heat: HeatStates = _COOL
        self.static_bar = given.surroundings.inlet_bar
        self.revision = 0
        self.plant = Plant(given.seed, at, self.ratings.duty / 100, given.site, self.surroundings)
        self.timers = Timers()
        self._known_parts: tuple[Usage | None, int, Parts] = (None, 0, NEW_PARTS)
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

    # --- what it knows of itself -----------------------------------------------------------------

    @property
    def edition(self) -> int:
        """Return what counts up with everything that a reading does not know in advance."""
        return self.revision + self.plant.stretches

    @property
    def usage(self) -> Usage:
        """Return the usage since new, with the arc that burns."""
        return self.tally.total(self.now, self.plant.charge(self.now))

    @property
    def too_hot(self) -> bool:
        """Return whether a temperature blocks the arc."""
        return self.surroundings.too_hot or HeatState.HOT in self.heat

    def broken_interlock(self) -> Fault:
        """Return the first interlock that does not hold, as the fault that it makes."""
        fault = self.surroundings.broken_interlock()
        if fault is Fault.NONE and HeatState.HOT in self.heat:
            return Fault.OVER_TEMPERATURE
        return fault

    @property
    def may_transfer(self) -> bool:
        """Return whether the pilot arc's current reaches the work lead and counts there."""
        amperes = transfer_amperes(self.surroundings.work_ohms)
        return self.surroundings.may_transfer and amperes > self.settings.transfer_current

    @property
    def valve_open(self) -> bool:
        """Return whether gas flows."""
        return self.mode in GAS_OPEN or Timer.GAS_CLOSE in self.timers

    @property
    def low_flow_bar(self) -> float:
        """Return the flow pressure below which no arc may burn, bar gauge."""
        now = self.settings
        return LOW_SHARE * min(now.cutting_pressure_setpoint, now.flow_pressure_setpoint)

    @property
    def aimed_amperes(self) -> float:
        """Return the current that the control aims at: the set-point, or less at low mains."""
        allowed = deliverable_amperes(self.surroundings.lowest_mains_volts)
        return min(self.settings.current_setpoint, allowed)

    @property
    def gas_bar(self) -> float:
        """Return the regulator's set-point in force, bar gauge."""
        if self.mode in ON_WORK:
            return self.settings.cutting_pressure_setpoint
        return self.settings.flow_pressure_setpoint

    # --- driving the plant -----------------------------------------------------------------------

    def change(self, settings: Settings) -> None:
        """Put new settings in force."""
        self.settings = settings
        self.revision += 1
        self._drive(self.now)

    def _drive(self, at: int) -> None:
        """Tell the plant what it is driven with from `at` on, and wait for what it will do."""
        mode, ramp = self.mode, self._ramp(at)
        square = ramp.mean_square if mode in _RAMPED else ramp.end * ramp.end
        self.plant.drive(
            at,
            Drive(
                around=self.surroundings,
                valve=self.valve_open,
                gas_bar=self.gas_bar,
                current=ramp,
                set_amperes=self.aimed_amperes,
                pilot=mode in PILOT_BURNS,
                live=mode is Mode.IGNITION,
                fan=mode is not Mode.OFF,
                load=square / self.ratings.endless_current**2,
                parts=self._parts(),
            ),
        )
        self._watch(at)

    def _parts(self) -> Parts:
        """Return the state of the consumables as the physics needs it."""
        usage, replaced = self.tally.usage, len(self.consumables.log)
        known_usage, known_replaced, parts = self._known_parts
        if usage is not known_usage or replaced != known_replaced:
            parts = Parts(
                pit_mm=self.consumables.pit_mm(usage),
                pit_growth=PIT_PER_AMPERE_SECOND,
                nozzle_wear=self.consumables.wear("nozzle", usage),
            )
            self._known_parts = usage, replaced, parts
        if not self.tally.burns:
            return parts
        charge = self.tally.arc_charge(self.plant.charge(self.now))
        return Parts(
            parts.pit_mm + PIT_PER_AMPERE_SECOND * charge,
            PIT_PER_AMPERE_SECOND,
            parts.nozzle_wear + NOZZLE_PER_AMPERE_SECOND * charge,
        )

    def _ramp(self, at: int) -> Ramp:
        """Return the demanded current in the work lead from `at` on."""
        mode, aim = self.mode, self.aimed_amperes
        here = self.plant.demand(at)
        if mode is Mode.TRANSFER:
            amperes = transfer_amperes(self.surroundings.work_ohms)
            return Ramp(at, amperes, amperes, 0)
        if mode in _RAMPED:
            due = self.timers.due(Timer.MODE)
            span = 0 if due is None else due - at
            return Ramp(at, here, aim if mode is Mode.RAMP_UP else 0.0, span)
        if mode in ON_WORK:
            return Ramp(at, here, aim, round(abs(aim - here) * SLEW_NS_PER_AMPERE))
        return Ramp(at, 0.0, 0.0, 0)

    def _watch(self, at: int) -> None:
        """Set the timers of what the plant does by itself in the stretch that begins at `at`."""
        timers, mode, plant = self.timers, self.mode, self.plant
        watched = mode in RUNNING and mode is not Mode.PRE_FLOW
        low_at = plant.flow_falls_below(self.low_flow_bar, at) if watched else None
        timers.set(Timer.GAS_LOW, low_at)
        timers.set(Timer.HEAT, plant.heat_changes(at, self.heat))
        burns = mode in ON_WORK and mode is not Mode.RAMP_DOWN
        timers.set(Timer.ENVELOPE, self._leaves_envelope_at(at) if burns else None)
        touches = burns and self.surroundings.stand_off < TOUCH_MM
        self._hold(Timer.TOUCH, touches, at + TOUCH_NS)
        stuck = mode is Mode.IDLE and self.surroundings.start_contact
        self._hold(Timer.START_STUCK, stuck, at + START_STUCK_NS)

    def _hold(self, timer: Timer, holds: bool, due: int) -> None:
        """Let a timer run while a condition holds, from when it began to."""
        if not holds:
            self.timers.cancel(timer)
        elif timer not in self.timers:
            self.timers.set(timer, due)

    def _leaves_envelope_at(self, at: int) -> int | None:
        """Return when the arc will have been outside the envelope for too long."""
        out = self.plant.leaves_envelope(at)
        if out is None:
            return None
        due = out + ENVELOPE_NS
        if out == at:  # it may have been outside before
            due = min(due, self.timers.due(Timer.ENVELOPE) or due)
        back = self.plant.returns_into_envelope(out)
        return None if back is not None and out < back < due else due
