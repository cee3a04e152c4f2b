"""All that is on a scenario's pair, put together: a bus with its stations, the arc beside it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import count

from kerfbus.bench.errors import UsageError
from kerfbus.sim.device import Device
from kerfbus.sim.pair.bus import Bus, Mouth
from kerfbus.sim.pair.ideal import IdealLine
from kerfbus.sim.pair.ledger import Ledger
from kerfbus.sim.pair.noise import Disturbances
from kerfbus.sim.pair.plant import Plant
from kerfbus.sim.pair.serving import SecondClient, ServerStation
from kerfbus.sim.pair.setup import STRANGER, TWIN, Setup, server_name
from kerfbus.sim.pair.talk import Arc, PairLine
from kerfbus.sim.ratings import Transition
from kerfbus.sim.scenario.burning import BURNING
from kerfbus.sim.scenario.place import Place
from kerfbus.sim.scenario.world import SEED_STEP, World
from kerfbus.sim.sequence import Mode
from kerfbus.sim.server import SupplyServer
from kerfbus.sim.settings import Ignition

EXTINCTION_NS = 20_000_000
"""How long an arc that has gone out is felt (chosen)."""
_ARCS = {
    Mode.PILOT: Arc.PILOT,
    Mode.TRANSFER: Arc.TRANSFER,
    Mode.RAMP_UP: Arc.CUTTING,
    Mode.PIERCING: Arc.CUTTING,
    Mode.CUTTING: Arc.CUTTING,
    Mode.RAMP_DOWN: Arc.CUTTING,
}


def make_line(setup: Setup, plant: Plant) -> PairLine:
    """Return the line that a setup is to be put on."""
    disturbances = Disturbances(setup.noise, setup.routing, setup.seed)
    if setup.fidelity == "sampled":
        from kerfbus.sim.pair.sampled import SampledLine  # noqa: PLC0415 (brings the line models)

        return SampledLine(plant, disturbances)
    from kerfbus.sim.pair.bitline import BitLine  # noqa: PLC0415 (brings numpy)

    return BitLine(plant, disturbances)


class Party:
    """The bus of a world's pair with all stations but the one that the caller plays.

    Args:
        world: its supplies are the servers.
        setup: the pair; None for one on which nothing is wrong.
        played: name of the station that is left out.

    Attributes:
        bus: the bus.
        world, setup: as given.
        ledger: what was said and heard.
    """

    def __init__(self, world: World, setup: Setup, played: str, *, ideal: bool = False) -> None:
        self.setup = setup
        self.world = world
        make: Callable[[Plant], PairLine] = (
            IdealLine if ideal else lambda plant: make_line(setup, plant)
        )
        self.bus = Bus(make, setup.plant, world.begin)
        self.bus.prepare = world.advance
        self.ledger = self.bus.ledger = Ledger(range(len(setup.plant.stations)))
        self._felt = _Felt(self.bus, world)
        for place in world.places:
            name = server_name(place.address)
            if place.address in setup.addresses and name != played:
                ServerStation(self.mouth(name), place.server)
        if setup.twin is not None:
            ServerStation(self.mouth(TWIN), self._twin(setup.twin))
        if setup.intrusion is not None:
            SecondClient(self.mouth(STRANGER), setup.intrusion)
        for at, plant in setup.changes:
            self._change_at(world.begin + at, plant)

    def mouth(self, name: str) -> Mouth:
        """Return the mouth of a station."""
        return Mouth(self.bus, self.setup.index(name), self.setup.manner(name), self.setup.seed)

    def watch_arc(self, tell: Callable[[str, int], None]) -> None:
        """Have `tell` called with ``on`` and ``off`` and the instant when the arc changes."""
        self._felt.tell = tell

    def _change_at(self, at: int, plant: Plant) -> None:
        """Change the plant at an instant, or when what is being said then has ended."""

        def change(now: int) -> None:
            if self.bus.busy_until > now:
                self._change_at(self.bus.busy_until, plant)
            else:
                self.bus.change(plant)

        self.bus.put(at, change)

    def _twin(self, address: int) -> SupplyServer:
        """Return a second supply with the same address, which somebody has put on the line."""
        for plan in self.world.scenario.supplies:
            if plan.address == address:
                seed = self.world.seed + SEED_STEP * len(self.world.places)
                device = Device(replace(plan.beginning, seed=seed), self.world.begin)
                return SupplyServer(device)
        raise UsageError(f"no supply has the address {address}, so none can have it twice")


class _Felt:
    """What a line beside the torches feels of their arcs: the wildest of all supplies.

    Args:
        bus: is told.
        world: is watched.
    """

    def __init__(self, bus: Bus, world: World) -> None:
        self.tell: Callable[[str, int], None] | None = None
        self._bus = bus
        self._states: dict[str, Arc] = {}
        self._burning: set[str] = set()
        self._numbers = count()
        self._last: dict[str, int] = {}
        for place in world.places:
            world.watch(place, self._moved)

    def _moved(self, place: Place, transition: Transition) -> None:
        at, before, _, after = transition
        was_on = bool(self._burning)
        (self._burning.add if after in BURNING else self._burning.discard)(place.name)
        if self.tell is not None and bool(self._burning) != was_on:
            self.tell("on" if self._burning else "off", at)
        state = _ARCS.get(after, Arc.OFF)
        if after is Mode.IGNITION:
            high = place.supply.settings.ignition_method == Ignition.HIGH_FREQUENCY
            state = Arc.IGNITION_HF if high else Arc.IGNITION_CONTACT
        elif state is Arc.OFF and before in BURNING:
            state = Arc.EXTINCTION
        self._feel(place.name, at, state)
        if state is Arc.EXTINCTION:
            number = self._last[place.name]
            self._bus.put(at + EXTINCTION_NS, lambda now: self._calm(place.name, number, now))

    def _feel(self, name: str, at: int, state: Arc) -> None:
        self._states[name] = state
        self._last[name] = next(self._numbers)
        self._bus.arc(at, max(self._states.values()))

    def _calm(self, name: str, number: int, now: int) -> None:
        """End an extinction, unless something else has happened since."""
        if self._last[name] == number:
            self._feel(name, now, Arc.OFF)
