"""The caller's seat on a simulated pair: what a UART there hears, and a driver to talk with.

Time is as in `kerfbus.sim.vantage`. The line is computed up to the present, or, in virtual time, as
far ahead as the caller has promised to be silent. A burst is handed over when it is certain to have
ended, half a character after its last stop bit and a little; what the caller sends then begins a
moment later than on a real line, always within the silent interval.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from os import PathLike

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import Chunk, LineCounters, LineEventKind
from kerfbus.sim.pair.adapter import Adapter
from kerfbus.sim.pair.bursts import Bursts
from kerfbus.sim.pair.bus import LOOK_NS, Bus, Listener
from kerfbus.sim.pair.setup import CLIENT, TAP, Setup, changed_place
from kerfbus.sim.pair.talk import Character
from kerfbus.sim.scenario.asker import Asker
from kerfbus.sim.scenario.party import Party
from kerfbus.sim.scenario.plan import Scenario
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.truth import Truth, transactions
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.vantage import Seat, SimTransport

AHEAD_NS = 1_000_000_000
"""How far the line is computed at a stretch for a caller who waits without limit."""


class _Ear(Listener):
    """Hands over what the caller's station hears.

    Args:
        index: of the station.
        collects: bursts, or an adapter's lumps.
        deliver: takes them.
    """

    def __init__(
        self, index: int, collects: Bursts | Adapter, deliver: Callable[[list[Chunk]], None]
    ) -> None:
        self.index = index
        self.collects = collects
        self._deliver = deliver

    @property
    def deadline(self) -> int:
        """Return when something is to be handed over."""
        return self.collects.deadline

    def take(self, heard: Sequence[Character], until: int) -> None:
        """Hand over what has ended."""
        self._deliver(self.collects.take(heard, until))


class PairTransport(SimTransport):
    """A seat on a scenario's pair.

    Args:
        seat: where the caller sits.
        stage: the world.
        setup: the pair; the caller plays the station that it records at.
        ideal: nothing is wrong with the wire.
    """

    def __init__(self, seat: Seat, stage: Stage, setup: Setup, *, ideal: bool = False) -> None:
        super().__init__(seat)
        self._setup = setup = for_caller(setup, stage.world.scenario, seat.settings)
        self._index = setup.index(setup.vantage)
        self._party = Party(stage.world, setup, setup.vantage, ideal=ideal)
        self._arc: list[tuple[int, str]] = []
        self._party.watch_arc(lambda state, at: self._arc.append((at, state)))
        self._mouth = self._party.mouth(setup.vantage)
        self._seen: Counter[LineEventKind] = Counter()
        collects: Bursts | Adapter = Bursts(seat.settings)
        if setup.lumps is not None:
            self.timing, self.uncertainty_ns = "host", setup.lumps.believed_ns
            collects = Adapter(setup.lumps, setup.seed, f"recorder at {setup.vantage}")
        self._ear = _Ear(self._index, collects, self._heard)
        self._bus.attach(self._ear)
        self._asker: Asker | None = None
        if setup.vantage == CLIENT:
            stage.follow()
        else:
            desk = stage.direct()
            if desk.controllers:
                self._asker = Asker(self._party.mouth(CLIENT), desk, stage.world, None)

    @property
    def _bus(self) -> Bus:
        return self._party.bus

    @property
    def servers(self) -> Sequence[SupplyServer]:
        """Return the servers of the world's supplies."""
        return tuple(place.server for place in self._party.world.places)

    def catch_up(self, now: int) -> None:
        """Let time pass on the line up to `now`; what is heard is handed over."""
        self._bus.run(now)

    def _heard(self, chunks: list[Chunk]) -> None:
        for chunk in chunks:
            self._seen.update(error.kind for error in chunk.errors)
        self._deliver(chunks)

    async def send(self, data: bytes) -> int:
        """Send characters; see `Transport.send`. Nothing is waited for: talks may collide.

        Raises:
            UsageError: the caller is a tap.
            PortLostError: the port is closed.
        """
        self._check()
        if self._setup.vantage == TAP:
            raise UsageError(f"{self.name}: a tap sends nothing; open the port as a client")
        now = self.clock.now()
        if not data:
            return now
        self._bus.run(now)
        role = "request" if self._setup.vantage == CLIENT else "reply"
        end = self._mouth.say(data, now + self._mouth.manner.lead_ns, role)[1]
        if self._virtual is not None:
            self._virtual.advance_to(end)
        return end

    async def reconfigure(self, settings: LineSettings) -> None:
        """Change rate and format of the caller's UART; the others keep theirs."""
        self._check()
        self._bus.run(self.clock.now())
        self.settings = settings
        self._bus.tune(self._index, settings)
        if isinstance(self._ear.collects, Bursts):
            self._heard(self._ear.collects.flush())
            self._ear.collects = Bursts(settings)

    def counters(self) -> LineCounters:
        """Return how many line errors were heard."""
        seen, kinds = self._seen, LineEventKind
        return LineCounters(
            seen[kinds.FRAMING], seen[kinds.PARITY], seen[kinds.BREAK], seen[kinds.OVERRUN], 0
        )

    def _look_ahead(self, until: int) -> None:
        """Let time pass on the line until something is heard: at most to `until`, or to now."""
        limit = until if self._virtual is not None else min(until, self.clock.now())
        while not self._inbox and self._bus.now < limit:
            self._bus.step(limit)

    async def _wait(self, until: int | None) -> None:
        """Suspend; in wall time until something may have happened on the line."""
        now = self.clock.now()
        again = max(min(self._bus.next, now + LOOK_NS), now)
        if self._virtual is not None:
            again = until if until is not None else now
            if until is None and self._asker is not None:
                self._look_ahead(self._bus.now + AHEAD_NS)
            elif until is None:
                await super()._wait(None)  # only the caller itself can end this silence
                return
        await super()._wait(again if until is None else min(again, until))

    def truth(self) -> Truth:
        """Return what was really so up to now."""
        world = self._party.world
        wire = world.scenario.wire
        outcomes = self._asker.outcomes if self._asker is not None else ()
        return Truth(
            wire.causes if wire is not None else (),
            self._setup,
            tuple(transactions(self._party.ledger, self._setup, outcomes)),
            tuple(self._arc),
            world.scenario.name,
        )

    def write_truth(self, capture: str | PathLike[str]) -> None:
        """Write the truth beside a capture.

        Raises:
            CaptureError: the file cannot be written.
        """
        self.truth().write(capture)


def for_caller(setup: Setup, scenario: Scenario, settings: LineSettings) -> Setup:
    """Return a pair on which the caller's UART has the caller's rate and format.

    Where a cause has set the caller's station to something else than the line, it is the line that
    is something else: the caller's settings are the caller's.
    """
    own = setup.place(setup.vantage).settings
    plant = setup.plant
    if own != scenario.line:
        for index in range(len(plant.stations)):
            plant = changed_place(plant, index, settings=own)
    plant = changed_place(plant, setup.index(setup.vantage), settings=settings)
    return replace(setup, plant=plant)
