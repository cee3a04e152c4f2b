"""Bits of characters and a receiver that samples them, for the second line model.

Plain and small on purpose: a transmission is the instants at which its level changes, a receiver
looks for a falling edge and then at the middle of each bit. Source of what it must show: the
character format (MODBUS over Serial Line V1.02, 2.5.1); a false start is rejected at the middle of
the start bit, the first stop bit is looked at in its middle, and behind a stop bit at space level
the receiver waits for mark again (common practice of UARTs).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from kerfbus.bench.transport import LineEventKind as Kind


class Form(NamedTuple):
    """A character format: parity N, E or O, one or two stop bits; always eight data bits."""

    parity: str
    stop: int

    @property
    def bits(self) -> int:
        return 9 + (self.parity != "N") + self.stop


def form(text: str) -> Form:
    """Return the format that e.g. ``8E1`` names."""
    return Form(text[1], int(text[2]))


class Heard(NamedTuple):
    """A received character: start of its start bit in ns, value, line errors."""

    start: float
    value: int
    errors: tuple[Kind, ...] = ()


@lru_cache(maxsize=4096)
def toggles(value: int, shape: Form) -> tuple[int, ...]:
    """Return the bit positions at which the level changes in one character that follows mark."""
    bits = [0, *((value >> place) & 1 for place in range(8))]
    if shape.parity != "N":
        bits.append((value.bit_count() + (shape.parity == "O")) & 1)
    bits.append(1)
    level, found = 1, []
    for place, bit in enumerate(bits):
        if bit != level:
            found.append(place)
            level = bit
    return tuple(found)


def edges(starts: Sequence[float], data: bytes, bit: float, shape: Form) -> list[float]:
    """Return the instants of all level changes of characters that begin at `starts`."""
    return [
        start + place * bit
        for start, value in zip(starts, data, strict=True)
        for place in toggles(value, shape)
    ]


class Uart:
    """A receiver.

    Args:
        bit: length of its bit in ns.
        shape: its format.
        votes: how many samples around the middle of a bit decide, 1 or 3.
    """

    def __init__(self, bit: float, shape: Form, votes: int = 1) -> None:
        self.bit, self.shape = bit, shape
        self.offsets = (0.0,) if votes == 1 else (-bit / 16, 0.0, bit / 16)

    def decode(self, changes: Sequence[float], level: int = 1) -> list[Heard]:
        """Return the characters of a stretch of line.

        Args:
            changes: instants of level changes, rising in time.
            level: level before the first of them. At space the receiver first waits for mark.
        """
        bit, parity = self.bit, self.shape.parity
        need = len(self.offsets) // 2

        def look(at: float) -> int:
            if not need:
                return level ^ (bisect_right(changes, at) & 1)
            seen = sum(level ^ (bisect_right(changes, at + off) & 1) for off in self.offsets)
            return int(seen > need)

        found: list[Heard] = []
        place = 0 if level else 1  # the change that comes next must be a falling one
        while place < len(changes):
            start = changes[place]
            if look(start + bit / 2):
                at = start + bit / 2
            else:
                value = 0
                for data in range(8):
                    value |= look(start + (1.5 + data) * bit) << data
                at = start + 9.5 * bit
                errors = []
                paired = 0
                if parity != "N":
                    paired = look(at)
                    if (value.bit_count() + paired + (parity == "O")) & 1:
                        errors.append(Kind.PARITY)
                    at += bit
                if not look(at):
                    nothing = not value and not paired
                    errors = [Kind.BREAK] if nothing else [Kind.FRAMING, *errors]
                found.append(Heard(start, value, tuple(errors)))
            place = bisect_right(changes, at)
            if level ^ (place & 1):  # at mark: the next change falls
                continue
            place += 1  # at space: wait for mark, then for the change behind it
        return found
