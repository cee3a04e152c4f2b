"""Rate and format of traffic out of characters that were received with other settings.

A UART that samples faster than the sender sends shows the line like a slow oscilloscope: from the
edge of its start bit a character is a row of samples, and levels change only at multiples of the
sender's bit. And one without parity that hears characters with it gets them right, each followed by
a "stop bit" that is in truth the parity bit. So two looks tell what a search would take many for.

Derived from the character format (MODBUS over Serial Line V1.02, 2.5.1) and the way a UART works;
the tests hold it to characters that a simulated UART delivers.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from kerfbus.bench.line import USUAL_BAUDS

DATA_BITS = 8
ENDLESS = 10
"""Low for at least as long as a character with its stop bit: how long, it cannot tell."""
FEWEST = 12
"""Fewer characters say nothing (chosen)."""
CLEAR = 0.9
"""A pattern is clear when so many of the characters keep to it; noise may spoil the others."""


class Sample(NamedTuple):
    """A received character and whether its stop bit was missing (framing error or break)."""

    value: int
    no_stop: bool


def first_low(sample: Sample) -> int:
    """Return how long the line was low from the start bit on, in bits of the receiver.

    >>> [first_low(Sample(0xFF, False)), first_low(Sample(0xF8, False)), first_low(Sample(0, True))]
    [1, 4, 10]
    """
    if sample.value == 0:
        return ENDLESS if sample.no_stop else 1 + DATA_BITS
    return 1 + (sample.value & -sample.value).bit_length() - 1


def slower_rates(samples: Sequence[Sample], baud: int) -> list[int]:
    """Return the usual rates that the sender may have, the slowest first, `baud` itself last.

    Args:
        samples: characters as they were received.
        baud: the receiver's rate; it can tell slower senders, not faster ones.
    """
    runs = Counter(first_low(each) for each in samples)
    total = sum(runs.values())
    if total < FEWEST:
        return []
    fitting = []
    for rate in USUAL_BAUDS:
        ratio = baud / rate
        if ratio >= 1 and _fits(runs, ratio) >= CLEAR * total and _has_single(runs, ratio):
            fitting.append(rate)
    return fitting


def _fits(runs: Counter[int], ratio: float) -> int:
    """Return how many runs are multiples of a bit that is `ratio` of the receiver's bits long."""
    fitting = 0
    for run, times in runs.items():
        bits = max(round(run / ratio), 1)
        # An edge falls between two samples: half a bit of the receiver either way.
        fitting += times * (run == ENDLESS or abs(run - bits * ratio) <= 0.5)
    return fitting


def _has_single(runs: Counter[int], ratio: float) -> bool:
    """Return whether single bits were seen: half of all characters begin with one."""
    if ratio >= ENDLESS:
        return runs[ENDLESS] > 0
    seen = sum(times for run, times in runs.items() if abs(run - ratio) <= 0.5)
    return seen >= 0.1 * sum(runs.values())


class ParityCount(NamedTuple):
    """Characters known to be right, heard without parity: how often the stop bit was missing.

    Attributes:
        even, odd: characters with an even and with an odd number of ones.
        even_lost, odd_lost: those of them whose stop bit was missing.
    """

    even: int
    odd: int
    even_lost: int
    odd_lost: int

    @classmethod
    def of(cls, samples: Iterable[Sample]) -> ParityCount:
        """Count some characters."""
        counts = Counter((each.value.bit_count() % 2, each.no_stop) for each in samples)
        return cls(
            counts[0, False] + counts[0, True],
            counts[1, False] + counts[1, True],
            counts[0, True],
            counts[1, True],
        )

    @property
    def parity(self) -> str | None:
        """Return the sender's parity, E, O or N; None when the pattern is not clear.

        An even parity bit is 0 after an even number of ones, and then looks like a missing stop
        bit; an odd one after an odd number.
        """
        if min(self.even, self.odd) < FEWEST // 3:
            return None
        even, odd = self.even_lost / self.even, self.odd_lost / self.odd
        if even <= 1 - CLEAR and odd <= 1 - CLEAR:
            return "N"
        if even >= CLEAR and odd <= 1 - CLEAR:
            return "E"
        if odd >= CLEAR and even <= 1 - CLEAR:
            return "O"
        return None
