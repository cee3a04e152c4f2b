"""A person's hand on a simulated supply while it runs: defects, plant, wear, start and stop.

What a scenario does by its timetable is done here by whoever asks for it, at the moment of asking.
Only simulated supplies have a hand; on a real port there is none. In a scenario with a table the
table goes on moving the torch: a stand-off set by hand holds until the torch moves.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from kerfbus.bench.errors import UsageError
from kerfbus.bench.transport import Transport
from kerfbus.sim.faults import Fault
from kerfbus.sim.scenario.causes import CAUSES
from kerfbus.sim.scenario.wire import CAUSE_NAMES
from kerfbus.sim.sequence import RUNNING, Mode
from kerfbus.sim.settings import StartSource
from kerfbus.sim.supply import Supply
from kerfbus.sim.surroundings import PARTS, RANGES, Surroundings, check_range
from kerfbus.sim.vantage import SimTransport

DEFECTS: Mapping[str, str] = {name: cause.text for name, cause in CAUSES.items()}
"""Defects that can be injected, and what is physically so."""
LINE_TROUBLES = tuple(name for name in CAUSE_NAMES if name != "healthy")
"""What can be wrong with a line; it is laid on by opening the port of `with_trouble`."""
QUANTITIES = RANGES
"""Numbers of the plant that can be set: lowest, highest, unit."""
WEAR_PERCENT = (0.0, 200.0, "% of life")


def hand_of(transport: Transport) -> Hand | None:
    """Return the hand on the first supply of a simulated line; None where there is none."""
    if isinstance(transport, SimTransport) and transport.servers:
        return Hand(transport)
    return None


def with_trouble(port: str, trouble: str | None, severity: float) -> str:
    """Return the port of a simulated line with something wrong with it, None for nothing.

    The supplies on it are fresh ones: a line cannot be exchanged below those that are running.

    Args:
        port: of a simulated line.
        trouble: of `LINE_TROUBLES`.
        severity: 0 (barely visible) to 1 (dead).

    Raises:
        UsageError: there is no such trouble, or the severity is none.
    """
    name = port.partition(":")[2].partition("?")[0].strip()
    if trouble is None:
        return f"sim:{name}"
    if trouble not in LINE_TROUBLES:
        raise UsageError(f"{trouble}: no such trouble; there are {', '.join(LINE_TROUBLES)}")
    check_range("severity", severity, (0.0, 1.0, "from barely visible to dead"))
    return f"sim:{name or 'healthy'}?cause={trouble}&severity={severity:g}"


class Hand:
    """A hand on the first supply of a simulated line.

    Args:
        line: the line, with at least one supply.

    Attributes:
        defects: what is injected at present.
    """

    def __init__(self, line: SimTransport) -> None:
        self._line = line
        self._device = line.servers[0].device
        self._before: dict[str, dict[str, Any]] = {}
        self._wanted = False

    @property
    def defects(self) -> tuple[str, ...]:
        """Return what is injected at present, in order of injection."""
        return tuple(self._before)

    @property
    def mode(self) -> str:
        """Return what the supply does."""
        return self._supply.mode.name.lower().replace("_", "-")

    @property
    def surroundings(self) -> Surroundings:
        """Return the physical side."""
        return self._supply.surroundings

    @property
    def burning(self) -> bool:
        """Return whether an arc was struck, or is about to be, and was not stopped."""
        return self._wanted or self._supply.mode in RUNNING

    def wear(self, part: str) -> float:
        """Return the wear of a part, percent of life."""
        supply = self._supply
        return supply.consumables.wear(part, supply.usage)

    @property
    def _supply(self) -> Supply:
        return self._device.supply

    def _come_to(self) -> int:
        """Bring the world to the present and return it."""
        now = self._line.clock.now()
        self._line.catch_up(now)
        self._device.advance(now)
        return now

    def tick(self, now: int) -> None:  # noqa: ARG002 (the line's own clock counts)
        """Close the start contact once the supply is ready, where an arc is wanted."""
        if not self._wanted:
            return
        at = self._come_to()
        supply = self._supply
        if supply.fault is not Fault.NONE:
            self._wanted = False
        elif supply.ready:
            self._wanted = False
            supply.surround(at, start_contact=True)

    def strike(self) -> None:
        """Strike the arc as soon as the supply is ready; switch it on where it is off.

        Raises:
            UsageError: a fault is latched, or only the link may start.
        """
        at = self._come_to()
        supply = self._supply
        if supply.fault is not Fault.NONE:
            raise UsageError(f"the supply has a fault: {supply.fault.name.lower()}; clear it first")
        if not supply.allows(StartSource.CONTACT):
            raise UsageError("start_source lets only the link start; set it to contact or either")
        if supply.mode is Mode.OFF:
            supply.enable()
        if supply.surroundings.start_contact:
            supply.surround(at, start_contact=False)
        self._wanted = True
        self.tick(at)

    def stop(self) -> None:
        """Open the start contact: the arc goes out."""
        self._wanted = False
        self._supply.surround(self._come_to(), start_contact=False)

    def inject(self, name: str) -> None:
        """Let a defect be there from now on.

        Raises:
            UsageError: there is no such defect.
        """
        if name not in CAUSES:
            raise UsageError(f"{name}: no such defect; there are {', '.join(CAUSES)}")
        if name in self._before:
            return
        changes = CAUSES[name].changes
        around = self._supply.surroundings
        self._before[name] = {each: getattr(around, each) for each in changes}
        self._supply.surround(self._come_to(), **changes)

    def lift(self, name: str) -> None:
        """Take a defect away; nothing happens when it is not there."""
        before = self._before.pop(name, None)
        if before is not None:
            self._supply.surround(self._come_to(), **before)

    def set(self, name: str, value: float) -> None:
        """Set a number of the plant, of `QUANTITIES`.

        Raises:
            UsageError: there is no such number, or the value is out of range.
        """
        if name not in QUANTITIES:
            raise UsageError(f"{name}: no such number; there are {', '.join(QUANTITIES)}")
        self._supply.surround(self._come_to(), **{name: value})

    def set_wear(self, part: str, percent: float) -> None:
        """Let a part be as worn as that.

        Raises:
            UsageError: there is no such part, or the percentage is out of range.
        """
        if part not in PARTS:
            raise UsageError(f"{part}: no such part; there are {', '.join(PARTS)}")
        check_range(f"wear of {part}", percent, WEAR_PERCENT)
        self._come_to()
        self._supply.wear_part(part, percent)

    def clear_fault(self) -> None:
        """Clear the latched fault, as at the front panel.

        Raises:
            UsageError: its cause is still there, or a start is present.
        """
        self._come_to()
        supply = self._supply
        if supply.fault is Fault.NONE:
            return
        if supply.start_present:
            raise UsageError("a start is present; stop the arc first")
        if supply.still_caused():
            raise UsageError(f"the cause of {supply.fault.name.lower()} is still there")
        supply.clear_fault()
