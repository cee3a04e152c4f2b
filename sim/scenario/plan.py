"""Scenarios, checked: plain data that a world can be made from.

Instants and spans are whole nanoseconds, changes of surroundings are of the right kind and range,
names have become what they name. How they get here from a file: `kerfbus.sim.scenario.load`.
"""

from __future__ import annotations

import operator
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import Enum, auto
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.line import LineSettings
from kerfbus.sim.faults import Fault
from kerfbus.sim.machine import Beginning
from kerfbus.sim.processes import Process
from kerfbus.sim.scenario.causes import Changes
from kerfbus.sim.scenario.wire import Wire
from kerfbus.sim.sequence import Mode

NS = 1_000_000_000


def nanoseconds(seconds: float) -> int:
    """Return a span of a file in nanoseconds."""
    return round(seconds * NS)


@dataclass(frozen=True, slots=True)
class Cut:
    """One cut.

    Attributes:
        process: its row of the table of processes.
        length: mm.
        speed: mm/min.
        stand_off: mm.
        pierce_height: mm.
        pierce_delay_ns: from arc transferred to the plunge.
        pause_ns: after it.
        kerfs: where it crosses an open kerf, mm from its beginning, rising.
        edge: it runs off the plate.
    """

    process: Process
    length: float
    speed: float
    stand_off: float
    pierce_height: float
    pierce_delay_ns: int
    pause_ns: int
    kerfs: tuple[float, ...] = ()
    edge: bool = False


@dataclass(frozen=True, slots=True)
class Program:
    """What a table does.

    Attributes:
        cuts: in order, at least one.
        contact: the controller starts by the start contact, not over the link.
        poll_ns: from one request to the next.
        begin_ns: when the controller switches the supply on.
        repeat: begin again at the end.
        fault_pause_ns: after a failure.
        fault_tries: failures in a row that it takes.
        own_wires: it goes on cutting when the caller is the client on the line.
    """

    cuts: tuple[Cut, ...]
    contact: bool
    poll_ns: int
    begin_ns: int
    repeat: bool
    fault_pause_ns: int
    fault_tries: int
    own_wires: bool = False


@dataclass(frozen=True, slots=True)
class SupplyPlan:
    """One supply.

    Attributes:
        name: in the log.
        address: on the line.
        beginning: what it is switched on with; the seed is that of the world.
        odd: what is not as usual in its plant and site, by name.
        program: what the table does; None without one.
    """

    name: str
    address: int
    beginning: Beginning
    odd: Mapping[str, Any]
    program: Program | None


class When(Enum):
    """Kinds of trigger."""

    TIME = auto()
    MODE = auto()
    """A mode is entered."""
    FAULT = auto()
    """A fault is latched."""
    READING = auto()
    """A condition on a register becomes true, looked at every `LOOK_NS` of scenario time."""


LOOK_NS = 100_000_000
"""How often conditions are looked at."""
COMPARISONS: Mapping[str, Callable[[Any, Any], bool]] = MappingProxyType(
    {
        ">=": operator.ge,
        "<=": operator.le,
        "==": operator.eq,
        "!=": operator.ne,
        ">": operator.gt,
        "<": operator.lt,
    }
)


class Condition(NamedTuple):
    """A comparison of a register with a value.

    Attributes:
        register: its name.
        comparison: of `COMPARISONS`.
        value: a number, a choice's name, or on and off.
    """

    register: str
    comparison: str
    value: float | str | bool

    def holds(self, reading: object) -> bool:
        """Return whether a reading meets it; a reading that is none meets nothing."""
        return reading is not None and COMPARISONS[self.comparison](reading, self.value)

    def __str__(self) -> str:
        """Return e.g. ``cut_time > 1.5``."""
        value = str(self.value).lower() if isinstance(self.value, bool) else self.value
        return f"{self.register} {self.comparison} {value}"


@dataclass(frozen=True, slots=True)
class Trigger:
    """When something happens.

    Attributes:
        kind: which of the others count.
        at_ns: of TIME.
        every_ns: of TIME: again and again; None for once.
        mode: of MODE.
        fault: of FAULT.
        condition: of READING.
        count: which time is meant, from 1; of all but TIME.
        repeat: every time from then on; of all but TIME.
        after_ns: so much later.
        chance: probability, each time.
    """

    kind: When
    at_ns: int = 0
    every_ns: int | None = None
    mode: Mode | None = None
    fault: Fault | None = None
    condition: Condition | None = None
    count: int = 1
    repeat: bool = False
    after_ns: int = 0
    chance: float = 1.0


class Happening(NamedTuple):
    """What happens: a defect, a change, or an act of a person.

    Attributes:
        name: of the defect or act, "set" for a change.
        changes: of the surroundings; empty for an act and for what concerns the controller.
        act: whether it is an act.
        lasts_ns: then as before; None for good.
        over_ns: along a straight line in this time; None at once.
        note: for the log.
    """

    name: str
    changes: Changes
    act: bool = False
    lasts_ns: int | None = None
    over_ns: int | None = None
    note: str = ""


class EventPlan(NamedTuple):
    """Something that happens to a supply.

    Attributes:
        supply: index of the supply.
        trigger: when.
        happening: what.
    """

    supply: int
    trigger: Trigger
    happening: Happening


@dataclass(frozen=True, slots=True)
class Scenario:
    """What a simulated world holds, and what happens in it.

    Attributes:
        name: of a shipped one, or the file's path.
        title: in a line.
        note: what it shows.
        seed: of all chance.
        duration_ns: of a run when nobody says.
        line: rate and format.
        supplies: on the line.
        events: what happens.
        wire: the pair, and what is wrong with it; None for a clean line.
    """

    name: str
    title: str
    note: str
    seed: int
    duration_ns: int
    line: LineSettings
    supplies: tuple[SupplyPlan, ...]
    events: tuple[EventPlan, ...]
    wire: Wire | None = None
