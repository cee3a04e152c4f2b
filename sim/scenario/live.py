"""Keeps a world up with a clock, so that its log is written when things happen.

Nothing depends on it: whoever asks a supply brings the world to that instant anyway.
"""

from __future__ import annotations

from kerfbus.bench.clock import Clock
from kerfbus.sim.scenario.world import World

SHORTEST_NS, LONGEST_NS = 10_000_000, 1_000_000_000
"""Between two looks, at least and at most."""


async def keep_up(world: World, clock: Clock) -> None:
    """Bring the world to the present again and again, until cancelled."""
    while True:
        now = clock.now()
        world.advance(now)
        due = max(world.next_due, now + SHORTEST_NS)
        await clock.sleep_until(min(due, now + LONGEST_NS))
