"""A world made ready: its servers for a line, and somebody who moves its torches.

Who that is depends on who asks the supplies: controllers of our own (`Stage.direct`), or somebody
outside, and then the torches follow the contact "arc transferred" (`Stage.follow`).
"""

from __future__ import annotations

from kerfbus.sim.scenario.desk import Desk
from kerfbus.sim.scenario.following import FollowingTable
from kerfbus.sim.scenario.journal import Journal
from kerfbus.sim.scenario.ownwires import OwnWires
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.world import World
from kerfbus.sim.server import SupplyServer


class Stage:
    """A world made ready.

    Args:
        scenario: what is there and what happens.
        at: instant of the beginning.
        seed: instead of the scenario's own.
        journal: takes the log; None for a new one.

    Attributes:
        world: the world.
    """

    def __init__(
        self,
        scenario: Scenario,
        at: int = 0,
        seed: int | None = None,
        journal: Journal | None = None,
    ) -> None:
        self.world = World(scenario, at, seed, journal)

    @property
    def servers(self) -> tuple[SupplyServer, ...]:
        """Return the servers, in the order of the supplies."""
        return tuple(place.server for place in self.world.places)

    def direct(self) -> Desk:
        """Let our own controllers begin now, and return them."""
        desk = Desk(self.world)
        desk.begin(self.world.now)
        return desk

    def follow(self) -> None:
        """Let torches follow the contacts from now on, but for those with wires of their own."""
        world = self.world
        wired = Desk(world, lambda program: program.own_wires)
        if wired.controllers:
            OwnWires(wired, world.agenda).begin(world.now)
        for place, torch, plan in zip(
            world.places, world.torches, world.scenario.supplies, strict=True
        ):
            if plan.program is not None and not plan.program.own_wires:
                FollowingTable(place, torch, plan.program, world.agenda).begin(world.now)
