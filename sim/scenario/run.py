"""Runs a scenario in virtual time: its controllers ask over its line, a capture may be kept.

The line is a clean one, or the scenario's pair (`kerfbus.sim.scenario.pairrun`). The same scenario,
seed and duration give the same capture byte for byte and the same log.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from os import PathLike

from kerfbus.bench.client import Client
from kerfbus.bench.clock import ManualClock
from kerfbus.bench.errors import KerfbusError
from kerfbus.bench.exchange import Outcome
from kerfbus.bench.recorder import RecordingTransport, recorded
from kerfbus.bench.transport import Transport
from kerfbus.sim.cleanline import CleanLine
from kerfbus.sim.pair.setup import CLIENT
from kerfbus.sim.ratings import Transition
from kerfbus.sim.scenario.asker import POLICY
from kerfbus.sim.scenario.burning import BURNING
from kerfbus.sim.scenario.desk import Desk
from kerfbus.sim.scenario.journal import Entry, Journal
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.truth import Truth
from kerfbus.sim.scenario.world import World
from kerfbus.sim.vantage import ClientTransport, Seat


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
        truth: what was really so on the pair; None on a clean line.
    """

    world: World
    duration_ns: int
    outcomes: Counter[Outcome] = field(default_factory=Counter)
    cuts: dict[str, int] = field(default_factory=dict)
    capture_error: KerfbusError | None = None
    truth: Truth | None = None

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
    if scenario.wire is not None:
        desk = _on_pair(stage, given, report)
    else:
        desk = await _on_clean_line(stage, given, report)
    report.cuts = {controller.name: controller.cuts_done for controller in desk.controllers}
    world.journal.end(
        duration_ns,
        duration_ns=duration_ns,
        transactions=report.transactions,
        cuts=report.cuts,
        faults=dict(sorted(report.faults().items())),
    )
    return report


async def _on_clean_line(stage: Stage, options: RunOptions, report: Report) -> Desk:
    async with _line(stage, options) as transport:
        if isinstance(transport, RecordingTransport):
            _mark(stage.world, transport)
        desk = stage.direct()
        await _drive(desk, Client(transport, POLICY), report)
        await transport.clock.sleep_until(report.duration_ns)
    if isinstance(transport, RecordingTransport):
        report.capture_error = transport.capture_error
    return desk


def _on_pair(stage: Stage, options: RunOptions, report: Report) -> Desk:
    """Run on the scenario's pair; what happened to the capture is kept in the report."""
    from kerfbus.sim.scenario.pairrun import PairRun  # noqa: PLC0415 (brings numpy)
    from kerfbus.sim.scenario.wiring import setup_of  # noqa: PLC0415

    world = stage.world
    setup = setup_of(world.scenario, CLIENT, world.seed)
    wire = world.scenario.wire
    causes = wire.causes if wire is not None else ()
    running = PairRun(stage, setup, causes, options.capture, options.overwrite)
    if running.taker is not None:
        _note(world, running.taker.mark)
    running.run(report.duration_ns)
    report.truth = running.close()
    report.outcomes.update(running.asker.outcomes)
    return running.desk


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

    for place in world.places:
        world.watch(place, moved)
    _note(world, transport.mark)


def _note(world: World, mark: Callable[[str, str, int], None]) -> None:
    """Write the injections into the capture, as marks."""

    def told(entry: Entry) -> None:
        if entry["kind"] in ("inject", "undo"):
            text = f"{entry['kind']} #{entry['id']} {entry['what']} supply {entry['supply']}"
            mark("note", text, entry["at_ns"])

    for entry in world.journal.entries:
        told(entry)
    world.journal.listeners.append(told)
