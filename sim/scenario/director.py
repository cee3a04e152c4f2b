"""Lets events happen: watches for triggers, draws chances, lays defects on and takes them off.

Chance: each event has a generator of its own, seeded by the world's seed and the event's place, so
that events added behind do not change those before. Only `random.Random.random` is used: Python
promises its sequence across versions.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from types import MappingProxyType
from typing import Any

from kerfbus.sim.faults import Fault
from kerfbus.sim.ratings import Transition
from kerfbus.sim.scenario.agenda import Agenda
from kerfbus.sim.scenario.causes import CONTROLLER_SILENT, REPLACE
from kerfbus.sim.scenario.journal import Injection, Journal, plain
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import LOOK_NS, NS, EventPlan, Happening, When
from kerfbus.sim.sequence import Event
from kerfbus.sim.supply import Supply

EVENT_SEED = 1_000_003
SLOPE_NS = NS
"""A change along a straight line is made once in this time, and at its end."""


class _Watch:
    """An event and how it stands.

    Attributes:
        plan: the event.
        place: whom it concerns.
        seen: how often its trigger came.
        held: whether its condition was true at the last look.
    """

    def __init__(self, plan: EventPlan, place: Place, seed: int) -> None:
        self.plan = plan
        self.place = place
        self.seen = 0
        self.held = False
        self._draw = random.Random(seed).random  # noqa: S311 (a story, not a secret)

    def comes(self) -> bool:
        """Count a trigger and return whether it is one that is meant."""
        self.seen += 1
        trigger = self.plan.trigger
        return self.seen == trigger.count or (trigger.repeat and self.seen > trigger.count)

    def is_lucky(self) -> bool:
        """Draw the chance."""
        return self._draw() < self.plan.trigger.chance


class Director:
    """Lets a scenario's events happen.

    Args:
        places: the supplies.
        agenda: takes what is to come.
        journal: takes what happened.
        seed: of all chance.
    """

    def __init__(
        self, places: Sequence[Place], agenda: Agenda, journal: Journal, seed: int
    ) -> None:
        self._places = places
        self._agenda = agenda
        self._journal = journal
        self._seed = seed
        self._watches: list[_Watch] = []

    def begin(self, events: Sequence[EventPlan], at: int) -> None:
        """Watch for the triggers of all events from `at` on."""
        for index, plan in enumerate(events):
            seed = self._seed * EVENT_SEED + index
            watch = _Watch(plan, self._places[plan.supply], seed)
            self._watches.append(watch)
            if plan.trigger.kind is When.TIME:
                self._agenda.put(at + plan.trigger.at_ns, partial(self._at_time, watch))
        if any(watch.plan.trigger.kind is When.READING for watch in self._watches):
            self._agenda.put(at + LOOK_NS, self._look)

    # --- triggers --------------------------------------------------------------------------------

    def moved(self, place: Place, transition: Transition) -> None:
        """Take note of a change of mode. A misfire leads from ignition to ignition: no entry."""
        if transition.event is Event.MISFIRED:
            return
        for watch in self._watching(place, When.MODE):
            if watch.plan.trigger.mode is transition.after and watch.comes():
                self._trigger(watch, transition.at)

    def latched(self, place: Place, fault: Fault, at: int) -> None:
        """Take note of a fault."""
        for watch in self._watching(place, When.FAULT):
            if watch.plan.trigger.fault is fault and watch.comes():
                self._trigger(watch, at)

    def _watching(self, place: Place, kind: When) -> list[_Watch]:
        return [
            watch
            for watch in self._watches
            if watch.place is place and watch.plan.trigger.kind is kind
        ]

    def _at_time(self, watch: _Watch, now: int) -> None:
        every = watch.plan.trigger.every_ns
        if every is not None:
            self._agenda.put(now + every, partial(self._at_time, watch))
        self._trigger(watch, now)

    def _look(self, now: int) -> None:
        """Look at all conditions."""
        self._agenda.put(now + LOOK_NS, self._look)
        for watch in self._watches:
            condition = watch.plan.trigger.condition
            if condition is None:
                continue
            before = watch.held
            watch.held = condition.holds(watch.place.device.value(condition.register))
            if watch.held and not before and watch.comes():
                self._trigger(watch, now)

    def _trigger(self, watch: _Watch, at: int) -> None:
        """Let an event happen when its delay is over, if it is lucky."""
        plan = watch.plan
        if not watch.is_lucky():
            self._journal.add(
                at,
                "skipped",
                supply=watch.place.name,
                what=plan.happening.name,
                chance=plan.trigger.chance,
            )
            return
        act = self._act if plan.happening.act else self._inject
        self._agenda.put(at + plan.trigger.after_ns, partial(act, watch.place, plan.happening))

    # --- what happens ----------------------------------------------------------------------------

    def _act(self, place: Place, happening: Happening, now: int) -> None:
        """Let a person do something at the supply."""
        supply, name = place.supply, happening.name
        done = name != "clear-fault" or _may_clear(supply)
        self._journal.add(now, "act", supply=place.name, what=name, done=done, note=happening.note)
        if name.startswith(REPLACE):
            supply.replace_part(name.removeprefix(REPLACE).replace("-", "_"))
        elif done:
            _ACTS[name](supply)

    def _inject(self, place: Place, happening: Happening, now: int) -> None:
        """Lay a defect on, and put down when it goes."""
        silent = happening.name == CONTROLLER_SILENT
        injection = self._journal.inject(
            now,
            place.name,
            happening.name,
            (CONTROLLER_SILENT,) if silent else happening.changes,
            changes=plain(happening.changes),
            lasts_ns=happening.lasts_ns,
            over_ns=happening.over_ns,
            note=happening.note,
        )
        if silent:
            lasts = happening.lasts_ns
            place.silent_until = now + lasts if lasts is not None else 1 << 62
        elif happening.over_ns is None:
            place.cover(now, injection.number, happening.changes)
        else:
            self._slope(place, injection, happening, now)
        if happening.lasts_ns is not None:
            self._agenda.put(now + happening.lasts_ns, partial(self._undo, place, injection))

    def _slope(self, place: Place, injection: Injection, happening: Happening, begin: int) -> None:
        """Lay changes on along a straight line from what is there now."""
        over = happening.over_ns or 0
        start = {name: place.below(name) for name in happening.changes}

        def step(now: int) -> None:
            if injection.undone_at_ns is not None:
                return
            place.cover(now, injection.number, _part(start, happening, (now - begin) / over))
            if now < begin + over:
                self._agenda.put(min(now + SLOPE_NS, begin + over), step)

        step(begin)

    def _undo(self, place: Place, injection: Injection, now: int) -> None:
        self._journal.undo(now, injection, faulty=bool(place.supply.fault))
        place.uncover(now, injection.number)


def _may_clear(supply: Supply) -> bool:
    """Return whether a fault is latched that can be cleared now."""
    return bool(supply.fault) and not supply.still_caused() and not supply.start_present


_ACTS: Mapping[str, Callable[[Supply], object]] = MappingProxyType(
    {
        "clear-fault": Supply.clear_fault,
        "enable": Supply.enable,
        "disable": Supply.disable,
        "self-test": lambda supply: supply.feed(Event.SELF_TEST),
        "power-cycle": Supply.power_cycle,
    }
)
"""What people do at a supply, the replacing of parts apart."""


def _part(start: dict[str, Any], happening: Happening, share: float) -> dict[str, float]:
    """Return changes when a share of their way is done, exactly at its end."""
    if share >= 1:
        return dict(happening.changes)
    return {
        name: start[name] + (end - start[name]) * share for name, end in happening.changes.items()
    }
