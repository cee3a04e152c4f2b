"""A simulated world: supplies, their tables, and what happens to them, in exact order.

`World.advance` brings everything to an instant, from one happening to the next: timers of the
supplies and acts of the agenda each at its own instant. So what has happened by then does not
depend on how often anybody asked. Nothing reads a clock, and all chance comes from the seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from kerfbus.sim.faults import Fault
from kerfbus.sim.maps import default_map
from kerfbus.sim.ratings import StopCause, Transition
from kerfbus.sim.scenario.agenda import Agenda
from kerfbus.sim.scenario.director import Director
from kerfbus.sim.scenario.journal import Journal, plain, slug
from kerfbus.sim.scenario.place import Place, StagedDevice
from kerfbus.sim.scenario.plan import Scenario, SupplyPlan
from kerfbus.sim.scenario.torch import Torch
from kerfbus.sim.sequence import RUNNING

MODES = default_map().by_name("mode").values
"""Names of the modes."""
SEED_STEP = 7919
"""Between the seeds of neighbouring supplies."""


class World:
    """The world of a scenario.

    Call everything from one task; instants must not fall.

    Args:
        scenario: what is there and what happens.
        at: instant of the beginning, at which all supplies are switched on.
        seed: instead of the scenario's own.
        journal: takes the log; None for a new one.

    Attributes:
        scenario: as given.
        seed: in force.
        journal: the log.
        agenda: what is to happen.
        places: the supplies, in the scenario's order.
        torches: of the places.
        now: instant that the world was brought to.
    """

    def __init__(
        self,
        scenario: Scenario,
        at: int = 0,
        seed: int | None = None,
        journal: Journal | None = None,
    ) -> None:
        self.scenario = scenario
        self.seed = scenario.seed if seed is None else seed
        self.journal = journal or Journal()
        self.agenda = Agenda()
        self.begin = self.now = at
        self.places = tuple(
            self._place(plan, index) for index, plan in enumerate(scenario.supplies)
        )
        self.torches = tuple(
            Torch(place, self.agenda, partial(self._tell, "table", place)) for place in self.places
        )
        self._latched = dict.fromkeys(self.places, Fault.NONE)
        self._because: dict[Place, list[int]] = {place: [] for place in self.places}
        self._warnings: dict[Place, frozenset[str]] = dict.fromkeys(self.places, frozenset())
        self.journal.add(
            at,
            "begin",
            scenario=scenario.name,
            title=scenario.title,
            seed=self.seed,
            supplies=[plan.name for plan in scenario.supplies],
        )
        self._note_beginnings()
        self._director = Director(self.places, self.agenda, self.journal, self.seed)
        self._director.begin(scenario.events, at)

    def _place(self, plan: SupplyPlan, index: int) -> Place:
        beginning = replace(plan.beginning, seed=self.seed + SEED_STEP * index)
        place = Place(plan.name, StagedDevice(beginning, self.begin, self.advance))
        place.supply.watchers.append(partial(self._moved, place))
        return place

    def _note_beginnings(self) -> None:
        for place, plan in zip(self.places, self.scenario.supplies, strict=True):
            if plan.odd:
                self.journal.inject(
                    self.begin,
                    place.name,
                    "start",
                    plan.odd,
                    changes=plain(plan.odd),
                )

    # --- time ------------------------------------------------------------------------------------

    @property
    def next_due(self) -> int:
        """Return when something happens by itself next, a large number for never."""
        due = self.agenda.next
        for place in self.places:
            at = place.supply.timers.next
            if at < due:  # noqa: PLR1730 (asked several times in every transaction)
                due = at
        return due

    def advance(self, now: int) -> None:
        """Bring the world to `now`."""
        self._notice()
        while (at := self.next_due) <= now:
            self.now = at = max(at, self.now)
            for place in self.places:
                place.supply.advance(at)
            while self.agenda.next <= at:
                self.agenda.pop()[1](at)
            self._notice()
        self.now = max(self.now, now)
        for place in self.places:
            place.supply.advance(self.now)

    # --- watching --------------------------------------------------------------------------------

    def _moved(self, place: Place, transition: Transition) -> None:
        """Write down a change of mode and what ended with it."""
        at, before, event, after = transition
        self._notice_fault(place)
        self.journal.add(
            at,
            "mode",
            supply=place.name,
            before=MODES[before],
            event=slug(event.name),
            after=MODES[after],
        )
        if before in RUNNING and after not in RUNNING:
            self._note_stop(place, at)
        self._director.moved(place, transition)

    def _note_stop(self, place: Place, at: int) -> None:
        """Write down why a start or an arc has ended."""
        cause, fault = place.supply.last_stop, place.supply.fault
        if cause is StopCause.NONE:
            return
        numbers = self._because[place] if fault is not Fault.NONE else []
        if cause is StopCause.ARC_LOST:
            numbers = self.journal.numbers(place.name, Fault.ARC_LOST)
        self.journal.add(at, "stop", supply=place.name, cause=slug(cause.name), because=numbers)

    def _notice(self) -> None:
        """Write down what has changed without a change of mode."""
        for place in self.places:
            if place.noticed != place.supply.revision:
                self._notice_fault(place)
                self._notice_warnings(place)
                place.noticed = place.supply.revision

    def _notice_fault(self, place: Place) -> None:
        supply, before = place.supply, self._latched[place]
        fault = supply.fault
        if fault is before:
            return
        self._latched[place] = fault
        if before is not Fault.NONE:
            self.journal.cleared(supply.now, place.name, before)
        if fault is not Fault.NONE:
            newest = supply.log.entries[0]
            self._because[place] = self.journal.fault(
                supply.fault_at,
                place.name,
                fault,
                mode=MODES[newest.mode],
                detail=newest.detail,
            )
            self._director.latched(place, fault, supply.fault_at)

    def _notice_warnings(self, place: Place) -> None:
        shown = place.device.value("warnings")
        warnings = frozenset(shown) if isinstance(shown, tuple) else frozenset()
        for name in sorted(warnings ^ self._warnings[place]):
            on = name in warnings
            self.journal.add(place.supply.now, "warning", supply=place.name, warning=name, on=on)
        self._warnings[place] = warnings

    def _tell(self, kind: str, place: Place, at: int, does: str) -> None:
        self.journal.add(at, kind, supply=place.name, does=does)

    def watch(self, place: Place, watcher: Callable[[Place, Transition], None]) -> None:
        """Call `watcher` with each change of mode at a place, after it was written down."""
        place.supply.watchers.append(partial(watcher, place))

    def teller(self, kind: str, place: Place) -> Callable[[int, str], None]:
        """Return a function that writes down what somebody at a place does."""
        return partial(self._tell, kind, place)
