"""What a disturbance does to a pair while it lasts: the words that sources and lines share."""

from __future__ import annotations

from enum import Enum
from math import cos, exp, pi, sin
from typing import NamedTuple

FAINT_VOLTS = 0.001
"""What stays below this at the pair is not told: a hundredth of any receiver's hysteresis."""


class Kind(Enum):
    """What a disturbance is at the receivers."""

    SIGMA = "sigma"
    """Gaussian noise between the conductors on top of the background, `volts` rms."""
    RING = "ring"
    """A decaying oscillation between the conductors, `volts` at its first peak."""
    COMMON = "common"
    """A step of the common mode by `volts`, for as long as it lasts."""
    OPEN = "open"
    """The pair is open at its failing contact (`kerfbus.sim.pair.plant.Plant.weak_metres`)."""
    HUM = "hum"
    """A common mode that swings at the mains' frequency, `volts` peak."""


class Episode(NamedTuple):
    """Something that disturbs the pair from `begin` up to, not including, `end`.

    Attributes:
        begin, end: instants, ns.
        kind: what it is.
        volts: at the pair, after coupling; of either sign for RING and COMMON; 0 for OPEN.
        hertz: of RING and HUM, else 0.
        decay_ns: time constant of RING, else 0.
        source: name of what made it, e.g. ``cutting``.
    """

    begin: int
    end: int
    kind: Kind
    volts: float = 0.0
    hertz: float = 0.0
    decay_ns: float = 0.0
    source: str = ""

    def differential(self, at: int) -> float:
        """Return what a RING adds between the conductors at an instant, V; 0 for other kinds.

        It begins at its peak: a spark's edge is far shorter than the oscillation that it excites.
        """
        if self.kind is not Kind.RING or not self.begin <= at < self.end:
            return 0.0
        since = at - self.begin
        return self.volts * exp(-since / self.decay_ns) * cos(2e-9 * pi * self.hertz * since)

    def common(self, at: int) -> float:
        """Return what COMMON or HUM adds to the common mode at an instant, V; 0 for other kinds.

        A hum's phase is 0, rising, at its `begin`.
        """
        if not self.begin <= at < self.end:
            return 0.0
        if self.kind is Kind.COMMON:
            return self.volts
        if self.kind is Kind.HUM:
            return self.volts * sin(2e-9 * pi * self.hertz * (at - self.begin))
        return 0.0
