"""Which characters of a damaged frame are damaged, and how one can know.

Three witnesses. The UART: a character with a parity or framing error is damaged for certain. The
request: a reply repeats address and function. The CRC: when exactly one bit is wrong the remainder
tells which (a CRC maps each single wrong bit of a frame to another remainder); that a single bit is
wrong is then likely, not certain, and the wording says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from typing import NamedTuple

from kerfbus.bench.crc import crc16
from kerfbus.bench.framing import FrameError

POLYNOMIAL = 0xA001
"""MODBUS over Serial Line V1.02, 6.2.2, reflected."""
MAX_FRAME = 256


class Damage(NamedTuple):
    """What is known of a frame's damage.

    Attributes:
        positions: damaged characters, from 0, in rising order.
        why: how that is known, "" when it is not.
    """

    positions: tuple[int, ...]
    why: str


def damage_of(data: bytes, errors: int, marked: Iterable[int], asked: bytes) -> Damage:
    """Return which characters of a frame are damaged.

    Args:
        data: the frame as heard.
        errors: `FrameError` bits.
        marked: positions at which the port reported a line error.
        asked: the request that it answers, b"" when there is none or it is one itself.
    """
    sure = sorted({each for each in marked if 0 <= each < len(data)})
    if sure:
        return Damage(tuple(sure), "the port marked them")
    if not errors & FrameError.CRC or len(data) > MAX_FRAME:
        return Damage((), "")
    if asked and len(data) >= 2:
        head = [] if data[0] == asked[0] else [0]
        head += [] if data[1] & 0x7F == asked[1] else [1]
        if head:
            return Damage(tuple(head), "the request had something else there")
    position = single_bit(data)
    if position is not None:
        return Damage((position,), "if a single bit is wrong, it is in this one")
    return Damage((), "")


def single_bit(data: bytes) -> int | None:
    """Return the only character in which one wrong bit would explain the CRC, None for none.

    >>> single_bit(bytes.fromhex("010300100001 85cf"))
    >>> single_bit(bytes.fromhex("010300110001 85cf"))
    3
    """
    # The preset and the good part cancel out: what is left is the remainder of the wrong bits.
    remainder = crc16(data)
    if not remainder or not data:
        return None
    place = _places().get(remainder)
    if place is None or place >= len(data):
        return None
    return len(data) - 1 - place


@cache
def _places() -> dict[int, int]:
    """Return for each remainder of one wrong bit how many characters follow its own."""
    table = [_eight(value) for value in range(256)]
    found: dict[int, int] = {}
    states = [1 << bit for bit in range(8)]
    for behind in range(MAX_FRAME):
        states = [table[state & 0xFF] ^ state >> 8 for state in states]
        for state in states:
            found.setdefault(state, behind)
    return found


def _eight(value: int) -> int:
    for _ in range(8):
        value = value >> 1 ^ (POLYNOMIAL if value & 1 else 0)
    return value
