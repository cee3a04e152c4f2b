"""White Gaussian noise that knows no past: a function of a key and the number of the sample.

Stable across versions of numpy, other than its generators, but for the last digit of its logarithm
and cosine.
"""

from __future__ import annotations

from math import log, sqrt
from zlib import crc32

import numpy as np
from numpy.typing import NDArray

WORD = (1 << 64) - 1
GOLDEN = 0x9E3779B97F4A7C15
REACH = sqrt(106 * log(2))
"""No sample is further from 0 than this many standard deviations (8.57): the radius is made of 53
bits. Beyond lies less than 2**-53 of a true Gaussian."""


def noise_key(seed: int, source: str) -> int:
    """Return the key of a source of noise; sources are independent."""
    return (seed * GOLDEN + (crc32(source.encode()) << 16) + 1) & WORD


def hashes(key: int, first: int, count: int) -> NDArray[np.uint64]:
    """Return 64 even bits for each of `count` numbers from `first` on.

    The mixing is that of splitmix64 (public domain).
    """
    with np.errstate(over="ignore"):
        word = np.arange(count, dtype=np.uint64)
        word *= np.uint64(GOLDEN)
        word += np.uint64((key + first * GOLDEN) & WORD)
        word = (word ^ word >> np.uint64(30)) * np.uint64(0xBF58476D1CE4E5B9)
        word = (word ^ word >> np.uint64(27)) * np.uint64(0x94D049BB133111EB)
        return word ^ word >> np.uint64(31)


def gaussian(key: int, first: int, count: int) -> NDArray[np.float64]:
    """Return a standard normal number for each of `count` samples from `first` on (Box-Muller)."""
    even = ((hashes(key, first, count) >> np.uint64(11)) + np.uint64(1)).astype(np.float64)
    turn = hashes(~key & WORD, first, count).astype(np.float64)
    radius = np.sqrt(-2.0 * np.log(even * 2.0**-53))
    return np.asarray(radius * np.cos(turn * (2.0 * np.pi * 2.0**-64)), np.float64)
