"""The operating sequence of a plasma-cutting supply, as one table.

``state x event -> state``. All that moves the mode stands here; a pair that the table does not list
changes nothing. When an event happens is not this module's business (`kerfbus.sim.supply` knows
timers and conditions), and neither are registers.

Source: the order of phases is common to plasma sources (pilot arc, transfer: domain literature);
the names, numbers and details are those of the invented unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, IntEnum, auto
from types import MappingProxyType


class Mode(IntEnum):
    """Operating mode, numbered as in the enumeration ``mode`` of the supply's register map."""

    OFF = 0
    """Control alive, power stage off."""
    SELF_TEST = 1
    IDLE = 2
    PRE_FLOW = 3
    """Gas flows; its pressure is judged at the end."""
    IGNITION = 4
    """The electrode retracts (or high frequency sparks) until the pilot arc stands."""
    PILOT = 5
    """Arc between electrode and nozzle; for seconds only."""
    TRANSFER = 6
    """Current flows in the work lead, not yet for long enough."""
    RAMP_UP = 7
    PIERCING = 8
    CUTTING = 9
    RAMP_DOWN = 10
    POST_FLOW = 11
    """Gas cools the parts; a new start may cut it short."""
    FAULT = 12
    """Latched; left by a separate act only."""
    GAS_TEST = 13


class Event(Enum):
    """What can move the mode."""

    ENABLE = auto()
    DISABLE = auto()
    SELF_TEST = auto()
    """Order to test again."""
    TEST_PASSED = auto()
    START = auto()
    """The start came on: an edge, made by the device out of levels that it accepts."""
    RESTART = auto()
    """The same in post-flow, with the gas still at pressure: no pre-flow is needed."""
    STOP = auto()
    """Any stop: released, ordered, watchdog. Wins over START."""
    FLOWED = auto()
    """Pre-flow time is over and the pressure is right."""
    STRUCK = auto()
    """The pilot arc stands."""
    MISFIRED = auto()
    """It does not; there are attempts left."""
    WORK_CURRENT = auto()
    """Current in the work lead rose above the threshold."""
    WORK_LOST = auto()
    """It fell below again before it counted."""
    TRANSFERRED = auto()
    RAMPED = auto()
    PIERCED = auto()
    ARC_LOST = auto()
    """The arc went out by itself, e.g. at the plate's edge."""
    EXTINCT = auto()
    """The ramp-down has reached zero."""
    COOLED = auto()
    """Post-flow time is over."""
    GAS_ON = auto()
    GAS_OFF = auto()
    FAULT = auto()
    CLEAR = auto()


_M, _E = Mode, Event

TABLE: Mapping[tuple[Mode, Event], Mode] = MappingProxyType(
    {
        (_M.OFF, _E.ENABLE): _M.SELF_TEST,
        (_M.SELF_TEST, _E.TEST_PASSED): _M.IDLE,
        (_M.IDLE, _E.SELF_TEST): _M.SELF_TEST,
        (_M.IDLE, _E.START): _M.PRE_FLOW,
        (_M.IDLE, _E.GAS_ON): _M.GAS_TEST,
        (_M.GAS_TEST, _E.GAS_OFF): _M.IDLE,
        (_M.GAS_TEST, _E.STOP): _M.IDLE,
        (_M.PRE_FLOW, _E.FLOWED): _M.IGNITION,
        (_M.IGNITION, _E.MISFIRED): _M.IGNITION,
        (_M.IGNITION, _E.STRUCK): _M.PILOT,
        (_M.PILOT, _E.WORK_CURRENT): _M.TRANSFER,
        (_M.TRANSFER, _E.WORK_LOST): _M.PILOT,
        (_M.TRANSFER, _E.TRANSFERRED): _M.RAMP_UP,
        (_M.RAMP_UP, _E.RAMPED): _M.PIERCING,
        (_M.PIERCING, _E.PIERCED): _M.CUTTING,
        (_M.RAMP_DOWN, _E.EXTINCT): _M.POST_FLOW,
        (_M.POST_FLOW, _E.COOLED): _M.IDLE,
        (_M.POST_FLOW, _E.START): _M.PRE_FLOW,
        (_M.POST_FLOW, _E.RESTART): _M.IGNITION,
        (_M.FAULT, _E.CLEAR): _M.IDLE,
        # Stops: no arc yet, pilot arc only (nothing to ramp), arc on the work.
        (_M.PRE_FLOW, _E.STOP): _M.IDLE,
        (_M.IGNITION, _E.STOP): _M.POST_FLOW,
        (_M.PILOT, _E.STOP): _M.POST_FLOW,
        (_M.TRANSFER, _E.STOP): _M.POST_FLOW,
        (_M.RAMP_UP, _E.STOP): _M.RAMP_DOWN,
        (_M.PIERCING, _E.STOP): _M.RAMP_DOWN,
        (_M.CUTTING, _E.STOP): _M.RAMP_DOWN,
        # An arc that goes out by itself leaves the gas on.
        (_M.RAMP_UP, _E.ARC_LOST): _M.POST_FLOW,
        (_M.PIERCING, _E.ARC_LOST): _M.POST_FLOW,
        (_M.CUTTING, _E.ARC_LOST): _M.POST_FLOW,
        (_M.RAMP_DOWN, _E.ARC_LOST): _M.POST_FLOW,
        # Off and fault are reached from everywhere; off has no faults, fault no second one.
        **{(mode, _E.DISABLE): _M.OFF for mode in _M if mode is not _M.OFF},
        **{(mode, _E.FAULT): _M.FAULT for mode in _M if mode not in (_M.OFF, _M.FAULT)},
    }
)
"""Every pair that moves the mode."""

RUNNING = frozenset(
    {
        Mode.PRE_FLOW,
        Mode.IGNITION,
        Mode.PILOT,
        Mode.TRANSFER,
        Mode.RAMP_UP,
        Mode.PIERCING,
        Mode.CUTTING,
    }
)
"""Modes in which a start is being obeyed. A stop leads out of all of them."""
ON_WORK = frozenset({Mode.RAMP_UP, Mode.PIERCING, Mode.CUTTING, Mode.RAMP_DOWN})
"""Modes in which the arc burns to the work: "arc transferred"."""
PILOT_BURNS = frozenset({Mode.PILOT, Mode.TRANSFER})
"""Modes in which the pilot arc burns."""
BUSY = RUNNING | {Mode.RAMP_DOWN, Mode.SELF_TEST}
"""Modes in which acts that change the unit under the arc are refused as busy."""
GAS_OPEN = RUNNING | {Mode.RAMP_DOWN, Mode.POST_FLOW, Mode.GAS_TEST}
"""Modes with the gas valve open. A fault after an arc keeps it open for the post-flow time too."""


def next_mode(mode: Mode, event: Event) -> Mode | None:
    """Return where `event` leads from `mode`, None when it changes nothing.

    >>> next_mode(Mode.CUTTING, Event.STOP).name
    'RAMP_DOWN'
    >>> next_mode(Mode.IDLE, Event.STOP) is None
    True
    """
    return TABLE.get((mode, event))
