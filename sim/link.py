"""The supply's side of the link: key, permission to start, supervision, settings in force.

A start over the link needs the key, an armed link and permission by the setting `start_source`.
While the link is armed, silence longer than the watchdog's time ends everything that runs and takes
the permission away; nothing gives it back but a new order. A key and an armed link are no safety
function: an ordinary Modbus link never is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

from kerfbus.bench.line import LineSettings

COMMAND_KEY = 0x4B46
"""What `command_key` must be given (invented; also among the map's facts)."""
KEY_NS = 2_000_000_000
"""How long a key stays good unless it is used."""


class WatchdogState(IntEnum):
    """Supervision of the link, numbered as in the register map."""

    RESTING = 0
    RUNNING = 1
    TRIPPED = 2


@dataclass(frozen=True, slots=True)
class Station:
    """Where the supply answers.

    Attributes:
        address: server address.
        line: rate and format.
    """

    address: int = 1
    line: LineSettings = field(default_factory=LineSettings)


class Link:
    """State of the link.

    Attributes:
        active: address and line settings in force.
        armed: starts over the link are accepted and the link is supervised.
        start: a start over the link is present.
        key_until: the key is good until this instant; None without a key.
        silent_at: when the watchdog trips if no good request comes; means something while armed.
        trips: how often the watchdog has stopped the supply.
    """

    def __init__(self, active: Station) -> None:
        self.active = active
        self.armed = False
        self.start = False
        self.key_until: int | None = None
        self.silent_at = 0
        self.trips = 0

    def drop(self) -> None:
        """Take away everything that could start the supply."""
        self.armed = self.start = False
        self.key_until = None

    def give_key(self, word: int, now: int) -> None:
        """Take a word written to the key register; a wrong one takes the key away."""
        self.key_until = now + KEY_NS if word == COMMAND_KEY else None

    def has_key(self, now: int) -> bool:
        """Return whether the key is good."""
        return self.key_until is not None and now <= self.key_until

    def state(self, *, tripped: bool) -> WatchdogState:
        """Return the state of supervision; `tripped` says that its fault is latched."""
        if tripped:
            return WatchdogState.TRIPPED
        return WatchdogState.RUNNING if self.armed else WatchdogState.RESTING
