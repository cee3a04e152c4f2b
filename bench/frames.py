"""What framing gives: frames, and characters that fit none.

Job: the vocabulary between the framer and all that works on frames. It must not know how a frame is
found (that is `kerfbus.bench.framing`).
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

from kerfbus.bench.transport import LineEventKind


class FrameError(IntFlag):
    """What is wrong with a frame."""

    CRC = 1
    FRAMING = 2
    PARITY = 4
    BREAK = 8
    OVERRUN = 16
    GAP = 32
    """More than 1.5 characters of silence inside (MODBUS over Serial Line V1.02, 2.5.1.1)."""
    SHORT = 64
    """Shorter than its request or its function code demands."""
    LONG = 128


ERROR_OF_KIND = {
    LineEventKind.FRAMING: FrameError.FRAMING,
    LineEventKind.PARITY: FrameError.PARITY,
    LineEventKind.BREAK: FrameError.BREAK,
    LineEventKind.OVERRUN: FrameError.OVERRUN,
    LineEventKind.DROPPED: FrameError.OVERRUN,
}
"""What a character's line error is to the frame that holds it."""


BREAKS = frozenset((LineEventKind.OPENED, LineEventKind.LOST, LineEventKind.SETTINGS))
"""Events behind which no frame goes on. A mark may fall into the middle of one."""


_SPOILS = ~int(FrameError.GAP)  # an int: operations on flags cost ten times as much


class Frame(NamedTuple):
    """Characters that make a frame, good or damaged.

    Attributes:
        data: address, PDU and CRC as heard.
        at: end of the last character.
        errors: `FrameError` bits; 0 for a good frame.
        gap_before_ns: silence before the first character, 0 for none, None when unknown.
        shapes: `kerfbus.bench.shapes.Shape` bits that the length allows; 0 for a damaged frame.
    """

    data: bytes
    at: int
    errors: int
    gap_before_ns: int | None
    shapes: int

    @property
    def usable(self) -> bool:
        """Return whether the content can be trusted: the CRC fits and no character is marked.

        A gap does not spoil the content. A receiver that follows the standard to the letter
        discards the frame all the same; on a host whose stamps are late that would discard good
        ones.
        """
        return not self.errors & _SPOILS


class Stray(NamedTuple):
    """Characters that fit no frame; fields as in `Frame`."""

    data: bytes
    at: int
    errors: int
    gap_before_ns: int | None


Piece = Frame | Stray
