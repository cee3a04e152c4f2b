"""Usage and wear of the consumables.

Most of an electrode goes at starts and stops, not while the arc burns steadily (direction: Peters
et al., J. Phys. D 38 (2005) 1781; the numbers here are invented). Wear is counted in percent of an
expected life; at 100 % a part is worn out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from types import MappingProxyType

from kerfbus.sim.surroundings import PARTS

NOMINAL_AMPERES = 60.0
WORN_PERCENT, WORN_OUT_PERCENT = 80.0, 100.0


class PartState(IntEnum):
    """Verdict on a part, numbered as the enumeration ``part_state`` of the register map."""

    GOOD = 0
    WORN = 1
    WORN_OUT = 2
    MISSING = 3


@dataclass(frozen=True, slots=True)
class Rates:
    """What wears a part, in percent of its life (invented).

    Attributes:
        start: for each arc start.
        second: for each second of arc at `NOMINAL_AMPERES`, in proportion to the current.
        hard_stop: for each arc that ends without a ramp-down.
    """

    start: float
    second: float
    hard_stop: float


_PIT_MICROMETRES = 1800.0
# An electrode's pit: 3.5 um a start, 0.04 um an arc second, 10 um a hard stop; 1.8 mm is the end.
RATES: Mapping[str, Rates] = MappingProxyType(
    {
        "electrode": Rates(350 / _PIT_MICROMETRES, 4 / _PIT_MICROMETRES, 1000 / _PIT_MICROMETRES),
        "nozzle": Rates(0.15, 0.006, 0.20),
        "swirl_ring": Rates(0.02, 0.001, 0.02),
        "shield": Rates(0.04, 0.002, 0.02),
    }
)


@dataclass(frozen=True, slots=True)
class Usage:
    """What a part has been through since it was fitted.

    Attributes:
        starts: arc starts.
        arc_ns: transferred arc, ns.
        charge: through the work lead, ampere-seconds.
        hard_stops: arcs that ended without a ramp-down.
    """

    starts: int = 0
    arc_ns: int = 0
    charge: float = 0.0
    hard_stops: int = 0

    def __add__(self, other: Usage) -> Usage:
        return Usage(
            self.starts + other.starts,
            self.arc_ns + other.arc_ns,
            self.charge + other.charge,
            self.hard_stops + other.hard_stops,
        )

    def __sub__(self, other: Usage) -> Usage:
        return Usage(
            self.starts - other.starts,
            self.arc_ns - other.arc_ns,
            self.charge - other.charge,
            self.hard_stops - other.hard_stops,
        )


def wear_percent(rates: Rates, usage: Usage) -> float:
    """Return the wear that `usage` makes, percent of life.

    >>> two_hours = Usage(starts=400, charge=7200 * NOMINAL_AMPERES)
    >>> round(wear_percent(RATES["electrode"], two_hours) * 18) / 1000  # pit depth, mm
    1.688
    """
    return (
        rates.start * usage.starts
        + rates.second * usage.charge / NOMINAL_AMPERES
        + rates.hard_stop * usage.hard_stops
    )


@dataclass(frozen=True, slots=True)
class Part:
    """A fitted consumable.

    Attributes:
        fitted: the supply's total usage when it was fitted.
        replacements: how often this place got a new part.
        replaced_at: powered hours at the last time, in hundredths.
    """

    fitted: Usage = Usage()
    replacements: int = 0
    replaced_at: int = 0


class Consumables:
    """The four parts, against the supply's total usage.

    Only differences from the totals are kept, so that the sums always add up.
    """

    def __init__(self) -> None:
        self._parts = {name: Part() for name in PARTS}

    def part(self, name: str) -> Part:
        """Return the part fitted at `name`."""
        return self._parts[name]

    def usage(self, name: str, total: Usage) -> Usage:
        """Return what the part at `name` has been through, given the totals of the supply."""
        return total - self._parts[name].fitted

    def wear(self, name: str, total: Usage) -> float:
        """Return the wear of the part at `name`, percent of life."""
        return wear_percent(RATES[name], self.usage(name, total))

    def state(self, name: str, total: Usage, missing: frozenset[str]) -> PartState:
        """Return the verdict on the part at `name`."""
        if name in missing:
            return PartState.MISSING
        wear = self.wear(name, total)
        if wear >= WORN_OUT_PERCENT:
            return PartState.WORN_OUT
        return PartState.WORN if wear >= WORN_PERCENT else PartState.GOOD

    def replace(self, name: str, total: Usage, hours: int) -> None:
        """Fit a new part at `name`.

        Args:
            name: of `PARTS`.
            total: the supply's totals now.
            hours: powered hours now, in hundredths.
        """
        old = self._parts[name]
        self._parts[name] = replace(
            old, fitted=total, replacements=old.replacements + 1, replaced_at=hours
        )
