"""How much of what the plasma makes reaches the pair: routing, shield, bonding, isolation.

Three factors, each a product of what the routing says. 1 is the worst case that the volts of a
noise plan are meant for: an unscreened pair, touching the torch lead along `FULL_METRES` or more,
on a table that is not bonded, with neither a common conductor nor isolation.

Directions are from practice (kept with each factor); the figures are **invented** but for the law
of separation. EN 50174-2:2000, table 1 (unscreened against unscreened 200 mm, both screened 0 mm,
and so on) is not used: by its own terms it holds for 50 to 60 Hz without unusual transients and
without high frequency or high voltage, and a torch lead is all of these.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import log
from typing import NamedTuple

from kerfbus.sim.surroundings import check_range

FULL_METRES = 10.0
"""Parallel length from which more does not couple more (invented: with pulses of a few MHz the
growth with length ends at a fraction of a wavelength)."""
TOUCHING_MM = 10.0
"""Distance of the axes of two cables that touch (invented)."""
HEIGHT_MM = 100.0
"""Height of both cables above the floor or tray that carries the return (invented)."""
RANGES = {
    "parallel_metres": (0.0, 1000.0, "m"),
    "separation_mm": (0.0, 100_000.0, "mm"),
}


class Shield(Enum):
    """Where the pair's shield is bonded."""

    NONE = "none"
    """There is no shield, or it is bonded nowhere, which is as good as none."""
    ONE_END = "one-end"
    BOTH_ENDS = "both-ends"


_SHIELD_FAST = {
    (Shield.NONE, False): 1.0,
    (Shield.NONE, True): 1.0,
    (Shield.ONE_END, False): 0.3,
    (Shield.ONE_END, True): 0.3,
    (Shield.BOTH_ENDS, False): 0.2,
    (Shield.BOTH_ENDS, True): 0.1,
}
"""Of fast disturbances, by shield and bonded table. Invented; the order is that of common practice
(both ends for high frequency if the bonding is good, one end keeps out the electric field only)."""
_SHIELD_SLOW = {
    (Shield.NONE, False): 1.0,
    (Shield.NONE, True): 1.0,
    (Shield.ONE_END, False): 1.0,
    (Shield.ONE_END, True): 1.0,
    (Shield.BOTH_ENDS, False): 1.5,
    (Shield.BOTH_ENDS, True): 0.7,
}
"""Of mains hum and ground steps. Invented: a shield that joins two grounds which nothing else joins
well carries the current between them."""
_BONDED_FAST = 0.1
"""Ground potential rise at arc start with a bonded table: tens instead of hundreds of volts
(invented, no measurement found)."""
_BONDED_SLOW = 0.3
_COMMON_CONDUCTOR = 0.3
"""Left of a ground difference where the pair's third wire joins the commons (invented)."""
_ISOLATED_SLOW = 0.03
_ISOLATED_FAST = 0.3
"""Isolated transceivers: capacitance across the barrier lets fast edges through (invented)."""


class Coupling(NamedTuple):
    """What is left of a disturbance at the pair, each 0 to about 1.5.

    Attributes:
        differential: of bursts, pulses and ringing, between the conductors.
        common_fast: of the ground potential rise that lasts microseconds.
        common_slow: of ground steps and mains hum.
    """

    differential: float
    common_fast: float
    common_slow: float


def separation_factor(millimetres: float) -> float:
    """Return what distance leaves of the field of a parallel cable: 1 when the cables touch.

    Ratio of mutual inductances, ``ln(1 + 4 h^2 / d^2)``, of two wires at height h above a
    conducting plane, distance d (textbook line theory; the height is invented): 0.27 at 100 mm,
    0.06 at 300 mm, 0.007 at 1 m.
    """
    apart = max(millimetres, TOUCHING_MM)
    return _mutual(apart) / _mutual(TOUCHING_MM)


def _mutual(apart: float) -> float:
    return log(1.0 + 4.0 * HEIGHT_MM**2 / apart**2)


@dataclass(frozen=True, slots=True)
class Routing:
    """How the pair runs and is bonded. The defaults are a careful installation.

    Attributes:
        parallel_metres: along which the pair runs beside the torch or work lead, 0 to 1000.
        separation_mm: axis to axis along that length, 0 to 100 000; below 10 counts as touching.
        shield: where the pair's shield is bonded.
        bonded_table: table, supply and cabinet are bonded by short, wide conductors.
        common_conductor: the pair's third wire joins the commons of all stations.
        isolated: transceivers are isolated from what their stations are grounded to.
    """

    parallel_metres: float = 5.0
    separation_mm: float = 300.0
    shield: Shield = Shield.BOTH_ENDS
    bonded_table: bool = True
    common_conductor: bool = True
    isolated: bool = False

    def __post_init__(self) -> None:
        """Check ranges.

        Raises:
            UsageError: a number is outside its range.
        """
        for name, allowed in RANGES.items():
            check_range(name, getattr(self, name), allowed)

    @property
    def coupling(self) -> Coupling:
        """Return the three factors."""
        way = (self.shield, self.bonded_table)
        length = min(1.0, self.parallel_metres / FULL_METRES)
        apart = separation_factor(self.separation_mm)
        slow = _SHIELD_SLOW[way] * (_BONDED_SLOW if self.bonded_table else 1.0)
        if self.common_conductor:
            slow *= _COMMON_CONDUCTOR
        return Coupling(
            differential=length * apart * _SHIELD_FAST[way],
            common_fast=(_BONDED_FAST if self.bonded_table else 1.0)
            * (_ISOLATED_FAST if self.isolated else 1.0),
            common_slow=slow * (_ISOLATED_SLOW if self.isolated else 1.0),
        )


WORST = Routing(1000.0, 0.0, Shield.NONE, bonded_table=False, common_conductor=False)
"""The routing that leaves everything: all factors are 1."""
