"""What the simulated unit is and how fast it does things (all invented)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import NamedTuple

from kerfbus.sim.faults import Fault
from kerfbus.sim.plant import NS
from kerfbus.sim.sequence import Event, Mode
from kerfbus.sim.settings import MS, Ignition, Settings

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
INLET_BAR = (4.5, 9.5)
"""What the inlet pressure must lie between, bar gauge."""


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
        return self.current * float((self.duty / 100) ** 0.5)


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

SOFT_FAULTS = frozenset({Fault.WATCHDOG, Fault.OVER_TEMPERATURE, Fault.FAN_STALLED})
"""Faults that let the current ramp down; all others cut it off."""
STOP_CAUSE_OF: Mapping[Fault, StopCause] = MappingProxyType(
    {Fault.WATCHDOG: StopCause.WATCHDOG, Fault.STOP_CHAIN_OPEN: StopCause.STOP_CHAIN}
)
"""Faults that have a stop cause of their own; for all others it is `StopCause.FAULT`."""
