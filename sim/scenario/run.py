"""Runs a scenario in virtual time: its controllers ask over a clean line, a capture may be kept.

The same scenario, seed and duration give the same capture byte for byte and the same log.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from os import PathLike

from kerfbus.bench.client import Client, Policy
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.errors import KerfbusError
from kerfbus.bench.exchange import Outcome
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.transport import Transport
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.ratings import Transition
from kerfbus.sim.scenario.desk import RESPONSE_NS, Desk
from kerfbus.sim.scenario.journal import Entry, Journal
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import NS, Scenario
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.world import World
from kerfbus.sim.sequence import ON_WORK, Mode
from kerfbus.sim.vantage import ClientTransport, Seat

BURNING = ON_WORK | {Mode.IGNITION, Mode.PILOT, Mode.TRANSFER}
"""Modes that the mark ``arc=on`` stands for: from the first spark to the last."""
POLICY = Policy(response_timeout=RESPONSE_NS / NS, retries=0)


@dataclass(frozen=True, slots=True)
class RunOptions:
    """How a scenario is run.

    Attributes:
        duration_ns: of scenario time; None for the scenario's own.
        seed: None for the scenario's own.
        capture: file to record to; None for none.
        overwrite: whether a file of this name may be replaced.
    """

    duration_ns: int | None = None
    seed: int | None = None
    capture: str | PathLike[str] | None = None
    overwrite: bool = False


@dataclass
class Report:
    """What a run came to.

    Attributes:
        world: at its end.
        duration_ns: of scenario time.
        outcomes: transactions by how they ended.
        cuts: cuts that were finished, by supply.
        capture_error: what went wrong with the capture, None for nothing.
    """

    world: World
    duration_ns: int
    outcomes: Counter[Outcome] = field(default_factory=Counter)
    cuts: dict[str, int] = field(default_factory=dict)
    capture_error: KerfbusError | None = None

    @property
    def transactions(self) -> int:
        """Return how many requests there were."""
        return sum(self.outcomes.values())

    def faults(self, supply: str | None = None) -> Counter[str]:
        """Return how often each fault was latched; of all supplies when none is named."""
        return Counter(
            entry["fault"]
            for entry in self.world.journal.entries
            if entry["kind"] == "fault" and supply in (None, entry["supply"])
        )


async def run_scenario(
    scenario: Scenario,
    options: RunOptions | None = None,
    journal: Journal | None = None,
    prepare: Callable[[World], None] | None = None,
) -> Report:
    """Run a scenario from its beginning.

    Args:
        scenario: what to run.
        options: how.
        journal: takes the log; None for a new one.
        prepare: called with the world before anything happens, e.g. to watch it.

    Raises:
        CaptureError: the capture cannot be written.
    """
    given = options or RunOptions()
    stage = Stage(scenario, seed=given.seed, journal=journal)
    world = stage.world
    if prepare is not None:
        prepare(world)
    duration_ns = scenario.duration_ns if given.duration_ns is None else given.duration_ns
    report = Report(world, duration_ns)
    async with _line(stage, given) as transport:
        if isinstance(transport, RecordingTransport):
            _mark(world, transport)
        desk = stage.direct()
        await _drive(desk, Client(transport, POLICY), report)
        await transport.clock.sleep_until(duration_ns)
    if isinstance(transport, RecordingTransport):
        report.capture_error = transport.capture_error
    report.cuts = {controller.name: controller.cuts_done for controller in desk.controllers}
    world.journal.end(
        duration_ns,
        duration_ns=duration_ns,
        transactions=report.transactions,
        cuts=report.cuts,
        faults=dict(sorted(report.faults().items())),
    )
    return report


def _line(stage: Stage, options: RunOptions) -> Transport:
    """Return the client's end of the line, recorded when that is asked for."""
    settings, seed = stage.world.scenario.line, stage.world.seed
    seat = Seat(f"sim:{stage.world.scenario.name}", settings, ManualClock(), f"seed {seed}")
    client = ClientTransport(seat, CleanLine(stage.servers, settings))
    if options.capture is None:
        return client
    return recorded(client, options.capture, "client", seed=seed, overwrite=options.overwrite)


async def _drive(desk: Desk, client: Client, report: Report) -> None:
    """Let the controllers ask, in turn, until the time is over."""
    clock = client.transport.clock
    while (turn := desk.next_turn(report.duration_ns)) is not None:
        await clock.sleep_until(turn.at)
        request = desk.ask(turn, clock.now())
        result = await client.request(turn.controller.address, request)
        report.outcomes[result.outcome] += 1
        desk.hear(turn, result.reply, clock.now())


def _mark(world: World, transport: RecordingTransport) -> None:
    """Write the arc and the injections into the capture, as marks."""
    burning: set[str] = set()

    def moved(place: Place, transition: Transition) -> None:
        before = bool(burning)
        (burning.add if transition.after in BURNING else burning.discard)(place.name)
        if bool(burning) != before:
            transport.mark("arc", "on" if burning else "off", transition.at)

    def told(entry: Entry) -> None:
        if entry["kind"] in ("inject", "undo"):
            text = f"{entry['kind']} #{entry['id']} {entry['what']} supply {entry['supply']}"
            transport.mark("note", text, entry["at_ns"])

    for place in world.places:
        world.watch(place, moved)
    for entry in world.journal.entries:
        told(entry)
    world.journal.listeners.append(told)
