"""Theory that the pictures of line.md are drawn against, in closed form."""

from __future__ import annotations

from math import comb, erfc, sqrt

import numpy as np

from kerfbus.bench.crc import crc16


def mishear(ratio: float) -> float:
    """Return Q(margin / sigma), the chance that Gaussian noise carries one sample over."""
    return erfc(ratio / sqrt(2.0)) / 2.0


def outvoted(q: float) -> float:
    """Return the chance that two or three of three independent samples are misheard."""
    return 3.0 * q**2 - 2.0 * q**3


def any_wrong(chance: float, count: int) -> float:
    """Return 1 - (1 - p)^n."""
    return 1.0 - (1.0 - chance) ** count


def undetected_patterns(octets: int) -> list[int]:
    """Return how many patterns of w wrong bits a frame's CRC does not see, for w from 0.

    Exact: the weights of the dual code (a word for each of 65536 masks of the remainders of single
    bits) and MacWilliams' identity; F. J. MacWilliams, N. J. A. Sloane, The Theory of
    Error-Correcting Codes, chapter 5 (from memory).
    """
    bits = 8 * octets
    clean = crc16(bytes(octets))
    words = np.zeros(1 << 16, np.int64)
    masks = np.arange(1 << 16, dtype=np.uint16)
    for place in range(bits):
        frame = bytearray(octets)
        frame[place >> 3] = 1 << (place & 7)
        words += np.bitwise_count(masks & np.uint16(crc16(bytes(frame)) ^ clean)) & 1
    dual = np.bincount(words, minlength=bits + 1).tolist()
    return [
        sum(count * _krawtchouk(bits, weight, at) for at, count in enumerate(dual) if count) >> 16
        for weight in range(bits + 1)
    ]


def _krawtchouk(bits: int, weight: int, at: int) -> int:
    return sum(
        (-1) ** k * comb(at, k) * comb(bits - at, weight - k) for k in range(min(weight, at) + 1)
    )
