"""Processes of the simulated supply: set-points by number.

All figures are invented. Number 0 is manual and stands in no table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

MARGIN = 0.15
"""How far, as a fraction, a set-point may be moved from its process by hand (invented)."""


@dataclass(frozen=True, slots=True)
class Process:
    """One line of the table.

    Attributes:
        number: what is written to `process`, 1 to 999.
        material: what it is meant for.
        current: cutting current, A.
        cutting_bar: gas pressure while the arc burns, bar gauge.
        flow_bar: gas pressure in pre-flow, pilot arc and post-flow, bar gauge.
    """

    number: int
    material: str
    current: float
    cutting_bar: float
    flow_bar: float


PROCESSES: Mapping[int, Process] = MappingProxyType(
    {
        each.number: each
        for each in (
            Process(1, "mild steel 1 mm", 30.0, 4.6, 3.6),
            Process(2, "mild steel 3 mm", 45.0, 4.8, 3.8),
            Process(3, "mild steel 6 mm", 60.0, 5.2, 4.0),
            Process(4, "mild steel 10 mm", 85.0, 5.4, 4.2),
            Process(5, "mild steel 16 mm", 105.0, 5.6, 4.2),
            Process(6, "mild steel 25 mm", 125.0, 5.8, 4.4),
            Process(11, "stainless steel 3 mm", 45.0, 5.0, 3.8),
            Process(12, "stainless steel 8 mm", 85.0, 5.6, 4.2),
            Process(21, "aluminium 3 mm", 45.0, 5.0, 3.8),
            Process(22, "aluminium 8 mm", 85.0, 5.6, 4.2),
        )
    }
)
"""The table, by number (invented)."""
