"""Who answers in `kerfbus supply`: one plain supply, or those of a scenario, and on which clock."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import NamedTuple

from kerfbus.bench.clock import Clock, ManualClock, SystemClock
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Transport
from kerfbus.sim.port import make_server
from kerfbus.sim.scenario import open_scenario
from kerfbus.sim.scenario.live import keep_up
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.world import World
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.trafficline import TrafficLine
from kerfbus.tui.output import Output
from kerfbus.tui.scenariolog import Screen, journal_to


class Wanted(NamedTuple):
    """Who is to answer.

    Attributes:
        scenario: its name or file; None for one plain supply.
        server: address of the plain supply.
        settings: rate and format of the plain supply.
        seed: of all chance; None for 0, or the scenario's own.
        fast: time passes with the traffic only.
        log: file for the scenario's log, None for none.
    """

    scenario: str | None
    server: int
    settings: LineSettings
    seed: int | None
    fast: bool
    log: str | None


class Cast(NamedTuple):
    """Who answers.

    Attributes:
        servers: on one line.
        seed: in force.
        clock: of all instants.
        screen: shows the scenario's log from when it is told to; None without a scenario.
    """

    servers: tuple[SupplyServer, ...]
    seed: int
    clock: Clock
    screen: Screen | None = None

    def on(self, transport: Transport) -> Transport:
        """Return a line whose instants are those of the cast's clock."""
        if isinstance(self.clock, ManualClock):
            return TrafficLine(transport, self.clock)
        return transport


@asynccontextmanager
async def cast_of(wanted: Wanted, output: Output) -> AsyncIterator[Cast]:
    """Give the servers that are wanted, and keep their world up with the clock.

    Raises:
        ScenarioError: there is no such scenario, or its file is wrong.
        SettingsError: the plain supply has no such address, rate or format.
        OSError: the log's file exists or cannot be written.
    """
    clock: Clock = ManualClock() if wanted.fast else SystemClock()
    if wanted.scenario is None:
        seed = wanted.seed or 0
        server = make_server(wanted.server, seed, clock.now(), wanted.settings)
        yield Cast((server,), seed, clock)
        return
    scenario = open_scenario(wanted.scenario)
    screen = Screen(output, brief=True)
    with journal_to(screen, wanted.log, keep=False) as journal:
        stage = Stage(scenario, clock.now(), wanted.seed, journal)
        stage.follow()
        cast = Cast(stage.servers, stage.world.seed, clock, screen)
        try:
            if wanted.fast:
                yield cast
            else:
                async with _kept_up(stage.world, clock):
                    yield cast
        finally:
            journal.end(stage.world.now)


@asynccontextmanager
async def _kept_up(world: World, clock: Clock) -> AsyncIterator[None]:
    task = asyncio.create_task(keep_up(world, clock))
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
