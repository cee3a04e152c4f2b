"""All controllers of a world on one line: whose turn it is.

One request is on the line at a time, so the controllers of several supplies ask in turn, like one
client with several units.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from kerfbus.bench import wire
from kerfbus.sim.scenario.agenda import NEVER
from kerfbus.sim.scenario.careful import CarefulController
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import Program
from kerfbus.sim.scenario.world import World

RESPONSE_NS = 300_000_000
"""How long the controllers wait for a reply."""


class Turn(NamedTuple):
    """A request that is to be sent.

    Attributes:
        at: not before this instant.
        controller: whose it is.
    """

    at: int
    controller: CarefulController


class Desk:
    """The controllers of a world.

    Args:
        world: its supplies with a table get a controller each.
        which: says of a table's program whether it gets one; without it all do.

    Attributes:
        controllers: in the order of the supplies.
    """

    def __init__(self, world: World, which: Callable[[Program], bool] | None = None) -> None:
        self._world = world
        self._places = {}
        for place, torch, plan in zip(
            world.places, world.torches, world.scenario.supplies, strict=True
        ):
            if plan.program is not None and (which is None or which(plan.program)):
                tell = world.teller("controller", place)
                controller = CarefulController(place, torch, plan.program, world.agenda, tell)
                self._places[controller] = place
        self.controllers = tuple(self._places)

    def begin(self, at: int) -> None:
        """Let all controllers begin at `at`."""
        for controller in self.controllers:
            controller.begin(at)

    def next_turn(self, until: int) -> Turn | None:
        """Bring the world to the next request; None when there is none up to `until`.

        What happens before then may bring a request forward, so the world is brought there from
        one happening to the next.
        """
        world = self._world
        while True:
            turn = self.first()
            at = turn.at if turn is not None else NEVER
            due = world.next_due
            if due > min(at, until):
                break
            world.advance(due)
        if turn is None or at > until:
            world.advance(until)
            return None
        return turn

    def ask(self, turn: Turn, now: int) -> wire.Request:
        """Return the request of a turn, which begins now."""
        self._world.advance(now)
        return turn.controller.ask(now)

    def hear(self, turn: Turn, reply: wire.Reply | None, now: int) -> None:
        """Hand the reply to whose turn it was; first comes what has happened meanwhile."""
        self._world.advance(now)
        turn.controller.hear(reply, now)

    def place_of(self, controller: CarefulController) -> Place:
        """Return the supply that a controller controls."""
        return self._places[controller]

    def first(self) -> Turn | None:
        """Return whose turn it is next as things stand, None without controllers."""
        first, at = None, NEVER
        for controller, place in self._places.items():
            due = max(controller.due, place.silent_until)
            if due < at:
                first, at = controller, due
        return None if first is None else Turn(at, first)
