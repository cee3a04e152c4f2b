"""The schedule of a qualification, as data: one `Trial` a row.

A trial waits for a situation, does something to the replies or to the supply, and watches. Times
are spans in seconds or in the controller's own polls, whichever is longer, so a slow controller
gets what it needs. All numbers are chosen.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from types import MappingProxyType
from typing import Any, NamedTuple

from kerfbus.bench.errors import UsageError
from kerfbus.sim.faultbook import BOOK, Effect
from kerfbus.sim.faults import Fault
from kerfbus.sim.qualification.treatment import LURING, Treatment

NS = 1_000_000_000


class Span(NamedTuple):
    """A time: the longer of the two.

    Attributes:
        seconds: at least so long.
        polls: or as long as so many polls of the controller.
    """

    seconds: float = 0.0
    polls: int = 0

    def ns(self, poll_ns: int) -> int:
        """Return it in nanoseconds.

        Args:
            poll_ns: the controller's period.
        """
        return max(round(self.seconds * NS), self.polls * poll_ns)


NO_TIME = Span()


class Situation(Enum):
    """What a trial needs before it begins."""

    POLLING = "polls"
    """The controller asks, whatever the supply does."""
    WAITING = "waits for a supply that is not ready"
    """A gas test runs at the supply, and a cut was asked for."""
    STARTING = "has started, no arc yet"
    PILOT = "has started, the pilot arc burns"
    ARC = "cuts"
    """The arc is on the work, and the cut has not gone on for too long."""


@dataclass(frozen=True, slots=True)
class Trial:
    """A row of the schedule.

    Attributes:
        name: unique in the schedule; judges look for it.
        title: for a person.
        situation: what it needs.
        act: how long something is done.
        treatment: what is done to replies.
        baits: so many replies are treated, with a good one between two; 0: while the act lasts.
        fault: what is latched when the act begins.
        around: how the supply's surroundings are meanwhile; as they were at the end of the act.
        watch: how long the controller is watched after that; not shorter than one poll.
        share: of a cut, which must not be older than that when the act begins.
    """

    name: str
    title: str
    situation: Situation
    act: Span = NO_TIME
    treatment: Treatment = Treatment.NONE
    baits: int = 0
    fault: Fault = Fault.NONE
    around: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    watch: Span = NO_TIME
    share: float = 0.6


@dataclass(frozen=True, slots=True)
class Plan:
    """How thorough a qualification is.

    Attributes:
        name: of the plan.
        steady: how long the polling is watched at first.
        baits: bad replies of each kind, in each situation.
        pilot: how long the pilot arc is held without a transfer.
        silence: how long the link is down.
        watch: how long the controller is watched after a loss and after a fault.
        faults: which are latched.
        patience: how long a trial waits for its situation.
    """

    name: str
    steady: Span
    baits: int
    pilot: Span
    silence: Span
    watch: Span
    faults: tuple[Fault, ...]
    patience: Span


_EACH_EFFECT = (
    Fault.TORCH_COVER_OPEN,  # cuts off, an interlock
    Fault.NO_TRANSFER,  # ends a start
    Fault.OVER_TEMPERATURE,  # ramps down
)
_USUAL = (
    *_EACH_EFFECT,
    Fault.FLOW_PRESSURE_LOW,
    Fault.NO_IGNITION,
    Fault.ARC_LOST,
    Fault.WORK_LEAD_OPEN,
    Fault.STOP_CHAIN_OPEN,
)
PLANS: Mapping[str, Plan] = MappingProxyType(
    {
        plan.name: plan
        for plan in (
            Plan(
                "quick",
                steady=Span(1.2, 12),
                baits=2,
                pilot=Span(0.4, 3),
                silence=Span(1.2, 8),
                watch=Span(0.5, 5),
                faults=_EACH_EFFECT,
                patience=Span(8, 40),
            ),
            Plan(
                "usual",
                steady=Span(4, 40),
                baits=4,
                pilot=Span(1.2, 10),
                silence=Span(2.5, 15),
                watch=Span(2, 20),
                faults=_USUAL,
                patience=Span(20, 100),
            ),
            Plan(
                "full",
                steady=Span(10, 100),
                baits=8,
                pilot=Span(1.5, 12),
                silence=Span(4, 20),
                watch=Span(3, 30),
                faults=tuple(sorted(BOOK)),
                patience=Span(30, 150),
            ),
        )
    }
)
"""Plans by name."""

CAUSES: Mapping[Fault, Mapping[str, Any]] = MappingProxyType(
    {
        Fault.NO_GAS: {"inlet_bar": 0.0},
        Fault.INLET_PRESSURE_LOW: {"inlet_bar": 4.0},
        Fault.INLET_PRESSURE_HIGH: {"inlet_bar": 10.5},
        Fault.WORK_LEAD_OPEN: {"work_lead_ok": False},
        Fault.TORCH_COVER_OPEN: {"torch_cover_closed": False},
        Fault.PART_MISSING: {"parts_missing": frozenset({"shield"})},
        Fault.FAN_STALLED: {"fan_ok": False},
        Fault.TEMPERATURE_SENSOR: {"sensors_failed": frozenset({"heat_sink"})},
        Fault.PHASE_LOSS: {"phases": frozenset({"l1", "l2"})},
        Fault.MAINS_LOW: {"mains_volts": 320.0},
        Fault.MAINS_HIGH: {"mains_volts": 480.0},
        Fault.OVER_TEMPERATURE: {"too_hot": True},
        Fault.STOP_CHAIN_OPEN: {"stop_chain_closed": False},
    }
)
"""Causes that are there with the fault and go at the end of the act. The other faults are latched
without theirs: to the controller they look the same."""

REACTION = Span(0.6, 6)
"""How long a fault's cause lasts: time enough to stop (chosen)."""


def lure_waiting(kind: Treatment) -> str:
    """Return the name of the trial in which bad replies say "ready"."""
    return f"{kind.value} reply while it waits"


def lure_cutting(kind: Treatment) -> str:
    """Return the name of the trial in which bad replies say that the arc is out."""
    return f"{kind.value} reply while it cuts"


def fault_slug(fault: Fault) -> str:
    """Return the name of a fault's trial, which is its check's too."""
    return f"fault-{fault.name.lower().replace('_', '-')}"


STEADY, CUT, SILENCE, CONTROL, LINK_LOSS = (
    "steady",
    "cut",
    "no reply",
    "no reply while it cuts",
    "link loss",
)
"""Names of the trials that are not made of a table."""


def plan_named(name: str) -> Plan:
    """Return a plan.

    Raises:
        UsageError: there is none of this name.
    """
    if name not in PLANS:
        raise UsageError(f"plan {name!r}: there is {', '.join(PLANS)}")
    return PLANS[name]


def trials_of(plan: Plan) -> tuple[Trial, ...]:
    """Return the rows of a plan, in the order in which they are made."""
    act = Span(6, 60)  # the number of baits ends it before that
    say = Situation
    rows = [
        Trial(STEADY, "how it polls", say.POLLING, act=plan.steady),
        Trial(
            SILENCE,
            "single replies that do not come",
            say.POLLING,
            act,
            Treatment.SILENCE,
            baits=plan.baits,
        ),
        Trial(
            CUT,
            "a cut whose arc is slow to transfer",
            say.PILOT,
            act=plan.pilot,
            around=MappingProxyType({"over_work": False}),
            watch=Span(plan.patience.seconds * 2, plan.patience.polls * 2),
        ),
    ]
    rows += [
        Trial(lure_waiting(kind), f"{kind.value} replies", say.WAITING, act, kind, plan.baits)
        for kind in LURING
    ]
    # What a controller makes of a reply that is only missing shows how the others must be read.
    control = Trial(
        CONTROL, "a reply that does not come in a cut", say.ARC, act, Treatment.SILENCE, baits=1
    )
    rows += [
        control,
        *(
            Trial(lure_cutting(kind), f"{kind.value} replies in a cut", say.ARC, act, kind, baits=1)
            for kind in LURING
        ),
        Trial(
            LINK_LOSS,
            "the link is lost in a cut",
            say.ARC,
            plan.silence,
            Treatment.LINK_DOWN,
            watch=plan.watch,
            share=0.25,  # long before the cut ends by itself
        ),
        *(_fault_trial(fault, plan) for fault in plan.faults),
    ]
    return tuple(rows)


def _fault_trial(fault: Fault, plan: Plan) -> Trial:
    no_start = BOOK[fault].effect is Effect.NO_START
    return Trial(
        fault_slug(fault),
        f"fault {fault.name.lower().replace('_', '-')}",
        Situation.STARTING if no_start else Situation.ARC,
        act=REACTION,
        fault=fault,
        around=CAUSES.get(fault, MappingProxyType({})),
        watch=plan.watch,
    )
