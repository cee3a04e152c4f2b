"""CRC-16 of many frames at once.

Job: the residues of stretches of one array of bytes, two characters a step, all stretches side by
side. Source: MODBUS over Serial Line V1.02, 6.2.2. Each step looks the next state up in a table of
all 65,536 pairs; the table stays in the second-level cache.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Flags = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Residues = NDArray[np.uint16]

_POLYNOMIAL = 0xA001
_PRESET = 0xFFFF
BLOCK = 1 << 14
"""Stretches side by side; more would leave the first-level cache (chosen by measurement)."""


@cache
def _tables() -> tuple[Residues, Residues]:
    """Return the state behind a character, and behind a pair, for each state XOR characters."""
    one = np.arange(256, dtype=np.uint16)
    for _ in range(8):
        one = np.where(one & 1, one >> 1 ^ _POLYNOMIAL, one >> 1).astype(np.uint16)
    state = np.arange(1 << 16, dtype=np.uint16)
    state = (state >> 8) ^ one[state & 0xFF]
    return one, (state >> 8) ^ one[state & 0xFF]


def residues(data: Bytes, offsets: Ints, lengths: Ints) -> Residues:
    """Return the CRC state behind each stretch; 0 for a frame whose CRC fits.

    Args:
        data: bytes.
        offsets: where each stretch begins; all even.
        lengths: its length, 1 to 65,535.
    """
    found = np.empty(len(offsets), dtype=np.uint16)
    pairs = data[: len(data) & ~1].view("<u2")
    # The longest first: the stretches that go on are then the first ones at each step.
    order = np.argsort((0xFFFF - lengths).astype(np.uint16), kind="stable")
    for first in range(0, len(order), BLOCK):
        chosen = order[first : first + BLOCK]
        found[chosen] = _residues_of(data, pairs, offsets[chosen], lengths[chosen])
    return found


def _residues_of(data: Bytes, pairs: Residues, offsets: Ints, lengths: Ints) -> Residues:
    """Return the residues of stretches in falling order of length."""
    one, two = _tables()
    state = np.full(len(offsets), _PRESET, dtype=np.uint16)
    where = offsets >> 1
    steps = lengths >> 1
    going = np.searchsorted(-steps, -np.arange(1, int(steps[0]) + 1), side="right").tolist()
    for count in going:
        now = state[:count]
        now ^= pairs.take(where[:count], mode="clip")
        two.take(now, out=now, mode="clip")
        where[:count] += 1
    odd = np.flatnonzero(lengths & 1)
    last = data[offsets[odd] + lengths[odd] - 1]
    left = state[odd]
    state[odd] = (left >> 8) ^ one[(left ^ last) & 0xFF]
    return state
