"""Millions of frames through bit errors and a UART, in columns.

Every bit of a character, its start, parity and stop bits too, is wrong with the same chance,
whatever its neighbours are; the silence around a frame is free of errors. What is heard is what
`kerfbus.sim.pair.uart.UartReceiver` hears of such bits: after a wrong start or stop bit it finds
its way back, or does not, as that does. Where numba is installed (the extra ``fast``) a part of the
work is compiled; the same comes out without.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, log1p, sqrt
from typing import NamedTuple

import numpy as np

from kerfbus.bench.errors import UsageError
from kerfbus.bench.line import LineSettings
from kerfbus.sim.pair import bulkloop, bulkuart
from kerfbus.sim.pair.bulkuart import Bytes, Hits, Ints, Shape
from kerfbus.sim.pair.whitenoise import hashes, noise_key


@dataclass(frozen=True)
class Traffic:
    """Frames to be sent, each with silence around it.

    Attributes:
        values: the characters of all frames, one frame after the other.
        lengths: characters of each frame, at least one.
        settings: the format; the rate does not matter.
    """

    values: Bytes
    lengths: Ints
    settings: LineSettings

    def __post_init__(self) -> None:
        """Check that the lengths are those of the characters.

        Raises:
            UsageError: they are not.
        """
        if int(self.lengths.sum()) != len(self.values) or (self.lengths < 1).any():
            raise UsageError(
                f"lengths of frames: {int(self.lengths.sum())} in all for {len(self.values)}"
                " characters; give one length, at least 1, for each frame"
            )

    @property
    def bits(self) -> int:
        """Return the bits of all frames."""
        return len(self.values) * self.settings.character_bits


class Heard(NamedTuple):
    """The frames that were hit, as a UART heard them; all others were heard as they were sent.

    Attributes:
        frames: their numbers, rising.
        counts: characters heard of each, of those that were sent or others; 0 is possible.
        values: the characters, one frame after the other.
        errors: of each: bits of `kerfbus.bench.frames.FrameError`: FRAMING, PARITY, BREAK.
    """

    frames: Ints
    counts: Ints
    values: Bytes
    errors: Bytes


def flips(bits: int, rate: float, seed: int, batch: int = 0) -> Ints:
    """Return which of so many bits are wrong, rising.

    The gaps between wrong bits of independent chance are geometric; they are drawn, not the bits.

    Args:
        bits: how many there are.
        rate: chance of each, 0 to below 1.
        seed: of the run.
        batch: number of the batch: the same seed and number give the same gaps.

    Raises:
        UsageError: `rate` is no such chance.
    """
    if not 0 <= rate < 1:
        raise UsageError(f"bit error rate {rate:g}: give 0 to below 1")
    if not rate or not bits:
        return np.zeros(0, np.int64)
    key = noise_key(seed, f"flips {batch}")
    parts: list[Ints] = []
    drawn, at = 0, -1
    while at < bits:
        expected = (bits - at) * rate
        count = ceil(expected + 5 * sqrt(expected) + 16)
        even = ((hashes(key, drawn, count) >> np.uint64(11)) + np.uint64(1)).astype(np.float64)
        gaps = np.log(even * 2.0**-53) * (1 / log1p(-rate))
        # What is beyond the last bit needs no more than to be beyond it.
        parts.append(at + np.cumsum(np.minimum(gaps, bits).astype(np.int64) + 1))
        drawn, at = drawn + count, int(parts[-1][-1])
    found = np.concatenate(parts)
    return found[: int(np.searchsorted(found, bits))]


def hear(traffic: Traffic, wrong: Ints, *, compiled: bool | None = None) -> Heard:
    """Return what a UART with the sender's settings hears.

    Args:
        traffic: what is sent.
        wrong: which bits are wrong, counted over the bits of all frames, rising.
        compiled: whether numba does it; None: if it is there.

    Raises:
        UsageError: numba is asked for and is not there.
    """
    if compiled is None:
        compiled = bulkloop.is_compiled()
    if not len(wrong):
        none, nothing = np.zeros(0, np.int64), np.zeros(0, np.uint8)
        return Heard(none, none, nothing, nothing)
    hits = _hits(traffic, wrong)
    search = bulkloop.search if compiled else bulkuart.search
    found = bulkuart.hear(Shape.of(traffic.settings), traffic.values, hits, search)
    return Heard(hits.frames, *found)


def _hits(traffic: Traffic, wrong: Ints) -> Hits:
    """Sort wrong bits by frames."""
    ends = np.cumsum(traffic.lengths)
    frame = np.searchsorted(ends * traffic.settings.character_bits, wrong, side="right")
    first = np.flatnonzero(np.diff(frame, prepend=-1))
    frames = frame[first]
    lengths = traffic.lengths[frames]
    begins = ends[frames] - lengths
    counts = np.diff(first, append=len(wrong))
    within = wrong - np.repeat(begins * traffic.settings.character_bits, counts)
    return Hits(frames, begins, lengths, within, counts)
