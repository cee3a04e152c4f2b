"""What stations say on a pair and what they hear of it: the words that both fidelities share.

Sans-IO and causal: characters and instants go in, heard characters with theirs come out, and what
is heard up to an instant depends on nothing after it. Instants are nanoseconds.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple

from kerfbus.bench.line import LineSettings
from kerfbus.bench.transport import LineEventKind


class Arc(IntEnum):
    """What the arc does, as far as a line beside it can feel."""

    OFF = 0
    IGNITION_CONTACT = 1
    """The electrode retracts from the nozzle: a few short bursts."""
    IGNITION_HF = 2
    """A train of high-frequency pulses."""
    PILOT = 3
    TRANSFER = 4
    CUTTING = 5
    EXTINCTION = 6


class Talk(NamedTuple):
    """Characters that one station sends without a gap, and what its driver does around them.

    Attributes:
        station: index of the sender in the plant's stations.
        data: the characters, at least one.
        start: leading edge of the first start bit.
        settings: rate and format that the sender uses.
        enable_at: the driver takes the line; at `start` or before. Until `start` it sends mark.
        release_at: it lets the line go: at the end of the last stop bit, before it (the tail is
            cut) or after it (mark, against whoever answers).
    """

    station: int
    data: bytes
    start: int
    settings: LineSettings
    enable_at: int
    release_at: int


class Character(NamedTuple):
    """A character as a UART delivered it.

    Attributes:
        value: its data bits, 0 for a break.
        at: when the UART delivered it: the middle of the stop bit as the receiver samples it is
            when the hardware knows; the instant given is the end of that stop bit, by the
            receiver's clock, as a capture with ``exact`` timing stamps it.
        errors: FRAMING, PARITY, BREAK, OVERRUN; in this order, each at most once.
    """

    value: int
    at: int
    errors: tuple[LineEventKind, ...] = ()


class PairLine(ABC):
    """A pair with its stations, heard by any of them; the interface of both fidelities.

    All chance comes from the seed and is a function of time, never of how often or by whom it was
    asked: the same talks and the same arc give the same characters at every station, however
    `hear` was cut into calls.
    """

    @abstractmethod
    def say(self, talk: Talk) -> None:
        """Let a station talk; talks may overlap. Told before anybody hears past its `enable_at`."""

    @abstractmethod
    def arc(self, at: int, state: Arc) -> None:
        """Note that the arc is in `state` from `at` on. Told before anybody hears past `at`."""

    @abstractmethod
    def hear(self, station: int, until: int) -> Sequence[Character]:
        """Return what a station's receiver delivered with ``at <= until`` since it was last asked.

        A station hears itself unless its plant says that the receiver is off while it drives.
        Instants never fall from call to call.
        """
