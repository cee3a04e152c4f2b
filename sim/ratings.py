"""What the simulated unit is and how fast it does things (all invented)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from math import sqrt
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.sim.arc import load_line
from kerfbus.sim.curves import NS
from kerfbus.sim.faultbook import BOOK, Effect
from kerfbus.sim.faults import Fault
from kerfbus.sim.sequence import Event, Mode
from kerfbus.sim.settings import MS, Ignition, Settings

LOWEST_AMPERES = 20.0
"""Less current than this the power stage does not regulate."""
SELF_TEST_NS = 1 * NS
IGNITION_NS = MappingProxyType({Ignition.CONTACT: 60 * MS, Ignition.HIGH_FREQUENCY: 150 * MS})
WORK_CURRENT_NS = 30 * MS
"""From pilot arc to current in the work lead, when the torch is over the work."""
SLEW_NS_PER_AMPERE = 1 * MS
"""How fast the current follows a set-point that changes while cutting."""
LOW_SHARE = 0.7
"""Flow pressure below this share of its set-point is a fault."""
NO_GAS_BAR = 0.5
"""Less flow pressure than this at the end of pre-flow is no gas at all."""
OFF_SET_BAR = 0.6
"""How far the flow pressure may be off its set-point at the end of pre-flow."""
INLET_BAR = (4.5, 9.5)
"""What the inlet pressure must lie between, bar gauge."""
INLET_DROP_BAR, INLET_ROOM_BAR = 1.0, 0.5
"""Warnings: a larger drop at the inlet once gas flows; less room above the lower limit."""
CURRENT_SHARES = (0.9, 1.2)
"""What the current over its set-point must lie between once it has ramped up."""
ARC_LOSSES_IN_A_ROW = 3
"""So many arcs that go out by themselves before a cut has begun are a fault."""
START_STUCK_NS = 60 * NS
"""A start contact that stays closed while nothing can obey it."""
LOOK_NS = 1 * NS
"""How often the supply looks at what creeps up."""
DUTY_SHARES = (0.85, 0.9)
"""Duty over what is allowed: where the warning goes, where it comes."""
MAINS_FACTOR = 0.85 * 0.9 * sqrt(3)
"""Efficiency, power factor and the root of three: output power to mains current (invented)."""
MAINS_AMPERES = 34.0
"""Most that the input rectifier bears; at low mains it limits the output (invented)."""
MAINS_OFF_SHARE = 0.05
"""A warning when the mains are further off their nominal voltage."""


@dataclass(frozen=True, slots=True)
class Ratings:
    """What the unit is.

    Attributes:
        current: highest output current, A.
        duty: duty at that current, ten-minute cycle, 40 degrees Celsius, percent.
        options: names of the options fitted, as in the register map.
        divider_kilohms: source resistance of the divided output.
    """

    current: float = 125.0
    duty: float = 60.0
    options: frozenset[str] = frozenset({"flow-sensor"})
    divider_kilohms: float = 1.0

    @property
    def endless_current(self) -> float:
        """Return the current that may flow without end: constant heating, ``I * sqrt(X)``.

        >>> round(Ratings(current=60.0, duty=60.0).endless_current, 1)
        46.5
        """
        return self.current * sqrt(self.duty / 100)

    def duty_at(self, current: float) -> float:
        """Return the duty that a current allows at 40 degrees Celsius, percent, at most 100.

        Args:
            current: A, above 0.

        >>> [round(Ratings(current=60.0).duty_at(amperes)) for amperes in (46.0, 50.0, 65.0)]
        [100, 86, 51]
        """
        return min(100.0, 100.0 * (self.endless_current / current) ** 2)


def deliverable_amperes(mains_volts: float) -> float:
    """Return the highest output current that the mains let through, A, on the load line.

    ``I (80 V + 0.4 V/A * I) = MAINS_FACTOR * U * MAINS_AMPERES``, solved for I; not below what the
    power stage regulates.

    Args:
        mains_volts: lowest voltage from phase to phase, V.

    >>> [round(deliverable_amperes(volts), 1) for volts in (400.0, 370.0, 340.0)]
    [134.6, 127.3, 119.8]
    """
    watts = MAINS_FACTOR * mains_volts * MAINS_AMPERES
    at_rest, slope = load_line(0.0), load_line(1.0) - load_line(0.0)
    amperes = (sqrt(at_rest * at_rest + 4 * slope * watts) - at_rest) / (2 * slope)
    return max(amperes, LOWEST_AMPERES)


class StopCause(IntEnum):
    """Why the last arc, or the last try, ended; numbered as in the register map."""

    NONE = 0
    START_RELEASED = 1
    LINK_STOP = 2
    ARC_LOST = 3
    FAULT = 4
    WATCHDOG = 5
    DISABLED = 6
    STOP_CHAIN = 7


class Transition(NamedTuple):
    """A change of mode, for whoever watches."""

    at: int
    before: Mode
    event: Event
    after: Mode


MODE_NS: Mapping[Mode, Callable[[Settings], int]] = MappingProxyType(
    {
        Mode.SELF_TEST: lambda _: SELF_TEST_NS,
        Mode.PRE_FLOW: lambda now: round(now.preflow_time * NS),
        Mode.IGNITION: lambda now: IGNITION_NS[Ignition(now.ignition_method)],
        Mode.TRANSFER: lambda now: now.transfer_time * MS,
        Mode.RAMP_UP: lambda now: now.ramp_up_time * MS,
        Mode.PIERCING: lambda now: round(now.pierce_time * NS),
        Mode.RAMP_DOWN: lambda now: now.ramp_down_time * MS,
        Mode.POST_FLOW: lambda now: round(now.postflow_time * NS),
    }
)
"""How long a mode lasts by itself; a mode that is not here lasts until something happens."""

SIMPLE_END: Mapping[Mode, Event] = MappingProxyType(
    {
        Mode.TRANSFER: Event.TRANSFERRED,
        Mode.RAMP_UP: Event.RAMPED,
        Mode.PIERCING: Event.PIERCED,
        Mode.POST_FLOW: Event.COOLED,
    }
)
"""Events at the end of a mode's time where nothing has to be judged."""

SOFT_FAULTS = frozenset(fault for fault, facts in BOOK.items() if facts.effect is Effect.RAMP_DOWN)
"""Faults that let the current ramp down; all others cut it off."""
STOP_CAUSE_OF: Mapping[Fault, StopCause] = MappingProxyType(
    {Fault.WATCHDOG: StopCause.WATCHDOG, Fault.STOP_CHAIN_OPEN: StopCause.STOP_CHAIN}
)
"""Faults that have a stop cause of their own; for all others it is `StopCause.FAULT`."""
