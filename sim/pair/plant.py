"""What stands on the table: stations, cable, terminators, bias and routing of one RS-485 pair.

Plain data with ranges; all defaults are invented but for those that name a source. D1 is the
conductor that is positive for mark (binary 1, idle), as in MODBUS over Serial Line V1.02, 3.3.2;
every differential voltage here is D1 against D0.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

from kerfbus.bench.line import LineSettings


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
    """

    volts: float = 3.6
    ohms: float = 40.0
    rise_ns: float = 100.0
    enable_ns: float = 500.0
    release_ns: float = 500.0


@dataclass(frozen=True, slots=True)
class Receiver:
    """A line receiver.

    Attributes:
        threshold: middle of the two thresholds, V; the standard allows -0.2 to +0.2.
        hysteresis: between them, V.
        common_low, common_high: common mode that it bears, V (-7 to +12: TIA/EIA-485-A, as above).
        unit_loads: 1 = 12 kohm.
    """

    threshold: float = 0.0
    hysteresis: float = 0.05
    common_low: float = -7.0
    common_high: float = 12.0
    unit_loads: float = 1.0


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


@dataclass(frozen=True, slots=True)
class Stub:
    """A derivation without a terminator: where it leaves the trunk, and how long it is, in m."""

    at_metres: float
    metres: float


@dataclass(frozen=True, slots=True)
class Bias:
    """The polarization: pull-up of D1, pull-down of D0, in ohm, and the supply, in V.

    450 to 650 ohm at one place: MODBUS over Serial Line V1.02, 3.4.6.
    """

    pull_up: float = 560.0
    pull_down: float = 560.0
    volts: float = 5.0


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


@dataclass(frozen=True, slots=True)
class Plant:
    """A pair with all that is on it.

    Attributes:
        stations: in any order along the trunk.
        cable: the trunk.
        stubs: derivations.
        near_ohms, far_ohms: terminators at 0 m and at the far end; infinite for none.
        bias: None for none.
        bias_metres: where it is.
    """

    stations: tuple[Place, ...]
    cable: Cable = field(default_factory=Cable)
    stubs: tuple[Stub, ...] = ()
    near_ohms: float = 120.0
    far_ohms: float = 120.0
    bias: Bias | None = field(default_factory=Bias)
    bias_metres: float = 0.0

    @property
    def terminated(self) -> bool:
        """Return whether both ends have a terminator."""
        return self.near_ohms < inf and self.far_ohms < inf
