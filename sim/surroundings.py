"""What the supply finds around it: contacts, gas at the inlet, mains, torch, work.

These are inputs from the physical side, not from the link. A scenario, a test or a person sets
them; the supply only reads them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from types import MappingProxyType
from typing import Any, Self

from kerfbus.bench.errors import UsageError
from kerfbus.sim.faults import Fault

PARTS = ("electrode", "nozzle", "swirl_ring", "shield")
"""The consumables, in the order of the register map."""
PHASES = ("l1", "l2", "l3")
MAX_INLET_BAR = 16.0
"""Full scale of the inlet's pressure sensor (invented)."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The physical side at one moment.

    Attributes:
        start_contact: start contact at the controller's plug is closed.
        stop_chain_closed: hard-wired stop chain is closed.
        torch_cover_closed: torch cover is closed.
        parts_missing: consumables that are not seated, of `PARTS`.
        phases: mains phases that are present, of `PHASES`.
        fan_ok: the fan turns when it should.
        too_hot: a temperature is above its trip.
        work_lead_ok: the work lead is connected.
        over_work: the torch stands over the work, near enough for the arc to transfer.
        strikes: the pilot arc comes up when it is ignited.
        inlet_bar: static gas pressure at the inlet, bar gauge, 0 to 16.
        ambient: cooling air, degrees Celsius.

    Raises:
        UsageError: a value that cannot be.
    """

    start_contact: bool = False
    stop_chain_closed: bool = True
    torch_cover_closed: bool = True
    parts_missing: frozenset[str] = frozenset()
    phases: frozenset[str] = frozenset(PHASES)
    fan_ok: bool = True
    too_hot: bool = False
    work_lead_ok: bool = True
    over_work: bool = True
    strikes: bool = True
    inlet_bar: float = 6.5
    ambient: float = 22.0

    def __post_init__(self) -> None:
        unknown = (self.parts_missing - set(PARTS)) | (self.phases - set(PHASES))
        if unknown:
            raise UsageError(
                f"{', '.join(sorted(unknown))}: no such part or phase; the parts are "
                f"{', '.join(PARTS)}, the phases {', '.join(PHASES)}"
            )
        if not 0 <= self.inlet_bar <= MAX_INLET_BAR:
            raise UsageError(f"inlet_bar {self.inlet_bar}: give 0 to {MAX_INLET_BAR} bar gauge")
        if not -40 <= self.ambient <= 80:
            raise UsageError(f"ambient {self.ambient}: give -40 to 80 degrees Celsius")

    def changed(self, **changes: Any) -> Self:
        """Return the surroundings with some attributes changed.

        Raises:
            UsageError: there is no such attribute, or a value cannot be.
        """
        unknown = set(changes) - {field.name for field in fields(self)}
        if unknown:
            raise UsageError(
                f"{', '.join(sorted(unknown))}: no such surroundings; there are "
                + ", ".join(field.name for field in fields(self))
            )
        return replace(self, **changes)

    @property
    def may_transfer(self) -> bool:
        """Return whether an arc to the work can burn."""
        return self.over_work and self.work_lead_ok

    def broken_interlock(self) -> Fault:
        """Return the first interlock that does not hold, as the fault that it makes."""
        for fault, holds in INTERLOCKS.items():
            if not holds(self):
                return fault
        return Fault.NONE


INTERLOCKS: Mapping[Fault, Callable[[Surroundings], bool]] = MappingProxyType(
    {
        Fault.STOP_CHAIN_OPEN: lambda now: now.stop_chain_closed,
        Fault.TORCH_COVER_OPEN: lambda now: now.torch_cover_closed,
        Fault.PART_MISSING: lambda now: not now.parts_missing,
        Fault.PHASE_LOSS: lambda now: len(now.phases) == len(PHASES),
        Fault.OVER_TEMPERATURE: lambda now: not now.too_hot,
        Fault.FAN_STALLED: lambda now: now.fan_ok,
    }
)
"""Conditions that must hold while the supply is enabled, by the fault that their loss makes. The
first in this order is the one that is latched when several fail at once."""
