"""What the supply finds around it: contacts, gas at the inlet, mains, torch, work, its own defects.

These are inputs from the physical side, not from the link. A scenario, a test or a person sets
them; the supply only reads them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from math import inf
from types import MappingProxyType
from typing import Any, Self

from kerfbus.bench.errors import UsageError
from kerfbus.sim.arc import ARC, TRANSFER_MM, Geometry
from kerfbus.sim.faults import Fault

PARTS = ("electrode", "nozzle", "swirl_ring", "shield")
"""The consumables, in the order of the register map."""
PHASES = ("l1", "l2", "l3")
SENSORS = ("heat_sink", "transformer", "ambient", "plenum", "flow")
"""Sensors that can fail. The first two protect the power stage; the others are options."""
MAX_INLET_BAR = 16.0
"""Full scale of the inlet's pressure sensor (invented)."""
MAINS_VOLTS, MAINS_LOW_VOLTS, MAINS_HIGH_VOLTS = 400.0, 340.0, 460.0
"""Nominal mains, and what the supply needs and bears, phase to phase (invented)."""
MAINS_UNEQUAL_VOLTS = 12.0
"""A larger difference between the phases is told (3 % of nominal, invented)."""

RANGES: Mapping[str, tuple[float, float, str]] = MappingProxyType(
    {
        "inlet_bar": (0.0, MAX_INLET_BAR, "bar gauge"),
        "compressor_litres": (0.0, 10_000.0, "normal litres a minute"),
        "regulator_error": (-3.0, 3.0, "bar"),
        "ambient": (-40.0, 80.0, "degrees Celsius"),
        "mains_volts": (0.0, 700.0, "V"),
        "mains_unequal": (0.0, 100.0, "V"),
        "current_gain": (0.0, 2.0, "times"),
        "stand_off": (0.0, 50.0, "mm"),
        "table_speed": (0.0, 20_000.0, "mm/min"),
        "work_ohms": (0.0, 100.0, "ohms"),
        "meter_kilohms": (0.1, inf, "kilohms"),
        "nozzle_amperes": (10.0, 400.0, "A"),
    }
)
"""Lowest and highest value, and unit, of every number among the surroundings."""
_SETS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {"parts_missing": PARTS, "phases": PHASES, "sensors_failed": SENSORS}
)


def check_range(name: str, value: float, allowed: tuple[float, float, str]) -> None:
    """Check that a number is in a range, given with its unit.

    Raises:
        UsageError: it is not.
    """
    low, high, unit = allowed
    if not low <= value <= high:  # not a number is outside too
        most = "any" if high == inf else f"{high:g}"
        raise UsageError(f"{name} {value:g}: give {low:g} to {most} {unit}")


@dataclass(frozen=True)
class Surroundings:
    """The physical side at one moment. Ranges of the numbers: `RANGES`.

    Attributes:
        start_contact: start contact at the controller's plug is closed.
        stop_chain_closed: hard-wired stop chain is closed.
        torch_cover_closed: torch cover is closed.
        parts_missing: consumables that are not seated, of `PARTS`.
        inlet_bar: gas pressure at the source while nothing is used, bar gauge.
        compressor_litres: what the compressor delivers without end, normal litres a minute; more
            is taken from its receiver.
        regulator_error: how far the regulator holds from its set-point, bar.
        phases: mains phases that are present, of `PHASES`.
        mains_volts: phase to phase, V; the highest of the three.
        mains_unequal: how far the lowest of the three lies below that, V.
        fan_ok: the fan turns when it should.
        too_hot: the thermal switch is open, whatever the temperatures.
        ambient: cooling air, degrees Celsius.
        sensors_failed: sensors that show nothing, of `SENSORS`.
        control_ok: the control passes its self-test.
        memory_ok: stored settings are whole, or can be put right.
        memory_bits_ok: no bit of them has flipped; one that has is put right at the self-test.
        current_gain: current over what the regulator asks for: 1 is right, 0.5 a dead half.
        strikes: the pilot arc comes up when it is ignited.
        electrode_stuck: the electrode stays on the nozzle when the pilot is ignited.
        nozzle_amperes: rated current of the fitted nozzle, A; None: it fits the set current.
        work_lead_ok: the work lead is connected.
        work_ohms: work lead, clamp and bonding of the table, ohms.
        over_work: there is work below the torch.
        stand_off: nozzle to work, mm.
        table_speed: of the torch over the work, mm/min.
        over_kerf: the arc crosses a kerf that is open; it lasts kerf width over speed.
        meter_kilohms: resistance of the input at the divided output; infinity for none.

    Raises:
        UsageError: a value that cannot be.
    """

    start_contact: bool = False
    stop_chain_closed: bool = True
    torch_cover_closed: bool = True
    parts_missing: frozenset[str] = frozenset()
    inlet_bar: float = 6.5
    compressor_litres: float = 1000.0
    regulator_error: float = 0.0
    phases: frozenset[str] = frozenset(PHASES)
    mains_volts: float = MAINS_VOLTS
    mains_unequal: float = 0.0
    fan_ok: bool = True
    too_hot: bool = False
    ambient: float = 22.0
    sensors_failed: frozenset[str] = frozenset()
    control_ok: bool = True
    memory_ok: bool = True
    memory_bits_ok: bool = True
    current_gain: float = 1.0
    strikes: bool = True
    electrode_stuck: bool = False
    nozzle_amperes: float | None = None
    work_lead_ok: bool = True
    work_ohms: float = 0.0
    over_work: bool = True
    stand_off: float = ARC.nominal_mm
    table_speed: float = ARC.nominal_speed
    over_kerf: bool = False
    meter_kilohms: float = inf

    def __post_init__(self) -> None:
        for name in (*_SETS, *RANGES):
            _check(name, getattr(self, name))

    def changed(self, **changes: Any) -> Self:
        """Return the surroundings with some attributes changed; these ones when none is.

        A moving torch changes them ten times a cut and more, hence no `dataclasses.replace`, which
        would look at every attribute.

        Raises:
            UsageError: there is no such attribute, or a value cannot be.
        """
        odd = {}
        for name, value in changes.items():
            if name not in NAMES:
                raise UsageError(
                    f"{name}: no such surroundings; there are " + ", ".join(sorted(NAMES))
                )
            if value != getattr(self, name):
                _check(name, value)
                odd[name] = value
        if not odd:
            return self
        after = object.__new__(type(self))
        after.__dict__.update(self.__dict__)
        after.__dict__.update(odd)
        return after

    @property
    def may_burn(self) -> bool:
        """Return whether an arc to the work can burn."""
        return self.over_work and self.work_lead_ok

    @property
    def may_transfer(self) -> bool:
        """Return whether a pilot arc can reach the work."""
        return self.over_work and self.work_lead_ok and self.stand_off <= TRANSFER_MM

    @property
    def lowest_mains_volts(self) -> float:
        """Return the lowest voltage from phase to phase, V."""
        return max(self.mains_volts - self.mains_unequal, 0.0)

    @property
    def mean_mains_volts(self) -> float:
        """Return the mean of the three, V."""
        return (2 * self.mains_volts + self.lowest_mains_volts) / 3

    @property
    def place(self) -> Geometry:
        """Return where and how the arc burns."""
        return Geometry(self.stand_off, self.table_speed, self.over_kerf, self.work_ohms)

    def broken_interlock(self) -> Fault:
        """Return the first interlock that does not hold, as the fault that it makes."""
        for fault, holds in INTERLOCKS.items():
            if not holds(self):
                return fault
        return Fault.NONE


NAMES = frozenset(field.name for field in fields(Surroundings))
"""Names of all surroundings."""


def _check(name: str, value: Any) -> None:
    """Check a value by the name of its attribute.

    Raises:
        UsageError: it cannot be.
    """
    allowed, known = RANGES.get(name), _SETS.get(name)
    if allowed is not None and value is not None:
        check_range(name, value, allowed)
    elif known is not None and not value <= set(known):
        unknown = ", ".join(sorted(value - set(known)))
        raise UsageError(f"{name}: there is no {unknown}; there are {', '.join(known)}")


INTERLOCKS: Mapping[Fault, Callable[[Surroundings], bool]] = MappingProxyType(
    {
        Fault.STOP_CHAIN_OPEN: lambda now: now.stop_chain_closed,
        Fault.TORCH_COVER_OPEN: lambda now: now.torch_cover_closed,
        Fault.PART_MISSING: lambda now: not now.parts_missing,
        Fault.PHASE_LOSS: lambda now: len(now.phases) == len(PHASES),
        Fault.MAINS_LOW: lambda now: now.lowest_mains_volts >= MAINS_LOW_VOLTS,
        Fault.MAINS_HIGH: lambda now: now.mains_volts <= MAINS_HIGH_VOLTS,
        Fault.OVER_TEMPERATURE: lambda now: not now.too_hot,
        Fault.FAN_STALLED: lambda now: now.fan_ok,
        Fault.TEMPERATURE_SENSOR: lambda now: not now.sensors_failed & {"heat_sink", "transformer"},
    }
)
"""Conditions that must hold while the supply is enabled, by the fault that their loss makes. The
first in this order is the one that is latched when several fail at once."""

INTERLOCKED = frozenset(
    {
        "stop_chain_closed",
        "torch_cover_closed",
        "parts_missing",
        "phases",
        "mains_volts",
        "mains_unequal",
        "too_hot",
        "fan_ok",
        "sensors_failed",
    }
)
"""Surroundings that interlocks look at."""
