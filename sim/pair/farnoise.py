"""White Gaussian noise, looked at only where it matters.

The noise is that of `kerfbus.sim.pair.whitenoise`, sample for sample. A sample's radius follows
from its first hash alone, and falls as that rises: a sample whose hash is above the limit for some
distance cannot be as far out, so neither logarithm nor cosine of it is taken. That is exact.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kerfbus.sim.pair.whitenoise import GOLDEN, REACH, WORD

Hashes = NDArray[np.uint64]
EVERY = WORD


def limit(sigmas: float) -> int:
    """Return the hash below which a sample may be further out than so many standard deviations."""
    if sigmas >= REACH:
        return 0
    # radius > z  <=>  u < exp(-z * z / 2), where u is (hash >> 11) + 1 over 2**53.
    return min(EVERY, (int(np.exp(-0.5 * max(sigmas, 0.0) ** 2) * 2.0**53) + 1) << 11)


class FarNoise:
    """The noise of one source.

    Args:
        key: `kerfbus.sim.pair.whitenoise.noise_key` of the source.
        longest: most samples asked for at once.
    """

    def __init__(self, key: int, longest: int) -> None:
        self._key = key
        with np.errstate(over="ignore"):
            self._steps = np.arange(longest, dtype=np.uint64) * np.uint64(GOLDEN)
        self._word = np.empty_like(self._steps)
        self._shifted = np.empty_like(self._steps)

    def hashes(self, first: int, count: int) -> Hashes:
        """Return the first hashes of a stretch; they are overwritten by the next call."""
        word, shifted = self._word[:count], self._shifted[:count]
        np.add(self._steps[:count], np.uint64((self._key + first * GOLDEN) & WORD), out=word)
        return _mix(word, shifted)

    def values(self, first: int, places: NDArray[np.int64], hashes: Hashes) -> NDArray[np.float64]:
        """Return the noise, in standard deviations, of samples ``first + places``.

        Args:
            first: number of the stretch's first sample.
            places: within the stretch, shape (n,).
            hashes: first hashes of these samples, shape (n,).
        """
        base = np.uint64(((~self._key & WORD) + first * GOLDEN) & WORD)
        word = self._steps[places] + base
        turn = _mix(word, np.empty_like(word)).astype(np.float64)
        even = ((hashes >> np.uint64(11)) + np.uint64(1)).astype(np.float64)
        radius = np.sqrt(-2.0 * np.log(even * 2.0**-53))
        return np.asarray(radius * np.cos(turn * (2.0 * np.pi * 2.0**-64)), np.float64)


def _mix(word: Hashes, shifted: Hashes) -> Hashes:
    """Mix in place, as `kerfbus.sim.pair.whitenoise.hashes` does."""
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB), (31, 0)):
        np.right_shift(word, np.uint64(shift), out=shifted)
        np.bitwise_xor(word, shifted, out=word)
        if factor:
            np.multiply(word, np.uint64(factor), out=word)
    return word
