"""Timers of the supply: what is waited for, and until when."""

from __future__ import annotations

from enum import IntEnum

from kerfbus.sim.curves import NEVER

__all__ = ["NEVER", "Timer", "Timers"]


class Timer(IntEnum):
    """What is waited for. At equal instants the smaller one comes first: ends before beginnings."""

    WATCHDOG = 0
    GAS_LOW = 1
    ENVELOPE = 2
    """The arc needs more voltage than the output gives, for too long."""
    TOUCH = 3
    """The nozzle touches the work, for too long."""
    HEAT = 4
    """A temperature crosses a limit."""
    PILOT_LIMIT = 5
    WORK_CURRENT = 6
    MODE = 7
    """The end of the mode's own time."""
    GAS_CLOSE = 8
    LOOK = 9
    """A look at what creeps up: duty, inlet pressure."""
    START_STUCK = 10


class Timers:
    """Running timers.

    Attributes:
        next: when the first one is due, `NEVER` without one.
    """

    def __init__(self) -> None:
        self.next = NEVER
        self._due: dict[Timer, int] = {}

    def __contains__(self, timer: Timer) -> bool:
        return timer in self._due

    def due(self, timer: Timer) -> int | None:
        """Return when `timer` is due, None when it does not run."""
        return self._due.get(timer)

    def set(self, timer: Timer, at: int | None) -> None:
        """Let `timer` be due at `at`; None stops it."""
        if at is None:
            self.cancel(timer)
            return
        self._due[timer] = at
        self.next = min(self._due.values())

    def cancel(self, *timers: Timer) -> None:
        """Stop timers; one that does not run is no error."""
        for timer in timers:
            if self._due.pop(timer, None) == self.next:
                self.next = min(self._due.values(), default=NEVER)

    def pop(self) -> tuple[int, Timer]:
        """Take out the first timer; there must be one."""
        at, timer = min((at, timer) for timer, at in self._due.items())
        self.cancel(timer)
        return at, timer
