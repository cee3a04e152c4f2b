"""Timers of the supply: what is waited for, and until when."""

from __future__ import annotations

from enum import IntEnum

NEVER = 1 << 63
"""Later than every instant."""


class Timer(IntEnum):
    """What is waited for. At equal instants the smaller one comes first: ends before beginnings."""

    WATCHDOG = 0
    GAS_LOW = 1
    PILOT_LIMIT = 2
    WORK_CURRENT = 3
    MODE = 4
    """The end of the mode's own time."""
    GAS_CLOSE = 5


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
            self._due.pop(timer, None)
        self.next = min(self._due.values(), default=NEVER)

    def pop(self) -> tuple[int, Timer]:
        """Take out the first timer; there must be one."""
        at, timer = min((at, timer) for timer, at in self._due.items())
        self.cancel(timer)
        return at, timer
