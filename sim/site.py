"""What does not change while a supply works: the plumbing and the parts that it starts with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from kerfbus.bench.errors import UsageError
from kerfbus.sim.gas import Hose
from kerfbus.sim.surroundings import PARTS, check_range

SITE_RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "hose_metres": (0.0, 200.0, "m"),
        "hose_millimetres": (3.0, 50.0, "mm"),
        "receiver_litres": (1.0, 10_000.0, "l"),
    }
)
"""Lowest and highest value, and unit."""
MAX_WEAR_PERCENT = 200.0


@dataclass(frozen=True, slots=True)
class Site:
    """Where a supply stands. All defaults are invented.

    Attributes:
        hose_metres: gas hose from the receiver to the supply's inlet, 0 to 200 m.
        hose_millimetres: its inner diameter, 3 to 50 mm.
        receiver_litres: the compressor's vessel, 1 to 10000 l.
        wear: percent of life that parts have behind them at the start, 0 to 200, by name of
            `kerfbus.sim.surroundings.PARTS`; a part that is not named is new.

    Raises:
        UsageError: a value that cannot be.
    """

    hose_metres: float = 10.0
    hose_millimetres: float = 9.0
    receiver_litres: float = 90.0
    wear: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name, (low, high, unit) in SITE_RANGES.items():
            check_range(name, getattr(self, name), (low, high, unit))
        for name, percent in self.wear.items():
            if name not in PARTS:
                raise UsageError(f"wear: no part {name!r}; the parts are {', '.join(PARTS)}")
            check_range(f"wear of {name}", percent, (0.0, MAX_WEAR_PERCENT, "percent"))

    @property
    def hose(self) -> Hose:
        """Return the gas hose."""
        return Hose(self.hose_metres, self.hose_millimetres)
