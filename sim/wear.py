"""Usage and wear of the consumables.

Most of an electrode goes at starts and stops, not while the arc burns steadily (direction: Peters
et al., J. Phys. D 38 (2005) 1781; the numbers here are invented). Wear is counted in percent of an
expected life; at 100 % a part is worn out. An electrode's wear is the depth of its pit: it makes
the arc longer, and near its limit each start may be the one at which the arc leaves the insert for
the holder. Then electrode and nozzle are lost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import IntEnum
from math import exp
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.sim.surroundings import PARTS

NOMINAL_AMPERES = 60.0
WORN_PERCENT, WORN_OUT_PERCENT = 80.0, 100.0
PIT_LIMIT_MM = 1.8
"""Depth of an electrode's pit at 100 %; 1 to 3 mm in the trade."""
PIT_SPREAD_MM = 0.08
"""How sharply the end of an electrode's life sets in."""
DOUBLE_ARC_SHARE = 1.15
"""Current over the nozzle's rated current above which a second arc forms through the nozzle."""


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
        double_arc: for each arc at more current than the nozzle bears, or with too little gas.
        pierce: for each arc that begins over a plate at rest, besides `start`.
    """

    start: float
    second: float
    hard_stop: float
    double_arc: float = 0.0
    pierce: float = 0.0


_PIT_MICROMETRES = 1000 * PIT_LIMIT_MM
PIERCE_SHARE = 0.2
"""How much more of an electrode a start takes that pierces (invented; no figure is known)."""
# An electrode's pit: 3.5 um a start, 0.04 um an arc second, 10 um a hard stop; 1.8 mm is the end.
# A nozzle's bore: 50 um wider with each double arc; 0.2 mm is its end. What a pierce throws up hits
# nozzle and shield.
RATES: Mapping[str, Rates] = MappingProxyType(
    {
        "electrode": Rates(
            350 / _PIT_MICROMETRES,
            4 / _PIT_MICROMETRES,
            1000 / _PIT_MICROMETRES,
            pierce=PIERCE_SHARE * 350 / _PIT_MICROMETRES,
        ),
        "nozzle": Rates(0.15, 0.006, 0.20, 25.0, pierce=0.05),
        "swirl_ring": Rates(0.02, 0.001, 0.02),
        "shield": Rates(0.04, 0.002, 0.02, pierce=0.06),
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
        double_arcs: arcs at more current than the nozzle bears, or with too little gas.
        pierces: arcs that began over a plate at rest.
    """

    starts: int = 0
    arc_ns: int = 0
    charge: float = 0.0
    hard_stops: int = 0
    double_arcs: int = 0
    pierces: int = 0

    def __add__(self, other: Usage) -> Usage:
        return Usage(
            self.starts + other.starts,
            self.arc_ns + other.arc_ns,
            self.charge + other.charge,
            self.hard_stops + other.hard_stops,
            self.double_arcs + other.double_arcs,
            self.pierces + other.pierces,
        )

    def __sub__(self, other: Usage) -> Usage:
        return Usage(
            self.starts - other.starts,
            self.arc_ns - other.arc_ns,
            self.charge - other.charge,
            self.hard_stops - other.hard_stops,
            self.double_arcs - other.double_arcs,
            self.pierces - other.pierces,
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
        + rates.double_arc * usage.double_arcs
        + rates.pierce * usage.pierces
    )


def pit_mm(percent: float) -> float:
    """Return the depth of an electrode's pit, mm; `percent` of its life, 0 and above."""
    return PIT_LIMIT_MM * percent / 100


def failure_probability(pit: float) -> float:
    """Return the probability that a start is an electrode's last: ``1 - exp(-exp((d - lim) / s))``.

    Args:
        pit: depth, mm.

    >>> round(failure_probability(PIT_LIMIT_MM), 2), failure_probability(0.0) < 1e-9
    (0.63, True)
    """
    return 1 - exp(-exp(min((pit - PIT_LIMIT_MM) / PIT_SPREAD_MM, 700.0)))


def drawn(seed: int, number: int) -> float:
    """Return a number from 0 to below 1 that depends on nothing but its arguments.

    A mixing of 64 bits (the finalizer of splitmix64, public domain): chance without a sequence, so
    that what is drawn does not depend on what else was drawn before.
    """
    mixed = (seed * 0x9E3779B97F4A7C15 + number * 0xD1342543DE82EF95 + 1) & _WORD
    mixed = (mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9 & _WORD
    mixed = (mixed ^ mixed >> 27) * 0x94D049BB133111EB & _WORD
    return (mixed ^ mixed >> 31) / (1 << 64)


_WORD = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Part:
    """A fitted consumable.

    Attributes:
        fitted: the supply's total usage when it was fitted.
        replacements: how often this place got a new part.
        replaced_at: powered hours at the last time, in hundredths.
        before: percent of life to be added to what the supply's totals make: what the part came
            with, less what the totals had made when it was fitted.
        failed: it is lost, whatever its wear.
    """

    fitted: Usage = Usage()
    replacements: int = 0
    replaced_at: int = 0
    before: float = 0.0
    failed: bool = False


class Replacement(NamedTuple):
    """A part was replaced: an entry of the log of such acts.

    Attributes:
        at: instant, ns.
        name: of the part.
        usage: of the old part.
        percent: wear of the old part.
        failed: the old part was lost.
    """

    at: int
    name: str
    usage: Usage
    percent: float
    failed: bool


class Consumables:
    """The four parts, against the supply's total usage.

    Only differences from the totals are kept, so that the sums always add up.

    Args:
        before: percent of life that parts come with, by name.

    Attributes:
        log: replacements, oldest first.
    """

    def __init__(self, before: Mapping[str, float] = MappingProxyType({})) -> None:
        self._parts = {name: Part(before=before.get(name, 0.0)) for name in PARTS}
        self.log: list[Replacement] = []

    def part(self, name: str) -> Part:
        """Return the part fitted at `name`."""
        return self._parts[name]

    def usage(self, name: str, total: Usage) -> Usage:
        """Return what the part at `name` has been through, given the totals of the supply."""
        return total - self._parts[name].fitted

    def wear(self, name: str, total: Usage) -> float:
        """Return the wear of the part at `name`, percent of life."""
        return self._parts[name].before + wear_percent(RATES[name], total)

    def pit_mm(self, total: Usage) -> float:
        """Return the depth of the electrode's pit, mm."""
        return pit_mm(max(self.wear("electrode", total), 0.0))

    def state(self, name: str, total: Usage, missing: frozenset[str]) -> PartState:
        """Return the verdict on the part at `name`."""
        if name in missing:
            return PartState.MISSING
        wear = self.wear(name, total)
        if wear >= WORN_OUT_PERCENT or self._parts[name].failed:
            return PartState.WORN_OUT
        return PartState.WORN if wear >= WORN_PERCENT else PartState.GOOD

    @property
    def failed(self) -> bool:
        """Return whether a part is lost and must be replaced."""
        return any(part.failed for part in self._parts.values())

    def fail(self, *names: str) -> None:
        """Let parts be lost."""
        for name in names:
            self._parts[name] = replace(self._parts[name], failed=True)

    def become(self, name: str, percent: float, total: Usage) -> None:
        """Let the part at `name` be worn by `percent` of its life now; it is not lost."""
        before = percent - wear_percent(RATES[name], total)
        self._parts[name] = replace(self._parts[name], before=before, failed=False)

    def replace(self, name: str, total: Usage, at: int, hours: int) -> None:
        """Fit a new part at `name`, and log it.

        Args:
            name: of `PARTS`.
            total: the supply's totals now.
            at: instant, ns.
            hours: powered hours now, in hundredths.
        """
        old = self._parts[name]
        usage, wear = self.usage(name, total), self.wear(name, total)
        self.log.append(Replacement(at, name, usage, wear, old.failed))
        before = -wear_percent(RATES[name], total)
        self._parts[name] = Part(total, old.replacements + 1, hours, before)
