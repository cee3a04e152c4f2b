"""A pair made ready to be put together: plant, noise, manners, and who is there besides.

Plain data. `usual` makes a healthy one, with what nobody has fixed drawn from the seed; the causes
of `kerfbus.sim.pair.defects` change it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, Literal

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair.adapter import Lumps
from kerfbus.sim.pair.bus import Manner
from kerfbus.sim.pair.chance import dice
from kerfbus.sim.pair.noise import NoisePlan, Routing
from kerfbus.sim.pair.plant import Bias, Cable, Driver, Place, Plant, Stub
from kerfbus.sim.pair.serving import Intrusion

Fidelity = Literal["bits", "sampled"]
CLIENT, TAP, TWIN, STRANGER = "client", "tap", "twin", "second client"
MS = 1_000_000


def server_name(address: int) -> str:
    """Return the name of the station with a server of this address."""
    return f"server {address}"


@dataclass(frozen=True, slots=True)
class Given:
    """What somebody has fixed about a pair; None and empty leave it to the seed.

    Attributes:
        cable: the trunk.
        stubs: derivations.
        near_ohms, far_ohms: terminators.
        bias, biased: the network, and whether there is one.
        routing: how the pair runs.
        noise: what disturbs it.
        clocks: errors of clocks, ppm, by station.
        metres: places along the trunk, by station.
    """

    cable: Cable | None = None
    stubs: tuple[Stub, ...] = ()
    near_ohms: float = 120.0
    far_ohms: float = 120.0
    bias: Bias | None = None
    biased: bool = True
    routing: Routing | None = None
    noise: NoisePlan | None = None
    clocks: Mapping[str, float] = field(default_factory=dict)
    metres: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Setup:
    """A pair with all that is on it.

    Attributes:
        plant: the client is its first station.
        noise, routing: what disturbs it, and what of that arrives.
        seed: of all chance.
        fidelity: which line it is put on.
        manners: how stations talk, by name; usual ones for those that are not named.
        addresses: of the servers that are there, in the scenario's order.
        twin: address that a second server has as well; None without one.
        intrusion: what a second client does; None without one.
        lumps: of the recording station's adapter; None where its stamps are exact.
        changes: plants that follow, with their instants from the beginning.
        slower: factor by which an address is asked more seldom.
        vantage: name of the station that records, or is played by the caller.
    """

    plant: Plant
    noise: NoisePlan
    routing: Routing
    seed: int
    vantage: str
    fidelity: Fidelity = "bits"
    manners: Mapping[str, Manner] = field(default_factory=dict)
    addresses: tuple[int, ...] = ()
    twin: int | None = None
    intrusion: Intrusion | None = None
    lumps: Lumps | None = None
    changes: tuple[tuple[int, Plant], ...] = ()
    slower: Mapping[int, float] = field(default_factory=dict)

    def index(self, name: str) -> int:
        """Return the index of a station.

        Raises:
            UsageError: there is none of that name.
        """
        names = [place.name for place in self.plant.stations]
        if name not in names:
            raise UsageError(f"there is no station {name}; there are {', '.join(names)}")
        return names.index(name)

    def place(self, name: str) -> Place:
        """Return a station's place."""
        return self.plant.stations[self.index(name)]

    def with_place(self, name: str, **changes: Any) -> Setup:
        """Return a setup in which a station's place is changed."""
        return replace(self, plant=changed_place(self.plant, self.index(name), **changes))

    def with_station(self, place: Place) -> Setup:
        """Return a setup with one more station."""
        return replace(self, plant=replace(self.plant, stations=(*self.plant.stations, place)))

    def manner(self, name: str) -> Manner:
        """Return how a station talks."""
        return self.manners.get(name, Manner())

    def with_manner(self, name: str, **changes: Any) -> Setup:
        """Return a setup in which a station talks otherwise."""
        manners = {**self.manners, name: replace(self.manner(name), **changes)}
        return replace(self, manners=MappingProxyType(manners))


def changed_place(plant: Plant, index: int, **changes: Any) -> Plant:
    """Return a plant in which one station's place is changed."""
    stations = list(plant.stations)
    stations[index] = replace(stations[index], **changes)
    return replace(plant, stations=tuple(stations))


def usual(
    line: LineSettings,
    addresses: Sequence[int],
    vantage: str,
    seed: int,
    given: Given | None = None,
) -> Setup:
    """Return a healthy pair.

    Args:
        line: rate and format of all stations.
        addresses: of the servers.
        vantage: ``client``, ``tap``, or a server's name.
        seed: of all that is drawn.
        given: what is fixed.
    """
    fixed, draw = given or Given(), dice(seed, "setup", 0)
    cable = fixed.cable or Cable(
        metres=round(draw.uniform(8.0, 120.0), 1), awg=draw.choice((22, 24, 26))
    )
    names = [CLIENT, *(server_name(each) for each in addresses)]
    if vantage == TAP:
        names.append(TAP)
    places, manners = [], {}
    for number, name in enumerate(names):
        # Drawn for every station whatever is fixed, so that fixing one thing moves no other.
        metres = 0.0 if not number else round(draw.uniform(2.0, cable.metres), 1)
        clock = round(draw.uniform(-60.0, 60.0), 1)
        driver = Driver(volts=round(draw.uniform(2.8, 4.2), 2), ohms=round(draw.uniform(25, 55), 1))
        places.append(
            Place(
                name,
                fixed.metres.get(name, metres),
                line,
                clock_ppm=fixed.clocks.get(name, clock),
                driver=None if name == TAP else driver,
            )
        )
        manners[name] = _manner(line, draw.random(), draw.random(), draw.random())
    bias = fixed.bias or Bias(*(float(draw.choice((470, 510, 560, 620))),) * 2)
    plant = Plant(
        tuple(places),
        cable,
        fixed.stubs,
        fixed.near_ohms,
        fixed.far_ohms,
        bias if fixed.biased else None,
    )
    return Setup(
        plant,
        fixed.noise or NoisePlan(),
        fixed.routing or Routing(),
        seed,
        vantage,
        manners=MappingProxyType(manners),
        addresses=tuple(addresses),
    )


def clean(line: LineSettings, addresses: Sequence[int], vantage: str, seed: int) -> Setup:
    """Return a pair of stations that are all alike and exact; for an ideal line."""
    names = [CLIENT, *(server_name(each) for each in addresses)]
    if vantage == TAP:
        names.append(TAP)
    plant = Plant(tuple(Place(name, 0.0, line) for name in names))
    manners = {name: Manner(lead_ns=0, hold_ns=0) for name in names}
    return Setup(
        plant,
        NoisePlan(),
        Routing(),
        seed,
        vantage,
        manners=MappingProxyType(manners),
        addresses=tuple(addresses),
    )


def _manner(line: LineSettings, lead: float, hold: float, wait: float) -> Manner:
    """Return a healthy station's manner: it drives for half a bit more, and answers soon."""
    return Manner(
        lead_ns=round(lead * line.bit_ns) + 1000,
        hold_ns=round(hold * line.bit_ns / 2) + 1000,
        turnaround_ns=round(wait * 3 * MS),
        spread_ns=MS // 4,
    )
