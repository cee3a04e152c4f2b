"""Dice that know no past: a function of seed, source and an index made of time."""

from __future__ import annotations

import random
from zlib import crc32

_MASK = (1 << 64) - 1


def dice(seed: int, source: str, index: int) -> random.Random:
    """Return fresh dice for one piece of one source's time.

    Args:
        seed: of the run.
        source: whose chance it is; sources are independent.
        index: number of the piece, or the instant of what happened; of either sign.
    """
    key = (seed & _MASK) << 96 | crc32(source.encode()) << 64 | (index & _MASK)
    return random.Random(key)  # noqa: S311 (noise, not a secret)
