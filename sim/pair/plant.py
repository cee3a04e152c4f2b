"""What stands on the table: stations, cable, terminators, bias and routing of one RS-485 pair.

Plain data with ranges; all defaults are invented but for those that name a source. D1 is the
conductor that is positive for mark (binary 1, idle), as in MODBUS over Serial Line V1.02, 3.3.2;
every differential voltage here is D1 against D0. Ranges are what the models are meant for, wider
than any standard allows, so that bad plants can be built too.

All classes here raise `UsageError` for a value that cannot be.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf, pi

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.surroundings import check_range

Ranges = Mapping[str, tuple[float, float, str]]
"""Lowest and highest value, and unit, by attribute."""
DRIVER_RANGES: Ranges = {
    "driver volts": (0.1, 12.0, "V"),
    "driver ohms": (1.0, 10_000.0, "ohm"),
    "driver rise_ns": (1.0, 20_000.0, "ns"),
    "driver enable_ns": (0.0, 1e9, "ns"),
    "driver release_ns": (0.0, 1e9, "ns"),
    "driver common": (-10.0, 15.0, "V"),
}
RECEIVER_RANGES: Ranges = {
    "receiver threshold": (-1.0, 1.0, "V"),
    "receiver hysteresis": (0.0, 1.0, "V"),
    "receiver common_low": (-100.0, 0.0, "V"),
    "receiver common_high": (0.0, 100.0, "V"),
    "receiver unit_loads": (0.001, 100.0, "unit loads"),
}
CABLE_RANGES: Ranges = {
    "cable metres": (0.1, 2000.0, "m"),
    "cable awg": (10, 30, "AWG"),
    "cable ohms": (30.0, 300.0, "ohm"),
    "cable velocity": (0.3, 1.0, "of the velocity of light"),
    "cable loss_db": (0.0, 30.0, "dB for 100 m at 1 MHz"),
}
BIAS_RANGES: Ranges = {
    "bias pull_up": (10.0, 1e7, "ohm"),
    "bias pull_down": (10.0, 1e7, "ohm"),
    "bias volts": (0.0, 24.0, "V"),
}
HOST_RANGES: Ranges = {
    "host depth": (1, 4096, "characters"),
    "host fetch_ns": (1, 10_000_000_000, "ns"),
}
PLACE_RANGES: Ranges = {
    "clock_ppm": (-500_000.0, 500_000.0, "ppm"),
    "ground": (-1000.0, 1000.0, "V"),
}
MAX_STUB_METRES = 300.0
TERMINATOR_OHMS = (1.0, inf, "ohm")


def _check(holder: object, ranges: Ranges, where: str = "") -> None:
    """Check the attributes that `ranges` names, after what the last word of each says."""
    for name, allowed in ranges.items():
        check_range(where + name, getattr(holder, name.rpartition(" ")[2]), allowed)


@dataclass(frozen=True, slots=True)
class Driver:
    """A line driver.

    Attributes:
        volts: differential, without load (1.5 to 6 V: TIA/EIA-485-A by way of EURASIP JES 2016,
            table 1).
        ohms: source resistance, both legs together.
        rise_ns: 10 to 90 % of a level change at its own terminals.
        enable_ns: from the order to drive until it does.
        release_ns: from the order to let go until it has.
        common: mean of its two outputs against its own common, V (half of 5 V).
    """

    volts: float = 3.6
    ohms: float = 40.0
    rise_ns: float = 100.0
    enable_ns: float = 500.0
    release_ns: float = 500.0
    common: float = 2.5

    def __post_init__(self) -> None:
        _check(self, DRIVER_RANGES)


@dataclass(frozen=True, slots=True)
class Receiver:
    """A line receiver.

    Attributes:
        threshold: middle of the two thresholds, V; the standard allows -0.2 to +0.2.
        hysteresis: between them, V.
        common_low, common_high: common mode that it bears, V (-7 to +12: TIA/EIA-485-A, as above).
        unit_loads: 1 = 12 kohm from each conductor to its common.
    """

    threshold: float = 0.0
    hysteresis: float = 0.05
    common_low: float = -7.0
    common_high: float = 12.0
    unit_loads: float = 1.0

    def __post_init__(self) -> None:
        _check(self, RECEIVER_RANGES)

    @property
    def low(self) -> float:
        """Return the threshold below which it says space, V."""
        return self.threshold - self.hysteresis / 2

    @property
    def high(self) -> float:
        """Return the threshold above which it says mark, V; between the two it says as before."""
        return self.threshold + self.hysteresis / 2


@dataclass(frozen=True, slots=True)
class Cable:
    """The trunk.

    Attributes:
        metres: from end to end.
        awg: gauge.
        ohms: characteristic impedance.
        velocity: as a fraction of that of light.
        loss_db: of 100 m at 1 MHz; it grows with the root of the frequency.
    """

    metres: float = 30.0
    awg: int = 24
    ohms: float = 120.0
    velocity: float = 0.66
    loss_db: float = 2.0

    def __post_init__(self) -> None:
        _check(self, CABLE_RANGES)

    @property
    def conductor_ohms_per_metre(self) -> float:
        """Return the resistance of one conductor at 20 degrees C, copper of 1.7241e-8 ohm metre.

        Diameter: 0.127 mm * 92^((36 - gauge) / 39), ASTM B258 (MEMORY).
        """
        millimetres = 0.127 * 92.0 ** ((36 - self.awg) / 39)
        return float(1.7241e-8 / (pi / 4 * (millimetres * 1e-3) ** 2))

    @property
    def metres_per_ns(self) -> float:
        """Return how far a wave goes in a nanosecond."""
        return 0.299_792_458 * self.velocity


@dataclass(frozen=True, slots=True)
class Stub:
    """A derivation without a terminator: where it leaves the trunk, and how long it is, in m."""

    at_metres: float
    metres: float

    def __post_init__(self) -> None:
        check_range("stub metres", self.metres, (0.0, MAX_STUB_METRES, "m"))


@dataclass(frozen=True, slots=True)
class Bias:
    """The polarization: pull-up of D1, pull-down of D0, in ohm, and the supply, in V.

    450 to 650 ohm at one place: MODBUS over Serial Line V1.02, 3.4.6.
    """

    pull_up: float = 560.0
    pull_down: float = 560.0
    volts: float = 5.0

    def __post_init__(self) -> None:
        _check(self, BIAS_RANGES)


@dataclass(frozen=True, slots=True)
class Host:
    """Who fetches what a UART received, and when.

    Attributes:
        depth: characters that the UART keeps (16: the 16550's, common practice).
        fetch_ns: the host comes at the multiples of this and takes all that is there; what
            arrives while the UART is full is lost.
    """

    depth: int = 16
    fetch_ns: int = 1_000_000

    def __post_init__(self) -> None:
        _check(self, HOST_RANGES)


@dataclass(frozen=True, slots=True)
class Place:
    """A station and where it stands.

    Attributes:
        name: e.g. ``client``, ``server 1``, ``tap``.
        metres: along the trunk.
        settings: rate and format that its UART is set to.
        clock_ppm: error of its clock; positive is fast.
        driver: None for a tap.
        receiver: what it hears with.
        hears_itself: its receiver stays on while it drives (an adapter that echoes).
        swapped: D0 and D1 are exchanged at it.
        ground: of its common against the first station's, V.
        host: who fetches what its UART received; None for one that is always in time.
    """

    name: str
    metres: float
    settings: LineSettings
    clock_ppm: float = 0.0
    driver: Driver | None = field(default_factory=Driver)
    receiver: Receiver = field(default_factory=Receiver)
    hears_itself: bool = False
    swapped: bool = False
    ground: float = 0.0
    host: Host | None = None

    def __post_init__(self) -> None:
        _check(self, PLACE_RANGES, f"{self.name}: ")


@dataclass(frozen=True, slots=True)
class Plant:
    """A pair with all that is on it.

    Attributes:
        stations: in any order along the trunk.
        cable: the trunk.
        stubs: derivations.
        near_ohms, far_ohms: terminators at 0 m and at the far end; infinite for none.
        bias: None for none.
        bias_metres: where it is; it is fed against the first station's common.
        weak_metres: where the pair opens while a contact fails (`kerfbus.sim.pair.noise`): beyond
            this place along the trunk, so that 0 cuts off all but what stands at 0 m.
    """

    stations: tuple[Place, ...]
    cable: Cable = field(default_factory=Cable)
    stubs: tuple[Stub, ...] = ()
    near_ohms: float = 120.0
    far_ohms: float = 120.0
    bias: Bias | None = field(default_factory=Bias)
    bias_metres: float = 0.0
    weak_metres: float = 0.0

    def __post_init__(self) -> None:
        if not self.stations:
            raise UsageError("plant: there is no station; give at least one")
        names = [place.name for place in self.stations]
        if len(set(names)) != len(names):
            raise UsageError(f"plant: two stations of one name: {', '.join(names)}")
        trunk = (0.0, self.cable.metres, "m, the length of the trunk")
        for place in self.stations:
            check_range(f"{place.name}: metres", place.metres, trunk)
        for stub in self.stubs:
            check_range("stub at_metres", stub.at_metres, trunk)
        check_range("bias_metres", self.bias_metres, trunk)
        check_range("weak_metres", self.weak_metres, trunk)
        check_range("near_ohms", self.near_ohms, TERMINATOR_OHMS)
        check_range("far_ohms", self.far_ohms, TERMINATOR_OHMS)

    @property
    def terminated(self) -> bool:
        """Return whether both ends have a terminator."""
        return self.near_ohms < inf and self.far_ohms < inf
