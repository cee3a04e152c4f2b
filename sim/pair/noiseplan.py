"""What disturbs a pair, as data: how often, how long, how strong.

Volts are what a pair would feel under the worst routing (`kerfbus.sim.pair.coupling.WORST`).
No statistics of plasma arcs on serial links are published as far as we know: every figure here is
invented, most after the bench's own noise model, but for the fast-transient geometry of IEC
61000-4-4 (75 pulses, 5 or 100 kHz, every 300 ms, by way of secondary texts) and the range of
repetition of high-frequency ignition (50 to 300 Hz: IEC 60974-7:2019, dielectric test).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from kerfbus.bench.errors import UsageError
from kerfbus.sim.pair.episodes import Kind
from kerfbus.sim.pair.talk import Arc

US, MS, SECOND = 1_000, 1_000_000, 1_000_000_000
ALWAYS = frozenset(Arc)
ARC_ON = frozenset({Arc.PILOT, Arc.TRANSFER, Arc.CUTTING})


@dataclass(frozen=True, slots=True)
class Bursts:
    """Bursts of noise that come as a Poisson process while the arc is in a state.

    A burst outlives the state in which it began.

    Attributes:
        per_second: rate, 0 to 1000.
        median_ns: of their lognormal duration.
        spread: standard deviation of the duration's natural logarithm.
        longest_ns: longer ones are cut to this.
        volts: median of their lognormal strength, V rms.
        volts_spread: standard deviation of the strength's natural logarithm.
    """

    per_second: float
    median_ns: int = 800 * US
    spread: float = 0.7
    longest_ns: int = 20 * MS
    volts: float = 2.4
    volts_spread: float = 0.35

    def __post_init__(self) -> None:
        """Check ranges.

        Raises:
            UsageError: a number is outside its range.
        """
        _check("bursts a second", self.per_second, 1000.0)
        _check("longest burst, ns", self.longest_ns, 10.0 * SECOND)


@dataclass(frozen=True, slots=True)
class Opening:
    """A few bursts at the beginning of a state of the arc.

    Attributes:
        fewest, most: how many.
        within_ns: they begin within this from the state's beginning, while it lasts.
        shortest_ns, longest_ns: duration, even between.
        volts: V rms.
        rise: ground potential rise while they last, V, of either sign.
    """

    fewest: int = 2
    most: int = 6
    within_ns: int = 60 * MS
    shortest_ns: int = 1 * MS
    longest_ns: int = 5 * MS
    volts: float = 4.0
    rise: float = 30.0


@dataclass(frozen=True, slots=True)
class SparkTrain:
    """The pulses of high-frequency ignition: each rings.

    Attributes:
        slowest, fastest: pulses a second, 50 to 300; drawn once for an ignition.
        longest_ns: no more pulses after this.
        lowest_hertz, highest_hertz: ringing, drawn for each pulse, evenly in octaves.
        shortest_ns, longest_ring_ns: how long it rings, even between; five time constants.
        volts: first peak.
        rise: ground potential rise while it rings, V, of either sign.
    """

    slowest: float = 50.0
    fastest: float = 300.0
    longest_ns: int = 500 * MS
    lowest_hertz: float = 0.3e6
    highest_hertz: float = 5e6
    shortest_ns: int = 10 * US
    longest_ring_ns: int = 50 * US
    volts: float = 60.0
    rise: float = 300.0


@dataclass(frozen=True, slots=True)
class Transients:
    """Trains of fast transients, as in the test of IEC 61000-4-4.

    Attributes:
        volts: first peak of each pulse.
        hertz: pulses a second within a train: 5000 (a train takes 15 ms) or 100 000 (0.75 ms).
        pulses: in a train.
        period_ns: from train to train.
        ring_hertz: what a pulse of 5/50 ns excites on the pair (invented).
        decay_ns: time constant of that (invented).
        states: of the arc, in which pulses reach the pair.
    """

    volts: float
    hertz: float = 100_000.0
    pulses: int = 75
    period_ns: int = 300 * MS
    ring_hertz: float = 5e6
    decay_ns: float = 200.0
    states: frozenset[Arc] = ALWAYS

    def __post_init__(self) -> None:
        """Check that a train fits into its period.

        Raises:
            UsageError: it does not.
        """
        if self.train_ns > self.period_ns:
            raise UsageError(
                f"a train of {self.train_ns} ns does not fit into {self.period_ns} ns: "
                "give fewer pulses, more hertz or a longer period"
            )

    @property
    def train_ns(self) -> int:
        """Return how long a train takes: pulses times their distance."""
        return round(self.pulses * SECOND / self.hertz)


@dataclass(frozen=True, slots=True)
class Steps:
    """A load elsewhere that comes and goes, and lifts one ground while it is on.

    Attributes:
        volts: of the common mode.
        per_second: how often it comes on (Poisson), 0 to 100.
        median_ns, spread, longest_ns: lognormal duration, as in `Bursts`.
        states: of the arc, in which it comes on.
    """

    volts: float
    per_second: float = 0.05
    median_ns: int = 800 * MS
    spread: float = 0.5
    longest_ns: int = 5 * SECOND
    states: frozenset[Arc] = ALWAYS

    def __post_init__(self) -> None:
        """Check ranges.

        Raises:
            UsageError: a number is outside its range.
        """
        _check("ground steps a second", self.per_second, 100.0)
        _check("longest ground step, ns", self.longest_ns, 60.0 * SECOND)


@dataclass(frozen=True, slots=True)
class Held:
    """Something that is there for as long as the arc is in certain states.

    It follows the arc with a lag of at most 9 ms (a current that rises and dies away).

    Attributes:
        kind: COMMON (current through what should only bond) or SIGMA (inverter noise).
        volts: of the step, or rms.
        states: of the arc.
    """

    kind: Kind
    volts: float
    states: frozenset[Arc] = ARC_ON


@dataclass(frozen=True, slots=True)
class Hum:
    """The mains on the common mode: V peak, at 50 or 60 Hz."""

    volts: float
    hertz: float = 50.0


@dataclass(frozen=True, slots=True)
class Dropouts:
    """A contact that opens: the chain of Gilbert and Elliott in continuous time.

    Both states last exponential times. The routing has no say in it.

    Attributes:
        open_share: of all time, above 0 and below 1.
        mean_open_ns: how long it stays open on average, 1 us or more.
        kind: OPEN, or SIGMA for a contact that only rattles.
        volts: V rms of SIGMA.
    """

    open_share: float
    mean_open_ns: int = 20 * MS
    kind: Kind = Kind.OPEN
    volts: float = 0.0

    def __post_init__(self) -> None:
        """Check ranges.

        Raises:
            UsageError: a number is outside its range.
        """
        if not 0.0 < self.open_share < 1.0:
            raise UsageError(f"open share {self.open_share:g}: give more than 0 and less than 1")
        if self.mean_open_ns < US:
            raise UsageError(f"mean open time {self.mean_open_ns} ns: give 1000 ns or more")

    @property
    def renewals_per_second(self) -> float:
        """Return the rate of the renewals at which the contact falls open or shut anew.

        A run of open ones ends at the first that falls shut, hence ``1 / (B (1 - P))``.
        """
        return SECOND / (self.mean_open_ns * (1.0 - self.open_share))


@dataclass(frozen=True, slots=True)
class Drift:
    """How an undriven pair without bias wanders, and how fast."""

    volts: float = 0.02
    knot_ns: int = 50 * MS


@dataclass(frozen=True)
class NoisePlan:
    """All that disturbs a pair. As it stands without arguments: only a faint background.

    Attributes:
        gaussian: background between the conductors, V rms; the routing has no say in it.
        gain: of the volts of all that routing couples (bursts, openings, sparks, transients,
            steps, held, hum).
        bursts: by state of the arc.
        openings: by state of the arc.
        sparks: of high-frequency ignition.
        transients, steps, held, hum, dropouts: any number of each.
        drift: of an undriven pair.
    """

    gaussian: float = 0.01
    gain: float = 1.0
    bursts: Mapping[Arc, Bursts] = field(default_factory=dict)
    openings: Mapping[Arc, Opening] = field(default_factory=dict)
    sparks: SparkTrain | None = None
    transients: tuple[Transients, ...] = ()
    steps: tuple[Steps, ...] = ()
    held: tuple[Held, ...] = ()
    hum: tuple[Hum, ...] = ()
    dropouts: tuple[Dropouts, ...] = ()
    drift: Drift = field(default_factory=Drift)


def _check(name: str, value: float, highest: float) -> None:
    if not 0.0 <= value <= highest:
        raise UsageError(f"{name}, {value:g}: give 0 to {highest:g}")


PLASMA = NoisePlan(
    bursts=MappingProxyType(
        {
            Arc.OFF: Bursts(0.001),
            Arc.PILOT: Bursts(2.0),
            Arc.CUTTING: Bursts(1.0),
        }
    ),
    openings=MappingProxyType(
        {
            Arc.IGNITION_CONTACT: Opening(),
            Arc.TRANSFER: Opening(1, 3, 50 * MS, US * 200, 3 * MS),
            Arc.EXTINCTION: Opening(1, 2, 20 * MS, US * 200, 2 * MS, rise=60.0),
        }
    ),
    sparks=SparkTrain(),
    steps=(Steps(1.0),),
    held=(Held(Kind.COMMON, 1.0),),
    hum=(Hum(1.0),),
)
"""A plasma table, after domain knowledge: 0.1 to 2 bursts a second while cutting, 0.2 to 3 ms each;
2 to 6 bursts of 1 to 5 ms at a contact start; 50 to 300 pulses a second at a high-frequency one.
Under the worst routing it kills most frames of an arc start; under the default one, none."""
