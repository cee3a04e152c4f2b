"""A scenario on its pair, run in virtual time, with a capture and the truth beside it."""

from __future__ import annotations

from dataclasses import dataclass, field
from os import PathLike

from kerfbus.sim.pair.adapter import Adapter
from kerfbus.sim.pair.setup import CLIENT, Setup
from kerfbus.sim.scenario.asker import Asker
from kerfbus.sim.scenario.party import Party
from kerfbus.sim.scenario.stage import Stage
from kerfbus.sim.scenario.taker import Taker
from kerfbus.sim.scenario.truth import Truth, transactions


@dataclass
class PairRun:
    """A scenario on a pair.

    Args:
        stage: the world.
        setup: the pair.
        causes: for the truth.
        capture: to write, None for none.
        overwrite: whether a file of this name may be replaced.
    """

    stage: Stage
    setup: Setup
    causes: tuple[tuple[str, float], ...] = ()
    capture: str | PathLike[str] | None = None
    overwrite: bool = False
    arc: list[tuple[int, str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        setup, world = self.setup, self.stage.world
        self.party = Party(world, setup, "")
        self.taker: Taker | None = None
        if self.capture is not None:
            self.taker = Taker(self.party.bus, setup, self.capture, overwrite=self.overwrite)
        self.party.watch_arc(self._mark)
        self.desk = self.stage.direct()
        adapter, late_ns = None, 0
        if setup.vantage == CLIENT and setup.lumps is not None:
            adapter = Adapter(setup.lumps, setup.seed, f"recorder at {CLIENT}")
            late_ns = setup.lumps.believed_ns
        self.asker = Asker(self.party.mouth(CLIENT), self.desk, world, adapter, late_ns)

    def _mark(self, state: str, at: int) -> None:
        self.arc.append((at, state))
        if self.taker is not None:
            self.taker.mark("arc", state, at)

    def run(self, until: int) -> None:
        """Run to an instant."""
        self.party.bus.run(until)

    def run_transactions(self, number: int, until: int) -> None:
        """Run until so many requests have ended, at most to an instant."""
        bus, outcomes = self.party.bus, self.asker.outcomes
        while len(outcomes) < number and bus.now < until:
            bus.step(until)

    def close(self) -> Truth:
        """End the capture and return the truth, written beside it where there is one."""
        bus = self.party.bus
        if self.taker is not None:
            self.taker.close(bus.now)
        truth = Truth(
            self.causes,
            self.setup,
            tuple(transactions(self.party.ledger, self.setup, self.asker.outcomes)),
            tuple(self.arc),
            self.stage.world.scenario.name,
        )
        if self.capture is not None:
            truth.write(self.capture)
        return truth
